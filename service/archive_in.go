package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/archive"
	"dewbench/store"
)

// unpublishedKept is when the sweep removes what is left of an import that broke off.
const unpublishedKept = 24 * time.Hour

// mostPlantBytes is how much text the records of one plant may have in an archive with
// their history, and mostHeadBytes that of a collection and its benches: it is in memory
// together.
const (
	mostPlantBytes = 32 << 20
	mostHeadBytes  = 32 << 20
)

// archiveIn is an archive that is taken in. It is gone through twice: once to judge all of
// it, and once to write it, where each line is judged again.
type archiveIn struct {
	*Archives
	ctx     context.Context
	v       *visit // outside of transactions: for what asks for no records
	at      time.Time
	from    *archive.Reader
	counter *archive.Counter // of lines; nil: they were counted before
	all     []*archivedIn
	leftOut []string
}

// archivedIn is a collection of an archive.
type archivedIn struct {
	id, to   string // in the archive; here
	c        *collection
	message  *pb.Collection
	benches  []*pb.Bench
	photos   map[string]*archivedPicture // by their digests
	imported *pb.ImportArchiveResponse_Imported
}

func (a *archivedIn) path(file string) string { return "collections/" + a.id + "/" + file }

// ImportArchive takes an archive in.
func (a *Archives) ImportArchive(ctx context.Context, req *pb.ImportArchiveRequest) (*pb.ImportArchiveResponse, error) {
	sent, err := sentWith(ctx, "archive", "a ZIP file that a server gave out", req.GetArchive())
	if err != nil {
		return nil, err
	}
	at := a.now()
	in := &archiveIn{Archives: a, ctx: ctx, at: at, counter: &archive.Counter{}}
	in.v = a.visit(ctx, nil, at)
	grower, err := in.v.self(req.GetName())
	if err != nil {
		return nil, err
	}
	if in.from, err = archive.Open(sent, sent.Size); err != nil {
		return nil, badArchive(err)
	}
	if err := in.judge(); err != nil {
		return nil, badArchive(err)
	}
	answer := &pb.ImportArchiveResponse{LeftOut: in.leftOut}
	for _, one := range in.all {
		answer.Collections = append(answer.Collections, one.imported)
	}
	if req.GetValidateOnly() {
		for _, one := range in.all {
			one.imported.Collection.Name, one.imported.Collection.Owner, one.imported.Collection.Etag = "", "", ""
		}
		return answer, nil
	}
	// The id of a request is bound to what the archive holds, not to how it was sent.
	asked := &pb.ImportArchiveRequest{Name: store.GrowerName(grower), Archive: sent.Digest, RequestId: req.GetRequestId()}
	known, err := in.before(ctx, asked)
	if err != nil {
		return nil, err
	}
	if known == nil {
		in.counter = nil
		if known, err = in.write(ctx, asked, grower); err != nil {
			return nil, err
		}
	}
	if len(known) != len(answer.Collections) {
		return nil, fmt.Errorf("%d collections of an archive of %d", len(known), len(answer.Collections))
	}
	for i, m := range known {
		answer.Collections[i].Collection = m
	}
	return answer, nil
}

// badArchive is the error for what is wrong with an archive.
func badArchive(err error) error {
	var f *archive.Fault
	if !errors.As(err, &f) {
		return err
	}
	field := f.File
	if f.Line > 0 {
		field = fmt.Sprintf("%s line %d", f.File, f.Line)
	}
	return &Error{Reason: InvalidArchive, Message: f.Error(), Violations: []Violation{{cmp.Or(field, "archive"), f.Rule}}}
}

var errNotBefore = errors.New("the call was not made before")

// before returns what the same call wrote before, or nil.
func (in *archiveIn) before(ctx context.Context, req *pb.ImportArchiveRequest) ([]*pb.Collection, error) {
	if req.GetRequestId() == "" {
		return nil, nil
	}
	known, err := write(ctx, in.Core, req, func(*visit) ([]*pb.Collection, error) { return nil, errNotBefore }, getImported)
	if errors.Is(err, errNotBefore) {
		return nil, nil
	}
	if err == nil && known == nil {
		known = []*pb.Collection{} // of an archive without collections
	}
	return known, err
}

func getImported(v *visit, names []string) ([]*pb.Collection, error) {
	return each(v, names, func(v *visit, name string) (*pb.Collection, error) {
		c, err := v.collectionFor(store.Segment(name, "collections"), Owner)
		if err != nil {
			return nil, err
		}
		return c.message, nil
	})
}

