package api

import (
	"context"
	"encoding/csv"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	rows "dewbench/service/table"
	"dewbench/store"
	"dewbench/store/storetest"
)

// exchanged are the tables of a collection.
type exchanged struct {
	plants, feedings, observations string
}

// exportAll gives all tables of a collection out, by pages of some rows.
func exportAll(t *testing.T, x pb.ExchangeServiceClient, parent string, size int32) exchanged {
	t.Helper()
	var out exchanged
	for token := ""; ; {
		page, err := x.ExportPlants(t.Context(), &pb.ExportPlantsRequest{Parent: parent, PageSize: size, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		out.plants += page.GetCsv()
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	for token := ""; ; {
		page, err := x.ExportFeedings(t.Context(), &pb.ExportFeedingsRequest{Parent: parent, PageSize: size, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		out.feedings += page.GetCsv()
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	for token := ""; ; {
		page, err := x.ExportObservations(t.Context(), &pb.ExportObservationsRequest{Parent: parent, PageSize: size, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		out.observations += page.GetCsv()
		if token = page.GetNextPageToken(); token == "" {
			return out
		}
	}
}

// importAll brings tables in, the plants first, and returns what became of the rows.
func importAll(t *testing.T, x pb.ExchangeServiceClient, parent string, in exchanged) []*pb.ImportResponse {
	t.Helper()
	plants, err := x.ImportPlants(t.Context(), &pb.ImportPlantsRequest{Parent: parent, Csv: []byte(in.plants)})
	if err != nil {
		t.Fatalf("plants: %v\n%s", err, in.plants)
	}
	feedings, err := x.ImportFeedings(t.Context(), &pb.ImportFeedingsRequest{Parent: parent, Csv: []byte(in.feedings)})
	if err != nil {
		t.Fatalf("feedings: %v\n%s", err, in.feedings)
	}
	observations, err := x.ImportObservations(t.Context(), &pb.ImportObservationsRequest{Parent: parent, Csv: []byte(in.observations)})
	if err != nil {
		t.Fatalf("observations: %v\n%s", err, in.observations)
	}
	return []*pb.ImportResponse{plants, feedings, observations}
}

// allBecame tells whether all rows came to a result; it names the others.
func allBecame(t *testing.T, what string, answers []*pb.ImportResponse, want pb.ImportResponse_Result) {
	t.Helper()
	for i, answer := range answers {
		for _, row := range answer.GetRows() {
			if row.GetResult() != want {
				t.Errorf("%s, table %d: %v", what, i, row)
			}
		}
	}
}

// TestRoundTrip gives the collection of the golden pairs out and brings it in again: into
// the same collection, where nothing changes, and into another one, where all is new and
// then stays the same.
func TestRoundTrip(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		x := pb.NewExchangeServiceClient(d.conn)
		tables := exportAll(t, x, "collections/house", 3)
		if whole := exportAll(t, x, "collections/house", 0); whole != tables {
			t.Errorf("by pages:\n%v\nas a whole:\n%v", tables, whole)
		}
		allBecame(t, "the same collection", importAll(t, x, "collections/house", tables), pb.ImportResponse_UNCHANGED)
		if again := exportAll(t, x, "collections/house", 0); again != tables {
			t.Errorf("after it was brought in again:\n%v\nbefore:\n%v", again, tables)
		}
		other, err := clientsOf(d.conn).CreateCollection(t.Context(), &pb.CreateCollectionRequest{
			Collection: &pb.Collection{DisplayName: "Copy", TimeZone: "Europe/Berlin", LatitudeDeg: proto.Float64(52)}})
		if err != nil {
			t.Fatal(err)
		}
		first := importAll(t, x, other.GetName(), tables)
		for i, answer := range first {
			for _, row := range answer.GetRows() {
				if row.GetResult() != pb.ImportResponse_CREATED {
					t.Errorf("table %d: %v", i, row)
				}
			}
		}
		allBecame(t, "a copy", importAll(t, x, other.GetName(), tables), pb.ImportResponse_UNCHANGED)
		copied := exportAll(t, x, other.GetName(), 0)
		if !strings.HasPrefix(copied.plants, strings.SplitAfter(tables.plants, "\n")[0]) {
			t.Error(copied.plants)
		}
		allBecame(t, "a copy given out", importAll(t, x, other.GetName(), copied), pb.ImportResponse_UNCHANGED)
	})
}

// growersTables are tables as growers keep them: common practice, no source.
func growersTables(t *testing.T) exchanged {
	t.Helper()
	read := func(name string) string {
		text, err := os.ReadFile("../testdata/exchange/" + name + ".csv")
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	return exchanged{read("plants"), read("feedings"), read("observations")}
}

// shuffled returns tables with their rows in another order.
func (in exchanged) shuffled(r *rand.Rand) exchanged {
	for _, table := range []*string{&in.plants, &in.feedings, &in.observations} {
		reader := csv.NewReader(strings.NewReader(*table))
		reader.Comma = ';'
		rows, err := reader.ReadAll()
		if err != nil {
			panic(err)
		}
		r.Shuffle(len(rows)-1, func(i, j int) { rows[i+1], rows[j+1] = rows[j+1], rows[i+1] })
		var out strings.Builder
		w := csv.NewWriter(&out)
		w.Comma = ';'
		if err := w.WriteAll(rows); err != nil {
			panic(err)
		}
		*table = out.String()
	}
	return in
}

// newCollection makes a collection.
func newCollection(t testing.TB, d *doors) string {
	t.Helper()
	c, err := clientsOf(d.conn).CreateCollection(t.Context(), &pb.CreateCollectionRequest{
		Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin", LatitudeDeg: proto.Float64(52)}})
	if err != nil {
		t.Fatal(err)
	}
	return c.GetName()
}

// TestImportTwice brings growers' tables in, and again: the second time nothing is
// written, in whatever order the rows come, and the order does not matter for what is due.
func TestImportTwice(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		url := storetest.URL(t, engine)
		d := openStore(t, storetest.Open(t, url), service.Config{Now: now.now})
		raw, x := openRaw(t, engine, url), pb.NewExchangeServiceClient(d.conn)
		tables, parent := growersTables(t), newCollection(t, d)
		random := rand.New(rand.NewPCG(1, 2))
		for _, row := range importAll(t, x, parent, tables)[0].GetRows() {
			if row.GetResult() != pb.ImportResponse_CREATED {
				t.Error(row)
			}
		}
		before := contents(t, raw, engine)
		for range 3 {
			allBecame(t, "again", importAll(t, x, parent, tables), pb.ImportResponse_UNCHANGED)
			tables = tables.shuffled(random)
		}
		if diff := gocmp.Diff(before, contents(t, raw, engine)); diff != "" {
			t.Errorf("the same tables wrote again (-first +again):\n%s", diff)
		}
		other := newCollection(t, d)
		importAll(t, x, other, tables)
		var lists []string
		for _, name := range []string{parent, other} {
			list, err := clientsOf(d.conn).ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: name, Statuses: allStatuses})
			if err != nil {
				t.Fatal(err)
			}
			for _, row := range list.GetDueFeedings() {
				row.Plant, row.Bench = "", ""
			}
			if n := len(list.GetDueFeedings()); n != 6 {
				t.Errorf("%d plants", n)
			}
			lists = append(lists, string(messageJSON(t, list)))
		}
		if diff := gocmp.Diff(parseJSON(t, []byte(lists[0])), parseJSON(t, []byte(lists[1]))); diff != "" {
			t.Errorf("in another order (-first +other):\n%s", diff)
		}
	})
}

// TestImportOfMany brings more rows in than one piece holds, is cut off in between, and
// goes on where it was when the table is sent again.
func TestImportOfMany(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		var cut context.CancelFunc
		var made, stopAt atomic.Int64
		d := openStore(t, storetest.New(t, engine), service.Config{NewID: func() string {
			n := made.Add(1)
			if n == stopAt.Load() {
				cut()
			}
			return fmt.Sprintf("id-%08d", n)
		}})
		parent := newCollection(t, d)
		x := pb.NewExchangeServiceClient(within(d.server))
		var plants, feedings strings.Builder
		plants.WriteString("Tag,Name\n")
		feedings.WriteString("Tag,Date,Traps\n")
		for i := range 900 {
			fmt.Fprintf(&plants, "P%d,Drosera capensis\n", i)
			fmt.Fprintf(&feedings, "P%d,2026-05-%02d,1\n", i%10, 1+i/10%28)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		cut = cancel
		stopAt.Store(made.Load() + 900 + 800) // judged, and then written: in the second piece
		if _, err := x.ImportPlants(ctx, &pb.ImportPlantsRequest{Parent: parent, Csv: []byte(plants.String())}); status.Code(err) != codes.Canceled {
			t.Fatalf("cut off: %v", err)
		}
		counts := func(m *pb.ImportResponse, err error) map[pb.ImportResponse_Result]int32 {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
			out := map[pb.ImportResponse_Result]int32{}
			for _, total := range m.GetTotals() {
				out[total.GetResult()] = total.GetRows()
			}
			return out
		}
		got := counts(x.ImportPlants(t.Context(), &pb.ImportPlantsRequest{Parent: parent, Csv: []byte(plants.String())}))
		if got[pb.ImportResponse_UNCHANGED] == 0 || got[pb.ImportResponse_CREATED] == 0 || got[pb.ImportResponse_UNCHANGED]+got[pb.ImportResponse_CREATED] != 900 {
			t.Errorf("sent again: %v", got)
		}
		// A plant's rows of several pieces, and days with several rows.
		if got := counts(x.ImportFeedings(t.Context(), &pb.ImportFeedingsRequest{Parent: parent, Csv: []byte(feedings.String())})); got[pb.ImportResponse_CREATED] != 900 {
			t.Errorf("feedings: %v", got)
		}
		if got := counts(x.ImportFeedings(t.Context(), &pb.ImportFeedingsRequest{Parent: parent, Csv: []byte(feedings.String())})); got[pb.ImportResponse_UNCHANGED] != 900 {
			t.Errorf("feedings again: %v", got)
		}
	})
}

// TestImportBreaksOff deletes the collection while a table is brought in: what was written
// until then stands and is reported, and so is what was not. Sent again later, the table
// completes it.
func TestImportBreaksOff(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		const plants = 4000
		var meanwhile func()
		var made, at atomic.Int64
		d := openStore(t, storetest.New(t, engine), service.Config{NewID: func() string {
			n := made.Add(1)
			if n == at.Load() {
				go meanwhile()
			}
			return fmt.Sprintf("id-%08d", n)
		}})
		parent, calls := newCollection(t, d), clientsOf(d.conn)
		x := pb.NewExchangeServiceClient(within(d.server))
		gone := make(chan error, 1)
		meanwhile = func() {
			_, err := calls.DeleteCollection(t.Context(), &pb.DeleteCollectionRequest{Name: parent})
			gone <- err
		}
		var table strings.Builder
		table.WriteString("Tag,Name\n")
		for i := range plants {
			fmt.Fprintf(&table, "P%d,Drosera capensis\n", i)
		}
		at.Store(made.Load() + plants + 1) // judged, and the first is written
		answer, err := x.ImportPlants(t.Context(), &pb.ImportPlantsRequest{Parent: parent, Csv: []byte(table.String())})
		if err != nil {
			t.Fatal(err)
		}
		if err := <-gone; err != nil {
			t.Fatal(err)
		}
		counts := func(m *pb.ImportResponse) map[pb.ImportResponse_Result]int32 {
			out := map[pb.ImportResponse_Result]int32{}
			for _, total := range m.GetTotals() {
				out[total.GetResult()] = total.GetRows()
			}
			return out
		}
		got := counts(answer)
		created, left := got[pb.ImportResponse_CREATED], got[pb.ImportResponse_NOT_WRITTEN]
		if created == 0 || left == 0 || created+left != plants {
			t.Fatalf("%v", got)
		}
		if notes := answer.GetRows()[created].GetNotes(); len(notes) != 1 || !strings.Contains(notes[0], "the work ended here") {
			t.Errorf("the first that was not written: %v", answer.GetRows()[created])
		}
		if _, err := calls.UndeleteCollection(t.Context(), &pb.UndeleteCollectionRequest{Name: parent}); err != nil {
			t.Fatal(err)
		}
		again, err := x.ImportPlants(t.Context(), &pb.ImportPlantsRequest{Parent: parent, Csv: []byte(table.String())})
		if err != nil {
			t.Fatal(err)
		}
		if got := counts(again); got[pb.ImportResponse_UNCHANGED] != created || got[pb.ImportResponse_CREATED] != left {
			t.Errorf("sent again: %v, after %d and %d", got, created, left)
		}
	})
}

// plainText is text as growers write it, and as they do not.
func plainText(most int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		s := rapid.OneOf(rapid.SampledFrom([]string{"", "=1+1", "@x", "-", "'", "a\r\nb", "x;y,\"z\"", " two  spaces ", "\t=1", "naïve ×"}), rapid.String()).Draw(t, "text")
		if r := []rune(s); len(r) > most {
			s = string(r[:most])
		}
		return strings.ReplaceAll(s, "\x00", "")
	})
}

