package store

import (
	"fmt"
	"strconv"

	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// sheetHead is a bench sheet without what it tells, as lists have it.
type sheetHead struct {
	CollectionID string `gorm:"primaryKey"`
	SheetNumber  int64  `gorm:"primaryKey;autoIncrement:false"`
	AsOfDate     string
	RowCount     int32
	CreateUs     int64
	ExpireUs     int64
	Stamp        int32
}

func (sheetHead) TableName() string { return "sheets" }

func (r *sheetHead) message() *pb.Sheet {
	return &pb.Sheet{
		Name: SheetName(r.CollectionID, r.SheetNumber), AsOfDate: r.AsOfDate, RowCount: r.RowCount,
		CreateTime: instant(r.CreateUs), ExpireTime: instant(r.ExpireUs),
	}
}

type sheetRow struct {
	Head sheetHead `gorm:"embedded"`
	Plan string    // JSON of a sheet that has benches, portions, rows and other foods alone
}

var sheetList = listing{
	orders: map[string][]string{"name": {"sheet_number"}},
	usual:  "name",
}

// mostSheets is how many bench sheets of a collection are kept. The proto file says the
// same.
const mostSheets = 1000

// CreateSheet adds a bench sheet with the next number of the collection, to be purged
// at expireUs. What is older than the latest 1,000 is removed.
func (c *Collection) CreateSheet(m *pb.Sheet, by By, expireUs int64) (*pb.Sheet, error) {
	r := sheetRow{Head: sheetHead{
		CollectionID: c.id, AsOfDate: m.GetAsOfDate(), RowCount: int32(len(m.GetRows())), CreateUs: by.Us, ExpireUs: expireUs, Stamp: stamp(),
	}}
	var err error
	if r.Plan, err = text(&pb.Sheet{Benches: m.GetBenches(), Portions: m.GetPortions(), Rows: m.GetRows(), OtherFoods: m.GetOtherFoods()}); err != nil {
		return nil, err
	}
	// Nobody else takes the number: a writer holds a lock on the collection.
	if err := c.own().Model(&sheetHead{}).Select("coalesce(max(sheet_number), 0) + 1").Scan(&r.Head.SheetNumber).Error; err != nil {
		return nil, fmt.Errorf("next number of a sheet: %w", err)
	}
	if err := c.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	if err := c.own().Where("sheet_number <= ?", r.Head.SheetNumber-mostSheets).Delete(&sheetHead{}).Error; err != nil {
		return nil, fmt.Errorf("remove old sheets: %w", err)
	}
	return c.Sheet(r.Head.SheetNumber)
}

// Sheet returns a bench sheet, or ErrNotFound.
func (c *Collection) Sheet(number int64) (*pb.Sheet, error) {
	var r sheetRow
	if err := c.sheet(number).Take(&r).Error; err != nil {
		return nil, err
	}
	m, plan := r.Head.message(), &pb.Sheet{}
	if err := readText(r.Plan, plan); err != nil {
		return nil, err
	}
	m.Benches, m.Portions, m.Rows, m.OtherFoods = plan.GetBenches(), plan.GetPortions(), plan.GetRows(), plan.GetOtherFoods()
	return m, nil
}

func (sheetRow) TableName() string { return "sheets" }

func (c *Collection) sheet(number int64) *gorm.DB { return c.own().Where("sheet_number = ?", number) }

// Sheets lists bench sheets without benches, portions and rows.
func (c *Collection) Sheets(q List) ([]*pb.Sheet, []any, error) {
	rows, next, err := list[sheetHead](c.tx, &sheetList, c.own(), q)
	if err != nil {
		return nil, nil, err
	}
	out := make([]*pb.Sheet, len(rows))
	for i := range rows {
		out[i] = rows[i].message()
	}
	return out, next, nil
}

// SheetNumber returns the number that the name of a bench sheet ends in; 0 for what is
// none.
func SheetNumber(name string) int64 {
	n, err := strconv.ParseInt(Segment(name, "sheets"), 10, 64)
	if err != nil {
		return 0
	}
	return n
}
