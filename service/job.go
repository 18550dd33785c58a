package service

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"dewbench/store"
)

// Jobs run what calls have left to be done.
type Jobs struct {
	*Core
	photos *Photos
	log    *slog.Logger
}

// jobTime is how long a job may take, with its waiting for a place to decode.
const jobTime = 90 * time.Second

// Work runs jobs until ctx ends.
func (j *Jobs) Work(ctx context.Context) error {
	return j.store.Work(ctx, map[string]func(context.Context, store.Job) error{
		renditionJob: j.photos.MakeRenditions,
	}, store.WorkOptions{Workers: 1, Limit: jobTime, Log: j.log}) // one, as pictures are decoded one at a time
}

// unnamedKept is how long a file of the bucket is kept that no photo names. An upload has
// ended long before.
const unnamedKept = 24 * time.Hour

// SweepPhotos removes files that no photo has named for a day: of photos that were purged,
// and of uploads that broke off.
func (j *Jobs) SweepPhotos(ctx context.Context) (store.Swept, error) {
	return j.blobs.Sweep(ctx, j.now().Add(-unnamedKept), func(ctx context.Context, collection string, names []string) (map[string]bool, error) {
		digests := make([]string, len(names))
		for i, name := range names {
			digests[i] = digestIn(name)
		}
		var named map[string]bool
		err := j.store.Read(ctx, func(tx *store.Tx) error {
			c, err := tx.Collection(collection, "", anybody)
			if err == nil {
				named, err = c.PhotoFiles(digests)
			}
			return err
		})
		if err != nil {
			if errors.Is(err, store.ErrNotFound) {
				return nil, nil // all of the collection is gone
			}
			return nil, err
		}
		out := map[string]bool{}
		for i, name := range names {
			out[name] = named[digests[i]]
		}
		return out, nil
	})
}
