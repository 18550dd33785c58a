package service

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/archive"
	"dewbench/service/civil"
	"dewbench/store"
)

// stream are the messages of a file, of which the next one can be looked at.
type stream[M proto.Message] struct {
	in    *archiveIn
	one   *archivedIn
	lines *archive.Lines
	empty func() M
	next  M
	bytes int
	held  bool
	ended bool
}

func open[M proto.Message](in *archiveIn, one *archivedIn, file string, most int, empty func() M) *stream[M] {
	return &stream[M]{in: in, one: one, lines: in.from.Lines(one.path(file), most, in.counter), empty: empty}
}

// peek returns the next message, renamed to where it goes; ok is false at the end.
func (s *stream[M]) peek() (m M, ok bool, err error) {
	if s.held || s.ended {
		return s.next, s.held, nil
	}
	if err := s.in.ctx.Err(); err != nil {
		return m, false, err
	}
	text, ok, err := s.lines.Next()
	if err != nil || !ok {
		s.ended = !ok && err == nil
		return m, false, err
	}
	s.bytes = len(text)
	s.next = s.empty()
	if err := protojson.Unmarshal(text, s.next); err != nil {
		return m, false, s.lines.Fault("%s", short(plainJSON(err)))
	}
	if rule := rename(s.next.ProtoReflect(), store.CollectionName(s.one.id), store.CollectionName(s.one.to)); rule != "" {
		return m, false, s.lines.Fault("%s", rule)
	}
	if err := s.in.validator.Validate(s.next); err != nil {
		var invalid *protovalidate.ValidationError
		if errors.As(err, &invalid) && len(invalid.Violations) > 0 {
			v := invalid.Violations[0].Proto
			return m, false, s.lines.Fault("%s: %s", camel(protovalidate.FieldPathString(v.GetField())), v.GetMessage())
		}
		return m, false, fmt.Errorf("judge a line: %w", err)
	}
	s.held = true
	return s.next, true, nil
}

// camel writes the path of a field as JSON has it.
func camel(path string) string {
	var out strings.Builder
	for i := 0; i < len(path); i++ {
		if path[i] == '_' && i+1 < len(path) {
			i++
			out.WriteString(strings.ToUpper(path[i : i+1]))
			continue
		}
		out.WriteByte(path[i])
	}
	return out.String()
}

func (s *stream[M]) take() { s.held = false }

func (s *stream[M]) close() { _ = s.lines.Close() } // what is wrong with it, peek has told

// plainJSON is an error of protojson without its own prefix, whose space it varies.
func plainJSON(err error) string {
	text := strings.TrimPrefix(err.Error(), "proto:")
	return strings.TrimLeft(text, " \u00a0")
}

// rename makes names of what is in one collection those of another one, and tells if a
// text cannot be kept.
func rename(m protoreflect.Message, from, to string) (rule string) {
	text := func(s string) (string, bool) {
		if strings.ContainsRune(s, 0) {
			rule = "a text has a NUL"
			return s, false
		}
		if from == to || !strings.HasPrefix(s, from) || s != from && s[len(from)] != '/' || len(s) > 300 || strings.ContainsAny(s, " \n") {
			return s, false
		}
		return to + s[len(from):], true
	}
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case f.IsMap():
		case f.IsList() && f.Message() != nil:
			for i := range v.List().Len() {
				rule = cmp.Or(rename(v.List().Get(i).Message(), from, to), rule)
			}
		case f.IsList() && f.Kind() == protoreflect.StringKind:
			for i := range v.List().Len() {
				if now, changed := text(v.List().Get(i).String()); changed {
					v.List().Set(i, protoreflect.ValueOfString(now))
				}
			}
		case f.IsList():
		case f.Message() != nil:
			rule = cmp.Or(rename(v.Message(), from, to), rule)
		case f.Kind() == protoreflect.StringKind:
			if now, changed := text(v.String()); changed {
				m.Set(f, protoreflect.ValueOfString(now))
			}
		}
		return rule == ""
	})
	return rule
}

