package api

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	ical "github.com/emersion/go-ical"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"pgregory.net/rapid"

	contract "dewbench/proto"
	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/store"
	"dewbench/store/storetest"
)

// shownEvent is an event of a calendar as another library reads it.
type shownEvent struct {
	uid, summary, description string
	day                       civil.Day
	stamp                     time.Time
	plants, traps             int    // that the summary tells
	of                        string // what the summary names
}

// parseCalendar reads a calendar with github.com/emersion/go-ical, which shares nothing
// with the library that writes it, and holds its bytes to RFC 5545. now is when it was
// given.
func parseCalendar(t rapid.TB, text []byte, now time.Time) (*ical.Calendar, []shownEvent) {
	t.Helper()
	if !utf8.Valid(text) { // section 3.1.4
		t.Errorf("not UTF-8: %q", text)
	}
	body, ends := bytes.CutSuffix(text, []byte("\r\n"))
	if !ends {
		t.Errorf("the last line has no end: %q", text)
	}
	lines := strings.Split(string(body), "\r\n")
	for _, line := range lines {
		// Section 3.1: lines end in CRLF and have 75 octets at most, without it. A
		// character is not split: programs show what is as it should not be.
		if len(line) > 75 || !utf8.ValidString(line) {
			t.Errorf("a line of %d octets: %q", len(line), line)
		}
		if head, _, _ := strings.Cut(line, ":"); !strings.HasPrefix(line, " ") {
			names := map[string]bool{}
			for _, parameter := range strings.Split(head, ";")[1:] { // section 3.2: ours stand once
				if name, _, _ := strings.Cut(parameter, "="); names[name] {
					t.Errorf("a parameter stands twice: %q", line)
				} else {
					names[name] = true
				}
			}
		}
		if strings.ContainsFunc(line, func(r rune) bool { return unicode.IsControl(r) && r != '\t' }) { // section 3.1, CONTROL
			t.Errorf("a control character: %q", line)
		}
	}
	if lines[0] != "BEGIN:VCALENDAR" || lines[len(lines)-1] != "END:VCALENDAR" {
		t.Errorf("it is not one calendar: %q", text)
	}
	calendar, err := ical.NewDecoder(bytes.NewReader(text)).Decode()
	if err != nil {
		t.Fatalf("%v in %q", err, text)
	}
	// It writes only what has the properties and components that must be (section 3.6).
	if err := ical.NewEncoder(&bytes.Buffer{}).Encode(calendar); err != nil {
		t.Errorf("%v in %q", err, text)
	}
	for name, want := range map[string]string{ical.PropVersion: "2.0", ical.PropProductID: "-//Dewbench//Due feedings//EN", ical.PropCalendarScale: "GREGORIAN"} {
		if got, err := calendar.Props.Text(name); err != nil || got != want {
			t.Errorf("%s is %q, %v", name, got, err)
		}
	}
	if every := calendar.Props.Get(ical.PropRefreshInterval); every == nil || every.ValueType() != ical.ValueDuration { // RFC 7986, section 5.7
		t.Errorf("REFRESH-INTERVAL: %v", every)
	} else if d, err := every.Duration(); err != nil || d != time.Hour {
		t.Errorf("REFRESH-INTERVAL: %v, %v", d, err)
	}
	if calendar.Props.Get(ical.PropMethod) != nil { // section 8.1: Content-Type would have to tell it
		t.Error("there is a METHOD")
	}
	var events []shownEvent
	uids := map[string]bool{}
	for _, e := range calendar.Events() {
		prop := func(name string) string {
			t.Helper()
			if n := len(e.Props.Values(name)); n != 1 {
				t.Errorf("%d times %s in %q", n, name, text)
				return ""
			}
			value, err := e.Props.Text(name)
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			return value
		}
		s := shownEvent{uid: prop(ical.PropUID), summary: prop(ical.PropSummary), description: prop(ical.PropDescription)}
		if uids[s.uid] || !strings.HasSuffix(s.uid, "@dewbench") { // section 3.8.4.7
			t.Errorf("UID %q", s.uid)
		}
		uids[s.uid] = true
		if prop(ical.PropTransparency) != "TRANSPARENT" { // section 3.8.2.7: it does not make one busy
			t.Errorf("TRANSP of %q", s.summary)
		}
		start := e.Props.Get(ical.PropDateTimeStart)
		if start == nil || start.ValueType() != ical.ValueDate || e.Props.Get(ical.PropDateTimeEnd) != nil || e.Props.Get(ical.PropDuration) != nil {
			t.Errorf("%q is not a whole day (section 3.6.1): %v", s.summary, start)
		} else if at, err := start.DateTime(time.UTC); err != nil {
			t.Error(err)
		} else {
			s.day = civil.Of(at, time.UTC)
		}
		if s.stamp, err = e.Props.DateTime(ical.PropDateTimeStamp, nil); err != nil || s.stamp.After(now) || !strings.HasSuffix(e.Props.Get(ical.PropDateTimeStamp).Value, "Z") {
			t.Errorf("DTSTAMP %v, %v, at %v", s.stamp, err, now) // section 3.8.7.2: of UTC
		}
		head, of, _ := strings.Cut(s.summary, ": ")
		plain := strings.NewReplacer("plants", "plant", "traps", "trap").Replace(head)
		if n, err := fmt.Sscanf(plain, "Feed %d plant, %d trap", &s.plants, &s.traps); n != 2 || err != nil ||
			(s.plants == 1) == strings.Contains(head, "plants") || (s.traps == 1) == strings.Contains(head, "traps") {
			t.Errorf("summary %q: %v", s.summary, err)
		}
		s.of = of
		events = append(events, s)
	}
	return calendar, events
}

