package store

import (
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type societyRow struct {
	SocietyID   string `gorm:"primaryKey"`
	DisplayName string
	CreateUs    int64
	UpdateUs    int64
	Version     int64
	Stamp       int32
}

func (societyRow) TableName() string { return "societies" }

type memberRow struct {
	SocietyID string `gorm:"primaryKey"`
	GrowerID  string `gorm:"primaryKey"`
	Role      int32
	CreateUs  int64
	UpdateUs  int64
	Version   int64
	Stamp     int32
}

func (memberRow) TableName() string { return "members" }

// message returns the society as one who has a role in it sees it.
func (r *societyRow) message(role pb.Member_Role) *pb.Society {
	return &pb.Society{
		Name: SocietyName(r.SocietyID), DisplayName: r.DisplayName, Role: role,
		CreateTime: instant(r.CreateUs), UpdateTime: instant(r.UpdateUs), Etag: etag(r.CreateUs, r.Version),
	}
}

// message returns the member without the name to show.
func (r *memberRow) message() *pb.Member {
	return &pb.Member{
		Name: MemberName(r.SocietyID, r.GrowerID), Grower: GrowerName(r.GrowerID), Role: pb.Member_Role(r.Role),
		CreateTime: instant(r.CreateUs), UpdateTime: instant(r.UpdateUs), Etag: etag(r.CreateUs, r.Version),
	}
}

var (
	memberList = listing{
		orders: map[string][]string{"name": {"grower_id"}},
		usual:  "name",
	}
	membershipList = listing{
		orders: map[string][]string{"name": {"society_id"}},
		usual:  "name",
	}
)

// Society is what belongs to one society. It can be used as long as its transaction. A
// writing transaction holds a lock on the society, so its writers come one after another.
type Society struct {
	tx   *Tx
	id   string
	row  societyRow
	role pb.Member_Role // of the grower for whom it was opened; 0: none
}

// Society returns the handle of a society for a grower, or ErrNotFound. Whether the grower
// may see it is for the caller to judge by their role.
func (t *Tx) Society(id, grower string) (*Society, error) {
	s := &Society{tx: t, id: id}
	if err := s.read(grower, s.own()); err != nil || t.readOnly || s.role == 0 {
		return s, err
	}
	// Only a member waits for its writers, and keeps others waiting.
	return s, s.read(grower, t.locked(s.own()))
}

func (s *Society) read(grower string, own *gorm.DB) error {
	s.row = societyRow{}
	if err := own.Take(&s.row).Error; err != nil {
		return err
	}
	var role int32
	err := s.member(grower).Model(&memberRow{}).Select("coalesce(max(role), 0)").Scan(&role).Error
	s.role = pb.Member_Role(role)
	return err
}

func (s *Society) own() *gorm.DB { return s.tx.q().Where("society_id = ?", s.id) }

func (s *Society) member(grower string) *gorm.DB { return s.own().Where("grower_id = ?", grower) }

// ID returns the id.
func (s *Society) ID() string { return s.id }

// Role returns what the grower for whom the society was opened is in it; 0 for nothing.
func (s *Society) Role() pb.Member_Role { return s.role }

// Get returns the society.
func (s *Society) Get() *pb.Society { return s.row.message(s.role) }

// SocietyIDs returns the ids of societies after one, in their order, at most limit. It is
// for the sweep of what is to be removed.
func (t *Tx) SocietyIDs(after string, limit int) ([]string, error) {
	var ids []string
	err := t.q().Model(&societyRow{}).Where("society_id > ?", after).Order("society_id").Limit(limit).Pluck("society_id", &ids).Error
	return ids, err
}

// CreateSociety adds a society with its first organiser.
func (t *Tx) CreateSociety(id string, m *pb.Society, by By) (*Society, error) {
	s := &Society{tx: t, id: id, role: pb.Member_ORGANISER, row: societyRow{
		SocietyID: id, DisplayName: m.GetDisplayName(), CreateUs: by.Us, UpdateUs: by.Us, Version: 1, Stamp: stamp(),
	}}
	if err := t.q().Create(&s.row).Error; err != nil {
		return nil, err
	}
	t.note(ofSociety(id), by, pb.AuditEntry_CREATED, "")
	_, err := s.AddMember(by.Grower, pb.Member_ORGANISER, by)
	return s, err
}

// Societies lists the societies of which the grower is a member.
func (g *Grower) Societies(q List) ([]*pb.Society, []any, error) {
	rows, next, err := list[memberRow](g.tx, &membershipList, g.own(), q)
	if err != nil {
		return nil, nil, err
	}
	ids := make([]string, len(rows))
	for i, r := range rows {
		ids[i] = r.SocietyID
	}
	byID := map[string]*societyRow{}
	for some := range chunks(ids) {
		var found []societyRow
		if err := g.tx.of(g.tx.q(), "society_id", some).Find(&found).Error; err != nil {
			return nil, nil, err
		}
		for i := range found {
			byID[found[i].SocietyID] = &found[i]
		}
	}
	out := make([]*pb.Society, len(rows))
	for i, r := range rows {
		out[i] = byID[r.SocietyID].message(pb.Member_Role(r.Role)) // a member's society is there
	}
	return out, next, nil
}

// CountSocieties returns of how many societies the grower is a member.
func (g *Grower) CountSocieties() (int64, error) {
	var n int64
	err := g.own().Model(&memberRow{}).Count(&n).Error
	return n, err
}

// Shares tells whether the grower and another one are members of the same society.
func (g *Grower) Shares(other string) (bool, error) {
	var n int64
	err := g.own().Where("society_id IN (SELECT m.society_id FROM members m WHERE m.grower_id = ?)", other).Model(&memberRow{}).Limit(1).Count(&n).Error
	return n > 0, err
}

// Update changes the society by f, which gets the present one.
func (s *Society) Update(by By, f func(*pb.Society) error) (*pb.Society, error) {
	m := s.Get()
	if err := f(m); err != nil {
		return nil, err
	}
	r := s.row
	r.DisplayName = m.GetDisplayName()
	if same(pb.Revision_UPDATED, r.Stamp, s.Get(), r.message(s.role)) {
		return s.Get(), nil
	}
	r.UpdateUs, r.Version, r.Stamp = by.Us, s.row.Version+1, stamp()
	if err := s.tx.update(&r, versioned{s.row.Version, s.row.Stamp}, s.own()); err != nil {
		return nil, err
	}
	s.tx.note(ofSociety(s.id), by, pb.AuditEntry_UPDATED, "")
	s.row = r
	return s.Get(), nil
}

// Delete ends the society for good, with its members, invitations and record, and what was
// granted to it. Errors: ErrReference if it owns a collection.
func (s *Society) Delete(by By) error {
	var grants []grantRow
	if err := s.own().Order("collection_id").Find(&grants).Error; err != nil {
		return err
	}
	if err := s.tx.ungranted(grants, by); err != nil {
		return err
	}
	s.tx.audits.forget(ofSociety(s.id))
	for _, table := range []string{"grants", "society_invitations", "members", "society_audits", "societies"} {
		if err := s.tx.q().Exec("DELETE FROM "+table+" WHERE society_id = ?", s.id).Error; err != nil {
			return err
		}
	}
	return nil
}

// Owns tells whether the society owns a collection, deleted or not.
func (s *Society) Owns() (bool, error) {
	var n int64
	err := s.tx.q().Where("owner_society_id = ?", s.id).Model(&collectionRow{}).Limit(1).Count(&n).Error
	return n > 0, err
}

// AddMember adds a member. Errors: ErrExists if the grower is one.
func (s *Society) AddMember(grower string, role pb.Member_Role, by By) (*pb.Member, error) {
	r := memberRow{SocietyID: s.id, GrowerID: grower, Role: int32(role), CreateUs: by.Us, UpdateUs: by.Us, Version: 1, Stamp: stamp()}
	if err := s.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	s.noteMember(grower, by, pb.AuditEntry_CREATED)
	return s.namedMember(&r)
}

func (s *Society) noteMember(grower string, by By, action pb.AuditEntry_Action) {
	s.tx.note(ofSociety(s.id), by, action, "members/"+grower)
}

// Member returns a member, or ErrNotFound.
func (s *Society) Member(grower string) (*pb.Member, error) {
	var r memberRow
	if err := s.member(grower).Take(&r).Error; err != nil {
		return nil, err
	}
	return s.namedMember(&r)
}

func (s *Society) namedMember(r *memberRow) (*pb.Member, error) {
	names, err := s.tx.shownAs([]string{r.GrowerID}, nil)
	m := r.message()
	m.DisplayName = names[m.GetGrower()]
	return m, err
}

// Members lists the members.
func (s *Society) Members(q List) ([]*pb.Member, []any, error) {
	rows, next, err := list[memberRow](s.tx, &memberList, s.own(), q)
	if err != nil {
		return nil, nil, err
	}
	growers := make([]string, len(rows))
	for i, r := range rows {
		growers[i] = r.GrowerID
	}
	names, err := s.tx.shownAs(growers, nil)
	out := messages(rows, (*memberRow).message)
	for _, m := range out {
		m.DisplayName = names[m.GetGrower()]
	}
	return out, next, err
}

// Organisers returns how many organisers there are.
func (s *Society) Organisers() (int64, error) {
	var n int64
	err := s.own().Where("role = 2").Model(&memberRow{}).Count(&n).Error
	return n, err
}

// UpdateMember changes the role of a member by f, which gets the present one.
func (s *Society) UpdateMember(grower string, by By, f func(*pb.Member) error) (*pb.Member, error) {
	var r memberRow
	if err := s.member(grower).Take(&r).Error; err != nil {
		return nil, err
	}
	m := r.message()
	if err := f(m); err != nil {
		return nil, err
	}
	if m.GetRole() == pb.Member_Role(r.Role) && r.Stamp <= stamp() {
		return s.namedMember(&r)
	}
	read := versioned{r.Version, r.Stamp}
	r.Role, r.UpdateUs, r.Version, r.Stamp = int32(m.GetRole()), by.Us, read.Version+1, stamp()
	if err := s.tx.update(&r, read, s.member(grower)); err != nil {
		return nil, err
	}
	s.noteMember(grower, by, pb.AuditEntry_UPDATED)
	return s.namedMember(&r)
}

// RemoveMember takes a member out. f may refuse it after a look at the present one.
func (s *Society) RemoveMember(grower string, by By, f func(*pb.Member) error) (*pb.Member, error) {
	m, err := s.Member(grower)
	if err != nil {
		return nil, err
	}
	if err := f(m); err != nil {
		return nil, err
	}
	if err := hit(s.member(grower).Delete(&memberRow{})); err != nil {
		return nil, err
	}
	s.noteMember(grower, by, pb.AuditEntry_DELETED)
	return m, nil
}
