package store

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	pb "dewbench/proto/dewbench/v1"
)

// dueRow is what follows from a plant's record and from the engine. It changes
// without a change of the plant.
type dueRow struct {
	CollectionID      string `gorm:"primaryKey"`
	PlantID           string `gorm:"primaryKey"`
	LastFeedUs        *int64
	PendingUs         *int64 // of the earliest record dated ahead of the day when it was kept
	RosetteDiameterMm *float64
	HeightMm          *float64
	TrapWidthMm       *float64
	WorkingTraps      *int32
	LeafCount         *int32
	MeasureUs         *int64
	SettingsRev       int64 // 0: of another program than the collection's DueVersion
	FromDay           int32
	UntilDay          int32
	Class             int32
	DueFromDay        int32
	DueLastDay        int32
	BenchWalk         int32
	PlantWalk         int32
	TagKey            string
	Traps             int32
	Decision          []byte
	Record            []byte
}

func (dueRow) TableName() string { return "plant_due" }

// NoDay is the day of what has none. It comes after all others. Days are counted from
// 1970-01-01.
const NoDay = math.MaxInt32

// The classes of what is kept.
const (
	DueNotThere   = 0 // it is not there on those days
	DueOpen       = 1 // with a window, or none in sight
	DueHeld       = 2
	DueNotHandFed = 3
)

// Due is what follows from a plant's record, and what the engine decided, with the days
// for which that is true.
type Due struct {
	Sizes      *pb.Plant_Sizes // nil if it was never measured
	LastFeedUs *int64
	PendingUs  *int64 // of the earliest record dated ahead, which is not in these; nil if there is none

	From, Until      int32 // days [From, Until) for which the rest is true
	Class            int32
	DueFrom, DueLast int32 // the window, DueLast inclusive; NoDay
	BenchWalk        int32 // walk order of the bench; NoWalk if it has none
	Traps            int32
	Decision         []byte // in a form of the caller's; nil for a plant that is not there
	Record           []byte // likewise: the plant's events, of all days

	// What the plant itself tells of its place in a list: see Place.
	PlantWalk int32
	TagKey    string

	Settings int64 // the revision under which it was kept; KeepDue takes the present one
}

// Place takes over what a plant and its bench, which may be nil, tell of its place in a
// list.
func (d *Due) Place(p *pb.Plant, bench *pb.Bench) {
	d.PlantWalk, d.BenchWalk, d.TagKey = walkOrder(p.WalkOrder), NoWalk, Fold(p.GetTag())
	if bench != nil {
		d.BenchWalk = walkOrder(bench.WalkOrder)
	}
}

// NoWalk is the walk order of what has none.
const NoWalk = lastInWalk

func (r *dueRow) due() *Due {
	d := &Due{
		LastFeedUs: r.LastFeedUs, PendingUs: r.PendingUs, From: r.FromDay, Until: r.UntilDay, Class: r.Class, DueFrom: r.DueFromDay, DueLast: r.DueLastDay,
		BenchWalk: r.BenchWalk, PlantWalk: r.PlantWalk, TagKey: r.TagKey, Traps: r.Traps, Decision: r.Decision, Record: r.Record, Settings: r.SettingsRev,
	}
	if r.MeasureUs != nil {
		d.Sizes = &pb.Plant_Sizes{
			RosetteDiameterMm: r.RosetteDiameterMm, HeightMm: r.HeightMm, TrapWidthMm: r.TrapWidthMm,
			WorkingTraps: r.WorkingTraps, LeafCount: r.LeafCount, MeasureTime: instant(*r.MeasureUs),
		}
	}
	return d
}

// True tells whether what is kept of a plant is true of a day, for the settings of the
// collection as they are and for a version of the program. d may be nil.
func (c *Collection) True(d *Due, version string, day int32) bool {
	return d != nil && c.row.DueVersion == version && d.Settings == c.row.SettingsRev && d.From <= day && day < d.Until
}

// AllTrue tells whether what is kept of all plants is true of a day, likewise.
func (c *Collection) AllTrue(version string, day int32) bool {
	return (c.row.DueVersion == version || c.row.DueVersion == "") && c.row.DueRev == c.row.SettingsRev && c.row.DueDay <= day && day < c.row.DueUntil
}