// goodTime tells whether an instant is one that a server gives out: from 1900 to some time
// after now.
func (in *archiveIn) goodTime(t *timestamppb.Timestamp, ahead time.Duration) bool {
	return t.IsValid() && t.AsTime().Year() >= 1899 && !t.AsTime().After(in.at.Add(ahead))
}

// clockAhead is how far the clock of another server may be ahead of ours, recordsAhead how
// far records may be dated ahead, and deletedAhead when what was deleted is purged.
const (
	clockAhead   = 24 * time.Hour
	recordsAhead = (aheadDays + 3) * 24 * time.Hour
	deletedAhead = undeleting + clockAhead
)

// lived is what has times and a version.
type lived interface {
	GetCreateTime() *timestamppb.Timestamp
	GetUpdateTime() *timestamppb.Timestamp
	GetDeleteTime() *timestamppb.Timestamp
	GetEtag() string
}

// checkLife tells what is wrong with the times of a resource.
func (in *archiveIn) checkLife(m lived) string {
	switch {
	case !in.goodTime(m.GetCreateTime(), clockAhead):
		return "createTime: must lie from 1900 to now"
	case !in.goodTime(m.GetUpdateTime(), clockAhead):
		return "updateTime: must lie from 1900 to now"
	case m.GetDeleteTime() != nil && !in.goodTime(m.GetDeleteTime(), clockAhead):
		return "deleteTime: must lie from 1900 to now"
	}
	if d, ok := m.(interface{ GetPurgeTime() *timestamppb.Timestamp }); ok {
		if (d.GetPurgeTime() == nil) != (m.GetDeleteTime() == nil) {
			return "purgeTime: goes with deleteTime"
		}
		if d.GetPurgeTime() != nil && !in.goodTime(d.GetPurgeTime(), deletedAhead) {
			return "purgeTime: must lie within 30 days"
		}
	}
	return ""
}

// revisions takes those of one resource out of a stream, and tells how much of the room for
// their text is left.
func (in *archiveIn) revisions(s *stream[*pb.ArchivedRevision], kind store.Kind, plant, id, name, etag string, room int, at interface {
	Fault(string, ...any) *archive.Fault
},
) (all []store.Revised, left int, err error) {
	for {
		m, ok, err := s.peek()
		if err != nil {
			return nil, 0, err
		}
		if !ok || m.GetParent() != name {
			break
		}
		r := m.GetRevision()
		switch {
		case int(r.GetNumber()) != len(all)+1:
			return nil, 0, s.lines.Fault("revision.number: must be %d, as changes of a resource have no gaps", len(all)+1)
		case r.GetAction() <= 0 || r.GetAction() > pb.Revision_REASSIGNED:
			return nil, 0, s.lines.Fault("revision.action: must be given")
		case !in.goodTime(r.GetCreateTime(), clockAhead):
			return nil, 0, s.lines.Fault("revision.createTime: must lie from 1900 to now")
		case r.GetBefore() == nil && r.GetAction() != pb.Revision_CREATED, r.GetBefore() != nil && kindBefore(r) != kind:
			return nil, 0, s.lines.Fault("revision: must tell what stood before of the same kind")
		}
		if room -= s.bytes; room < 0 {
			return nil, 0, s.lines.Fault("the history here, with the records that it is in memory with, is longer than %d bytes", mostPlantBytes)
		}
		s.take()
		all = append(all, store.Revised{Revision: r, Kind: kind, Plant: plant, ID: id})
		in.tell(s.one, func(i *pb.ImportArchiveResponse_Imported) { i.Revisions++ })
	}
	if version := store.LastRevision(etag); len(all) == 0 || version != int64(len(all)) {
		return nil, 0, at.Fault("etag: tells of version %d, and the history has %d changes of it", version, len(all))
	}
	return all, room, nil
}