// subscribe makes a calendar, and returns its name and path.
func subscribe(t rapid.TB, ctx context.Context, calls pb.CalendarServiceClient, parent string) (name, path string) {
	t.Helper()
	m, err := calls.CreateCalendar(ctx, &pb.CreateCalendarRequest{Parent: parent, Calendar: &pb.Calendar{DisplayName: "Telephone"}})
	if err != nil {
		t.Fatalf("%v", err)
	}
	return m.GetName(), m.GetPath()
}

// fetch reads a calendar as a calendar program does: without a token.
func (d *doors) fetch(t testing.TB, method, path string, header ...[2]string) httpAnswer {
	t.Helper()
	return d.sendRaw(t, method, path, append(header, [2]string{"Authorization", ""}), nil)
}

// events reads a calendar that must be there.
func (d *doors) events(t testing.TB, path string, now time.Time) []shownEvent {
	t.Helper()
	answer := d.fetch(t, http.MethodGet, path)
	if answer.status != http.StatusOK || answer.header.Get("Content-Type") != "text/calendar; charset=utf-8" {
		t.Fatalf("status %d, %s: %s", answer.status, answer.header.Get("Content-Type"), answer.body)
	}
	_, events := parseCalendar(t, answer.body, now)
	return events
}

// TestCalendarAgreesWithTheList keeps random collections, in zones on both sides of the
// date line and with changes of the clock, and compares each calendar with the list of
// what is due: each plant whose feed date is from today to 31 days ahead stands in one
// event, of its bench and day, and no other does.
//
// Once, on 29 November 2026, the calendars of the six growers of the demo were also read
// by ical.js 2.2.1 of the npm registry, in JavaScript: 101 whole days with 1,467 plants,
// and the list had as many plants and traps on each bench and day. (It does not know NAME,
// of RFC 7986, and so leaves its escapes as they are.)
func TestCalendarAgreesWithTheList(t *testing.T) {
	fewChecks(t, storetest.Fewer(12, 3))
	c, err := catalogue.Load()
	if err != nil {
		t.Fatal(err)
	}
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		d := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		calls := clientsOf(d.conn)
		rapid.Check(t, func(rt *rapid.T) {
			k := &keeper{T: rt, ctx: t.Context(), calls: calls, clock: now, catalogue: c}
			k.begin()
			for range k.n(3, 20) {
				k.act()
			}
			k.checkCalendar(d)
			k.clock.add(time.Duration(k.n(1, 24*40)) * time.Hour)
			k.checkCalendar(d)
		})
	})
}

func (k *keeper) checkCalendar(d *doors) {
	k.Helper()
	_, path := subscribe(k.T, k.ctx, k.calls, k.collection.GetName())
	body, err := k.calls.GetDueCalendar(k.ctx, &pb.GetDueCalendarRequest{Secret: strings.Split(path, "/")[3]})
	k.must(err)
	_, events := parseCalendar(k.T, body.GetData(), k.clock.now())
	benches, err := k.calls.ListBenches(k.ctx, &pb.ListBenchesRequest{Parent: k.collection.GetName(), PageSize: 1000, ShowDeleted: true})
	k.must(err)
	names := map[string]string{"": "no bench"}
	for _, b := range benches.GetBenches() {
		names[b.GetName()] = b.GetDisplayName()
	}
	list, err := k.calls.ListDueFeedings(k.ctx, &pb.ListDueFeedingsRequest{
		Parent: k.collection.GetName(), HorizonDays: proto.Int32(31), PageSize: 1000,
		Statuses: []pb.DueFeeding_Status{pb.DueFeeding_OVERDUE, pb.DueFeeding_DUE, pb.DueFeeding_UPCOMING, pb.DueFeeding_HELD, pb.DueFeeding_NOT_DUE, pb.DueFeeding_NOT_HAND_FED},
	})
	k.must(err)
	type sum struct {
		plants, traps, overdue int
		tags                   string
	}
	type place struct {
		of  string
		day civil.Day
	}
	want, got := map[place]sum{}, map[place]sum{}
	tags := map[place][]string{}
	today, rows := k.today(), 0
	for _, r := range list.GetDueFeedings() {
		if r.FeedDate == nil {
			continue
		}
		day, err := civil.Parse(r.GetFeedDate())
		k.must(err)
		if day < today {
			k.Errorf("%s is to be fed on %s, which is past", r.GetTag(), day)
		}
		if day > today+31 {
			continue
		}
		rows++
		at := place{names[r.GetBench()], day}
		s := want[at]
		s.plants++
		s.traps += int(r.GetTraps())
		if r.GetStatus() == pb.DueFeeding_OVERDUE {
			s.overdue++
		}
		want[at] = s
		tags[at] = append(tags[at], toldOf(r))
	}
	for at, all := range tags {
		slices.Sort(all)
		s := want[at]
		s.tags = strings.Join(all, "\n")
		want[at] = s
	}
	plants := 0
	for _, e := range events {
		at, told := place{e.of, e.day}, strings.Split(e.description, "\n")
		s := got[at] // benches may have the same name
		s.plants += e.plants
		s.traps += e.traps
		plants += e.plants
		if n := 0; strings.HasSuffix(told[0], " overdue") && !strings.Contains(told[0], ":") {
			if _, err := fmt.Sscanf(told[0], "%d overdue", &n); err != nil {
				k.Errorf("%q: %v", told[0], err)
			}
			s.overdue += n
			told = told[1:]
		}
		told = append(told, strings.FieldsFunc(s.tags, func(r rune) bool { return r == '\n' })...)
		slices.Sort(told)
		s.tags = strings.Join(told, "\n")
		got[at] = s
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(sum{}, place{})); diff != "" || plants != rows {
		k.Errorf("%d rows, %d plants in the calendar (-list +calendar):\n%s", rows, plants, diff)
	}
}