// KeepDue keeps what follows from the records of plants, by id. version is that of the
// program that decided.
func (c *Collection) KeepDue(version string, all map[string]*Due) error {
	if len(all) == 0 {
		return nil
	}
	next := c.row
	if next.DueVersion == "" {
		next.DueVersion = version
	}
	settings := next.SettingsRev
	if next.DueVersion != version { // another program's may not take it for its own
		settings, next.DueRev = 0, 0
	}
	rows := make([]dueRow, 0, len(all))
	for _, id := range slices.Sorted(maps.Keys(all)) {
		d := all[id]
		r := dueRow{
			CollectionID: c.id, PlantID: id, LastFeedUs: d.LastFeedUs, PendingUs: d.PendingUs, SettingsRev: settings,
			FromDay: d.From, UntilDay: d.Until, Class: d.Class, DueFromDay: d.DueFrom, DueLastDay: d.DueLast,
			BenchWalk: d.BenchWalk, PlantWalk: d.PlantWalk, TagKey: d.TagKey, Traps: d.Traps, Decision: d.Decision, Record: d.Record,
		}
		if s := d.Sizes; s != nil {
			r.RosetteDiameterMm, r.HeightMm, r.TrapWidthMm = s.RosetteDiameterMm, s.HeightMm, s.TrapWidthMm
			r.WorkingTraps, r.LeafCount, r.MeasureUs = s.WorkingTraps, s.LeafCount, maybeMicros(s.MeasureTime)
		}
		next.DueDay, next.DueUntil = max(next.DueDay, d.From), min(next.DueUntil, d.Until)
		rows = append(rows, r)
	}
	if err := insert(c.tx, rows, "collection_id", "plant_id"); err != nil {
		return err
	}
	return c.keepTrue(next)
}

// keepTrue writes what the collection's row says of plant_due. Nobody's etag changes.
func (c *Collection) keepTrue(next collectionRow) error {
	now := c.row
	if next.DueRev == now.DueRev && next.DueVersion == now.DueVersion && next.DueDay == now.DueDay && next.DueUntil == now.DueUntil {
		return nil
	}
	err := hit(c.own().Select("due_rev", "due_version", "due_day", "due_until").UpdateColumns(&next))
	if err == nil {
		c.row = next
	}
	return err
}

// TakeOver makes a version of the program the one that keeps what is due. All that
// another one kept is not true any more.
func (c *Collection) TakeOver(version string) error {
	if c.row.DueVersion == version {
		return nil
	}
	if err := c.settingsChanged(); err != nil {
		return err
	}
	next := c.row
	next.DueVersion = version
	return c.keepTrue(next)
}

// Keeps tells whether a version of the program is the one that keeps what is due, or
// none is yet.
func (c *Collection) Keeps(version string) bool {
	return c.row.DueVersion == version || c.row.DueVersion == ""
}

// Untrue returns plants after one, in the order of their ids, of which nothing is kept
// that is true of a day: at most limit. It is for the version that keeps what is due.
func (c *Collection) Untrue(day int32, after string, limit int) ([]string, error) {
	var ids []string
	for len(ids) < limit {
		var plants []string
		err := c.own().Where("plant_id > ?", after).Model(&plantRow{}).Order("plant_id").Limit(untruePlants).Pluck("plant_id", &plants).Error
		if err != nil || len(plants) == 0 {
			return ids, err
		}
		var rows []dueRow
		err = c.own().Where("plant_id > ? AND plant_id <= ?", after, plants[len(plants)-1]).Order("plant_id").
			Select("plant_id", "settings_rev", "from_day", "until_day").Find(&rows).Error
		if err != nil {
			return nil, err
		}
		for _, id := range plants {
			holds := false
			for ; len(rows) > 0 && rows[0].PlantID <= id; rows = rows[1:] {
				r := &rows[0]
				holds = r.PlantID == id && r.SettingsRev == c.row.SettingsRev && r.FromDay <= day && day < r.UntilDay
			}
			if !holds && len(ids) < limit {
				ids = append(ids, id)
			}
		}
		after = plants[len(plants)-1]
	}
	return ids, nil
}

// untruePlants is of how many plants at a time Untrue looks at what is kept.
const untruePlants = 1000

// NowTrue notes for which days all that is kept is true, after Untrue found no plant
// after "".
func (c *Collection) NowTrue() error {
	next := c.row
	next.DueRev = next.SettingsRev
	var ends struct{ From, Until *int32 }
	err := c.own().Model(&dueRow{}).Select("max(from_day) AS \"from\", min(until_day) AS \"until\"").Scan(&ends).Error
	if err != nil {
		return err
	}
	next.DueDay, next.DueUntil = 0, NoDay
	if ends.From != nil {
		next.DueDay, next.DueUntil = *ends.From, *ends.Until
	}
	return c.keepTrue(next)
}

