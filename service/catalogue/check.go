package catalogue

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/season"
)

// check turns a row of a file into what the program uses and notes every rule
// that the row breaks.
type check struct {
	file, row string
	errs      []error
	sources   []Source
}

func (c *check) fail(field, rule string, args ...any) {
	c.errs = append(c.errs, &RowError{c.file, c.row, field, fmt.Sprintf(rule, args...)})
}

// source notes where a figure comes from.
func (c *check) source(field, mark, text string) Mark {
	m, ok := marks[mark]
	switch {
	case !ok:
		c.fail(field, "mark must be one of %s", oneOf(marks))
	case (m == Print || m == OpenData) && strings.TrimSpace(text) == "":
		c.fail(field, "a figure marked %s must name its source", mark)
	}
	c.sources = append(c.sources, Source{field, m, text})
	return m
}

// take returns the value of a figure, the zero value where it is left out.
func take[T any](c *check, field string, f *figure[T]) (value T, given bool) {
	if f == nil {
		return value, false
	}
	c.source(field, f.Mark, f.Source)
	if f.Value == nil {
		c.fail(field, "value must be given")
		return value, false
	}
	return *f.Value, true
}

func number[T int | float64](c *check, field string, f *figure[T], least, most T) T {
	v, ok := take(c, field, f)
	if ok && !(v >= least && v <= most) {
		c.fail(field, "must be from %v to %v", least, most)
	}
	return v
}

func word[T cmp.Ordered](c *check, field, value string, words map[string]T) T {
	v, ok := words[value]
	if !ok {
		c.fail(field, "must be one of %s", oneOf(words))
	}
	return v
}

func (c *check) taxon(row *taxonRow) Taxon {
	t := Taxon{
		ScientificName: row.ScientificName,
		ID:             Slug(row.ScientificName),
		Rank:           word(c, "rank", row.Rank, ranks),
		TrapType:       word(c, "trapType", row.TrapType, traps),
		Synonyms:       row.Synonyms,
		CITES:          CITES{ListDate: civil.None, CheckedDate: civil.None},
	}
	t.Genus, _, _ = strings.Cut(row.ScientificName, " ")
	if form, ok := forms[t.Rank]; ok && !form.pattern.MatchString(t.ScientificName) {
		c.fail("scientificName", "must be a name without author, %s", form.say)
	}
	if len(t.ID) > maxIDLength {
		c.fail("scientificName", "must give an id of at most %d characters", maxIDLength)
	}
	switch {
	case t.TrapType == due.Adhesive:
		t.Habit = word(c, "habit", row.Habit, habits)
	case row.Habit != "":
		c.fail("habit", "is for ADHESIVE plants only")
	}

	t.names = []string{Normalise(t.ScientificName)}
	for _, s := range t.Synonyms {
		name := Normalise(s)
		if name == "" || slices.Contains(t.names, name) {
			c.fail("synonyms", "%q must be another name than those before it", s)
		}
		t.names = append(t.names, name)
	}

	t.RosetteDiameterMm = number(c, "typicalRosetteDiameterMm", row.TypicalRosetteDiameterMm, minDiameterMm, maxDiameterMm)
	t.TrapWidthMm = number(c, "typicalTrapWidthMm", row.TypicalTrapWidthMm, minTrapMm, maxTrapMm)
	if t.RosetteDiameterMm > 0 && t.TrapWidthMm > t.RosetteDiameterMm {
		c.fail("typicalTrapWidthMm", "must not be above typicalRosetteDiameterMm")
	}
	if row.Rest != nil {
		t.Rest, t.RestKnown = c.rest(row.Rest), true
	} else if t.Rank != Genus {
		c.fail("rest", "must be given")
	}
	if row.Regimen != nil {
		t.Regimen = c.regimen(row.Regimen)
	}
	if row.CITES != nil {
		t.CITES = c.cites(row.CITES)
	}
	t.Sources = c.sources
	return t
}

func (c *check) rest(row *restRow) season.Rule {
	rule := season.Rule{Season: word(c, "rest.season", row.Season, seasons)}
	c.source("rest", row.Mark, row.Source)
	if rule.Season == season.None {
		if row.From != "" || row.Until != "" || row.ThresholdHours != nil {
			c.fail("rest", "a taxon that does not rest has no days and no thresholdHours")
		}
		return rule
	}

	least, most := minWinterHours, maxWinterHours
	if rule.Season == season.Summer {
		least, most = minSummerHours, maxSummerHours
	}
	rule.ThresholdHours = number(c, "rest.thresholdHours", row.ThresholdHours, least, most)

	var err error
	if rule.From, err = season.ParseMonthDay(row.From); err != nil {
		c.fail("rest.from", "%v", err)
	}
	if rule.Until, err = season.ParseMonthDay(row.Until); err != nil {
		c.fail("rest.until", "%v", err)
		return rule
	}
	const commonYear = 2001
	from := civil.Date(commonYear, rule.From.Month, rule.From.Day)
	until := civil.Date(commonYear, rule.Until.Month, rule.Until.Day)
	if until <= from {
		until = until.AddYears(1)
	}
	if days := int(until - from); days < minRestDays || days > maxRestDays {
		c.fail("rest.until", "the rest must last from %d to %d days", minRestDays, maxRestDays)
	}
	return rule
}