// toldOf is the line of a plant, by its row in the list.
func toldOf(r *pb.DueFeeding) string {
	line := fmt.Sprintf("%s: %d traps", r.GetTag(), r.GetTraps())
	if r.GetTraps() == 1 {
		line = r.GetTag() + ": 1 trap"
	}
	has := func(i pb.DueFeeding_Instruction) bool { return slices.Contains(r.GetInstructions(), i) }
	if len(r.GetFoods()) > 0 {
		line += ", " + r.GetFoods()[0][len("foods/"):]
	}
	if r.MaxItemLengthMm != nil {
		line += map[bool]string{true: ", cut to ", false: ", "}[has(pb.DueFeeding_CUT_TO_LENGTH)] + strconv.FormatFloat(r.GetMaxItemLengthMm(), 'g', -1, 64) +
			map[bool]string{true: " mm", false: " mm at most"}[has(pb.DueFeeding_CUT_TO_LENGTH)]
	}
	if has(pb.DueFeeding_CHECK_LAST_FIRST) {
		line += ", look at the last food first"
	}
	if r.GetStatus() == pb.DueFeeding_OVERDUE {
		line += ", overdue"
	}
	return line
}

// The first day of a calendar is today where the collection is: on both sides of the date
// line, and where a day has 23 or 25 hours. The days are those of Go's time zones.
func TestCalendarBeginsToday(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC))
		d := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		calls := clientsOf(d.conn)
		paths := map[string]string{}
		zones := []string{"Pacific/Kiritimati", "Pacific/Niue", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC"}
		for _, zone := range zones {
			c, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: zone, TimeZone: zone}})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: c.GetName(), Plant: &pb.Plant{Tag: "A", Taxon: "taxa/drosera-capensis"}}); err != nil {
				t.Fatal(err)
			}
			_, paths[zone] = subscribe(t, t.Context(), calls, c.GetName())
		}
		_, all := subscribe(t, t.Context(), calls, "growers/me")
		for _, day := range []time.Time{ // when clocks change in Berlin, New York and on Lord Howe Island, and other days
			time.Date(2026, 3, 8, 0, 0, 0, 0, time.UTC), time.Date(2026, 3, 29, 0, 0, 0, 0, time.UTC), time.Date(2026, 4, 5, 0, 0, 0, 0, time.UTC),
			time.Date(2026, 10, 25, 0, 0, 0, 0, time.UTC), time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 12, 31, 0, 0, 0, 0, time.UTC),
		} {
			for _, zone := range zones {
				place, err := time.LoadLocation(zone)
				if err != nil {
					t.Fatal(err)
				}
				midnight := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, place)
				for _, at := range []time.Time{midnight.Add(-time.Microsecond), midnight} {
					now.set(at)
					events := d.events(t, paths[zone], at)
					if want := at.In(place).Format(time.DateOnly); len(events) != 1 || events[0].day.String() != want {
						t.Errorf("%s at %v: %+v, want %s", zone, at, events, want)
					}
					var days, want []string
					for _, e := range d.events(t, all, at) {
						days = append(days, e.of+" "+e.day.String())
					}
					for _, other := range zones {
						there, err := time.LoadLocation(other)
						if err != nil {
							t.Fatal(err)
						}
						want = append(want, "no bench ("+other+") "+at.In(there).Format(time.DateOnly))
					}
					slices.Sort(days)
					slices.Sort(want)
					if diff := cmp.Diff(want, days); diff != "" {
						t.Errorf("all at %v (-want +got):\n%s", at, diff)
					}
				}
			}
		}
	})
}

