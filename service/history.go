package service

import (
	"fmt"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"

	"google.golang.org/protobuf/proto"
)

// decider turns the records of plants of one collection into decisions for a day.
type decider struct {
	*Due
	c       *collection
	benches map[string]*pb.Bench
	reader  *reader
	engine  due.Engine
	layers  map[string][]due.Set // of the bench, by its id
	groups  []due.Set            // of the collection, with what they are for in groupKeys
	keys    []groupKey
	scratch facts // of factsKept
}

type groupKey struct {
	taxon, genus string
	trap         due.TrapType
}

// decider returns a decider for a day.
func (v *visit) decider(c *collection, asOf civil.Day) (*decider, error) {
	benches, err := v.allBenches(c)
	if err != nil {
		return nil, err
	}
	d := &decider{Due: v.due, c: c, benches: benches, reader: v.due.reader(), layers: map[string][]due.Set{}}
	d.reader.stored = true
	m := c.message
	day := asOf.String()
	d.reader.collection(&pb.ComputeDueRequest{
		AsOfDate: day, TimeZone: m.GetTimeZone(), LatitudeDeg: m.LatitudeDeg, Hemisphere: m.GetHemisphere(),
		FeedingWeekdays: m.GetFeedingWeekdays(), Absences: m.GetAbsences(),
	})
	// What is kept lasts longer than a day.
	_, d.reader.restTo = due.RestRange(min(asOf+keptDays+keptSpread, lastAsOf))
	if d.reader.refused > 0 {
		return nil, fmt.Errorf("what is kept of %s: %v", m.GetName(), d.reader.violations)
	}
	// Another zone may have moved an observation to the day on which its hold ends,
	// and a catalogue may have lost a taxon. The engine takes what is left.
	d.reader.kept = true
	for _, g := range m.GetRegimens() {
		set, key := due.Set{Regimen: regimenValue(g.GetRegimen())}, groupKey{}
		switch of := g.GetGroup().(type) {
		case *pb.Collection_GroupRegimen_Taxon:
			set.Layer, key.taxon = due.CollectionTaxonLayer, of.Taxon
		case *pb.Collection_GroupRegimen_Genus:
			set.Layer, key.genus = due.CollectionGenusLayer, catalogue.Normalise(of.Genus)
		case *pb.Collection_GroupRegimen_TrapType:
			set.Layer, key.trap = due.CollectionTrapTypeLayer, due.TrapType(of.TrapType)
		}
		d.groups, d.keys = append(d.groups, set), append(d.keys, key)
	}
	return d, nil
}

// exposure returns the exposure of a bench by its id; "" is no bench.
func (d *decider) exposure(bench string) pb.Bench_Exposure { return d.benches[bench].GetExposure() }

// layersOf returns the layers of the regimen between the plant's and the catalogue's.
func (d *decider) layersOf(p *store.Plant) []due.Set {
	var sets []due.Set
	if b := d.benches[store.Segment(p.GetBench(), "benches")]; b.GetRegimen() != nil {
		sets = append(sets, due.Set{Layer: due.BenchLayer, Regimen: regimenValue(b.GetRegimen())})
	}
	if len(d.groups) == 0 {
		return sets
	}
	trap, genus := due.TrapType(p.GetTrapType()), catalogue.Normalise(p.Genus)
	if t, ok := d.taxonOf(p); ok && trap == due.NoTrapType {
		trap = t.TrapType
	}
	for _, layer := range []due.Layer{due.CollectionTaxonLayer, due.CollectionGenusLayer, due.CollectionTrapTypeLayer} {
		for i, set := range d.groups {
			if set.Layer != layer {
				continue
			}
			key := d.keys[i]
			if key.taxon != "" && key.taxon == p.GetTaxon() || key.genus != "" && key.genus == genus ||
				key.trap != due.NoTrapType && key.trap == trap {
				sets = append(sets, set)
			}
		}
	}
	return sets
}

func (d *decider) taxonOf(p *store.Plant) (*catalogue.Taxon, bool) {
	if p.GetTaxon() == "" {
		return nil, false
	}
	return d.catalogue.Taxon(p.GetTaxon()[len(taxonPrefix):])
}

// facts are what the engine takes, with the names of the records behind it.
type facts struct {
	computedPlant
	moves, observations, feedings []string
	benches                       []string // ids of those that the moves went to
}

// facts returns what the engine takes: the same as ComputeDue would be given. h may
// be nil.
func (d *decider) facts(p *store.Plant, h *store.History) *facts {
	if h == nil {
		h = &store.History{}
	}
	m := d.pot(p)
	m.Feedings, m.Observations = h.Feedings, make([]*pb.Observation, 0, len(h.Observations))
	f := &facts{}
	for _, o := range h.Observations {
		move, ok := o.GetFact().(*pb.Observation_Move_)
		if !ok {
			m.Observations, f.observations = append(m.Observations, o), append(f.observations, o.GetName())
			continue
		}
		bench := store.Segment(move.Move.GetBench(), "benches")
		m.Moves = append(m.Moves, &pb.ComputeDueRequest_Move{
			Date: d.c.dayOf(store.Micros(o.GetObserveTime())).String(), Exposure: d.exposure(bench),
		})
		f.benches = append(f.benches, bench)
		f.moves = append(f.moves, o.GetName())
	}
	for _, fd := range h.Feedings {
		f.feedings = append(f.feedings, fd.GetName())
	}
	clear(d.reader.keys)
	f.computedPlant = d.reader.plant(0, m, d.layersOf(p)...)
	i := 0
	for _, o := range h.Observations {
		if _, ok := o.GetFact().(*pb.Observation_Move_); ok {
			f.facts.Moves[i].Time = store.Micros(o.GetObserveTime())
			i++
		}
	}
	f.scientificName = p.GetScientificName()
	return f
}

// pot returns what a plant is, but for its history, as ComputeDue would be given it.
func (d *decider) pot(p *store.Plant) *pb.ComputeDueRequest_Plant {
	return &pb.ComputeDueRequest_Plant{
		Key: p.ID, Taxon: p.GetTaxon(), TrapType: p.GetTrapType(), Habit: p.GetHabit(), Exposure: d.exposure(p.FirstBench),
		EnterDate:   proto.String(d.c.dayOf(store.Micros(p.GetCreateTime())).String()),
		AcquireDate: p.AcquireDate, Regimen: p.GetRegimen(),
	}
}

// decide returns what is due on the day, or nil for a plant that is not there then.
func (d *decider) decide(p *store.Plant, h *store.History, horizon int) *pb.DueFeeding {
	if d.gone(p) {
		return nil
	}
	decision := d.engine.Decide(&d.facts(p, h).facts, d.reader.asOf, horizon)
	if decision.Status == due.Absent {
		return nil
	}
	return d.row(p, &decision, d.reader.asOf)
}

// gone tells whether the plant was deleted by the end of the day.
func (d *decider) gone(p *store.Plant) bool {
	return p.GetDeleteTime() != nil && civil.Of(p.GetDeleteTime().AsTime(), d.c.zone) <= d.reader.asOf
}