// TestExportImportsBack holds for any collection that the API takes: what is given out is
// brought in again as it is, and nothing changes.
func TestExportImportsBack(t *testing.T) {
	now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	d := openStore(t, storetest.New(t, store.SQLite), service.Config{Now: now.now})
	x, calls := pb.NewExchangeServiceClient(within(d.server)), clientsOf(within(d.server))
	rapid.Check(t, func(r *rapid.T) {
		c, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{
			DisplayName: "Shed", TimeZone: rapid.SampledFrom([]string{"Europe/Berlin", "Australia/Lord_Howe", "America/St_Johns"}).Draw(r, "zone")}})
		if err != nil {
			r.Fatal(err)
		}
		parent, taken := c.GetName(), func(err error) bool { return err == nil }
		for i := range 3 {
			_, _ = calls.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: parent, BenchId: fmt.Sprint("b", i), Bench: &pb.Bench{
				DisplayName: plainText(200).Draw(r, "bench") + rapid.SampledFrom([]string{"", "x"}).Draw(r, "x"), Exposure: pb.Bench_Exposure(rapid.Int32Range(0, 4).Draw(r, "exposure"))}})
		}
		bench := rapid.SampledFrom([]string{"", parent + "/benches/b0", parent + "/benches/b1", parent + "/benches/b2"})
		day := rapid.Custom(func(r *rapid.T) *string {
			s := (civil.Date(2026, 5, 31) - civil.Day(rapid.IntRange(0, 60).Draw(r, "days"))).String()
			return &s
		})
		var plants []string
		for i := range rapid.IntRange(1, 4).Draw(r, "plants") {
			m := &pb.Plant{
				Tag: fmt.Sprint(i) + strings.TrimSpace(plainText(60).Draw(r, "tag")), Cultivar: rapid.SampledFrom([]string{"", "Alba", "B 52"}).Draw(r, "cultivar"),
				Clone: plainText(200).Draw(r, "clone"), Source: plainText(1000).Draw(r, "source"), Locality: plainText(1000).Draw(r, "locality"),
				Bench: bench.Draw(r, "bench"), Propagation: pb.Plant_Propagation(rapid.Int32Range(0, 9).Draw(r, "propagation")),
				TrapType: pb.Taxon_TrapType(rapid.Int32Range(0, 5).Draw(r, "trap")), Habit: pb.Taxon_Habit(rapid.Int32Range(0, 2).Draw(r, "habit")),
			}
			m.ScientificName = rapid.SampledFrom([]string{"Drosera capensis", "Nomen nudum", "Drosera nullicola", "Sarracenia × nullicola"}).Draw(r, "name")
			if rapid.Bool().Draw(r, "more") {
				m.AcquireDate, m.WalkOrder = day.Draw(r, "acquired"), proto.Int32(rapid.Int32Range(0, 1_000_000).Draw(r, "order"))
				m.Regimen = &pb.Regimen{IntervalDays: proto.Int32(rapid.Int32Range(1, 365).Draw(r, "interval")), CheckDays: []int32{3, 1}, CutStalks: proto.Bool(false),
					HandFeed: pb.Regimen_HandFeed(rapid.Int32Range(1, 3).Draw(r, "hand")).Enum()}
			}
			if p, err := calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: parent, Plant: m}); taken(err) {
				plants = append(plants, p.GetName())
			}
		}
		if len(plants) == 0 {
			return
		}
		of := rapid.SampledFrom(plants)
		when := rapid.Custom(func(r *rapid.T) *timestamppb.Timestamp {
			return timestamppb.New(time.UnixMicro(rapid.Int64Range(-2_208_900_000_000_000, 1_780_000_000_000_000).Draw(r, "us")))
		})
		for range rapid.IntRange(0, 6).Draw(r, "feedings") {
			m := &pb.Feeding{TrapsFed: proto.Int32(rapid.Int32Range(0, 9).Draw(r, "traps")), Note: plainText(4000).Draw(r, "note"), Feeder: plainText(200).Draw(r, "feeder")}
			if rapid.Bool().Draw(r, "by day") {
				m.FedDate = day.Draw(r, "day")
			} else {
				m.FedTime = when.Draw(r, "time")
			}
			if rapid.Bool().Draw(r, "told") {
				m.Outcome, m.Stimulated, m.ItemLengthMm = pb.Feeding_Outcome(rapid.Int32Range(1, 4).Draw(r, "outcome")), proto.Bool(rapid.Bool().Draw(r, "stroked")), proto.Float64(float64(rapid.IntRange(1, 1000).Draw(r, "tenths"))/10)
				m.Food = rapid.SampledFrom([]string{"", "foods/bloodworm-frozen", "foods/insect-caught"}).Draw(r, "food")
				if m.FedDate != nil {
					m.OutcomeDate = m.FedDate
				}
			}
			_, _ = calls.CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: of.Draw(r, "plant"), Feeding: m})
		}
		for range rapid.IntRange(0, 8).Draw(r, "observations") {
			text := plainText(1000).Draw(r, "text")
			fact := rapid.SampledFrom([]*pb.Observation{
				{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{RosetteDiameterMm: proto.Float64(31.25), WorkingTraps: proto.Int32(0)}}},
				{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_SEED_RIPE}},
				{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: 3}}},
				{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 4}}},
				{Fact: &pb.Observation_End_{End: &pb.Observation_End{State: pb.Observation_End_GIVEN_AWAY, Cause: text, Recipient: "a friend"}}},
				{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: parent + "/benches/b1"}}},
				{Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}},
				{Fact: &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}},
				{Fact: &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}},
				{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: text}}},
				{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: text, UntilDate: proto.String("2026-12-01")}}},
				{Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: "x" + text}}},
			}).Draw(r, "fact")
			m := proto.CloneOf(fact)
			m.Note = plainText(4000).Draw(r, "note")
			if rapid.Bool().Draw(r, "by day") {
				m.ObserveDate = day.Draw(r, "day")
			} else {
				m.ObserveTime = when.Draw(r, "time")
			}
			_, _ = calls.CreateObservation(t.Context(), &pb.CreateObservationRequest{Parent: of.Draw(r, "plant"), Observation: m})
		}
		if rapid.Bool().Draw(r, "off the bench") {
			_, _ = calls.UpdatePlant(t.Context(), &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: plants[0]}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"bench"}}})
		}
		tables := exportAll(t, x, parent, 0)
		for i, answer := range importAll(t, x, parent, tables) {
			for _, row := range answer.GetRows() {
				if row.GetResult() != pb.ImportResponse_UNCHANGED {
					r.Fatalf("table %d: %v of\n%q", i, row, []string{tables.plants, tables.feedings, tables.observations}[i])
				}
			}
		}
		if again := exportAll(t, x, parent, 0); again != tables {
			r.Fatalf("%q after %q", again, tables)
		}
	})
}