// tell counts what is judged the first time.
func (in *archiveIn) tell(one *archivedIn, f func(*pb.ImportArchiveResponse_Imported)) {
	if in.counter != nil {
		f(one.imported)
	}
}

func kindBefore(r *pb.Revision) store.Kind {
	switch r.GetBefore().(type) {
	case *pb.Revision_Collection:
		return store.CollectionKind
	case *pb.Revision_Bench:
		return store.BenchKind
	case *pb.Revision_Plant:
		return store.PlantKind
	case *pb.Revision_Feeding:
		return store.FeedingKind
	case *pb.Revision_Observation:
		return store.ObservationKind
	case *pb.Revision_Photo:
		return store.PhotoKind
	}
	return 0
}

// unused refuses what is left of a stream: it belongs to nothing.
func unused[M proto.Message](s *stream[M], what string) error {
	_, ok, err := s.peek()
	if err == nil && ok {
		err = s.lines.Fault("belongs to %s that is not there before it, or stands not in the order of names", what)
	}
	return err
}

// head reads the collection and its benches, and their history.
func (in *archiveIn) head(one *archivedIn) (history []store.Revised, err error) {
	if in.counter != nil {
		one.imported = &pb.ImportArchiveResponse_Imported{Archived: store.CollectionName(one.id)}
	}
	file := open(in, one, archivedCollection, archive.MaxLongLine, func() *pb.Collection { return &pb.Collection{} })
	defer file.close()
	m, ok, err := file.peek()
	if err != nil {
		return nil, err
	}
	if !ok {
		return nil, file.lines.Fault("is empty")
	}
	file.take()
	if m.GetName() != store.CollectionName(one.to) {
		return nil, file.lines.Fault("name: must be that of the folder")
	}
	if rule := in.checkLife(m); rule != "" {
		return nil, file.lines.Fault("%s", rule)
	}
	var p problems
	in.v.checkCollection(&p, m)
	for _, v := range p.violations {
		if !strings.HasSuffix(v.Rule, "is not in the catalogue") { // another server may know other taxa
			return nil, file.lines.Fault("%s: %s", strings.TrimPrefix(v.Field, "collection."), v.Rule)
		}
	}
	zone, err := loadZone(m.GetTimeZone())
	if err != nil {
		return nil, file.lines.Fault("timeZone: %q is not known here", short(m.GetTimeZone()))
	}
	m.Visibility = pb.Collection_PRIVATE // with whom it is shared is another matter here
	one.message, one.c, one.benches = m, &collection{message: m, zone: zone, benches: map[string]*pb.Bench{}}, nil
	in.tell(one, func(i *pb.ImportArchiveResponse_Imported) { i.Collection = proto.CloneOf(m) })
	if _, ok, err := file.peek(); err != nil {
		return nil, err
	} else if ok {
		return nil, file.lines.Fault("must be the only line")
	}
	changes := openRevisions(in, one, "collection_revisions.jsonl", archive.MaxLongLine)
	defer changes.close()
	room := mostHeadBytes
	if history, room, err = in.revisions(changes, store.CollectionKind, "", one.to, m.GetName(), m.GetEtag(), room, file.lines); err != nil {
		return nil, err
	}
	if err := unused(changes, "a collection"); err != nil {
		return nil, err
	}
	benches := open(in, one, archivedBenches, archive.MaxLine, func() *pb.Bench { return &pb.Bench{} })
	defer benches.close()
	of := openRevisions(in, one, "bench_revisions.jsonl", archive.MaxLine)
	defer of.close()
	for last := ""; ; {
		m, ok, err := benches.peek()
		if err != nil {
			return nil, err
		}
		if !ok {
			break
		}
		benches.take()
		id := store.Segment(m.GetName(), "benches")
		if err := checkArchived(m.GetName(), one, id, &last, benches.lines, "collections", "benches"); err != nil {
			return nil, err
		}
		var p problems
		checkDisplayName(&p, "displayName", &m.DisplayName)
		if p.refused > 0 {
			return nil, benches.lines.Fault("displayName: %s", p.violations[0].Rule)
		}
		if rule := in.checkLife(m); rule != "" {
			return nil, benches.lines.Fault("%s", rule)
		}
		if room -= benches.bytes; room < 0 {
			return nil, benches.lines.Fault("the benches with their history are longer than %d bytes", mostHeadBytes)
		}
		var some []store.Revised
		if some, room, err = in.revisions(of, store.BenchKind, "", id, m.GetName(), m.GetEtag(), room, benches.lines); err != nil {
			return nil, err
		}
		history = append(history, some...)
		one.benches, one.c.benches[id] = append(one.benches, m), m
		in.tell(one, func(i *pb.ImportArchiveResponse_Imported) { i.Benches++ })
		if len(one.benches) > mostArchivedBenches {
			return nil, benches.lines.Fault("is one of more than %d benches", mostArchivedBenches)
		}
	}
	return history, unused(of, "a bench")
}

