package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"
)

// event is a feeding or an observation.
type event interface {
	resource
	comparable
	GetPlant() string
	GetEtag() string
	GetDeleteTime() *timestamppb.Timestamp
}

// events are what the calls about feedings and about observations have in common.
type events[M event] struct {
	*Core
	kinds            []string // the segments of a name
	kind             store.Kind
	one              string // the field of a request that holds one
	visitorFields    Fields
	visitorStored    map[string]func(any) (any, error)
	hidden           []store.FactKind // that visitors do not see
	exists, notFound Reason

	get        func(c *store.Collection, plant, id string) (M, error)
	list       func(c *store.Collection, plant string, q store.List) ([]M, []any, error)
	create     func(c *store.Collection, all []M, by store.By) ([]M, error)
	update     func(c *store.Collection, plant, id string, by store.By, f func(M) error) (M, error)
	remove     func(c *store.Collection, plant, id string, by store.By, f func(M) error) (M, error)
	restore    func(c *store.Collection, plant, id string, by store.By, f func(M) error) (M, error)
	reassign   func(c *store.Collection, plant, id, to string, by store.By, f func(M) error) (M, error)
	byName     func(c *store.Collection, names []string) (map[string]M, error)
	many       func(c *store.Collection, names []string, by store.By, action pb.Revision_Action, f func(M) error) ([]M, error)
	before     func(r *pb.Revision) M                // what stood before a change; nil for none
	dates      func(m M, zone *time.Location)        // sets the civil days, which are not stored
	chosen     func(m, body M, mask Mask)            // drops an instant or day where the other one is changed
	check      func(k *keeping, place at, m M) error // refuses what does not fit, and completes the rest
	addHistory func(h *store.History, m M)           // puts one that is being recorded where its time is
	// addKept does so in what is kept of the plant's record, and returns false where only
	// the history tells the place. nil: what follows of such events is not told by that.
	addKept func(k *keeping, r *keptRecord, m M) bool
}

// earliest is the first day of records: an earlier one is a slip of the pen.
var earliest = civil.Date(1900, 1, 1)

// checkDated refuses a record that is dated where no question about the collection
// reaches: a year that was written wrong would hide it for good. what is the verb of
// its fields.
func (k *keeping) checkDated(place at, verb string, byTime bool, day, before civil.Day) {
	last := k.c.today(k.visit.at) + aheadDays
	if day == before || earliest <= day && day <= last {
		return
	}
	field := verb + "Date"
	if byTime {
		field = verb + "Time"
	}
	k.refuse(place, field, "must lie from %s to %s, a year ahead", earliest, last)
}

// mostEvents is how many feedings and observations one plant can have that are not
// voided: one a day for 27 years.
const mostEvents = 10_000

// checkRoom refuses one more event of a plant that has as many as it can have.
func checkRoom(plant string, events int) error {
	if events < mostEvents {
		return nil
	}
	return &Error{Reason: TooManyEvents, Message: fmt.Sprintf("%s has %d feedings and observations, as many as one plant can have", plant, events)}
}

// keeping is the recording of events in one collection.
type keeping struct {
	*visit
	*reader
	c         *collection
	plant     *store.Plant
	before    proto.Message // what is changed, as it stood; nil for what is new
	histories map[string]*store.History
	kept      map[string]*keptRecord // of plants whose histories are not read
	deciders  map[civil.Day]*decider
	past      map[string]*pastFacts // by plant
	engine    due.Engine
	clears    bool // a move may take a plant off its bench
	told      bool // targets were told when the events were recorded: they stay, and so does that there was none
}

// newEvent is an event to be recorded, and where it stands in the request.
type newEvent[M event] struct {
	path, parent, tag, id string
	message               M
	photo                 string // name of the photo on which it was measured; "" for none
}

func (e *events[M]) keep(v *visit, c *collection) *keeping {
	r := v.due.reader()
	r.stored, r.zone = true, c.zone
	return &keeping{visit: v, reader: r, c: c, histories: map[string]*store.History{}, deciders: map[civil.Day]*decider{}, past: map[string]*pastFacts{}}
}

