package store

import (
	"cmp"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
)

// Kind is the kind of a resource in the history. The numbers are kept in rows.
type Kind int32

// The kinds.
const (
	CollectionKind Kind = iota + 1
	BenchKind
	PlantKind
	FeedingKind
	ObservationKind
	GrantKind
	PhotoKind
)

// revisionRow is a change of a resource. Number is the version that it made, so
// there are no gaps.
type revisionRow struct {
	CollectionID string `gorm:"primaryKey"`
	Kind         Kind   `gorm:"primaryKey"`
	PlantID      string `gorm:"primaryKey"` // of a feeding, observation or photo; else ""
	ResourceID   string `gorm:"primaryKey"`
	Number       int64  `gorm:"primaryKey;autoIncrement:false"`
	Action       int32
	CreateUs     int64
	GrowerID     string
	TokenID      string
	RequestID    *string // of the call; nil for none
	Before       *string
	Stamp        int32
}

func (revisionRow) TableName() string { return "revisions" }

var revisionList = listing{
	orders: map[string][]string{"number": {"number"}},
	usual:  "number",
}

// revise makes the row of a change, and notes it for the audit. before is nil for what is
// new.
func (c *Collection) revise(kind Kind, plant, id string, number int64, action pb.Revision_Action, by By, before proto.Message) (revisionRow, error) {
	c.tx.note(ofCollection(c.id), by, pb.AuditEntry_Action(action), kind.relative(plant, id))
	return c.revision(kind, plant, id, number, action, by, before)
}

// revision is revise without the audit.
func (c *Collection) revision(kind Kind, plant, id string, number int64, action pb.Revision_Action, by By, before proto.Message) (revisionRow, error) {
	r := revisionRow{
		CollectionID: c.id, Kind: kind, PlantID: plant, ResourceID: id, Number: number, Action: int32(action),
		CreateUs: by.Us, GrowerID: by.Grower, TokenID: by.Token, RequestID: orNil(by.Request), Stamp: stamp(),
	}
	if before == nil {
		return r, nil
	}
	s, err := text(before)
	r.Before = &s
	return r, err
}

// revised records one change.
func (c *Collection) revised(kind Kind, plant, id string, number int64, action pb.Revision_Action, by By, before proto.Message) error {
	r, err := c.revise(kind, plant, id, number, action, by, before)
	if err != nil {
		return err
	}
	return c.tx.q().Create(&r).Error
}

// Revisions lists the changes of a resource, the latest first with q.Desc. plant is
// the plant of a feeding, observation or photo, else "".
func (c *Collection) Revisions(kind Kind, plant, id string, q List) ([]*pb.Revision, []any, error) {
	base := c.own().Where("kind = ? AND plant_id = ? AND resource_id = ?", kind, plant, id)
	rows, next, err := list[revisionRow](c.tx, &revisionList, base, q)
	if err != nil {
		return nil, nil, err
	}
	out := make([]*pb.Revision, len(rows))
	for i := range rows {
		if out[i], err = rows[i].message(); err != nil {
			return nil, nil, err
		}
	}
	return out, next, nil
}

// LastChange returns when the collection, or anything in it, was last changed, in
// microseconds since 1970 UTC.
func (c *Collection) LastChange() (us int64, err error) {
	err = c.own().Model(&revisionRow{}).Order("create_us DESC").Limit(1).Pluck("create_us", &us).Error
	return us, err
}

// Revised is a change of a resource, and what it is of.
type Revised struct {
	*pb.Revision
	Kind      Kind
	Plant, ID string // Plant is that of a feeding, observation or photo; else ""
}

// RevisionsOf returns the changes that a grower made in the collection with a request
// id since us, those of a resource in their order.
func (c *Collection) RevisionsOf(grower, request string, us int64) ([]Revised, error) {
	var rows []revisionRow
	err := c.own().Where("request_id = ? AND grower_id = ? AND create_us >= ?", request, grower, us).Find(&rows).Error
	if err != nil {
		return nil, err
	}
	slices.SortFunc(rows, func(a, b revisionRow) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.PlantID, b.PlantID), cmp.Compare(a.ResourceID, b.ResourceID),
			cmp.Compare(a.Number, b.Number))
	})
	out := make([]Revised, len(rows))
	for i := range rows {
		m, err := rows[i].message()
		if err != nil {
			return nil, err
		}
		out[i] = Revised{m, rows[i].Kind, rows[i].PlantID, rows[i].ResourceID}
	}
	return out, nil
}

func (r *revisionRow) message() (*pb.Revision, error) {
	m := &pb.Revision{
		Number:     int32(r.Number),
		Action:     pb.Revision_Action(r.Action),
		CreateTime: instant(r.CreateUs),
	}
	if r.GrowerID != "" { // else the server itself did it, in a collection of a society
		m.Grower = GrowerName(r.GrowerID)
	}
	if r.TokenID != "" {
		m.Token = TokenName(r.GrowerID, r.TokenID)
	}
	if r.Before == nil {
		return m, nil
	}
	var before proto.Message
	switch r.Kind {
	case CollectionKind:
		v := &pb.Revision_Collection{Collection: &pb.Collection{}}
		m.Before, before = v, v.Collection
	case BenchKind:
		v := &pb.Revision_Bench{Bench: &pb.Bench{}}
		m.Before, before = v, v.Bench
	case PlantKind:
		v := &pb.Revision_Plant{Plant: &pb.Plant{}}
		m.Before, before = v, v.Plant
	case FeedingKind:
		v := &pb.Revision_Feeding{Feeding: &pb.Feeding{}}
		m.Before, before = v, v.Feeding
	case ObservationKind:
		v := &pb.Revision_Observation{Observation: &pb.Observation{}}
		m.Before, before = v, v.Observation
	case PhotoKind:
		v := &pb.Revision_Photo{Photo: &pb.Photo{}}
		m.Before, before = v, v.Photo
	}
	return m, readText(*r.Before, before)
}
