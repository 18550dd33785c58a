package api

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	rules "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/reflect/protoreflect"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// A small request that stands for millions of entries is refused before it is
// decoded, over both doors.
func TestEntriesAreCountedFirst(t *testing.T) {
	d := open(t)
	empty := strings.Repeat("{},", mostObjects+1)
	body := `{"asOfDate":"2026-05-11","plants":[{"key":"a","feedings":[` + empty + `{}]}]}`
	answer := d.sendRaw(t, "POST", "/v1/dueFeedings:compute", nil, []byte(body))
	if answer.status != http.StatusRequestEntityTooLarge || !strings.Contains(string(answer.body), string(requestTooLarge)) {
		t.Errorf("JSON: status %d: %.300s", answer.status, answer.body)
	}

	plant := &pb.ComputeDueRequest_Plant{Key: "a", Feedings: slices.Repeat([]*pb.Feeding{{}}, mostFields+1)}
	wire, err := proto.Marshal(&pb.ComputeDueRequest{AsOfDate: "2026-05-11", Plants: []*pb.ComputeDueRequest_Plant{plant}})
	if err != nil {
		t.Fatal(err)
	}
	_, _, err = d.callRaw(t.Context(), pb.DueService_ComputeDue_FullMethodName, wire)
	if s := status.Convert(err); s.Code() != codes.ResourceExhausted || reasonOf(s) != requestTooLarge {
		t.Errorf("protobuf: %v", err)
	}
}

// A list that is too long is named without a look at its entries.
func TestLongListsAreNamedFirst(t *testing.T) {
	d := open(t)
	body := `{"asOfDate":"2026-05-11","plants":[{"key":"a","observations":[` + strings.Repeat("{},", 300_000) + `{}]}]}`
	answer := d.sendRaw(t, "POST", "/v1/dueFeedings:compute", nil, []byte(body))
	if answer.status != http.StatusBadRequest || len(answer.body) > 2000 ||
		!strings.Contains(string(answer.body), "plants[0].observations: must hold at most 2000 entries") {
		t.Errorf("status %d: %.500s", answer.status, answer.body)
	}
}

// The count never falls short of the entries that there are, and an honest
// request stays far below the limit.
func TestFields(t *testing.T) {
	request := someRequest()
	wire, err := proto.Marshal(request)
	if err != nil {
		t.Fatal(err)
	}
	entries := 0
	for _, p := range request.GetPlants() {
		entries += 1 + len(p.GetFeedings()) + len(p.GetObservations()) + len(p.GetMoves())
	}
	if got := fields(wire, wireDepth); got < entries || got > len(wire) {
		t.Errorf("%d entries counted, there are %d in %d bytes", got, entries, len(wire))
	}
	days := make([]*pb.Feeding, 2000)
	for i := range days {
		days[i] = &pb.Feeding{FedDate: proto.String("2026-05-01")}
	}
	shortest, err := proto.Marshal(&pb.ComputeDueRequest{Plants: []*pb.ComputeDueRequest_Plant{{Key: "a", Feedings: days}}})
	if err != nil {
		t.Fatal(err)
	}
	if perField := float64(len(shortest)) / float64(fields(shortest, wireDepth)); service.MaxRequestBytes/perField > mostFields {
		t.Errorf("%.1f bytes a field: an honest request meets the limit", perField)
	}
}