// What names hold comes through as it is: what iCalendar escapes, folds or cannot have
// (RFC 5545, sections 3.1 and 3.3.11).
func TestCalendarWritesAnyName(t *testing.T) {
	fewChecks(t, storetest.Fewer(20, 5))
	d := open(t)
	calls := clientsOf(d.conn)
	kinds := []rune(`aZ ,;:\"n<>'=^` + "\n\r\t\x01\x7fäß☘🌱\u202e\u0301\u00a0\u2028é")
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.StringOfN(rapid.OneOf(rapid.RuneFrom(kinds), rapid.Rune()), 1, 200, -1).Filter(func(s string) bool {
			return strings.TrimSpace(s) != "" && !strings.ContainsRune(s, 0) && utf8.ValidString(s)
		})
		shown := func(text string) string {
			return strings.Map(func(r rune) rune {
				if unicode.IsControl(r) {
					return ' '
				}
				return r
			}, strings.TrimSpace(text))
		}
		c, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "UTC"}})
		if err != nil {
			rt.Fatal(err)
		}
		bench, err := calls.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: c.GetName(), Bench: &pb.Bench{DisplayName: name.Draw(rt, "bench")}})
		if err != nil {
			rt.Fatal(err)
		}
		tag := rapid.StringOfN(rapid.RuneFrom(kinds), 1, 20, -1).Filter(func(s string) bool { // a tag stands in one line
			return strings.TrimSpace(s) != "" && !strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == 0x2028 })
		})
		plant, err := calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: c.GetName(), Plant: &pb.Plant{
			Tag: tag.Draw(rt, "tag"), Taxon: "taxa/drosera-capensis", Bench: bench.GetName(),
		}})
		if err != nil {
			rt.Fatal(err)
		}
		of := name.Draw(rt, "calendar")
		m, err := calls.CreateCalendar(t.Context(), &pb.CreateCalendarRequest{Parent: c.GetName(), Calendar: &pb.Calendar{DisplayName: of}})
		if err != nil {
			rt.Fatal(err)
		}
		answer := d.fetch(t, http.MethodGet, m.GetPath())
		calendar, events := parseCalendar(rt, answer.body, time.Now())
		if len(events) != 1 {
			rt.Fatalf("%q", answer.body)
		}
		if want := "Feed 1 plant, 4 traps: " + shown(bench.GetDisplayName()); events[0].summary != want {
			rt.Errorf("summary %q, want %q", events[0].summary, want)
		}
		if want := shown(plant.GetTag()) + ": 4 traps, "; !strings.HasPrefix(events[0].description, want) {
			rt.Errorf("description %q, want %q", events[0].description, want)
		}
		for _, prop := range []string{"NAME", "X-WR-CALNAME"} { // RFC 7986, section 5.1
			if got, err := calendar.Props.Text(prop); err != nil || got != shown(of) {
				rt.Errorf("%s %q, %v, want %q", prop, got, err, shown(of))
			}
		}
		if _, err := calls.DeleteCalendar(t.Context(), &pb.DeleteCalendarRequest{Name: m.GetName()}); err != nil {
			rt.Fatal(err)
		}
	})
}

// A calendar is the same to the letter while nothing changes and on the same day, also by
// another server; what is the same event keeps its UID; and its DTSTAMP, when it was last
// revised (RFC 5545, section 3.8.7.2), is that of the last change or the start of the day,
// and never goes backwards.
func TestCalendarIsTheSame(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k := openDesk(t, engine, "A", "B")
		if _, err := k.CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: k.plant("a"), Feeding: &pb.Feeding{}}); err != nil {
			t.Fatal(err)
		}
		if _, err := k.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: k.plant("b")}); err != nil {
			t.Fatal(err)
		}
		_, path := subscribe(t, t.Context(), k, k.name)
		first := k.d.fetch(t, http.MethodGet, path)
		etag := first.header.Get("ETag")
		if first.status != http.StatusOK || len(etag) < 10 || strings.HasPrefix(etag, "W/") || first.header.Get("Cache-Control") != "private, max-age=300" {
			t.Fatalf("status %d, %v", first.status, first.header)
		}
		same := func(what string) {
			t.Helper()
			again := k.d.fetch(t, http.MethodGet, path)
			if !bytes.Equal(again.body, first.body) || again.header.Get("ETag") != etag {
				t.Errorf("%s: it differs:\n%s\n%s", what, first.body, again.body)
			}
			for _, condition := range []string{etag, "W/" + etag, `"other", ` + etag, "*"} {
				kept := k.d.fetch(t, http.MethodGet, path, [2]string{"If-None-Match", condition})
				if kept.status != http.StatusNotModified || len(kept.body) > 0 || kept.header.Get("ETag") != etag || kept.header.Get("Cache-Control") == "" {
					t.Errorf("%s, %s: status %d, %v, %q", what, condition, kept.status, kept.header, kept.body)
				}
			}
		}
		same("again")
		head := k.d.fetch(t, http.MethodHead, path)
		if head.status != http.StatusOK || len(head.body) > 0 || head.header.Get("ETag") != etag || head.header.Get("Content-Type") != first.header.Get("Content-Type") {
			t.Errorf("HEAD: status %d, %v", head.status, head.header)
		}
		if other := k.d.fetch(t, http.MethodGet, path, [2]string{"If-None-Match", `"other"`}); other.status != http.StatusOK {
			t.Errorf("with another ETag: status %d", other.status)
		}
		if other := k.d.fetch(t, http.MethodGet, path, [2]string{"If-Match", `"other"`}); other.status != http.StatusPreconditionFailed {
			t.Errorf("with If-Match: status %d", other.status)
		}
		stamped := func(want time.Time) {
			t.Helper()
			if events := k.d.events(t, path, k.now()); len(events) != 1 || !events[0].stamp.Equal(want) {
				t.Errorf("%+v, want the stamp %v", events, want)
			}
		}
		stamped(k.now())
		changed := k.now()
		k.add(90 * time.Minute)
		same("later")
		stamped(changed)
		later := openStore(t, k.d.store, service.Config{Now: k.now})
		if again := later.fetch(t, http.MethodGet, path); !bytes.Equal(again.body, first.body) || again.header.Get("ETag") != etag {
			t.Errorf("another server: it differs:\n%s\n%s", first.body, again.body)
		}
		k.add(21 * time.Hour) // it is another day in Auckland
		zone, err := time.LoadLocation("Pacific/Auckland")
		if err != nil {
			t.Fatal(err)
		}
		stamped(time.Date(2026, 3, 3, 0, 0, 0, 0, zone))
		before := k.d.events(t, path, k.now())
		k.add(time.Minute)
		k.observe(t, "a", "count", "2026-03-03", &pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 3}}})
		after := k.d.events(t, path, k.now())
		if len(before) != 1 || len(after) != 1 || before[0].uid != after[0].uid || before[0].day != after[0].day ||
			!after[0].stamp.Equal(k.now()) || after[0].traps != 3*before[0].traps {
			t.Errorf("three plants in the pot: %+v, then %+v", before, after)
		}
		if changed := k.d.fetch(t, http.MethodGet, path, [2]string{"If-None-Match", etag}); changed.status != http.StatusOK || changed.header.Get("ETag") == etag {
			t.Errorf("after a change: status %d, %v", changed.status, changed.header)
		}
	})
}

