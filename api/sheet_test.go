package api

import (
	"fmt"
	"regexp"
	"slices"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// TestSheetsAtOnce makes sheets from several callers at the same time: each gets a number
// of its own, and none is left out.
func TestSheetsAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		sheets := pb.NewSheetServiceClient(d.conn)
		const callers, each = 4, 5
		made := make([][]string, callers)
		var group errgroup.Group
		for i := range callers {
			group.Go(func() error {
				for range each {
					m, err := sheets.CreateSheet(t.Context(), &pb.CreateSheetRequest{Parent: "collections/house", Benches: []string{"collections/house/benches/spare"}})
					if err != nil {
						return err
					}
					made[i] = append(made[i], m.GetName())
				}
				return nil
			})
		}
		if err := group.Wait(); err != nil {
			t.Fatal(err)
		}
		all := slices.Concat(made...)
		for n := int64(1); n <= callers*each; n++ {
			if name := store.SheetName("house", n); !slices.Contains(all, name) {
				t.Errorf("%s was not made", name)
			}
		}
	})
}

// TestSheetOfManyPlants makes a sheet of a thousand plants, records its sessions by the
// rows, and finds that every plant was fed what the sheet has, but for the exceptions; and
// that a sheet has no more rows than it may have.
func TestSheetOfManyPlants(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		d := openStore(t, storetest.New(t, engine), service.Config{Now: func() time.Time { return now }})
		calls := clientsOf(d.conn)
		sheets, sessions := pb.NewSheetServiceClient(d.conn), pb.NewSessionServiceClient(d.conn)
		c, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin"}})
		if err != nil {
			t.Fatal(err)
		}
		parent := c.GetName()
		b, err := calls.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: parent, Bench: &pb.Bench{DisplayName: "Shelf", Exposure: pb.Bench_WINDOWSILL}})
		if err != nil {
			t.Fatal(err)
		}
		add := func(from, to int) {
			t.Helper()
			req := &pb.BatchCreatePlantsRequest{Parent: parent}
			for i := from; i < to; i++ {
				req.Requests = append(req.Requests, &pb.CreatePlantRequest{Plant: &pb.Plant{
					Tag: fmt.Sprintf("T%04d", i), Taxon: "taxa/drosera-spatulata", Bench: b.GetName(), AcquireDate: proto.String("2025-01-01"),
				}})
			}
			if _, err := calls.BatchCreatePlants(t.Context(), req); err != nil {
				t.Fatal(err)
			}
		}
		add(0, 1000)
		sheet, err := sheets.CreateSheet(t.Context(), &pb.CreateSheetRequest{Parent: parent})
		if err != nil {
			t.Fatal(err)
		}
		if sheet.GetRowCount() != 1000 || len(sheet.GetRows()) != 1000 {
			t.Fatalf("%d rows, %d are told", len(sheet.GetRows()), sheet.GetRowCount())
		}
		for i, row := range sheet.GetRows() {
			if row.GetRow() != int32(i+1) || row.GetTag() != fmt.Sprintf("T%04d", i) {
				t.Fatalf("row %d is %d, %s", i+1, row.GetRow(), row.GetTag())
			}
		}
		answer, err := sessions.RecordSession(t.Context(), &pb.RecordSessionRequest{
			Name: b.GetName(), Sheet: sheet.GetName(), Except: []*pb.RecordSessionRequest_Exception{
				{Row: proto.Int32(1000), TrapsFed: proto.Int32(1)}, {Row: proto.Int32(7), Skip: true},
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		fed := map[string]int32{}
		for _, f := range answer.GetFeedings() {
			fed[f.GetPlant()] = f.GetTrapsFed()
		}
		for i, row := range sheet.GetRows() {
			want := row.GetTasks()[0].GetTraps()
			switch i + 1 {
			case 7:
				want = 0
			case 1000:
				want = 1
			}
			if fed[row.GetPlant()] != want {
				t.Errorf("row %d was fed %d traps, want %d", i+1, fed[row.GetPlant()], want)
			}
		}
		add(1000, 2000)
		add(2000, 3000)
		add(3000, 3002) // with 999 that were fed, that are 2,003
		if _, err := sheets.CreateSheet(t.Context(), &pb.CreateSheetRequest{Parent: parent}); reasonOf(status.Convert(err)) != "TOO_MANY_PLANTS" {
			t.Errorf("more than 2,000 rows: %v", err)
		}
		if _, err := sheets.PrintLabels(t.Context(), &pb.PrintLabelsRequest{Parent: parent}); reasonOf(status.Convert(err)) != "TOO_MANY_PLANTS" {
			t.Errorf("more than 2,000 labels: %v", err)
		}
	})
}

