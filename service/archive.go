package service

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/archive"
	"dewbench/store"
)

// Archives are the calls that give all data of a grower out and take it in.
type Archives struct {
	*Core
	feedings     *Feedings
	observations *Observations
	validator    protovalidate.Validator
}

// NewArchives returns the calls that give all data of a grower out and take it in.
func NewArchives(core *Core, feedings *Feedings, observations *Observations) (*Archives, error) {
	validator, err := protovalidate.New()
	if err != nil {
		return nil, fmt.Errorf("validation rules: %w", err)
	}
	return &Archives{core, feedings, observations, validator}, nil
}

// MaxArchiveBytes is how large the file of an archive may be.
const MaxArchiveBytes = archive.MaxBytes

// NewArchiveWriter returns what puts pieces of an archive together, which is made at a
// time.
func NewArchiveWriter(to io.Writer, at time.Time) *archive.Writer { return archive.NewWriter(to, at) }

const (
	// usualArchiveSize is how many records a page of an archive has.
	usualArchiveSize = 500
	// archivePage is how many bytes it has, or a little more: gRPC clients take 4 MiB.
	archivePage = 1 << 20
	// archivedSheets is how many bench sheets are read at once: each may have 2,000 rows.
	archivedSheets = 10
	// archivePicture is how many bytes a page has that holds pieces of photos.
	archivePicture = 3 << 20
)

// IsArchivedPhoto tells whether the path of a piece of an archive is that of the file of a
// photo.
func IsArchivedPhoto(path string) bool {
	_, is := archive.PhotoOf(path)
	return is
}

// archiveLine writes a message as a line of an archive, without what is unset.
func archiveLine(m proto.Message) (string, error) {
	text, err := protojson.Marshal(m)
	if err != nil {
		return "", fmt.Errorf("write a line of an archive: %w", err)
	}
	var out bytes.Buffer
	if err := json.Compact(&out, text); err != nil {
		return "", fmt.Errorf("write a line of an archive: %w", err)
	}
	out.WriteByte('\n')
	return out.String(), nil
}

func archiveLines[M proto.Message](all []M) (lines []string, err error) {
	for _, m := range all {
		line, err := archiveLine(m)
		if err != nil {
			return nil, err
		}
		lines = append(lines, line)
	}
	return lines, nil
}

// archivedFile is a file of a collection: its name, how many records are read at once (0:
// as many as the page has room for), and what reads some; and whether it is of photos.
type archivedFile struct {
	name   string
	most   int
	read   func(a *Archives, v *visit, c *collection, q store.List) ([]string, []any, error)
	photos bool
}

