package api

import (
	"time"

	"dewbench/service/civil"
	"dewbench/service/due"
)

func (h *histories) feeding() (due.Feeding, object) {
	m := object{}
	day, at := h.moment("fedTime", "fedDate", m)
	f := due.Feeding{Day: day, Time: micros(at), Traps: due.FedTarget, OutcomeDay: civil.None}
	if h.often(80) {
		f.Traps = h.between(0, 6)
		m["trapsFed"] = f.Traps
	}
	if h.often(20) {
		f.Target = h.between(1, 6)
		m["trapsTarget"] = f.Target
	}
	// What the engine does not look at.
	if h.often(20) {
		m["food"], m["thaw"], m["itemLengthMm"], m["stimulated"] = "foods/fruit-fly", "thaw", 2.5, h.often(50)
		m["note"], m["feeder"] = "ate well ☺", "me"
	}
	outcome, word := choose(h, outcomeWords)
	if h.often(25) {
		// Trap by trap; the session's outcome is the worst of them.
		var traps []object
		worst := due.Unknown
		for range h.between(1, 4) {
			of, word := choose(h, outcomeWords)
			traps = append(traps, object{"outcome": word, "reaction": "CLOSED", "firstMovement": "0.250s"})
			worst = max(worst, of)
		}
		m["traps"] = traps
		if worst != due.Unknown {
			outcome, word = worst, outcomeWords[worst]
			if h.often(50) {
				m["outcome"] = word
			}
		} else {
			m["outcome"] = word
		}
	} else {
		m["outcome"] = word
	}
	if f.Outcome = outcome; outcome == due.Unknown {
		return f, m
	}
	f.OutcomeDay, f.OutcomeTime = f.Day, f.Time // when it was fed, unless told
	switch h.IntN(3) {
	case 0:
		if seen := f.Day + civil.Day(h.between(0, 20)); seen <= civil.Max {
			y, mo, d := seen.Split()
			f.OutcomeDay, f.OutcomeTime = seen, micros(time.Date(y, time.Month(mo), d, 12, 0, 0, 0, h.zone))
			m["outcomeDate"] = seen.String()
		}
	case 1:
		seen := at.Add(time.Duration(h.IntN(20*86400)) * time.Second)
		if h.often(20) {
			seen = at
		}
		if writable(seen) {
			f.OutcomeDay, f.OutcomeTime = h.dayOf(seen), micros(seen)
			m["outcomeTime"] = h.write(seen)
		}
	}
	return f, m
}

func (h *histories) observation() (due.Observation, object) {
	m := object{}
	day, at := h.moment("observeTime", "observeDate", m)
	o := due.Observation{Day: day, Time: micros(at), WorkingTraps: due.NotCounted}
	until := func() object {
		o.Until = civil.None
		if last := day + civil.Day(h.between(1, 25)); last <= civil.Max && h.often(85) {
			o.Until = last
			return object{"untilDate": last.String()}
		}
		return object{}
	}
	switch h.IntN(14) {
	case 0, 1, 2:
		o.Kind = due.Measured
		facts := object{"heightMm": 12.5}
		if h.often(50) {
			o.DiameterMM = float64(h.between(1, 2000)) / 10
			facts["rosetteDiameterMm"] = o.DiameterMM
		}
		if h.often(50) {
			o.WidthMM = float64(h.between(1, 3000)) / 100
			facts["trapWidthMm"] = o.WidthMM
		}
		if h.often(50) {
			o.WorkingTraps = h.between(0, 30)
			facts["workingTraps"] = o.WorkingTraps
		}
		m["measurement"] = facts
	case 3, 4, 5:
		o.Kind, o.Prey, o.Examined = due.Surveyed, h.IntN(4), h.IntN(10)
		m["catchSurvey"] = object{"preyFound": o.Prey, "trapsExamined": o.Examined}
	case 6:
		o.Kind, o.Quantity = due.Counted, h.between(1, 9)
		m["count"] = object{"quantity": o.Quantity}
	case 7:
		o.Kind = due.Stalk
		word := []string{"EMERGED", "CUT", "FLOWERED", "SEED_RIPE", "SEED_TAKEN"}[h.IntN(5)]
		o.StalkUp = word == "EMERGED" || word == "FLOWERED" || word == "SEED_RIPE"
		m["stalk"] = word
	case 8:
		o.Kind = due.Repotted
		m["repotting"] = object{}
	case 9:
		o.Kind = due.RestStarted
		m["restStart"] = object{}
	case 10:
		o.Kind = due.RestEnded
		m["restEnd"] = object{}
	case 11:
		o.Kind = due.Held
		m["hold"] = until()
	case 12:
		o.Kind = due.Treated
		m["treatment"] = until()
	case 13:
		if h.often(15) {
			o.Kind = due.Ended
			m["end"] = object{"state": []string{"DEAD", "SOLD", "GIVEN_AWAY"}[h.IntN(3)]}
			break
		}
		o.Kind = due.Noted
		m["health"] = object{"text": "fine"}
	}
	return o, m
}

// regimen draws a regimen, as the engine and as JSON have it.
func (h *histories) regimen() (due.Regimen, object) {
	var r due.Regimen
	m := object{}
	limits := []struct {
		field    string
		from, to int
		into     **int
	}{
		{"intervalDays", 1, 60, &r.IntervalDays}, {"toleranceDays", 0, 60, &r.ToleranceDays},
		{"trapsStart", 1, 9, &r.TrapsStart}, {"trapsMax", 1, 9, &r.TrapsMax},
		{"cleanRunsToStepUp", 1, 4, &r.CleanRunsToStepUp}, {"feedOneIn", 1, 20, &r.FeedOneIn},
		{"maxItemPercent", 1, 200, &r.MaxItemPercent}, {"mouldPausePercent", 0, 300, &r.MouldPausePercent},
		{"residuePausePercent", 0, 300, &r.ResiduePausePercent}, {"settleDays", 0, 60, &r.SettleDays},
		{"digestDays", 1, 40, &r.DigestDays},
	}
	for _, l := range limits {
		if h.often(30) {
			v := h.between(l.from, l.to)
			*l.into = &v
			m[l.field] = v
		}
	}
	if h.often(30) {
		r.CheckDays = []int{h.between(1, 30), h.between(31, 60)}
		m["checkDays"] = r.CheckDays
	}
	for h.often(40) && r.HandFeed == due.NoHandFeed {
		if r.HandFeed, m["handFeed"] = choose(h, handFeedWords); r.HandFeed == due.NoHandFeed {
			delete(m, "handFeed")
		}
	}
	if h.often(60) {
		cut := h.often(60)
		r.CutStalks = &cut
		m["cutStalks"] = cut
	}
	return r, m
}