// What is overdue stands on today if one feeds every day, else on the next feeding day,
// as its feed date does.
func TestCalendarOfWhatIsOverdue(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k := openDesk(t, engine, "A", "B")
		_, path := subscribe(t, t.Context(), k, k.name)
		k.set(time.Date(2026, 6, 2, 9, 0, 0, 0, time.UTC)) // a Tuesday in Auckland
		check := func(day, description string) {
			t.Helper()
			events := k.d.events(t, path, k.now())
			if len(events) != 1 || events[0].day.String() != day || events[0].description != description || !strings.HasPrefix(events[0].summary, "Feed 2 plants, ") || events[0].of != "in" {
				t.Errorf("%+v, want %s", events, day)
			}
		}
		list, err := k.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: k.name})
		if err != nil || len(list.GetDueFeedings()) != 2 || list.GetDueFeedings()[0].GetStatus() != pb.DueFeeding_OVERDUE {
			t.Fatalf("%v, %v", list, err)
		}
		traps := list.GetDueFeedings()[0].GetTraps()
		// The first food is as long as a trap of this species may get: 10 mm.
		overdue := fmt.Sprintf("2 overdue\nA: %d traps, bloodworm-frozen, 10 mm at most, overdue\nB: %[1]d traps, bloodworm-frozen, 10 mm at most, overdue", traps)
		check("2026-06-02", overdue)
		m := &pb.Collection{Name: k.name, FeedingWeekdays: []dayofweek.DayOfWeek{dayofweek.DayOfWeek_SATURDAY}}
		if _, err := k.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{Collection: m, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"feeding_weekdays"}}}); err != nil {
			t.Fatal(err)
		}
		check("2026-06-06", overdue)
		m.Absences = []*pb.Absence{{FromDate: "2026-06-05", UntilDate: "2026-07-04"}}
		if _, err := k.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{Collection: m, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"absences"}}}); err != nil {
			t.Fatal(err)
		}
		if events := k.d.events(t, path, k.now()); len(events) != 0 { // 32 days ahead; and an empty calendar is one
			t.Errorf("%+v", events)
		}
		k.add(24 * time.Hour)
		check("2026-07-04", overdue)
	})
}

// A line tells the food, its length, and to look at the last food first; plants without a
// place come by their tags as people count.
func TestCalendarTellsWhatToBring(t *testing.T) {
	k := openDesk(t, store.SQLite, "L10", "L2")
	if _, err := k.CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: k.plant("l2"), Feeding: &pb.Feeding{}}); err != nil {
		t.Fatal(err)
	}
	k.observe(t, "l10", "width", "2026-03-02", &pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{TrapWidthMm: proto.Float64(4)}}})
	_, path := subscribe(t, t.Context(), k, k.name)
	k.set(time.Date(2026, 6, 2, 9, 0, 0, 0, time.UTC))
	events := k.d.events(t, path, k.now())
	want := "2 overdue\nL2: 4 traps, bloodworm-frozen, 10 mm at most, look at the last food first, overdue\nL10: 4 traps, bloodworm-frozen, cut to 8 mm, overdue"
	if len(events) != 1 || events[0].description != want {
		t.Errorf("%+v, want %q", events, want)
	}
}

// 100 collections are as many as a list or a calendar of all looks at.
func TestTooManyCollections(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openStore(t, storetest.New(t, engine), service.Config{})
		calls := clientsOf(d.conn)
		_, path := subscribe(t, t.Context(), calls, "growers/me")
		secret := strings.Split(path, "/")[3]
		ask := func() (list, calendar error) {
			_, list = calls.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: "collections/-"})
			_, calendar = calls.GetDueCalendar(t.Context(), &pb.GetDueCalendarRequest{Secret: secret})
			return list, calendar
		}
		make := func() {
			t.Helper()
			if _, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "One of many", TimeZone: "UTC"}}); err != nil {
				t.Fatal(err)
			}
		}
		for range 100 {
			make()
		}
		if list, calendar := ask(); list != nil || calendar != nil {
			t.Errorf("100: %v, %v", list, calendar)
		}
		make()
		list, calendar := ask()
		for what, err := range map[string]error{"list": list, "calendar": calendar} {
			if s := status.Convert(err); reasonOf(s) != service.TooManyCollections || s.Code() != codes.FailedPrecondition || !strings.HasPrefix(s.Message(), "101 collections are more than the 100 ") {
				t.Errorf("%s: %v", what, err)
			}
		}
	})
}