// anyTable is a table with headers that are known and cells that mean something in some
// column.
func anyTable(columns []rows.Column, always ...string) *rapid.Generator[string] {
	wild := []string{
		"b", "0", "3,5", "yes", "no", "-", "x", "=1+1", "2026-05-01", "1.5.2026", "1899-12-31", "08:00", "Drosera capensis", "taxa/drosera-capensis", "greenhouse",
		"outdoors", "south bench", "dead", "clean", "bloodworm-frozen", "flakes", "2 weeks", "1 3", "a note",
	}
	days := []string{"2026-05-01", "2026-05-02", "2026-05-31"}
	return rapid.Custom(func(r *rapid.T) string {
		lines := [][]string{slices.Clone(always)}
		for _, c := range rapid.SliceOfNDistinct(rapid.SampledFrom(columns), 1, 8, func(c rows.Column) string { return c.Gives }).Draw(r, "columns") {
			if !slices.Contains(always, c.Headers[0]) {
				lines[0] = append(lines[0], c.Headers[0])
			}
		}
		for range rapid.IntRange(1, 6).Draw(r, "rows") {
			var row []string
			for _, header := range lines[0] {
				pool := []string{"", "1", "2", "12"}
				if i := slices.IndexFunc(columns, func(c rows.Column) bool { return c.Headers[0] == header }); i >= 0 {
					switch c := columns[i]; {
					case c.Day:
						pool = append(slices.Clone(days), "")
					case c.Words != nil:
						pool = []string{""}
						for _, words := range c.Words {
							pool = append(pool, words[0])
						}
					}
				}
				switch {
				case header == "tag":
					pool = []string{"A", "a", "B", "C3"}
				case strings.HasPrefix(header, "date"):
					pool = days
				case header == "scientific name":
					pool = []string{"Drosera capensis", "D. muscipula B52", "Nomen nudum", "Drosera nullicola 'Red'"}
				case header == "food":
					pool = []string{"", "flakes", "bloodworm-frozen"}
				case header == "note":
					pool = []string{"a note", ""}
				case rapid.IntRange(0, 14).Draw(r, "wild") == 0:
					pool = wild
				}
				row = append(row, rapid.SampledFrom(pool).Draw(r, header))
			}
			lines = append(lines, row)
		}
		var out strings.Builder
		w := csv.NewWriter(&out)
		w.Comma = ';'
		if err := w.WriteAll(lines); err != nil {
			r.Fatal(err)
		}
		return out.String()
	})
}

