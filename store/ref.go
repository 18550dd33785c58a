package store

import (
	"encoding/json"
	"fmt"

	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// A ref is what a grower's own table calls a plant, a feeding or an observation. It is
// no part of the message: setting it changes no etag.

// PlantsByRef returns the ids of plants, deleted or not, by their refs.
func (c *Collection) PlantsByRef(refs []string) (map[string]string, error) {
	out := map[string]string{}
	for some := range chunks(refs) {
		var rows []struct{ PlantID, Ref string }
		if err := c.own().Where("ref IN ?", some).Model(&plantRow{}).Select("plant_id, ref").Find(&rows).Error; err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[r.Ref] = r.PlantID
		}
	}
	return out, nil
}

// ReferPlant gives a plant its ref. Errors: ErrNotFound, ErrExists if another has it.
func (c *Collection) ReferPlant(id, ref string) error {
	return hit(c.plant(id).Model(&plantRow{}).UpdateColumn("ref", ref))
}

// Told is what a grower's table said last of what a plant's observations say too.
type Told struct {
	Quantity int32             `json:",omitempty"`
	Bench    string            `json:",omitempty"` // as the table calls it
	Exposure pb.Bench_Exposure `json:",omitempty"`
}

// text returns nil for nothing.
func (t *Told) text() (*string, error) {
	if t == nil || *t == (Told{}) {
		return nil, nil
	}
	text, err := json.Marshal(t)
	if err != nil {
		return nil, fmt.Errorf("write what a table told: %w", err)
	}
	return orNil(string(text)), nil
}

// TellPlant keeps what a table told of a plant. As its ref, it is no part of the message.
// Errors: ErrNotFound.
func (c *Collection) TellPlant(id string, told *Told) error {
	text, err := told.text()
	if err != nil {
		return err
	}
	return hit(c.plant(id).Model(&plantRow{}).UpdateColumn("told", text))
}

// FreeRefs takes refs off plants that are gone for good by now, though they were not
// swept yet.
func (c *Collection) FreeRefs(refs []string, us int64) error {
	for some := range chunks(refs) {
		if err := c.own().Where("ref IN ? AND purge_us <= ?", some, us).Model(&plantRow{}).UpdateColumn("ref", nil).Error; err != nil {
			return err
		}
	}
	return nil
}

// Referred is a feeding or an observation with a ref.
type Referred struct {
	Ref, Plant, ID string
	Fact           FactKind // of an observation
}

// EventsByRef returns the feedings, or the observations, with one of the refs, voided or
// not.
func (c *Collection) EventsByRef(kind Kind, refs []string) ([]Referred, error) {
	var out []Referred
	for some := range chunks(refs) {
		found, err := c.referred(kind, c.own().Where("ref IN ?", some))
		if err != nil {
			return nil, err
		}
		out = append(out, found...)
	}
	return out, nil
}

// EventRefs returns the feedings, or the observations, of plants that have a ref.
func (c *Collection) EventRefs(kind Kind, plants []string) ([]Referred, error) {
	var out []Referred
	for some := range chunks(plants) {
		found, err := c.referred(kind, c.own().Where("plant_id IN ? AND ref IS NOT NULL", some))
		if err != nil {
			return nil, err
		}
		out = append(out, found...)
	}
	return out, nil
}

// ReferEvent gives a feeding or an observation its ref. Errors: ErrNotFound, ErrExists if
// another one of the plant has it.
func (c *Collection) ReferEvent(kind Kind, plant, id, ref string) error {
	if kind == FeedingKind {
		return hit(c.feeding(plant, id).Model(&feedingRow{}).UpdateColumn("ref", ref))
	}
	return hit(c.observation(plant, id).Model(&observationRow{}).UpdateColumn("ref", ref))
}

// ReferredFeedings is Feedings of all plants with the ref of each, "" for none.
func (c *Collection) ReferredFeedings(q List) (all []*pb.Feeding, refs []string, next []any, err error) {
	rows, next, err := list[feedingRow](c.tx, &feedingListAll, c.own().Where(plantThere("feedings")), q)
	if err != nil {
		return nil, nil, nil, err
	}
	for _, r := range rows {
		refs = append(refs, deref(r.Ref))
	}
	all, err = feedings(rows)
	return all, refs, next, err
}

// ReferredObservations is ReferredFeedings for observations.
func (c *Collection) ReferredObservations(q List) (all []*pb.Observation, refs []string, next []any, err error) {
	rows, next, err := list[observationRow](c.tx, &observationListAll, c.own().Where(plantThere("observations")), q)
	if err != nil {
		return nil, nil, nil, err
	}
	for _, r := range rows {
		refs = append(refs, deref(r.Ref))
	}
	all, err = observations(rows)
	return all, refs, next, err
}

func (c *Collection) referred(kind Kind, db *gorm.DB) ([]Referred, error) {
	var rows []Referred
	if kind == FeedingKind {
		return rows, db.Model(&feedingRow{}).Select("ref, plant_id AS plant, feeding_id AS id").Find(&rows).Error
	}
	return rows, db.Model(&observationRow{}).Select("ref, plant_id AS plant, observation_id AS id, kind AS fact").Find(&rows).Error
}

// CreateReferredFeedings is CreateFeedings with the ref of each, "" for none.
func (c *Collection) CreateReferredFeedings(all []*pb.Feeding, refs []string, by By) ([]*pb.Feeding, error) {
	return c.createFeedings(all, refs, by)
}

// CreateReferredObservations is CreateObservations with the ref of each, "" for none.
func (c *Collection) CreateReferredObservations(all []*pb.Observation, refs []string, by By) ([]*pb.Observation, error) {
	return c.createObservations(all, refs, by)
}

// refOf returns the ref of the i-th of those that are created; nil for none.
func refOf(refs []string, i int) *string {
	if i >= len(refs) {
		return nil
	}
	return orNil(refs[i])
}

// freeRef takes its ref off an event that is to go to a plant that has one of the same
// ref.
func (c *Collection) freeRef(row any, event *gorm.DB, to string) error {
	theirs := c.plant(to).Where("ref IS NOT NULL").Model(row).Select("ref")
	return event.Where("ref IN (?)", theirs).Model(row).UpdateColumn("ref", nil).Error
}
