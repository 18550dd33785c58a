package service

import (
	"errors"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/archive"
	"dewbench/store"
)

// archiveWriter writes a collection, a piece of it in a transaction.
type archiveWriter struct {
	in     *archiveIn
	one    *archivedIn
	grower string
	plants []*archivedPlantIn
	rows   int
	put    map[string]bool // digests of the photos that are in the bucket
}

func (in *archiveIn) writeOne(one *archivedIn, grower string) error {
	return in.goThrough(one, &archiveWriter{in: in, one: one, grower: grower, put: map[string]bool{}})
}

// begin writes the collection, its benches and the history of both.
func (w *archiveWriter) begin(history []store.Revised) error {
	return w.in.store.Write(w.in.ctx, func(tx *store.Tx) error {
		at := w.in.at
		c, err := tx.RestoreCollection(w.one.to, w.one.message, at.UnixMicro(), at.Add(unpublishedKept).UnixMicro())
		if err != nil {
			return err
		}
		if err := c.RestoreBenches(w.one.benches); err != nil {
			return err
		}
		return c.RestoreRevisions(history, w.grower)
	})
}

func (w *archiveWriter) add(p *archivedPlantIn) error {
	w.plants, w.rows = append(w.plants, p), w.rows+p.rows()
	if w.rows < 2*importPiece { // without looking at what is there, a row takes half the time
		return nil
	}
	return w.flush()
}

// flush writes the plants that were added.
func (w *archiveWriter) flush() error {
	if len(w.plants) == 0 {
		return nil
	}
	// Files first, so that no row names one that is not there; those of what breaks off the
	// sweep removes.
	if err := w.putPhotos(); err != nil {
		return err
	}
	err := w.in.store.Write(w.in.ctx, func(tx *store.Tx) error {
		v := w.in.visit(w.in.ctx, tx, w.in.at)
		c, err := v.load(w.one.to, "", anybody)
		if err != nil {
			return err
		}
		var plants []store.RestoredPlant
		var fed []*pb.Feeding
		var seen []*pb.Observation
		var fedRefs, seenRefs []string
		var history []store.Revised
		var photos []*store.Photo
		for _, p := range w.plants {
			photos = append(photos, p.photos...)
			plants, fed, seen = append(plants, p.RestoredPlant), append(fed, p.feedings...), append(seen, p.observations...)
			fedRefs, seenRefs, history = append(fedRefs, p.feedingRefs...), append(seenRefs, p.factRefs...), append(history, p.revisions...)
		}
		if err := c.RestorePlants(plants); err != nil {
			return err
		}
		if err := c.RestoreFeedings(fed, fedRefs, w.grower); err != nil {
			return err
		}
		if err := c.RestoreObservations(seen, seenRefs, w.grower); err != nil {
			return err
		}
		if err := c.RestorePhotos(photos, w.grower); err != nil {
			return err
		}
		if err := c.RestoreRevisions(history, w.grower); err != nil {
			return err
		}
		for _, p := range photos {
			if err := tx.Enqueue(store.Job{Kind: renditionJob, Collection: w.one.to, Args: p.GetSha256()}); err != nil {
				return err
			}
		}
		d, err := v.decider(c, c.today(v.at))
		if err != nil {
			return err
		}
		keep, pending := map[string]*store.Due{}, false
		for _, p := range w.plants {
			if err := v.ctx.Err(); err != nil {
				return err
			}
			d.keep(p.Plant, d.facts(p.Plant, &p.counted), p.kept)
			keep[p.ID], pending = p.kept, pending || p.kept.PendingUs != nil
		}
		if err := c.KeepDue(v.version, keep); err != nil || !pending {
			return err
		}
		return c.KeepPending()
	})
	w.plants, w.rows = nil, 0
	return err
}

// putPhotos puts the files of photos of the plants that were added into the bucket.
func (w *archiveWriter) putPhotos() error {
	bucket := w.in.blobs.Of(w.one.to)
	for _, p := range w.plants {
		for _, of := range p.photos {
			if w.put[of.GetSha256()] {
				continue
			}
			file, err := w.in.from.Photo(archive.PhotoFile(w.one.id, of.GetSha256()))
			if err != nil {
				return err
			}
			err = bucket.Put(w.in.ctx, of.GetSha256(), file, int64(of.GetSizeBytes()))
			if err = errors.Join(err, file.Close()); err != nil {
				return err
			}
			w.put[of.GetSha256()] = true
		}
	}
	return nil
}

func (w *archiveWriter) sheet(m *pb.Sheet) error {
	return w.in.store.Write(w.in.ctx, func(tx *store.Tx) error {
		c, err := tx.Collection(w.one.to, "", anybody)
		if err != nil {
			return err
		}
		return c.RestoreSheet(m)
	})
}
