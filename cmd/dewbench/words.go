package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	pb "dewbench/proto/dewbench/v1"
)

// enumWords writes a value of an enum in words.
func enumWords(e fmt.Stringer) string {
	return strings.ToLower(strings.ReplaceAll(e.String(), "_", " "))
}

// feedingWords tell what was fed, and what became of it.
func feedingWords(f *pb.Feeding) string {
	text := "fed " + count(int(f.GetTrapsFed()), "trap")
	if f.GetTrapsFed() != f.GetTrapsTarget() {
		text += fmt.Sprintf(" of %d planned", f.GetTrapsTarget())
	}
	if f.GetOutcome() != pb.Feeding_OUTCOME_UNSPECIFIED {
		text += ", " + enumWords(f.GetOutcome())
	}
	return text
}

// observationWords tell what was seen or done.
func observationWords(o *pb.Observation, benches []*pb.Bench) string {
	until := func(day *string) string {
		if day == nil {
			return ""
		}
		return " until " + *day
	}
	more := func(text string) string {
		if text == "" {
			return ""
		}
		return " (" + text + ")"
	}
	switch fact := o.GetFact().(type) {
	case *pb.Observation_Measurement_:
		return sizeWords(fact.Measurement)
	case *pb.Observation_Stalk_:
		return "stalk " + enumWords(fact.Stalk)
	case *pb.Observation_CatchSurvey_:
		text := fmt.Sprintf("caught %d", fact.CatchSurvey.GetPreyFound())
		if n := fact.CatchSurvey.GetTrapsExamined(); n > 0 {
			text += fmt.Sprintf(" in %s", count(int(n), "trap"))
		}
		return text
	case *pb.Observation_Count_:
		return "holds " + count(int(fact.Count.GetQuantity()), "plant")
	case *pb.Observation_End_:
		return enumWords(fact.End.GetState()) + more(fact.End.GetCause()+fact.End.GetRecipient())
	case *pb.Observation_Move_:
		for _, b := range benches {
			if b.GetName() == fact.Move.GetBench() {
				return "moved to " + b.GetDisplayName()
			}
		}
		return "moved"
	case *pb.Observation_Repotting_:
		return "repotted"
	case *pb.Observation_RestStart_:
		return "went to rest"
	case *pb.Observation_RestEnd_:
		return "its rest is over"
	case *pb.Observation_Hold_:
		return "on hold" + until(fact.Hold.UntilDate) + more(fact.Hold.GetReason())
	case *pb.Observation_Treatment_:
		return "treated" + until(fact.Treatment.UntilDate) + more(fact.Treatment.GetProduct())
	case *pb.Observation_Health_:
		return strconv.Quote(fact.Health.GetText())
	}
	return "observed"
}

// sizeWords tell sizes and counts.
func sizeWords(m *pb.Observation_Measurement) string {
	var parts []string
	for _, s := range []struct {
		what string
		mm   *float64
	}{{"diameter", m.RosetteDiameterMm}, {"height", m.HeightMm}, {"trap width", m.TrapWidthMm}} {
		if s.mm != nil {
			// What was measured on a photo has more places than mean something.
			parts = append(parts, s.what+" "+strconv.FormatFloat(math.Round(*s.mm*1000)/1000, 'f', -1, 64)+" mm")
		}
	}
	if m.WorkingTraps != nil {
		parts = append(parts, count(int(m.GetWorkingTraps()), "working trap"))
	}
	if m.LeafCount != nil {
		parts = append(parts, fmt.Sprintf("leaves %d", m.GetLeafCount()))
	}
	return strings.Join(parts, ", ")
}
