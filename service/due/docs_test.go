package due_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"dewbench/service/due"
)

// The README's table of defaults is the one that the engine uses.
func TestReadmeListsTheDefaults(t *testing.T) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	columns := []due.Rules{}
	for _, c := range []struct {
		trap  due.TrapType
		habit due.Habit
	}{{due.Adhesive, due.SmallRosette}, {due.Adhesive, due.Large}, {due.Snap, 0}, {due.Pitfall, 0}, {due.Suction, 0}} {
		rules, _ := due.Resolve(c.trap, c.habit)
		columns = append(columns, rules)
	}
	handFeed := map[due.HandFeed]string{due.Always: "`ALWAYS`", due.IfNotCatching: "`IF_NOT_CATCHING`", due.Never: "`NEVER`"}
	for _, row := range []struct {
		name string
		cell func(r due.Rules) string
	}{
		{"`intervalDays`", func(r due.Rules) string { return orDash(r.IntervalDays) }},
		{"`toleranceDays`", func(r due.Rules) string { return fmt.Sprint(r.ToleranceDays) }},
		{"`trapsStart`, `trapsMax`", func(r due.Rules) string { return fmt.Sprintf("%d, %d", r.TrapsStart, r.TrapsMax) }},
		{"`cleanRunsToStepUp`", func(r due.Rules) string { return fmt.Sprint(r.CleanRunsToStepUp) }},
		{"`feedOneIn`", func(r due.Rules) string { return fmt.Sprint(r.FeedOneIn) }},
		{"`maxItemPercent`", func(r due.Rules) string { return fmt.Sprint(r.MaxItemPercent) }},
		{"`mouldPausePercent`, `residuePausePercent`", func(r due.Rules) string {
			return fmt.Sprintf("%d, %d", r.MouldPausePercent, r.ResiduePausePercent)
		}},
		{"`settleDays`", func(r due.Rules) string { return fmt.Sprint(r.SettleDays) }},
		{"`digestDays`", func(r due.Rules) string { return fmt.Sprint(r.DigestDays) }},
		{"`checkDays`", func(r due.Rules) string {
			return orDash(strings.Trim(strings.ReplaceAll(fmt.Sprint(r.CheckDays), " ", ", "), "[]"))
		}},
		{"`handFeed`", func(r due.Rules) string { return handFeed[r.HandFeed] }},
		{"`cutStalks`", func(r due.Rules) string { return fmt.Sprint(r.CutStalks) }},
	} {
		line := "| " + row.name + " |"
		for _, r := range columns {
			line += " " + row.cell(r) + " |"
		}
		if !strings.Contains(string(readme), "\n"+line+"\n") {
			t.Errorf("README.md lacks the row\n%s", line)
		}
	}
}

func orDash[V comparable](v V) string {
	var none V
	if v == none {
		return "-"
	}
	return fmt.Sprint(v)
}

// The figures that growers go by: ten days, two traps for a small rosette and
// four for a large plant, no item over the edge of its leaf, small at first.
// Common practice, no source. A third of a snap trap: growers' rule.
func TestGrowersRules(t *testing.T) {
	small, _ := due.Resolve(due.Adhesive, due.SmallRosette)
	large, _ := due.Resolve(due.Adhesive, due.Large)
	snap, _ := due.Resolve(due.Snap, due.NoHabit)
	for _, c := range []struct {
		rule      string
		got, want int
	}{
		{"days between sessions of a small rosette", small.IntervalDays, 10},
		{"days between sessions of a large plant", large.IntervalDays, 10},
		{"traps of a small rosette", small.TrapsStart, 2},
		{"traps of a large plant", large.TrapsStart, 4},
		{"longest item in percent of a leaf", small.MaxItemPercent, 100},
		{"longest item in percent of a snap trap", snap.MaxItemPercent, 33},
	} {
		if c.got != c.want {
			t.Errorf("%s: %d, growers say %d", c.rule, c.got, c.want)
		}
	}
	for name, r := range map[string]due.Rules{"small rosette": small, "large plant": large, "snap trap": snap} {
		if r.TrapsStart >= r.TrapsMax {
			t.Errorf("a %s starts with %d of %d traps: growers start small", name, r.TrapsStart, r.TrapsMax)
		}
	}
}

func TestResolveAsksLayersInOrder(t *testing.T) {
	number := func(n int) *int { return &n }
	yes := true
	rules, from := due.Resolve(due.Adhesive, due.SmallRosette,
		due.Set{Layer: due.PlantLayer, Regimen: due.Regimen{IntervalDays: number(7)}},
		due.Set{Layer: due.BenchLayer, Regimen: due.Regimen{IntervalDays: number(8), SettleDays: number(0), CheckDays: []int{2}}},
		due.Set{Layer: due.CatalogueTaxonLayer, Regimen: due.Regimen{SettleDays: number(30), HandFeed: due.Always, CutStalks: &yes}},
	)
	if rules.IntervalDays != 7 || rules.SettleDays != 0 || rules.HandFeed != due.Always || !rules.CutStalks || rules.ToleranceDays != 3 {
		t.Errorf("rules %+v", rules)
	}
	for field, want := range map[due.Field]due.Layer{
		due.IntervalDays: due.PlantLayer, due.SettleDays: due.BenchLayer, due.CheckDays: due.BenchLayer,
		due.HandFeedField: due.CatalogueTaxonLayer, due.CutStalks: due.CatalogueTaxonLayer, due.ToleranceDays: due.TrapTypeLayer,
	} {
		if from[field] != want {
			t.Errorf("field %d comes from layer %d, want %d", field, from[field], want)
		}
	}
}