// archivedFiles are the files of a collection in their order.
var archivedFiles = []archivedFile{
	{name: archivedCollection, read: func(_ *Archives, _ *visit, c *collection, _ store.List) ([]string, []any, error) {
		lines, err := archiveLines([]*pb.Collection{c.message})
		return lines, nil, err
	}},
	{name: "collection_revisions.jsonl", read: archivedHistory(store.CollectionKind)},
	{name: archivedBenches, read: func(_ *Archives, v *visit, c *collection, _ store.List) ([]string, []any, error) {
		all, err := c.AllBenches() // purged ones too, where plants once stood on them
		if err != nil {
			return nil, nil, err
		}
		lines, err := archiveLines(all)
		return lines, nil, err
	}},
	{name: "bench_revisions.jsonl", read: archivedHistory(store.BenchKind)},
	{name: archivedPlants, read: func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
		plants, next, err := c.Plants(q)
		if err != nil {
			return nil, nil, err
		}
		ids := make([]string, len(plants))
		for i, p := range plants {
			ids[i] = p.ID
		}
		tags, err := c.TagHistory(ids)
		if err != nil {
			return nil, nil, err
		}
		out := make([]*pb.ArchivedPlant, len(plants))
		for i, p := range plants {
			m := &pb.ArchivedPlant{Plant: p.Plant, Ref: p.Ref, FirstBench: store.BenchName(c.ID(), p.FirstBench)}
			if t := p.Told; t != nil {
				m.Told = &pb.ArchivedPlant_Told{Quantity: t.Quantity, Bench: t.Bench, Exposure: t.Exposure}
			}
			for _, tag := range tags[p.ID] {
				m.FormerTags = append(m.FormerTags, &pb.ArchivedPlant_FormerTag{Tag: tag.Tag, UntilTime: instantOfMicros(tag.UntilUs)})
			}
			out[i] = m
		}
		lines, err := archiveLines(out)
		return lines, next, err
	}},
	{name: "plant_revisions.jsonl", read: archivedHistory(store.PlantKind)},
	{name: archivedFeedings, read: func(a *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
		all, refs, next, err := c.ArchivedFeedings(q)
		if err != nil {
			return nil, nil, err
		}
		out := make([]*pb.ArchivedFeeding, len(all))
		for i, m := range all {
			a.feedings.dates(m, c.zone)
			out[i] = &pb.ArchivedFeeding{Feeding: m, Ref: refs[i]}
		}
		lines, err := archiveLines(out)
		return lines, next, err
	}},
	{name: "feeding_revisions.jsonl", read: archivedHistory(store.FeedingKind)},
	{name: archivedObservations, read: func(a *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
		all, refs, next, err := c.ArchivedObservations(q)
		if err != nil {
			return nil, nil, err
		}
		out := make([]*pb.ArchivedObservation, len(all))
		for i, m := range all {
			a.observations.dates(m, c.zone)
			out[i] = &pb.ArchivedObservation{Observation: m, Ref: refs[i]}
		}
		lines, err := archiveLines(out)
		return lines, next, err
	}},
	{name: "observation_revisions.jsonl", read: archivedHistory(store.ObservationKind)},
	{name: archivedPhotos, photos: true, read: func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
		all, next, err := c.ArchivedPhotos(q)
		if err != nil {
			return nil, nil, err
		}
		out := make([]*pb.ArchivedPhoto, len(all))
		for i, p := range all {
			if out[i], err = c.archivePhoto(p); err != nil {
				return nil, nil, err
			}
		}
		lines, err := archiveLines(out)
		return lines, next, err
	}},
	{name: "photo_revisions.jsonl", photos: true, read: archivedHistory(store.PhotoKind)},
	{name: archivedSheetsFile, most: archivedSheets, read: func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
		heads, next, err := c.Sheets(q)
		if err != nil {
			return nil, nil, err
		}
		out := make([]*pb.Sheet, len(heads))
		for i, m := range heads {
			if out[i], err = c.Sheet(store.SheetNumber(m.GetName())); err != nil {
				return nil, nil, err
			}
		}
		lines, err := archiveLines(out)
		return lines, next, err
	}},
	{name: archivedGrants, read: func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
		all, next, err := c.Grants(q)
		if err != nil {
			return nil, nil, err
		}
		lines, err := archiveLines(all)
		return lines, next, err
	}},
}

// Files of a collection.
const (
	archivedCollection   = "collection.json"
	archivedBenches      = "benches.jsonl"
	archivedPlants       = "plants.jsonl"
	archivedFeedings     = "feedings.jsonl"
	archivedObservations = "observations.jsonl"
	archivedPhotos       = "photos.jsonl"
	archivedSheetsFile   = "sheets.jsonl"
	archivedGrants       = "grants.jsonl"
)

// archivePhoto returns the line of a photo, without what is not of the photo: whether the
// renditions of this server are there.
func (c *collection) archivePhoto(p *store.Photo) (*pb.ArchivedPhoto, error) {
	shown, err := c.showPhoto(p)
	if err != nil {
		return nil, err
	}
	shown.RenditionsReady = false
	m := &pb.ArchivedPhoto{Photo: shown, Orientation: p.Orientation}
	if p.CameraUs != nil {
		m.CameraTime, m.CameraSource = instantOfMicros(*p.CameraUs), p.CameraSource
	}
	return m, nil
}

// archivedHistory reads the history of all resources of a kind.
func archivedHistory(kind store.Kind) func(*Archives, *visit, *collection, store.List) ([]string, []any, error) {
	return func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
		all, next, err := c.ArchivedRevisions(kind, q)
		if err != nil {
			return nil, nil, err
		}
		out := make([]*pb.ArchivedRevision, len(all))
		for i, r := range all {
			c.dateRevision(r.Revision)
			out[i] = &pb.ArchivedRevision{Parent: revisedName(c.ID(), &all[i]), Revision: r.Revision}
		}
		lines, err := archiveLines(out)
		return lines, next, err
	}
}

