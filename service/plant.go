package service

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/due"
	"dewbench/store"
)

// Plants are the calls about plants.
type Plants struct{ *Core }

// newPlant is a plant to be added, and where it stands in the request.
type newPlant struct {
	path, id string
	message  *pb.Plant
}

// pathAt returns the path of a field of a request; place is "" or the item of a batch.
func pathAt(place, field string) string {
	if place == "" {
		return field
	}
	return place + "." + field
}

// CreatePlant adds a plant.
func (s *Plants) CreatePlant(ctx context.Context, req *pb.CreatePlantRequest) (*pb.Plant, error) {
	if req.GetParent() == "" {
		return nil, Invalid(InvalidFields, []Violation{{"parent", "must be given: collections/{collection}"}})
	}
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Plant, error) {
		out, err := v.createPlants(req.GetParent(), []newPlant{{"", req.GetPlantId(), req.GetPlant()}})
		if err != nil {
			return nil, err
		}
		return out[0], nil
	}, getPlant)
}

// BatchCreatePlants adds plants, all or none.
func (s *Plants) BatchCreatePlants(ctx context.Context, req *pb.BatchCreatePlantsRequest) (*pb.BatchCreatePlantsResponse, error) {
	all := make([]newPlant, len(req.GetRequests()))
	var p problems
	for i, r := range req.GetRequests() {
		all[i] = newPlant{fmt.Sprintf("requests[%d]", i), r.GetPlantId(), r.GetPlant()}
		refuseInBatch(&p, all[i].path, r)
		if r.GetParent() != "" && r.GetParent() != req.GetParent() {
			p.refuse(InvalidFields, pathAt(all[i].path, "parent"), "must be the parent of the batch, %s, or be left out", req.GetParent())
		}
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	plants, err := write(ctx, s.Core, req, func(v *visit) ([]*pb.Plant, error) {
		return v.createPlants(req.GetParent(), all)
	}, getPlants)
	return &pb.BatchCreatePlantsResponse{Plants: plants}, err
}

// errNoRequests is the error of a batch of nothing.
var errNoRequests = Invalid(InvalidFields, []Violation{{"requests", "must hold 1 to 1000 entries"}})

// refuseInBatch refuses what a request in a batch cannot have for itself.
func refuseInBatch(p *problems, place string, r interface {
	GetRequestId() string
	GetValidateOnly() bool
}) {
	if r.GetRequestId() != "" {
		p.refuse(InvalidFields, pathAt(place, "requestId"), "is given for the whole batch")
	}
	if r.GetValidateOnly() {
		p.refuse(InvalidFields, pathAt(place, "validateOnly"), "is given for the whole batch")
	}
}

func (v *visit) createPlants(parent string, all []newPlant) ([]*pb.Plant, error) {
	if len(all) == 0 {
		return nil, errNoRequests
	}
	c, err := v.collection(store.Segment(parent, "collections"))
	if err != nil {
		return nil, err
	}
	ids, tags := make([]string, len(all)), make([]string, len(all))
	for i, n := range all {
		ids[i], tags[i] = v.idOr(n.id), n.message.GetTag()
	}
	there, err := c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	checked, err := c.newTags(tags)
	if err != nil {
		return nil, err
	}
	var p problems
	news, idOf := make([]store.NewPlant, len(all)), map[string]int{}
	for i, n := range all {
		m := proto.CloneOf(n.message)
		refuseOutputOnly(&p, pathAt(n.path, "plant."), m)
		news[i] = store.NewPlant{Message: m, Kin: v.checkPlant(&p, pathAt(n.path, "plant."), m, nil)}
		m.Name = store.PlantName(c.ID(), ids[i])
		if first, twice := idOf[ids[i]]; twice {
			p.refuse(PlantExists, pathAt(n.path, "plantId"), "is that of requests[%d] already", first)
		} else if before := there[ids[i]]; before != nil {
			p.refuse(PlantExists, pathAt(n.path, "plantId"), "%s", v.taken(before))
		}
		checked.check(&p, pathAt(n.path, "plant.tag"), fmt.Sprintf("requests[%d]", i), m.GetTag(), ids[i])
		idOf[ids[i]] = i
	}
	if err := v.checkPlantReferences(&p, c, all, news, nil); err != nil {
		return nil, err
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	if _, err := c.CreatePlants(news, v.by()); err != nil {
		return nil, err
	}
	return v.settle(c, ids)
}

// checkPlant refuses what does not fit in a plant, and completes its name from the
// catalogue. before is the plant as it stood, nil for a new one. It returns
// its kin.
func (v *visit) checkPlant(p *problems, prefix string, m, before *pb.Plant) store.Kin {
	kin := store.Kin{Trap: m.GetTrapType()}
	m.Tag = checkTag(p, prefix+"tag", m.GetTag(), before.GetTag())
	if m.AcquireDate != nil {
		checkDay(p, prefix+"acquireDate", m.GetAcquireDate())
	}
	m.ScientificName = strings.TrimSpace(m.GetScientificName())
	named := before != nil && m.GetScientificName() != before.GetScientificName()
	if named && m.GetScientificName() != "" && m.GetTaxon() == before.GetTaxon() && !v.standsIn(m.GetTaxon(), m.GetScientificName()) {
		m.Taxon = "" // a new name: its taxon is looked up anew
	} else if before != nil && !named && m.GetTaxon() != before.GetTaxon() && m.GetTaxon() != "" {
		m.ScientificName = "" // a new taxon: it tells the name
	}
	if m.GetTaxon() == "" {
		if t, ok := v.catalogue.ByName(m.GetScientificName()); ok && m.GetScientificName() != "" {
			m.Taxon = taxonPrefix + t.ID
		}
	}
	if m.GetTaxon() == "" {
		if m.GetScientificName() == "" {
			p.refuse(InvalidFields, prefix+"taxon", "must be given, or scientificName with trapType and, for an adhesive plant, habit")
		}
		kin.Genus, _, _ = strings.Cut(m.GetScientificName(), " ")
		return kin
	}
	t, ok := v.catalogue.Taxon(strings.TrimPrefix(m.GetTaxon(), taxonPrefix))
	if !ok {
		if m.GetTaxon() == before.GetTaxon() { // the catalogue has lost it since
			kin.Genus, _, _ = strings.Cut(m.GetScientificName(), " ")
			return kin
		}
		p.refuse(TaxonNotFound, prefix+"taxon", "%q is not in the catalogue", m.GetTaxon())
		return kin
	}
	if name := m.GetScientificName(); !v.standsIn(m.GetTaxon(), name) {
		if same, found := v.catalogue.ByName(name); name != "" && (!found || same.ID != t.ID) {
			p.refuse(InvalidFields, prefix+"scientificName", "%q is not a name of %s, which is %s: leave one of them out", short(name), m.GetTaxon(), t.ScientificName)
		}
		m.ScientificName = t.ScientificName
	}
	kin.Genus = t.Genus
	if kin.Trap == pb.Taxon_TRAP_TYPE_UNSPECIFIED {
		kin.Trap = pb.Taxon_TrapType(t.TrapType)
	}
	return kin
}

// standsIn tells whether a taxon stands in for a name that the catalogue lacks: the name
// begins with that of the taxon.
func (c *Core) standsIn(taxon, name string) bool {
	t, ok := c.catalogue.Taxon(strings.TrimPrefix(taxon, taxonPrefix))
	if _, known := c.catalogue.ByName(name); !ok || known {
		return false
	}
	return strings.HasPrefix(catalogue.Normalise(name), catalogue.Normalise(t.ScientificName)+" ")
}

// checkPlantReferences refuses benches and parents that are not in the collection.
// Those that a plant had before were judged then; they may be deleted by now. before
// is nil for new plants.
func (v *visit) checkPlantReferences(p *problems, c *collection, all []newPlant, news []store.NewPlant, before *pb.Plant) error {
	benches, err := v.allBenches(c)
	if err != nil {
		return err
	}
	var ids []string
	for _, n := range news {
		for _, parent := range n.Message.GetParents() {
			if id := store.Segment(parent, "plants"); id != "" {
				ids = append(ids, id)
			}
		}
	}
	known, err := c.PlantsByID(ids)
	if err != nil {
		return err
	}
	for _, n := range news {
		known[store.Segment(n.Message.GetName(), "plants")] = &store.Plant{Plant: n.Message} // of the same batch
	}
	for i, n := range news {
		if before == nil || n.Message.GetBench() != before.GetBench() {
			checkBench(p, benches, pathAt(all[i].path, "plant.bench"), c.ID(), n.Message.GetBench())
		}
		for j, parent := range n.Message.GetParents() {
			if !strings.HasPrefix(parent, "collections/") || slices.Contains(before.GetParents(), parent) {
				continue // in words, or judged before
			}
			field := fmt.Sprintf("%s[%d]", pathAt(all[i].path, "plant.parents"), j)
			other := known[store.Segment(parent, "plants")]
			switch {
			case !shape(parent, "collections", "plants") || other == nil || parent != other.GetName() || other.GetDeleteTime() != nil:
				p.refuse(PlantNotFound, field, "%q is not a plant of the collection; a plant of elsewhere is named in words", short(parent))
			case parent == n.Message.GetName():
				p.refuse(InvalidFields, field, "is the plant itself")
			}
		}
	}
	return nil
}

// checkBench refuses a bench that is not in the collection, or is deleted. "" is no
// bench.
func checkBench(p *problems, benches map[string]*pb.Bench, field, collection, name string) {
	if name == "" {
		return
	}
	b := benches[store.Segment(name, "benches")]
	if b == nil || b.GetName() != name || b.GetDeleteTime() != nil {
		p.refuse(BenchNotFound, field, "%q is not a bench of the collection", short(name))
	}
}

// getPlant gets a plant by its name.
func getPlant(v *visit, name string) (*pb.Plant, error) {
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, err
	}
	p, err := c.Plant(store.Segment(name, "plants"))
	if err == nil && (v.purged(p) || c.is < Viewer && p.GetDeleteTime() != nil) {
		err = store.ErrNotFound
	}
	if err != nil {
		return nil, missing(err, PlantNotFound, name)
	}
	out, err := v.plantMessages(c, []*store.Plant{p})
	if err != nil {
		return nil, err
	}
	return out[0], nil
}

// getPlants gets plants of one collection by their names.
func getPlants(v *visit, names []string) ([]*pb.Plant, error) {
	if len(names) == 0 {
		return nil, nil
	}
	c, err := v.collection(store.Segment(names[0], "collections"))
	if err != nil {
		return nil, err
	}
	ids := make([]string, len(names))
	for i, name := range names {
		ids[i] = store.Segment(name, "plants")
	}
	byID, err := c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	plants := make([]*store.Plant, len(names))
	for i, id := range ids {
		if plants[i] = byID[id]; plants[i] == nil {
			return nil, notFound(PlantNotFound, names[i])
		}
	}
	return v.plantMessages(c, plants)
}

// GetPlant gets a plant.
func (s *Plants) GetPlant(ctx context.Context, req *pb.GetPlantRequest) (m *pb.Plant, err error) {
	err = s.read(ctx, func(v *visit) error {
		c, id, err := v.plantOf(req.GetName(), req.GetTag())
		if err != nil {
			return err
		}
		m, err = getPlant(v, store.PlantName(c.ID(), id))
		return err
	})
	return m, err
}

var plantFields = Fields{
	"tag":            SearchField,
	"scientificName": SearchField,
	"cultivar":       SearchField,
	"clone":          SearchField,
	"source":         SearchField,
	"taxon":          TextField,
	"genus":          TextField,
	"bench":          benchField,
	"trapType":       EnumField(pb.Taxon_TRAP_TYPE_UNSPECIFIED),
	"state":          EnumField(pb.Plant_STATE_UNSPECIFIED),
	"propagation":    EnumField(pb.Plant_PROPAGATION_UNSPECIFIED),
	"quantity":       IntegerField,
	"acquireDate":    DayField,
	"createTime":     TimeField,
}

// ListPlants lists plants.
func (s *Plants) ListPlants(ctx context.Context, req *pb.ListPlantsRequest) (*pb.ListPlantsResponse, error) {
	answer := &pb.ListPlantsResponse{}
	err := s.read(ctx, func(v *visit) error {
		is, err := v.isTo(req.GetParent())
		if err != nil {
			return err
		}
		fields, orders := plantFields, []string{"name", "tag", "walkOrder", "scientificName", "createTime"}
		if is < Viewer {
			fields, orders = visitorPlants, visitorOrders
		}
		if err := is.checkShowDeleted(req); err != nil {
			return err
		}
		l, err := v.list(req, fields, nil, orders)
		if err != nil {
			return err
		}
		answer.Plants, answer.NextPageToken, err = inCollections(v, l, req.GetParent(), func(c *collection, q store.List) ([]*pb.Plant, []any, error) {
			var none bool
			if q.Where, none = onBenches(c.ID(), q.Where); none {
				return nil, nil, nil
			}
			plants, next, err := c.Plants(q)
			if err != nil {
				return nil, nil, err
			}
			out, err := v.plantMessages(c, plants)
			return out, next, err
		})
		return err
	})
	return answer, err
}

// plantChange is a change of a plant, and where it stands in the request.
type plantChange struct {
	path, tag string
	body      *pb.Plant
	mask      *fieldmaskpb.FieldMask
}

// UpdatePlant changes a plant.
func (s *Plants) UpdatePlant(ctx context.Context, req *pb.UpdatePlantRequest) (*pb.Plant, error) {
	if err := checkName("plant.name", req.GetPlant().GetName(), "collections", "plants"); err != nil {
		return nil, err
	}
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Plant, error) {
		parent := store.CollectionName(store.Segment(req.GetPlant().GetName(), "collections"))
		out, err := v.updatePlants(parent, []plantChange{{"", req.GetTag(), req.GetPlant(), req.GetUpdateMask()}})
		if err != nil {
			return nil, err
		}
		return out[0], nil
	}, getPlant)
}

