package service

import (
	"strings"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// sentence says a reason in English.
func sentence(r due.Reason, d *due.Decision) string {
	from := r.From.String()
	switch r.Code {
	case due.FullSession:
		return "A full session on " + from + " covers it until " + r.Until.String() + "."
	case due.PartSession:
		return "Part of a session on " + from + " covers it until " + r.Until.String() + "."
	case due.SurveyCredit:
		return "Prey that it caught, seen on " + from + ", covers it until " + r.Until.String() + "."
	case due.NeverFed:
		return "Nothing on record has fed it."
	case due.CameIndoors:
		return "It came in on " + from + "; outdoors it was presumed to catch for itself."
	case due.LowSurvey:
		return "It stands outdoors, but since " + from + " surveys found less prey than it needs."
	case due.Shrinking:
		return shrinkingSentence(r, d)
	case due.PresumedCatching:
		return "It stands outdoors and is presumed to catch for itself."
	case due.ByRegimen:
		return "Its regimen says that it is not fed by hand."
	case due.TrapTypeUnknown:
		return "Its trap type is not known: give a taxon of the catalogue, or the trap type."
	case due.NoInterval:
		return "Its regimen has no interval."
	case due.LadderUp:
		return "Clean sessions brought one more trap on " + from + "."
	case due.LadderDown:
		return "Mould brought one trap less on " + from + "."
	case due.CappedByTraps:
		return "Few traps worked when they were counted on " + from + ", so fewer are fed."
	case due.FeedingDay:
		return "The first feeding day is " + from + "."
	case due.RestOver:
		return "A rest ended on " + from + ": there is a whole interval to wake it."
	case due.Settling:
		return held("It settles after arrival, repotting or dividing", r)
	case due.MouldSeen:
		return held("Mould was seen", r)
	case due.ResidueSeen:
		return held("Residue was seen", r)
	case due.RestAhead:
		return held("A rest begins before an item would be digested", r)
	case due.Resting:
		return held("It rests", r)
	case due.NoWorkingTraps:
		return held("No trap works", r)
	case due.OnHold:
		return held("Its grower put it on hold", r)
	case due.UnderTreatment:
		return held("It was treated", r)
	case due.TrialArm:
		return held("It is in an arm of a trial that is not fed by hand", r)
	case due.Shipping:
		return held("It is to be shipped", r)
	}
	return ""
}

func held(why string, r due.Reason) string {
	if r.Until == civil.Never {
		return why + ": no feeding from " + r.From.String() + " until further notice."
	}
	return why + ": no feeding from " + r.From.String() + ", until " + r.Until.String() + "."
}

func shrinkingSentence(r due.Reason, d *due.Decision) string {
	var known []string
	if d.Shrinking.NoPrey {
		known = append(known, "the last survey found no prey")
	}
	if d.Shrinking.StalkUp {
		known = append(known, "a flower stalk was left on")
	}
	if d.Shrinking.NotFedLong {
		known = append(known, "it was not fed for two intervals")
	}
	text := "It stands outdoors and has been shrinking since " + r.From.String()
	if len(known) > 0 {
		text += " (" + strings.Join(known, ", ") + ")"
	}
	return text + "."
}