// revisedName is the name of the resource of a change.
func revisedName(collection string, r *store.Revised) string {
	switch r.Kind {
	case store.BenchKind:
		return store.BenchName(collection, r.ID)
	case store.PlantKind:
		return store.PlantName(collection, r.ID)
	case store.FeedingKind:
		return store.FeedingName(collection, r.Plant, r.ID)
	case store.ObservationKind:
		return store.ObservationName(collection, r.Plant, r.ID)
	case store.PhotoKind:
		return store.PhotoName(collection, r.Plant, r.ID)
	}
	return store.CollectionName(collection)
}

// archivePlace is where a page of an archive begins, behind its first file.
type archivePlace struct {
	begun      int64  // when the first page was given out
	collection string // id; "": the files that are of no collection
	file       int64  // of archivedFiles; behind them: the files of photos
	lastUs     int64  // what HistoryMark told at the first page of the collection
	count      int64
	after      []any
}

func (p *archivePlace) key() []any {
	return append([]any{p.begun, p.collection, p.file, p.lastUs, p.count}, p.after...)
}

// readArchivePlace reads what key wrote.
func readArchivePlace(key []any) (*archivePlace, error) {
	p := &archivePlace{}
	if len(key) < 5 {
		return nil, badPageToken()
	}
	oks := make([]bool, 5)
	p.begun, oks[0] = key[0].(int64)
	p.collection, oks[1] = key[1].(string)
	p.file, oks[2] = key[2].(int64)
	p.lastUs, oks[3] = key[3].(int64)
	p.count, oks[4] = key[4].(int64)
	if slices.Contains(oks, false) || p.file < 0 || p.file > int64(len(archivedFiles)) { // another version wrote it
		return nil, badPageToken()
	}
	if len(key) > 5 {
		p.after = key[5:]
	}
	return p, nil
}

// ExportArchive gives a page of all data of the caller's out.
func (a *Archives) ExportArchive(ctx context.Context, req *pb.ExportArchiveRequest) (*pb.ExportArchiveResponse, error) {
	var (
		answer *pb.ExportArchiveResponse
		page   *archiveOut
	)
	err := a.read(ctx, func(v *visit) error {
		id, err := v.self(req.GetName())
		if err != nil {
			return err
		}
		l := &listing{pages: v.pages}
		if err := l.begin(v, req); err != nil {
			return err
		}
		answer = &pb.ExportArchiveResponse{}
		page = &archiveOut{Archives: a, v: v, answer: answer, photos: req.GetPhotos() != pb.ExportArchiveRequest_NONE, room: usualArchiveSize}
		if asked := int(req.GetPageSize()); asked > 0 {
			page.room = min(asked, MaxExportSize)
		}
		var place *archivePlace
		if l.query.After == nil {
			place = &archivePlace{begun: v.at.UnixMicro()}
			if answer.Pieces, err = a.ownPieces(v, id); err != nil {
				return err
			}
			if err := page.checkPhotos(id, place.begun); err != nil {
				return err
			}
		} else if place, err = readArchivePlace(l.query.After); err != nil {
			return err
		}
		place, err = page.collections(id, place)
		if err != nil || place == nil {
			return err
		}
		answer.NextPageToken, err = l.token(place.key())
		return err
	})
	if err != nil {
		return nil, err
	}
	if err := page.fill(ctx); err != nil {
		return nil, err
	}
	return answer, nil
}

