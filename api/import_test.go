package api

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	"dewbench/store"
	"dewbench/store/storetest"
)

// intake is a collection into which a test brings tables.
type intake struct {
	*testing.T
	*clients
	x      pb.ExchangeServiceClient
	parent string
	now    *clock
}

// onIntakes runs a test on both engines, each on 2026-06-01 and with an empty collection.
func onIntakes(t *testing.T, f func(d intake)) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		doors := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		f(intake{t, clientsOf(doors.conn), pb.NewExchangeServiceClient(within(doors.server)), newCollection(t, doors), now})
	})
}

// rowText is what became of a row, in one line.
func rowText(m *pb.ImportResponse_Row) string {
	text := m.GetResult().String()
	for _, f := range m.GetFaults() {
		text += "; " + f.GetColumn() + ": " + f.GetRule()
	}
	return strings.Join(append([]string{text}, m.GetNotes()...), "; ")
}

// became compares what became of rows with the beginnings that are wanted.
func (d intake) became(answer *pb.ImportResponse, err error, want []string) {
	d.Helper()
	if err != nil {
		d.Fatal(err)
	}
	if len(answer.GetRows()) != len(want) {
		d.Fatalf("%d rows: %v", len(answer.GetRows()), answer)
	}
	for i, m := range answer.GetRows() {
		if got := rowText(m); !strings.HasPrefix(got, want[i]) {
			d.Errorf("line %d: %s\nwant %s", m.GetLine(), got, want[i])
		}
	}
}

func (d intake) plants(csv string, want ...string) {
	d.Helper()
	answer, err := d.x.ImportPlants(d.Context(), &pb.ImportPlantsRequest{Parent: d.parent, Csv: []byte(csv), GoodRowsOnly: true})
	d.became(answer, err, want)
}

func (d intake) feedings(csv string, want ...string) {
	d.Helper()
	answer, err := d.x.ImportFeedings(d.Context(), &pb.ImportFeedingsRequest{Parent: d.parent, Csv: []byte(csv), GoodRowsOnly: true})
	d.became(answer, err, want)
}

func (d intake) observations(csv string, want ...string) {
	d.Helper()
	answer, err := d.x.ImportObservations(d.Context(), &pb.ImportObservationsRequest{Parent: d.parent, Csv: []byte(csv), GoodRowsOnly: true})
	d.became(answer, err, want)
}

// plant makes a plant by itself.
func (d intake) plant(m *pb.Plant) *pb.Plant {
	d.Helper()
	m.Taxon = "taxa/drosera-capensis"
	p, err := d.CreatePlant(d.Context(), &pb.CreatePlantRequest{Parent: d.parent, Plant: m})
	if err != nil {
		d.Fatal(err)
	}
	return p
}

// get gets a plant.
func (d intake) get(name string) *pb.Plant {
	d.Helper()
	p, err := d.GetPlant(d.Context(), &pb.GetPlantRequest{Name: name})
	if err != nil {
		d.Fatal(err)
	}
	return p
}

// fed lists the feedings of a plant.
func (d intake) fed(plant string) []*pb.Feeding {
	d.Helper()
	list, err := d.ListFeedings(d.Context(), &pb.ListFeedingsRequest{Parent: plant, ShowDeleted: true})
	if err != nil {
		d.Fatal(err)
	}
	return list.GetFeedings()
}

// TestImportOfInheritedTag sends the table of a plant that has died again, after another
// one got its tag.
func TestImportOfInheritedTag(t *testing.T) {
	onIntakes(t, func(d intake) {
		dead := "Tag,Name,Acquired,State,End date\nT2,Drosera capensis,2022-01-01,dead,2023-01-01\n"
		d.plants(dead, "CREATED")
		heir := d.plant(&pb.Plant{Tag: "T2", AcquireDate: proto.String("2025-01-01")})
		d.plants(dead, "UNCHANGED")
		d.plants("Tag,Name,State\nT2,Drosera capensis,dead\n", "UNCHANGED; is taken for ")
		d.plants("Tag,Name,Acquired,State,End date\nT2,Drosera capensis,2024-01-01,dead,2024-05-01\n",
			"REFUSED; Tag: is the tag of "+heir.GetName()+" now, which was acquired on 2025-01-01: add a column ref")
		d.plants("Ref,Tag,Name,Acquired,State,End date\nsecond,T2,Drosera capensis,2024-01-01,dead,2024-05-01\n", "CREATED")
		if p := d.get(heir.GetName()); p.GetState() != pb.Plant_GROWING || p.GetAcquireDate() != "2025-01-01" {
			t.Error(p)
		}

		// What was fed belongs to the plant that bore the tag on that day.
		d.feedings("Tag,Date,Traps\nT2,2022-06-01,1\nT2,2024-03-01,2\nT2,2025-06-01,3\nT2,2026-05-01,4\n", "CREATED", "CREATED", "CREATED", "CREATED")
		if fed := d.fed(heir.GetName()); len(fed) != 2 {
			t.Errorf("of the heir: %v", fed)
		}
		d.plants("Tag,Name,State\nT2,Drosera capensis,dead\n", "REFUSED; Tag: was the tag of 2 plants")
		d.plants("Tag,Name,Acquired,State,End date\nT2,Drosera capensis,2025-01-01,dead,2026-05-30\n", "UPDATED")
		d.feedings("Tag,Date,Traps\nT2,2022-06-01,1\nT2,2024-03-01,2\nT2,2025-06-01,3\nT2,2026-05-01,4\nT2,2026-05-31,1\n",
			"UNCHANGED", "UNCHANGED", "UNCHANGED", "UNCHANGED", `REFUSED; Tag: "T2" stands for 3 plants`)
	})
}