// decider returns the decider of a day.
func (k *keeping) decider(day civil.Day) (*decider, error) {
	if d := k.deciders[day]; d != nil {
		return d, nil
	}
	d, err := k.visit.decider(k.c, day)
	k.deciders[day] = d
	return d, err
}

// target returns the traps that a session of the plant is to feed; ok is false for a
// plant that no hand feeds.
func (k *keeping) target(day civil.Day, micros int64) (int, bool, error) {
	d, err := k.decider(min(day, lastAsOf))
	if err != nil {
		return 0, false, err
	}
	traps, ok := k.engine.Target(k.facts(d), day, micros)
	return traps, ok, nil
}

// pastFacts are records of a plant and what the engine takes of them.
type pastFacts struct {
	history  store.History
	facts    due.Facts
	feedings []due.Feeding // as they stand in the history
}

// facts returns what the engine takes for a day. Of records that were read before, only
// feedings that are new since are read: of one plant there may be thousands.
func (k *keeping) facts(d *decider) *due.Facts {
	if r := k.kept[k.plant.ID]; r != nil {
		return &d.withPot(k.plant, &r.facts).facts
	}
	h, past := historyOf(k.histories, k.plant), k.past[k.plant.ID]
	if past == nil || !slices.Equal(past.history.Observations, h.Observations) {
		past = &pastFacts{history: store.History{Observations: slices.Clone(h.Observations)}}
		past.facts = d.facts(k.plant, &past.history).facts
		k.past[k.plant.ID] = past
	}
	was, now := past.history.Feedings, h.Feedings
	begin, end := 0, 0 // how many are the same there
	for begin < min(len(was), len(now)) && was[begin] == now[begin] {
		begin++
	}
	for end < min(len(was), len(now))-begin && was[len(was)-1-end] == now[len(now)-1-end] {
		end++
	}
	fresh := now[begin : len(now)-end]
	read := make([]due.Feeding, len(fresh))
	for i, m := range fresh {
		read[i] = d.reader.feeding(at{}, m)
	}
	past.feedings = slices.Replace(past.feedings, begin, len(was)-end, read...)
	past.history.Feedings = slices.Replace(was, begin, len(was)-end, fresh...)

	f := d.facts(k.plant, nil).facts // the rests around the day are in it
	f.Moves, f.Observations, f.Feedings = past.facts.Moves, past.facts.Observations, past.feedings
	if !slices.IsSortedFunc(f.Feedings, func(a, b due.Feeding) int { return cmp.Compare(a.Time, b.Time) }) {
		f.Feedings = slices.Clone(f.Feedings) // an import has changed the time of one
		f.Sort()
	}
	return &f
}

// refuseMore refuses a further event of a plant that has as many as it can have.
func (k *keeping) refuseMore(field string, p *store.Plant, events int) {
	k.problems.refuse(TooManyEvents, field, "%s has %d feedings and observations, as many as one plant can have", p.GetName(), events)
}