// ownPieces are the files that are of no collection.
func (a *Archives) ownPieces(v *visit, id string) ([]*pb.ExportArchiveResponse_Piece, error) {
	pieces := []*pb.ExportArchiveResponse_Piece{{Path: "README.txt", Text: archive.License}}
	grower := v.tx.Grower(id)
	m, err := grower.Get()
	if err != nil {
		return nil, missing(err, GrowerNotFound, store.GrowerName(id))
	}
	line, err := archiveLine(m)
	if err != nil {
		return nil, err
	}
	pieces = append(pieces, &pb.ExportArchiveResponse_Piece{Path: "grower.json", Text: line})
	add := func(path string, lines []string) {
		pieces = append(pieces, &pb.ExportArchiveResponse_Piece{Path: path, Text: strings.Join(lines, "")})
	}
	lines, err := allLines(grower.Societies)
	if err != nil {
		return nil, err
	}
	add("societies.jsonl", lines)
	if !Holds(v.call.caller.Scopes, ScopeManage) { // which lists them by themselves
		return pieces, nil
	}
	if lines, err = allLines(grower.Tokens); err != nil {
		return nil, err
	}
	add("tokens.jsonl", lines)
	if lines, err = allLines(func(q store.List) ([]*pb.Calendar, []any, error) { return grower.Calendars("", q) }); err != nil {
		return nil, err
	}
	add("calendars.jsonl", lines)
	return pieces, nil
}

// allLines writes all of a list that is never long.
func allLines[M proto.Message](list func(store.List) ([]M, []any, error)) (lines []string, err error) {
	for q := (store.List{Limit: MaxPageSize}); ; {
		some, next, err := list(q)
		if err != nil {
			return nil, err
		}
		more, err := archiveLines(some)
		if err != nil {
			return nil, err
		}
		if lines = append(lines, more...); next == nil {
			return lines, nil
		}
		q.After = next
	}
}

// archiveOut is a page of an archive.
type archiveOut struct {
	*Archives
	v      *visit
	answer *pb.ExportArchiveResponse
	photos bool // whether they are in it
	room   int  // for records, or pieces
	size   int  // bytes that it has
	parts  []archivedPart
}

// archivedPart is a piece of the file of a photo: what it is to hold. The bucket is read
// when the transaction has ended.
type archivedPart struct {
	piece              *pb.ExportArchiveResponse_Piece
	collection, sha256 string
	offset, length     int64
}

// checkPhotos refuses an archive with more photos than ImportArchive takes.
func (o *archiveOut) checkPhotos(grower string, begun int64) error {
	if !o.photos {
		return nil
	}
	ids, err := o.v.tx.Grower(grower).ArchivedIDs(begun)
	if err != nil {
		return err
	}
	var files, size int64
	for _, id := range ids {
		c, err := o.v.anyCollection(id)
		if err != nil {
			return err
		}
		n, bytes, err := c.CountArchivedFiles(begun)
		if err != nil {
			return err
		}
		files, size = files+n, size+bytes
	}
	if files <= archive.MaxPhotos && size <= archive.MaxPhotoBytes {
		return nil
	}
	return &Error{Reason: ArchiveTooLarge, Message: fmt.Sprintf(
		"the photos are %d files of %d bytes together, and an archive takes %d files of %d bytes: leave them out with photos NONE, and get them one by one",
		files, size, archive.MaxPhotos, archive.MaxPhotoBytes)}
}

// fill reads the pieces of photos from the bucket.
func (o *archiveOut) fill(ctx context.Context) error {
	for _, p := range o.parts {
		file, _, err := o.blobs.Of(p.collection).Open(ctx, p.sha256, p.offset, p.length)
		if err != nil {
			return fromStore(fmt.Errorf("file of a photo of %s: %w", store.CollectionName(p.collection), err))
		}
		data, err := io.ReadAll(io.LimitReader(file, p.length))
		if err = errors.Join(err, file.Close()); err == nil && int64(len(data)) < p.length {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return fromStore(fmt.Errorf("file of a photo of %s: %w", store.CollectionName(p.collection), err))
		}
		p.piece.Data = data
	}
	return nil
}

