package service

import (
	"strings"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
	"dewbench/store"
)

// TestWithheld exports a plant to somebody who may see it, but not where its wild
// ancestors grew: the cell is empty, and informationWithheld says so.
func TestWithheld(t *testing.T) {
	cell := func(e *exportedPlant, header string) string {
		for _, c := range plantExport {
			if c.header == header {
				return c.cell(e)
			}
		}
		t.Fatalf("there is no column %s", header)
		return ""
	}
	p := &store.Plant{Plant: &pb.Plant{Tag: "D1", Locality: "behind the third dune"}}
	for is, want := range map[Relation][2]string{Owner: {"behind the third dune", ""}, Stranger: {"", "locality"}} {
		e := exported(p, is)
		if got := [2]string{cell(e, "locality"), cell(e, "informationWithheld")}; got != want {
			t.Errorf("to %d: %q, want %q", is, got, want)
		}
	}
	if p.GetLocality() == "" {
		t.Error("the plant itself lost its locality")
	}
	if e := exported(&store.Plant{Plant: &pb.Plant{}}, Viewer); cell(e, "informationWithheld") != "locality" {
		t.Error("the table tells viewers which plants have a locality")
	}
}

// TestExportedWordsAreKnown looks whether the words of exported enums are those that
// tables take.
func TestExportedWordsAreKnown(t *testing.T) {
	words := map[string]map[string]bool{}
	for _, columns := range [][]table.Column{table.PlantColumns(), table.FeedingColumns(), table.ObservationColumns()} {
		for _, c := range columns {
			for _, list := range c.Words {
				for _, w := range list {
					if words[c.Gives] == nil {
						words[c.Gives] = map[string]bool{}
					}
					words[c.Gives][w] = true
				}
			}
		}
	}
	check := func(gives, written string) {
		t.Helper()
		if written != "" && !words[gives][written] {
			t.Errorf("%s: %q is not a word of tables", gives, written)
		}
	}
	for i := range int32(10) {
		for gives, written := range map[string]string{
			"trap type": word(pb.Taxon_TrapType(i)), "habit": word(pb.Taxon_Habit(i)), "exposure": word(pb.Bench_Exposure(i)), "state": word(pb.Plant_State(i)),
			"propagation": word(pb.Plant_Propagation(i)), "hand feed": word(pb.Regimen_HandFeed(i)), "outcome": word(pb.Feeding_Outcome(i)),
			"stalk": word(pb.Observation_Stalk(i)), "end": word(pb.Observation_End_State(i)),
		} {
			if strings.Trim(written, "0123456789") != "" { // beyond the last value there are numbers only
				check(gives, written)
			}
		}
	}
	for _, name := range exposureNames {
		check("exposure", name)
	}
}
