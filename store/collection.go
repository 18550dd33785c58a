package store

import (
	"errors"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type collectionRow struct {
	CollectionID    string  `gorm:"primaryKey"`
	OwnerID         *string // a grower, or else
	OwnerSocietyID  *string
	Visibility      int32
	DisplayName     string
	DisplayNameKey  string
	TimeZone        string
	LatitudeDeg     *int32
	Hemisphere      int32
	FeedingWeekdays int32  // bit 1 is Monday, bit 7 Sunday
	Absences        string // JSON of a collection that has them alone
	Regimens        string // likewise
	CreateUs        int64
	UpdateUs        int64
	DeleteUs        *int64
	PurgeUs         *int64
	SettingsRev     int64  // counts changes of what decisions depend on beside a plant's own record
	PendingUs       *int64 // the earliest record dated ahead that has not been taken into account

	// All rows of plant_due are of the settings DueRev, or later ones, and of the program
	// DueVersion; "" where there are none. They are true from DueDay on, until DueUntil.
	DueRev     int64
	DueVersion string
	DueDay     int32
	DueUntil   int32

	Version int64
	Stamp   int32
}

func (collectionRow) TableName() string { return "collections" }

func (r *collectionRow) set(m *pb.Collection) error {
	r.DisplayName, r.DisplayNameKey, r.TimeZone = m.GetDisplayName(), Fold(m.GetDisplayName()), m.GetTimeZone()
	r.LatitudeDeg = nil
	if m.LatitudeDeg != nil {
		whole := int32(m.GetLatitudeDeg()) // rounded by the caller
		r.LatitudeDeg = &whole
	}
	r.Hemisphere, r.Visibility = int32(m.GetHemisphere()), int32(m.GetVisibility())
	r.FeedingWeekdays = 0
	for _, d := range m.GetFeedingWeekdays() {
		r.FeedingWeekdays |= 1 << d
	}
	var err error
	if r.Absences, err = text(&pb.Collection{Absences: m.GetAbsences()}); err != nil {
		return err
	}
	r.Regimens, err = text(&pb.Collection{Regimens: m.GetRegimens()})
	return err
}

// owner is the name of who owns it.
func (r *collectionRow) owner() string {
	if r.OwnerSocietyID != nil {
		return SocietyName(*r.OwnerSocietyID)
	}
	return GrowerName(deref(r.OwnerID))
}

func (r *collectionRow) message() (*pb.Collection, error) {
	m := &pb.Collection{}
	if err := readText(r.Absences, m); err != nil {
		return nil, err
	}
	more := &pb.Collection{}
	if err := readText(r.Regimens, more); err != nil {
		return nil, err
	}
	m.Regimens = more.GetRegimens()
	m.Name, m.Owner, m.Visibility = CollectionName(r.CollectionID), r.owner(), pb.Collection_Visibility(r.Visibility)
	m.DisplayName, m.TimeZone, m.Hemisphere = r.DisplayName, r.TimeZone, pb.Collection_Hemisphere(r.Hemisphere)
	if r.LatitudeDeg != nil {
		whole := float64(*r.LatitudeDeg)
		m.LatitudeDeg = &whole
	}
	for d := dayofweek.DayOfWeek_MONDAY; d <= dayofweek.DayOfWeek_SUNDAY; d++ {
		if r.FeedingWeekdays&(1<<d) != 0 {
			m.FeedingWeekdays = append(m.FeedingWeekdays, d)
		}
	}
	m.CreateTime, m.UpdateTime = instant(r.CreateUs), instant(r.UpdateUs)
	m.DeleteTime, m.PurgeTime = maybe(r.DeleteUs), maybe(r.PurgeUs)
	m.Etag = etag(r.CreateUs, r.Version)
	return m, nil
}

var collectionList = listing{
	fields: map[string]column{
		"displayName": {name: "display_name", folded: "display_name_key"},
		"timeZone":    {name: "time_zone"},
		"createTime":  {name: "create_us"},
		"visibility":  {name: "visibility"},
	},
	orders: map[string][]string{
		"name":        {"collection_id"},
		"displayName": {"display_name_key", "collection_id"},
	},
	usual:     "name",
	deletable: true,
	purged:    true,
}

// Collection is what belongs to one collection. It can be used as long as its
// transaction. A writing transaction holds a lock on the collection, so its writers
// come one after another.
type Collection struct {
	tx      *Tx
	id      string
	row     collectionRow
	ties    Ties
	changed bool // what decides was, in this transaction
}

// Ties are what a grower has to do with a collection.
type Ties struct {
	Owns       bool          // it is the grower's own
	Organises  bool          // the society that owns it
	Granted    pb.Grant_Role // the highest that is granted to the grower or to a society of the grower's; 0: none
	Visibility pb.Collection_Visibility
	Deleted    bool
}

// May tells whether a grower who has these ties to a collection may see it.
type May func(Ties) bool

// Collection returns the handle of a collection that a grower may see, or ErrNotFound.
// It may be deleted.
func (t *Tx) Collection(id, grower string, may May) (*Collection, error) {
	c := &Collection{tx: t, id: id}
	locks := !t.readOnly && t.engine == Postgres
	if locks && grower != "" { // most who write own it: one statement for them
		err := t.locked(c.own().Where("owner_id = ?", grower)).Take(&c.row).Error
		if err == nil {
			return c.seen(grower, may)
		}
		if !errors.Is(err, ErrNotFound) {
			return nil, err
		}
	}
	if err := c.own().Take(&c.row).Error; err != nil {
		return nil, err
	}
	if seen, err := c.seen(grower, may); err != nil || !locks {
		return seen, err
	}
	// Only who may see it waits for its writers, and keeps others waiting.
	c.row = collectionRow{}
	if err := t.locked(c.own()).Take(&c.row).Error; err != nil {
		return nil, err
	}
	return c.seen(grower, may)
}

// granted and organised are what others than the grower who owns a collection may have to
// do with it: arguments of the one are the collection and the grower twice, of the other
// the society that owns it and the grower.
const (
	granted = "SELECT coalesce(max(g.role), 0) FROM grants g WHERE g.collection_id = ?" +
		" AND (g.grower_id = ? OR g.society_id IN (SELECT m.society_id FROM members m WHERE m.grower_id = ?))"
	organised = "SELECT count(*) FROM members m WHERE m.society_id = ? AND m.grower_id = ? AND m.role = 2"
)

// seen finds what a grower has to do with the collection, and returns it if they may see it.
func (c *Collection) seen(grower string, may May) (*Collection, error) {
	c.ties = c.row.ties(grower)
	if !c.ties.Owns && grower != "" {
		var more struct{ Granted, Organised int64 }
		found := c.tx.q().Raw("SELECT ("+granted+") AS granted, ("+organised+") AS organised", c.id, grower, grower, c.row.OwnerSocietyID, grower).Scan(&more)
		if err := hit(found); err != nil {
			return nil, err
		}
		c.ties.Granted, c.ties.Organises = pb.Grant_Role(more.Granted), more.Organised > 0
	}
	if !may(c.ties) {
		return nil, ErrNotFound
	}
	return c, nil
}

// ties are those that the row tells.
func (r *collectionRow) ties(grower string) Ties {
	return Ties{Owns: r.OwnerID != nil && *r.OwnerID == grower, Visibility: pb.Collection_Visibility(r.Visibility), Deleted: r.DeleteUs != nil}
}

// Ties are what the grower for whom the collection was opened has to do with it.
func (c *Collection) Ties() Ties { return c.ties }

// CreateCollection adds a collection of a grower's.
func (t *Tx) CreateCollection(id, owner string, m *pb.Collection, by By) (*Collection, error) {
	c := &Collection{tx: t, id: id, row: collectionRow{
		CollectionID: id, OwnerID: &owner, CreateUs: by.Us, UpdateUs: by.Us, SettingsRev: 1, DueRev: 1, DueUntil: NoDay, Version: 1, Stamp: stamp(),
	}}
	if err := c.row.set(m); err != nil {
		return nil, err
	}
	c.ties = c.row.ties(owner)
	if err := t.q().Create(&c.row).Error; err != nil {
		return nil, err
	}
	return c, c.revised(CollectionKind, "", id, 1, pb.Revision_CREATED, by, nil)
}

// Listed is a collection in a list, with what the grower who lists has to do with it.
type Listed struct {
	*pb.Collection
	Ties
}

// Collections that a grower may see: their own, those of societies that they organise, and
// those that are granted to them or to societies of which they are members. The grower is
// the argument, four times.
const (
	organises = "SELECT m.society_id FROM members m WHERE m.grower_id = ? AND m.role = 2"
	owned     = "SELECT c.collection_id FROM collections c WHERE c.owner_id = ? UNION ALL SELECT c.collection_id FROM collections c WHERE c.owner_society_id IN (" + organises + ")"
	shared    = "SELECT g.collection_id FROM grants g WHERE g.grower_id = ? UNION SELECT g.collection_id FROM grants g WHERE g.society_id IN (SELECT m.society_id FROM members m WHERE m.grower_id = ?)"
)

// Collections lists the collections that a grower owns, also as an organiser, and those
// that are SHARED or PUBLIC, not deleted, and are granted to the grower.
func (t *Tx) Collections(grower string, q List) ([]Listed, []any, error) {
	// In two steps: in one, Postgres may go through all collections of everybody.
	var ids []string
	err := t.q().Raw(owned+" UNION SELECT c.collection_id FROM collections c WHERE c.visibility IN (2, 3) AND c.delete_us IS NULL AND c.collection_id IN ("+shared+")",
		grower, grower, grower, grower).Scan(&ids).Error
	if err != nil || len(ids) == 0 {
		return nil, nil, err
	}
	return t.listed(grower, t.of(t.q(), "collection_id", ids), q)
}

// PublicCollections lists the public collections of everybody.
func (t *Tx) PublicCollections(grower string, q List) ([]Listed, []any, error) {
	q.Deleted = false
	return t.listed(grower, t.q().Where("visibility = 3"), q)
}

func (t *Tx) listed(grower string, base *gorm.DB, q List) ([]Listed, []any, error) {
	rows, next, err := list[collectionRow](t, &collectionList, base, q)
	if err != nil {
		return nil, nil, err
	}
	var others, societies []string
	for i := range rows {
		if r := &rows[i]; deref(r.OwnerID) != grower {
			others = append(others, r.CollectionID)
			if r.OwnerSocietyID != nil {
				societies = append(societies, *r.OwnerSocietyID)
			}
		}
	}
	roles, err := t.grantedTo(grower, others)
	if err != nil {
		return nil, nil, err
	}
	organised, err := t.organisedBy(grower, societies)
	if err != nil {
		return nil, nil, err
	}
	out := make([]Listed, len(rows))
	for i := range rows {
		r := &rows[i]
		m, err := r.message()
		if err != nil {
			return nil, nil, err
		}
		ties := r.ties(grower)
		ties.Granted = roles[r.CollectionID]
		ties.Organises = r.OwnerSocietyID != nil && organised[*r.OwnerSocietyID]
		out[i] = Listed{m, ties}
	}
	return out, next, nil
}

// grantedTo returns the highest role that is granted to a grower in collections, by their
// ids.
func (t *Tx) grantedTo(grower string, collections []string) (map[string]pb.Grant_Role, error) {
	out := map[string]pb.Grant_Role{}
	for some := range chunks(collections) {
		var rows []grantRow
		err := t.of(t.q(), "collection_id", some).
			Where("(grower_id = ? OR society_id IN (SELECT m.society_id FROM members m WHERE m.grower_id = ?))", grower, grower).Find(&rows).Error
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[r.CollectionID] = max(out[r.CollectionID], pb.Grant_Role(r.Role))
		}
	}
	return out, nil
}