// No text of a request holds a NUL, by whichever door it comes and wherever the text
// stands: Postgres could not keep it.
func TestNULIsRefused(t *testing.T) {
	d := open(t)
	const rule = "must not hold a NUL character"
	for _, c := range []struct{ method, target, body, field string }{
		{"POST", "/v1/dueFeedings:compute", `{"asOfDate":"2026-05-11","plants":[{"key":"a"},{"key":"a\u0000b"}]}`, "plants[1].key"},
		{"POST", "/v1/dueFeedings:compute", `{"asOfDate":"2026-05-11","plants":[{"key":"a","feedings":[{"fedDate":"2026-05-01","note":"\u0000"}]}]}`, "plants[0].feedings[0].note"},
		{"POST", "/v1/dueFeedings:compute", `{"asOfDate":"2026-05-11\u0000"}`, "asOfDate"},
		{"POST", "/v1/collections", `{"displayName":"a\u0000","timeZone":"UTC"}`, "collection.displayName"},
		{"POST", "/v1/collections/c/plants", `{"tag":"a","taxon":"taxa/dionaea-muscipula","parents":["a","b\u0000"]}`, "plant.parents[1]"},
		{"POST", "/v1/collections/c/plants/p/observations", `{"health":{"text":"\u0000 spots"}}`, "observation.health.text"},
		{"POST", "/v1/collections/c/plants/-/feedings?tag=%00", `{}`, "tag"},
		{"PATCH", "/v1/collections/c/plants/p?updateMask=tag,%00", `{"tag":"a"}`, "updateMask.paths[1]"},
		{"POST", "/v1/collections/c/plants:batchUpdate", `{"requests":[{"plant":{"name":"collections/c/plants/p","note":"a"}},{"plant":{"clone":"\u0000"}}]}`, "note"},
		{"POST", "/v1/collections/c/plants:batchUpdate", `{"requests":[{"plant":{"name":"collections/c/plants/p"}},{"plant":{"clone":"\u0000"}}]}`, "requests[1].plant.clone"},
		{"GET", "/v1/collections/c/plants/p%00", "", "name"},
		{"GET", "/v1/taxa?filter=genus%20%3D%20%22%00%22", "", "filter"},
		{"GET", "/v1/taxa?pageToken=%00", "", "pageToken"},
	} {
		answer := d.sendRaw(t, c.method, c.target, nil, []byte(c.body))
		checkError(t, answer.body)
		want := c.field + ": " + rule
		if c.field == "note" {
			want = `requests[0].plant.note: is not a field` // the decoder is first
		}
		if message, _ := errorOf(t, answer.body)["message"].(string); answer.status != http.StatusBadRequest || !strings.Contains(message, want) {
			t.Errorf("%s %s %s: status %d, %q", c.method, c.target, c.body, answer.status, message)
		}
	}
	_, err := pb.NewFeedingServiceClient(d.conn).BatchCreateFeedings(t.Context(), &pb.BatchCreateFeedingsRequest{
		Parent: "collections/c/plants/-", Requests: []*pb.CreateFeedingRequest{{}, {Feeding: &pb.Feeding{Note: "a\x00", Food: "\x00"}}},
	})
	if s := status.Convert(err); reasonOf(s) != service.InvalidFields || s.Message() != "requests[1].feeding.food: "+rule+"; requests[1].feeding.note: "+rule {
		t.Errorf("protobuf: %v", err)
	}
}

// survey does not know maps, and no request has one; of bytes it knows tables, archives and
// photos, which are read by rules of their own. Numbers of a request are finite: each has a
// rule that says so, or bounds.
func TestShapeOfRequests(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	var look func(protoreflect.MessageDescriptor)
	look = func(d protoreflect.MessageDescriptor) {
		if seen[d.FullName()] {
			return
		}
		seen[d.FullName()] = true
		for i := range d.Fields().Len() {
			f := d.Fields().Get(i)
			switch {
			case f.IsMap(), f.Kind() == protoreflect.BytesKind && f.Name() != "csv" && f.Name() != "archive" && f.FullName() != "dewbench.v1.CreatePhotoRequest.data":
				t.Errorf("%s is a map or bytes", f.FullName())
			case f.Kind() == protoreflect.DoubleKind, f.Kind() == protoreflect.FloatKind:
				told := slices.Contains(behaviours(f), annotations.FieldBehavior_OUTPUT_ONLY)
				set, _ := proto.GetExtension(f.Options(), rules.E_Field).(*rules.FieldRules)
				if r := set.GetDouble(); !told && !r.GetFinite() && (r.GetLessThan() == nil || r.GetGreaterThan() == nil) {
					t.Errorf("%s takes NaN or infinity", f.FullName())
				}
			case f.Message() != nil && !slices.Contains(behaviours(f), annotations.FieldBehavior_OUTPUT_ONLY):
				look(f.Message())
			}
		}
	}
	for _, rt := range newServer(t).gateway.routes {
		look(rt.call.Input())
	}
}

func behaviours(f protoreflect.FieldDescriptor) []annotations.FieldBehavior {
	all, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return all
}

// BenchmarkValidate validates what BenchmarkDoors sends.
func BenchmarkValidate(b *testing.B) {
	validator, err := protovalidate.New()
	if err != nil {
		b.Fatal(err)
	}
	req := manyPlants(400)
	b.Run("survey", func(b *testing.B) {
		for b.Loop() {
			var found []service.Violation
			survey(req.ProtoReflect(), nil, &found)
		}
	})
	b.Run("whole", func(b *testing.B) {
		for b.Loop() {
			if err := validate(b.Context(), validator, req); err != nil {
				b.Fatal(err)
			}
		}
	})
}