// BatchUpdatePlants changes plants, all or none.
func (s *Plants) BatchUpdatePlants(ctx context.Context, req *pb.BatchUpdatePlantsRequest) (*pb.BatchUpdatePlantsResponse, error) {
	all := make([]plantChange, len(req.GetRequests()))
	var p problems
	for i, r := range req.GetRequests() {
		all[i] = plantChange{fmt.Sprintf("requests[%d]", i), r.GetTag(), r.GetPlant(), r.GetUpdateMask()}
		refuseInBatch(&p, all[i].path, r)
		checkBatchName(&p, pathAt(all[i].path, "plant.name"), r.GetPlant().GetName(), req.GetParent(), "collections", "plants")
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	plants, err := write(ctx, s.Core, req, func(v *visit) ([]*pb.Plant, error) {
		return v.updatePlants(req.GetParent(), all)
	}, getPlants)
	return &pb.BatchUpdatePlantsResponse{Plants: plants}, err
}

// checkBatchName refuses the name of a resource in a batch that has not the right
// form, or lies elsewhere than the batch.
func checkBatchName(p *problems, field, name, parent string, kinds ...string) {
	collection := store.CollectionName(store.Segment(parent, "collections"))
	if err := checkName(field, name, kinds...); err != nil {
		var e *Error
		if errors.As(err, &e) {
			p.refuse(InvalidFields, field, "%s", e.Violations[0].Rule)
		}
		return
	}
	plant := store.Segment(parent, "plants")
	if !strings.HasPrefix(name, collection+"/") || plant != "" && !isDash(plant) && store.Segment(name, "plants") != plant {
		p.refuse(InvalidFields, field, "must lie in the parent of the batch, %s", parent)
	}
}

func (v *visit) updatePlants(parent string, all []plantChange) ([]*pb.Plant, error) {
	if len(all) == 0 {
		return nil, errNoRequests
	}
	c, err := v.collection(store.Segment(parent, "collections"))
	if err != nil {
		return nil, err
	}
	var p problems
	ids, known, err := v.resolvePlants(&p, c, len(all), func(i int) (place, field, id, tag string) {
		return all[i].path, pathAt(all[i].path, "plant.name"), store.Segment(all[i].body.GetName(), "plants"), all[i].tag
	})
	if err != nil {
		return nil, err
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	seen := map[string]int{}
	next := make([]*store.Plant, len(all))
	for i, change := range all {
		if first, twice := seen[ids[i]]; twice {
			p.refuse(InvalidFields, pathAt(change.path, "plant.name"), "is the plant of requests[%d] already", first)
			continue
		}
		seen[ids[i]] = i
		if next[i], err = v.changed(&p, c, known[ids[i]], &change); err != nil && !errors.Is(err, errRefused) {
			return nil, err
		}
	}
	if err := v.retag(&p, c, all, known, next); err != nil {
		return nil, err
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	var moves []*pb.Observation
	for i, id := range ids {
		if _, err := c.UpdatePlant(id, v.by(), func(now *store.Plant) error {
			now.Plant, now.Kin = next[i].Plant, next[i].Kin
			return nil
		}); err != nil {
			return nil, err
		}
		if bench := next[i].GetBench(); bench != known[id].GetBench() {
			moves = append(moves, &pb.Observation{
				Name: store.ObservationName(c.ID(), id, v.newID()), ObserveTime: instantOf(v.at),
				Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: bench}},
			})
		}
	}
	if _, err := c.CreateObservations(moves, v.by()); err != nil {
		return nil, err
	}
	out, err := v.settle(c, ids)
	if err != nil {
		return nil, err
	}
	for _, move := range moves {
		i := seen[store.Segment(move.GetName(), "plants")]
		if wanted := move.GetMove().GetBench(); out[i].GetBench() != wanted {
			return nil, &Error{Reason: LaterMove, Message: fmt.Sprintf(
				"%s: a move to %s with a later time is on record: void it, or record the move as an observation", out[i].GetName(), out[i].GetBench()),
				Violations: []Violation{{pathAt(all[i].path, "plant.bench"), "a later move is on record"}}}
		}
	}
	return out, nil
}

// changed returns a plant as it is to be after a change, or errRefused where that
// cannot be told. What is wrong with the request goes into p.
func (v *visit) changed(p *problems, c *collection, now *store.Plant, change *plantChange) (*store.Plant, error) {
	before := now.Plant
	next := &store.Plant{Plant: proto.CloneOf(before)}
	if err := v.checkEtag(change.body.GetEtag(), before.GetEtag()); err != nil {
		return nil, p.take(within(err, change.path, "plant.etag"))
	}
	if err := v.apply(change.mask, next.Plant, change.body, change.path, "due", "last_sizes", "last_feed_time", "former_tags"); err != nil {
		return nil, p.take(err)
	}
	next.Kin = v.checkPlant(p, pathAt(change.path, "plant."), next.Plant, before)
	if err := v.checkPlantReferences(p, c, []newPlant{{path: change.path}}, []store.NewPlant{{Message: next.Plant}}, before); err != nil {
		return nil, err
	}
	return next, nil
}

// errRefused ends a change whose problems are gathered already.
var errRefused = errors.New("refused")

// within adds to an error of a request in a batch the field that it is about.
func within(err error, place, field string) error {
	if place == "" {
		return err
	}
	return atField(err, pathAt(place, field))
}

// atField adds to an error that names no field the one that it is about.
func atField(err error, field string) error {
	var e *Error
	if errors.As(err, &e) && len(e.Violations) == 0 {
		return &Error{Reason: e.Reason, Message: field + ": " + e.Message, Violations: []Violation{{field, e.Message}}, cause: e.cause}
	}
	return err
}

// DeletePlant deletes a plant with its history.
func (s *Plants) DeletePlant(ctx context.Context, req *pb.DeletePlantRequest) (*pb.Plant, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Plant, error) {
		c, id, err := v.plantOf(req.GetName(), req.GetTag())
		if err != nil {
			return nil, err
		}
		_, err = c.DeletePlant(id, v.by(), v.at.Add(undeleting).UnixMicro(), func(p *store.Plant) error {
			if p.GetDeleteTime() != nil {
				return store.ErrNotFound
			}
			return v.checkEtag(req.GetEtag(), p.GetEtag())
		})
		if err != nil {
			return nil, missing(err, PlantNotFound, store.PlantName(c.ID(), id))
		}
		return v.settleOne(c, id)
	}, getPlant)
}

