package service

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/due"
)

func taxa(t testing.TB) (*Taxa, *catalogue.Catalogue) {
	t.Helper()
	c, err := catalogue.Load()
	if err != nil {
		t.Fatal(err)
	}
	return NewTaxa(c, newPages(t)), c
}

// Each row of the catalogue comes out as it stands there.
func TestTaxaAsInCatalogue(t *testing.T) {
	s, c := taxa(t)
	for _, row := range c.Taxa() {
		m, err := s.GetTaxon(context.Background(), &pb.GetTaxonRequest{Name: "taxa/" + row.ID})
		if err != nil {
			t.Fatal(err)
		}
		if m.GetScientificName() != row.ScientificName || m.GetGenus() != row.Genus || !cmp.Equal(m.GetSynonyms(), row.Synonyms) {
			t.Errorf("%s: %v", row.ID, m)
		}
		// Absent and zero are not the same.
		if (m.TypicalTrapWidthMm != nil) != (row.TrapWidthMm != 0) || m.GetTypicalTrapWidthMm() != row.TrapWidthMm ||
			(m.TypicalRosetteDiameterMm != nil) != (row.RosetteDiameterMm != 0) || m.GetTypicalRosetteDiameterMm() != row.RosetteDiameterMm {
			t.Errorf("%s: sizes of %v", row.ID, m)
		}
		if (m.GetRest() != nil) != row.RestKnown {
			t.Errorf("%s: rest %v", row.ID, m.GetRest())
		}
		if r := m.GetRest(); r != nil {
			if r.GetSeason() == pb.Taxon_Rest_SEASON_UNSPECIFIED || (r.GetSeason() == pb.Taxon_Rest_NONE) != (r.GetFromMonthDay() == "") ||
				(r.GetFromMonthDay() == "") != (r.GetUntilMonthDay() == "") || r.GetThresholdHours() != row.Rest.ThresholdHours {
				t.Errorf("%s: rest %v", row.ID, r)
			}
		}
		if (m.GetCites() != nil) != (row.CITES.Appendix != catalogue.NotListed) {
			t.Errorf("%s: CITES %v", row.ID, m.GetCites())
		}
		if x := m.GetCites(); x != nil && (x.GetListDate() != row.CITES.ListDate.String() || x.GetNote() != row.CITES.Note || x.GetMark() == 0) {
			t.Errorf("%s: CITES %v", row.ID, x)
		}
		if len(m.GetSources()) != len(row.Sources) {
			t.Errorf("%s: %d sources, not %d", row.ID, len(m.GetSources()), len(row.Sources))
		}
		for _, source := range m.GetSources() {
			if source.GetField() == "" || source.GetMark() == pb.Taxon_Source_MARK_UNSPECIFIED {
				t.Errorf("%s: %v", row.ID, source)
			}
		}
		if got := regimenValue(m.GetRegimen()); !cmp.Equal(got, row.Regimen) {
			t.Errorf("%s: regimen %+v", row.ID, got)
		}
	}
}

func TestTaxonMissing(t *testing.T) {
	s, _ := taxa(t)
	for _, name := range []string{"taxa/rosa", "taxa/", "", "dionaea", "plants/dionaea", "taxa/Dionaea"} {
		if m, err := s.GetTaxon(context.Background(), &pb.GetTaxonRequest{Name: name}); reasonFor(err) != TaxonNotFound || m != nil {
			t.Errorf("%q: %v, %v", name, m, err)
		}
	}
}

// A regimen comes through as a message and back as it was, field by field.
func TestRegimenThereAndBack(t *testing.T) {
	if m := RegimenMessage(&due.Regimen{}); m != nil {
		t.Errorf("a regimen that sets nothing: %v", m)
	}
	if got := regimenValue(nil); !cmp.Equal(got, due.Regimen{}) {
		t.Errorf("%+v", got)
	}
	var whole due.Regimen
	for i, field := range whole.Numbers() {
		v := 100 + i
		*field = &v
		one := due.Regimen{}
		*one.Numbers()[i] = &v
		m := RegimenMessage(&one)
		set := 0
		for k, number := range regimenNumbers(m) {
			if *number != nil {
				set++
				if k != i || int(**number) != v {
					t.Errorf("field %d became field %d, %d", i, k, **number)
				}
			}
		}
		if set != 1 || !cmp.Equal(regimenValue(m), one) {
			t.Errorf("field %d: %v", i, m)
		}
	}
	no := false
	whole.CheckDays, whole.HandFeed, whole.CutStalks = []int{1, 3}, due.Never, &no
	m := RegimenMessage(&whole)
	if !cmp.Equal(regimenValue(m), whole) {
		t.Errorf("%v", m)
	}
	// The order of the numbers is that of their names.
	if m.GetIntervalDays() != 100 || m.GetToleranceDays() != 101 || m.GetTrapsStart() != 102 || m.GetTrapsMax() != 103 ||
		m.GetCleanRunsToStepUp() != 104 || m.GetFeedOneIn() != 105 || m.GetMaxItemPercent() != 106 || m.GetMouldPausePercent() != 107 ||
		m.GetResiduePausePercent() != 108 || m.GetSettleDays() != 109 || m.GetDigestDays() != 110 {
		t.Errorf("%v", m)
	}
	for _, only := range []due.Regimen{{CheckDays: []int{1}}, {HandFeed: due.Always}, {CutStalks: &no}} {
		if m := RegimenMessage(&only); m == nil || !cmp.Equal(regimenValue(m), only) {
			t.Errorf("%+v: %v", only, m)
		}
	}
}