// mostArchivedBenches is how many benches a collection of an archive may have: all of them
// are in memory, and written at once.
const mostArchivedBenches = 20_000

func openRevisions(in *archiveIn, one *archivedIn, file string, most int) *stream[*pb.ArchivedRevision] {
	return open(in, one, file, most, func() *pb.ArchivedRevision { return &pb.ArchivedRevision{} })
}

// checkArchived refuses a name that is not of the collection, or not greater than the last.
func checkArchived(name string, one *archivedIn, id string, last *string, lines *archive.Lines, kinds ...string) error {
	if !shape(name, kinds...) || store.Segment(name, "collections") != one.to || id == "me" || id == "-" {
		return lines.Fault("name: must be that of a resource of collections/%s, with an id of 1 to 63 of a-z 0-9 -", one.id)
	}
	if id <= *last {
		return lines.Fault("name: comes twice, or not in the order of ids")
	}
	*last = id
	return nil
}

// archivedPlantIn is a plant with its records.
type archivedPlantIn struct {
	store.RestoredPlant
	feedings     []*pb.Feeding // voided ones too
	observations []*pb.Observation
	photos       []*store.Photo // deleted ones too
	feedingRefs  []string
	factRefs     []string
	counted      store.History // those that are not voided
	kept         *store.Due
	revisions    []store.Revised
}

func (p *archivedPlantIn) rows() int {
	return 1 + len(p.feedings) + len(p.observations) + len(p.photos) + len(p.revisions)
}

