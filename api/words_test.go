package api

import (
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/due"
	"dewbench/service/season"
)

// The words of the API for what the topics below it know by number. The code
// casts one to the other, so their numbers must agree.
var (
	statusWords = map[due.Status]string{
		due.Overdue: "OVERDUE", due.Due: "DUE", due.Upcoming: "UPCOMING", due.HeldBack: "HELD",
		due.NotDue: "NOT_DUE", due.NotHandFed: "NOT_HAND_FED",
	}
	codeWords = map[due.Code]string{
		due.FullSession: "FULL_SESSION", due.PartSession: "PART_SESSION", due.SurveyCredit: "SURVEY_CREDIT",
		due.NeverFed: "NEVER_FED", due.CameIndoors: "CAME_INDOORS", due.LowSurvey: "LOW_SURVEY", due.Shrinking: "SHRINKING",
		due.PresumedCatching: "PRESUMED_CATCHING", due.ByRegimen: "REGIMEN", due.TrapTypeUnknown: "NO_TRAP_TYPE",
		due.NoInterval: "NO_INTERVAL", due.LadderUp: "LADDER_UP", due.LadderDown: "LADDER_DOWN",
		due.CappedByTraps: "CAPPED_BY_TRAPS", due.FeedingDay: "FEEDING_DAY", due.RestOver: "REST_ENDED",
		due.Settling: "SETTLING", due.MouldSeen: "MOULD", due.ResidueSeen: "RESIDUE", due.RestAhead: "REST_AHEAD",
		due.Resting: "RESTING", due.NoWorkingTraps: "NO_WORKING_TRAPS", due.OnHold: "ON_HOLD", due.UnderTreatment: "TREATED",
		due.TrialArm: "TRIAL_ARM", due.Shipping: "SHIPPING",
	}
	instructionWords = map[due.Instruction]string{
		due.StrokeClosedTrap: "STROKE_CLOSED_TRAP", due.CutToLength: "CUT_TO_LENGTH", due.CheckLastFirst: "CHECK_LAST_FIRST",
		due.SurveyAgain: "SURVEY_AGAIN", due.MeasureAgain: "MEASURE_AGAIN", due.CountAgain: "COUNT_AGAIN",
		due.CutStalk: "CUT_STALK", due.FedToday: "FED_TODAY",
	}
	exposureWords = map[due.Exposure]string{
		due.NoExposure: "EXPOSURE_UNSPECIFIED", due.Outdoors: "OUTDOORS", due.Greenhouse: "GREENHOUSE",
		due.Windowsill: "WINDOWSILL", due.Enclosed: "ENCLOSED",
	}
	outcomeWords = map[due.Outcome]string{
		due.Unknown: "OUTCOME_UNSPECIFIED", due.Clean: "CLEAN", due.Residue: "RESIDUE", due.Mould: "MOULD", due.Rejected: "REJECTED",
	}
	trapTypeWords = map[due.TrapType]string{
		due.NoTrapType: "TRAP_TYPE_UNSPECIFIED", due.Adhesive: "ADHESIVE", due.Snap: "SNAP", due.Pitfall: "PITFALL",
		due.Suction: "SUCTION", due.Eel: "EEL",
	}
	habitWords = map[due.Habit]string{
		due.NoHabit: "HABIT_UNSPECIFIED", due.SmallRosette: "SMALL_ROSETTE", due.Large: "LARGE",
	}
	handFeedWords = map[due.HandFeed]string{
		due.NoHandFeed: "HAND_FEED_UNSPECIFIED", due.Always: "ALWAYS", due.IfNotCatching: "IF_NOT_CATCHING", due.Never: "NEVER",
	}
	rankWords = map[catalogue.Rank]string{
		catalogue.NoRank: "RANK_UNSPECIFIED", catalogue.Genus: "GENUS", catalogue.Species: "SPECIES",
		catalogue.Subspecies: "SUBSPECIES", catalogue.Hybrid: "HYBRID",
	}
	markWords = map[catalogue.Mark]string{
		catalogue.NoMark: "MARK_UNSPECIFIED", catalogue.Print: "PRINT", catalogue.OpenData: "OPEN_DATA",
		catalogue.CommonPractice: "COMMON_PRACTICE", catalogue.Memory: "MEMORY",
	}
	appendixWords = map[catalogue.Appendix]string{
		catalogue.NotListed: "APPENDIX_UNSPECIFIED", catalogue.AppendixI: "I", catalogue.AppendixII: "II", catalogue.AppendixIII: "III",
	}
	seasonWords = map[season.Season]string{season.None: "NONE", season.Winter: "WINTER", season.Summer: "SUMMER"}
)

// agree checks that an enum of the API is made of the given words, each with the
// number of its value plus shift, and of a zero value that means nothing.
func agree[T ~uint8](t *testing.T, enum protoreflect.Enum, words map[T]string, shift int) {
	t.Helper()
	values := enum.Descriptor().Values()
	known := map[protoreflect.Name]bool{}
	for value, word := range words {
		found := values.ByName(protoreflect.Name(word))
		if found == nil {
			t.Errorf("%s lacks %s", enum.Descriptor().FullName(), word)
			continue
		}
		if got, want := int(found.Number()), int(value)+shift; got != want {
			t.Errorf("%s is %d, its value makes it %d", found.FullName(), got, want)
		}
		known[found.Name()] = true
	}
	for i := range values.Len() {
		if v := values.Get(i); v.Number() != 0 && !known[v.Name()] {
			t.Errorf("%s stands for nothing", v.FullName())
		}
	}
}

func TestNumbersOfEnumsAgree(t *testing.T) {
	agree(t, pb.DueFeeding_Status(0), statusWords, 0)
	agree(t, pb.DueFeeding_Reason_Code(0), codeWords, 0)
	agree(t, pb.DueFeeding_Instruction(0), instructionWords, 0)
	agree(t, pb.Bench_Exposure(0), exposureWords, 0)
	agree(t, pb.Feeding_Outcome(0), outcomeWords, 0)
	agree(t, pb.Taxon_TrapType(0), trapTypeWords, 0)
	agree(t, pb.Taxon_Habit(0), habitWords, 0)
	agree(t, pb.Regimen_HandFeed(0), handFeedWords, 0)
	agree(t, pb.Taxon_Rank(0), rankWords, 0)
	agree(t, pb.Taxon_Source_Mark(0), markWords, 0)
	agree(t, pb.Taxon_CitesListing_Appendix(0), appendixWords, 0)
	// A taxon that does not rest says so: NONE is not the zero value.
	agree(t, pb.Taxon_Rest_Season(0), seasonWords, 1)
}

// The worst outcome of a session's traps is the largest number.
func TestOutcomesStandFromBestToWorst(t *testing.T) {
	order := []pb.Feeding_Outcome{pb.Feeding_OUTCOME_UNSPECIFIED, pb.Feeding_CLEAN, pb.Feeding_RESIDUE, pb.Feeding_MOULD, pb.Feeding_REJECTED}
	for i, o := range order {
		if int(o) != i {
			t.Errorf("%s is %d, not %d", o, o, i)
		}
	}
	if n := pb.Feeding_OUTCOME_UNSPECIFIED.Descriptor().Values().Len(); n != len(order) {
		t.Errorf("%d outcomes, %d known here", n, len(order))
	}
}