// CountUntrue returns of how many plants nothing is kept that is true of a day. Some that
// are to be purged may count too.
func (c *Collection) CountUntrue(version string, day int32) (int, error) {
	var all, kept, untrue int64
	err := c.own().Model(&plantRow{}).Count(&all).Error
	if err != nil {
		return 0, err
	}
	if err := c.own().Model(&dueRow{}).Count(&kept).Error; err != nil {
		return 0, err
	}
	untrue = kept
	if settings := c.settingsOf(version); settings >= 0 {
		err = c.own().Where("settings_rev <> ? OR from_day > ? OR until_day <= ?", settings, day, day).Model(&dueRow{}).Count(&untrue).Error
	}
	return int(untrue + max(0, all-kept)), err
}

// Aged returns plants of which what is kept is only not true of a day as it is not one of
// its days, at most limit, if all else is as it should be: ok tells.
func (c *Collection) Aged(version string, day int32, limit int) (ids []string, ok bool, err error) {
	if !c.Keeps(version) || c.row.DueRev != c.row.SettingsRev {
		return nil, false, nil
	}
	err = c.own().Where("from_day > ? OR until_day <= ?", day, day).
		Model(&dueRow{}).Limit(limit).Pluck("plant_id", &ids).Error
	return ids, true, err
}

// settingsOf is the revision of the settings that rows which a version of the program
// kept have, if they are still true.
func (c *Collection) settingsOf(version string) int64 {
	if c.row.DueVersion != version {
		return -1
	}
	return c.row.SettingsRev
}

// DuePlants returns all plants with what is kept of them, in the order of their ids,
// but for those that are not there on the day and those that are to be purged by goneUs.
// Records are only read where the rest is not true of the day, or of all, and of the
// plants what decides and names them. A plant of which nothing is kept has a nil Due.
//
// The two tables are read one after the other and put together here: a plan that Postgres
// made for few plants would take very long for many.
func (c *Collection) DuePlants(version string, day int32, goneUs int64, records bool) ([]*Plant, []*Due, error) {
	kept := map[string]*Due{}
	settings := c.settingsOf(version)
	if records {
		settings = -1
	}
	rows, err := c.tx.q().Raw("SELECT plant_id, pending_us, settings_rev, from_day, until_day, class, due_from_day, due_last_day, bench_walk, plant_walk, tag_key, traps,"+
		" decision, CASE WHEN settings_rev = ? AND from_day <= ? AND until_day > ? THEN NULL ELSE record END"+
		" FROM plant_due WHERE collection_id = ?", settings, day, day, c.id).Rows()
	if err != nil {
		return nil, nil, err
	}
	for rows.Next() {
		var d dueRow
		err := rows.Scan(&d.PlantID, &d.PendingUs, &d.SettingsRev, &d.FromDay, &d.UntilDay, &d.Class, &d.DueFromDay, &d.DueLastDay,
			&d.BenchWalk, &d.PlantWalk, &d.TagKey, &d.Traps, &d.Decision, &d.Record)
		if err != nil {
			return nil, nil, errors.Join(err, rows.Close())
		}
		kept[d.PlantID] = d.due()
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, nil, err
	}
	rows, err = c.tx.q().Raw("SELECT plant_id, tag, taxon, scientific_name, genus, trap_type, trap, habit, cultivar, first_bench_id, bench_id,"+
		" walk_order, acquire_date, regimen, quantity, state, living, create_us, delete_us"+
		" FROM plants WHERE collection_id = ? AND (purge_us IS NULL OR purge_us > ?) ORDER BY plant_id", c.id, goneUs).Rows()
	if err != nil {
		return nil, nil, err
	}
	plants, all := make([]*Plant, 0, len(kept)), make([]*Due, 0, len(kept))
	for rows.Next() {
		r := plantRow{CollectionID: c.id, Parents: "null"}
		err := rows.Scan(&r.PlantID, &r.Tag, &r.Taxon, &r.ScientificName, &r.Genus, &r.TrapType, &r.Trap, &r.Habit, &r.Cultivar, &r.FirstBenchID, &r.BenchID,
			&r.WalkOrder, &r.AcquireDate, &r.Regimen, &r.Quantity, &r.State, &r.Living, &r.CreateUs, &r.DeleteUs)
		if err != nil {
			return nil, nil, errors.Join(err, rows.Close())
		}
		d := kept[r.PlantID]
		if !records && d != nil && d.Class == DueNotThere && c.True(d, version, day) {
			continue
		}
		p, err := r.plant()
		if err != nil {
			return nil, nil, errors.Join(err, rows.Close())
		}
		plants, all = append(plants, p), append(all, d)
	}
	return plants, all, errors.Join(rows.Err(), rows.Close())
}