// Descriptions do not grow without end.
func TestCalendarOfMuch(t *testing.T) {
	var tags []string
	for i := range 205 {
		tags = append(tags, fmt.Sprintf("P%03d", i))
	}
	k := openDesk(t, store.SQLite, tags...)
	_, path := subscribe(t, t.Context(), k, k.name)
	events := k.d.events(t, path, k.now())
	if len(events) != 1 || events[0].plants != 205 {
		t.Fatalf("%+v", events)
	}
	lines := strings.Split(events[0].description, "\n")
	if len(lines) != 201 || !strings.HasPrefix(lines[199], "P199: ") || lines[200] != "and 5 more" {
		t.Errorf("%d lines, the last %q", len(lines), lines[len(lines)-1])
	}
}

// Whatever an address does not open it does not open in the same words.
func TestCalendarEnds(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k := openDesk(t, engine, "A")
		ctx := t.Context()
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		one, ofOne := subscribe(t, ctx, k, k.name)
		leaked, ofLeaked := subscribe(t, ctx, k, k.name)
		all, ofAll := subscribe(t, ctx, k, "growers/me")
		_, spare := subscribe(t, ctx, k, "growers/"+k.d.grower)
		wrong := ofOne[:len(ofOne)-len("/due.ics")-1] + "-/due.ics"
		opens := func(what, path string, want bool) {
			t.Helper()
			id := [2]string{requestIDHeader, "same"}
			answer, unknown := k.d.fetch(t, http.MethodGet, path, id), k.d.fetch(t, http.MethodGet, wrong, id)
			_, err := k.GetDueCalendar(ctx, &pb.GetDueCalendarRequest{Secret: strings.Split(path, "/")[3]})
			if got := answer.status == http.StatusOK; got != want || (err == nil) != want {
				t.Fatalf("%s: status %d, %v: %s", what, answer.status, err, answer.body)
			}
			if want {
				return
			}
			if answer.status != http.StatusNotFound || !bytes.Equal(answer.body, unknown.body) || errorReason(errorOf(t, answer.body)) != "CALENDAR_NOT_FOUND" ||
				status.Code(err) != codes.NotFound || reasonOf(status.Convert(err)) != service.CalendarNotFound {
				t.Errorf("%s: status %d, %v: %s", what, answer.status, err, answer.body)
			}
			checkError(t, answer.body)
			if head := k.d.fetch(t, http.MethodHead, path); head.status != http.StatusNotFound || len(head.body) > 0 {
				t.Errorf("%s: HEAD: status %d", what, head.status)
			}
		}
		opens("made", ofOne, true)
		opens("made", ofAll, true)
		for _, malformed := range []string{"x", "dwbcal_", ofOne[len("/v1/calendars/"):len(ofOne)-len("/due.ics")] + "x", testSecret, "%00", "%ff", "%2F", "..", "", "a:b", strings.Repeat("a", 5000), "%E2%98%98"} {
			path := "/v1/calendars/" + malformed + "/due.ics"
			answer := k.d.fetch(t, http.MethodGet, path, [2]string{requestIDHeader, "same"})
			if unknown := k.d.fetch(t, http.MethodGet, wrong, [2]string{requestIDHeader, "same"}); !bytes.Equal(answer.body, unknown.body) {
				t.Errorf("%q: %s", malformed, answer.body)
			}
		}

		// A collection that is deleted shows nothing, and that of all goes on.
		_, err := k.DeleteCollection(ctx, &pb.DeleteCollectionRequest{Name: k.name})
		must(err)
		opens("the collection is deleted", ofOne, false)
		if events := k.d.events(t, ofAll, k.now()); len(events) != 0 {
			t.Errorf("%+v", events)
		}
		// Meanwhile its addresses can be looked up and ended: it may come back.
		got, err := k.GetCalendar(ctx, &pb.GetCalendarRequest{Name: leaked})
		must(err)
		list, err := k.ListCalendars(ctx, &pb.ListCalendarsRequest{Parent: k.name})
		must(err)
		if got.GetName() != leaked || len(list.GetCalendars()) != 2 {
			t.Errorf("of a deleted collection: %v, %v", got, list)
		}
		if answer := k.d.sendRaw(t, http.MethodDelete, "/v1/"+leaked, nil, nil); answer.status != http.StatusOK {
			t.Errorf("revoke one of a deleted collection: status %d: %s", answer.status, answer.body)
		}
		if _, err := k.CreateCalendar(ctx, &pb.CreateCalendarRequest{Parent: k.name, Calendar: &pb.Calendar{DisplayName: "New"}}); reasonOf(status.Convert(err)) != service.CollectionNotFound {
			t.Errorf("make one of a deleted collection: %v", err)
		}
		_, err = k.UndeleteCollection(ctx, &pb.UndeleteCollectionRequest{Name: k.name})
		must(err)
		opens("it is back", ofOne, true)
		opens("revoked while the collection was deleted", ofLeaked, false)

		// So does a grower who is suspended.
		us := k.now().UnixMicro()
		must(k.d.store.Write(ctx, func(tx *store.Tx) error { return tx.Grower(k.d.grower).Suspend(&us, us) }))
		opens("suspended", ofOne, false)
		opens("suspended", ofAll, false)
		must(k.d.store.Write(ctx, func(tx *store.Tx) error { return tx.Grower(k.d.grower).Suspend(nil, us) }))
		opens("resumed", ofAll, true)

		// Revoked for good, each by itself.
		_, err = k.DeleteCalendar(ctx, &pb.DeleteCalendarRequest{Name: one})
		must(err)
		opens("revoked", ofOne, false)
		opens("the other", ofAll, true)
		_, err = k.DeleteCalendar(ctx, &pb.DeleteCalendarRequest{Name: all})
		must(err)
		opens("revoked", ofAll, false)
		opens("a third", spare, true)
		must(k.d.store.Write(ctx, func(tx *store.Tx) error { _, err := tx.Grower(k.d.grower).RevokeAll(us); return err }))
		opens("after a reset of the tokens", spare, false)
	})
}

