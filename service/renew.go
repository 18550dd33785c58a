package service

import (
	"fmt"
	"strings"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
	"dewbench/store"
)

// renewal puts the cells of a row into what stands. A cell that is empty says nothing.
type renewal struct{ news []string }

func (r *renewal) changed(what string, now, before any) {
	r.news = append(r.news, fmt.Sprintf("%s: %v, was %v", what, now, before))
}

// inWords writes a value of an enum in words, and says of the zero that it is not told.
func inWords[V comparable](v V) any {
	var none V
	if v == none {
		return "not told"
	}
	if named, ok := any(v).(fmt.Stringer); ok {
		return strings.ToLower(strings.ReplaceAll(named.String(), "_", " "))
	}
	return v
}

// text sets a text.
func (r *renewal) text(what string, to *string, cell string) {
	if cell != "" && !table.Same(*to, cell) {
		r.changed(what, quotedShort(cell), quotedShort(*to))
		*to = cell
	}
}

func quotedShort(s string) string { return fmt.Sprintf("%q", Cut(s, 80)) }

// day sets a day.
func (r *renewal) day(what string, to **string, cell *string) {
	if cell != nil && (*to == nil || **to != *cell) {
		r.changed(what, *cell, shown(*to))
		*to = cell
	}
}

func shown[V any](v *V) any {
	if v == nil {
		return "not told"
	}
	if named, ok := any(*v).(fmt.Stringer); ok {
		return inWords(named)
	}
	return *v
}

// number sets a number, or whether something is so.
func number[V comparable](r *renewal, what string, to **V, cell *V) {
	if cell != nil && (*to == nil || **to != *cell) {
		r.changed(what, shown(cell), shown(*to))
		*to = cell
	}
}

// value sets one of some values; the zero is none.
func value[V comparable](r *renewal, what string, to *V, cell V) {
	var none V
	if cell != none && *to != cell {
		r.changed(what, inWords(cell), inWords(*to))
		*to = cell
	}
}

func (x *Exchange) feedingKind() *eventKind[*pb.Feeding] {
	return &eventKind[*pb.Feeding]{
		events: &x.feedings.events,
		at:     func(m *pb.Feeding) int64 { return store.Micros(m.GetFedTime()) },
		past:   func(h *store.History) []*pb.Feeding { return h.Feedings },
		fact:   func(*pb.Feeding) store.FactKind { return 0 },
		restart: func(next *pb.Feeding, s *said[*pb.Feeding]) {
			next.FedTime, next.FedDate = s.message.GetFedTime(), s.message.FedDate
		},
		renew:  renewFeeding,
		listed: (*store.Collection).ReferredFeedings,
		insert: (*store.Collection).CreateReferredFeedings,
		change: (*store.Collection).ChangeFeedings,
		byName: (*store.Collection).FeedingsByName,
		columns: map[string]string{
			"fedDate": "day fed", "fedTime": "day fed", "trapsFed": "traps fed", "trapsTarget": "target", "food": "food",
			"itemLengthMm": "item length", "stimulated": "stimulated", "outcome": "outcome", "outcomeDate": "day of the outcome",
			"outcomeTime": "day of the outcome", "note": "note", "feeder": "feeder",
		},
	}
}

func renewFeeding(book *benchBook, next *pb.Feeding, s *said[*pb.Feeding]) []string {
	var r renewal
	cell := s.message
	number(&r, "traps fed", &next.TrapsFed, cell.TrapsFed)
	number(&r, "target", &next.TrapsTarget, cell.TrapsTarget)
	if s.foodRule == "" {
		value(&r, "food", &next.Food, cell.GetFood())
	}
	number(&r, "item length", &next.ItemLengthMm, cell.ItemLengthMm)
	number(&r, "stimulated", &next.Stimulated, cell.Stimulated)
	value(&r, "outcome", &next.Outcome, cell.GetOutcome())
	if seen := dayIn(next.GetOutcomeTime(), book.c.zone); cell.OutcomeDate != nil && (seen == nil || *seen != cell.GetOutcomeDate()) {
		r.changed("day of the outcome", cell.GetOutcomeDate(), shown(seen))
		next.OutcomeTime, next.OutcomeDate = nil, cell.OutcomeDate
	}
	r.text("note", &next.Note, cell.GetNote())
	r.text("feeder", &next.Feeder, cell.GetFeeder())
	return r.news
}