// organisedBy tells which societies a grower organises.
func (t *Tx) organisedBy(grower string, societies []string) (map[string]bool, error) {
	out := map[string]bool{}
	for some := range chunks(societies) {
		var rows []memberRow
		if err := t.of(t.q(), "society_id", some).Where("grower_id = ? AND role = 2", grower).Find(&rows).Error; err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[r.SocietyID] = true
		}
	}
	return out, nil
}

// CollectionIDs returns the ids of collections after one, in their order, at most
// limit. It is for the sweep of what is to be purged.
func (t *Tx) CollectionIDs(after string, limit int) ([]string, error) {
	var ids []string
	err := t.q().Model(&collectionRow{}).Where("collection_id > ?", after).Order("collection_id").Limit(limit).Pluck("collection_id", &ids).Error
	return ids, err
}

// PendingCollections returns the ids of collections after one that have a record dated
// ahead, or one whose day has come since, in their order, at most limit. It is for who
// brings all of them up to date.
func (t *Tx) PendingCollections(after string, limit int) ([]string, error) {
	var ids []string
	err := t.q().Model(&collectionRow{}).Where("pending_us IS NOT NULL AND collection_id > ?", after).Order("collection_id").Limit(limit).Pluck("collection_id", &ids).Error
	return ids, err
}

