package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/table"
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

// livingBearer returns the living plant that bears a tag now, or "".
func livingBearer(all []store.Bearing) string {
	for _, b := range all {
		if b.Living && !b.Former {
			return b.Plant
		}
	}
	return ""
}

// checkTag returns what is on a label, and refuses what cannot be. before is what is
// there already.
func checkTag(p *problems, field, tag, before string) string {
	if tag = strings.TrimSpace(tag); tag == "" {
		p.refuse(InvalidFields, field, "must be given: what is on the label, 1 to 100 characters")
	} else if tag != before && strings.ContainsFunc(tag, unicode.IsControl) {
		p.refuse(InvalidFields, field, "must stand in one line, without tabs")
	}
	return tag
}

// newTags are the tags that plants of a request are to bear.
type newTags struct {
	c     *collection
	borne map[string][]store.Bearing
	first map[string]string // by folded tag: where it stands first
}

func (c *collection) newTags(tags []string) (*newTags, error) {
	borne, err := c.Tagged(tags)
	return &newTags{c, borne, map[string]string{}}, err
}

// check refuses a tag that an other plant of the request is to bear, or that a living
// plant bears. place is what says so in the request.
func (n *newTags) check(p *problems, field, place, tag, id string) {
	key := store.Fold(tag)
	if first, twice := n.first[key]; twice && key != "" {
		p.refuse(TagInUse, field, "%q is the tag of %s already", tag, first)
	} else if bearer := livingBearer(n.borne[key]); bearer != "" && bearer != id {
		p.refuse(TagInUse, field, "%q is the tag of %s", tag, store.PlantName(n.c.ID(), bearer))
	}
	n.first[key] = place
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
	if err == nil && v.purged(p) {
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

// plantOf returns the collection of a plant, and its id, which may be found by its
// tag.
func (v *visit) plantOf(name, tag string) (*collection, string, error) {
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, "", err
	}
	id := store.Segment(name, "plants")
	var p problems
	if !checkTagOrID(&p, "", id, tag) {
		return nil, "", p.err()
	}
	if !isDash(id) {
		return c, id, nil
	}
	borne, err := c.Tagged([]string{tag})
	if err != nil {
		return nil, "", err
	}
	if id, err = c.resolveTag(&p, "tag", tag, borne[store.Fold(tag)]); err != nil {
		return nil, "", err
	}
	return c, id, p.err()
}

// checkTagOrID refuses a plant that is named by both its id and its tag, or by
// none.
func checkTagOrID(p *problems, place, id, tag string) bool {
	switch {
	case isDash(id) && strings.TrimSpace(tag) == "":
		p.refuse(InvalidFields, pathAt(place, "tag"), "must be given where the id of the plant is -")
	case !isDash(id) && tag != "":
		p.refuse(InvalidFields, pathAt(place, "tag"), "goes with the id -: name the plant by its id or by its tag")
	default:
		return true
	}
	return false
}

// resolveTag returns the plant that a tag stands for: the living one that bears it;
// else the living one that bore it; else the one that bears it and lives no more;
// else the one that bore it. Where several do, it is ambiguous. What is wrong goes
// into p, and the id is "".
func (c *collection) resolveTag(p *problems, field, tag string, all []store.Bearing) (id string, err error) {
	for _, kind := range []struct{ living, former bool }{{true, false}, {true, true}, {false, false}, {false, true}} {
		var found []string
		for _, b := range all {
			if !b.Deleted && b.Living == kind.living && b.Former == kind.former {
				found = append(found, b.Plant)
			}
		}
		if len(found) == 1 {
			return found[0], nil
		}
		if len(found) > 1 {
			p.refuse(TagAmbiguous, field, "%q stands for %d plants, %s among them: name the plant by its id", short(tag), len(found), found[0])
			return "", nil
		}
	}
	if len(all) > 0 {
		p.refuse(PlantNotFound, field, "%q is the tag of the plant %s, which is deleted: undelete it by its id first", short(tag), all[0].Plant)
		return "", nil
	}
	if c.living == nil {
		tags, err := c.LivingTags()
		if err != nil {
			return "", err
		}
		c.living = table.NewTags(tags)
	}
	p.refuse(PlantNotFound, field, "no plant of the collection bears or bore the tag %q%s", short(tag), c.living.Near(tag))
	return "", nil
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
		l, err := v.list(req, plantFields, nil, []string{"name", "tag", "walkOrder", "scientificName", "createTime"})
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
	ids, err := v.resolvePlants(&p, c, len(all), func(i int) (place, field, id, tag string) {
		return all[i].path, pathAt(all[i].path, "plant.name"), store.Segment(all[i].body.GetName(), "plants"), all[i].tag
	})
	if err != nil {
		return nil, err
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	known, err := c.PlantsByID(ids)
	if err != nil {
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

// retag refuses changes after which two living plants would bear one tag, and frees
// the tags that plants hand on to each other.
func (v *visit) retag(p *problems, c *collection, all []plantChange, known map[string]*store.Plant, next []*store.Plant) error {
	var tags, ids []string // of living plants that get other ones
	for _, n := range next {
		if n == nil {
			continue // refused already
		}
		now := known[store.Segment(n.GetName(), "plants")]
		if now.Living && store.Fold(n.GetTag()) != store.Fold(now.GetTag()) {
			tags, ids = append(tags, n.GetTag()), append(ids, now.ID)
		}
	}
	if len(tags) == 0 {
		return nil
	}
	borne, err := c.Tagged(tags)
	if err != nil {
		return err
	}
	retagged, first := slices.Sorted(slices.Values(ids)), map[string]int{}
	handedOn := false
	for i, n := range next {
		if n == nil {
			continue
		}
		id := store.Segment(n.GetName(), "plants")
		if _, of := slices.BinarySearch(retagged, id); !of {
			continue
		}
		key := store.Fold(n.GetTag())
		if before, twice := first[key]; twice {
			p.refuse(TagInUse, pathAt(all[i].path, "plant.tag"), "%q is the tag of requests[%d] already", n.GetTag(), before)
			continue
		}
		first[key] = i
		bearer := livingBearer(borne[key])
		if bearer == "" || bearer == id {
			continue
		}
		if _, of := slices.BinarySearch(retagged, bearer); of {
			handedOn = true
			continue
		}
		p.refuse(TagInUse, pathAt(all[i].path, "plant.tag"), "%q is the tag of %s", n.GetTag(), store.PlantName(c.ID(), bearer))
	}
	if p.refused > 0 || !handedOn {
		return nil
	}
	return c.FreeTags(ids)
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

// resolvePlants returns the ids of plants that a request names by id or tag. It
// refuses those that are not there or are deleted: their ids are "".
func (v *visit) resolvePlants(p *problems, c *collection, n int, named func(i int) (place, field, id, tag string)) ([]string, error) {
	ids, wanted := make([]string, n), make([]string, 0, n)
	var tags []string
	for i := range n {
		_, _, id, tag := named(i)
		if !checkTagOrID(&problems{}, "", id, tag) {
			continue
		}
		if isDash(id) {
			tags = append(tags, tag)
		} else {
			ids[i] = id
			wanted = append(wanted, id)
		}
	}
	borne, err := c.Tagged(tags)
	if err != nil {
		return nil, err
	}
	known, err := c.PlantsByID(wanted)
	if err != nil {
		return nil, err
	}
	for i := range n {
		place, field, id, tag := named(i)
		switch {
		case !checkTagOrID(p, place, id, tag):
		case isDash(id):
			if ids[i], err = c.resolveTag(p, pathAt(place, "tag"), tag, borne[store.Fold(tag)]); err != nil {
				return nil, err
			}
		case known[id] == nil:
			p.refuse(PlantNotFound, field, "%s is not there", store.PlantName(c.ID(), id))
			ids[i] = ""
		case known[id].GetDeleteTime() != nil:
			e := deleted(known[id].GetName())
			p.refuse(e.Reason, field, "%s", e.Message)
			ids[i] = ""
		}
	}
	return ids, nil
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

// checkComesBack refuses to bring back a plant whose tag or bench is no longer
// free.
func (v *visit) checkComesBack(c *collection, p *store.Plant) error {
	if p.GetState() != pb.Plant_GROWING {
		return nil
	}
	borne, err := c.Tagged([]string{p.GetTag()})
	if err != nil {
		return err
	}
	if other := livingBearer(borne[store.Fold(p.GetTag())]); other != "" && other != p.ID {
		return &Error{Reason: TagInUse, Message: fmt.Sprintf("%q is the tag of %s now: give that plant another one first",
			p.GetTag(), store.PlantName(c.ID(), other))}
	}
	return v.checkStands(c, p.GetName(), p.GetBench())
}

// checkStands refuses to put a plant back on a bench that is deleted.
func (v *visit) checkStands(c *collection, plant, bench string) error {
	benches, err := v.allBenches(c)
	if err != nil {
		return err
	}
	switch b := benches[store.Segment(bench, "benches")]; {
	case b.GetDeleteTime() == nil:
	case v.purged(b):
		return &Error{Reason: BenchDeleted, Message: fmt.Sprintf("%s stood on %s, which is gone for good: record a move to another bench first", plant, bench)}
	default:
		return &Error{Reason: BenchDeleted, Message: fmt.Sprintf("%s stood on %s, which is deleted: undelete the bench first", plant, bench)}
	}
	return nil
}

// checkAheadOf refuses moves that are dated ahead to a bench that is deleted, of a plant
// that is there.
func (v *visit) checkAheadOf(c *collection, p *store.Plant, h *store.History) error {
	if h == nil || p.GetDeleteTime() != nil {
		return nil
	}
	for _, o := range h.Observations {
		if move := o.GetMove(); move != nil && !c.came(store.Micros(o.GetObserveTime()), v.at) {
			if err := v.checkStands(c, p.GetName(), move.GetBench()); err != nil {
				return err
			}
		}
	}
	return nil
}

// settle brings up to date what follows from the records of plants, and returns
// them in the order of their ids.
func (v *visit) settle(c *collection, ids []string) ([]*pb.Plant, error) {
	return v.settleBy(c, ids, nil)
}

// settlePending brings up to date the plants of which records that were dated ahead
// have come true.
func (v *visit) settlePending(c *collection) error {
	for more := true; more; {
		var err error
		if more, err = v.settleSome(c, MaxPageSize); err != nil {
			return err
		}
	}
	return nil
}

// settleSome is settlePending for some of the plants, and tells whether there are more.
func (v *visit) settleSome(c *collection, most int) (more bool, err error) {
	ids, err := c.Pending((c.today(v.at) + 1).Noon(c.zone).UnixMicro(), most)
	if err != nil {
		return false, err
	}
	kept, err := c.KeptDue(ids)
	if err != nil {
		return false, err
	}
	ids = slices.DeleteFunc(ids, func(id string) bool { return !c.came(*kept[id].PendingUs, v.at) })
	if len(ids) == 0 {
		return false, c.KeepPending()
	}
	_, err = v.settleBy(c, ids, v.recorder(c))
	return true, err
}

// SettlePending brings up to date the plants of which records that were dated ahead
// have come true, of all collections, a few in a transaction, so that no caller waits
// long. Where one collection fails it goes on with the next, unless ctx has ended.
func (c *Core) SettlePending(ctx context.Context) error {
	var errs []error
	for after := ""; ; {
		var ids []string
		err := c.store.Read(ctx, func(tx *store.Tx) (err error) {
			ids, err = tx.PendingCollections(after, sweepBatch)
			return err
		})
		if err != nil {
			return errors.Join(append(errs, fmt.Errorf("list collections: %w", err))...)
		}
		for _, id := range ids {
			if err := c.settleCollection(ctx, id); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", store.CollectionName(id), err))
			}
			if ctx.Err() != nil || len(errs) > sweepErrors {
				return errors.Join(errs...)
			}
		}
		if len(ids) < sweepBatch {
			return errors.Join(errs...)
		}
		after = ids[len(ids)-1]
	}
}

// settlePlants is how many plants are brought up to date in one transaction.
const settlePlants = 100

func (c *Core) settleCollection(ctx context.Context, id string) error {
	for more := true; more; {
		err := c.store.Write(ctx, func(tx *store.Tx) error {
			more = false
			v := &visit{Core: c, ctx: ctx, tx: tx, at: c.now(), open: map[string]*collection{}} // nobody calls
			one, err := v.load(id, func(string) bool { return true })
			if errors.Is(err, store.ErrNotFound) { // it was purged
				return nil
			}
			if err != nil {
				return err
			}
			if us := one.PendingUs(); us == nil || !one.came(*us, v.at) {
				return nil
			}
			more, err = v.settleSome(one, settlePlants)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// recorder tells that a change that came true by itself is that of who recorded it.
func (v *visit) recorder(c *collection) func(recorder string) store.By {
	return func(recorder string) store.By {
		return store.By{Us: v.at.UnixMicro(), Grower: cmp.Or(store.Segment(recorder, "growers"), c.Owner())}
	}
}

// settleBy is settle for what came true by itself: by tells who makes the change that
// a grower recorded. nil is for what a caller changes.
func (v *visit) settleBy(c *collection, ids []string, by func(recorder string) store.By) ([]*pb.Plant, error) {
	histories, err := c.Histories(ids)
	if err != nil {
		return nil, err
	}
	known, err := c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	today := c.today(v.at)
	d, err := v.decider(c, today)
	if err != nil {
		return nil, err
	}
	keep, plants := map[string]*store.Due{}, make([]*store.Plant, len(ids))
	for i, id := range ids {
		if err := v.ctx.Err(); err != nil {
			return nil, err
		}
		if keep[id] != nil {
			plants[i] = known[id]
			continue
		}
		p := known[id]
		if p == nil {
			return nil, notFound(PlantNotFound, store.PlantName(c.ID(), id))
		}
		standing, kept, recorder := v.stand(c, p, histories[id])
		if by == nil {
			if err := v.checkAheadOf(c, p, histories[id]); err != nil {
				return nil, err
			}
		}
		if by != nil {
			// It was judged when it was recorded.
		} else if standing.State == pb.Plant_GROWING && p.GetState() != pb.Plant_GROWING && p.GetDeleteTime() == nil {
			revived := &store.Plant{Plant: proto.CloneOf(p.Plant), ID: p.ID}
			revived.State, revived.Bench = pb.Plant_GROWING, store.BenchName(c.ID(), standing.Bench)
			if err := v.checkComesBack(c, revived); err != nil {
				return nil, err
			}
		} else if moved := store.BenchName(c.ID(), standing.Bench); moved != p.GetBench() && standing.State == pb.Plant_GROWING {
			if err := v.checkStands(c, p.GetName(), moved); err != nil {
				return nil, err
			}
		}
		if standing != (store.Standing{Bench: store.Segment(p.GetBench(), "benches"), Quantity: p.GetQuantity(), State: p.GetState()}) {
			who := v.by
			if by != nil {
				who = func() store.By { return by(recorder) }
			}
			if p, err = c.Settle(id, standing, who()); err != nil {
				return nil, err
			}
		}
		kept.AsOfDate, kept.Settings, kept.Catalogue = today.String(), c.Settings(), v.version
		kept.Decision = d.decide(p, histories[id], UsualHorizonDays)
		known[id], plants[i], keep[id] = p, p, kept
	}
	if err := c.KeepDue(keep); err != nil {
		return nil, err
	}
	for _, kept := range keep {
		if us := kept.PendingUs; us != nil && (c.PendingUs() == nil || *us < *c.PendingUs()) {
			if err := c.KeepPending(); err != nil {
				return nil, err
			}
			break
		}
	}
	return v.plantMessagesWith(c, plants, keep)
}

func (v *visit) settleOne(c *collection, id string) (*pb.Plant, error) {
	out, err := v.settle(c, []string{id})
	if err != nil {
		return nil, err
	}
	return out[0], nil
}

// stand returns what the record of a plant says of it today, and who recorded the
// last fact that it stands on. What is dated ahead is left out: it comes true on its
// day.
func (v *visit) stand(c *collection, p *store.Plant, h *store.History) (s store.Standing, kept *store.Due, recorder string) {
	s, kept = store.Standing{Bench: p.FirstBench, Quantity: 1, State: pb.Plant_GROWING}, &store.Due{}
	if h == nil {
		return s, kept, ""
	}
	ahead := func(us int64) bool {
		if c.came(us, v.at) {
			return false
		}
		if kept.PendingUs == nil || us < *kept.PendingUs {
			kept.PendingUs = &us
		}
		return true
	}
	for _, o := range h.Observations {
		if ahead(store.Micros(o.GetObserveTime())) {
			break
		}
		switch o.GetFact().(type) {
		case *pb.Observation_Move_, *pb.Observation_Count_, *pb.Observation_End_:
			recorder = o.GetRecorder()
		}
		switch fact := o.GetFact().(type) {
		case *pb.Observation_Move_:
			s.Bench = store.Segment(fact.Move.GetBench(), "benches")
		case *pb.Observation_Count_:
			s.Quantity = fact.Count.GetQuantity()
		case *pb.Observation_End_:
			s.State = endState(fact.End.GetState())
		case *pb.Observation_Measurement_:
			if kept.Sizes == nil {
				kept.Sizes = &pb.Plant_Sizes{}
			}
			last, m := kept.Sizes, fact.Measurement
			last.MeasureTime = o.GetObserveTime()
			last.RosetteDiameterMm = lastOf(m.RosetteDiameterMm, last.RosetteDiameterMm)
			last.HeightMm = lastOf(m.HeightMm, last.HeightMm)
			last.TrapWidthMm = lastOf(m.TrapWidthMm, last.TrapWidthMm)
			last.WorkingTraps = lastOf(m.WorkingTraps, last.WorkingTraps)
			last.LeafCount = lastOf(m.LeafCount, last.LeafCount)
		}
	}
	for _, f := range h.Feedings {
		us := store.Micros(f.GetFedTime())
		if ahead(us) {
			break
		}
		kept.LastFeedUs = &us
	}
	return s, kept, recorder
}

func lastOf[V any](now, before *V) *V {
	if now != nil {
		return now
	}
	return before
}

func endState(s pb.Observation_End_State) pb.Plant_State {
	switch s {
	case pb.Observation_End_SOLD:
		return pb.Plant_SOLD
	case pb.Observation_End_GIVEN_AWAY:
		return pb.Plant_GIVEN_AWAY
	}
	return pb.Plant_DEAD
}

// overlay gives a plant what its record says of it today, where its row does not yet.
func (v *visit) overlay(c *collection, p *store.Plant, h *store.History) *store.Due {
	standing, kept, _ := v.stand(c, p, h)
	if c.behind {
		p.Bench, p.Quantity, p.State = store.BenchName(c.ID(), standing.Bench), standing.Quantity, standing.State
	}
	return kept
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
	var staleIDs []string
	for _, p := range plants {
		k := kept[p.ID]
		if k == nil || c.behind && k.PendingUs != nil && c.came(*k.PendingUs, v.at) || k.AsOfDate != today.String() || k.Settings != c.Settings() || k.Catalogue != v.version {
			stale, staleIDs = append(stale, p), append(staleIDs, p.ID)
		}
	}
	if len(stale) > 0 {
		histories, err := c.Histories(staleIDs)
		if err != nil {
			return nil, err
		}
		d, err := v.decider(c, today)
		if err != nil {
			return nil, err
		}
		for _, p := range stale {
			kept[p.ID] = v.overlay(c, p, histories[p.ID])
			kept[p.ID].Decision = d.decide(p, histories[p.ID], UsualHorizonDays)
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
	for i, p := range plants {
		k := kept[p.ID]
		out[i] = p.Plant
		out[i].FormerTags, out[i].LastSizes, out[i].Due = former[p.ID], k.Sizes, k.Decision
		if k.LastFeedUs != nil {
			out[i].LastFeedTime = instantOfMicros(*k.LastFeedUs)
		}
	}
	return out, nil
}
