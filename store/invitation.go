package store

import (
	"errors"

	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// invitation is what invitations to societies and to collections have in common.
type invitation struct {
	InvitationID string `gorm:"primaryKey"`
	Hash         []byte
	DisplayName  string
	Role         int32
	InviterID    string
	ExpireUs     int64
	CreateUs     int64
	AcceptUs     *int64
	AccepterID   *string
	RevokeUs     *int64
	Version      int64
	Stamp        int32
}

type societyInvitationRow struct {
	SocietyID string     `gorm:"primaryKey"`
	Is        invitation `gorm:"embedded"`
}

func (societyInvitationRow) TableName() string { return "society_invitations" }

type collectionInvitationRow struct {
	CollectionID string     `gorm:"primaryKey"`
	Is           invitation `gorm:"embedded"`
}

func (collectionInvitationRow) TableName() string { return "collection_invitations" }

func (r *invitation) message(parent string) *pb.Invitation {
	m := &pb.Invitation{
		Name: InvitationName(parent, r.InvitationID), DisplayName: r.DisplayName, Role: pb.Invitation_Role(r.Role), Inviter: GrowerName(r.InviterID),
		ExpireTime: instant(r.ExpireUs), CreateTime: instant(r.CreateUs), AcceptTime: maybe(r.AcceptUs), RevokeTime: maybe(r.RevokeUs), Etag: etag(r.CreateUs, r.Version),
	}
	if r.AccepterID != nil {
		m.Accepter = GrowerName(*r.AccepterID)
	}
	return m
}

var invitationList = listing{
	orders: map[string][]string{"name": {"invitation_id"}},
	usual:  "name",
}

// Invitations are those to one society or one collection.
type Invitations struct {
	tx     *Tx
	parent string // its name
	column string // of the tenant
	id     string
	of     audited
	row    func(*invitation) any // of the table
	list   func(*gorm.DB, List) ([]invitation, []any, error)
	take   func(*gorm.DB) (*invitation, error)
}

// Invitations returns those to the society.
func (s *Society) Invitations() *Invitations {
	return &Invitations{
		tx: s.tx, parent: SocietyName(s.id), column: "society_id", id: s.id, of: ofSociety(s.id),
		row: func(r *invitation) any { return &societyInvitationRow{s.id, *r} },
		list: func(db *gorm.DB, q List) ([]invitation, []any, error) {
			rows, next, err := list[societyInvitationRow](s.tx, &invitationList, db, q)
			return messages(rows, func(r *societyInvitationRow) invitation { return r.Is }), next, err
		},
		take: func(db *gorm.DB) (*invitation, error) {
			var r societyInvitationRow
			err := db.Take(&r).Error
			return &r.Is, err
		},
	}
}

// Invitations returns those to the collection.
func (c *Collection) Invitations() *Invitations {
	return &Invitations{
		tx: c.tx, parent: CollectionName(c.id), column: "collection_id", id: c.id, of: ofCollection(c.id),
		row: func(r *invitation) any { return &collectionInvitationRow{c.id, *r} },
		list: func(db *gorm.DB, q List) ([]invitation, []any, error) {
			rows, next, err := list[collectionInvitationRow](c.tx, &invitationList, db, q)
			return messages(rows, func(r *collectionInvitationRow) invitation { return r.Is }), next, err
		},
		take: func(db *gorm.DB) (*invitation, error) {
			var r collectionInvitationRow
			err := db.Take(&r).Error
			return &r.Is, err
		},
	}
}

func (i *Invitations) own() *gorm.DB { return i.tx.q().Where(i.column+" = ?", i.id) }

func (i *Invitations) one(id string) *gorm.DB { return i.own().Where("invitation_id = ?", id) }

const openInvitation = "accept_us IS NULL AND revoke_us IS NULL AND expire_us > ?"

// Create adds an invitation, with the hash of its secret.
func (i *Invitations) Create(m *pb.Invitation, hash []byte, by By) (*pb.Invitation, error) {
	r := invitation{
		InvitationID: Segment(m.GetName(), "invitations"), Hash: hash, DisplayName: m.GetDisplayName(), Role: int32(m.GetRole()), InviterID: by.Grower,
		ExpireUs: Micros(m.GetExpireTime()), CreateUs: by.Us, Version: 1, Stamp: stamp(),
	}
	if err := i.tx.q().Create(i.row(&r)).Error; err != nil {
		return nil, err
	}
	i.tx.note(i.of, by, pb.AuditEntry_CREATED, "invitations/"+r.InvitationID)
	return r.message(i.parent), nil
}

// Get returns an invitation, open or not, or ErrNotFound.
func (i *Invitations) Get(id string) (*pb.Invitation, error) {
	r, err := i.take(i.one(id))
	if err != nil {
		return nil, err
	}
	return r.message(i.parent), nil
}

// List lists invitations; those that are not open at us only with q.Deleted.
func (i *Invitations) List(q List, us int64) ([]*pb.Invitation, []any, error) {
	base := i.own()
	if !q.Deleted {
		base = base.Where(openInvitation, us)
	}
	rows, next, err := i.list(base, q)
	return messages(rows, func(r *invitation) *pb.Invitation { return r.message(i.parent) }), next, err
}

// Open returns how many invitations are open at us.
func (i *Invitations) Open(us int64) (int64, error) {
	var n int64
	err := i.own().Where(openInvitation, us).Model(i.row(&invitation{})).Count(&n).Error
	return n, err
}

// Revoke takes an invitation back. f may refuse it after a look at the present one. One
// that was taken back already stays as it is.
func (i *Invitations) Revoke(id string, by By, f func(*pb.Invitation) error) (*pb.Invitation, error) {
	return i.change(id, by, pb.AuditEntry_DELETED, func(r *invitation) error {
		if err := f(r.message(i.parent)); err != nil {
			return err
		}
		if r.RevokeUs == nil {
			r.RevokeUs = &by.Us
		}
		return nil
	})
}

// Accept notes that who writes accepted an invitation. Errors: ErrNotFound if it is not
// open.
func (i *Invitations) Accept(id string, by By) (*pb.Invitation, error) {
	return i.change(id, by, pb.AuditEntry_ACCEPTED, func(r *invitation) error {
		if r.AcceptUs != nil || r.RevokeUs != nil || r.ExpireUs <= by.Us {
			return ErrNotFound
		}
		r.AcceptUs, r.AccepterID = &by.Us, &by.Grower
		return nil
	})
}

func (i *Invitations) change(id string, by By, action pb.AuditEntry_Action, f func(*invitation) error) (*pb.Invitation, error) {
	r, err := i.take(i.tx.locked(i.one(id)))
	if err != nil {
		return nil, err
	}
	before := *r
	if err := f(r); err != nil {
		return nil, err
	}
	if same(pb.Revision_UPDATED, r.Stamp, before.message(i.parent), r.message(i.parent)) {
		return r.message(i.parent), nil
	}
	r.Version, r.Stamp = before.Version+1, stamp()
	if err := i.tx.update(i.row(r), versioned{before.Version, before.Stamp}, i.one(id)); err != nil {
		return nil, err
	}
	i.tx.note(i.of, by, action, "invitations/"+id)
	return r.message(i.parent), nil
}

// Invited is what the secret of an invitation is for.
type Invited struct {
	Society, Collection string // id of the one or the other
	Invitation          string // id
	Role                pb.Invitation_Role
	Inviter             string // id
	Suspended           bool   // the inviter is
}

// Invited returns what the secret with the given hash is for, if its invitation is open at
// us, or ErrNotFound.
func (t *Tx) Invited(hash []byte, us int64) (*Invited, error) {
	var s societyInvitationRow
	err := t.q().Where("hash = ? AND "+openInvitation, hash, us).Take(&s).Error
	if err == nil {
		return t.invitedBy(&Invited{Society: s.SocietyID, Invitation: s.Is.InvitationID, Role: pb.Invitation_Role(s.Is.Role), Inviter: s.Is.InviterID})
	}
	if !errors.Is(err, ErrNotFound) {
		return nil, err
	}
	var c collectionInvitationRow
	if err := t.q().Where("hash = ? AND "+openInvitation, hash, us).Take(&c).Error; err != nil {
		return nil, err
	}
	return t.invitedBy(&Invited{Collection: c.CollectionID, Invitation: c.Is.InvitationID, Role: pb.Invitation_Role(c.Is.Role), Inviter: c.Is.InviterID})
}

// invitedBy completes what an invitation is for by what is to be known of who made it.
func (t *Tx) invitedBy(i *Invited) (*Invited, error) {
	var g growerRow
	if err := t.q().Where("grower_id = ?", i.Inviter).Take(&g).Error; err != nil {
		return nil, err
	}
	i.Suspended = g.SuspendUs != nil
	return i, nil
}

// Forget removes for good the invitations that ended by us: were accepted, taken back, or
// expired. It tells how many there were.
func (i *Invitations) Forget(us int64) (int64, error) {
	table := map[string]string{"society_id": "society_invitations", "collection_id": "collection_invitations"}[i.column]
	result := i.tx.q().Exec("DELETE FROM "+table+" WHERE "+i.column+" = ? AND (accept_us <= ? OR revoke_us <= ? OR expire_us <= ?)", i.id, us, us, us)
	return result.RowsAffected, result.Error
}