// createAll records events of plants of one collection.
func (e *events[M]) createAll(v *visit, parent string, all []newEvent[M]) ([]M, error) {
	if len(all) == 0 {
		return nil, errNoRequests
	}
	c, err := v.collection(store.Segment(parent, "collections"))
	if err != nil {
		return nil, err
	}
	k := e.keep(v, c)
	plantIDs, plants, err := v.resolvePlants(&k.problems, c, len(all), func(i int) (place, field, id, tag string) {
		return all[i].path, pathAt(all[i].path, "parent"), store.Segment(all[i].parent, "plants"), all[i].tag
	})
	if err != nil {
		return nil, err
	}
	if e.addKept == nil {
		k.histories, err = c.Histories(plantIDs)
	} else {
		err = k.readKept(plants)
	}
	if err != nil {
		return nil, err
	}
	if err := e.checkIDs(k, all, plantIDs); err != nil {
		return nil, err
	}
	messages := make([]M, 0, len(all))
	full := map[string]bool{}
	for i, n := range all {
		if err := v.ctx.Err(); err != nil {
			return nil, err
		}
		if k.plant = plants[plantIDs[i]]; k.plant == nil {
			continue // refused already
		}
		if events := k.events(); events >= mostEvents {
			if !full[k.plant.ID] {
				full[k.plant.ID] = true
				k.refuseMore(pathAt(n.path, e.one), k.plant, events)
			}
			continue
		}
		m := proto.CloneOf(n.message)
		refuseOutputOnly(&k.problems, pathAt(n.path, e.one)+".", m)
		setName(m, k.plant.GetName()+"/"+e.kinds[2]+"/"+v.idOr(n.id))
		if o, ok := any(m).(*pb.Observation); ok {
			o.Photo = n.photo
		}
		refused := k.refused
		if err := e.check(k, at{prefix: pathAt(n.path, e.one)}, m); err != nil {
			return nil, err
		}
		if k.refused > refused {
			continue
		}
		if err := e.add(k, m, messages); err != nil {
			return nil, err
		}
		messages = append(messages, m)
	}
	if err := k.err(); err != nil {
		return nil, err
	}
	out, err := e.create(c.Collection, messages, v.by())
	if err != nil {
		return nil, err
	}
	return e.finishKnown(v, c, out, plantIDs, &knownPlants{plants, k.histories, k.kept})
}

// add adds an event that is being recorded to what is known of the plant. earlier are
// those that the call recorded before it. Where the history of one plant is needed those of
// all are read: a batch that is recorded a second time needs each, and one by one that took
// 12 s for 1,000 plants on Postgres.
func (e *events[M]) add(k *keeping, m M, earlier []M) error {
	id := k.plant.ID
	if r := k.kept[id]; r != nil {
		if e.addKept(k, r, m) {
			return nil
		}
		histories, err := k.c.Histories(slices.Collect(maps.Keys(k.kept)))
		if err != nil {
			return err
		}
		for id := range k.kept {
			k.histories[id] = cmp.Or(histories[id], &store.History{})
		}
		for _, m := range earlier {
			if id := store.Segment(m.GetName(), "plants"); k.kept[id] != nil {
				e.addHistory(k.histories[id], m)
			}
		}
		clear(k.kept)
	}
	if k.histories[id] == nil {
		k.histories[id] = &store.History{}
	}
	e.addHistory(k.histories[id], m)
	return nil
}

// finish brings plants up to date after their events changed.
func (e *events[M]) finish(v *visit, c *collection, out []M, plantIDs []string) ([]M, error) {
	return e.finishKnown(v, c, out, plantIDs, nil)
}

// finishKnown is finish where the plants and their records are known as they are by now;
// nil: they are not.
func (e *events[M]) finishKnown(v *visit, c *collection, out []M, plantIDs []string, now *knownPlants) ([]M, error) {
	ids := slices.Clone(plantIDs)
	slices.Sort(ids)
	if _, _, err := v.settleKnown(c, slices.Compact(ids), now, nil); err != nil {
		return nil, err
	}
	for _, m := range out {
		e.dates(m, c.zone)
	}
	return out, nil
}

// checkIDs refuses ids that the caller chose and that are taken.
func (e *events[M]) checkIDs(k *keeping, all []newEvent[M], plantIDs []string) error {
	var names []string
	first := map[string]int{}
	for i, n := range all {
		if n.id == "" || plantIDs[i] == "" {
			continue
		}
		name := store.PlantName(k.c.ID(), plantIDs[i]) + "/" + e.kinds[2] + "/" + n.id
		if before, twice := first[name]; twice {
			k.problems.refuse(e.exists, pathAt(n.path, e.one+"Id"), "is that of requests[%d] already", before)
			continue
		}
		first[name] = i
		names = append(names, name)
	}
	if len(names) == 0 {
		return nil
	}
	taken, err := e.byName(k.c.Collection, names)
	if err != nil {
		return err
	}
	var places []int // in the request, of ids that are taken
	for name := range taken {
		places = append(places, first[name])
	}
	slices.Sort(places)
	for _, i := range places {
		k.problems.refuse(e.exists, pathAt(all[i].path, e.one+"Id"), "%s/%s/%s is there already, perhaps voided",
			store.PlantName(k.c.ID(), plantIDs[i]), e.kinds[2], all[i].id)
	}
	return nil
}