// TestImportOfTagsInTurn writes what was seen onto the plants that bore a tag then: one
// that bears another one now, and those of which no day is told.
func TestImportOfTagsInTurn(t *testing.T) {
	onIntakes(t, func(d intake) {
		first := d.plant(&pb.Plant{Tag: "A", AcquireDate: proto.String("2024-01-01")})
		first.Tag = "B"
		if _, err := d.UpdatePlant(d.Context(), &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: first.GetName(), Tag: "B"}}); err != nil {
			t.Fatal(err)
		}
		second := d.plant(&pb.Plant{Tag: "A", AcquireDate: proto.String("2026-05-20")})
		d.feedings("Tag,Date,Traps\nA,2025-01-01,1\nA,2026-05-20,1\nB,2025-03-01,1\n", "CREATED", "CREATED", "CREATED")
		if n, m := len(d.fed(first.GetName())), len(d.fed(second.GetName())); n != 2 || m != 1 {
			t.Errorf("%d of the first, %d of the second", n, m)
		}
		// Two that were there at the same time.
		d.plants("Ref,Tag,Name,Acquired,State,End date\n1,C,Drosera capensis,2022-01-01,dead,2023-01-01\n2,C,Drosera capensis,2022-06-01,dead,2023-06-01\n3,C,Drosera capensis,2024-01-01,,\n",
			"CREATED", "CREATED", "CREATED")
		d.observations("Tag,Date,Note\nC,2022-02-01,a\nC,2022-12-01,b\nC,2024-02-01,c\n",
			"CREATED", "REFUSED; Tag: was the tag of 2 plants on 2022-12-01", "CREATED")
	})
}

// TestImportOfUnknownRef brings rows in that name their plant by a ref that none has.
func TestImportOfUnknownRef(t *testing.T) {
	onIntakes(t, func(d intake) {
		d.plants("Ref,Tag,Name\nacc-1,T1,Drosera capensis\n,T2,Drosera capensis\n", "CREATED", "CREATED")
		d.feedings("organismID,Tag,Date,Traps\nacc-9,T1,2026-05-01,1\nacc-9,T2,2026-05-01,1\ncollections/elsewhere/plants/p,T1,2026-05-02,1\n"+d.parent+"/plants/none,T2,2026-05-03,1\n",
			"REFUSED; organismID: is the ref of no plant, and that of the plant with the tag, "+d.parent, "CREATED", "CREATED",
			"REFUSED; organismID: is not there")
	})
}

// TestImportOfNewRefs brings rows in that got a ref since: what they say is known by it
// from then on.
func TestImportOfNewRefs(t *testing.T) {
	onIntakes(t, func(d intake) {
		p := d.plant(&pb.Plant{Tag: "A"})
		d.feedings("Tag,Date,Traps\nA,2026-05-01,1\n", "CREATED")
		d.feedings("Ref,Tag,Date,Traps\nf1,A,2026-05-01,1\n", "UNCHANGED; is known by its ref from now on")
		d.feedings("Ref,Tag,Date,Traps\nf1,A,2026-05-02,2\n", "UPDATED; day: 2026-05-02, was 2026-05-01")
		d.feedings("Ref,Tag,Date,Traps\nf2,A,2026-05-02,2\n", "CREATED") // the first has its own
		if fed := d.fed(p.GetName()); len(fed) != 2 {
			t.Error(fed)
		}
		d.observations("Tag,Date,Height,Note\nA,2026-05-01,31,tall\n", "CREATED")
		d.observations("Ref,Tag,Date,Height,Note\no1,A,2026-05-01,31,tall\n", "UNCHANGED; is known by its ref from now on")
		d.observations("Ref,Tag,Date,Height,Note\no1,A,2026-05-01,32,tall\n", "UPDATED")
	})
}