// KeptDue returns what is kept of plants, by id. A plant without a record has none.
func (c *Collection) KeptDue(plantIDs []string) (map[string]*Due, error) {
	out := map[string]*Due{}
	for some := range chunks(plantIDs) {
		var rows []dueRow
		if err := c.tx.among(c.own(), "plant_id", some).Find(&rows).Error; err != nil {
			return nil, err
		}
		for i := range rows {
			out[rows[i].PlantID] = rows[i].due()
		}
	}
	return out, nil
}

// DueKey is the place of a plant in a list of what is due.
type DueKey struct {
	Status                     pb.DueFeeding_Status
	Last, BenchWalk, PlantWalk int32
	TagKey, Plant              string
}

// DueQuery asks for a part of a list of what is due.
type DueQuery struct {
	Statuses []pb.DueFeeding_Status // in their order
	Day      int32
	Horizon  int32 // days
	Where    []Condition
	After    *DueKey // nil: from the first
	From     bool    // After itself too
	Limit    int
}

// DueEntry is a plant in a list of what is due: what names it, and what is kept of it
// for the list.
type DueEntry struct {
	Status   pb.DueFeeding_Status
	From     int32 // first day for which the decision is true
	Key      DueKey
	Decision []byte

	Tag, ScientificName, Cultivar string
	Bench                         string // id; "" for none
}

// class is the class of a status, and what of it the status has, where what is kept is
// true of the day.
func (q *DueQuery) class(status pb.DueFeeding_Status) (class int, which string, args []any) {
	class, which, args = q.classOf(status)
	return class, which + " AND d.from_day <= ? AND d.until_day > ?", append(args, q.Day, q.Day)
}

func (q *DueQuery) classOf(status pb.DueFeeding_Status) (class int, which string, args []any) {
	day, far := q.Day, min(int64(q.Day)+int64(q.Horizon), NoDay-1)
	switch status {
	case pb.DueFeeding_OVERDUE:
		return DueOpen, " AND d.due_last_day < ?", []any{day}
	case pb.DueFeeding_DUE:
		return DueOpen, " AND d.due_last_day >= ? AND d.due_from_day <= ?", []any{day, day}
	case pb.DueFeeding_UPCOMING:
		return DueOpen, " AND d.due_last_day > ? AND d.due_from_day > ? AND d.due_from_day <= ?", []any{day, day, far}
	case pb.DueFeeding_NOT_DUE:
		return DueOpen, " AND d.due_last_day > ? AND d.due_from_day > ?", []any{day, far}
	case pb.DueFeeding_HELD:
		return DueHeld, "", nil
	}
	return DueNotHandFed, "", nil
}

// filter is what the conditions ask of plants.
func (q *DueQuery) filter() (where string, args []any, err error) {
	var b strings.Builder
	for _, x := range q.Where {
		column, value := plantList.fields[x.Field], x.Value
		name := column.name
		if column.folds {
			name = column.folded
			value = Fold(fmt.Sprint(value))
		}
		op := map[string]string{"=": " = ?", "!=": " <> ?"}[x.Op]
		if name == "" || op == "" {
			return "", nil, fmt.Errorf("list: no condition %s %s", x.Field, x.Op)
		}
		name = "p." + name
		if x.Field == "bench" && (x.Op != "=" || value == "") {
			name = "coalesce(p.bench_id, '')"
		}
		b.WriteString(" AND " + name + op)
		args = append(args, value)
	}
	return b.String(), args, nil
}

const plantOfDue = " JOIN plants p ON p.collection_id = d.collection_id AND p.plant_id = d.plant_id"

