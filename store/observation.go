package store

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// FactKind is what an observation is about. The numbers are kept in rows.
type FactKind int32

// The kinds of facts, by the names that the API has for them.
const (
	Measurement FactKind = iota + 1
	Stalk
	CatchSurvey
	Count
	End
	Move
	Repotting
	RestStart
	RestEnd
	Hold
	Treatment
	Health
)

type observationRow struct {
	CollectionID  string `gorm:"primaryKey"`
	PlantID       string `gorm:"primaryKey"`
	ObservationID string `gorm:"primaryKey"`
	Ref           *string
	ObserveUs     int64
	Kind          FactKind
	Note          string

	RosetteDiameterMm *float64
	HeightMm          *float64
	TrapWidthMm       *float64
	WorkingTraps      *int32
	LeafCount         *int32
	Stalk             int32
	TrapsExamined     int32
	PreyFound         int32
	Quantity          int32
	EndState          int32
	Cause             string
	Recipient         string
	BenchID           *string
	Reason            string
	UntilDate         *string
	What              string
	Product           string
	Health            string
	Photo             *string // {plant}/{photo} of the collection

	RecorderID string
	CreateUs   int64
	UpdateUs   int64
	DeleteUs   *int64
	Version    int64
	Stamp      int32
}

func (observationRow) TableName() string { return "observations" }

// set takes what users set. Days of the observation are not kept: the caller has
// made instants of them.
func (r *observationRow) set(m *pb.Observation) error {
	*r = observationRow{
		CollectionID: r.CollectionID, PlantID: r.PlantID, ObservationID: r.ObservationID, Ref: r.Ref,
		ObserveUs: Micros(m.GetObserveTime()), Note: m.GetNote(), Photo: r.Photo,
		RecorderID: r.RecorderID, CreateUs: r.CreateUs, UpdateUs: r.UpdateUs, DeleteUs: r.DeleteUs, Version: r.Version, Stamp: r.Stamp,
	}
	switch fact := m.GetFact().(type) {
	case *pb.Observation_Measurement_:
		r.Kind = Measurement
		v := fact.Measurement
		r.RosetteDiameterMm, r.HeightMm, r.TrapWidthMm = v.RosetteDiameterMm, v.HeightMm, v.TrapWidthMm
		r.WorkingTraps, r.LeafCount = v.WorkingTraps, v.LeafCount
	case *pb.Observation_Stalk_:
		r.Kind, r.Stalk = Stalk, int32(fact.Stalk)
	case *pb.Observation_CatchSurvey_:
		r.Kind, r.TrapsExamined, r.PreyFound = CatchSurvey, fact.CatchSurvey.GetTrapsExamined(), fact.CatchSurvey.GetPreyFound()
	case *pb.Observation_Count_:
		r.Kind, r.Quantity = Count, fact.Count.GetQuantity()
	case *pb.Observation_End_:
		r.Kind, r.EndState, r.Cause, r.Recipient = End, int32(fact.End.GetState()), fact.End.GetCause(), fact.End.GetRecipient()
	case *pb.Observation_Move_:
		r.Kind, r.BenchID = Move, orNil(Segment(fact.Move.GetBench(), "benches"))
	case *pb.Observation_Repotting_:
		r.Kind = Repotting
	case *pb.Observation_RestStart_:
		r.Kind = RestStart
	case *pb.Observation_RestEnd_:
		r.Kind = RestEnd
	case *pb.Observation_Hold_:
		r.Kind, r.Reason, r.UntilDate = Hold, fact.Hold.GetReason(), fact.Hold.UntilDate
	case *pb.Observation_Treatment_:
		r.Kind, r.What, r.Product, r.UntilDate = Treatment, fact.Treatment.GetWhat(), fact.Treatment.GetProduct(), fact.Treatment.UntilDate
	case *pb.Observation_Health_:
		r.Kind, r.Health = Health, fact.Health.GetText()
	default:
		return fmt.Errorf("an observation of nothing: %T", fact)
	}
	return nil
}

