package store_test

import (
	"errors"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// newSheet makes a bench sheet of n rows.
func (b bed) newSheet(n int, by store.By, expireUs int64) *pb.Sheet {
	b.Helper()
	m := &pb.Sheet{
		AsOfDate:   "2026-05-11",
		Benches:    []*pb.DayPlan_BenchPlan{{DisplayName: "Sill", Portions: []*pb.DayPlan_Portion{{Food: "foods/f", Traps: 3, Plants: 1}}}},
		Portions:   []*pb.DayPlan_Portion{{Food: "foods/f", MaxItemLengthMm: proto.Float64(4.2), Cut: true, Traps: 3, Plants: 1}},
		OtherFoods: []string{"foods/g"},
	}
	for i := range n {
		m.Rows = append(m.Rows, &pb.Sheet_Row{
			Row: int32(i + 1), Plant: store.PlantName("c1", "p"), Tag: "D1 ‘é’ \u202eא",
			Tasks: []*pb.Sheet_Task{{Kind: pb.DayPlan_Task_FEED, Traps: 3, Instructions: []pb.DueFeeding_Instruction{pb.DueFeeding_CUT_TO_LENGTH}}},
		})
	}
	return put(b, func(c *store.Collection) (*pb.Sheet, error) {
		made, err := c.CreateSheet(m, by, expireUs)
		if err == nil {
			m.Name, m.RowCount = made.GetName(), int32(n)
			m.CreateTime, m.ExpireTime = stampOf(by.Us), stampOf(expireUs)
			tells(b, "the sheet", made, m)
		}
		return made, err
	})
}

// Sheets are numbered, come back as they were made, and are listed the latest first
// without what they tell.
func TestSheets(t *testing.T) {
	each(t, func(b bed) {
		for i := range 3 {
			m := b.newSheet(i*700, at(int64(i)), noon+int64(i))
			if want := store.SheetName("c1", int64(i+1)); m.GetName() != want {
				b.Errorf("name %s, want %s", m.GetName(), want)
			}
		}
		b.in(func(c *store.Collection) error {
			if _, err := c.Sheet(4); !errors.Is(err, store.ErrNotFound) {
				b.Errorf("a sheet that is not there: %v", err)
			}
			first, next, err := c.Sheets(store.List{Limit: 2, Desc: true})
			if err != nil {
				return err
			}
			rest, end, err := c.Sheets(store.List{Limit: 2, Desc: true, After: next})
			if err != nil {
				return err
			}
			if end != nil {
				b.Errorf("a page after the last one: %v", end)
			}
			var want []*pb.Sheet
			for i := int64(2); i >= 0; i-- {
				want = append(want, &pb.Sheet{
					Name: store.SheetName("c1", i+1), AsOfDate: "2026-05-11", RowCount: int32(i) * 700,
					CreateTime: stampOf(at(i).Us), ExpireTime: stampOf(noon + i),
				})
			}
			tells(b, "the list", append(first, rest...), want)
			return nil
		})
	})
}

// A purge takes what has expired, but not the latest, so that no number comes twice.
func TestPurgeOfSheets(t *testing.T) {
	each(t, func(b bed) {
		for i := range 3 {
			b.newSheet(1, at(int64(i)), noon+10)
		}
		b.goes(noon+9, map[string]int64{})
		b.goes(noon+10, map[string]int64{"sheets": 2})
		b.goes(noon+1000, map[string]int64{})
		if m := b.newSheet(1, at(2000), noon+3000); m.GetName() != store.SheetName("c1", 4) {
			b.Errorf("the next is %s", m.GetName())
		}
		b.in(func(c *store.Collection) error {
			_, err := c.Delete(at(2001), noon+4000, agree)
			return err
		})
		b.goes(noon+4000, map[string]int64{"sheets": 2, "collections": 1, "revisions": 2, "collection_audits": 2})
	})
}

// More than 1,000 sheets are not kept: the oldest go.
func TestSheetsAreNotMany(t *testing.T) {
	each(t, func(b bed) {
		b.in(func(c *store.Collection) error {
			for range 1002 {
				if _, err := c.CreateSheet(&pb.Sheet{AsOfDate: "2026-05-11"}, at(1), noon); err != nil {
					return err
				}
			}
			var there []bool
			for _, n := range []int64{1, 2, 3, 1002} {
				switch _, err := c.Sheet(n); {
				case err == nil:
					there = append(there, true)
				case errors.Is(err, store.ErrNotFound):
					there = append(there, false)
				default:
					return err
				}
			}
			if !slices.Equal(there, []bool{false, false, true, true}) {
				b.Errorf("sheets 1, 2, 3 and 1002 are there: %v", there)
			}
			all, next, err := c.Sheets(store.List{Limit: 1001})
			if len(all) != 1000 || next != nil {
				b.Errorf("%d sheets are kept, and %v", len(all), next)
			}
			return err
		})
	})
}

// The number of a sheet is what its name ends in.
func TestSheetNumber(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]int64{
		"collections/c/sheets/12": 12, "collections/c/sheets/999999999": 999999999,
		"collections/c/sheets/x": 0, "collections/c": 0, "": 0, "collections/c/sheets/99999999999999999999": 0,
	} {
		if got := store.SheetNumber(name); got != want {
			t.Errorf("%s: %d, want %d", name, got, want)
		}
	}
}