// TestImportOfVoided sends tables again of which something was voided: it stays so, and
// what is beside it stays as it is.
func TestImportOfVoided(t *testing.T) {
	onIntakes(t, func(d intake) {
		plants := "Tag,Name,Last fed,Note,State,End date\nA,Drosera capensis,2026-05-20,spots,,\nB,Drosera capensis,,,dead,2026-05-01\n"
		feedings := "Tag,Date,Traps\nA,2026-05-01,1\nA,2026-05-01,2\nA,2026-05-02,3\n"
		d.plants(plants, "CREATED", "CREATED")
		d.feedings(feedings, "CREATED", "CREATED", "CREATED")
		names := map[string]string{}
		all, err := d.ListPlants(d.Context(), &pb.ListPlantsRequest{Parent: d.parent})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range all.GetPlants() {
			names[p.GetTag()] = p.GetName()
		}
		for _, f := range d.fed(names["A"]) {
			if f.GetTrapsFed() == 2 && f.GetFedDate() == "2026-05-01" {
				continue
			}
			if _, err := d.DeleteFeeding(d.Context(), &pb.DeleteFeedingRequest{Name: f.GetName()}); err != nil {
				t.Fatal(err)
			}
		}
		for _, name := range names {
			seen, err := d.ListObservations(d.Context(), &pb.ListObservationsRequest{Parent: name})
			if err != nil {
				t.Fatal(err)
			}
			for _, o := range seen.GetObservations() {
				if _, err := d.DeleteObservation(d.Context(), &pb.DeleteObservationRequest{Name: o.GetName()}); err != nil {
					t.Fatal(err)
				}
			}
		}
		d.plants(plants, "UNCHANGED; the note was voided, and stays so; the feeding on the day last fed was voided", "UNCHANGED; that the plant is dead was voided")
		d.feedings(feedings, "UNCHANGED; was voided, and stays so", "UNCHANGED", "UNCHANGED; was voided, and stays so")
		d.feedings("Ref,Tag,Date,Traps\nf3,A,2026-05-02,3\n", "UNCHANGED; was voided, and stays so; is known by its ref from now on")
		counting := 0
		for _, f := range d.fed(names["A"]) {
			if f.GetDeleteTime() == nil {
				counting++
			}
		}
		if counting != 1 || d.get(names["B"]).GetState() != pb.Plant_GROWING {
			t.Errorf("%d feedings count; %v", counting, d.get(names["B"]))
		}
		d.feedings("Tag,Date,Traps\nA,2026-05-01,1\nA,2026-05-01,4\nA,2026-05-02,5\n", "UNCHANGED; was voided", "UPDATED; traps fed: 4, was 2", "CREATED")
	})
}

// TestImportOfCountsAndMoves changes how many plants there are and where they stand, by
// tables and beside them: what a table says anew counts, what it said before does not
// undo what was recorded since.
func TestImportOfCountsAndMoves(t *testing.T) {
	onIntakes(t, func(d intake) {
		table := func(quantity, bench string) string {
			return "Tag,Name,Quantity,Bench\nA,Drosera capensis," + quantity + "," + bench + "\n"
		}
		d.plants(table("10", "north"), "CREATED")
		d.plants(table("1", "south"), `UPDATED; bench: "south", was "north"; quantity: 1, was 10`)
		d.plants(table("10", "north"), `UPDATED; bench: "north", was "south"; quantity: 10, was 1`)
		d.plants(table("10", "north"), "UNCHANGED")
		d.now.add(48 * time.Hour)
		d.observations("Tag,Date,individualCount,Moved to\nA,2026-06-03,7,south\n", "CREATED")
		d.plants(table("10", "north"), "UNCHANGED; bench: the table said so before, and it was moved to \"south\" since: that stands; quantity: the table said so before, and 7 were counted since")
		d.plants(table("7", "south"), "UNCHANGED")
		d.plants(table("10", "north"), "UPDATED")
		// Of a plant of which no table told, what the first one says counts.
		p := d.plant(&pb.Plant{Tag: "B"})
		if _, err := d.CreateObservation(d.Context(), &pb.CreateObservationRequest{Parent: p.GetName(),
			Observation: &pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 4}}}}); err != nil {
			t.Fatal(err)
		}
		d.plants("Tag,Name,Quantity\nB,Drosera capensis,1\n", "UPDATED; quantity: 1, was 4")
		if p := d.get(p.GetName()); p.GetQuantity() != 1 {
			t.Error(p)
		}
	})
}

