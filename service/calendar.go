package service

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/store"
)

// Calendars are the calls about calendars of what is due.
type Calendars struct {
	*Core
	access *Access
}

// mostCalendars is how many calendars of a grower may be good at once.
const mostCalendars = 100

// calendarParent returns the parent of a calendar with the ids that a name or parent
// stands for, if it is the caller's. A collection may be deleted: its addresses can be
// ended, as it may come back.
func (v *visit) calendarParent(name string) (string, error) {
	if id := store.Segment(name, "collections"); id != "" {
		_, err := v.anyCollection(id)
		return store.CollectionName(id), err
	}
	id, err := v.self(name)
	return store.GrowerName(id), err
}

// calendars is the handle of the caller's calendars.
func (v *visit) calendars() *store.Grower { return v.tx.Grower(v.call.caller.Grower) }

// CreateCalendar makes a calendar.
func (s *Calendars) CreateCalendar(ctx context.Context, req *pb.CreateCalendarRequest) (*pb.Calendar, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Calendar, error) {
		parent, err := v.calendarParent(req.GetParent())
		if err != nil {
			return nil, err
		}
		if id := store.Segment(parent, "collections"); id != "" {
			if _, err := v.collection(id); err != nil { // none of a deleted one
				return nil, err
			}
		}
		if err := v.readmit(); err != nil { // else one made by a thief outlives the reset of all tokens
			return nil, err
		}
		m := proto.CloneOf(req.GetCalendar())
		var p problems
		refuseOutputOnly(&p, "calendar.", m)
		checkDisplayName(&p, "calendar.displayName", &m.DisplayName)
		if err := p.err(); err != nil {
			return nil, err
		}
		n, err := v.calendars().LiveCalendars() // readmit has locked the grower
		if err != nil {
			return nil, err
		}
		if n >= mostCalendars {
			return nil, &Error{Reason: TooManyCalendars, Message: fmt.Sprintf("%d calendars are good already: revoke some that are not used", n)}
		}
		secret := newSecret(calendarPrefix)
		m.Name = store.CalendarName(parent, v.newID())
		if m, err = v.calendars().CreateCalendar(m, HashSecret(secret), v.at.UnixMicro()); err != nil {
			return nil, err
		}
		m.Secret, m.Path = &secret, proto.String("/v1/calendars/"+secret+"/due.ics")
		return m, nil
	}, getCalendar)
}

func getCalendar(v *visit, name string) (*pb.Calendar, error) {
	parent, err := v.calendarParent(name)
	if err != nil {
		return nil, err
	}
	name = store.CalendarName(parent, store.Segment(name, "calendars"))
	m, err := v.calendars().Calendar(name)
	return m, missing(err, CalendarNotFound, name)
}

// GetCalendar gets a calendar.
func (s *Calendars) GetCalendar(ctx context.Context, req *pb.GetCalendarRequest) (m *pb.Calendar, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getCalendar(v, req.GetName())
		return err
	})
	return m, err
}