// UndeletePlant brings a deleted plant back.
func (s *Plants) UndeletePlant(ctx context.Context, req *pb.UndeletePlantRequest) (*pb.Plant, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Plant, error) {
		c, err := v.collection(store.Segment(req.GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		id := store.Segment(req.GetName(), "plants")
		p, err := c.Plant(id)
		if err != nil {
			return nil, missing(err, PlantNotFound, req.GetName())
		}
		if err := v.checkEtag(req.GetEtag(), p.GetEtag()); err != nil {
			return nil, err
		}
		if v.purged(p) {
			return nil, notFound(PlantNotFound, req.GetName())
		}
		if p.GetDeleteTime() != nil {
			if err := v.checkComesBack(c, p); err != nil {
				return nil, err
			}
			if _, err := c.UndeletePlant(id, v.by(), func(*store.Plant) error { return nil }); err != nil {
				return nil, err
			}
		}
		return v.settleOne(c, id)
	}, getPlant)
}

// plantMessages completes plants by what follows from their records, and by what is
// due today: as it was kept, where nothing has changed since, else decided anew.
func (v *visit) plantMessages(c *collection, plants []*store.Plant) ([]*pb.Plant, error) {
	ids := make([]string, len(plants))
	for i, p := range plants {
		ids[i] = p.ID
	}
	kept, err := c.KeptDue(ids)
	if err != nil {
		return nil, err
	}
	today := c.today(v.at)
	var stale []*store.Plant
	var before []*store.Due
	for _, p := range plants {
		if !c.True(kept[p.ID], v.version, int32(today)) {
			stale, before = append(stale, p), append(before, kept[p.ID])
		}
	}
	if len(stale) > 0 {
		d, err := v.decider(c, today)
		if err != nil {
			return nil, err
		}
		err = v.decideAnew(c, d, stale, before, func(i int, facts *facts, next *store.Due) error {
			next.From, next.Decision = int32(today), nil
			if decision := d.engine.Decide(&facts.facts, today, UsualHorizonDays); decision.Status != due.Absent && !d.gone(stale[i]) {
				next.Decision = due.AppendDecision(nil, &decision)
			}
			kept[stale[i].ID] = next
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return v.plantMessagesWith(c, plants, kept)
}

func (v *visit) plantMessagesWith(c *collection, plants []*store.Plant, kept map[string]*store.Due) ([]*pb.Plant, error) {
	out, ids := make([]*pb.Plant, len(plants)), make([]string, len(plants))
	for i, p := range plants {
		ids[i] = p.ID
	}
	former, err := c.FormerTags(ids)
	if err != nil {
		return nil, err
	}
	today := c.today(v.at)
	for i, p := range plants {
		k := kept[p.ID]
		out[i] = p.Plant
		out[i].FormerTags, out[i].LastSizes = former[p.ID], k.Sizes
		if k.Decision != nil {
			if out[i].Due, err = v.due.shownOf(p, k, today, UsualHorizonDays); err != nil {
				return nil, err
			}
		}
		if k.LastFeedUs != nil {
			out[i].LastFeedTime = instantOfMicros(*k.LastFeedUs)
		}
		v.show(c.is, out[i])
	}
	return out, nil
}
