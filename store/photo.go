package store

import (
	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type photoRow struct {
	CollectionID string `gorm:"primaryKey"`
	PlantID      string `gorm:"primaryKey"`
	PhotoID      string `gorm:"primaryKey"`
	Sha256       string // of the file, in hexadecimal digits: its name in the bucket
	Format       int32
	SizeBytes    int64
	WidthPx      int32 // upright
	HeightPx     int32
	Orientation  int32
	CameraUs     *int64 // when it was taken, as the camera told
	CameraSource int32
	TakenUs      int64
	TakenSource  int32
	Credit       string
	License      string
	Note         string
	Scale        *string // JSON
	Spans        string  // JSON of a photo that has them alone
	RenderUs     *int64  // when its renditions were made
	RecorderID   string
	CreateUs     int64
	UpdateUs     int64
	DeleteUs     *int64
	PurgeUs      *int64
	Version      int64
	Stamp        int32
}

func (photoRow) TableName() string { return "photos" }

// set takes what users set. Days are not kept: the caller has made instants of them.
func (r *photoRow) set(m *pb.Photo) error {
	r.TakenUs, r.TakenSource = Micros(m.GetTakenTime()), int32(m.GetTakenSource())
	r.Credit, r.License, r.Note = m.GetCredit(), m.GetLicense(), m.GetNote()
	var err error
	if r.Scale, err = maybeText(m.GetScale()); err != nil {
		return err
	}
	r.Spans, err = text(&pb.Photo{Spans: m.GetSpans()})
	return err
}

// message returns the photo without its civil day, which the zone tells, and without the
// lengths of its spans.
func (r *photoRow) message() (*pb.Photo, error) {
	m := &pb.Photo{}
	if err := readText(r.Spans, m); err != nil {
		return nil, err
	}
	if r.Scale != nil {
		m.Scale = &pb.Photo_Scale{}
		if err := readText(*r.Scale, m.Scale); err != nil {
			return nil, err
		}
	}
	m.Name, m.Plant, m.Etag = PhotoName(r.CollectionID, r.PlantID, r.PhotoID), PlantName(r.CollectionID, r.PlantID), etag(r.CreateUs, r.Version)
	m.TakenTime, m.TakenSource = instant(r.TakenUs), pb.Photo_TimeSource(r.TakenSource)
	m.Credit, m.License, m.Note = r.Credit, r.License, r.Note
	m.SizeBytes, m.WidthPx, m.HeightPx, m.Sha256 = int32(r.SizeBytes), r.WidthPx, r.HeightPx, r.Sha256
	m.RenditionsReady, m.Recorder = r.RenderUs != nil, GrowerName(r.RecorderID)
	m.CreateTime, m.UpdateTime = instant(r.CreateUs), instant(r.UpdateUs)
	m.DeleteTime, m.PurgeTime = maybe(r.DeleteUs), maybe(r.PurgeUs)
	return m, nil
}

// Photo is a photo with what the store knows beside its message.
type Photo struct {
	*pb.Photo
	Format       int32 // a number of the caller's
	Orientation  int32 // of the file, as Exif has it
	CameraUs     *int64
	CameraSource pb.Photo_TimeSource
}

func (r *photoRow) photo() (*Photo, error) {
	m, err := r.message()
	if err != nil {
		return nil, err
	}
	return &Photo{m, r.Format, r.Orientation, r.CameraUs, pb.Photo_TimeSource(r.CameraSource)}, nil
}

func photos(rows []photoRow) ([]*Photo, error) {
	out := make([]*Photo, len(rows))
	var err error
	for i := range rows {
		if out[i], err = rows[i].photo(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

var (
	photoFields = map[string]column{
		"takenTime": {name: "taken_us"},
		"license":   {name: "license"},
	}
	// photoList is of one plant, photoListAll of all plants of a collection.
	photoList = listing{
		fields: photoFields,
		orders: map[string][]string{"takenTime": {"taken_us", "photo_id"}, "name": {"photo_id"}},
		usual:  "takenTime", deletable: true, purged: true,
	}
	photoListAll = listing{
		fields: photoFields,
		orders: map[string][]string{"takenTime": {"taken_us", "plant_id", "photo_id"}, "name": {"plant_id", "photo_id"}},
		usual:  "takenTime", deletable: true, purged: true,
	}
)

func (c *Collection) photo(plant, id string) *gorm.DB {
	return c.plant(plant).Where("photo_id = ?", id)
}

// newPhotoRow returns the row of a photo with what never changes.
func newPhotoRow(collection string, p *Photo) photoRow {
	m := p.Photo
	return photoRow{
		CollectionID: collection, PlantID: Segment(m.GetName(), "plants"), PhotoID: Segment(m.GetName(), "photos"),
		Sha256: m.GetSha256(), Format: p.Format, SizeBytes: int64(m.GetSizeBytes()), WidthPx: m.GetWidthPx(), HeightPx: m.GetHeightPx(), Orientation: p.Orientation,
		CameraUs: p.CameraUs, CameraSource: int32(p.CameraSource), Stamp: stamp(),
	}
}

// CreatePhoto adds a photo, with the plant and id of its name. Errors: ErrExists if the id
// is taken or the plant has one of the same digest, ErrReference if the plant is not there.
func (c *Collection) CreatePhoto(p *Photo, by By) (*Photo, error) {
	r := newPhotoRow(c.id, p)
	r.RecorderID, r.CreateUs, r.UpdateUs, r.Version = by.Grower, by.Us, by.Us, 1
	if err := r.set(p.Photo); err != nil {
		return nil, err
	}
	if err := c.tx.q().Create(&r).Error; err != nil {
		return nil, err
	}
	if err := c.revised(PhotoKind, r.PlantID, r.PhotoID, 1, pb.Revision_CREATED, by, nil); err != nil {
		return nil, err
	}
	return r.photo()
}

// Photo returns a photo, deleted or not, or ErrNotFound.
func (c *Collection) Photo(plant, id string) (*Photo, error) {
	var r photoRow
	if err := c.photo(plant, id).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.photo()
}

// SamePhoto returns the photo of a plant whose file has a digest, deleted or not, or
// ErrNotFound.
func (c *Collection) SamePhoto(plant, sha256 string) (*Photo, error) {
	var r photoRow
	if err := c.plant(plant).Where("sha256 = ?", sha256).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.photo()
}

// CountPhotos returns how many photos a plant has, with those that are deleted.
func (c *Collection) CountPhotos(plant string) (int64, error) {
	var n int64
	err := c.plant(plant).Model(&photoRow{}).Count(&n).Error
	return n, err
}

// Photographed returns those of some plants that have photos which are not deleted.
func (c *Collection) Photographed(plants []string) (map[string]bool, error) {
	out := map[string]bool{}
	for some := range chunks(plants) {
		var found []string
		err := c.tx.among(c.own(), "plant_id", some).Where("delete_us IS NULL").Model(&photoRow{}).Distinct("plant_id").Pluck("plant_id", &found).Error
		if err != nil {
			return nil, err
		}
		for _, plant := range found {
			out[plant] = true
		}
	}
	return out, nil
}

// Photos lists the photos of a plant, or with "" of all plants that are not deleted.
func (c *Collection) Photos(plant string, q List) ([]*Photo, []any, error) {
	base, l := c.own(), &photoListAll
	if plant != "" {
		base, l = c.plant(plant), &photoList
	} else {
		base = base.Where(plantThere("photos"))
	}
	rows, next, err := list[photoRow](c.tx, l, base, q)
	if err != nil {
		return nil, nil, err
	}
	out, err := photos(rows)
	return out, next, err
}

// ScaledPhotos returns the photos of a plant that have a scale and are not deleted, in the
// order in which they were taken, at most limit.
func (c *Collection) ScaledPhotos(plant string, limit int) ([]*Photo, error) {
	var rows []photoRow
	err := c.plant(plant).Where("delete_us IS NULL AND scale IS NOT NULL").
		Order("taken_us, photo_id").Limit(limit).Find(&rows).Error
	if err != nil {
		return nil, err
	}
	return photos(rows)
}

// UpdatePhoto changes a photo by f, which gets the present one.
func (c *Collection) UpdatePhoto(plant, id string, by By, f func(*Photo) error) (*Photo, error) {
	return c.changePhoto(plant, id, by, pb.Revision_UPDATED, func(r *photoRow, p *Photo) error {
		if err := f(p); err != nil {
			return err
		}
		return r.set(p.Photo)
	})
}

// DeletePhoto deletes a photo, to be purged at purgeUs. f may refuse it.
func (c *Collection) DeletePhoto(plant, id string, by By, purgeUs int64, f func(*Photo) error) (*Photo, error) {
	return c.changePhoto(plant, id, by, pb.Revision_DELETED, func(r *photoRow, p *Photo) error {
		r.DeleteUs, r.PurgeUs = &by.Us, &purgeUs
		return f(p)
	})
}

// UndeletePhoto brings a photo back. f may refuse it.
func (c *Collection) UndeletePhoto(plant, id string, by By, f func(*Photo) error) (*Photo, error) {
	return c.changePhoto(plant, id, by, pb.Revision_UNDELETED, func(r *photoRow, p *Photo) error {
		r.DeleteUs, r.PurgeUs = nil, nil
		return f(p)
	})
}

func (c *Collection) changePhoto(plant, id string, by By, action pb.Revision_Action, f func(*photoRow, *Photo) error) (*Photo, error) {
	var r photoRow
	if err := c.photo(plant, id).Take(&r).Error; err != nil {
		return nil, err
	}
	p, err := r.photo()
	if err != nil {
		return nil, err
	}
	before := proto.CloneOf(p.Photo)
	read := versioned{r.Version, r.Stamp}
	if err := f(&r, p); err != nil {
		return nil, err
	}
	after, err := r.photo()
	if err != nil || same(action, read.Stamp, before, after.Photo) {
		return after, err
	}
	r.UpdateUs, r.Version, r.Stamp = by.Us, read.Version+1, stamp()
	if err := c.tx.update(&r, read, c.photo(plant, id), "render_us"); err != nil {
		return nil, err
	}
	if err := c.revised(PhotoKind, plant, id, r.Version, action, by, before); err != nil {
		return nil, err
	}
	return r.photo()
}

// PhotoFiles tells which of some digests are of photos of the collection, deleted or not.
func (c *Collection) PhotoFiles(sha256 []string) (map[string]bool, error) {
	out := map[string]bool{}
	for some := range chunks(sha256) {
		var found []string
		if err := c.tx.among(c.own(), "sha256", some).Model(&photoRow{}).Distinct("sha256").Pluck("sha256", &found).Error; err != nil {
			return nil, err
		}
		for _, digest := range found {
			out[digest] = true
		}
	}
	return out, nil
}

// Rendered keeps that the renditions of a file are there. That is no change of its photos.
func (c *Collection) Rendered(sha256 string, us int64) error {
	return c.own().Where("sha256 = ? AND render_us IS NULL", sha256).Model(&photoRow{}).UpdateColumn("render_us", us).Error
}

// Unrendered keeps that the renditions of a file are not there any more.
func (c *Collection) Unrendered(sha256 string) error {
	return c.own().Where("sha256 = ?", sha256).Model(&photoRow{}).UpdateColumn("render_us", nil).Error
}

// FileOf returns a photo of the collection with a digest, deleted or not, or ErrNotFound:
// of several, all have the same file.
func (c *Collection) FileOf(sha256 string) (*Photo, error) {
	var r photoRow
	if err := c.own().Where("sha256 = ?", sha256).Order("plant_id, photo_id").Take(&r).Error; err != nil {
		return nil, err
	}
	return r.photo()
}