// plants goes through the plants of a collection with their records, which come in the
// same order in all files.
func (in *archiveIn) plants(one *archivedIn, to *archiveWriter) error {
	plants := open(in, one, archivedPlants, archive.MaxLine, func() *pb.ArchivedPlant { return &pb.ArchivedPlant{} })
	fed := open(in, one, archivedFeedings, archive.MaxLine, func() *pb.ArchivedFeeding { return &pb.ArchivedFeeding{} })
	seen := open(in, one, archivedObservations, archive.MaxLine, func() *pb.ArchivedObservation { return &pb.ArchivedObservation{} })
	ofPlants := openRevisions(in, one, "plant_revisions.jsonl", archive.MaxLine)
	ofFed := openRevisions(in, one, "feeding_revisions.jsonl", archive.MaxLine)
	ofSeen := openRevisions(in, one, "observation_revisions.jsonl", archive.MaxLine)
	for _, s := range []interface{ close() }{plants, fed, seen, ofPlants, ofFed, ofSeen} {
		defer s.close()
	}
	photos := openPhotos(in, one)
	defer photos.close()
	kFed, kSeen := in.feedings.keep(in.v, one.c), in.observations.keep(in.v, one.c)
	tags, refs := map[string]bool{}, map[string]bool{}
	for last := ""; ; {
		m, ok, err := plants.peek()
		if err != nil {
			return err
		}
		if !ok {
			break
		}
		plants.take()
		p, err := in.plant(one, m, &last, plants.lines)
		if err != nil {
			return err
		}
		room := mostPlantBytes - plants.bytes
		if p.Ref != "" && refs[p.Ref] {
			return plants.lines.Fault("ref: is that of another plant already")
		}
		refs[p.Ref] = true
		if p.revisions, room, err = in.revisions(ofPlants, store.PlantKind, "", p.ID, p.GetName(), p.GetEtag(), room, plants.lines); err != nil {
			return err
		}
		before := map[string]bool{}
		for lastEvent := ""; ; {
			m, ok, err := fed.peek()
			if err != nil {
				return err
			}
			f := m.GetFeeding()
			id := store.Segment(f.GetName(), "feedings")
			if !ok || f.GetName() != store.FeedingName(one.to, p.ID, id) {
				break
			}
			fed.take()
			if err := checkArchived(f.GetName(), one, id, &lastEvent, fed.lines, "collections", "plants", "feedings"); err != nil {
				return err
			}
			if f, err = judgeEvent(in, kFed, fed.lines, f, p.Plant, f.GetFedTime(), checkFeeding); err != nil {
				return err
			}
			if m.GetRef() != "" && before[m.GetRef()] {
				return fed.lines.Fault("ref: is that of another feeding of the plant already")
			}
			before[m.GetRef()] = true
			if room -= fed.bytes; room < 0 {
				return fed.lines.Fault("the records of one plant are longer than %d bytes", mostPlantBytes)
			}
			var some []store.Revised
			if some, room, err = in.revisions(ofFed, store.FeedingKind, p.ID, id, f.GetName(), f.GetEtag(), room, fed.lines); err != nil {
				return err
			}
			p.feedings, p.feedingRefs, p.revisions = append(p.feedings, f), append(p.feedingRefs, m.GetRef()), append(p.revisions, some...)
			if f.GetDeleteTime() == nil {
				p.counted.Feedings = append(p.counted.Feedings, f)
			}
			in.tell(one, func(i *pb.ImportArchiveResponse_Imported) { i.Feedings++ })
		}
		clear(before)
		for lastEvent := ""; ; {
			m, ok, err := seen.peek()
			if err != nil {
				return err
			}
			o := m.GetObservation()
			id := store.Segment(o.GetName(), "observations")
			if !ok || o.GetName() != store.ObservationName(one.to, p.ID, id) {
				break
			}
			seen.take()
			if err := checkArchived(o.GetName(), one, id, &lastEvent, seen.lines, "collections", "plants", "observations"); err != nil {
				return err
			}
			if bench := o.GetMove().GetBench(); bench != "" && !one.has(bench) {
				return seen.lines.Fault("observation.move.bench: %q is not a bench of the collection", short(bench))
			}
			if rule := checkLink(one, o.GetPhoto()); rule != "" {
				return seen.lines.Fault("observation.photo: %s", rule)
			}
			if o, err = judgeEvent(in, kSeen, seen.lines, o, p.Plant, o.GetObserveTime(), checkObservation); err != nil {
				return err
			}
			ref := fmt.Sprintf("%T %s", o.GetFact(), m.GetRef())
			if m.GetRef() != "" && before[ref] {
				return seen.lines.Fault("ref: is that of another observation of the plant already")
			}
			before[ref] = true
			if room -= seen.bytes; room < 0 {
				return seen.lines.Fault("the records of one plant are longer than %d bytes", mostPlantBytes)
			}
			var some []store.Revised
			if some, room, err = in.revisions(ofSeen, store.ObservationKind, p.ID, id, o.GetName(), o.GetEtag(), room, seen.lines); err != nil {
				return err
			}
			p.observations, p.factRefs, p.revisions = append(p.observations, o), append(p.factRefs, m.GetRef()), append(p.revisions, some...)
			if o.GetDeleteTime() == nil {
				p.counted.Observations = append(p.counted.Observations, o)
			}
			in.tell(one, func(i *pb.ImportArchiveResponse_Imported) { i.Observations++ })
		}
		if _, err = photos.of(p, room); err != nil {
			return err
		}
		if n := p.counted.Len(); n > mostEvents {
			return plants.lines.Fault("has %d feedings and observations, and %d are the most", n, mostEvents)
		}
		slices.SortFunc(p.counted.Feedings, func(a, b *pb.Feeding) int {
			return cmp.Or(cmp.Compare(store.Micros(a.GetFedTime()), store.Micros(b.GetFedTime())), cmp.Compare(a.GetName(), b.GetName()))
		})
		slices.SortFunc(p.counted.Observations, func(a, b *pb.Observation) int {
			return cmp.Or(cmp.Compare(store.Micros(a.GetObserveTime()), store.Micros(b.GetObserveTime())), cmp.Compare(a.GetName(), b.GetName()))
		})
		p.Standing, p.kept, _ = in.v.stand(one.c, p.Plant, &p.counted)
		if p.Standing.State == pb.Plant_GROWING && p.GetDeleteTime() == nil {
			key := store.Fold(p.GetTag())
			if tags[key] {
				return plants.lines.Fault("plant.tag: %q is the tag of another living plant already", short(p.GetTag()))
			}
			tags[key] = true
		}
		in.tell(one, func(i *pb.ImportArchiveResponse_Imported) { i.Plants++ })
		if to != nil {
			if err := to.add(p); err != nil {
				return err
			}
		}
	}
	for _, err := range []error{
		unused(fed, "a plant"), unused(seen, "a plant"), unused(ofPlants, "a plant"), unused(ofFed, "a feeding"), unused(ofSeen, "an observation"),
		photos.unused(),
	} {
		if err != nil {
			return err
		}
	}
	if to != nil {
		return to.flush()
	}
	return nil
}

