package service

import (
	"fmt"
	"strings"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// sentence says a reason in English.
func sentence(r due.Reason, d *due.Decision) string {
	from := r.From.String()
	switch r.Code {
	case due.FullSession:
		return fmt.Sprintf("A full session on %s covers it until %s.", from, r.Until)
	case due.PartSession:
		return fmt.Sprintf("Part of a session on %s covers it until %s.", from, r.Until)
	case due.SurveyCredit:
		return fmt.Sprintf("Prey that it caught, seen on %s, covers it until %s.", from, r.Until)
	case due.NeverFed:
		return "Nothing on record has fed it."
	case due.CameIndoors:
		return fmt.Sprintf("It came in on %s; outdoors it was presumed to catch for itself.", from)
	case due.LowSurvey:
		return fmt.Sprintf("It stands outdoors, but since %s surveys found less prey than it needs.", from)
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
		return fmt.Sprintf("Clean sessions brought one more trap on %s.", from)
	case due.LadderDown:
		return fmt.Sprintf("Mould brought one trap less on %s.", from)
	case due.CappedByTraps:
		return fmt.Sprintf("Few traps worked when they were counted on %s, so fewer are fed.", from)
	case due.FeedingDay:
		return fmt.Sprintf("The first feeding day is %s.", from)
	case due.RestOver:
		return fmt.Sprintf("A rest ended on %s: there is a whole interval to wake it.", from)
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
		return fmt.Sprintf("%s: no feeding from %s until further notice.", why, r.From)
	}
	return fmt.Sprintf("%s: no feeding from %s, until %s.", why, r.From, r.Until)
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
	text := fmt.Sprintf("It stands outdoors and has been shrinking since %s", r.From)
	if len(known) > 0 {
		text += " (" + strings.Join(known, ", ") + ")"
	}
	return text + "."
}
