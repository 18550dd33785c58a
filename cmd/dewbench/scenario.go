package main

import (
	"fmt"
	"math/rand/v2"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
)

// The demo's collection is invented: no real grower, place or plant stands
// behind it. It is the same for the same day.

// demoSeed begins the generator.
const demoSeed = 20260501

// stand is one bench of the demo.
type stand struct {
	name     string
	letter   string
	pots     int
	exposure pb.Bench_Exposure
	taxa     []string // of the catalogue
}

var stands = []stand{
	{"Glass, left", "A", 48, pb.Bench_GREENHOUSE,
		[]string{"drosera-capensis", "drosera-aliciae", "drosera-spatulata", "drosera-venusta", "drosera-dielsiana"}},
	{"Glass, right", "B", 48, pb.Bench_GREENHOUSE,
		[]string{"drosera-spatulata", "drosera-natalensis", "drosera-cuneifolia", "drosera-tokaiensis", "drosera-madagascariensis"}},
	{"Pygmy shelf", "C", 40, pb.Bench_GREENHOUSE,
		[]string{"drosera-pulchella", "drosera-scorpioides", "drosera-roseana", "drosera-nitidula", "drosera-occidentalis"}},
	{"Tuber corner", "D", 28, pb.Bench_GREENHOUSE,
		[]string{"drosera-auriculata", "drosera-whittakeri", "drosera-zonaria", "drosera-peltata"}},
	{"Butterwort tray", "E", 36, pb.Bench_GREENHOUSE,
		[]string{"pinguicula-moranensis", "pinguicula-esseriana", "pinguicula-agnata", "pinguicula-gigantea"}},
	{"Kitchen window", "F", 18, pb.Bench_WINDOWSILL,
		[]string{"drosera-capensis", "drosera-aliciae", "drosera-adelae", "nepenthes-ventricosa"}},
	{"Stairs window", "G", 16, pb.Bench_WINDOWSILL,
		[]string{"drosera-binata", "drosera-regia", "cephalotus-follicularis"}},
	{"Cellar lamps", "H", 40, pb.Bench_ENCLOSED,
		[]string{"drosera-sessilifolia", "drosera-burmanni", "drosera-graomogolensis", "heliamphora-minor", "dionaea-muscipula"}},
	{"Frosted tank", "J", 18, pb.Bench_ENCLOSED,
		[]string{"nepenthes-ampullaria", "nepenthes-bicalcarata", "utricularia-longifolia", "genlisea-hispidula"}},
	{"South bed", "K", 46, pb.Bench_OUTDOORS,
		[]string{"sarracenia-flava", "sarracenia-leucophylla", "sarracenia-purpurea", "darlingtonia-californica"}},
	{"Bog box", "L", 40, pb.Bench_OUTDOORS,
		[]string{"dionaea-muscipula", "drosera-rotundifolia", "drosera-intermedia", "drosera-filiformis", "pinguicula-grandiflora"}},
	{"Cold frame", "M", 24, pb.Bench_GREENHOUSE,
		[]string{"dionaea-muscipula", "drosera-anglica", "drosera-filiformis", "sarracenia-minor"}},
}

// awayFrom and awayUntil are the days, counted from today, on which the demo's
// grower is away; awayUntil is that of being back.
const awayFrom, awayUntil = 4, 9

