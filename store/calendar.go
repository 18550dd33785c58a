package store

import (
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type calendarRow struct {
	GrowerID     string  `gorm:"primaryKey"`
	CalendarID   string  `gorm:"primaryKey"`
	CollectionID *string // nil: all of the grower's
	Hash         []byte
	DisplayName  string
	LastUseUs    *int64
	CreateUs     int64
	RevokeUs     *int64
	Version      int64
	Stamp        int32
}

func (calendarRow) TableName() string { return "calendars" }

func (r *calendarRow) parent() string {
	if r.CollectionID != nil {
		return CollectionName(*r.CollectionID)
	}
	return GrowerName(r.GrowerID)
}

func (r *calendarRow) message() *pb.Calendar {
	return &pb.Calendar{
		Name:        CalendarName(r.parent(), r.CalendarID),
		DisplayName: r.DisplayName,
		LastUseTime: maybe(r.LastUseUs),
		CreateTime:  instant(r.CreateUs),
		RevokeTime:  maybe(r.RevokeUs),
		Etag:        etag(r.CreateUs, r.Version),
	}
}

var calendarList = listing{
	orders: map[string][]string{"name": {"calendar_id"}},
	usual:  "name",
}

// Subscription is what the secret of a calendar opens.
type Subscription struct {
	Grower, Calendar string  // ids
	Collection       *string // id; nil: all of the grower's
	DisplayName      string
	LastUseUs        *int64
	Suspended        bool
	Revoked          bool
}

// Subscription returns what the secret with the given hash opens, or ErrNotFound.
// Whether it still may is for the caller to judge.
func (t *Tx) Subscription(hash []byte) (*Subscription, error) {
	var r calendarRow
	if err := t.q().Where("hash = ?", hash).Take(&r).Error; err != nil {
		return nil, err
	}
	var own growerRow
	if err := t.Grower(r.GrowerID).own().Take(&own).Error; err != nil {
		return nil, err
	}
	return &Subscription{
		Grower: r.GrowerID, Calendar: r.CalendarID, Collection: r.CollectionID, DisplayName: r.DisplayName, LastUseUs: r.LastUseUs,
		Suspended: own.SuspendUs != nil, Revoked: r.RevokeUs != nil,
	}, nil
}

// calendar finds a calendar by its name, as the name says of which collection it is.
func (g *Grower) calendar(name string) *gorm.DB {
	return g.calendarsOf(Segment(name, "collections")).Where("calendar_id = ?", Segment(name, "calendars"))
}

// calendarsOf finds the calendars of a collection, or those of all where it is "".
func (g *Grower) calendarsOf(collection string) *gorm.DB {
	if collection == "" {
		return g.own().Where("collection_id IS NULL")
	}
	return g.own().Where("collection_id = ?", collection)
}

// CreateCalendar adds a calendar of the grower's with the hash of its secret. The name
// and the display name of the message count.
func (g *Grower) CreateCalendar(m *pb.Calendar, hash []byte, us int64) (*pb.Calendar, error) {
	r := calendarRow{
		GrowerID: g.id, CalendarID: Segment(m.GetName(), "calendars"), Hash: hash, DisplayName: m.GetDisplayName(),
		CreateUs: us, Version: 1, Stamp: stamp(),
	}
	if collection := Segment(m.GetName(), "collections"); collection != "" {
		r.CollectionID = &collection
	}
	if err := g.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Calendar returns a calendar of the grower's by its name, or ErrNotFound.
func (g *Grower) Calendar(name string) (*pb.Calendar, error) {
	var r calendarRow
	if err := g.calendar(name).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.message(), nil
}

// Calendars lists the grower's calendars of a collection, or with "" those of all
// collections; those that were revoked only with q.Deleted.
func (g *Grower) Calendars(collection string, q List) ([]*pb.Calendar, []any, error) {
	base := g.calendarsOf(collection)
	if !q.Deleted {
		base = base.Where("revoke_us IS NULL")
	}
	rows, next, err := list[calendarRow](g.tx, &calendarList, base, q)
	return messages(rows, (*calendarRow).message), next, err
}

// LiveCalendars returns how many calendars of the grower are not revoked. Lock first,
// for a number that holds until the transaction ends.
func (g *Grower) LiveCalendars() (int64, error) {
	var n int64
	err := g.own().Model(&calendarRow{}).Where("revoke_us IS NULL").Count(&n).Error
	return n, err
}

// RevokeCalendar ends a calendar by its name; f may refuse it after a look at the
// present one. One that was revoked already stays as it is.
func (g *Grower) RevokeCalendar(name string, us int64, f func(*pb.Calendar) error) (*pb.Calendar, error) {
	if err := g.Lock(); err != nil {
		return nil, err
	}
	var r calendarRow
	if err := g.tx.locked(g.calendar(name)).Take(&r).Error; err != nil {
		return nil, err
	}
	if err := f(r.message()); err != nil {
		return nil, err
	}
	if r.RevokeUs != nil {
		return r.message(), nil
	}
	read := versioned{r.Version, r.Stamp}
	r.RevokeUs, r.Version, r.Stamp = &us, r.Version+1, stamp()
	if err := g.tx.update(&r, read, g.calendar(name)); err != nil {
		return nil, err
	}
	return r.message(), nil
}

// UseCalendar notes when a calendar was last read, by its id, or returns ErrNotFound.
func (g *Grower) UseCalendar(id string, us int64) error {
	return hit(g.own().Where("calendar_id = ?", id).Model(&calendarRow{}).UpdateColumn("last_use_us", us))
}
