package service

import (
	"slices"
	"testing"
)

func TestNatural(t *testing.T) {
	sorted := []string{"", "7", "12", "D", "D1", "d2", "D10", "D10a", "D10b", "D99", "D100", "D100-2", "D100-11", "E", "Ä1", "Ä2"}
	shuffled := slices.Clone(sorted)
	slices.Reverse(shuffled)
	slices.SortStableFunc(shuffled, func(a, b string) int {
		if natural(a) < natural(b) {
			return -1
		}
		return 1
	})
	if !slices.Equal(shuffled, sorted) {
		t.Errorf("sorted %q, want %q", shuffled, sorted)
	}
	if natural("D007") != natural("d7") {
		t.Error("zeros before a number count")
	}
}