// ListCalendars lists the caller's calendars of a collection, or those of all.
func (s *Calendars) ListCalendars(ctx context.Context, req *pb.ListCalendarsRequest) (*pb.ListCalendarsResponse, error) {
	answer := &pb.ListCalendarsResponse{}
	err := s.read(ctx, func(v *visit) error {
		parent, err := v.calendarParent(req.GetParent())
		if err != nil {
			return err
		}
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		var next []any
		if answer.Calendars, next, err = v.calendars().Calendars(store.Segment(parent, "collections"), l.query); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// DeleteCalendar revokes a calendar.
func (s *Calendars) DeleteCalendar(ctx context.Context, req *pb.DeleteCalendarRequest) (*pb.Calendar, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Calendar, error) {
		parent, err := v.calendarParent(req.GetName())
		if err != nil {
			return nil, err
		}
		name := store.CalendarName(parent, store.Segment(req.GetName(), "calendars"))
		m, err := v.calendars().RevokeCalendar(name, v.at.UnixMicro(), func(m *pb.Calendar) error {
			if m.GetRevokeTime() != nil {
				return store.ErrNotFound
			}
			return v.checkEtag(req.GetEtag(), m.GetEtag())
		})
		return m, missing(err, CalendarNotFound, name)
	}, getCalendar)
}

// GetDueCalendar gives a calendar to who knows its secret.
func (s *Calendars) GetDueCalendar(ctx context.Context, req *pb.GetDueCalendarRequest) (*httpbody.HttpBody, error) {
	var (
		opened *store.Subscription
		text   []byte
		now    int64
	)
	err := s.read(ctx, func(v *visit) (err error) {
		now = v.at.UnixMicro()
		if opened, err = v.bySecret(req.GetSecret()); err != nil {
			return err
		}
		events, err := v.dueEvents(opened.Collection)
		if err != nil {
			return err
		}
		text, err = writeCalendar(opened.DisplayName, events)
		return err
	})
	if err != nil {
		return nil, err
	}
	s.access.noteUse(ctx, opened.LastUseUs, now, "calendar", opened.Calendar, func(tx *store.Tx) error {
		return tx.Grower(opened.Grower).UseCalendar(opened.Calendar, now)
	})
	return &httpbody.HttpBody{ContentType: CalendarType + "; charset=utf-8", Data: text}, nil
}

// CalendarType is the media type of calendars (RFC 5545, section 8.1).
const CalendarType = "text/calendar"

// dueEvent is what there is to feed at a bench on a day.
type dueEvent struct {
	collection, bench string // ids; no bench: ""
	of                string // names to show: of the bench, and of the collection where there are several
	walk              int64  // order of the bench; store.NoWalk: none
	day               civil.Day
	revised           time.Time // see revised
	rows              []dueRow
}

// dueEvents gathers what is due from today to aheadOfAll days ahead, in a collection or,
// with nil, in all of the caller's. A plant stands on its feed date: so one that is
// overdue stands on today, or on the next day on which it can be fed.
func (v *visit) dueEvents(collection *string) ([]*dueEvent, error) {
	var ids []string
	if collection != nil {
		ids = []string{*collection}
	} else {
		var err error
		if ids, err = v.ownCollections(); err != nil {
			return nil, err
		}
		if len(ids) > mostCollections {
			return nil, tooManyCollections(len(ids), "make a calendar of each")
		}
	}
	var all []*dueEvent
	computed := 0
	for _, id := range ids {
		c, err := v.collection(id)
		if known := (*Error)(nil); errors.As(err, &known) && known.Reason == CollectionNotFound {
			return nil, noCalendar() // it is deleted, or the grower's no more
		}
		if err != nil {
			return nil, err
		}
		today := c.today(v.at)
		if computed, err = v.mayDecide(c, today, computed, "read the calendar again in a few minutes: what is kept of them is made anew meanwhile"); err != nil {
			return nil, err
		}
		rows, err := v.dueRows(c, today, aheadOfAll, nil)
		if err != nil {
			return nil, err
		}
		benches, err := v.allBenches(c)
		if err != nil {
			return nil, err
		}
		some, err := gather(c, rows, benches, today)
		if err != nil {
			return nil, err
		}
		revised, err := v.revised(c)
		if err != nil {
			return nil, err
		}
		for _, e := range some {
			e.revised = revised
			if collection == nil {
				e.of += " (" + c.message.GetDisplayName() + ")"
			}
		}
		all = append(all, some...)
	}
	slices.SortFunc(all, func(a, b *dueEvent) int {
		return cmp.Or(cmp.Compare(a.day, b.day), cmp.Compare(a.collection, b.collection), cmp.Compare(a.walk, b.walk), cmp.Compare(a.bench, b.bench))
	})
	return all, nil
}

// gather makes events of the rows of a collection whose feed date lies from today to
// aheadOfAll days ahead, in no order.
func gather(c *collection, rows []dueRow, benches map[string]*pb.Bench, today civil.Day) ([]*dueEvent, error) {
	type place struct {
		bench string
		day   civil.Day
	}
	found := map[place]*dueEvent{}
	for _, r := range rows {
		if r.message.FeedDate == nil {
			continue
		}
		day, err := civil.Parse(r.message.GetFeedDate())
		if err != nil {
			return nil, fmt.Errorf("feed date of %s: %w", r.message.GetPlant(), err)
		}
		if day < today || day > today+aheadOfAll {
			continue
		}
		at := place{store.Segment(r.message.GetBench(), "benches"), day}
		e := found[at]
		if e == nil {
			e = &dueEvent{collection: c.ID(), bench: at.bench, day: day, of: "no bench", walk: benchPlace(benches[at.bench])}
			if b := benches[at.bench]; b != nil {
				e.of = b.GetDisplayName()
			}
			found[at] = e
		}
		e.rows = append(e.rows, r)
	}
	for _, e := range found {
		// As one walks, whatever is most urgent: that changes from day to day.
		slices.SortFunc(e.rows, func(a, b dueRow) int {
			return cmp.Or(cmp.Compare(a.key.plant, b.key.plant), cmp.Compare(natural(a.message.GetTag()), natural(b.message.GetTag())), cmp.Compare(a.key.id, b.key.id))
		})
	}
	return slices.Collect(maps.Values(found)), nil
}

// mostLines is how many plants a description tells: calendar programs cut long ones.
const mostLines = 200

func (e *dueEvent) summary() string {
	traps := int64(0)
	for _, r := range e.rows {
		traps += int64(r.message.GetTraps())
	}
	return oneLine(fmt.Sprintf("Feed %s, %s: %s", numbered(int64(len(e.rows)), "plant"), numbered(traps, "trap"), e.of))
}

func (e *dueEvent) description() string {
	var lines []string
	overdue := 0
	for _, r := range e.rows {
		line := oneLine(r.message.GetTag()) + ": " + numbered(int64(r.message.GetTraps()), "trap") + foodOf(r.message)
		if instructed(r.message, pb.DueFeeding_CHECK_LAST_FIRST) {
			line += ", look at the last food first"
		}
		if r.message.GetStatus() == pb.DueFeeding_OVERDUE {
			line += ", overdue"
			overdue++
		}
		lines = append(lines, line)
	}
	if more := len(lines) - mostLines; more > 0 {
		lines = append(lines[:mostLines], fmt.Sprintf("and %d more", more))
	}
	if overdue > 0 {
		lines = slices.Insert(lines, 0, fmt.Sprintf("%d overdue", overdue))
	}
	return strings.Join(lines, "\n")
}

// foodOf tells what a plant is fed, and how long it may be.
func foodOf(m *pb.DueFeeding) (text string) {
	if foods := m.GetFoods(); len(foods) > 0 {
		text = ", " + strings.TrimPrefix(foods[0], "foods/")
	}
	switch {
	case m.MaxItemLengthMm == nil:
	case instructed(m, pb.DueFeeding_CUT_TO_LENGTH):
		text += fmt.Sprintf(", cut to %g mm", m.GetMaxItemLengthMm())
	default:
		text += fmt.Sprintf(", %g mm at most", m.GetMaxItemLengthMm())
	}
	return text
}

// eventSpace is the name space of the ids of events (RFC 9562, section 5.5).
var eventSpace = uuid.MustParse("6f0b5e4c-4a3e-4d0e-9a51-2f7f0c3b8d17")

// uid is the same for a bench and a day whatever there is to feed, and differs for all
// others (RFC 5545, section 3.8.4.7).
func (e *dueEvent) uid() string {
	return uuid.NewSHA1(eventSpace, []byte(e.collection+"/"+e.bench+"/"+e.day.String())).String() + "@dewbench"
}

// revised is the moment that DTSTAMP tells, when what a calendar says was last revised
// (RFC 5545, section 3.8.7.2): when anything in the collection was last changed, or the
// start of today, by which it says something else. So it never goes backwards, and a
// calendar is the same to the letter while nothing changes.
func (v *visit) revised(c *collection) (time.Time, error) {
	us, err := c.LastChange()
	if err != nil {
		return time.Time{}, err
	}
	y, m, d := c.today(v.at).Split()
	at := time.Date(y, time.Month(m), d, 0, 0, 0, 0, c.zone)
	if changed := time.UnixMicro(us); changed.After(at) {
		at = changed
	}
	if at.After(v.at) { // where no clock shows midnight
		at = v.at
	}
	return at.UTC(), nil
}

// refresh is how often calendar programs are asked to read a calendar again (RFC 7986,
// section 5.7).
const refresh = "PT1H"

// writeCalendar writes events as iCalendar (RFC 5545).
func writeCalendar(name string, events []*dueEvent) ([]byte, error) {
	c := ics.NewCalendarFor("Dewbench")
	c.SetProductId("-//Dewbench//Due feedings//EN")
	c.SetCalscale("GREGORIAN")
	c.SetName(oneLine(name)) // and X-WR-CALNAME, which older programs read
	c.SetRefreshInterval(refresh)
	c.SetXPublishedTTL(refresh)
	for _, e := range events {
		y, m, d := e.day.Split()
		event := c.AddEvent(e.uid())
		event.SetDtStampTime(e.revised)
		event.SetAllDayStartAt(time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC))
		event.SetSummary(e.summary())
		event.SetDescription(e.description())
		event.SetTimeTransparency(ics.TransparencyTransparent)
	}
	if len(events) == 0 { // a calendar has one component at least (section 3.6): one that shows nothing
		standard := c.AddTimezone("UTC").AddStandard()
		standard.SetProperty(ics.ComponentPropertyDtStart, "19700101T000000")
		standard.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetfrom), "+0000")
		standard.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetto), "+0000")
	}
	var out bytes.Buffer
	if err := c.SerializeTo(&out, ics.WithNewLineWindows); err != nil {
		return nil, fmt.Errorf("write a calendar: %w", err)
	}
	return out.Bytes(), nil
}

// oneLine puts a space for what is no character to show: TEXT of iCalendar has no others
// but line ends (RFC 5545, section 3.3.11).
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text)
}

// numbered writes a number of things.
func numbered(n int64, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}