// write writes the collections one after another, and shows all of them at once at the
// end. What fails leaves nothing: what was written belongs to nobody until then.
func (in *archiveIn) write(ctx context.Context, req *pb.ImportArchiveRequest, grower string) (out []*pb.Collection, err error) {
	defer func() {
		if err != nil {
			in.discard(ctx)
		}
	}()
	for _, one := range in.all {
		one.to = in.newID()
		if err := in.writeOne(one, grower); err != nil {
			return nil, badArchive(fromStore(err))
		}
	}
	var names []string
	out, err = write(ctx, in.Core, req, func(v *visit) ([]*pb.Collection, error) {
		if err := v.readmit(); err != nil { // that took a while
			return nil, err
		}
		names = nil
		for _, one := range in.all {
			c, err := v.load(one.to, "", anybody)
			if err != nil {
				return nil, err
			}
			if err := c.Publish(grower, one.message, v.by()); err != nil {
				return nil, err
			}
			names = append(names, store.CollectionName(one.to))
		}
		return getImported(v, names)
	}, func(v *visit, before []string) ([]*pb.Collection, error) {
		names = before
		return getImported(v, before)
	})
	if err != nil {
		return nil, err
	}
	if len(in.all) > 0 && !slices.Contains(names, store.CollectionName(in.all[0].to)) {
		in.discard(ctx) // the same call came twice at once, and the other one was first
	}
	return out, nil
}

// discard removes what was written. Where it cannot, the sweep does it later.
func (in *archiveIn) discard(ctx context.Context) {
	ctx = context.WithoutCancel(ctx)
	for _, one := range in.all {
		if one.to == "" {
			continue
		}
		if _, err := sweepCollection(ctx, in.store, one.to, in.at.Add(unpublishedKept)); err != nil {
			return
		}
	}
}

// judge goes through all of the archive, and writes nothing.
func (in *archiveIn) judge() error {
	files := map[string]bool{}
	for _, f := range archivedFiles {
		files[f.name] = true
	}
	var last *archivedIn
	var pictures []string
	for _, path := range in.from.Paths() { // in their order: those of a collection together
		parts := strings.Split(path, "/")
		switch {
		case path == archive.Descriptor:
		case slices.Contains([]string{"README.txt", "grower.json", "societies.jsonl", "tokens.jsonl", "calendars.jsonl"}, path):
			if err := in.from.Check(path, in.counter); err != nil {
				return err
			}
		case len(parts) == 3 && parts[0] == "collections" && goodID(parts[1]) && files[parts[2]]:
			if last == nil || last.id != parts[1] {
				last = &archivedIn{id: parts[1], to: parts[1]}
				in.all = append(in.all, last)
			}
			if parts[2] == archivedGrants {
				if err := in.from.Check(path, in.counter); err != nil {
					return err
				}
			}
		case IsArchivedPhoto(path):
			pictures = append(pictures, path) // there may be no such collection
		default:
			return &archive.Fault{File: path, Rule: "is not a file of an archive of this version"}
		}
	}
	if !in.from.Has("grower.json") {
		return &archive.Fault{File: "grower.json", Rule: "is not there"}
	}
	var kept []*archivedIn
	for _, one := range in.all {
		if err := in.goThrough(one, nil); err != nil {
			return err
		}
		if p := one.message.GetPurgeTime(); p != nil && !p.AsTime().After(in.at) {
			in.leftOut = append(in.leftOut, store.CollectionName(one.id))
			continue
		}
		kept = append(kept, one)
	}
	if err := in.unusedPictures(pictures); err != nil {
		return err
	}
	in.all = kept
	for _, one := range in.all { // last, as it takes longest
		if err := in.pictures(one); err != nil {
			return err
		}
	}
	for _, one := range in.all {
		one.to = ""
	}
	return nil
}

// goThrough judges a collection. to takes what is to be written, piece by piece; nil:
// nothing is.
func (in *archiveIn) goThrough(one *archivedIn, to *archiveWriter) error {
	history, err := in.head(one)
	if err != nil {
		return err
	}
	if to != nil {
		if err := to.begin(history); err != nil {
			return err
		}
	}
	if err := in.plants(one, to); err != nil {
		return err
	}
	return in.sheets(one, to)
}