func (c *Collection) own() *gorm.DB { return c.tx.q().Where("collection_id = ?", c.id) }

// ID returns the id.
func (c *Collection) ID() string { return c.id }

// Owner returns the id of the grower who owns it; "" if a society does.
func (c *Collection) Owner() string { return deref(c.row.OwnerID) }

// OwnerSociety returns the id of the society that owns it; "" if a grower does.
func (c *Collection) OwnerSociety() string { return deref(c.row.OwnerSocietyID) }

// Deleted tells whether it is deleted.
func (c *Collection) Deleted() bool { return c.row.DeleteUs != nil }

// PendingUs returns when the earliest record is dated that lay ahead when the
// collection's plants were last brought up to date; nil if none did.
func (c *Collection) PendingUs() *int64 { return c.row.PendingUs }

// Changed tells whether the transaction changed what decides beside a plant's own record.
func (c *Collection) Changed() bool { return c.changed }

// Get returns the collection.
func (c *Collection) Get() (*pb.Collection, error) { return c.row.message() }

// Update changes the collection by f, which gets the present one.
func (c *Collection) Update(by By, f func(*pb.Collection) error) (*pb.Collection, error) {
	return c.change(by, pb.Revision_UPDATED, pb.AuditEntry_UPDATED, func(r *collectionRow, m *pb.Collection) error {
		if err := f(m); err != nil {
			return err
		}
		return r.set(m)
	})
}