// message returns the observation without its civil day, which the zone tells.
func (r *observationRow) message() (*pb.Observation, error) {
	m := &pb.Observation{
		Name:        ObservationName(r.CollectionID, r.PlantID, r.ObservationID),
		Plant:       PlantName(r.CollectionID, r.PlantID),
		ObserveTime: instant(r.ObserveUs),
		Note:        r.Note,
		Recorder:    GrowerName(r.RecorderID),
		CreateTime:  instant(r.CreateUs),
		UpdateTime:  instant(r.UpdateUs),
		DeleteTime:  maybe(r.DeleteUs),
		Etag:        etag(r.CreateUs, r.Version),
	}
	if plant, photo, linked := strings.Cut(deref(r.Photo), "/"); linked {
		m.Photo = PhotoName(r.CollectionID, plant, photo)
	}
	switch r.Kind {
	case Measurement:
		m.Fact = &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{
			RosetteDiameterMm: r.RosetteDiameterMm, HeightMm: r.HeightMm, TrapWidthMm: r.TrapWidthMm,
			WorkingTraps: r.WorkingTraps, LeafCount: r.LeafCount,
		}}
	case Stalk:
		m.Fact = &pb.Observation_Stalk_{Stalk: pb.Observation_Stalk(r.Stalk)}
	case CatchSurvey:
		m.Fact = &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: r.TrapsExamined, PreyFound: r.PreyFound}}
	case Count:
		m.Fact = &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: r.Quantity}}
	case End:
		m.Fact = &pb.Observation_End_{End: &pb.Observation_End{
			State: pb.Observation_End_State(r.EndState), Cause: r.Cause, Recipient: r.Recipient,
		}}
	case Move:
		m.Fact = &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: BenchName(r.CollectionID, deref(r.BenchID))}}
	case Repotting:
		m.Fact = &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}
	case RestStart:
		m.Fact = &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}
	case RestEnd:
		m.Fact = &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}
	case Hold:
		m.Fact = &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: r.Reason, UntilDate: r.UntilDate}}
	case Treatment:
		m.Fact = &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: r.What, Product: r.Product, UntilDate: r.UntilDate}}
	case Health:
		m.Fact = &pb.Observation_Health_{Health: &pb.Observation_Health{Text: r.Health}}
	default:
		return nil, fmt.Errorf("an observation of kind %d: %w", r.Kind, ErrNewer)
	}
	return m, nil
}

