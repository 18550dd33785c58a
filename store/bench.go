package store

import (
	"math"

	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// lastInWalk is the walk order of what has none: it comes after all that have one.
const lastInWalk = math.MaxInt32

func walkOrder(v *int32) int32 {
	if v == nil {
		return lastInWalk
	}
	return *v
}

func readWalkOrder(v int32) *int32 {
	if v == lastInWalk {
		return nil
	}
	return &v
}

type benchRow struct {
	CollectionID   string `gorm:"primaryKey"`
	BenchID        string `gorm:"primaryKey"`
	DisplayName    string
	DisplayNameKey string
	Exposure       int32
	LampHours      *float64
	WalkOrder      int32
	Regimen        *string // JSON
	CreateUs       int64
	UpdateUs       int64
	DeleteUs       *int64
	PurgeUs        *int64
	Version        int64
	Stamp          int32
}

func (benchRow) TableName() string { return "benches" }

func (r *benchRow) set(m *pb.Bench) error {
	r.DisplayName, r.DisplayNameKey = m.GetDisplayName(), Fold(m.GetDisplayName())
	r.Exposure, r.LampHours, r.WalkOrder = int32(m.GetExposure()), m.LampHours, walkOrder(m.WalkOrder)
	var err error
	r.Regimen, err = maybeText(m.GetRegimen())
	return err
}

func (r *benchRow) message() (*pb.Bench, error) {
	m := &pb.Bench{
		Name:        BenchName(r.CollectionID, r.BenchID),
		DisplayName: r.DisplayName,
		Exposure:    pb.Bench_Exposure(r.Exposure),
		LampHours:   r.LampHours,
		WalkOrder:   readWalkOrder(r.WalkOrder),
		CreateTime:  instant(r.CreateUs),
		UpdateTime:  instant(r.UpdateUs),
		DeleteTime:  maybe(r.DeleteUs),
		PurgeTime:   maybe(r.PurgeUs),
		Etag:        etag(r.CreateUs, r.Version),
	}
	if r.Regimen != nil {
		m.Regimen = &pb.Regimen{}
		return m, readText(*r.Regimen, m.Regimen)
	}
	return m, nil
}

var benchList = listing{
	fields: map[string]column{
		"displayName": {name: "display_name", folded: "display_name_key"},
		"exposure":    {name: "exposure"},
	},
	orders: map[string][]string{
		"name":        {"bench_id"},
		"walkOrder":   {"walk_order", "bench_id"},
		"displayName": {"display_name_key", "bench_id"},
	},
	usual:     "name",
	deletable: true,
	purged:    true,
}

func (c *Collection) bench(id string) *gorm.DB { return c.own().Where("bench_id = ?", id) }

// CreateBench adds a bench with the id that its name ends in.
func (c *Collection) CreateBench(m *pb.Bench, by By) (*pb.Bench, error) {
	r := benchRow{CollectionID: c.id, BenchID: Segment(m.GetName(), "benches"), CreateUs: by.Us, UpdateUs: by.Us, Version: 1, Stamp: stamp()}
	if err := r.set(m); err != nil {
		return nil, err
	}
	if err := c.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	if err := c.revised(BenchKind, "", r.BenchID, 1, pb.Revision_CREATED, by, nil); err != nil {
		return nil, err
	}
	return r.message()
}

// Bench returns a bench, deleted or not, or ErrNotFound.
func (c *Collection) Bench(id string) (*pb.Bench, error) {
	var r benchRow
	if err := c.bench(id).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.message()
}

// Benches lists benches.
func (c *Collection) Benches(q List) ([]*pb.Bench, []any, error) {
	rows, next, err := list[benchRow](c.tx, &benchList, c.own(), q)
	if err != nil {
		return nil, nil, err
	}
	out, err := benchMessages(rows)
	return out, next, err
}

// AllBenches returns all benches, deleted ones too, in the order of their ids.
func (c *Collection) AllBenches() ([]*pb.Bench, error) {
	var rows []benchRow
	if err := c.own().Order("bench_id").Find(&rows).Error; err != nil {
		return nil, err
	}
	return benchMessages(rows)
}

func benchMessages(rows []benchRow) ([]*pb.Bench, error) {
	out := make([]*pb.Bench, len(rows))
	var err error
	for i := range rows {
		if out[i], err = rows[i].message(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// UpdateBench changes a bench by f, which gets the present one.
func (c *Collection) UpdateBench(id string, by By, f func(*pb.Bench) error) (*pb.Bench, error) {
	return c.changeBench(id, by, pb.Revision_UPDATED, func(r *benchRow, m *pb.Bench) error {
		if err := f(m); err != nil {
			return err
		}
		return r.set(m)
	})
}

// DeleteBench deletes a bench, to be purged at purgeUs. f may refuse it.
func (c *Collection) DeleteBench(id string, by By, purgeUs int64, f func(*pb.Bench) error) (*pb.Bench, error) {
	return c.changeBench(id, by, pb.Revision_DELETED, func(r *benchRow, m *pb.Bench) error {
		r.DeleteUs, r.PurgeUs = &by.Us, &purgeUs
		return f(m)
	})
}

// UndeleteBench brings a bench back. f may refuse it.
func (c *Collection) UndeleteBench(id string, by By, f func(*pb.Bench) error) (*pb.Bench, error) {
	return c.changeBench(id, by, pb.Revision_UNDELETED, func(r *benchRow, m *pb.Bench) error {
		r.DeleteUs, r.PurgeUs = nil, nil
		return f(m)
	})
}

func (c *Collection) changeBench(id string, by By, action pb.Revision_Action, f func(*benchRow, *pb.Bench) error) (*pb.Bench, error) {
	var r benchRow
	if err := c.bench(id).Take(&r).Error; err != nil {
		return nil, err
	}
	before, err := r.message()
	if err != nil {
		return nil, err
	}
	m := proto.CloneOf(before) // the row's optional values must not be changed in place
	read := versioned{r.Version, r.Stamp}
	if err := f(&r, m); err != nil {
		return nil, err
	}
	if after, err := r.message(); err != nil || same(action, read.Stamp, before, after) {
		return after, err
	}
	r.UpdateUs, r.Version, r.Stamp = by.Us, read.Version+1, stamp()
	if err := c.tx.update(&r, read, c.bench(id)); err != nil {
		return nil, err
	}
	if err := c.revised(BenchKind, "", id, r.Version, action, by, before); err != nil {
		return nil, err
	}
	after, err := r.message()
	if err != nil {
		return nil, err
	}
	decides := func(m *pb.Bench) *pb.Bench { // all but its name
		return &pb.Bench{Exposure: m.GetExposure(), LampHours: m.LampHours, WalkOrder: m.WalkOrder, Regimen: m.GetRegimen()}
	}
	if !proto.Equal(decides(before), decides(after)) {
		if err := c.settingsChanged(); err != nil {
			return nil, err
		}
	}
	return after, nil
}

// OnBench returns how many living plants stand on a bench.
func (c *Collection) OnBench(id string) (int64, error) {
	var n int64
	err := c.bench(id).Where("living = 1").Model(&plantRow{}).Count(&n).Error
	return n, err
}

// MovesTo returns how many moves of plants that are not deleted to a bench are dated
// later than us.
func (c *Collection) MovesTo(id string, us int64) (int64, error) {
	var n int64
	err := c.bench(id).Where("observe_us > ? AND delete_us IS NULL", us).Where(plantThere("observations")).
		Model(&observationRow{}).Count(&n).Error
	return n, err
}