func (x *Exchange) observationKind() *eventKind[*pb.Observation] {
	return &eventKind[*pb.Observation]{
		events: &x.observations.events,
		at:     func(m *pb.Observation) int64 { return store.Micros(m.GetObserveTime()) },
		past:   func(h *store.History) []*pb.Observation { return h.Observations },
		fact:   factOf,
		restart: func(next *pb.Observation, s *said[*pb.Observation]) {
			next.ObserveTime, next.ObserveDate = s.message.GetObserveTime(), s.message.ObserveDate
		},
		renew:  renewObservation,
		listed: (*store.Collection).ReferredObservations,
		insert: (*store.Collection).CreateReferredObservations,
		change: (*store.Collection).ChangeObservations,
		byName: (*store.Collection).ObservationsByName,
		columns: map[string]string{
			"observeDate": "day", "observeTime": "day", "move": "bench", "hold": "end of the hold", "treatment": "end of the treatment",
			"measurement": "rosette diameter", "note": "note",
		},
	}
}

// factOf returns what an observation is about.
func factOf(m *pb.Observation) store.FactKind {
	r := m.ProtoReflect()
	fact := r.WhichOneof(r.Descriptor().Oneofs().ByName("fact"))
	if fact == nil {
		return 0
	}
	return factKinds[fact.JSONName()]
}

func renewObservation(book *benchBook, next *pb.Observation, s *said[*pb.Observation]) []string {
	var r renewal
	switch cell := s.message.GetFact().(type) {
	case *pb.Observation_Measurement_:
		to, from := next.GetMeasurement(), cell.Measurement
		number(&r, "rosette diameter", &to.RosetteDiameterMm, from.RosetteDiameterMm)
		number(&r, "height", &to.HeightMm, from.HeightMm)
		number(&r, "trap width", &to.TrapWidthMm, from.TrapWidthMm)
		number(&r, "working traps", &to.WorkingTraps, from.WorkingTraps)
		number(&r, "leaf count", &to.LeafCount, from.LeafCount)
	case *pb.Observation_Stalk_:
		if next.GetStalk() != cell.Stalk {
			r.changed("stalk", inWords(cell.Stalk), inWords(next.GetStalk()))
			next.Fact = &pb.Observation_Stalk_{Stalk: cell.Stalk}
		}
	case *pb.Observation_CatchSurvey_:
		to, from := next.GetCatchSurvey(), cell.CatchSurvey
		if to.GetPreyFound() != from.GetPreyFound() { // none is told too
			r.changed("prey found", from.GetPreyFound(), to.GetPreyFound())
			to.PreyFound = from.GetPreyFound()
		}
		value(&r, "traps examined", &to.TrapsExamined, from.GetTrapsExamined())
	case *pb.Observation_Count_:
		value(&r, "quantity", &next.GetCount().Quantity, cell.Count.GetQuantity())
	case *pb.Observation_End_:
		to, from := next.GetEnd(), cell.End
		value(&r, "end", &to.State, from.GetState())
		r.text("cause", &to.Cause, from.GetCause())
		r.text("recipient", &to.Recipient, from.GetRecipient())
	case *pb.Observation_Move_:
		if before := next.GetMove().GetBench(); s.spot != nil && !sameSpot(book, before, s.spot) {
			r.changed("bench", quotedShort(s.spot.text), quotedShort(book.label(before)))
		}
	case *pb.Observation_Hold_:
		to, from := next.GetHold(), cell.Hold
		r.text("reason of the hold", &to.Reason, from.GetReason())
		r.day("end of the hold", &to.UntilDate, from.UntilDate)
	case *pb.Observation_Treatment_:
		to, from := next.GetTreatment(), cell.Treatment
		r.text("what was treated", &to.What, from.GetWhat())
		r.text("product", &to.Product, from.GetProduct())
		r.day("end of the treatment", &to.UntilDate, from.UntilDate)
	case *pb.Observation_Health_:
		to := next.GetHealth()
		if to.GetText() == "" && table.Same(next.GetNote(), cell.Health.GetText()) {
			break // a note alone is read as this
		}
		r.text("health", &to.Text, cell.Health.GetText())
	}
	r.text("note", &next.Note, s.message.GetNote())
	return r.news
}