func (c *check) regimen(row *regimenRow) due.Regimen {
	field := func(name string, f *figure[int], of due.Field) *int {
		if f == nil {
			return nil
		}
		v := number(c, "regimen."+name, f, due.Ranges[of].Min, due.Ranges[of].Max)
		return &v
	}
	r := due.Regimen{
		IntervalDays:        field("intervalDays", row.IntervalDays, due.IntervalDays),
		ToleranceDays:       field("toleranceDays", row.ToleranceDays, due.ToleranceDays),
		TrapsStart:          field("trapsStart", row.TrapsStart, due.TrapsStart),
		TrapsMax:            field("trapsMax", row.TrapsMax, due.TrapsMax),
		CleanRunsToStepUp:   field("cleanRunsToStepUp", row.CleanRunsToStepUp, due.CleanRunsToStepUp),
		FeedOneIn:           field("feedOneIn", row.FeedOneIn, due.FeedOneIn),
		MaxItemPercent:      field("maxItemPercent", row.MaxItemPercent, due.MaxItemPercent),
		MouldPausePercent:   field("mouldPausePercent", row.MouldPausePercent, due.MouldPausePercent),
		ResiduePausePercent: field("residuePausePercent", row.ResiduePausePercent, due.ResiduePausePercent),
		SettleDays:          field("settleDays", row.SettleDays, due.SettleDays),
		DigestDays:          field("digestDays", row.DigestDays, due.DigestDays),
	}
	if days, ok := take(c, "regimen.checkDays", row.CheckDays); ok {
		bad := len(days) == 0 || len(days) > 4
		for i, d := range days {
			bad = bad || d < 1 || d > 60 || slices.Contains(days[:i], d)
		}
		if bad {
			c.fail("regimen.checkDays", "must be one to four different numbers from 1 to 60")
		}
		r.CheckDays = days
	}
	if when, ok := take(c, "regimen.handFeed", row.HandFeed); ok {
		r.HandFeed = word(c, "regimen.handFeed", when, handFeeds)
	}
	if cut, ok := take(c, "regimen.cutStalks", row.CutStalks); ok {
		r.CutStalks = &cut
	}
	return r
}

func (c *check) cites(row *citesRow) CITES {
	l := CITES{
		Appendix: word(c, "cites.appendix", row.Appendix, appendices),
		Mark:     c.source("cites", row.Mark, row.Source),
		Note:     row.Note,
		Source:   row.Source,
	}
	var err error
	if l.ListDate, err = civil.Parse(row.ListDate); err != nil {
		c.fail("cites.listDate", "%v", err)
	}
	if l.CheckedDate, err = civil.Parse(row.CheckedDate); err != nil {
		c.fail("cites.checkedDate", "%v", err)
	}
	if l.CheckedDate < l.ListDate {
		c.fail("cites.checkedDate", "must not be before listDate")
	}
	return l
}

func (c *check) food(row *foodRow) Food {
	f := Food{
		ID:            row.ID,
		DisplayName:   row.DisplayName,
		State:         word(c, "state", row.State, states),
		Moves:         row.Moves,
		MayBeCut:      row.MayBeCut,
		Cautions:      row.Cautions,
		LengthMm:      number(c, "typicalLengthMm", row.TypicalLengthMm, minItemMm, maxItemMm),
		DryMassMg:     number(c, "typicalDryMassMg", row.TypicalDryMassMg, minItemMg, maxItemMg),
		NitrogenShare: number(c, "nitrogenShare", row.NitrogenShare, minNitrogen, maxNitrogen),
		FrozenDays:    number(c, "shelfLifeFrozenDays", row.ShelfLifeFrozenDays, 1, maxShelfDays),
		OpenDays:      number(c, "shelfLifeOpenDays", row.ShelfLifeOpenDays, 0, maxShelfDays),
		ThawMinutes:   number(c, "thawMinutes", row.ThawMinutes, 1, maxThawMinutes),
	}
	if len(f.ID) > maxIDLength || !idForm.MatchString(f.ID) {
		c.fail("id", "must be words of a-z and 0-9 with hyphens between, at most %d characters", maxIDLength)
	}
	if strings.TrimSpace(f.DisplayName) == "" {
		c.fail("displayName", "must be given")
	}
	if f.Moves != (f.State == Live) {
		c.fail("moves", "must be true for LIVE food and for no other")
	}
	if f.Moves && f.MayBeCut {
		c.fail("mayBeCut", "must be false for LIVE food")
	}
	frozen := f.State == Frozen
	if frozen != (row.ShelfLifeFrozenDays != nil) {
		c.fail("shelfLifeFrozenDays", "must be given for FROZEN food and for no other")
	}
	if frozen != (row.ThawMinutes != nil) {
		c.fail("thawMinutes", "must be given for FROZEN food and for no other")
	}
	if frozen && row.ShelfLifeOpenDays == nil {
		c.fail("shelfLifeOpenDays", "must be given for FROZEN food")
	}
	for _, caution := range f.Cautions {
		if strings.TrimSpace(caution) == "" {
			c.fail("cautions", "must not hold an empty text")
		}
	}
	f.Sources = c.sources
	return f
}
