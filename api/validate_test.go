package api

import (
	"net/http"
	"strings"
	"testing"

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

	plant := &pb.ComputeDueRequest_Plant{Key: "a", Feedings: make([]*pb.Feeding, mostFields+1)}
	for i := range plant.Feedings {
		plant.Feedings[i] = &pb.Feeding{}
	}
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