func observations(rows []observationRow) ([]*pb.Observation, error) {
	out := make([]*pb.Observation, len(rows))
	var err error
	for i := range rows {
		if out[i], err = rows[i].message(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

var (
	observationFields = map[string]column{
		"observeTime": {name: "observe_us"},
		"kind":        {name: "kind"},
	}
	// observationList is of one plant, observationListAll of all plants of a collection.
	observationList = listing{
		fields: observationFields,
		orders: map[string][]string{"observeTime": {"observe_us", "observation_id"}, "name": {"observation_id"}},
		usual:  "observeTime", deletable: true,
	}
	observationListAll = listing{
		fields: observationFields,
		orders: map[string][]string{"observeTime": {"observe_us", "plant_id", "observation_id"}, "name": {"plant_id", "observation_id"}},
		usual:  "observeTime", deletable: true,
	}
)

func (c *Collection) observation(plant, id string) *gorm.DB {
	return c.plant(plant).Where("observation_id = ?", id)
}

// CreateObservations adds observations with the plants and ids of their names.
// Errors: ErrExists if an id is taken, ErrReference if a plant or bench is not there.
func (c *Collection) CreateObservations(all []*pb.Observation, by By) ([]*pb.Observation, error) {
	return c.createObservations(all, nil, by)
}

// linkedPhoto is the photo on which an observation was measured, as it is kept.
func linkedPhoto(m *pb.Observation) *string {
	photo := Segment(m.GetPhoto(), "photos")
	if photo == "" {
		return nil
	}
	return orNil(Segment(m.GetPhoto(), "plants") + "/" + photo)
}

func (c *Collection) createObservations(all []*pb.Observation, refs []string, by By) ([]*pb.Observation, error) {
	rows, history := make([]observationRow, len(all)), make([]revisionRow, len(all))
	for i, m := range all {
		r := &rows[i]
		*r = observationRow{
			CollectionID: c.id, PlantID: Segment(m.GetName(), "plants"), ObservationID: Segment(m.GetName(), "observations"), Ref: refOf(refs, i),
			RecorderID: by.Grower, CreateUs: by.Us, UpdateUs: by.Us, Version: 1, Stamp: stamp(),
		}
		r.Photo = linkedPhoto(m)
		err := r.set(m)
		if err != nil {
			return nil, err
		}
		if history[i], err = c.revise(ObservationKind, r.PlantID, r.ObservationID, 1, pb.Revision_CREATED, by, nil); err != nil {
			return nil, err
		}
	}
	if err := insert(c.tx, rows); err != nil {
		return nil, err
	}
	if err := insert(c.tx, history); err != nil {
		return nil, err
	}
	return observations(rows)
}

// Observation returns an observation, voided or not, or ErrNotFound.
func (c *Collection) Observation(plant, id string) (*pb.Observation, error) {
	var r observationRow
	if err := c.observation(plant, id).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.message()
}

// Observations lists the observations of a plant, or with "" of all plants that are not
// deleted.
func (c *Collection) Observations(plant string, q List) ([]*pb.Observation, []any, error) {
	base, l := c.own(), &observationListAll
	if plant != "" {
		base, l = c.plant(plant), &observationList
	} else {
		base = base.Where(plantThere("observations"))
	}
	rows, next, err := list[observationRow](c.tx, l, base, q)
	if err != nil {
		return nil, nil, err
	}
	out, err := observations(rows)
	return out, next, err
}

// UpdateObservation changes an observation by f, which gets the present one.
func (c *Collection) UpdateObservation(plant, id string, by By, f func(*pb.Observation) error) (*pb.Observation, error) {
	return c.changeObservation(plant, id, by, pb.Revision_UPDATED, func(r *observationRow, m *pb.Observation) error {
		if err := f(m); err != nil {
			return err
		}
		return r.set(m)
	})
}

// DeleteObservation voids an observation. f may refuse it.
func (c *Collection) DeleteObservation(plant, id string, by By, f func(*pb.Observation) error) (*pb.Observation, error) {
	return c.changeObservation(plant, id, by, pb.Revision_DELETED, func(r *observationRow, m *pb.Observation) error {
		r.DeleteUs = &by.Us
		return f(m)
	})
}

// UndeleteObservation lets an observation count again. f may refuse it.
func (c *Collection) UndeleteObservation(plant, id string, by By, f func(*pb.Observation) error) (*pb.Observation, error) {
	return c.changeObservation(plant, id, by, pb.Revision_UNDELETED, func(r *observationRow, m *pb.Observation) error {
		r.DeleteUs = nil
		return f(m)
	})
}

// ReassignObservation moves an observation, with its history, to another plant, where f may
// change it. Errors: ErrNotFound, ErrReference if the plant is not there, ErrExists
// if it has one of the same id.
func (c *Collection) ReassignObservation(plant, id, to string, by By, f func(*pb.Observation) error) (*pb.Observation, error) {
	if _, err := c.changeObservation(plant, id, by, pb.Revision_REASSIGNED, func(r *observationRow, m *pb.Observation) error {
		if err := f(m); err != nil {
			return err
		}
		return r.set(m)
	}); err != nil {
		return nil, err
	}
	if err := c.freeRef(&observationRow{}, c.observation(plant, id), to); err != nil {
		return nil, err
	}
	if err := c.observation(plant, id).Model(&observationRow{}).UpdateColumn("plant_id", to).Error; err != nil {
		return nil, err
	}
	if err := c.reassignHistory(ObservationKind, plant, id, to); err != nil {
		return nil, err
	}
	return c.Observation(to, id)
}

func (c *Collection) changeObservation(plant, id string, by By, action pb.Revision_Action, f func(*observationRow, *pb.Observation) error) (*pb.Observation, error) {
	var r observationRow
	if err := c.observation(plant, id).Take(&r).Error; err != nil {
		return nil, err
	}
	before, err := r.message()
	if err != nil {
		return nil, err
	}
	m := proto.CloneOf(before) // the row's optional values must not be changed in place
	read := versioned{r.Version, r.Stamp}
	if err := f(&r, m); err != nil {
		return nil, err
	}
	if after, err := r.message(); err != nil || same(action, read.Stamp, before, after) {
		return after, err
	}
	r.UpdateUs, r.Version, r.Stamp = by.Us, read.Version+1, stamp()
	if err := c.tx.update(&r, read, c.observation(plant, id)); err != nil {
		return nil, err
	}
	if err := c.revised(ObservationKind, plant, id, r.Version, action, by, before); err != nil {
		return nil, err
	}
	return r.message()
}