// A calendar shows what its grower owns at the moment, and nothing else.
func TestCalendarShowsOnlyOnesOwn(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		at, now := storetest.URL(t, engine), time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
		d := openStore(t, storetest.Open(t, at), service.Config{Now: func() time.Time { return now }})
		const secret = "dwb_BBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBB"
		if err := addGrower(t.Context(), d.store, "grower-b", secret, service.Scopes...); err != nil {
			t.Fatal(err)
		}
		own, other := clientsOf(d.conn), clientsOf(WithToken(d.conn.(*bearing).ClientConnInterface, secret))
		c, err := own.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "UTC"}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := own.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: c.GetName(), Plant: &pb.Plant{Tag: "A", Taxon: "taxa/drosera-capensis"}}); err != nil {
			t.Fatal(err)
		}
		name, ofOne := subscribe(t, t.Context(), own, c.GetName())
		_, ofAll := subscribe(t, t.Context(), own, "growers/me")
		_, ofOther := subscribe(t, t.Context(), other, "growers/me")
		check := func(path string, want int) {
			t.Helper()
			if events := d.events(t, path, now); len(events) != want {
				t.Errorf("%+v, want %d", events, want)
			}
		}
		check(ofOne, 1)
		check(ofAll, 1)
		check(ofOther, 0)

		// It goes to another owner, for which there is no call yet.
		if _, err := openRaw(t, engine, at).ExecContext(t.Context(), "UPDATE collections SET owner_id = 'grower-b'"); err != nil {
			t.Fatal(err)
		}
		if answer := d.fetch(t, http.MethodGet, ofOne); answer.status != http.StatusNotFound || errorReason(errorOf(t, answer.body)) != "CALENDAR_NOT_FOUND" {
			t.Errorf("status %d: %s", answer.status, answer.body)
		}
		check(ofAll, 0)
		check(ofOther, 1)
		// The new owner does not see the calendar of the old one.
		if _, err := other.GetCalendar(t.Context(), &pb.GetCalendarRequest{Name: name}); reasonOf(status.Convert(err)) != service.CalendarNotFound {
			t.Error(err)
		}
		list, err := other.ListCalendars(t.Context(), &pb.ListCalendarsRequest{Parent: c.GetName(), ShowDeleted: true})
		if err != nil || len(list.GetCalendars()) != 0 {
			t.Errorf("%v, %v", list, err)
		}
	})
}

// When a calendar was last read is told to about ten minutes.
func TestCalendarTellsItsLastUse(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k := openDesk(t, engine)
		name, path := subscribe(t, t.Context(), k, k.name)
		last := func() string {
			t.Helper()
			m, err := k.GetCalendar(t.Context(), &pb.GetCalendarRequest{Name: name})
			if err != nil {
				t.Fatal(err)
			}
			if m.LastUseTime == nil {
				return "never"
			}
			return m.GetLastUseTime().AsTime().Format(time.RFC3339)
		}
		for _, c := range []struct {
			after time.Duration
			want  string
		}{{0, "2026-03-02T09:00:00Z"}, {9 * time.Minute, "2026-03-02T09:00:00Z"}, {time.Minute, "2026-03-02T09:10:00Z"}} {
			k.add(c.after)
			if before := last(); c.after == 0 && before != "never" {
				t.Errorf("before: %s", before)
			}
			k.d.events(t, path, k.now())
			if got := last(); got != c.want {
				t.Errorf("after %v: %s, want %s", c.after, got, c.want)
			}
		}
	})
}