// page is the statement for a page: of each status as many as a page has, one status
// after the other, as long as they are needed. "": there is none.
func (q *DueQuery) page(collection string) (statement string, args []any, err error) {
	filter, more, err := q.filter()
	if err != nil {
		return "", nil, err
	}
	const key = "d.due_last_day, d.bench_walk, d.plant_walk, d.tag_key, d.plant_id"
	var parts []string
	for _, status := range q.Statuses {
		class, which, some := q.class(status)
		where := " WHERE d.collection_id = ? AND d.class = ?" + which + filter
		own := append(append([]any{collection, class}, some...), more...)
		if q.After != nil {
			if status < q.After.Status {
				continue
			}
			if status == q.After.Status {
				op := " > "
				if q.From {
					op = " >= "
				}
				where += " AND (" + key + ")" + op + "(?, ?, ?, ?, ?)"
				own = append(own, q.After.Last, q.After.BenchWalk, q.After.PlantWalk, q.After.TagKey, q.After.Plant)
			}
		}
		parts = append(parts, "SELECT * FROM (SELECT "+strconv.Itoa(int(status))+" AS status, d.from_day, "+key+", d.decision,"+
			" p.tag, p.scientific_name, p.cultivar, coalesce(p.bench_id, '') AS bench_id FROM plant_due d"+plantOfDue+where+" ORDER BY "+key+" LIMIT ?) AS of"+strconv.Itoa(int(status)))
		args = append(append(args, own...), q.Limit)
	}
	switch len(parts) {
	case 0:
		return "", nil, nil
	case 1:
		return parts[0], args, nil
	}
	return "SELECT * FROM (" + strings.Join(parts, " UNION ALL ") + ") AS listed LIMIT ?", append(args, q.Limit), nil
}

// into returns where a row of a page goes.
func (e *DueEntry) into() []any {
	return []any{
		&e.Status, &e.From, &e.Key.Last, &e.Key.BenchWalk, &e.Key.PlantWalk, &e.Key.TagKey, &e.Key.Plant, &e.Decision,
		&e.Tag, &e.ScientificName, &e.Cultivar, &e.Bench,
	}
}

// take adds a row that into has read. The order of the statuses is that in which both
// engines go through the parts of a statement; no standard says so.
func take(all []DueEntry, e DueEntry) ([]DueEntry, error) {
	e.Key.Status = e.Status
	if n := len(all); n > 0 && all[n-1].Status > e.Status {
		return nil, errors.New("the database mixed the parts of a list")
	}
	return append(all, e), nil
}

// DuePage returns those plants of which what is kept is true of the day, in the order of
// the list.
func (c *Collection) DuePage(q DueQuery) ([]DueEntry, error) {
	statement, args, err := q.page(c.id)
	if err != nil || statement == "" {
		return nil, err
	}
	rows, err := c.tx.q().Raw(statement, args...).Rows()
	if err != nil {
		return nil, err
	}
	var all []DueEntry
	for rows.Next() {
		var e DueEntry
		if err = rows.Scan(e.into()...); err == nil {
			all, err = take(all, e)
		}
		if err != nil {
			return nil, errors.Join(err, rows.Close())
		}
	}
	return all, errors.Join(rows.Err(), rows.Close())
}

// DueTotal is how many plants and traps a status has.
type DueTotal struct {
	Status        pb.DueFeeding_Status
	Plants, Traps int64
}

// totals is the statement that counts the plants of each status.
func (q *DueQuery) totals(collection string) (statement string, args []any, err error) {
	filter, more, err := q.filter()
	if err != nil {
		return "", nil, err
	}
	join := ""
	if filter != "" {
		join = plantOfDue
	}
	var parts []string
	for _, status := range q.Statuses {
		class, which, some := q.class(status)
		parts = append(parts, "SELECT "+strconv.Itoa(int(status))+" AS status, count(*) AS plants, coalesce(sum(d.traps), 0) AS traps"+
			" FROM plant_due d"+join+" WHERE d.collection_id = ? AND d.class = ?"+which+filter)
		args = append(append(append(args, collection, class), some...), more...)
	}
	return strings.Join(parts, " UNION ALL "), args, nil
}

// DueTotals counts those plants of each status of which what is kept is true of the day.
// Of the query it takes the statuses, the day, the horizon and the conditions.
func (c *Collection) DueTotals(q DueQuery) ([]DueTotal, error) {
	statement, args, err := q.totals(c.id)
	if err != nil || statement == "" {
		return nil, err
	}
	var all []DueTotal
	err = c.tx.q().Raw(statement, args...).Scan(&all).Error
	return all, err
}

