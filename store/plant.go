package store

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"
	"gorm.io/gorm/clause"

	pb "dewbench/proto/dewbench/v1"
)

type plantRow struct {
	CollectionID      string `gorm:"primaryKey"`
	PlantID           string `gorm:"primaryKey"`
	Ref               *string
	Told              *string // JSON
	Tag               string
	TagKey            string
	Taxon             string
	ScientificName    string
	ScientificNameKey string
	Genus             string
	TrapType          int32
	Trap              int32 // the trap type by the plant or, where it tells none, by its taxon
	Habit             int32
	Cultivar          string
	CultivarKey       string
	Clone             string
	CloneKey          string
	FirstBenchID      *string
	BenchID           *string
	WalkOrder         int32
	AcquireDate       *string
	Source            string
	SourceKey         string
	Locality          string
	Parents           string // JSON list
	Propagation       int32
	Regimen           *string // JSON
	Quantity          int32
	State             int32
	Living            int32 // 1: growing and not deleted
	CreateUs          int64
	UpdateUs          int64
	DeleteUs          *int64
	PurgeUs           *int64
	Version           int64
	Stamp             int32
}

func (plantRow) TableName() string { return "plants" }

// set takes what users set, and what the caller knows of the taxon.
func (r *plantRow) set(m *pb.Plant, k Kin) error {
	r.Tag, r.TagKey = m.GetTag(), Fold(m.GetTag())
	r.Taxon, r.Genus, r.Trap = m.GetTaxon(), k.Genus, int32(k.Trap)
	r.ScientificName, r.ScientificNameKey = m.GetScientificName(), Fold(m.GetScientificName())
	r.TrapType, r.Habit = int32(m.GetTrapType()), int32(m.GetHabit())
	r.Cultivar, r.CultivarKey, r.Clone, r.CloneKey = m.GetCultivar(), Fold(m.GetCultivar()), m.GetClone(), Fold(m.GetClone())
	r.WalkOrder, r.AcquireDate = walkOrder(m.WalkOrder), m.AcquireDate
	r.Source, r.SourceKey, r.Locality, r.Propagation = m.GetSource(), Fold(m.GetSource()), m.GetLocality(), int32(m.GetPropagation())
	parents, err := json.Marshal(m.GetParents())
	if err != nil {
		return fmt.Errorf("write parents: %w", err)
	}
	r.Parents = string(parents)
	r.Regimen, err = maybeText(m.GetRegimen())
	return err
}

// message returns the plant as far as its row tells: without former tags, sizes,
// last feeding and due.
func (r *plantRow) message() (*pb.Plant, error) {
	m := &pb.Plant{
		Name:           PlantName(r.CollectionID, r.PlantID),
		Tag:            r.Tag,
		Taxon:          r.Taxon,
		ScientificName: r.ScientificName,
		TrapType:       pb.Taxon_TrapType(r.TrapType),
		Habit:          pb.Taxon_Habit(r.Habit),
		Cultivar:       r.Cultivar,
		Clone:          r.Clone,
		Bench:          BenchName(r.CollectionID, deref(r.BenchID)),
		WalkOrder:      readWalkOrder(r.WalkOrder),
		AcquireDate:    r.AcquireDate,
		Source:         r.Source,
		Locality:       r.Locality,
		Propagation:    pb.Plant_Propagation(r.Propagation),
		Quantity:       r.Quantity,
		State:          pb.Plant_State(r.State),
		CreateTime:     instant(r.CreateUs),
		UpdateTime:     instant(r.UpdateUs),
		DeleteTime:     maybe(r.DeleteUs),
		PurgeTime:      maybe(r.PurgeUs),
		Etag:           etag(r.CreateUs, r.Version),
	}
	if err := json.Unmarshal([]byte(r.Parents), &m.Parents); err != nil {
		return nil, fmt.Errorf("read parents: %w", err)
	}
	if r.Regimen != nil {
		m.Regimen = &pb.Regimen{}
		return m, readText(*r.Regimen, m.Regimen)
	}
	return m, nil
}

func (r *plantRow) setLiving() {
	r.Living = 0
	if r.State == int32(pb.Plant_GROWING) && r.DeleteUs == nil {
		r.Living = 1
	}
}

