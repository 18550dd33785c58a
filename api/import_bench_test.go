package api

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	"dewbench/store"
	"dewbench/store/storetest"
)

// BenchmarkImport brings 5,000 plants and 50,000 feedings into an empty collection on
// SQLite, as it is served, over gRPC. Meanwhile another caller changes a plant of
// another collection again and again: "longest-wait-s" is the longest that took.
func BenchmarkImport(b *testing.B) {
	const plants, sessions = 5000, 10
	var plantRows, feedingRows strings.Builder
	plantRows.WriteString("Tag,Name,Bench,Exposure,Acquired\n")
	feedingRows.WriteString("Tag,Date,Traps,Outcome\n")
	last := civil.Of(time.Now(), time.UTC) - 1
	for i := range plants {
		fmt.Fprintf(&plantRows, "T%04d,Drosera spatulata,bench %d,greenhouse,2024-03-09\n", i, i%40)
		for k := range sessions {
			fmt.Fprintf(&feedingRows, "T%04d,%s,2,clean\n", i, last-civil.Day(11*k+i%14))
		}
	}
	for b.Loop() {
		b.StopTimer()
		d := openStore(b, storetest.New(b, store.SQLite, func(o *store.Options) { o.RelaxedSync, o.Guard = false, false }), service.Config{}, slog.DiscardHandler)
		calls, x := clientsOf(d.conn), pb.NewExchangeServiceClient(d.conn)
		var parents [2]string
		for i := range parents {
			c, err := calls.CreateCollection(b.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Nursery", TimeZone: "Europe/Berlin"}})
			if err != nil {
				b.Fatal(err)
			}
			parents[i] = c.GetName()
		}
		p, err := calls.CreatePlant(b.Context(), &pb.CreatePlantRequest{Parent: parents[1], Plant: &pb.Plant{Tag: "A", Taxon: "taxa/drosera-capensis"}})
		if err != nil {
			b.Fatal(err)
		}
		ctx, stop := context.WithCancel(b.Context())
		waited := make(chan time.Duration, 1)
		go func() {
			longest := time.Duration(0)
			for n := 0; ctx.Err() == nil; n++ {
				begin := time.Now()
				if _, err := calls.UpdatePlant(context.WithoutCancel(ctx), &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: p.GetName(), Clone: fmt.Sprint(n)}}); err != nil {
					b.Errorf("the other writer: %v", err)
				}
				longest = max(longest, time.Since(begin))
			}
			waited <- longest
		}()
		b.StartTimer()
		begin := time.Now()
		first, err := x.ImportPlants(b.Context(), &pb.ImportPlantsRequest{Parent: parents[0], Csv: []byte(plantRows.String())})
		if err != nil || len(first.GetRows()) != plants {
			b.Fatal(len(first.GetRows()), err)
		}
		b.ReportMetric(time.Since(begin).Seconds(), "plants-s")
		begin = time.Now()
		second, err := x.ImportFeedings(b.Context(), &pb.ImportFeedingsRequest{Parent: parents[0], Csv: []byte(feedingRows.String())})
		if err != nil || len(second.GetTotals()) != 1 || second.GetTotals()[0].GetResult() != pb.ImportResponse_CREATED {
			b.Fatal(second.GetTotals(), err)
		}
		b.ReportMetric(time.Since(begin).Seconds(), "feedings-s")
		b.StopTimer()
		stop()
		b.ReportMetric((<-waited).Seconds(), "longest-wait-s")
		begin = time.Now()
		again, err := x.ImportFeedings(b.Context(), &pb.ImportFeedingsRequest{Parent: parents[0], Csv: []byte(feedingRows.String())})
		if err != nil || len(again.GetTotals()) != 1 || again.GetTotals()[0].GetResult() != pb.ImportResponse_UNCHANGED {
			b.Fatal(again.GetTotals(), err)
		}
		b.ReportMetric(time.Since(begin).Seconds(), "again-s")
		b.StartTimer()
	}
}