// scenario returns the demo's collection and its pots, with histories that end
// today.
func scenario(today civil.Day, known names) (*pb.ComputeDueRequest, []pot, error) {
	latitude := 51.0
	collection := &pb.ComputeDueRequest{
		AsOfDate: today.String(), TimeZone: "Europe/Amsterdam", LatitudeDeg: &latitude,
		Absences: []*pb.Absence{{FromDate: (today + awayFrom).String(), UntilDate: (today + awayUntil).String()}},
	}
	byName := map[string]*pb.Taxon{}
	for _, t := range known {
		byName[t.GetName()] = t
	}
	random := rand.New(rand.NewPCG(demoSeed, uint64(int64(today))))
	var pots []pot
	for bench, s := range stands {
		for i := range s.pots {
			taxon, ok := byName["taxa/"+s.taxa[random.IntN(len(s.taxa))]]
			if !ok {
				return nil, nil, fmt.Errorf("the catalogue lacks a taxon of %s", s.name)
			}
			pots = append(pots, pot{
				bench: s.name, tag: fmt.Sprintf("%s%02d", s.letter, i+1), name: taxon.GetScientificName(),
				benchOrder: bench, walkOrder: i,
				plant: (&history{random, today}).plant(taxon, s.exposure),
			})
		}
	}
	oddOnes(pots, today)
	return collection, pots, nil
}

// oddOnes turns a few pots into what every collection has one of.
func oddOnes(pots []pot, today civil.Day) {
	last := map[string]*pot{} // of each bench
	for i := range pots {
		last[pots[i].bench] = &pots[i]
	}
	h := &history{today: today}

	lost := last["Glass, right"]
	lost.name = "seedling, label lost"
	lost.plant = &pb.ComputeDueRequest_Plant{AcquireDate: h.ago(90)}

	// Told to be fed although no interval is known for its kind of trap.
	bladder := last["Frosted tank"]
	bladder.name = "Utricularia longifolia"
	bladder.plant = &pb.ComputeDueRequest_Plant{
		Taxon: "taxa/utricularia-longifolia", Exposure: pb.Bench_ENCLOSED, AcquireDate: h.ago(300),
		Regimen: &pb.Regimen{HandFeed: pb.Regimen_ALWAYS.Enum()},
	}

	// Fed this morning, before the list was looked at.
	fed := last["Kitchen window"]
	fed.name = "Drosera capensis"
	fed.plant = &pb.ComputeDueRequest_Plant{
		Taxon: "taxa/drosera-capensis", Exposure: pb.Bench_WINDOWSILL, AcquireDate: h.ago(400),
		Feedings: []*pb.Feeding{{FedDate: h.ago(11), Outcome: pb.Feeding_CLEAN, OutcomeDate: h.ago(8)}, {FedDate: h.ago(0)}},
	}

	// Brought in from the bog box.
	moved := last["Cold frame"]
	moved.name = "Drosera filiformis"
	moved.plant = &pb.ComputeDueRequest_Plant{
		Taxon: "taxa/drosera-filiformis", Exposure: pb.Bench_OUTDOORS, AcquireDate: h.ago(500),
		Moves: []*pb.ComputeDueRequest_Move{{Date: *h.ago(2), Exposure: pb.Bench_GREENHOUSE}},
	}
}

// history invents what happened to a pot.
type history struct {
	*rand.Rand
	today civil.Day
}

// ago returns the day n days before today.
func (h *history) ago(n int) *string { return proto.String((h.today - civil.Day(n)).String()) }

// one tells true once in n times.
func (h *history) one(n int) bool { return h.IntN(n) == 0 }

func (h *history) plant(taxon *pb.Taxon, exposure pb.Bench_Exposure) *pb.ComputeDueRequest_Plant {
	p := &pb.ComputeDueRequest_Plant{Taxon: taxon.GetName(), Exposure: exposure, AcquireDate: h.ago(200 + h.IntN(900))}
	switch {
	case h.one(20):
		p.AcquireDate = h.ago(h.IntN(14)) // newly come: nothing else happened yet
		return p
	case h.one(12):
		quantity := int32(2 + h.IntN(11))
		p.Quantity = &quantity
	}
	h.sessions(p, taxon)
	h.sizes(p, taxon)
	h.events(p)
	if exposure == pb.Bench_OUTDOORS {
		h.surveys(p)
	}
	return p
}