var plantList = listing{
	fields: map[string]column{
		"tag":            {name: "tag", folded: "tag_key", folds: true},
		"scientificName": {name: "scientific_name", folded: "scientific_name_key"},
		"cultivar":       {name: "cultivar", folded: "cultivar_key"},
		"clone":          {name: "clone", folded: "clone_key"},
		"source":         {name: "source", folded: "source_key"},
		"taxon":          {name: "taxon"},
		"genus":          {name: "genus"},
		"bench":          {name: "bench_id"},
		"trapType":       {name: "trap"},
		"state":          {name: "state"},
		"propagation":    {name: "propagation"},
		"quantity":       {name: "quantity"},
		"acquireDate":    {name: "acquire_date"},
		"createTime":     {name: "create_us"},
	},
	orders: map[string][]string{
		"name":           {"plant_id"},
		"tag":            {"tag_key", "plant_id"},
		"walkOrder":      {"walk_order", "plant_id"},
		"scientificName": {"scientific_name_key", "plant_id"},
		"createTime":     {"create_us", "plant_id"},
	},
	usual:     "name",
	deletable: true,
	purged:    true,
}

// Kin is what a plant's name, taxon and trap type say together.
type Kin struct {
	Genus string
	Trap  pb.Taxon_TrapType
}

// Plant is a plant with what the store knows beside its message.
type Plant struct {
	*pb.Plant
	Kin
	ID         string
	Ref        string // what its grower's table calls it; "" for none
	Told       *Told  // nil: no table told of it yet
	FirstBench string // id of the bench where it stood first; "" for none
	Living     bool   // growing and not deleted
}

func (r *plantRow) plant() (*Plant, error) {
	m, err := r.message()
	if err != nil {
		return nil, err
	}
	p := &Plant{Plant: m, Kin: Kin{r.Genus, pb.Taxon_TrapType(r.Trap)}, ID: r.PlantID, Ref: deref(r.Ref), FirstBench: deref(r.FirstBenchID), Living: r.Living == 1}
	if r.Told != nil {
		p.Told = &Told{}
		if err := json.Unmarshal([]byte(*r.Told), p.Told); err != nil {
			return nil, fmt.Errorf("read what a table told: %w", err)
		}
	}
	return p, nil
}