// has tells whether a bench is one of the collection.
func (a *archivedIn) has(bench string) bool {
	b := a.c.benches[store.Segment(bench, "benches")]
	return b != nil && b.GetName() == bench
}

// plant judges a plant without its records.
func (in *archiveIn) plant(one *archivedIn, m *pb.ArchivedPlant, last *string, lines *archive.Lines) (*archivedPlantIn, error) {
	p := m.GetPlant()
	id := store.Segment(p.GetName(), "plants")
	if err := checkArchived(p.GetName(), one, id, last, lines, "collections", "plants"); err != nil {
		return nil, err
	}
	if rule := in.checkLife(p); rule != "" {
		return nil, lines.Fault("plant.%s", rule)
	}
	var wrong problems
	same := proto.CloneOf(p)
	kin := in.v.checkPlant(&wrong, "plant.", same, p)
	if same.GetTag() != p.GetTag() || wrong.refused > 0 {
		if wrong.refused == 0 {
			wrong.refuse(InvalidFields, "plant.tag", "must not begin or end with spaces")
		}
		return nil, lines.Fault("%s: %s", wrong.violations[0].Field, wrong.violations[0].Rule)
	}
	if m.GetFirstBench() != "" && !one.has(m.GetFirstBench()) {
		return nil, lines.Fault("firstBench: %q is not a bench of the collection", short(m.GetFirstBench()))
	}
	out := &archivedPlantIn{RestoredPlant: store.RestoredPlant{Plant: &store.Plant{
		Plant: p, Kin: kin, ID: id, Ref: m.GetRef(), FirstBench: store.Segment(m.GetFirstBench(), "benches"),
	}}}
	if t := m.GetTold(); t != nil {
		out.Told = &store.Told{Quantity: t.GetQuantity(), Bench: t.GetBench(), Exposure: t.GetExposure()}
	}
	former := map[string]bool{}
	for i, tag := range m.GetFormerTags() {
		key := store.Fold(tag.GetTag())
		if former[key] || !in.goodTime(tag.GetUntilTime(), clockAhead) {
			return nil, lines.Fault("formerTags[%d]: must stand once, with a time from 1900 to now", i)
		}
		former[key] = true
		out.Former = append(out.Former, store.FormerTag{Tag: tag.GetTag(), UntilUs: store.Micros(tag.GetUntilTime())})
	}
	return out, nil
}

