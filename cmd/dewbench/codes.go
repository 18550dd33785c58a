package main

import (
	"fmt"
	"strings"

	pb "dewbench/proto/dewbench/v1"
)

// reasonWords say the reasons in plain words, in the order of the help.
var reasonWords = []struct {
	code  pb.DueFeeding_Reason_Code
	words string
}{
	{pb.DueFeeding_Reason_FULL_SESSION, "fed a full session on that day"},
	{pb.DueFeeding_Reason_PART_SESSION, "the last session, on that day, fed fewer traps than planned"},
	{pb.DueFeeding_Reason_SURVEY_CREDIT, "it caught prey, seen on that day"},
	{pb.DueFeeding_Reason_NEVER_FED, "nothing on record has fed it"},
	{pb.DueFeeding_Reason_CAME_INDOORS, "it came in on that day; outdoors it caught for itself"},
	{pb.DueFeeding_Reason_LOW_SURVEY, "outdoors, but since that day it catches less than it needs"},
	{pb.DueFeeding_Reason_SHRINKING, "outdoors, but shrinking since that day"},
	{pb.DueFeeding_Reason_PRESUMED_CATCHING, "outdoors: taken to catch for itself"},
	{pb.DueFeeding_Reason_REGIMEN, "its kind, or its own row, says never by hand"},
	{pb.DueFeeding_Reason_NO_TRAP_TYPE, "neither name nor trap type is known"},
	{pb.DueFeeding_Reason_NO_INTERVAL, "no interval is known for its kind of trap"},
	{pb.DueFeeding_Reason_LADDER_UP, "clean sessions earned it more traps"},
	{pb.DueFeeding_Reason_LADDER_DOWN, "mould cost it a trap"},
	{pb.DueFeeding_Reason_CAPPED_BY_TRAPS, "few of its traps work, so fewer are fed"},
	{pb.DueFeeding_Reason_FEEDING_DAY, "the window lasts until you feed again"},
	{pb.DueFeeding_Reason_REST_ENDED, "its rest is over: there is a whole interval to wake it"},
	{pb.DueFeeding_Reason_SETTLING, "hold: lately arrived, repotted or divided"},
	{pb.DueFeeding_Reason_MOULD, "hold: the last food went mouldy"},
	{pb.DueFeeding_Reason_RESIDUE, "hold: part of the last food still lies there"},
	{pb.DueFeeding_Reason_REST_AHEAD, "hold: it would not digest before its rest"},
	{pb.DueFeeding_Reason_RESTING, "hold: at rest"},
	{pb.DueFeeding_Reason_NO_WORKING_TRAPS, "hold: no trap works"},
	{pb.DueFeeding_Reason_ON_HOLD, "hold: you put it on hold"},
	{pb.DueFeeding_Reason_TREATED, "hold: treated"},
	{pb.DueFeeding_Reason_TRIAL_ARM, "hold: a trial leaves it unfed"},
	{pb.DueFeeding_Reason_SHIPPING, "hold: to be shipped"},
}

// instructionWords say what to mind in plain words.
var instructionWords = []struct {
	code  pb.DueFeeding_Instruction
	words string
}{
	{pb.DueFeeding_STROKE_CLOSED_TRAP, "stroke the closed trap: the food does not move"},
	{pb.DueFeeding_CUT_TO_LENGTH, "cut the food to the length under ITEM"},
	{pb.DueFeeding_CHECK_LAST_FIRST, "look what became of the last food before you feed"},
	{pb.DueFeeding_SURVEY_AGAIN, "look again what it catches"},
	{pb.DueFeeding_MEASURE_AGAIN, "measure again: 60 days are over"},
	{pb.DueFeeding_COUNT_AGAIN, "count its working traps again: 90 days are over"},
	{pb.DueFeeding_CUT_STALK, "cut its flower stalk"},
	{pb.DueFeeding_FED_TODAY, "fed today already: do not feed twice"},
}

// cutMark stands beside the length of the longest item for CUT_TO_LENGTH, which
// holds for most rows and would crowd the others out.
const cutMark = "cut"

// listHelp explains the list.
func listHelp() string {
	var b strings.Builder
	b.WriteString(`The list:
  WINDOW  first and last day on which to feed it
  TRAPS   traps to feed in the whole pot
  ITEM    longest item to give, in mm; "cut" is code CUT_TO_LENGTH
  WHY     the reasons, as codes of the API; "!" is what to mind

Codes, with the day they speak of:
`)
	for _, r := range reasonWords {
		fmt.Fprintf(&b, "  %-18s  %s\n", r.code, r.words)
	}
	for _, i := range instructionWords {
		fmt.Fprintf(&b, "  %-18s  %s\n", i.code, i.words)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// legend explains the codes that stand in some rows.
func legend(rows []row) string {
	reasons := map[pb.DueFeeding_Reason_Code]bool{}
	instructions := map[pb.DueFeeding_Instruction]bool{}
	for _, r := range rows {
		for _, x := range r.GetReasons() {
			reasons[x.GetCode()] = true
		}
		for _, i := range r.GetInstructions() {
			instructions[i] = true
		}
	}
	var b strings.Builder
	for _, r := range reasonWords {
		if reasons[r.code] {
			fmt.Fprintf(&b, "  %-18s  %s\n", r.code, r.words)
		}
	}
	for _, i := range instructionWords {
		if instructions[i.code] {
			fmt.Fprintf(&b, "  %-18s  %s\n", i.code, i.words)
		}
	}
	return b.String()
}
