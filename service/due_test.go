package service

import (
	"context"
	"errors"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/dayofweek"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
)

// Every reason that the engine can give has a sentence of its own, with the days
// that it is about.
func TestSentences(t *testing.T) {
	from, until := civil.Date(2026, 5, 1), civil.Date(2026, 6, 2)
	leftOver := regexp.MustCompile(`none|never|%!|  `)
	seen := map[string]due.Code{}
	codes := pb.DueFeeding_Reason_Code(0).Descriptor().Values().Len()
	for code := due.NoReason + 1; int(code) < codes; code++ {
		text := sentence(due.Reason{Code: code, From: from, Until: until}, &due.Decision{})
		if !strings.HasSuffix(text, ".") || leftOver.MatchString(text) {
			t.Errorf("code %d: %q", code, text)
		}
		if other, twice := seen[text]; twice {
			t.Errorf("codes %d and %d say %q", other, code, text)
		}
		seen[text] = code
		open := sentence(due.Reason{Code: code, From: from, Until: civil.Never}, &due.Decision{})
		if code >= due.Settling && (!strings.Contains(open, "2026-05-01") || !strings.Contains(open, "further notice") || leftOver.MatchString(open)) {
			t.Errorf("open hold %d: %q", code, open)
		}
		if code >= due.Settling && !strings.Contains(text, "2026-06-02") {
			t.Errorf("hold %d: %q", code, text)
		}
	}
	if text := sentence(due.Reason{Code: due.NoReason}, &due.Decision{}); text != "" {
		t.Errorf("no reason: %q", text)
	}
	if text := sentence(due.Reason{Code: due.Code(codes)}, &due.Decision{}); text != "" {
		t.Errorf("a code that is none: %q", text)
	}
}

func TestSentenceOfShrinking(t *testing.T) {
	r := due.Reason{Code: due.Shrinking, From: civil.Date(2026, 5, 1), Until: civil.None}
	for want, e := range map[string]due.Evidence{
		"since 2026-05-01.":                {},
		"(the last survey found no prey).": {NoPrey: true},
		"(a flower stalk was left on, it was not fed for two intervals).":                                {StalkUp: true, NotFedLong: true},
		"(the last survey found no prey, a flower stalk was left on, it was not fed for two intervals).": {NoPrey: true, StalkUp: true, NotFedLong: true},
	} {
		if got := sentence(r, &due.Decision{Shrinking: e}); !strings.HasSuffix(got, want) {
			t.Errorf("%+v: %q", e, got)
		}
	}
}

func TestWeekdays(t *testing.T) {
	for d, want := range map[dayofweek.DayOfWeek]time.Weekday{
		dayofweek.DayOfWeek_MONDAY: time.Monday, dayofweek.DayOfWeek_TUESDAY: time.Tuesday, dayofweek.DayOfWeek_WEDNESDAY: time.Wednesday,
		dayofweek.DayOfWeek_THURSDAY: time.Thursday, dayofweek.DayOfWeek_FRIDAY: time.Friday, dayofweek.DayOfWeek_SATURDAY: time.Saturday,
		dayofweek.DayOfWeek_SUNDAY: time.Sunday,
	} {
		if got := weekday(d); got != want {
			t.Errorf("%s is %s", d, got)
		}
	}
}

func TestZones(t *testing.T) {
	for _, name := range []string{"UTC", "Europe/Berlin", "Pacific/Apia"} {
		if zone, err := loadZone(name); err != nil || zone.String() != name {
			t.Errorf("%s: %v, %v", name, zone, err)
		}
	}
	for _, name := range []string{"Local", "Europe/Nowhere", "../UTC", "/etc/localtime", `Europe\Berlin`, "europe/berlin/"} {
		if zone, err := loadZone(name); err == nil {
			t.Errorf("%s: %v", name, zone)
		}
	}
}

// A long computation ends with its call.
func TestComputeDueEndsWithItsCall(t *testing.T) {
	c, err := catalogue.Load()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	req := &pb.ComputeDueRequest{AsOfDate: "2026-05-11", Plants: []*pb.ComputeDueRequest_Plant{{Key: "a"}}}
	if answer, err := NewDue(&Core{catalogue: c}).ComputeDue(ctx, req); !errors.Is(err, context.Canceled) || answer != nil {
		t.Errorf("%v, %v", answer, err)
	}
}
