package store

import (
	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type collectionRow struct {
	CollectionID    string `gorm:"primaryKey"`
	OwnerID         string
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
	r.Hemisphere = int32(m.GetHemisphere())
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
	m.Name, m.Owner = CollectionName(r.CollectionID), GrowerName(r.OwnerID)
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
	changed bool // what decides was, in this transaction
}

// May tells whether the caller may see a collection of this owner.
type May func(owner string) bool

// Collection returns the handle of a collection that the caller may see, or
// ErrNotFound. It may be deleted.
func (t *Tx) Collection(id string, may May) (*Collection, error) {
	c := &Collection{tx: t, id: id}
	if err := c.own().Take(&c.row).Error; err != nil {
		return nil, err
	}
	if !may(c.row.OwnerID) {
		return nil, ErrNotFound
	}
	if t.readOnly || t.engine == SQLite {
		return c, nil
	}
	// Only who may see it waits for its writers, and keeps others waiting.
	c.row = collectionRow{}
	if err := t.locked(c.own()).Take(&c.row).Error; err != nil {
		return nil, err
	}
	if !may(c.row.OwnerID) {
		return nil, ErrNotFound
	}
	return c, nil
}

// CreateCollection adds a collection of an owner.
func (t *Tx) CreateCollection(id, owner string, m *pb.Collection, by By) (*Collection, error) {
	c := &Collection{tx: t, id: id, row: collectionRow{
		CollectionID: id, OwnerID: owner, CreateUs: by.Us, UpdateUs: by.Us, SettingsRev: 1, DueRev: 1, DueUntil: NoDay, Version: 1, Stamp: stamp(),
	}}
	if err := c.row.set(m); err != nil {
		return nil, err
	}
	if err := t.q().Create(&c.row).Error; err != nil {
		return nil, err
	}
	return c, c.revised(CollectionKind, "", id, 1, pb.Revision_CREATED, by, nil)
}

// Collections lists the collections of an owner.
func (t *Tx) Collections(owner string, q List) ([]*pb.Collection, []any, error) {
	rows, next, err := list[collectionRow](t, &collectionList, t.q().Where("owner_id = ?", owner), q)
	if err != nil {
		return nil, nil, err
	}
	out := make([]*pb.Collection, len(rows))
	for i := range rows {
		if out[i], err = rows[i].message(); err != nil {
			return nil, nil, err
		}
	}
	return out, next, nil
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

// Owner returns the id of the grower who owns it.
func (c *Collection) Owner() string { return c.row.OwnerID }

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
	return c.change(by, pb.Revision_UPDATED, func(r *collectionRow, m *pb.Collection) error {
		if err := f(m); err != nil {
			return err
		}
		return r.set(m)
	})
}

// Delete deletes the collection, to be purged at purgeUs. f may refuse it.
func (c *Collection) Delete(by By, purgeUs int64, f func(*pb.Collection) error) (*pb.Collection, error) {
	return c.change(by, pb.Revision_DELETED, func(r *collectionRow, m *pb.Collection) error {
		r.DeleteUs, r.PurgeUs = &by.Us, &purgeUs
		return f(m)
	})
}

// Undelete brings the collection back. f may refuse it.
func (c *Collection) Undelete(by By, f func(*pb.Collection) error) (*pb.Collection, error) {
	return c.change(by, pb.Revision_UNDELETED, func(r *collectionRow, m *pb.Collection) error {
		r.DeleteUs, r.PurgeUs = nil, nil
		return f(m)
	})
}

func (c *Collection) change(by By, action pb.Revision_Action, f func(*collectionRow, *pb.Collection) error) (*pb.Collection, error) {
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
	if err := c.revised(CollectionKind, "", c.id, r.Version, action, by, before); err != nil {
		return nil, err
	}
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
