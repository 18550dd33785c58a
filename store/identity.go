package store

import (
	"context"

	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type identityRow struct {
	GrowerID   string `gorm:"primaryKey"`
	IdentityID string `gorm:"primaryKey"`
	Issuer     string
	Subject    string
	LastUseUs  *int64
	CreateUs   int64
	Stamp      int32
}

func (identityRow) TableName() string { return "identities" }

func (r *identityRow) message() *pb.Identity {
	return &pb.Identity{
		Name: IdentityName(r.GrowerID, r.IdentityID), Issuer: r.Issuer, Subject: r.Subject,
		LastUseTime: maybe(r.LastUseUs), CreateTime: instant(r.CreateUs),
	}
}

var identityList = listing{
	orders: map[string][]string{"name": {"identity_id"}},
	usual:  "name",
}

// Identified is the grower whom an identity is of.
type Identified struct {
	Grower, Identity string // ids
	LastUseUs        *int64
	Suspended        bool
}

// Identified returns whom the subject of an issuer is, or ErrNotFound. Whether they still
// may call is for the caller to judge. It is one statement without a transaction, as every
// call with a token of an issuer begins with it.
func (s *Store) Identified(ctx context.Context, issuer, subject string) (*Identified, error) {
	t := s.newTx(ctx, s.reader)
	found, err := t.Identified(issuer, subject)
	if e := t.watch.violation(); e != nil {
		err = e
	}
	return found, ended(ctx, err)
}

// Identified is Store.Identified in a transaction.
func (t *Tx) Identified(issuer, subject string) (*Identified, error) {
	return t.identified("i.issuer = ? AND i.subject = ?", issuer, subject)
}

// Identified is Tx.Identified for an identity of the grower by its id.
func (g *Grower) Identified(id string) (*Identified, error) {
	return g.tx.identified("i.grower_id = ? AND i.identity_id = ?", g.id, id)
}

func (t *Tx) identified(which string, args ...any) (*Identified, error) {
	var r struct {
		GrowerID, IdentityID string
		LastUseUs, SuspendUs *int64
	}
	found := t.q().Raw("SELECT i.grower_id, i.identity_id, i.last_use_us, g.suspend_us"+
		" FROM identities i JOIN growers g ON g.grower_id = i.grower_id WHERE "+which, args...).Scan(&r)
	if err := hit(found); err != nil {
		return nil, err
	}
	return &Identified{Grower: r.GrowerID, Identity: r.IdentityID, LastUseUs: r.LastUseUs, Suspended: r.SuspendUs != nil}, nil
}

func (g *Grower) identity(id string) *gorm.DB { return g.own().Where("identity_id = ?", id) }

// CreateIdentity makes the subject of an issuer the grower's, or returns ErrExists if it is
// somebody's.
func (g *Grower) CreateIdentity(m *pb.Identity, us int64) (*pb.Identity, error) {
	r := identityRow{GrowerID: g.id, IdentityID: Segment(m.GetName(), "identities"), Issuer: m.GetIssuer(), Subject: m.GetSubject(), CreateUs: us, Stamp: stamp()}
	if err := g.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Identity returns an identity, or ErrNotFound.
func (g *Grower) Identity(id string) (*pb.Identity, error) {
	var r identityRow
	if err := g.identity(id).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Identities lists the grower's identities.
func (g *Grower) Identities(q List) ([]*pb.Identity, []any, error) {
	rows, next, err := list[identityRow](g.tx, &identityList, g.own(), q)
	return messages(rows, (*identityRow).message), next, err
}

// CountIdentities returns how many identities the grower has. Lock first, for a number that
// holds until the transaction ends.
func (g *Grower) CountIdentities() (int64, error) {
	var n int64
	err := g.own().Model(&identityRow{}).Count(&n).Error
	return n, err
}

// DeleteIdentity takes an identity from the grower, or returns ErrNotFound.
func (g *Grower) DeleteIdentity(id string) (*pb.Identity, error) {
	if err := g.Lock(); err != nil {
		return nil, err
	}
	m, err := g.Identity(id)
	if err != nil {
		return nil, err
	}
	return m, hit(g.identity(id).Delete(&identityRow{}))
}

// UseIdentity notes when an identity was last used, or returns ErrNotFound.
func (g *Grower) UseIdentity(id string, us int64) error {
	return hit(g.identity(id).Model(&identityRow{}).UpdateColumn("last_use_us", us))
}