// judgeEvent judges a feeding or an observation as when it is changed, and returns it as it
// is kept.
func judgeEvent[M interface {
	event
	lived
}](in *archiveIn, k *keeping, lines *archive.Lines, m M, plant *store.Plant, at_ *timestamppb.Timestamp, check func(*keeping, at, M) error,
) (M, error) {
	none := *new(M)
	if rule := in.checkLife(m); rule != "" {
		return none, lines.Fault("%s", rule)
	}
	if !in.goodTime(at_, recordsAhead) {
		return none, lines.Fault("must be dated from 1900 to a year ahead")
	}
	switch m := any(m).(type) { // days are told by the instants
	case *pb.Feeding:
		m.FedDate, m.OutcomeDate = nil, nil
	case *pb.Observation:
		m.ObserveDate = nil
	}
	k.problems, k.plant, k.before, k.told, k.clears = problems{}, plant, proto.Clone(m), true, true
	if err := check(k, at{plant: inRequest}, m); err != nil {
		return none, err
	}
	for _, v := range k.violations {
		day := strings.HasSuffix(v.Field, "ntilDate")
		if day { // another zone may have moved a record to the day on which it ends
			_, err := civil.Parse(untilOf(m))
			day = err == nil
		}
		if !day {
			return none, lines.Fault("%s: %s", v.Field, v.Rule)
		}
	}
	return m, nil
}

// untilOf is the day until which an observation holds.
func untilOf(m proto.Message) string {
	o, _ := m.(*pb.Observation)
	return cmp.Or(o.GetHold().GetUntilDate(), o.GetTreatment().GetUntilDate())
}

// sheets goes through the bench sheets of a collection.
func (in *archiveIn) sheets(one *archivedIn, to *archiveWriter) error {
	s := open(in, one, archivedSheetsFile, archive.MaxLongLine, func() *pb.Sheet { return &pb.Sheet{} })
	defer s.close()
	for last, n := int64(0), 0; ; n++ {
		m, ok, err := s.peek()
		if err != nil || !ok {
			return err
		}
		s.take()
		number := store.SheetNumber(m.GetName())
		_, dayErr := civil.Parse(m.GetAsOfDate())
		switch {
		case m.GetName() != store.SheetName(one.to, number) || number <= last:
			return s.lines.Fault("name: must be that of a sheet of the collection, with a greater number than the one before")
		case dayErr != nil:
			return s.lines.Fault("asOfDate: %q %v", short(m.GetAsOfDate()), dayErr)
		case !in.goodTime(m.GetCreateTime(), clockAhead) || !in.goodTime(m.GetExpireTime(), sheetKept+clockAhead):
			return s.lines.Fault("createTime, expireTime: must lie from 1900 to now, and to 400 days ahead")
		case len(m.GetRows()) > mostRows || n >= mostArchivedSheets:
			return s.lines.Fault("a sheet has %d rows at most, and a collection %d sheets", mostRows, mostArchivedSheets)
		}
		last = number
		in.tell(one, func(i *pb.ImportArchiveResponse_Imported) { i.Sheets++ })
		if to != nil {
			if err := to.sheet(m); err != nil {
				return err
			}
		}
	}
}

// mostArchivedSheets is how many bench sheets of a collection are kept.
const mostArchivedSheets = 1000
