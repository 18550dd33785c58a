package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/table"
)

// tables are the tables as read. Those that were not given are nil.
type tables struct {
	plants            *table.Result[table.Plant]
	feedings          *table.Result[table.Feeding]
	observations      *table.Result[table.Observation]
	fedPots, seenPots []int // the plants of their rows
}

// tables reads the tables. What is wrong in any of them is printed to the notes.
func (o *dueOptions) tables(asOf string, in inOut) (*tables, error) {
	t := &tables{}
	var err error
	if t.plants, err = readTable(o, "plants", o.plants, in.stdin, table.Plants); err != nil {
		return nil, err
	}
	tags := table.PlantTags(t.plants)
	if o.feedings != "" {
		if t.feedings, err = readTable(o, "feedings", o.feedings, in.stdin, table.Feedings); err != nil {
			return nil, err
		}
		t.fedPots = table.Join(tags, t.feedings)
	}
	if o.observations != "" {
		if t.observations, err = readTable(o, "observations", o.observations, in.stdin, table.Observations); err != nil {
			return nil, err
		}
		t.seenPots = table.Join(tags, t.observations)
	}
	badPlants, badFeedings, badObservations := report(in.notes, t.plants), report(in.notes, t.feedings), report(in.notes, t.observations)
	if badPlants || badFeedings || badObservations {
		return nil, errBadTables
	}
	if len(t.plants.Rows) == 0 {
		fmt.Fprintf(in.notes, "note: %s: has no plants below its header\n", shownName(o.plants))
	}
	ahead(in, t.feedings, o.feedings, asOf, func(f *table.Feeding) (civil.Day, int) { return f.Fed, f.Line })
	ahead(in, t.observations, o.observations, asOf, func(s *table.Observation) (civil.Day, int) { return s.Day, s.Line })
	return t, nil
}

// pots makes the tables into plants to ask about.
func (o *dueOptions) pots(t *tables, known *names, asOf string, notes io.Writer) []pot {
	plants, feedings, observations := t.plants, t.feedings, t.observations
	pots := make([]pot, len(plants.Rows))
	benches := map[string]int{}
	for i := range plants.Rows {
		p := &plants.Rows[i]
		pots[i] = pot{
			bench: p.Bench, tag: p.Tag, name: p.Name.String(), benchOrder: place(benches, p.Bench), walkOrder: placeless, rowOrder: i,
			plant: plantMessage(p),
		}
		if p.WalkOrder != nil {
			pots[i].walkOrder, pots[i].rowOrder = int(*p.WalkOrder), 0
		}
		if note := pots[i].classify(p, known); note != "" {
			fmt.Fprintln(notes, "note:", table.Problem{File: shownName(o.plants), Line: p.Line, Value: p.Name.Original, Rule: note})
		}
	}
	if feedings != nil {
		for i := range feedings.Rows {
			plant := pots[t.fedPots[i]].plant
			plant.Feedings = append(plant.Feedings, service.FeedingOf(&feedings.Rows[i], time.UTC))
		}
	}
	if observations != nil {
		moved := map[int]civil.Day{}
		for i := range observations.Rows {
			row, p := &observations.Rows[i], &pots[t.seenPots[i]]
			addObservations(p.plant, row)
			// It is listed where it stood last; of two moves on a day the later row counts.
			if before, again := moved[t.seenPots[i]]; row.Bench != "" && row.Day.String() <= asOf && (!again || row.Day >= before) {
				moved[t.seenPots[i]] = row.Day
				p.bench, p.benchOrder = row.Bench, place(benches, row.Bench)
			}
		}
	}
	for i := range pots {
		addSummary(pots[i].plant, &plants.Rows[i], asOf)
	}
	return pots
}

// place returns a bench's place in the round: as the tables name them. Pots on no
// bench go last.
func place(benches map[string]int, bench string) int {
	if bench == "" {
		return placeless
	}
	n, seen := benches[bench]
	if !seen {
		n = len(benches)
		benches[bench] = n
	}
	return n
}

// ahead counts the rows of a day after the one asked about, and notes them: where
// that is today, they are likelier slips of the pen than plans.
func ahead[R any](in inOut, t *table.Result[R], file, asOf string, of func(*R) (civil.Day, int)) {
	if t == nil {
		return
	}
	n, first := 0, 0
	for i := range t.Rows {
		if day, line := of(&t.Rows[i]); day.String() > asOf {
			if n++; n == 1 {
				first = line
			}
		}
	}
	switch {
	case n == 1:
		fmt.Fprintf(in.notes, "note: %s: 1 row is later than %s and changes nothing (line %d)\n", shownName(file), asOf, first)
	case n > 1:
		fmt.Fprintf(in.notes, "note: %s: %d rows are later than %s and change nothing (first: line %d)\n", shownName(file), n, asOf, first)
	}
}

