package api

import (
	"context"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/emptypb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
)

func someRequest() *pb.ComputeDueRequest {
	traps := int32(2)
	return &pb.ComputeDueRequest{AsOfDate: "2026-05-11", TimeZone: "Asia/Kathmandu", Plants: []*pb.ComputeDueRequest_Plant{{
		Key: "a", TrapType: pb.Taxon_ADHESIVE,
		Feedings: []*pb.Feeding{
			{FedTime: &timestamppb.Timestamp{Seconds: 1777640400}, TrapsFed: &traps},
			{FedDate: proto.String("2026-04-01"), Outcome: pb.Feeding_CLEAN}, // not in order: the engine sorts its own
		},
		Observations: []*pb.Observation{{ObserveDate: proto.String("2026-05-02"), Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_CUT}}},
	}}}
}

// The connection within the process answers as the one over the network does,
// and leaves the request as it was.
func TestInProcessAnswersAsGRPC(t *testing.T) {
	d := open(t)
	here, away := within(d.server), d.conn
	for _, c := range []struct {
		method     string
		ask, reply proto.Message
	}{
		{pb.DueService_ComputeDue_FullMethodName, someRequest(), &pb.ComputeDueResponse{}},
		{pb.DueService_ComputeDue_FullMethodName, &pb.ComputeDueRequest{AsOfDate: "2026-02-30"}, &pb.ComputeDueResponse{}},
		{pb.DueService_ComputeDue_FullMethodName, &pb.ComputeDueRequest{}, &pb.ComputeDueResponse{}},
		{pb.TaxonService_GetTaxon_FullMethodName, &pb.GetTaxonRequest{Name: "taxa/dionaea-muscipula"}, &pb.Taxon{}},
		{pb.TaxonService_GetTaxon_FullMethodName, &pb.GetTaxonRequest{Name: "taxa/rosa"}, &pb.Taxon{}},
		{pb.TaxonService_ListTaxa_FullMethodName, &pb.ListTaxaRequest{PageSize: 1000}, &pb.ListTaxaResponse{}},
		{pb.ServerService_GetServerInfo_FullMethodName, &pb.GetServerInfoRequest{}, &pb.ServerInfo{}},
		{"/dewbench.v1.TaxonService/Nothing", &pb.GetTaxonRequest{}, &pb.Taxon{}},
	} {
		ctx := metadata.AppendToOutgoingContext(context.Background(), requestIDHeader, "same-id")
		asked := proto.Clone(c.ask)
		there := proto.Clone(c.reply)
		var headerHere, headerAway metadata.MD
		errHere := here.Invoke(ctx, c.method, c.ask, c.reply, grpc.Header(&headerHere))
		if diff := cmp.Diff(asked, c.ask, protocmp.Transform()); diff != "" {
			t.Errorf("%s changed its request:\n%s", c.method, diff)
		}
		errAway := away.Invoke(ctx, c.method, c.ask, there, grpc.Header(&headerAway))
		if diff := cmp.Diff(there, c.reply, protocmp.Transform()); diff != "" {
			t.Errorf("%s (-network +process):\n%s", c.method, diff)
		}
		one, other := status.Convert(errHere).Proto(), status.Convert(errAway).Proto()
		if strings.HasSuffix(c.method, "Nothing") { // it does not reach the chain, which knows the id
			one.Details, other.Details = one.GetDetails()[:1], other.GetDetails()[:1]
		} else if id := headerHere.Get(requestIDHeader); len(id) != 1 || id[0] != "same-id" {
			t.Errorf("%s: header %v", c.method, headerHere)
		}
		if diff := cmp.Diff(other, one, protocmp.Transform()); diff != "" {
			t.Errorf("%s (-network +process):\n%s", c.method, diff)
		}
		if id := headerAway.Get(requestIDHeader); len(id) != 1 {
			t.Errorf("%s: header %v", c.method, headerAway)
		}
	}
}

// Many callers at once, by all ways in, do not disturb each other. (What the
// catalogue answers with is shared by all of them.)
func TestManyCallersAtOnce(t *testing.T) {
	d := open(t)
	list := func(conn grpc.ClientConnInterface) (proto.Message, error) {
		return pb.NewTaxonServiceClient(conn).ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 1000})
	}
	want, err := list(within(d.server))
	if err != nil {
		t.Fatal(err)
	}
	text := parseJSON(t, messageJSON(t, want))
	var wait sync.WaitGroup
	for _, conn := range []grpc.ClientConnInterface{d.conn, within(d.server)} {
		for range 4 {
			wait.Go(func() {
				if got, err := list(conn); err != nil || !proto.Equal(got, want) {
					t.Errorf("%v", err)
				}
			})
		}
	}
	for range 4 {
		wait.Go(func() {
			answer := d.sendRaw(t, "GET", "/v1/taxa?pageSize=1000", nil, nil)
			if !cmp.Equal(parseJSON(t, answer.body), text) {
				t.Errorf("status %d", answer.status)
			}
		})
		wait.Go(func() {
			if code, body := d.post(t, "/v1/dueFeedings:compute", messageJSON(t, someRequest())); code != 200 {
				t.Errorf("status %d: %s", code, body)
			}
		})
	}
	wait.Wait()
	if !cmp.Equal(parseJSON(t, messageJSON(t, want)), text) {
		t.Error("the answer changed under the hands of its reader")
	}
}

func TestShare(t *testing.T) {
	from := &pb.Absence{FromDate: "2026-05-01", UntilDate: "2026-05-02"}
	into := &pb.Absence{}
	if err := share(into, from); err != nil || !proto.Equal(into, from) {
		t.Errorf("%v, %v", into, err)
	}
	into.FromDate = "2026-01-01"
	if from.GetFromDate() != "2026-05-01" {
		t.Error("the copy is the original")
	}
	for _, c := range []struct{ into, from any }{{&pb.Absence{}, &emptypb.Empty{}}, {&pb.Absence{}, "text"}, {"text", &pb.Absence{}}, {nil, nil}} {
		if err := share(c.into, c.from); err == nil {
			t.Errorf("shared %T with %T", c.from, c.into)
		}
	}
	// All kinds of fields: absent and zero are not the same.
	zero := int32(0)
	feeding := &pb.Feeding{TrapsFed: &zero, Traps: []*pb.FedTrap{{}}, FedTime: &timestamppb.Timestamp{}}
	copied := &pb.Feeding{}
	if err := share(copied, feeding); err != nil || !proto.Equal(copied, feeding) || copied.TrapsFed == nil || copied.TrapsTarget != nil {
		t.Errorf("%v, %v", copied, err)
	}
}

func TestNoStreamsWithin(t *testing.T) {
	_, err := (&inProcess{}).NewStream(context.Background(), &grpc.StreamDesc{}, "/a/b")
	if status.Code(err) != codes.Unimplemented {
		t.Errorf("%v", err)
	}
}
