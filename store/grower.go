package store

import (
	"fmt"

	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type growerRow struct {
	GrowerID    string `gorm:"primaryKey"`
	DisplayName string
	Contact     string
	SuspendUs   *int64
	CreateUs    int64
	UpdateUs    int64
	Version     int64
	Stamp       int32
}

func (growerRow) TableName() string { return "growers" }

func (r *growerRow) message() *pb.Grower {
	return &pb.Grower{
		Name:        GrowerName(r.GrowerID),
		DisplayName: r.DisplayName,
		Contact:     r.Contact,
		CreateTime:  instant(r.CreateUs),
		UpdateTime:  instant(r.UpdateUs),
		Etag:        etag(r.CreateUs, r.Version),
	}
}

// Grower is what belongs to one grower. It can be used as long as its transaction.
type Grower struct {
	tx *Tx
	id string
}

// Grower returns the handle of a grower, who may not be there.
func (t *Tx) Grower(id string) *Grower { return &Grower{t, id} }

func (g *Grower) own() *gorm.DB { return g.tx.q().Where("grower_id = ?", g.id) }

func (g *Grower) row() (*growerRow, error) {
	var r growerRow
	if err := g.tx.locked(g.own()).Take(&r).Error; err != nil {
		return nil, err
	}
	return &r, nil
}

// Lock keeps other transactions from adding and ending tokens, identities and calendars of the
// grower, and from suspending them, until this one ends. It returns ErrNotFound if nobody
// is there.
func (g *Grower) Lock() error {
	_, err := g.row()
	return err
}

// Get returns the grower, or ErrNotFound.
func (g *Grower) Get() (*pb.Grower, error) {
	var r growerRow
	if err := g.own().Take(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Create adds the grower.
func (g *Grower) Create(displayName string, us int64) (*pb.Grower, error) {
	r := growerRow{GrowerID: g.id, DisplayName: displayName, CreateUs: us, UpdateUs: us, Version: 1, Stamp: stamp()}
	if err := g.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Update changes the grower by f, which gets the present one, and returns what
// stands then.
func (g *Grower) Update(us int64, f func(*pb.Grower) error) (*pb.Grower, error) {
	r, err := g.row()
	if err != nil {
		return nil, err
	}
	m := r.message()
	if err := f(m); err != nil {
		return nil, err
	}
	read, before := versioned{r.Version, r.Stamp}, r.message()
	r.DisplayName, r.Contact = m.GetDisplayName(), m.GetContact()
	if same(pb.Revision_UPDATED, r.Stamp, before, r.message()) {
		return before, nil
	}
	r.UpdateUs, r.Version, r.Stamp = us, read.Version+1, stamp()
	if err := g.tx.update(r, read, g.own()); err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Suspend keeps the grower from calling, from us on or, with nil, no more. That is
// no change of what the grower sets, so the version stays.
func (g *Grower) Suspend(us *int64, now int64) error {
	r, err := g.row()
	if err != nil {
		return err
	}
	read := versioned{r.Version, r.Stamp}
	r.SuspendUs, r.UpdateUs, r.Stamp = us, now, stamp()
	return g.tx.update(r, read, g.own())
}

// GrowerEntry is a grower as the operator sees one.
type GrowerEntry struct {
	ID, DisplayName string
	CreateUs        int64
	SuspendUs       *int64
}

// Growers returns the growers after an id in the order of their ids, at most limit.
// It is for the operator, who holds the database.
func (t *Tx) Growers(after string, limit int) ([]GrowerEntry, error) {
	var rows []growerRow
	if err := t.q().Where("grower_id > ?", after).Order("grower_id").Limit(limit).Find(&rows).Error; err != nil {
		return nil, fmt.Errorf("list growers: %w", err)
	}
	out := make([]GrowerEntry, len(rows))
	for i, r := range rows {
		out[i] = GrowerEntry{r.GrowerID, r.DisplayName, r.CreateUs, r.SuspendUs}
	}
	return out, nil
}

// ForgetOfGrowers removes for good the request ids of growers from before requestUs, and
// their tokens and calendars that were revoked, or had expired, by endUs. It tells how many
// rows went.
func (t *Tx) ForgetOfGrowers(growers []string, requestUs, endUs int64) (gone int64, err error) {
	for some := range chunks(growers) {
		for _, of := range []*gorm.DB{
			t.among(t.q(), "grower_id", some).Where("create_us < ?", requestUs).Delete(&requestRow{}),
			t.among(t.q(), "grower_id", some).Where("(revoke_us <= ? OR expire_us <= ?)", endUs, endUs).Delete(&tokenRow{}),
			t.among(t.q(), "grower_id", some).Where("revoke_us <= ?", endUs).Delete(&calendarRow{}),
		} {
			if of.Error != nil {
				return gone, fmt.Errorf("forget what ended: %w", of.Error)
			}
			gone += of.RowsAffected
		}
	}
	return gone, nil
}
