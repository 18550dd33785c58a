package api

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Who knows only the day of a division divides what was counted on it.
func TestDivideByDay(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k, ctx := openDesk(t, engine, "A"), t.Context()
		// It is 22:00 of 2 March where the plants are; they were counted at 17:00.
		m := counted(10)
		m.ObserveTime = timestamppb.New(time.Date(2026, 3, 2, 4, 0, 0, 0, time.UTC))
		if _, err := k.CreateObservation(ctx, &pb.CreateObservationRequest{Parent: k.plant("a"), Observation: m}); err != nil {
			t.Fatal(err)
		}
		answer, err := k.DividePlant(ctx, &pb.DividePlantRequest{Name: k.plant("a"), Tags: []string{"B", "C", "D"}, DivideDate: proto.String("2026-03-02"), RequestId: "d"})
		if err != nil {
			t.Fatal(err)
		}
		if got := k.get(t, "a").GetQuantity(); got != 7 {
			t.Errorf("%d of 10 are left after three were taken", got)
		}
		for _, o := range answer.GetObservations() {
			if o.GetObserveDate() != "2026-03-02" {
				t.Errorf("%s is of %s", o.GetName(), o.GetObserveDate())
			}
		}
		if _, err := k.Undo(ctx, &pb.UndoRequest{Name: k.name, RequestId: "d"}); err != nil {
			t.Fatal(err)
		}
		if got := k.get(t, "a").GetQuantity(); got != 10 {
			t.Errorf("%d of 10 are left after all was undone", got)
		}
	})
}

// Undoing a division does not throw away what was written of the new plants since.
func TestUndoOfTouchedDivision(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k, ctx := openDesk(t, engine, "A"), t.Context()
		k.observe(t, "a", "ten", "2026-03-01", counted(10))
		k.add(time.Hour)
		answer, err := k.DividePlant(ctx, &pb.DividePlantRequest{Name: k.plant("a"), Tags: []string{"B"}, Quantities: []int32{3}, RequestId: "d"})
		if err != nil {
			t.Fatal(err)
		}
		plant := answer.GetPlants()[0].GetName()
		var count *pb.Observation
		for _, o := range answer.GetObservations() {
			if o.GetPlant() == plant && o.GetCount() != nil {
				count = o
			}
		}
		if _, err := k.UpdateObservation(ctx, &pb.UpdateObservationRequest{Observation: &pb.Observation{Name: count.GetName(), Note: "mine"}}); err != nil {
			t.Fatal(err)
		}
		if _, err := k.Undo(ctx, &pb.UndoRequest{Name: k.name, RequestId: "d"}); reasonIn(err) != "CHANGED_SINCE" {
			t.Errorf("undone: %v", err)
		}
		if p, err := k.GetPlant(ctx, &pb.GetPlantRequest{Name: plant}); err != nil || p.GetDeleteTime() != nil {
			t.Errorf("the new plant: %v, %v", p, err)
		}
	})
}