// History is what is on record of a plant, without what was voided, in order of
// time and id.
type History struct {
	Feedings     []*pb.Feeding
	Observations []*pb.Observation
}

// Len returns how many events there are. h may be nil.
func (h *History) Len() int {
	if h == nil {
		return 0
	}
	return len(h.Feedings) + len(h.Observations)
}

// Histories returns the histories of plants, by id; nil ids are all plants of the
// collection. A plant without a record has none.
func (c *Collection) Histories(plantIDs []string) (map[string]*History, error) {
	return c.histories(plantIDs, "delete_us IS NULL")
}

// Voided returns what was voided of plants, by id, likewise.
func (c *Collection) Voided(plantIDs []string) (map[string]*History, error) {
	return c.histories(plantIDs, "delete_us IS NOT NULL")
}

func (c *Collection) histories(plantIDs []string, which string) (map[string]*History, error) {
	out := map[string]*History{}
	of := func(id string) *History {
		h := out[id]
		if h == nil {
			h = &History{}
			out[id] = h
		}
		return h
	}
	read := func(some []string) error {
		var fed []feedingRow
		var seen []observationRow
		f, o := c.own().Where(which), c.own().Where(which)
		if some != nil {
			f, o = c.tx.among(f, "plant_id", some), c.tx.among(o, "plant_id", some)
		}
		// Sorted here: for the order Postgres would go through all of the collection by an
		// index that has it, and leave out the plants one by one.
		if err := f.Find(&fed).Error; err != nil {
			return err
		}
		if err := o.Find(&seen).Error; err != nil {
			return err
		}
		slices.SortFunc(fed, func(a, b feedingRow) int {
			return cmp.Or(cmp.Compare(a.FedUs, b.FedUs), cmp.Compare(a.FeedingID, b.FeedingID))
		})
		slices.SortFunc(seen, func(a, b observationRow) int {
			return cmp.Or(cmp.Compare(a.ObserveUs, b.ObserveUs), cmp.Compare(a.ObservationID, b.ObservationID))
		})
		for i := range fed {
			m, err := fed[i].message()
			if err != nil {
				return err
			}
			h := of(fed[i].PlantID)
			h.Feedings = append(h.Feedings, m)
		}
		for i := range seen {
			m, err := seen[i].message()
			if err != nil {
				return err
			}
			h := of(seen[i].PlantID)
			h.Observations = append(h.Observations, m)
		}
		return nil
	}
	if plantIDs == nil {
		return out, read(nil)
	}
	for some := range chunks(plantIDs) {
		if err := read(some); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Pending returns plants, at most limit, of which a record dated before us was ahead
// when they were last brought up to date.
func (c *Collection) Pending(us int64, limit int) ([]string, error) {
	var ids []string
	err := c.own().Where("pending_us < ?", us).Order("pending_us").Limit(limit).Model(&dueRow{}).Pluck("plant_id", &ids).Error
	return ids, err
}

// KeepPending notes the earliest record of the collection that is dated ahead, by
// what its plants have. Nobody's etag changes.
func (c *Collection) KeepPending() error {
	var first []*int64
	err := c.own().Where("pending_us IS NOT NULL").Order("pending_us").Limit(1).Model(&dueRow{}).Pluck("pending_us", &first).Error
	if err != nil {
		return err
	}
	first = append(first, nil)
	if now := c.row.PendingUs; now == first[0] || now != nil && first[0] != nil && *now == *first[0] {
		return nil
	}
	c.row.PendingUs = first[0]
	return hit(c.own().Model(&collectionRow{}).UpdateColumn("pending_us", first[0]))
}

// Recorded returns the times of feedings and observations that are dated from from to
// before until, by plant.
func (c *Collection) Recorded(from, until int64) (map[string][]int64, error) {
	out := map[string][]int64{}
	for _, table := range []struct {
		row  any
		time string
	}{{&feedingRow{}, "fed_us"}, {&observationRow{}, "observe_us"}} {
		var rows []struct {
			PlantID string
			Us      int64
		}
		err := c.own().Where(table.time+" >= ? AND "+table.time+" < ? AND delete_us IS NULL", from, until).
			Model(table.row).Select("plant_id, " + table.time + " AS us").Find(&rows).Error
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[r.PlantID] = append(out[r.PlantID], r.Us)
		}
	}
	return out, nil
}