// TestImportOfRefOfPurged takes a ref that a plant had whose purge time is over, though
// it was not swept yet.
func TestImportOfRefOfPurged(t *testing.T) {
	onIntakes(t, func(d intake) {
		table := "Ref,Tag,Name\nacc-1,A,Drosera capensis\n"
		d.plants(table, "CREATED")
		list, err := d.ListPlants(d.Context(), &pb.ListPlantsRequest{Parent: d.parent})
		if err != nil {
			t.Fatal(err)
		}
		gone, err := d.DeletePlant(d.Context(), &pb.DeletePlantRequest{Name: list.GetPlants()[0].GetName()})
		if err != nil {
			t.Fatal(err)
		}
		d.plants(table, "REFUSED; Ref: ")
		d.now.set(gone.GetPurgeTime().AsTime().Add(time.Second))
		d.plants(table, "CREATED")
		d.plants(table, "UNCHANGED")
	})
}

// TestImportOfLongHistory brings many rows of one plant in: that takes not much longer than
// as many of many plants, though each row has a target by all those before it.
func TestImportOfLongHistory(t *testing.T) {
	now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	doors := openStore(t, storetest.New(t, store.SQLite), service.Config{Now: now.now})
	x, parent := pb.NewExchangeServiceClient(within(doors.server)), newCollection(t, doors)
	const rows, plants = 6000, 300
	var stock, one, many strings.Builder
	stock.WriteString("Tag,Name\n")
	for i := range plants {
		fmt.Fprintf(&stock, "P%d,Drosera capensis\n", i)
	}
	if _, err := x.ImportPlants(t.Context(), &pb.ImportPlantsRequest{Parent: parent, Csv: []byte(stock.String())}); err != nil {
		t.Fatal(err)
	}
	one.WriteString("Tag,Date,Traps,Outcome\n")
	many.WriteString(one.String())
	for i := range rows {
		day := civil.Date(2026, 5, 31) - civil.Day(i)
		fmt.Fprintf(&one, "P0,%s,2,clean\n", day)
		fmt.Fprintf(&many, "P%d,%s,2,clean\n", i%plants, day)
	}
	judge := func(csv string) time.Duration {
		begin := time.Now()
		answer, err := x.ImportFeedings(t.Context(), &pb.ImportFeedingsRequest{Parent: parent, Csv: []byte(csv), ValidateOnly: true})
		if err != nil || len(answer.GetTotals()) != 1 || answer.GetTotals()[0].GetResult() != pb.ImportResponse_CREATED {
			t.Fatal(answer.GetTotals(), err)
		}
		return time.Since(begin)
	}
	wide, long := judge(many.String()), judge(one.String())
	t.Logf("%v of one plant, %v of %d", long, wide, plants)
	most := 15 * wide
	if storetest.Race {
		most *= 4 // the detector slows the engine, which works on the one, more than it does the rest
	}
	if long > most {
		t.Errorf("%v of one plant, %v of %d", long, wide, plants)
	}
}

// TestImportTellsTargets brings sessions in all at once and one by one: both times each has
// the same target.
func TestImportTellsTargets(t *testing.T) {
	now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	doors := openStore(t, storetest.New(t, store.SQLite), service.Config{Now: now.now})
	d := intake{t, clientsOf(within(doors.server)), pb.NewExchangeServiceClient(within(doors.server)), "", now}
	outcomes := []string{"", "clean", "residue", "mould", "rejected"}
	rapid.Check(t, func(r *rapid.T) {
		days := rapid.SliceOfNDistinct(rapid.IntRange(0, 200), 2, 20, rapid.ID[int]).Draw(r, "days")
		lines := make([]string, len(days))
		for i, ago := range days {
			lines[i] = fmt.Sprintf("A,%s,%s,%s\n", civil.Date(2026, 5, 31)-civil.Day(ago), rapid.SampledFrom([]string{"", "1", "3"}).Draw(r, "traps"), rapid.SampledFrom(outcomes).Draw(r, "outcome"))
		}
		targets := func(lines ...string) (all []int32) {
			d.parent = newCollection(t, doors)
			p := d.plant(&pb.Plant{Tag: "A", AcquireDate: proto.String("2025-01-01")})
			for _, some := range lines {
				if _, err := d.x.ImportFeedings(t.Context(), &pb.ImportFeedingsRequest{Parent: d.parent, Csv: []byte("Tag,Date,Traps,Outcome\n" + some)}); err != nil {
					r.Fatal(err)
				}
			}
			for _, f := range d.fed(p.GetName()) {
				all = append(all, f.GetTrapsTarget())
			}
			return all
		}
		whole := targets(strings.Join(lines, ""))
		slices.Sort(lines) // by day
		if single := targets(lines...); !slices.Equal(whole, single) {
			r.Fatalf("at once %v, one by one %v", whole, single)
		}
	})
}
