package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
)

// manyPlants is a request of a grower with that many plants and a year of
// records.
func manyPlants(n int) *pb.ComputeDueRequest {
	req := &pb.ComputeDueRequest{AsOfDate: "2026-05-11", TimeZone: "Europe/Berlin"}
	day := func(i int) *string {
		return proto.String(time.Date(2025, 5, 1+i, 0, 0, 0, 0, time.UTC).Format(time.DateOnly))
	}
	for i := range n {
		p := &pb.ComputeDueRequest_Plant{
			Key: fmt.Sprint("plant-", i), Taxon: "taxa/drosera-capensis", Exposure: pb.Bench_WINDOWSILL, AcquireDate: proto.String("2025-01-01"),
		}
		for k := range 24 {
			traps := int32(1 + (i+k)%3)
			p.Feedings = append(p.Feedings, &pb.Feeding{
				FedDate: day(15*k + i%7), TrapsFed: &traps, Outcome: pb.Feeding_CLEAN, OutcomeDate: day(15*k + 3 + i%7),
			})
		}
		for k := range 6 {
			diameter := float64(60 + k)
			p.Observations = append(p.Observations, &pb.Observation{ObserveDate: day(60 * k), Fact: &pb.Observation_Measurement_{
				Measurement: &pb.Observation_Measurement{RosetteDiameterMm: &diameter}}})
		}
		req.Plants = append(req.Plants, p)
	}
	return req
}

// BenchmarkDoors computes what is due for 400 plants by each way in: within the
// process, over gRPC and over HTTP. "of-grpc" is the throughput over HTTP as a
// share of that over gRPC in the same run.
func BenchmarkDoors(b *testing.B) {
	const plants = 400
	d := open(b, slog.DiscardHandler)
	req := manyPlants(plants)
	body := messageJSON(b, req)
	here, across := pb.NewDueServiceClient(within(d.server)), pb.NewDueServiceClient(d.conn)
	compute := func(client pb.DueServiceClient) {
		answer, err := client.ComputeDue(context.Background(), req)
		if err != nil || len(answer.GetDecisions()) != plants {
			b.Fatalf("%d decisions, %v", len(answer.GetDecisions()), err)
		}
	}
	post := func() {
		answer, err := d.client.Post(d.url("/v1/dueFeedings:compute"), "application/json", bytes.NewReader(body))
		if err != nil {
			b.Fatal(err)
		}
		n, err := io.Copy(io.Discard, answer.Body)
		answer.Body.Close()
		if err != nil || answer.StatusCode != http.StatusOK || n < plants {
			b.Fatalf("status %d, %d bytes, %v", answer.StatusCode, n, err)
		}
	}
	perPlant := func(b *testing.B) float64 { return float64(b.Elapsed()) / float64(b.N) / plants }
	var overGRPC float64
	b.Run("in-process", func(b *testing.B) {
		for b.Loop() {
			compute(here)
		}
		b.ReportMetric(perPlant(b), "ns/plant")
	})
	b.Run("grpc", func(b *testing.B) {
		for b.Loop() {
			compute(across)
		}
		overGRPC = perPlant(b)
		b.ReportMetric(overGRPC, "ns/plant")
	})
	b.Run("http", func(b *testing.B) {
		for b.Loop() {
			post()
		}
		b.ReportMetric(perPlant(b), "ns/plant")
		if overGRPC > 0 {
			b.ReportMetric(overGRPC/perPlant(b), "of-grpc")
		}
	})
}
