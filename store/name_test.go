package store_test

import (
	"testing"

	"dewbench/store"
)

func TestNames(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ got, want string }{
		{store.GrowerName("g"), "growers/g"},
		{store.TokenName("g", "t"), "growers/g/tokens/t"},
		{store.CalendarName("growers/g", "k"), "growers/g/calendars/k"},
		{store.CalendarName("collections/c", "k"), "collections/c/calendars/k"},
		{store.CollectionName("c"), "collections/c"},
		{store.BenchName("c", "b"), "collections/c/benches/b"},
		{store.BenchName("c", ""), ""},
		{store.PlantName("c", "p"), "collections/c/plants/p"},
		{store.FeedingName("c", "p", "f"), "collections/c/plants/p/feedings/f"},
		{store.ObservationName("c", "p", "o"), "collections/c/plants/p/observations/o"},
		{store.SheetName("c", 12), "collections/c/sheets/12"},
		{store.Segment("collections/a/plants/b/feedings/c", "collections"), "a"},
		{store.Segment("collections/a/plants/b/feedings/c", "plants"), "b"},
		{store.Segment("collections/a/plants/b/feedings/c", "feedings"), "c"},
		{store.Segment("collections/a/plants/b", "benches"), ""},
		{store.Segment("collections/plants/plants/benches", "plants"), "benches"}, // an id may be such a word
		{store.Segment("collections/plants", "plants"), ""},
		{store.Segment("collections", "collections"), ""},
		{store.Segment("", "collections"), ""},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}