// tagsNamed is how many tags a note names.
const tagsNamed = 10

// absent notes the pots of which the answer says nothing: they are not there.
func absent(notes io.Writer, pots []pot, rows []row, asOf string) {
	there := make(map[*pot]bool, len(rows))
	for _, r := range rows {
		there[r.pot] = true
	}
	var tags []string
	for i := range pots {
		if !there[&pots[i]] {
			tags = append(tags, pots[i].tag)
		}
	}
	if len(tags) == 0 {
		return
	}
	named := strings.Join(tags[:min(len(tags), tagsNamed)], ", ")
	if more := len(tags) - tagsNamed; more > 0 {
		named += fmt.Sprintf(" and %d more", more)
	}
	are := "are"
	if len(tags) == 1 {
		are = "is"
	}
	fmt.Fprintf(notes, "note: %s %s not there on %s (acquired later, or dead, sold or given away): %s\n", count(len(tags), "pot"), are, asOf, named)
}

// classify gives the plant its taxon by its name. It returns what the grower
// should know of that, if anything.
func (p *pot) classify(row *table.Plant, known *names) (note string) {
	if row.Taxon != "" {
		p.plant.Taxon, p.name = row.Taxon, row.Taxon
		return ""
	}
	if row.Name.Scientific == "" {
		return ""
	}
	found := known.Find(row.Name.Scientific)
	if found.OK {
		p.plant.Taxon = found.Taxon.GetName()
	}
	return found.Note(found.Taxon.GetScientificName(), row.TrapType != due.NoTrapType)
}

func plantMessage(p *table.Plant) *pb.ComputeDueRequest_Plant {
	return &pb.ComputeDueRequest_Plant{
		TrapType:    pb.Taxon_TrapType(p.TrapType),
		Habit:       pb.Taxon_Habit(p.Habit),
		Exposure:    pb.Bench_Exposure(p.Exposure),
		LampHours:   p.LampHours,
		EnterDate:   dayText(p.Entered),
		AcquireDate: dayText(p.Acquired),
		ShipDate:    dayText(p.Ship),
		Quantity:    p.Quantity,
		Regimen:     service.RegimenMessage(&p.Regimen),
	}
}

// addObservations adds what a row says: one observation for each thing. The request
// names no zone, so its days are those of UTC.
func addObservations(plant *pb.ComputeDueRequest_Plant, row *table.Observation) {
	plant.Observations = append(plant.Observations, service.ObservationsOf(row, time.UTC)...)
	if row.Exposure != due.NoExposure {
		plant.Moves = append(plant.Moves, &pb.ComputeDueRequest_Move{
			Date: row.Day.String(), Exposure: pb.Bench_Exposure(row.Exposure),
		})
	}
}

// addSummary adds what the plant's own row says of its history: its last sizes,
// its end, and its last feeding where the table of feedings lacks it. What has no
// day of its own is taken as true on asOf.
func addSummary(plant *pb.ComputeDueRequest_Plant, row *table.Plant, asOf string) {
	add := func(day civil.Day, o *pb.Observation) {
		if o.ObserveDate = &asOf; day.Given() {
			o.ObserveDate = dayText(day)
		}
		plant.Observations = append(plant.Observations, o)
	}
	if row.Sizes.Given() {
		add(row.Measured, &pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: service.MeasurementOf(&row.Sizes)}})
	}
	if row.State != table.NoEnd {
		add(row.EndDay, service.EndOf(row.State, "", ""))
	}
	if row.LastFed.Given() && !fedSince(plant, row.LastFed.String(), asOf) {
		plant.Feedings = append(plant.Feedings, &pb.Feeding{FedDate: dayText(row.LastFed)})
	}
}

// fedSince tells whether a feeding of that day or a later one, up to asOf, is on
// record.
func fedSince(plant *pb.ComputeDueRequest_Plant, day, asOf string) bool {
	return slices.ContainsFunc(plant.GetFeedings(), func(f *pb.Feeding) bool {
		fed := f.GetFedDate()
		if f.GetFedTime() != nil {
			fed = f.GetFedTime().AsTime().Format(time.DateOnly)
		}
		return fed == day || fed > day && fed <= asOf
	})
}

// dayText writes a day; nil for one that is not given.
func dayText(d civil.Day) *string {
	if !d.Given() {
		return nil
	}
	return proto.String(d.String())
}
