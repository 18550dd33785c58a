package service

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"
)

// Feedings are the calls about feedings.
type Feedings struct{ events[*pb.Feeding] }

// NewFeedings returns the calls about feedings.
func NewFeedings(core *Core) *Feedings {
	return &Feedings{events[*pb.Feeding]{
		Core: core, kinds: []string{"collections", "plants", "feedings"}, kind: store.FeedingKind, one: "feeding",
		visitorFields: visitorFeedings,
		exists:        FeedingExists, notFound: FeedingNotFound,
		get:    (*store.Collection).Feeding,
		list:   (*store.Collection).Feedings,
		create: (*store.Collection).CreateFeedings, update: (*store.Collection).UpdateFeeding, remove: (*store.Collection).DeleteFeeding,
		restore: (*store.Collection).UndeleteFeeding, reassign: (*store.Collection).ReassignFeeding,
		byName: (*store.Collection).FeedingsByName, many: (*store.Collection).ChangeFeedings, before: (*pb.Revision).GetFeeding,
		dates: func(m *pb.Feeding, zone *time.Location) {
			m.FedDate, m.OutcomeDate = dayIn(m.GetFedTime(), zone), dayIn(m.GetOutcomeTime(), zone)
		},
		chosen: func(m, body *pb.Feeding, mask Mask) {
			chooseDate(mask, "fed", &m.FedTime, &m.FedDate)
			chooseDate(mask, "outcome", &m.OutcomeTime, &m.OutcomeDate)
			told := slices.ContainsFunc(m.GetTraps(), func(t *pb.FedTrap) bool { return t.GetOutcome() != 0 })
			if told && mask.Has("traps") && !mask.Has("outcome") {
				m.Outcome = 0 // it is the worst of theirs
			}
			if worst(m) == 0 && !mask.Has("outcome_time") && !mask.Has("outcome_date") {
				m.OutcomeTime, m.OutcomeDate = nil, nil // of an outcome that is taken back
			}
		},
		check: checkFeeding,
		addHistory: func(h *store.History, m *pb.Feeding) {
			us := store.Micros(m.GetFedTime())
			i, _ := slices.BinarySearchFunc(h.Feedings, us, func(f *pb.Feeding, us int64) int {
				if c := cmp.Compare(store.Micros(f.GetFedTime()), us); c != 0 {
					return c
				}
				return cmp.Compare(f.GetName(), m.GetName())
			})
			h.Feedings = slices.Insert(h.Feedings, i, m)
		},
		addKept: (*keeping).addFeeding,
	}}
}

// worst returns the outcome of a session: the worst of its traps, where they are
// told.
func worst(m *pb.Feeding) pb.Feeding_Outcome {
	out := m.GetOutcome()
	for _, t := range m.GetTraps() {
		out = max(out, t.GetOutcome())
	}
	return out
}

// checkFeeding refuses what does not fit in a feeding, and completes it: the
// instants, the outcome, the target and the traps that were fed.
func checkFeeding(k *keeping, place at, m *pb.Feeding) error {
	if _, ok := k.session(place, m); !ok {
		return nil
	}
	return k.traps(place, m)
}

// session refuses what does not fit in a feeding apart from its traps, and completes
// it. It returns the day.
func (k *keeping) session(place at, m *pb.Feeding) (day civil.Day, ok bool) {
	if m.GetFedTime() == nil && m.FedDate == nil {
		m.FedTime = instantOf(k.visit.at)
	}
	before, _ := k.before.(*pb.Feeding)
	if food := m.GetFood(); food != "" && food != before.GetFood() {
		if _, ok := k.visit.due.foodByName(food); !ok {
			k.refuseFor(FoodNotFound, place, "food", "%q is not a kind of food of the catalogue; they are %s", short(food), strings.Join(k.visit.due.foodNames, ", "))
		}
	}
	if m.GetThaw() != "" {
		k.refuseFor(ThawNotFound, place, "thaw", "%q is not a thaw of the collection", short(m.GetThaw()))
	}
	refused, byTime := k.refused, m.GetFedTime() != nil
	f := k.feeding(place, m)
	if k.refused == refused {
		was := civil.None
		if before != nil {
			was = civil.Of(before.GetFedTime().AsTime(), k.c.zone)
		}
		k.checkDated(place, "fed", byTime, f.Day, was)
	}
	if k.refused > refused {
		return civil.None, false
	}
	m.FedTime = instantOfMicros(f.Time)
	given := m.GetOutcomeTime() != nil || m.OutcomeDate != nil
	m.Outcome, m.OutcomeTime = pb.Feeding_Outcome(f.Outcome), nil
	if f.Outcome != due.Unknown && given {
		// Seen on the day of an evening session: noon of it lies before.
		m.OutcomeTime = instantOfMicros(max(f.OutcomeTime, f.Time))
	}
	m.FedDate, m.OutcomeDate = nil, nil
	return f.Day, true
}

