package service

import (
	"bytes"
	"context"
	"encoding/json"
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
)

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
// as many as the page has room for), and what reads some.
type archivedFile struct {
	name string
	most int
	read func(a *Archives, v *visit, c *collection, q store.List) ([]string, []any, error)
}

// archivedFiles are the files of a collection in their order.
var archivedFiles = []archivedFile{
	{archivedCollection, 0, func(_ *Archives, _ *visit, c *collection, _ store.List) ([]string, []any, error) {
		lines, err := archiveLines([]*pb.Collection{c.message})
		return lines, nil, err
	}},
	{"collection_revisions.jsonl", 0, archivedHistory(store.CollectionKind)},
	{archivedBenches, 0, func(_ *Archives, v *visit, c *collection, _ store.List) ([]string, []any, error) {
		all, err := c.AllBenches() // purged ones too, where plants once stood on them
		if err != nil {
			return nil, nil, err
		}
		lines, err := archiveLines(all)
		return lines, nil, err
	}},
	{"bench_revisions.jsonl", 0, archivedHistory(store.BenchKind)},
	{archivedPlants, 0, func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
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
	{"plant_revisions.jsonl", 0, archivedHistory(store.PlantKind)},
	{archivedFeedings, 0, func(a *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
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
	{"feeding_revisions.jsonl", 0, archivedHistory(store.FeedingKind)},
	{archivedObservations, 0, func(a *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
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
	{"observation_revisions.jsonl", 0, archivedHistory(store.ObservationKind)},
	{archivedSheetsFile, archivedSheets, func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
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
	{"grants.jsonl", 0, func(_ *Archives, _ *visit, c *collection, q store.List) ([]string, []any, error) {
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
	archivedSheetsFile   = "sheets.jsonl"
)

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
	file       int64  // of archivedFiles
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
	var answer *pb.ExportArchiveResponse
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
		room := usualArchiveSize
		if asked := int(req.GetPageSize()); asked > 0 {
			room = min(asked, MaxExportSize)
		}
		var place *archivePlace
		if l.query.After == nil {
			place = &archivePlace{begun: v.at.UnixMicro()}
			if answer.Pieces, err = a.ownPieces(v, id); err != nil {
				return err
			}
		} else if place, err = readArchivePlace(l.query.After); err != nil {
			return err
		}
		place, err = a.collectionPieces(v, id, place, room, answer)
		if err != nil || place == nil {
			return err
		}
		answer.NextPageToken, err = l.token(place.key())
		return err
	})
	return answer, err
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

// collectionPieces adds pieces of collections from a place on, until the page is full. It
// returns where the next page begins, or nil.
func (a *Archives) collectionPieces(v *visit, grower string, place *archivePlace, room int, answer *pb.ExportArchiveResponse) (*archivePlace, error) {
	ids, err := v.tx.Grower(grower).ArchivedIDs(place.begun)
	if err != nil {
		return nil, err
	}
	all, size := int64(len(archivedFiles)), 0
	under := func() bool { return place.collection != "" && place.file < all } // a collection is
	for _, id := range ids {
		if id < place.collection || id == place.collection && !under() {
			continue
		}
		resumed := id == place.collection
		if !resumed && under() {
			break
		}
		c, err := v.anyCollection(id)
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
			if room <= 0 || size >= archivePage {
				return place, nil
			}
			f := archivedFiles[place.file]
			q := store.List{Limit: room, After: place.after, Deleted: true, GoneUs: place.begun}
			if f.most > 0 {
				q.Limit = min(room, f.most)
			}
			lines, next, err := f.read(a, v, c, q)
			if err != nil {
				return nil, err
			}
			piece := &pb.ExportArchiveResponse_Piece{Path: "collections/" + id + "/" + f.name, Text: strings.Join(lines, "")}
			answer.Pieces = append(answer.Pieces, piece)
			room, size = room-max(1, len(lines)), size+len(piece.GetText())
			if place.after = next; next == nil {
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
