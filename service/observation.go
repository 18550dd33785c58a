package service

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/store"
)

// Observations are the calls about observations.
type Observations struct{ events[*pb.Observation] }

// NewObservations returns the calls about observations.
func NewObservations(core *Core) *Observations {
	return &Observations{events[*pb.Observation]{
		Core: core, kinds: []string{"collections", "plants", "observations"}, kind: store.ObservationKind, one: "observation",
		visitorFields: visitorFacts, visitorStored: map[string]func(any) (any, error){"kind": visitorFact}, hidden: hiddenFacts,
		exists: ObservationExists, notFound: ObservationNotFound,
		get:    (*store.Collection).Observation,
		list:   (*store.Collection).Observations,
		create: (*store.Collection).CreateObservations, update: (*store.Collection).UpdateObservation, remove: (*store.Collection).DeleteObservation,
		restore: (*store.Collection).UndeleteObservation, reassign: (*store.Collection).ReassignObservation,
		byName: (*store.Collection).ObservationsByName, many: (*store.Collection).ChangeObservations, before: (*pb.Revision).GetObservation,
		dates: func(m *pb.Observation, zone *time.Location) { m.ObserveDate = dayIn(m.GetObserveTime(), zone) },
		chosen: func(m, body *pb.Observation, mask Mask) {
			chooseDate(mask, "observe", &m.ObserveTime, &m.ObserveDate)
		},
		check: checkObservation,
		addHistory: func(h *store.History, m *pb.Observation) {
			us := store.Micros(m.GetObserveTime())
			i, _ := slices.BinarySearchFunc(h.Observations, us, func(o *pb.Observation, us int64) int {
				if c := cmp.Compare(store.Micros(o.GetObserveTime()), us); c != 0 {
					return c
				}
				return cmp.Compare(o.GetName(), m.GetName())
			})
			h.Observations = slices.Insert(h.Observations, i, m)
		},
	}}
}

// chooseDate drops the day or the instant of an event where only the other one is
// changed.
func chooseDate(mask Mask, verb string, instant **timestamppb.Timestamp, day **string) {
	switch hasTime, hasDate := mask.Has(verb+"_time"), mask.Has(verb+"_date"); {
	case hasDate && !hasTime:
		*instant = nil
	case hasTime && !hasDate:
		*day = nil
	}
}

// checkObservation refuses what does not fit in an observation, and completes its
// instant.
func checkObservation(k *keeping, place at, m *pb.Observation) error {
	if m.GetObserveTime() == nil && m.ObserveDate == nil {
		m.ObserveTime = instantOf(k.visit.at)
	}
	if move := m.GetMove(); move != nil {
		benches, err := k.allBenches(k.c)
		if err != nil {
			return err
		}
		b := benches[store.Segment(move.GetBench(), "benches")]
		before, _ := k.before.(*pb.Observation)
		switch {
		case before.GetMove() != nil && before.GetMove().GetBench() == move.GetBench():
			// It was judged when it was recorded; the bench may be deleted by now.
		case move.GetBench() == "" && k.clears:
			// It is taken off its bench.
		case move.GetBench() == "":
			k.refuse(place, "move.bench", "must not be empty")
		case b == nil || b.GetName() != move.GetBench() || b.GetDeleteTime() != nil:
			k.refuseFor(BenchNotFound, place, "move.bench", "%q is not a bench of the collection", short(move.GetBench()))
		}
	}
	refused, byTime := k.refused, m.GetObserveTime() != nil
	o := k.observation(place, m)
	if k.refused == refused {
		was := civil.None
		if before, ok := k.before.(*pb.Observation); ok {
			was = civil.Of(before.GetObserveTime().AsTime(), k.c.zone)
		}
		k.checkDated(place, "observe", byTime, o.Day, was)
	}
	if k.refused == refused {
		m.ObserveTime, m.ObserveDate = instantOfMicros(o.Time), nil
	}
	return nil
}

// CreateObservation records an observation.
func (s *Observations) CreateObservation(ctx context.Context, req *pb.CreateObservationRequest) (*pb.Observation, error) {
	return s.createOne(ctx, req, newEvent[*pb.Observation]{parent: req.GetParent(), tag: req.GetTag(), id: req.GetObservationId(), message: req.GetObservation()})
}