// TestSheetsByTags makes plants without places on their bench: labels and what a session
// recorded come as people count, L2 before L10 (the order of the tags is written by hand).
func TestSheetsByTags(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		calls := clientsOf(d.conn)
		bench := "collections/house/benches/spare"
		req := &pb.BatchCreatePlantsRequest{Parent: "collections/house"}
		for _, tag := range []string{"L10", "L2", "l1", "L9b"} {
			req.Requests = append(req.Requests, &pb.CreatePlantRequest{Plant: &pb.Plant{
				Tag: tag, Taxon: "taxa/drosera-spatulata", Bench: bench, AcquireDate: proto.String("2025-01-01"),
			}})
		}
		if _, err := calls.BatchCreatePlants(t.Context(), req); err != nil {
			t.Fatal(err)
		}
		want := []string{"l1", "L2", "L9b", "L10"}
		page, err := pb.NewSheetServiceClient(d.conn).PrintLabels(t.Context(), &pb.PrintLabelsRequest{Parent: "collections/house", Benches: []string{bench}})
		if err != nil {
			t.Fatal(err)
		}
		var labels []string
		for _, m := range regexp.MustCompile(`aria-label="QR code of (\w+)"`).FindAllStringSubmatch(string(page.GetData()), -1) {
			labels = append(labels, m[1])
		}
		if !slices.Equal(labels, want) {
			t.Errorf("labels of %v, want %v", labels, want)
		}
		answer, err := pb.NewSessionServiceClient(d.conn).RecordSession(t.Context(), &pb.RecordSessionRequest{Name: bench, ValidateOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		tagOf := map[string]string{}
		plants, err := calls.ListPlants(t.Context(), &pb.ListPlantsRequest{Parent: "collections/house", Filter: fmt.Sprintf("bench = %q", bench)})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range plants.GetPlants() {
			tagOf[p.GetName()] = p.GetTag()
		}
		var fed []string
		for _, f := range answer.GetFeedings() {
			fed = append(fed, tagOf[f.GetPlant()])
		}
		if !slices.Equal(fed, want) {
			t.Errorf("fed are %v, want %v", fed, want)
		}
	})
}

// TestWholeSheet records a whole sheet as one call: repeated it acts once, undone it is as
// before, also for the plant that stands on no bench; and what fails is not half written.
func TestWholeSheet(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		calls, sheets, sessions := clientsOf(d.conn), pb.NewSheetServiceClient(d.conn), pb.NewSessionServiceClient(d.conn)
		free, err := calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: "collections/house", Plant: &pb.Plant{
			Tag: "F1", Taxon: "taxa/drosera-capensis", AcquireDate: proto.String("2025-01-01"),
		}})
		if err != nil {
			t.Fatal(err)
		}
		sheet, err := sheets.CreateSheet(t.Context(), &pb.CreateSheetRequest{Parent: "collections/house"})
		if err != nil {
			t.Fatal(err)
		}
		rows := sheet.GetRows()
		if last := rows[len(rows)-1]; last.GetPlant() != free.GetName() || last.GetBench() != "" {
			t.Fatalf("the last row is %v", last)
		}
		feedings := func() (all []string) {
			t.Helper()
			page, err := calls.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: "collections/house/plants/-", PageSize: 1000})
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range page.GetFeedings() {
				all = append(all, f.GetName())
			}
			return all
		}
		before := feedings()
		req := &pb.RecordSessionRequest{Name: "collections/house", Sheet: sheet.GetName(), RequestId: "whole"}
		wrong := proto.CloneOf(req)
		wrong.RequestId, wrong.Except = "wrong", []*pb.RecordSessionRequest_Exception{{Row: proto.Int32(int32(len(rows) + 1)), Skip: true}}
		if _, err := sessions.RecordSession(t.Context(), wrong); reasonOf(status.Convert(err)) != "INVALID_FIELDS" {
			t.Errorf("a row that is not there: %v", err)
		}
		if got := feedings(); !slices.Equal(got, before) {
			t.Errorf("what was refused left %v, want %v", got, before)
		}
		first, err := sessions.RecordSession(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		if len(first.GetFeedings()) != len(rows) || len(first.GetSkipped()) > 0 {
			t.Fatalf("%d rows, recorded %v", len(rows), first)
		}
		for i, f := range first.GetFeedings() {
			if f.GetPlant() != rows[i].GetPlant() {
				t.Errorf("feeding %d is of %s, row %d of %s", i, f.GetPlant(), i+1, rows[i].GetPlant())
			}
		}
		again, err := sessions.RecordSession(t.Context(), req)
		if err != nil || !proto.Equal(first, again) {
			t.Errorf("repeated: %v, %v", again, err)
		}
		if _, err := sessions.Undo(t.Context(), &pb.UndoRequest{Name: "collections/house", RequestId: "whole"}); err != nil {
			t.Fatal(err)
		}
		if got := feedings(); !slices.Equal(got, before) {
			t.Errorf("undone it left %v, want %v", got, before)
		}
	})
}