// createOne records one event.
func (e *events[M]) createOne(ctx context.Context, req writing, n newEvent[M]) (M, error) {
	var none M
	if n.parent == "" {
		return none, Invalid(InvalidFields, []Violation{{"parent", "must be given: collections/{collection}/plants/{plant}"}})
	}
	return writeOne(ctx, e.Core, req, func(v *visit) (M, error) {
		out, err := e.createAll(v, n.parent, []newEvent[M]{n})
		if err != nil {
			return none, err
		}
		return out[0], nil
	}, e.getByName)
}

// createBatch records events, all or none. Those that name no parent take the
// batch's; those with a tag lie in its collection.
func (e *events[M]) createBatch(ctx context.Context, req writing, parent, tag string, all []newEvent[M], p *problems) ([]M, error) {
	collection := store.CollectionName(store.Segment(parent, "collections"))
	for i := range all {
		n := &all[i]
		switch {
		case n.parent == "" && n.tag != "" && isDash(store.Segment(parent, "plants")):
			n.parent = parent
		case n.parent == "" && n.tag != "":
			p.refuse(InvalidFields, pathAt(n.path, "tag"), "goes with a batch whose parent is %s/plants/-", collection)
		case n.parent == "":
			n.parent, n.tag = parent, tag
		default:
			checkInBatch(p, pathAt(n.path, "parent"), n.parent, parent)
		}
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	return write(ctx, e.Core, req, func(v *visit) ([]M, error) { return e.createAll(v, parent, all) }, e.getAll)
}

// getAll gets events that a call wrote before, as getByName does, and also those of
// plants that are deleted since.
func (e *events[M]) getAll(v *visit, names []string) ([]M, error) {
	if len(names) == 0 {
		return nil, nil
	}
	c, err := v.collection(store.Segment(names[0], "collections"))
	if err != nil {
		return nil, err
	}
	found, err := e.byName(c.Collection, names)
	if err != nil {
		return nil, err
	}
	var none M
	out := make([]M, len(names))
	for i, name := range names {
		if out[i] = found[name]; out[i] != none {
			e.dates(out[i], c.zone)
		} else if out[i], err = e.getByName(v, name); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// getByName gets an event that a call wrote before, voided or not, and to whichever
// plant it belongs by now.
func (e *events[M]) getByName(v *visit, name string) (M, error) {
	m, err := e.find(v, name, "")
	if why := ReasonOf(err); why != e.notFound && why != PlantNotFound {
		return m, err
	}
	c, openErr := v.collection(store.Segment(name, "collections"))
	if openErr != nil {
		return m, openErr
	}
	id := store.Segment(name, e.kinds[2])
	switch plant, goneErr := c.Reassigned(e.kind, store.Segment(name, "plants"), id); {
	case errors.Is(goneErr, store.ErrNotFound):
		return m, err
	case goneErr != nil:
		return m, goneErr
	default:
		return e.find(v, store.PlantName(c.ID(), plant)+"/"+e.kinds[2]+"/"+id, "")
	}
}

// find gets an event, voided or not, of a plant that is not deleted.
func (e *events[M]) find(v *visit, name, tag string) (M, error) {
	var none M
	c, plant, err := v.livePlant(name, tag)
	if err != nil {
		return none, err
	}
	id := store.Segment(name, e.kinds[2])
	m, err := e.get(c.Collection, plant, id)
	if err != nil {
		return none, missing(err, e.notFound, store.PlantName(c.ID(), plant)+"/"+e.kinds[2]+"/"+id)
	}
	if !c.is.sees(m) || c.is < Viewer && m.GetDeleteTime() != nil {
		return none, notFound(e.notFound, store.PlantName(c.ID(), plant)+"/"+e.kinds[2]+"/"+id)
	}
	e.dates(m, c.zone)
	v.show(c.is, m)
	return m, nil
}

// livePlant is plantOf for a plant that is there and not deleted.
func (v *visit) livePlant(name, tag string) (*collection, string, error) {
	c, id, err := v.plantOf(name, tag)
	if err != nil {
		return nil, "", err
	}
	p, err := c.Plant(id)
	if err == nil && p.GetDeleteTime() != nil {
		err = store.ErrNotFound
	}
	return c, id, missing(err, PlantNotFound, store.PlantName(c.ID(), id))
}

// getOne gets an event.
func (e *events[M]) getOne(ctx context.Context, name, tag string) (m M, err error) {
	err = e.read(ctx, func(v *visit) error {
		m, err = e.find(v, name, tag)
		return err
	})
	return m, err
}

// eventList is a request for a page of events.
type eventList interface {
	listRequest
	GetParent() string
	GetTag() string
}

// listPage lists the events of a plant, or of all plants of one or all collections.
func (e *events[M]) listPage(ctx context.Context, req eventList, fields Fields, stored map[string]func(any) (any, error), orders []string) (out []M, token string, err error) {
	err = e.read(ctx, func(v *visit) error {
		is, err := v.isTo(req.GetParent())
		if err != nil {
			return err
		}
		if is < Viewer {
			fields, stored, orders = e.visitorFields, e.visitorStored, visitorOrders
		}
		if err := is.checkShowDeleted(req); err != nil {
			return err
		}
		l, err := v.list(req, fields, stored, orders)
		if err != nil {
			return err
		}
		if is < Viewer {
			l.query.Order = "name"
			for _, kind := range e.hidden {
				l.query.Where = append(l.query.Where, store.Condition{Field: "kind", Op: "!=", Value: int32(kind)})
			}
		}
		if r, ok := req.(interface{ GetOrderBy() string }); ok && r.GetOrderBy() == "" {
			l.query.Desc = true // the latest first
		}
		plant, err := v.plantsOf(req.GetParent(), req.GetTag())
		if err != nil {
			return err
		}
		out, token, err = inCollections(v, l, req.GetParent(), func(c *collection, q store.List) ([]M, []any, error) {
			some, next, err := e.list(c.Collection, plant, q)
			for _, m := range some {
				e.dates(m, c.zone)
				v.show(c.is, m)
			}
			return some, next, err
		})
		return err
	})
	return out, token, err
}

// plantsOf returns the id of the plant that a list is of; "" for that of all plants.
func (v *visit) plantsOf(parent, tag string) (string, error) {
	plant := store.Segment(parent, "plants")
	switch {
	case isDash(store.Segment(parent, "collections")) && (!isDash(plant) || tag != ""):
		return "", Invalid(InvalidFields, []Violation{{"parent", "collections/- goes with plants/- and no tag: a plant is named in its collection"}})
	case isDash(plant) && tag == "":
		return "", nil
	}
	_, plant, err := v.livePlant(parent, tag)
	return plant, err
}

// eventChange is a change of an event, and where it stands in the request.
type eventChange[M event] struct {
	path, tag string
	body      M
	etag      string
	mask      *fieldmaskpb.FieldMask
}

// updateOne changes an event.
func (e *events[M]) updateOne(ctx context.Context, req writing, change eventChange[M]) (M, error) {
	var none M
	if err := checkName(e.one+".name", change.body.GetName(), e.kinds...); err != nil {
		return none, err
	}
	return writeOne(ctx, e.Core, req, func(v *visit) (M, error) {
		out, err := e.updateAll(v, change.body.GetName(), []eventChange[M]{change})
		if err != nil {
			return none, err
		}
		return out[0], nil
	}, e.getByName)
}

// updateBatch changes events, all or none.
func (e *events[M]) updateBatch(ctx context.Context, req writing, parent string, all []eventChange[M], p *problems) ([]M, error) {
	for _, change := range all {
		checkBatchName(p, pathAt(change.path, e.one+".name"), change.body.GetName(), parent, e.kinds...)
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	return write(ctx, e.Core, req, func(v *visit) ([]M, error) { return e.updateAll(v, parent, all) }, e.getAll)
}

func (e *events[M]) updateAll(v *visit, parent string, all []eventChange[M]) ([]M, error) {
	if len(all) == 0 {
		return nil, errNoRequests
	}
	c, err := v.collection(store.Segment(parent, "collections"))
	if err != nil {
		return nil, err
	}
	k := e.keep(v, c)
	k.told = true
	plantIDs, plants, err := v.resolvePlants(&k.problems, c, len(all), func(i int) (place, field, id, tag string) {
		return all[i].path, pathAt(all[i].path, e.one+".name"), store.Segment(all[i].body.GetName(), "plants"), all[i].tag
	})
	if err != nil {
		return nil, err
	}
	if err := k.err(); err != nil {
		return nil, err
	}
	if k.histories, err = c.Histories(plantIDs); err != nil {
		return nil, err
	}
	out, seen := make([]M, len(all)), map[string]int{}
	for i, change := range all {
		if err := v.ctx.Err(); err != nil {
			return nil, err
		}
		k.plant = plants[plantIDs[i]]
		id := store.Segment(change.body.GetName(), e.kinds[2])
		name := k.plant.GetName() + "/" + e.kinds[2] + "/" + id
		if first, twice := seen[name]; twice {
			k.problems.refuse(InvalidFields, pathAt(change.path, e.one+".name"), "is that of requests[%d] already", first)
			continue
		}
		seen[name] = i
		out[i], err = e.update(c.Collection, k.plant.ID, id, v.by(), func(m M) error {
			if err := v.checkEtag(change.etag, m.GetEtag()); err != nil {
				return k.problems.take(within(err, change.path, e.one+".etag"))
			}
			if m.GetDeleteTime() != nil {
				return k.problems.take(within(voided(name), change.path, e.one+".name"))
			}
			k.before = proto.Clone(m)
			e.dates(m, c.zone)
			mask, err := v.mask(change.mask, m, change.body, change.path)
			if err != nil {
				return k.problems.take(err)
			}
			Apply(mask, m, change.body)
			e.chosen(m, change.body, mask)
			if err := e.check(k, at{prefix: pathAt(change.path, e.one)}, m); err != nil {
				return err
			}
			if k.refused > 0 {
				return errRefused
			}
			return nil
		})
		switch {
		case errors.Is(err, errRefused):
		case errors.Is(err, store.ErrNotFound) && change.path != "":
			k.problems.refuse(e.notFound, pathAt(change.path, e.one+".name"), "%s is not there", name)
		case err != nil:
			return nil, missing(err, e.notFound, name)
		}
	}
	if err := k.err(); err != nil {
		return nil, err
	}
	return e.finish(v, c, out, plantIDs)
}

// change voids an event, or lets it count again.
func (e *events[M]) change(
	ctx context.Context, req writing, name, tag, etag string, void bool,
) (M, error) {
	var none M
	return writeOne(ctx, e.Core, req, func(v *visit) (M, error) {
		c, plant, err := v.livePlant(name, tag)
		if err != nil {
			return none, err
		}
		id := store.Segment(name, e.kinds[2])
		full := store.PlantName(c.ID(), plant) + "/" + e.kinds[2] + "/" + id
		now, err := e.get(c.Collection, plant, id)
		if err != nil {
			return none, missing(err, e.notFound, full)
		}
		if err := v.checkEtag(etag, now.GetEtag()); err != nil {
			return none, err
		}
		do := e.restore
		if void {
			do = e.remove
		}
		switch voided := now.GetDeleteTime() != nil; {
		case voided && void:
			return none, notFound(e.notFound, full)
		case voided || void:
			if voided {
				h, err := c.Histories([]string{plant})
				if err != nil {
					return none, err
				}
				if err := checkRoom(store.PlantName(c.ID(), plant), h[plant].Len()); err != nil {
					return none, err
				}
			}
			if now, err = do(c.Collection, plant, id, v.by(), func(M) error { return nil }); err != nil {
				return none, err
			}
		}
		out, err := e.finish(v, c, []M{now}, []string{plant})
		if err != nil {
			return none, err
		}
		return out[0], nil
	}, e.getByName)
}

// move moves an event to the plant to which it belongs.
func (e *events[M]) move(ctx context.Context, req writing, name, plant, tag, etag string) (M, error) {
	var none M
	if (plant == "") == (tag == "") {
		return none, Invalid(InvalidFields, []Violation{{"plant", "give the plant to which it belongs, or its tag"}})
	}
	if plant == "" {
		plant = store.PlantName(store.Segment(name, "collections"), "-")
	}
	if store.Segment(plant, "collections") != store.Segment(name, "collections") {
		return none, Invalid(PlantNotFound, []Violation{{"plant", short(plant) + " is not a plant of the same collection"}})
	}
	return writeOne(ctx, e.Core, req, func(v *visit) (M, error) {
		c, from, err := v.livePlant(name, "")
		if err != nil {
			return none, err
		}
		_, to, err := v.livePlant(plant, tag)
		if err != nil {
			return none, atField(err, "plant")
		}
		id := store.Segment(name, e.kinds[2])
		k := e.keep(v, c)
		if k.plant, err = c.Plant(to); err != nil {
			return none, err
		}
		if k.histories, err = c.Histories([]string{to}); err != nil {
			return none, err
		}
		now, err := e.get(c.Collection, from, id)
		if err != nil {
			return none, missing(err, e.notFound, name)
		}
		if err := v.checkEtag(etag, now.GetEtag()); err != nil {
			return none, err
		}
		if now.GetDeleteTime() != nil {
			return none, voided(name)
		}
		if from == to {
			e.dates(now, c.zone)
			return now, nil
		}
		taken, err := e.byName(c.Collection, []string{k.plant.GetName() + "/" + e.kinds[2] + "/" + id})
		if err != nil {
			return none, err
		}
		if len(taken) > 0 {
			return none, Invalid(e.exists, []Violation{{"plant", fmt.Sprintf("%s has one of the id %s already", k.plant.GetName(), id)}})
		}
		if err := checkRoom(k.plant.GetName(), k.events()); err != nil {
			return none, err
		}
		m, err := e.reassign(c.Collection, from, id, to, v.by(), func(m M) error {
			k.before = proto.Clone(m)
			setTarget(m, nil) // what was told was told of another plant
			if err := e.check(k, at{prefix: e.one}, m); err != nil {
				return err
			}
			return k.err()
		})
		if err != nil {
			return none, err
		}
		out, err := e.finish(v, c, []M{m}, []string{from, to})
		if err != nil {
			return none, err
		}
		return out[0], nil
	}, e.getByName)
}

// checkInBatch refuses the parent of a request that lies elsewhere than the batch.
func checkInBatch(p *problems, field, parent, batch string) {
	plant := store.Segment(batch, "plants")
	if store.Segment(parent, "collections") != store.Segment(batch, "collections") || !isDash(plant) && parent != batch {
		p.refuse(InvalidFields, field, "must lie in the parent of the batch, %s", batch)
	}
}

// setName sets the name of a message.
func setName(m proto.Message, name string) {
	switch m := m.(type) {
	case *pb.Feeding:
		m.Name = name
	case *pb.Observation:
		m.Name = name
	}
}

// setTarget sets the target of a feeding; others have none.
func setTarget(m proto.Message, target *int32) {
	if f, ok := m.(*pb.Feeding); ok {
		f.TrapsTarget = target
	}
}

// instantOf returns a time as it is stored: in microseconds.
func instantOf(t time.Time) *timestamppb.Timestamp {
	return timestamppb.New(t.Truncate(time.Microsecond))
}

// instantOfMicros reads microseconds since 1970 UTC.
func instantOfMicros(us int64) *timestamppb.Timestamp { return timestamppb.New(time.UnixMicro(us)) }

// dayIn writes the civil day of an instant in a zone.
func dayIn(t *timestamppb.Timestamp, zone *time.Location) *string {
	if t == nil {
		return nil
	}
	s := civilDay(t.AsTime(), zone).String()
	return &s
}