// BatchCreateObservations records observations, all or none.
func (s *Observations) BatchCreateObservations(ctx context.Context, req *pb.BatchCreateObservationsRequest) (*pb.BatchCreateObservationsResponse, error) {
	var p problems
	all := make([]newEvent[*pb.Observation], len(req.GetRequests()))
	for i, r := range req.GetRequests() {
		all[i] = newEvent[*pb.Observation]{path: fmt.Sprintf("requests[%d]", i), parent: r.GetParent(), tag: r.GetTag(), id: r.GetObservationId(), message: r.GetObservation()}
		refuseInBatch(&p, all[i].path, r)
	}
	out, err := s.createBatch(ctx, req, req.GetParent(), req.GetTag(), all, &p)
	return &pb.BatchCreateObservationsResponse{Observations: out}, err
}

// GetObservation gets an observation.
func (s *Observations) GetObservation(ctx context.Context, req *pb.GetObservationRequest) (*pb.Observation, error) {
	return s.getOne(ctx, req.GetName(), req.GetTag())
}

var observationFields = Fields{
	"observeTime": TimeField,
	"kind":        TextField,
}

// factKinds are the kinds of facts by their names in the API.
var factKinds = func() map[string]store.FactKind {
	kinds := map[string]store.FactKind{}
	for i, name := range strings.Split(factNames, ", ") {
		kinds[name] = store.Measurement + store.FactKind(i)
	}
	return kinds
}()

// factKind turns the name of a fact into what is stored.
func factKind(value any) (any, error) {
	kind, ok := factKinds[fmt.Sprint(value)]
	if !ok {
		return nil, fmt.Errorf("%q is no value of kind; they are %s", short(fmt.Sprint(value)), factNames)
	}
	return int32(kind), nil
}

// ListObservations lists observations.
func (s *Observations) ListObservations(ctx context.Context, req *pb.ListObservationsRequest) (*pb.ListObservationsResponse, error) {
	stored := map[string]func(any) (any, error){"kind": factKind}
	out, token, err := s.listPage(ctx, req, observationFields, stored, []string{"observeTime", "name"})
	return &pb.ListObservationsResponse{Observations: out, NextPageToken: token}, err
}

// UpdateObservation changes an observation.
func (s *Observations) UpdateObservation(ctx context.Context, req *pb.UpdateObservationRequest) (*pb.Observation, error) {
	return s.updateOne(ctx, req, eventChange[*pb.Observation]{"", req.GetTag(), req.GetObservation(), req.GetObservation().GetEtag(), req.GetUpdateMask()})
}

// BatchUpdateObservations changes observations, all or none.
func (s *Observations) BatchUpdateObservations(ctx context.Context, req *pb.BatchUpdateObservationsRequest) (*pb.BatchUpdateObservationsResponse, error) {
	var p problems
	all := make([]eventChange[*pb.Observation], len(req.GetRequests()))
	for i, r := range req.GetRequests() {
		all[i] = eventChange[*pb.Observation]{fmt.Sprintf("requests[%d]", i), r.GetTag(), r.GetObservation(), r.GetObservation().GetEtag(), r.GetUpdateMask()}
		refuseInBatch(&p, all[i].path, r)
	}
	out, err := s.updateBatch(ctx, req, req.GetParent(), all, &p)
	return &pb.BatchUpdateObservationsResponse{Observations: out}, err
}

// DeleteObservation voids an observation.
func (s *Observations) DeleteObservation(ctx context.Context, req *pb.DeleteObservationRequest) (*pb.Observation, error) {
	return s.change(ctx, req, req.GetName(), req.GetTag(), req.GetEtag(), true)
}

// UndeleteObservation lets an observation count again.
func (s *Observations) UndeleteObservation(ctx context.Context, req *pb.UndeleteObservationRequest) (*pb.Observation, error) {
	return s.change(ctx, req, req.GetName(), req.GetTag(), req.GetEtag(), false)
}

// ReassignObservation moves an observation to the plant to which it belongs.
func (s *Observations) ReassignObservation(ctx context.Context, req *pb.ReassignObservationRequest) (*pb.Observation, error) {
	return s.move(ctx, req, req.GetName(), req.GetPlant(), req.GetTag(), req.GetEtag())
}
