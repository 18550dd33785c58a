package api

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// clientsOfExchange are the calls that bring tables in and give them out.
type exchanged struct {
	plants, feedings, observations string
}

// export gives all tables of a collection out, by pages of some rows.
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

// all tells whether all rows came to a result; it names the others.
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
