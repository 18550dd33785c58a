package store

import (
	"cmp"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// What an archive of a grower's data needs beside what lists give: rows with all that is
// not in messages, those of deleted plants too; and rows that are written as they stood
// elsewhere.

// there is the condition that the plant of a row will not be gone for good by a moment.
const there = "EXISTS (SELECT 1 FROM plants p WHERE p.collection_id = %s.collection_id AND p.plant_id = %[1]s.%s AND (p.purge_us IS NULL OR p.purge_us > ?))"

// photoThere is the condition that the photo of a change will not be gone for good by a
// moment.
const photoThere = "EXISTS (SELECT 1 FROM photos h WHERE h.collection_id = revisions.collection_id AND h.plant_id = revisions.plant_id" +
	" AND h.photo_id = revisions.resource_id AND (h.purge_us IS NULL OR h.purge_us > ?))"

// ArchivedFeedings returns feedings, voided ones and those of deleted plants too, in the
// order of plants and ids, with the ref of each, but none of plants to be purged by goneUs.
func (c *Collection) ArchivedFeedings(q List) (all []*pb.Feeding, refs []string, next []any, err error) {
	q.Order, q.Deleted = "name", true
	rows, next, err := list[feedingRow](c.tx, &feedingListAll, c.own().Where(fmt.Sprintf(there, "feedings", "plant_id"), q.GoneUs), q)
	if err != nil {
		return nil, nil, nil, err
	}
	for _, r := range rows {
		refs = append(refs, deref(r.Ref))
	}
	all, err = feedings(rows)
	return all, refs, next, err
}

// ArchivedObservations is ArchivedFeedings for observations.
func (c *Collection) ArchivedObservations(q List) (all []*pb.Observation, refs []string, next []any, err error) {
	q.Order, q.Deleted = "name", true
	rows, next, err := list[observationRow](c.tx, &observationListAll, c.own().Where(fmt.Sprintf(there, "observations", "plant_id"), q.GoneUs), q)
	if err != nil {
		return nil, nil, nil, err
	}
	for _, r := range rows {
		refs = append(refs, deref(r.Ref))
	}
	all, err = observations(rows)
	return all, refs, next, err
}

// ArchivedPhotos is ArchivedFeedings for photos, none of those to be purged by goneUs.
func (c *Collection) ArchivedPhotos(q List) (all []*Photo, next []any, err error) {
	q.Order, q.Deleted = "name", true
	rows, next, err := list[photoRow](c.tx, &photoListAll, c.own().Where(fmt.Sprintf(there, "photos", "plant_id"), q.GoneUs), q)
	if err != nil {
		return nil, nil, err
	}
	all, err = photos(rows)
	return all, next, err
}

// ArchivedFile is a file that photos of a collection have.
type ArchivedFile struct {
	Sha256    string
	SizeBytes int64
}

// archivedFiles finds the files of photos, but of none to be purged by goneUs.
func (c *Collection) archivedFiles(goneUs int64) *gorm.DB {
	return c.own().Model(&photoRow{}).Where(fmt.Sprintf(there, "photos", "plant_id")+" AND (purge_us IS NULL OR purge_us > ?)", goneUs, goneUs).
		Select("sha256, MAX(size_bytes) AS size_bytes").Group("sha256") // of one digest all have one size
}

// ArchivedFiles returns the files of photos from a digest on, each once, in the order of
// digests, at most limit, but of no photos to be purged by goneUs.
func (c *Collection) ArchivedFiles(from string, limit int, goneUs int64) (all []ArchivedFile, err error) {
	err = c.archivedFiles(goneUs).Where("sha256 >= ?", from).Order("sha256").Limit(limit).Find(&all).Error
	return all, err
}

// CountArchivedFiles returns how many files ArchivedFiles has in all, and how many bytes
// they have together.
func (c *Collection) CountArchivedFiles(goneUs int64) (files, size int64, err error) {
	var sum struct{ Files, Size int64 }
	err = c.tx.q().Table("(?) AS files", c.archivedFiles(goneUs)).Select("COUNT(*) AS files, COALESCE(SUM(size_bytes), 0) AS size").Scan(&sum).Error
	return sum.Files, sum.Size, err
}

var archivedRevisionList = listing{
	orders: map[string][]string{"name": {"plant_id", "resource_id", "number"}},
	usual:  "name",
}

// ArchivedRevisions returns the changes of all resources of a kind in the order of plants,
// ids and numbers, but none of plants to be purged by goneUs.
func (c *Collection) ArchivedRevisions(kind Kind, q List) ([]Revised, []any, error) {
	base := c.own().Where("kind = ?", kind)
	switch kind {
	case PlantKind:
		base = base.Where(fmt.Sprintf(there, "revisions", "resource_id"), q.GoneUs)
	case FeedingKind, ObservationKind, PhotoKind:
		base = base.Where(fmt.Sprintf(there, "revisions", "plant_id"), q.GoneUs)
	}
	if kind == PhotoKind {
		base = base.Where(photoThere, q.GoneUs)
	}
	rows, next, err := list[revisionRow](c.tx, &archivedRevisionList, base, q)
	if err != nil {
		return nil, nil, err
	}
	out := make([]Revised, len(rows))
	for i := range rows {
		m, err := rows[i].message()
		if err != nil {
			return nil, nil, err
		}
		out[i] = Revised{m, rows[i].Kind, rows[i].PlantID, rows[i].ResourceID}
	}
	return out, next, nil
}

// FormerTag is a tag that a plant bore until it got another one.
type FormerTag struct {
	Tag     string
	UntilUs int64
}

// TagHistory is FormerTags with when plants bore them.
func (c *Collection) TagHistory(plantIDs []string) (map[string][]FormerTag, error) {
	out := map[string][]FormerTag{}
	for some := range chunks(plantIDs) {
		var rows []plantTagRow
		if err := c.tx.among(c.own(), "plant_id", some).Find(&rows).Error; err != nil {
			return nil, err
		}
		slices.SortFunc(rows, func(a, b plantTagRow) int {
			return cmp.Or(cmp.Compare(b.UntilUs, a.UntilUs), cmp.Compare(a.TagKey, b.TagKey))
		})
		for _, r := range rows {
			out[r.PlantID] = append(out[r.PlantID], FormerTag{r.Tag, r.UntilUs})
		}
	}
	return out, nil
}

// HistoryMark is another one after any change of the collection, and after a purge: when
// the last change was made, and how many there are.
func (c *Collection) HistoryMark() (lastUs, count int64, err error) {
	if lastUs, err = c.LastChange(); err != nil {
		return 0, 0, err
	}
	err = c.own().Model(&revisionRow{}).Count(&count).Error
	return lastUs, count, err
}

// RestoreCollection adds a collection as it stood elsewhere. It belongs to nobody and is
// deleted, to be purged at purgeUs, until Publish: so nobody reaches it while it is
// filled, and what is left of a work that broke off the sweep removes.
func (t *Tx) RestoreCollection(id string, m *pb.Collection, deleteUs, purgeUs int64) (*Collection, error) {
	version := LastRevision(m.GetEtag())
	c := &Collection{tx: t, id: id, row: collectionRow{
		CollectionID: id, CreateUs: Micros(m.GetCreateTime()), UpdateUs: Micros(m.GetUpdateTime()), DeleteUs: &deleteUs, PurgeUs: &purgeUs,
		SettingsRev: 1, DueRev: 1, DueUntil: NoDay, Version: version, Stamp: stamp(),
	}}
	if err := c.row.set(m); err != nil {
		return nil, err
	}
	c.row.Visibility = int32(pb.Collection_PRIVATE)
	c.ties = c.row.ties("")
	return c, t.q().Create(&c.row).Error
}

// Publish gives a restored collection to a grower, deleted or not as m says, with a change
// of its own in the history.
func (c *Collection) Publish(owner string, m *pb.Collection, by By) error {
	r := c.row
	r.OwnerID, r.DeleteUs, r.PurgeUs = &owner, maybeMicros(m.GetDeleteTime()), maybeMicros(m.GetPurgeTime())
	r.UpdateUs, r.Version = by.Us, c.row.Version+1
	if err := c.tx.update(&r, versioned{c.row.Version, c.row.Stamp}, c.own()); err != nil {
		return err
	}
	c.row = r
	c.ties = c.row.ties(owner)
	return c.revised(CollectionKind, "", c.id, r.Version, pb.Revision_CREATED, by, nil)
}

// RestoreBenches adds benches as they stood elsewhere.
func (c *Collection) RestoreBenches(all []*pb.Bench) error {
	rows := make([]benchRow, len(all))
	for i, m := range all {
		r := &rows[i]
		*r = benchRow{
			CollectionID: c.id, BenchID: Segment(m.GetName(), "benches"), CreateUs: Micros(m.GetCreateTime()), UpdateUs: Micros(m.GetUpdateTime()),
			DeleteUs: maybeMicros(m.GetDeleteTime()), PurgeUs: maybeMicros(m.GetPurgeTime()), Version: LastRevision(m.GetEtag()), Stamp: stamp(),
		}
		if err := r.set(m); err != nil {
			return err
		}
	}
	return insertSome(c.tx, rows)
}

// RestoredPlant is a plant as it stood elsewhere, with what its observations say of it.
type RestoredPlant struct {
	*Plant
	Standing
	Former []FormerTag
}

// RestorePlants adds plants as they stood elsewhere, and brings them in line with what
// they are told to be. Errors: ErrExists if a ref or the tag of a living plant comes
// twice.
func (c *Collection) RestorePlants(all []RestoredPlant) error {
	rows := make([]plantRow, len(all))
	var tags []plantTagRow
	for i, p := range all {
		r, m := &rows[i], p.Plant.Plant
		*r = plantRow{
			CollectionID: c.id, PlantID: p.ID, Ref: orNil(p.Ref), FirstBenchID: orNil(p.FirstBench),
			BenchID: orNil(p.Standing.Bench), Quantity: p.Standing.Quantity, State: int32(p.Standing.State),
			CreateUs: Micros(m.GetCreateTime()), UpdateUs: Micros(m.GetUpdateTime()),
			DeleteUs: maybeMicros(m.GetDeleteTime()), PurgeUs: maybeMicros(m.GetPurgeTime()), Version: LastRevision(m.GetEtag()), Stamp: stamp(),
		}
		if err := r.set(m, p.Kin); err != nil {
			return err
		}
		r.setLiving()
		var err error
		if r.Told, err = p.Told.text(); err != nil {
			return err
		}
		m.Bench, m.Quantity, m.State, p.Living = BenchName(c.id, p.Standing.Bench), r.Quantity, p.Standing.State, r.Living == 1
		for _, tag := range p.Former {
			tags = append(tags, plantTagRow{CollectionID: c.id, TagKey: Fold(tag.Tag), PlantID: p.ID, Tag: tag.Tag, UntilUs: tag.UntilUs})
		}
	}
	if err := insertSome(c.tx, rows); err != nil {
		return err
	}
	return insertSome(c.tx, tags)
}

// RestoreFeedings adds feedings as they stood elsewhere, with the ref of each; recorder is
// who recorded all of them here.
func (c *Collection) RestoreFeedings(all []*pb.Feeding, refs []string, recorder string) error {
	rows := make([]feedingRow, len(all))
	for i, m := range all {
		r := &rows[i]
		*r = feedingRow{
			CollectionID: c.id, PlantID: Segment(m.GetName(), "plants"), FeedingID: Segment(m.GetName(), "feedings"), Ref: refOf(refs, i),
			RecorderID: recorder, CreateUs: Micros(m.GetCreateTime()), UpdateUs: Micros(m.GetUpdateTime()),
			DeleteUs: maybeMicros(m.GetDeleteTime()), Version: LastRevision(m.GetEtag()), Stamp: stamp(),
		}
		if err := r.set(m); err != nil {
			return err
		}
	}
	return insertSome(c.tx, rows)
}

// RestoreObservations is RestoreFeedings for observations.
func (c *Collection) RestoreObservations(all []*pb.Observation, refs []string, recorder string) error {
	rows := make([]observationRow, len(all))
	for i, m := range all {
		r := &rows[i]
		*r = observationRow{
			CollectionID: c.id, PlantID: Segment(m.GetName(), "plants"), ObservationID: Segment(m.GetName(), "observations"), Ref: refOf(refs, i),
			RecorderID: recorder, CreateUs: Micros(m.GetCreateTime()), UpdateUs: Micros(m.GetUpdateTime()),
			DeleteUs: maybeMicros(m.GetDeleteTime()), Version: LastRevision(m.GetEtag()), Stamp: stamp(),
		}
		r.Photo = linkedPhoto(m)
		if err := r.set(m); err != nil {
			return err
		}
	}
	return insertSome(c.tx, rows)
}

// RestorePhotos is RestoreFeedings for photos. Their files must be in the bucket; the
// renditions of these are still to be made.
func (c *Collection) RestorePhotos(all []*Photo, recorder string) error {
	rows := make([]photoRow, len(all))
	for i, p := range all {
		m := p.Photo
		r := &rows[i]
		*r = newPhotoRow(c.id, p)
		r.RecorderID, r.CreateUs, r.UpdateUs = recorder, Micros(m.GetCreateTime()), Micros(m.GetUpdateTime())
		r.DeleteUs, r.PurgeUs, r.Version = maybeMicros(m.GetDeleteTime()), maybeMicros(m.GetPurgeTime()), LastRevision(m.GetEtag())
		if err := r.set(m); err != nil {
			return err
		}
	}
	return insertSome(c.tx, rows)
}

// RestoreRevisions adds changes as they were made elsewhere; grower is who made all of
// them here, and who recorded and owned what stood before: others may be unknown here, or
// were erased.
func (c *Collection) RestoreRevisions(all []Revised, grower string) error {
	rows := make([]revisionRow, len(all))
	for i, m := range all {
		r := &rows[i]
		*r = revisionRow{
			CollectionID: c.id, Kind: m.Kind, PlantID: m.Plant, ResourceID: m.ID, Number: int64(m.GetNumber()), Action: int32(m.GetAction()),
			CreateUs: Micros(m.GetCreateTime()), GrowerID: grower, Stamp: stamp(),
		}
		before := beforeOf(m.Revision)
		switch b := before.(type) {
		case nil:
			continue
		case *pb.Collection:
			b.Owner = GrowerName(grower)
		case *pb.Feeding:
			b.Recorder = GrowerName(grower)
		case *pb.Observation:
			b.Recorder = GrowerName(grower)
		case *pb.Photo:
			b.Recorder = GrowerName(grower)
		}
		s, err := text(before)
		if err != nil {
			return err
		}
		r.Before = &s
	}
	return insertSome(c.tx, rows)
}

// beforeOf is what stood before a change; nil: nothing.
func beforeOf(m *pb.Revision) proto.Message {
	switch before := m.GetBefore().(type) {
	case *pb.Revision_Collection:
		return before.Collection
	case *pb.Revision_Bench:
		return before.Bench
	case *pb.Revision_Plant:
		return before.Plant
	case *pb.Revision_Feeding:
		return before.Feeding
	case *pb.Revision_Observation:
		return before.Observation
	case *pb.Revision_Photo:
		return before.Photo
	}
	return nil
}

// RestoreSheet adds a bench sheet as it stood elsewhere, with its number.
func (c *Collection) RestoreSheet(m *pb.Sheet) error {
	r := sheetRow{Head: sheetHead{
		CollectionID: c.id, SheetNumber: SheetNumber(m.GetName()), AsOfDate: m.GetAsOfDate(), RowCount: int32(len(m.GetRows())),
		CreateUs: Micros(m.GetCreateTime()), ExpireUs: Micros(m.GetExpireTime()), Stamp: stamp(),
	}}
	var err error
	if r.Plan, err = text(&pb.Sheet{Benches: m.GetBenches(), Portions: m.GetPortions(), Rows: m.GetRows(), OtherFoods: m.GetOtherFoods()}); err != nil {
		return err
	}
	return c.tx.q().Create(&r).Error
}

// insertSome is insert for rows that may be more than one statement takes.
func insertSome[R any](t *Tx, rows []R) error {
	for some := range slices.Chunk(rows, 5000) {
		if err := insert(t, some); err != nil {
			return err
		}
	}
	return nil
}

// ArchivedIDs returns the ids of the collections that a grower alone owns, deleted ones
// too, but none to be purged by goneUs, in their order.
func (g *Grower) ArchivedIDs(goneUs int64) (ids []string, err error) {
	err = g.tx.q().Model(&collectionRow{}).Where("owner_id = ? AND (purge_us IS NULL OR purge_us > ?)", g.id, goneUs).
		Order("collection_id").Pluck("collection_id", &ids).Error
	return ids, err
}