// Delete deletes the collection, to be purged at purgeUs. f may refuse it.
func (c *Collection) Delete(by By, purgeUs int64, f func(*pb.Collection) error) (*pb.Collection, error) {
	return c.change(by, pb.Revision_DELETED, pb.AuditEntry_DELETED, func(r *collectionRow, m *pb.Collection) error {
		r.DeleteUs, r.PurgeUs = &by.Us, &purgeUs
		return f(m)
	})
}

// Undelete brings the collection back. f may refuse it.
func (c *Collection) Undelete(by By, f func(*pb.Collection) error) (*pb.Collection, error) {
	return c.change(by, pb.Revision_UNDELETED, pb.AuditEntry_UNDELETED, func(r *collectionRow, m *pb.Collection) error {
		r.DeleteUs, r.PurgeUs = nil, nil
		return f(m)
	})
}

// Transfer gives the collection to a grower or, where that is "", to a society. f may
// refuse it after a look at the present one.
func (c *Collection) Transfer(grower, society string, by By, f func(*pb.Collection) error) (*pb.Collection, error) {
	return c.change(by, pb.Revision_UPDATED, pb.AuditEntry_TRANSFERRED, func(r *collectionRow, m *pb.Collection) error {
		r.OwnerID, r.OwnerSocietyID = orNil(grower), orNil(society)
		return f(m)
	})
}

// change changes the collection by f. The audit calls it done.
func (c *Collection) change(by By, action pb.Revision_Action, done pb.AuditEntry_Action, f func(*collectionRow, *pb.Collection) error) (*pb.Collection, error) {
	before, err := c.row.message()
	if err != nil {
		return nil, err
	}
	r := c.row // the handle stays as it is if the change fails
	if err := f(&r, proto.CloneOf(before)); err != nil {
		return nil, err
	}
	if after, err := r.message(); err != nil || same(action, c.row.Stamp, before, after) {
		return after, err
	}
	r.UpdateUs, r.Version, r.Stamp = by.Us, c.row.Version+1, stamp()
	after, err := r.message()
	if err != nil {
		return nil, err
	}
	if decides(before, after) {
		r.SettingsRev++
	}
	if err := c.tx.update(&r, versioned{c.row.Version, c.row.Stamp}, c.own()); err != nil {
		return nil, err
	}
	h, err := c.revision(CollectionKind, "", c.id, r.Version, action, by, before)
	if err != nil {
		return nil, err
	}
	if err := c.tx.q().Create(&h).Error; err != nil {
		return nil, err
	}
	c.tx.note(ofCollection(c.id), by, done, "")
	c.changed = c.changed || r.SettingsRev != c.row.SettingsRev
	c.row = r
	return c.row.message()
}

// decides tells whether a change of a collection can change what is due in it.
func decides(before, after *pb.Collection) bool {
	of := func(m *pb.Collection) *pb.Collection {
		return &pb.Collection{
			TimeZone: m.GetTimeZone(), LatitudeDeg: m.LatitudeDeg, Hemisphere: m.GetHemisphere(),
			FeedingWeekdays: m.GetFeedingWeekdays(), Absences: m.GetAbsences(), Regimens: m.GetRegimens(),
		}
	}
	return !proto.Equal(of(before), of(after))
}

// UntrueCollections returns the ids of collections after one, in their order, in which
// something may be kept of what is due that is not true of a day, at most limit. version
// is that of the program: those of which another one keeps what is due are left out,
// unless it takes over. It is for who brings all of them up to date.
func (t *Tx) UntrueCollections(version string, day int32, takeOver bool, after string, limit int) ([]string, error) {
	over := 0
	if takeOver {
		over = 1
	}
	var ids []string
	err := t.q().Model(&collectionRow{}).Where("(due_rev <> settings_rev OR due_version NOT IN (?, '') OR due_day > ? OR due_until <= ?)"+
		" AND (due_version IN (?, '') OR 1 = ?) AND delete_us IS NULL AND collection_id > ?", version, day, day, version, over, after).
		Order("collection_id").Limit(limit).Pluck("collection_id", &ids).Error
	return ids, err
}

// settingsChanged notes that decisions of the collection may be others now.
func (c *Collection) settingsChanged() error {
	c.row.SettingsRev++
	c.changed = true
	return hit(c.own().Model(&collectionRow{}).UpdateColumn("settings_rev", c.row.SettingsRev))
}