// The secret stands in the answer that makes it, and nowhere else: not in the log, in
// errors, in other answers, in the database, or in the document.
func TestCalendarSecretIsToldOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		at := storetest.URL(t, engine)
		d := openStore(t, storetest.Open(t, at), service.Config{})
		answer := d.sendRaw(t, http.MethodPost, "/v1/growers/me/calendars?requestId=once", nil, []byte(`{"displayName": "Telephone"}`))
		made, _ := parseJSON(t, answer.body).(map[string]any)
		secret, _ := made["secret"].(string)
		path, _ := made["path"].(string)
		name, _ := made["name"].(string)
		if len(secret) != len("dwbcal_")+43 || !strings.HasPrefix(secret, "dwbcal_") || path != "/v1/calendars/"+secret+"/due.ics" || name == "" {
			t.Fatalf("%s", answer.body)
		}
		hidden := func(what, text string) {
			t.Helper()
			if bits := secret[len("dwbcal_"):]; strings.Contains(text, bits) || strings.Contains(text, url.PathEscape(bits[:20])) {
				t.Errorf("%s holds the secret: %s", what, text)
			}
		}
		opened := 0
		for _, c := range []struct {
			method, target string
			header         [2]string
			body           string
		}{
			{"POST", "/v1/growers/me/calendars?requestId=once", [2]string{}, `{"displayName": "Telephone"}`},
			{"GET", "/v1/" + name, [2]string{}, ""},
			{"GET", "/v1/growers/me/calendars", [2]string{}, ""},
			{"GET", path, [2]string{}, ""},
			{"GET", path, [2]string{"If-None-Match", "*"}, ""},
			{"HEAD", path, [2]string{}, ""},
			{"GET", path + "?x=" + secret, [2]string{}, ""},
			{"GET", path + "?secret=" + secret, [2]string{}, ""},
			{"GET", path + "?%", [2]string{}, ""},
			{"GET", path, [2]string{"If-None-Match", secret}, ""},
			{"GET", path, [2]string{"Content-Encoding", "gzip"}, ""},
			{"POST", path, [2]string{}, "{}"},
			{"GET", path + "/x", [2]string{}, ""},
			{"GET", path + ":x", [2]string{}, ""},
			{"GET", path[:len(path)-1], [2]string{}, ""},
			{"GET", "/v1/calendars/" + secret + "x/due.ics", [2]string{}, ""},
			{"GET", "/v1/calendars/" + secret + "%00/due.ics", [2]string{}, ""},
			{"GET", "/v1/calendars/" + secret, [2]string{}, ""},
			{"GET", "/v1/growers/me/calendars/" + secret, [2]string{}, ""},
			{"GET", "/v1/growers/me", [2]string{"Authorization", "Bearer " + secret}, ""},
			{"DELETE", "/v1/" + name, [2]string{}, ""},
			{"GET", path, [2]string{}, ""},
		} {
			answer := d.sendRaw(t, c.method, c.target, [][2]string{c.header}, []byte(c.body))
			hidden(c.method+" "+c.target, fmt.Sprint(answer.header, string(answer.body)))
			if answer.status >= 500 {
				t.Errorf("%s %s: status %d: %s", c.method, c.target, answer.status, answer.body)
			}
			if answer.status < 400 && c.target == path {
				opened++
			}
		}
		if opened != 4 { // also with a body that is said to be compressed: none is read
			t.Errorf("it opened %d times", opened)
		}
		if _, err := pb.NewCalendarServiceClient(d.conn).GetDueCalendar(t.Context(), &pb.GetDueCalendarRequest{Secret: secret}); status.Code(err) != codes.NotFound {
			t.Error(err)
		} else {
			hidden("the error of gRPC", fmt.Sprint(status.Convert(err).Proto()))
		}
		if records := strings.Count(d.log.String(), "GetDueCalendar"); records < 4 {
			t.Errorf("%d records of the call in the log", records)
		}
		hidden("the log", d.log.String())
		hidden("the database", strings.Join(allRows(t, openRaw(t, engine, at), "SELECT * FROM calendars"), "\n"))
		hidden("the requests", strings.Join(allRows(t, openRaw(t, engine, at), "SELECT * FROM requests"), "\n"))
		if bytes.Contains(contract.OpenAPI, []byte("dwbcal_A")) {
			t.Error("the document shows a secret")
		}
	})
}

// FuzzCalendarSecret: whatever stands in place of a secret is answered as one that was
// never given out, and is not repeated.
func FuzzCalendarSecret(f *testing.F) {
	for _, secret := range []string{"", ".", "..", "/", "a/b", "%", "%2F", ":", "due.ics", "dwbcal_", "dwbcal_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", testSecret, "\x00", "\xff", "☘", "a b", "*", "{secret}", "?", "#", "\r\n"} {
		f.Add(secret)
	}
	s := newServer(f)
	handler := s.gateway
	calls := pb.NewCalendarServiceClient(within(s))
	header := http.Header{"Authorization": nil, "X-Request-Id": {"same"}}
	want := serve(handler, http.MethodGet, "/v1/calendars/dwbcal_x/due.ics", header, nil).Body.String()
	f.Fuzz(func(t *testing.T, secret string) {
		w := serve(handler, http.MethodGet, "/v1/calendars/"+url.PathEscape(secret)+"/due.ics", header, nil)
		if w.Code != http.StatusNotFound || w.Body.String() != want {
			t.Errorf("%q: status %d: %s", secret, w.Code, w.Body)
		}
		checkErrorOf(t, w.Body.Bytes())
		_, err := calls.GetDueCalendar(t.Context(), &pb.GetDueCalendarRequest{Secret: secret})
		if reasonOf(status.Convert(err)) != service.CalendarNotFound {
			t.Errorf("%q: %v", secret, err)
		}
	})
}