func plants(rows []plantRow) ([]*Plant, error) {
	out := make([]*Plant, len(rows))
	var err error
	for i := range rows {
		if out[i], err = rows[i].plant(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (c *Collection) plant(id string) *gorm.DB { return c.own().Where("plant_id = ?", id) }

// NewPlant is a plant to be added: its message with its name, and its kin.
type NewPlant struct {
	Message *pb.Plant
	Kin
	Ref   string         // what its grower's table calls it; "" for none
	Told  *Told          // nil: no table tells of it
	State pb.Plant_State // of one that is no more already; 0: it grows
}

// CreatePlants adds plants. Each stands first on the bench of its message. Errors:
// ErrExists if an id or the tag of a living plant is taken, ErrReference if a bench
// is not there.
func (c *Collection) CreatePlants(all []NewPlant, by By) ([]*Plant, error) {
	rows, history := make([]plantRow, len(all)), make([]revisionRow, len(all))
	for i, p := range all {
		r := &rows[i]
		*r = plantRow{
			CollectionID: c.id, PlantID: Segment(p.Message.GetName(), "plants"), Ref: orNil(p.Ref), Quantity: 1, State: int32(pb.Plant_GROWING), Living: 1,
			BenchID: orNil(Segment(p.Message.GetBench(), "benches")), CreateUs: by.Us, UpdateUs: by.Us, Version: 1, Stamp: stamp(),
		}
		r.FirstBenchID = r.BenchID
		if p.State != 0 {
			r.State = int32(p.State)
			r.setLiving()
		}
		if err := r.set(p.Message, p.Kin); err != nil {
			return nil, err
		}
		var err error
		if r.Told, err = p.Told.text(); err != nil {
			return nil, err
		}
		if history[i], err = c.revise(PlantKind, "", r.PlantID, 1, pb.Revision_CREATED, by, nil); err != nil {
			return nil, err
		}
	}
	if err := insert(c.tx, rows); err != nil {
		return nil, err
	}
	if err := insert(c.tx, history); err != nil {
		return nil, err
	}
	return plants(rows)
}

// Plant returns a plant, deleted or not, or ErrNotFound.
func (c *Collection) Plant(id string) (*Plant, error) {
	var r plantRow
	if err := c.plant(id).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.plant()
}

// PlantsByID returns those of the plants that are there, deleted or not, by id.
func (c *Collection) PlantsByID(ids []string) (map[string]*Plant, error) {
	out := map[string]*Plant{}
	for some := range chunks(ids) {
		var rows []plantRow
		if err := c.tx.among(c.own(), "plant_id", some).Find(&rows).Error; err != nil {
			return nil, err
		}
		found, err := plants(rows)
		if err != nil {
			return nil, err
		}
		for _, p := range found {
			out[p.ID] = p
		}
	}
	return out, nil
}

// Plants lists plants.
func (c *Collection) Plants(q List) ([]*Plant, []any, error) {
	rows, next, err := list[plantRow](c.tx, &plantList, c.own(), q)
	if err != nil {
		return nil, nil, err
	}
	out, err := plants(rows)
	return out, next, err
}

// PlantsOn returns the plants that stand on a bench, or stood there when they ended.
// Deleted ones are left out.
func (c *Collection) PlantsOn(bench string) ([]*Plant, error) {
	var rows []plantRow
	if err := c.bench(bench).Where("delete_us IS NULL").Find(&rows).Error; err != nil {
		return nil, err
	}
	return plants(rows)
}

// CountLiving returns how many plants grow.
func (c *Collection) CountLiving() (int64, error) {
	var n int64
	err := c.own().Where("living = 1").Model(&plantRow{}).Count(&n).Error
	return n, err
}

// Bearing tells which plant a tag stands for.
type Bearing struct {
	Plant   string // its id
	Living  bool
	Former  bool  // it bears another tag now
	UntilUs int64 // when it got that, microseconds since 1970 UTC
	Deleted bool
}

// Tagged returns, by folded tag, the plants that bear or bore one of the tags.
func (c *Collection) Tagged(tags []string) (map[string][]Bearing, error) {
	keys := make([]string, len(tags))
	for i, tag := range tags {
		keys[i] = Fold(tag)
	}
	out := map[string][]Bearing{}
	for some := range chunks(keys) {
		var rows []plantRow
		err := c.tx.among(c.own(), "tag_key", some).Order("tag_key, plant_id").Find(&rows).Error
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[r.TagKey] = append(out[r.TagKey], Bearing{Plant: r.PlantID, Living: r.Living == 1, Deleted: r.DeleteUs != nil})
		}
		var former []struct {
			TagKey, PlantID string
			Living          int32
			UntilUs         int64
			DeleteUs        *int64
		}
		err = c.tx.q().Raw("SELECT t.tag_key, t.plant_id, t.until_us, p.living, p.delete_us FROM plant_tags t"+
			" JOIN plants p ON p.collection_id = t.collection_id AND p.plant_id = t.plant_id"+
			" WHERE t.collection_id = ? AND t.tag_key IN ? ORDER BY t.tag_key, t.plant_id", c.id, some).Scan(&former).Error
		if err != nil {
			return nil, err
		}
		for _, r := range former {
			out[r.TagKey] = append(out[r.TagKey], Bearing{Plant: r.PlantID, Living: r.Living == 1, Former: true, UntilUs: r.UntilUs, Deleted: r.DeleteUs != nil})
		}
	}
	return out, nil
}

// LivingTags returns the tags of all living plants.
func (c *Collection) LivingTags() (tags []string, err error) {
	err = c.own().Model(&plantRow{}).Where("living = 1").Order("tag_key").Pluck("tag", &tags).Error
	return tags, err
}

// plantTagRow is a tag that a plant bore before.
type plantTagRow struct {
	CollectionID string `gorm:"primaryKey"`
	TagKey       string `gorm:"primaryKey"`
	PlantID      string `gorm:"primaryKey"`
	Tag          string
	UntilUs      int64
}

func (plantTagRow) TableName() string { return "plant_tags" }

// FormerTags returns the tags that plants bore before, the latest first, by plant.
func (c *Collection) FormerTags(plantIDs []string) (map[string][]string, error) {
	out := map[string][]string{}
	for some := range chunks(plantIDs) {
		var rows []plantTagRow
		if err := c.tx.among(c.own(), "plant_id", some).Find(&rows).Error; err != nil {
			return nil, err
		}
		slices.SortFunc(rows, func(a, b plantTagRow) int {
			return cmp.Or(cmp.Compare(b.UntilUs, a.UntilUs), cmp.Compare(a.TagKey, b.TagKey))
		})
		for _, r := range rows {
			out[r.PlantID] = append(out[r.PlantID], r.Tag)
		}
	}
	return out, nil
}

// FreeTags takes the tags off plants whose tags are about to be changed, so that
// others can take them in the same transaction. Each must be given its new one.
func (c *Collection) FreeTags(plantIDs []string) error {
	for some := range chunks(plantIDs) {
		// No tag begins with a space.
		err := c.tx.among(c.own(), "plant_id", some).Model(&plantRow{}).UpdateColumn("tag_key", gorm.Expr("' ' || plant_id")).Error
		if err != nil {
			return err
		}
	}
	return nil
}

// UpdatePlant changes a plant by f, which gets the present one and sets what it is
// to be, its kin too. The bench of the message is not looked at: it follows from
// moves. Errors: ErrNotFound, ErrExists if the tag of a living plant is taken.
func (c *Collection) UpdatePlant(id string, by By, f func(*Plant) error) (*Plant, error) {
	return c.changePlant(id, by, pb.Revision_UPDATED, func(r *plantRow, p *Plant) error {
		if err := f(p); err != nil {
			return err
		}
		old := plantTagRow{CollectionID: c.id, TagKey: Fold(r.Tag), PlantID: id, Tag: r.Tag, UntilUs: by.Us}
		if err := r.set(p.Plant, p.Kin); err != nil {
			return err
		}
		if r.TagKey == old.TagKey {
			return nil
		}
		err := c.tx.q().Clauses(clause.OnConflict{UpdateAll: true}).Create(&old).Error
		if err != nil {
			return err
		}
		return c.plant(id).Where("tag_key = ?", r.TagKey).Delete(&plantTagRow{}).Error
	})
}

// DeletePlant deletes a plant, to be purged at purgeUs. f may refuse it.
func (c *Collection) DeletePlant(id string, by By, purgeUs int64, f func(*Plant) error) (*Plant, error) {
	return c.changePlant(id, by, pb.Revision_DELETED, func(r *plantRow, p *Plant) error {
		r.DeleteUs, r.PurgeUs = &by.Us, &purgeUs
		return f(p)
	})
}

// UndeletePlant brings a plant back. f may refuse it. Errors: ErrNotFound,
// ErrExists if its tag was taken by a living plant.
func (c *Collection) UndeletePlant(id string, by By, f func(*Plant) error) (*Plant, error) {
	return c.changePlant(id, by, pb.Revision_UNDELETED, func(r *plantRow, p *Plant) error {
		r.DeleteUs, r.PurgeUs = nil, nil
		return f(p)
	})
}

func (c *Collection) changePlant(id string, by By, action pb.Revision_Action, f func(*plantRow, *Plant) error) (*Plant, error) {
	var r plantRow
	if err := c.plant(id).Take(&r).Error; err != nil {
		return nil, err
	}
	before, err := r.message()
	if err != nil {
		return nil, err
	}
	p, err := r.plant()
	if err != nil {
		return nil, err
	}
	p.Plant = proto.CloneOf(before) // the row's optional values must not be changed in place
	read := versioned{r.Version, r.Stamp}
	if err := f(&r, p); err != nil {
		return nil, err
	}
	if after, err := r.plant(); err != nil || same(action, read.Stamp, before, after.Plant) {
		return after, err
	}
	r.setLiving()
	if err := c.savePlant(&r, read, action, by, before); err != nil {
		return nil, err
	}
	return r.plant()
}

func (c *Collection) savePlant(r *plantRow, read versioned, action pb.Revision_Action, by By, before *pb.Plant) error {
	r.UpdateUs, r.Version, r.Stamp = by.Us, read.Version+1, stamp()
	if err := c.tx.update(r, read, c.plant(r.PlantID)); err != nil {
		return err
	}
	return c.revised(PlantKind, "", r.PlantID, r.Version, action, by, before)
}

// Standing is what a plant's observations say of its row.
type Standing struct {
	Bench    string // id; "" for none
	Quantity int32
	State    pb.Plant_State
}

// Settle sets what follows from a plant's observations. Another bench is a change of
// what users set, so it counts as one; the rest is not. Errors: ErrExists if the
// plant lives again and its tag was taken.
func (c *Collection) Settle(id string, s Standing, by By) (*Plant, error) {
	var r plantRow
	if err := c.plant(id).Take(&r).Error; err != nil {
		return nil, err
	}
	if deref(r.BenchID) == s.Bench && r.Quantity == s.Quantity && r.State == int32(s.State) {
		return r.plant()
	}
	before, err := r.message()
	if err != nil {
		return nil, err
	}
	read := versioned{r.Version, r.Stamp}
	moved := deref(r.BenchID) != s.Bench
	r.BenchID, r.Quantity, r.State = orNil(s.Bench), s.Quantity, int32(s.State)
	r.setLiving()
	if moved {
		by.Request = "" // the move is the change that can be undone
		err = c.savePlant(&r, read, pb.Revision_UPDATED, by, before)
	} else {
		err = c.tx.update(&r, read, c.plant(id))
	}
	if err != nil {
		return nil, err
	}
	return r.plant()
}