// TestAnyTableTwice brings any tables in, the rows that are right, and again: what was
// brought in stays as it is. What is given out then comes in again as it is, too.
func TestAnyTableTwice(t *testing.T) {
	now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	d := openStore(t, storetest.New(t, store.SQLite), service.Config{Now: now.now})
	x := pb.NewExchangeServiceClient(within(d.server))
	rapid.Check(t, func(r *rapid.T) {
		parent := newCollection(t, d)
		// Where tables contradict each other, each is right in its turn.
		columns := slices.DeleteFunc(rows.PlantColumns(), func(c rows.Column) bool { return c.Gives == "day measured" })
		plants := anyTable(columns, "tag", "scientific name").Draw(r, "plants")
		feedings := anyTable(rows.FeedingColumns(), "tag", "date fed").Draw(r, "feedings")
		observations := anyTable(rows.ObservationColumns(), "tag", "date", "note").Draw(r, "observations")
		var first []*pb.ImportResponse
		for n := range 2 {
			var answers []*pb.ImportResponse
			add := func(m *pb.ImportResponse, err error) {
				if reasonOf(status.Convert(err)) == service.InvalidTable {
					m, err = &pb.ImportResponse{}, nil // the table as a whole
				}
				if err != nil {
					r.Fatal(err)
				}
				answers = append(answers, m)
			}
			add(x.ImportPlants(t.Context(), &pb.ImportPlantsRequest{Parent: parent, Csv: []byte(plants), GoodRowsOnly: true}))
			add(x.ImportFeedings(t.Context(), &pb.ImportFeedingsRequest{Parent: parent, Csv: []byte(feedings), GoodRowsOnly: true}))
			add(x.ImportObservations(t.Context(), &pb.ImportObservationsRequest{Parent: parent, Csv: []byte(observations), GoodRowsOnly: true}))
			if n == 0 {
				first = answers
				continue
			}
			for i, answer := range answers {
				for k, row := range answer.GetRows() {
					was := first[i].GetRows()[k].GetResult()
					if was == pb.ImportResponse_NOT_WRITTEN || was != pb.ImportResponse_REFUSED && row.GetResult() != pb.ImportResponse_UNCHANGED {
						r.Fatalf("table %d: at first %v\nthen %v of\n%s\n%s", i, first[i].GetRows()[k], row, plants, []string{plants, feedings, observations}[i])
					}
				}
			}
		}
		tables := exportAll(t, x, parent, 0)
		for i, answer := range importAll(t, x, parent, tables) {
			for _, row := range answer.GetRows() {
				if row.GetResult() != pb.ImportResponse_UNCHANGED {
					r.Fatalf("table %d given out: %v of\n%s", i, row, []string{tables.plants, tables.feedings, tables.observations}[i])
				}
			}
		}
	})
}
