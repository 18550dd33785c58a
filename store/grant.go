package store

import (
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type grantRow struct {
	CollectionID string  `gorm:"primaryKey"`
	GrantID      string  `gorm:"primaryKey"`
	GrowerID     *string // or else
	SocietyID    *string
	Role         int32
	CreateUs     int64
	UpdateUs     int64
	Version      int64
	Stamp        int32
}

func (grantRow) TableName() string { return "grants" }

// message returns the grant without the name to show of whom it is for.
func (r *grantRow) message() *pb.Grant {
	m := &pb.Grant{
		Name: GrantName(r.CollectionID, r.GrantID), Role: pb.Grant_Role(r.Role),
		CreateTime: instant(r.CreateUs), UpdateTime: instant(r.UpdateUs), Etag: etag(r.CreateUs, r.Version),
	}
	if r.SocietyID != nil {
		m.Grantee = &pb.Grant_Society{Society: SocietyName(*r.SocietyID)}
	} else {
		m.Grantee = &pb.Grant_Grower{Grower: GrowerName(deref(r.GrowerID))}
	}
	return m
}

var grantList = listing{
	orders: map[string][]string{"name": {"grant_id"}},
	usual:  "name",
}

func (c *Collection) grant(id string) *gorm.DB { return c.own().Where("grant_id = ?", id) }

// CreateGrant adds a grant with the id of its name. Errors: ErrExists if whom it is for has
// one already, ErrReference if they are not there.
func (c *Collection) CreateGrant(m *pb.Grant, by By) (*pb.Grant, error) {
	r := grantRow{
		CollectionID: c.id, GrantID: Segment(m.GetName(), "grants"), GrowerID: orNil(Segment(m.GetGrower(), "growers")),
		SocietyID: orNil(Segment(m.GetSociety(), "societies")), Role: int32(m.GetRole()), CreateUs: by.Us, UpdateUs: by.Us, Version: 1, Stamp: stamp(),
	}
	if err := c.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	if err := c.revised(GrantKind, "", r.GrantID, 1, pb.Revision_CREATED, by, nil); err != nil {
		return nil, err
	}
	return c.namedGrant(&r)
}

// Grant returns a grant, or ErrNotFound.
func (c *Collection) Grant(id string) (*pb.Grant, error) {
	var r grantRow
	if err := c.grant(id).Take(&r).Error; err != nil {
		return nil, err
	}
	return c.namedGrant(&r)
}

// GrantTo returns what is granted to a grower or, where that is "", to a society itself;
// or ErrNotFound.
func (c *Collection) GrantTo(grower, society string) (*pb.Grant, error) {
	var r grantRow
	db := c.own().Where("grower_id = ?", grower)
	if grower == "" {
		db = c.own().Where("society_id = ?", society)
	}
	if err := db.Take(&r).Error; err != nil {
		return nil, err
	}
	return c.namedGrant(&r)
}

// Grants lists the grants.
func (c *Collection) Grants(q List) ([]*pb.Grant, []any, error) {
	rows, next, err := list[grantRow](c.tx, &grantList, c.own(), q)
	if err != nil {
		return nil, nil, err
	}
	var growers, societies []string
	for _, r := range rows {
		if r.GrowerID != nil {
			growers = append(growers, *r.GrowerID)
		} else {
			societies = append(societies, *r.SocietyID)
		}
	}
	names, err := c.tx.shownAs(growers, societies)
	if err != nil {
		return nil, nil, err
	}
	out := messages(rows, (*grantRow).message)
	for _, m := range out {
		m.DisplayName = names[m.GetGrower()+m.GetSociety()]
	}
	return out, next, nil
}

func (c *Collection) namedGrant(r *grantRow) (*pb.Grant, error) {
	var growers, societies []string
	if r.GrowerID != nil {
		growers = append(growers, *r.GrowerID)
	} else {
		societies = append(societies, *r.SocietyID)
	}
	names, err := c.tx.shownAs(growers, societies)
	m := r.message()
	m.DisplayName = names[m.GetGrower()+m.GetSociety()]
	return m, err
}

// shownAs returns the names to show of growers and societies, by their names.
func (t *Tx) shownAs(growers, societies []string) (map[string]string, error) {
	out := map[string]string{}
	for some := range chunks(growers) {
		var rows []growerRow
		if err := t.of(t.q(), "grower_id", some).Find(&rows).Error; err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[GrowerName(r.GrowerID)] = r.DisplayName
		}
	}
	for some := range chunks(societies) {
		var rows []societyRow
		if err := t.of(t.q(), "society_id", some).Find(&rows).Error; err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[SocietyName(r.SocietyID)] = r.DisplayName
		}
	}
	return out, nil
}

// CountGrants returns how many grants there are.
func (c *Collection) CountGrants() (int64, error) {
	var n int64
	err := c.own().Model(&grantRow{}).Count(&n).Error
	return n, err
}

// UpdateGrant changes the role of a grant by f, which gets the present one.
func (c *Collection) UpdateGrant(id string, by By, f func(*pb.Grant) error) (*pb.Grant, error) {
	var r grantRow
	if err := c.grant(id).Take(&r).Error; err != nil {
		return nil, err
	}
	m := r.message()
	if err := f(m); err != nil {
		return nil, err
	}
	if m.GetRole() == pb.Grant_Role(r.Role) && r.Stamp <= stamp() {
		return c.namedGrant(&r)
	}
	read := versioned{r.Version, r.Stamp}
	r.Role, r.UpdateUs, r.Version, r.Stamp = int32(m.GetRole()), by.Us, read.Version+1, stamp()
	if err := c.tx.update(&r, read, c.grant(id)); err != nil {
		return nil, err
	}
	if err := c.revised(GrantKind, "", id, r.Version, pb.Revision_UPDATED, by, nil); err != nil {
		return nil, err
	}
	return c.namedGrant(&r)
}

// DeleteGrant takes a grant back. f may refuse it after a look at the present one.
func (c *Collection) DeleteGrant(id string, by By, f func(*pb.Grant) error) (*pb.Grant, error) {
	var r grantRow
	if err := c.grant(id).Take(&r).Error; err != nil {
		return nil, err
	}
	if err := f(r.message()); err != nil {
		return nil, err
	}
	m, err := c.namedGrant(&r)
	if err != nil {
		return nil, err
	}
	if err := hit(c.grant(id).Delete(&grantRow{})); err != nil {
		return nil, err
	}
	return m, c.revised(GrantKind, "", id, r.Version+1, pb.Revision_DELETED, by, nil)
}

// ungranted puts on record that grants are taken back which are not found by their
// collections, and locks those.
func (t *Tx) ungranted(grants []grantRow, by By) error {
	ids := make([]string, len(grants))
	for i, r := range grants {
		ids[i] = r.CollectionID
	}
	if err := t.lockCollections(ids); err != nil {
		return err
	}
	for _, r := range grants {
		c := &Collection{tx: t, id: r.CollectionID}
		if err := c.revised(GrantKind, "", r.GrantID, r.Version+1, pb.Revision_DELETED, by, nil); err != nil {
			return err
		}
	}
	return nil
}