// photoFiles adds pieces of the files of photos from a place on, until the page is full.
// It returns where the next page begins, or nil.
func (o *archiveOut) photoFiles(c *collection, place *archivePlace) ([]any, error) {
	var (
		sha256 string
		offset int64
	)
	if place.after != nil {
		var oks [2]bool
		if len(place.after) == 2 {
			sha256, oks[0] = place.after[0].(string)
			offset, oks[1] = place.after[1].(int64)
		}
		if !oks[0] || !oks[1] { // another version wrote it
			return nil, badPageToken()
		}
	}
	most := o.room + 1 // the first may have been given out wholly
	files, err := c.ArchivedFiles(sha256, most, place.begun)
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		if f.Sha256 != sha256 {
			sha256, offset = f.Sha256, 0
		}
		for offset < f.SizeBytes {
			if o.room <= 0 || o.size >= archivePage {
				return []any{sha256, offset}, nil
			}
			piece := &pb.ExportArchiveResponse_Piece{Path: archive.PhotoFile(c.ID(), sha256)}
			part := archivedPart{piece, c.ID(), sha256, offset, min(f.SizeBytes-offset, int64(archivePicture-o.size))}
			o.answer.Pieces, o.parts = append(o.answer.Pieces, piece), append(o.parts, part)
			offset += part.length
			o.room, o.size = o.room-1, o.size+int(part.length)
		}
	}
	if len(files) == most {
		return []any{sha256, offset}, nil
	}
	return nil, nil
}

// collections adds pieces of collections from a place on, until the page is full. It
// returns where the next page begins, or nil.
func (o *archiveOut) collections(grower string, place *archivePlace) (*archivePlace, error) {
	ids, err := o.v.tx.Grower(grower).ArchivedIDs(place.begun)
	if err != nil {
		return nil, err
	}
	all := int64(len(archivedFiles)) // behind them are the files of photos
	under := func() bool { return place.collection != "" && place.file <= all }
	for _, id := range ids {
		if id < place.collection || id == place.collection && !under() {
			continue
		}
		resumed := id == place.collection
		if !resumed && under() {
			break
		}
		c, err := o.v.anyCollection(id)
		if err != nil {
			return nil, err
		}
		if !resumed {
			place = &archivePlace{begun: place.begun, collection: id}
			if place.lastUs, place.count, err = c.HistoryMark(); err != nil {
				return nil, err
			}
		}
		for under() {
			switch {
			case o.room <= 0 || o.size >= archivePage:
				return place, nil
			case place.file < all:
				place.after, err = o.records(c, &archivedFiles[place.file], place)
			case o.photos:
				place.after, err = o.photoFiles(c, place)
			}
			if err != nil {
				return nil, err
			}
			if place.after == nil {
				place.file++
			}
		}
		lastUs, count, err := c.HistoryMark()
		if err != nil {
			return nil, err
		}
		if lastUs != place.lastUs || count != place.count {
			return nil, changedMeanwhile(id)
		}
	}
	if under() { // it was purged or given away
		return nil, changedMeanwhile(place.collection)
	}
	return nil, nil
}

// records adds a piece of a file of a collection. It returns where the next one begins, or
// nil.
func (o *archiveOut) records(c *collection, f *archivedFile, place *archivePlace) ([]any, error) {
	if f.photos && !o.photos {
		return nil, nil
	}
	q := store.List{Limit: o.room, After: place.after, Deleted: true, GoneUs: place.begun}
	if f.most > 0 {
		q.Limit = min(o.room, f.most)
	}
	lines, next, err := f.read(o.Archives, o.v, c, q)
	if err != nil {
		return nil, err
	}
	piece := &pb.ExportArchiveResponse_Piece{Path: "collections/" + c.ID() + "/" + f.name, Text: strings.Join(lines, "")}
	o.answer.Pieces = append(o.answer.Pieces, piece)
	o.room, o.size = o.room-max(1, len(lines)), o.size+len(piece.GetText())
	return next, nil
}

func changedMeanwhile(collection string) *Error {
	return &Error{Reason: WriteConflict, Message: store.CollectionName(collection) + " was changed while it was given out: begin with the first page again"}
}

// dateRevision gives what stood before a change its civil days.
func (c *collection) dateRevision(r *pb.Revision) {
	if f := r.GetFeeding(); f != nil {
		f.FedDate, f.OutcomeDate = dayIn(f.GetFedTime(), c.zone), dayIn(f.GetOutcomeTime(), c.zone)
	} else if o := r.GetObservation(); o != nil {
		o.ObserveDate = dayIn(o.GetObserveTime(), c.zone)
	} else if p := r.GetPhoto(); p != nil {
		p.TakenDate = dayIn(p.GetTakenTime(), c.zone)
	}
}
