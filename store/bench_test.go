package store_test

import (
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

func TestBenchAtTheEdges(t *testing.T) {
	each(t, func(b bed) {
		all := []*pb.Bench{
			{},
			{LampHours: proto.Float64(0), WalkOrder: proto.Int32(0)},
			{LampHours: proto.Float64(24), WalkOrder: proto.Int32(1_000_000)},
			{LampHours: proto.Float64(14.1)},
			{Regimen: &pb.Regimen{}}, // not the same as none
			{Regimen: &pb.Regimen{IntervalDays: proto.Int32(7), CheckDays: []int32{3}}},
			{DisplayName: strings.Repeat("𝅘𝅥𝅮", 200)}, // the text that grows most when it is folded
			{DisplayName: " ' OR 1=1; --"},
		}
		for n := range pb.Bench_Exposure_name {
			all = append(all, &pb.Bench{Exposure: pb.Bench_Exposure(n)})
		}
		for n, want := range all {
			id := fmt.Sprint("n", n)
			want.Name = store.BenchName("c1", id)
			made := put(b, func(c *store.Collection) (*pb.Bench, error) { return c.CreateBench(want, at(0)) })
			want.CreateTime, want.UpdateTime, want.Etag = stampOf(noon), stampOf(noon), made.GetEtag()
			tells(b, "made", made, want)
			tells(b, "read", get(b, func(c *store.Collection) (*pb.Bench, error) { return c.Bench(id) }), want)
		}
	})
}

func TestAllBenches(t *testing.T) {
	each(t, func(b bed) {
		if all := get(b, (*store.Collection).AllBenches); len(all) != 0 {
			b.Errorf("benches of an empty collection: %v", all)
		}
		b.benches("b", "a", "b-1", "b1")
		b.in(func(c *store.Collection) error {
			_, err := c.DeleteBench("b1", at(1), noon+1, agree)
			return err
		})
		var ids []string
		for _, m := range get(b, (*store.Collection).AllBenches) {
			ids = append(ids, store.Segment(m.GetName(), "benches"))
			if (m.GetDeleteTime() != nil) != (m.GetName() == "collections/c1/benches/b1") {
				b.Errorf("%s is deleted: %v", m.GetName(), m.GetDeleteTime())
			}
		}
		tells(b, "ids", ids, []string{"a", "b", "b-1", "b1"})
	})
}

func TestOnBench(t *testing.T) {
	each(t, func(b bed) {
		b.benches("b1", "b2")
		b.plants("loose", "stands", "moved-here", "dead", "deleted", "left")
		settle := func(id, bench string, state pb.Plant_State) {
			b.in(func(c *store.Collection) error {
				_, err := c.Settle(id, store.Standing{Bench: bench, Quantity: 5, State: state}, at(1))
				return err
			})
		}
		settle("stands", "b1", pb.Plant_GROWING)
		settle("moved-here", "b2", pb.Plant_GROWING)
		settle("moved-here", "b1", pb.Plant_GROWING)
		settle("dead", "b1", pb.Plant_DEAD)
		settle("left", "b1", pb.Plant_GROWING)
		settle("left", "b2", pb.Plant_GROWING)
		settle("deleted", "b1", pb.Plant_GROWING)
		b.in(func(c *store.Collection) error {
			_, err := c.DeletePlant("deleted", at(2), noon, agree)
			return err
		})
		for id, want := range map[string]int64{"b1": 2, "b2": 1, "b3": 0, "": 0} {
			if n := get(b, func(c *store.Collection) (int64, error) { return c.OnBench(id) }); n != want {
				b.Errorf("%d plants on %q, want %d", n, id, want)
			}
		}
	})
}
