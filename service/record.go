package service

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/table"
)

// Rows of growers' tables as messages. Days and times of day are those of a zone.

// FeedingOf returns the session of a row.
func FeedingOf(f *table.Feeding, zone *time.Location) *pb.Feeding {
	m := &pb.Feeding{
		TrapsFed: f.TrapsFed, TrapsTarget: f.TrapsTarget, Food: f.Food, ItemLengthMm: f.ItemLengthMM,
		Stimulated: f.Stimulated, Outcome: pb.Feeding_Outcome(f.Outcome), OutcomeDate: date(f.OutcomeDay),
		Note: f.Note, Feeder: f.Feeder,
	}
	m.FedTime, m.FedDate = momentOf(f.Fed, f.Time, zone)
	return m
}

// momentOf returns the instant of a day with a time, else the day alone.
func momentOf(day civil.Day, clock table.Clock, zone *time.Location) (*timestamppb.Timestamp, *string) {
	if !clock.Given {
		return nil, date(day)
	}
	y, m, d := day.Split()
	return timestamppb.New(time.Date(y, time.Month(m), d, 0, 0, clock.Seconds, 0, zone)), nil
}

// ObservationsOf returns what a row says: one observation for each thing, but for
// moves, of which the bench must be known.
func ObservationsOf(row *table.Observation, zone *time.Location) []*pb.Observation {
	var all []*pb.Observation
	add := func(o *pb.Observation) {
		o.ObserveTime, o.ObserveDate = momentOf(row.Day, row.Time, zone)
		o.Note = row.Note
		all = append(all, o)
	}
	if row.Sizes.Given() {
		add(&pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: MeasurementOf(&row.Sizes)}})
	}
	if row.Quantity != nil {
		add(&pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: *row.Quantity}}})
	}
	if row.Survey != nil {
		add(&pb.Observation{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{
			PreyFound: row.Survey.PreyFound, TrapsExamined: row.Survey.TrapsExamined,
		}}})
	}
	if row.Stalk != table.NoStalk {
		add(&pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_Stalk(row.Stalk)}})
	}
	if row.Repotted {
		add(&pb.Observation{Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}})
	}
	if row.RestStart {
		add(&pb.Observation{Fact: &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}})
	}
	if row.RestEnd {
		add(&pb.Observation{Fact: &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}})
	}
	if row.Hold != nil {
		add(&pb.Observation{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{
			Reason: row.Hold.Reason, UntilDate: date(row.Hold.Until),
		}}})
	}
	if row.Treatment != nil {
		add(&pb.Observation{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{
			What: row.Treatment.What, Product: row.Treatment.Product, UntilDate: date(row.Treatment.Until),
		}}})
	}
	if row.Health != "" {
		add(&pb.Observation{Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: row.Health}}})
	}
	if row.End != table.NoEnd {
		add(EndOf(row.End, row.Cause, row.Recipient))
	}
	return all
}

// EndOf returns the observation that a plant left the collection, without its day.
func EndOf(end table.End, cause, recipient string) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_End_{End: &pb.Observation_End{
		State: pb.Observation_End_State(end), Cause: cause, Recipient: recipient,
	}}}
}

// MeasurementOf returns sizes as a message.
func MeasurementOf(s *table.Sizes) *pb.Observation_Measurement {
	return &pb.Observation_Measurement{
		RosetteDiameterMm: s.RosetteDiameterMM, HeightMm: s.HeightMM, TrapWidthMm: s.TrapWidthMM,
		WorkingTraps: s.WorkingTraps, LeafCount: s.LeafCount,
	}
}
