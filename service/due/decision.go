package due

import "dewbench/service/civil"

// Status is where a plant stands in its feeding round.
type Status uint8

// The statuses, in the order of a list. Absent: the plant is not there on that
// day, and is not in the answer.
const (
	Absent Status = iota
	Overdue
	Due
	Upcoming
	HeldBack
	NotDue
	NotHandFed
)

// Code is why.
type Code uint8

// The reasons. From Settling on they are holds.
const (
	NoReason Code = iota
	FullSession
	PartSession
	SurveyCredit
	NeverFed
	CameIndoors
	LowSurvey
	Shrinking
	PresumedCatching
	ByRegimen
	TrapTypeUnknown
	NoInterval
	LadderUp
	LadderDown
	CappedByTraps
	FeedingDay
	RestOver
	Settling
	MouldSeen
	ResidueSeen
	RestAhead
	Resting
	NoWorkingTraps
	OnHold
	UnderTreatment
	TrialArm
	Shipping
)

// Reason is one reason with the days of which it is true. From may be
// civil.None, Until civil.Never (open) or civil.None (does not apply).
type Reason struct {
	Code  Code
	From  civil.Day
	Until civil.Day
}

// Hold is an interval in which a plant is not fed, and why.
type Hold struct {
	Code Code
	civil.Span
	// Observation is where the observation that it is for stands in Facts.Observations,
	// from 1: a hold of the grower's, a treatment, the start of a rest that is open. 0: it
	// follows from something else.
	Observation int
}

// Instruction is something to mind.
type Instruction uint8

// The instructions.
const (
	StrokeClosedTrap Instruction = iota + 1
	CutToLength
	CheckLastFirst
	SurveyAgain
	MeasureAgain
	CountAgain
	CutStalk
	FedToday
	instructionEnd
)

// Instructions is a set of instructions.
type Instructions uint16

func (s *Instructions) add(i Instruction) { *s |= 1 << i }

// Has tells whether an instruction is in the set.
func (s Instructions) Has(i Instruction) bool { return s&(1<<i) != 0 }

// List returns the instructions in the order of their constants.
func (s Instructions) List() []Instruction {
	var out []Instruction
	for i := Instruction(1); i < instructionEnd; i++ {
		if s.Has(i) {
			out = append(out, i)
		}
	}
	return out
}

// Evidence is what is known that may make a plant shrink.
type Evidence struct {
	NoPrey     bool // it stands outdoors, and the last survey there found no prey
	StalkUp    bool // a flower stalk was left on
	NotFedLong bool // not fed for two intervals or longer, if hands feed it at all
}

// Decision is what a plant needs on a day. Days that do not apply are
// civil.None.
type Decision struct {
	Status   Status
	Cover    civil.Day // first day on which it is covered no more
	DueFrom  civil.Day // first day of the window
	DueLast  civil.Day // last day of the window, inclusive
	FeedDate civil.Day // the feeding day on which to feed it

	Traps         int // traps to feed in the whole pot; 0 if not fed by hand
	MaxItemTenths int // longest item, tenths of a millimetre, rounded down; NoLimit: no width is known

	Foods        []int // indices into Facts.Foods of the kinds that fit, in their order
	Instructions Instructions
	Reasons      []Reason
	Shrinking    Evidence // with reason Shrinking: what is known that may be behind it
}

// NoLimit as Decision.MaxItemTenths: no width is known, so no limit can be told.
const NoLimit = -1