// traps completes the target and the traps of a feeding that session has completed.
func (k *keeping) traps(place at, m *pb.Feeding) error {
	if m.TrapsTarget == nil && !k.told {
		us := store.Micros(m.GetFedTime())
		target, ok, err := k.target(k.c.dayOf(us), us)
		if err != nil {
			return err
		}
		if ok {
			told := int32(min(target, mostTraps))
			m.TrapsTarget = &told
		}
	}
	if m.TrapsFed == nil {
		if m.TrapsTarget == nil {
			k.refuse(place, "trapsFed", "must be given: the plant is not fed by hand by its regimen, so there is no target")
			return nil
		}
		m.TrapsFed = m.TrapsTarget
	}
	return nil
}

// mostTraps is the most that trapsFed and trapsTarget may be.
const mostTraps = 5_000_000

// CreateFeeding records a session.
func (s *Feedings) CreateFeeding(ctx context.Context, req *pb.CreateFeedingRequest) (*pb.Feeding, error) {
	return s.createOne(ctx, req, newEvent[*pb.Feeding]{parent: req.GetParent(), tag: req.GetTag(), id: req.GetFeedingId(), message: req.GetFeeding()})
}

// BatchCreateFeedings records sessions, all or none.
func (s *Feedings) BatchCreateFeedings(ctx context.Context, req *pb.BatchCreateFeedingsRequest) (*pb.BatchCreateFeedingsResponse, error) {
	var p problems
	all := make([]newEvent[*pb.Feeding], len(req.GetRequests()))
	for i, r := range req.GetRequests() {
		all[i] = newEvent[*pb.Feeding]{path: fmt.Sprintf("requests[%d]", i), parent: r.GetParent(), tag: r.GetTag(), id: r.GetFeedingId(), message: r.GetFeeding()}
		refuseInBatch(&p, all[i].path, r)
	}
	out, err := s.createBatch(ctx, req, req.GetParent(), req.GetTag(), all, &p)
	return &pb.BatchCreateFeedingsResponse{Feedings: out}, err
}

// GetFeeding gets a session.
func (s *Feedings) GetFeeding(ctx context.Context, req *pb.GetFeedingRequest) (*pb.Feeding, error) {
	return s.getOne(ctx, req.GetName(), req.GetTag())
}

var feedingFields = Fields{
	"fedTime":  TimeField,
	"trapsFed": IntegerField,
	"outcome":  EnumField(pb.Feeding_OUTCOME_UNSPECIFIED),
	"food":     TextField,
}

// ListFeedings lists sessions.
func (s *Feedings) ListFeedings(ctx context.Context, req *pb.ListFeedingsRequest) (*pb.ListFeedingsResponse, error) {
	out, token, err := s.listPage(ctx, req, feedingFields, nil, []string{"fedTime", "name"})
	return &pb.ListFeedingsResponse{Feedings: out, NextPageToken: token}, err
}

// UpdateFeeding changes a session.
func (s *Feedings) UpdateFeeding(ctx context.Context, req *pb.UpdateFeedingRequest) (*pb.Feeding, error) {
	return s.updateOne(ctx, req, eventChange[*pb.Feeding]{"", req.GetTag(), req.GetFeeding(), req.GetFeeding().GetEtag(), req.GetUpdateMask()})
}

// BatchUpdateFeedings changes sessions, all or none.
func (s *Feedings) BatchUpdateFeedings(ctx context.Context, req *pb.BatchUpdateFeedingsRequest) (*pb.BatchUpdateFeedingsResponse, error) {
	var p problems
	all := make([]eventChange[*pb.Feeding], len(req.GetRequests()))
	for i, r := range req.GetRequests() {
		all[i] = eventChange[*pb.Feeding]{fmt.Sprintf("requests[%d]", i), r.GetTag(), r.GetFeeding(), r.GetFeeding().GetEtag(), r.GetUpdateMask()}
		refuseInBatch(&p, all[i].path, r)
	}
	out, err := s.updateBatch(ctx, req, req.GetParent(), all, &p)
	return &pb.BatchUpdateFeedingsResponse{Feedings: out}, err
}

// DeleteFeeding voids a session.
func (s *Feedings) DeleteFeeding(ctx context.Context, req *pb.DeleteFeedingRequest) (*pb.Feeding, error) {
	return s.change(ctx, req, req.GetName(), req.GetTag(), req.GetEtag(), true)
}

// UndeleteFeeding lets a session count again.
func (s *Feedings) UndeleteFeeding(ctx context.Context, req *pb.UndeleteFeedingRequest) (*pb.Feeding, error) {
	return s.change(ctx, req, req.GetName(), req.GetTag(), req.GetEtag(), false)
}

// ReassignFeeding moves a session to the plant to which it belongs.
func (s *Feedings) ReassignFeeding(ctx context.Context, req *pb.ReassignFeedingRequest) (*pb.Feeding, error) {
	return s.move(ctx, req, req.GetName(), req.GetPlant(), req.GetTag(), req.GetEtag())
}

// foodByName returns a kind of food of the catalogue by its name, foods/{food}.
func (s *Due) foodByName(name string) (index int, ok bool) {
	if !strings.HasPrefix(name, foodPrefix) {
		return 0, false
	}
	index = slices.Index(s.foodNames, name)
	return index, index >= 0
}