// sessions feeds the pot in its rhythm, not always on the day.
func (h *history) sessions(p *pb.ComputeDueRequest_Plant, taxon *pb.Taxon) {
	interval := 10
	switch taxon.GetTrapType() {
	case pb.Taxon_SNAP:
		interval = 14
	case pb.Taxon_PITFALL:
		interval = 21
	case pb.Taxon_SUCTION, pb.Taxon_EEL:
		return
	}
	if h.one(25) {
		p.AcquireDate = h.ago(15 + h.IntN(20)) // settled in, and not fed yet
		return
	}
	day := 1 + h.IntN(interval+5)
	for range 3 + h.IntN(8) {
		f := &pb.Feeding{FedDate: h.ago(day)}
		if h.one(6) {
			traps := int32(1)
			f.TrapsFed = &traps
		}
		if day > 3 {
			f.Outcome, f.OutcomeDate = h.outcome(), h.ago(day-1-h.IntN(3))
		}
		p.Feedings = append(p.Feedings, f)
		day += interval + h.IntN(5)
	}
}

func (h *history) outcome() pb.Feeding_Outcome {
	switch n := h.IntN(40); {
	case n < 3:
		return pb.Feeding_MOULD
	case n < 6:
		return pb.Feeding_RESIDUE
	case n < 8:
		return pb.Feeding_REJECTED
	}
	return pb.Feeding_CLEAN
}

// sizes measures most pots now and then, and counts the traps of some.
func (h *history) sizes(p *pb.ComputeDueRequest_Plant, taxon *pb.Taxon) {
	if taxon.TypicalRosetteDiameterMm == nil || h.one(3) {
		return
	}
	diameter := taxon.GetTypicalRosetteDiameterMm() * (0.6 + 0.5*h.Float64())
	change := 0.97 + 0.08*h.Float64() // from one measurement to the next
	if h.one(8) {
		change = 0.85
	}
	last := 0
	if h.one(10) {
		last = 60 // not measured since
	}
	for day := 150; day > last; day -= 25 + h.IntN(15) {
		tenths := float64(int(diameter*10)) / 10
		m := &pb.Observation_Measurement{RosetteDiameterMm: &tenths}
		if h.one(3) {
			traps := int32(h.IntN(14))
			m.WorkingTraps = &traps
		}
		p.Observations = append(p.Observations, &pb.Observation{
			ObserveDate: h.ago(day), Fact: &pb.Observation_Measurement_{Measurement: m},
		})
		diameter = max(2, diameter*change)
	}
}

// events are what else happens on a bench.
func (h *history) events(p *pb.ComputeDueRequest_Plant) {
	add := func(daysAgo int, o *pb.Observation) {
		o.ObserveDate = h.ago(daysAgo)
		p.Observations = append(p.Observations, o)
	}
	if h.one(12) {
		add(1+h.IntN(30), &pb.Observation{Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}})
	}
	if h.one(30) {
		add(1+h.IntN(9), &pb.Observation{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{
			Reason: "new growth first", UntilDate: h.ago(-3 - h.IntN(20)),
		}}})
	}
	if h.one(30) {
		add(1+h.IntN(9), &pb.Observation{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{
			What: "aphids", UntilDate: h.ago(-2 - h.IntN(9)),
		}}})
	}
	if h.one(6) {
		add(5+h.IntN(30), &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_EMERGED}})
		cut := h.one(2)
		p.Regimen = &pb.Regimen{CutStalks: &cut}
	}
	if h.one(40) {
		p.ShipDate = h.ago(-1 - h.IntN(20))
	}
}

// surveys look at what a pot in the open caught.
func (h *history) surveys(p *pb.ComputeDueRequest_Plant) {
	if h.one(3) {
		return
	}
	day := 4 + h.IntN(30)
	for range 1 + h.IntN(3) {
		prey := int32(h.IntN(6))
		if h.one(3) {
			prey = 0
		}
		p.Observations = append(p.Observations, &pb.Observation{
			ObserveDate: h.ago(day),
			Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{
				TrapsExamined: 3, PreyFound: prey,
			}},
		})
		day += 10 + h.IntN(20)
	}
}
