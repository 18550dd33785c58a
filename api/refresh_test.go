package api

import (
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// rangeOf opens a collection with n plants that were put into its tables by hand, so
// that nothing is kept of what is due: every other one was acquired long ago.
func rangeOf(t *testing.T, engine store.Engine, n int, now func() time.Time) (d *doors, parent string) {
	t.Helper()
	url := storetest.URL(t, engine)
	s := storetest.Open(t, url)
	d = openStore(t, s, service.Config{Now: now})
	c, err := clientsOf(d.conn).CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Range", TimeZone: "UTC"}})
	if err != nil {
		t.Fatal(err)
	}
	driver, source := "pgx", url
	if engine == store.SQLite {
		driver, source = "sqlite", strings.TrimPrefix(url, "sqlite:")
	}
	db, err := sql.Open(driver, source)
	if err != nil {
		t.Fatal(err)
	}
	us := now().UnixMicro()
	_, err = db.ExecContext(t.Context(), fmt.Sprintf(`WITH RECURSIVE counted(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM counted WHERE n < %d)
		INSERT INTO plants (collection_id, plant_id, tag, tag_key, taxon, scientific_name, scientific_name_key, genus, trap_type, trap, habit, cultivar, cultivar_key,
			clone, clone_key, walk_order, acquire_date, source, source_key, locality, parents, propagation, quantity, state, living, create_us, update_us, version, stamp)
		SELECT '%s', 'p' || n, 'T' || n, 't' || n, 'taxa/drosera-capensis', 'Drosera capensis', 'drosera capensis', 'Drosera', 0, 1, 0, '', '',
			'', '', n, CASE WHEN n %% 2 = 0 THEN '2026-01-01' END, '', '', '', 'null', 0, 1, 1, 1, %d, %d, 1, 1 FROM counted`,
		n, store.Segment(c.GetName(), "collections"), us, us))
	if err == nil {
		_, err = db.ExecContext(t.Context(), "UPDATE collections SET due_rev = 0")
	}
	if err == nil {
		err = db.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return d, c.GetName()
}

// More plants than a call decides anew are refused, until the server has kept what is
// due of them.
func TestTooManyPlants(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		const n = 20_001
		now := newClock(time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC))
		d, parent := rangeOf(t, engine, n, now.now)
		calls := clientsOf(d.conn)
		refused := func(when string, ask *pb.ListDueFeedingsRequest) {
			t.Helper()
			_, err := calls.ListDueFeedings(t.Context(), ask)
			if reasonIn(err) != "TOO_MANY_PLANTS" || status.Code(err) != codes.FailedPrecondition {
				t.Errorf("%s: got error %v", when, err)
			}
		}
		answered := func(when string, ask *pb.ListDueFeedingsRequest) {
			t.Helper()
			list, err := calls.ListDueFeedings(t.Context(), ask)
			if err != nil {
				t.Fatalf("%s: %v", when, err)
			}
			if len(list.GetDueFeedings()) != 50 || len(list.GetTotals()) != 1 || list.GetTotals()[0].GetPlants() != n {
				t.Errorf("%s: %d rows, totals %v", when, len(list.GetDueFeedings()), list.GetTotals())
			}
		}
		today, all := &pb.ListDueFeedingsRequest{Parent: parent}, &pb.ListDueFeedingsRequest{Parent: "collections/-"}
		refused("before anything is kept", today)
		refused("of all collections", all)
		plans, calendars := pb.NewPlanServiceClient(d.conn), pb.NewCalendarServiceClient(d.conn)
		_, path := subscribe(t, t.Context(), calendars, parent)
		plan := func(day *string) error {
			_, err := plans.GetDayPlan(t.Context(), &pb.GetDayPlanRequest{Parent: parent, AsOfDate: day, PageSize: 1})
			return err
		}
		calendar := func() error {
			_, err := calendars.GetDueCalendar(t.Context(), &pb.GetDueCalendarRequest{Secret: strings.Split(path, "/")[3]})
			return err
		}
		for what, err := range map[string]error{"plan": plan(nil), "calendar": calendar()} {
			if reasonIn(err) != "TOO_MANY_PLANTS" || status.Code(err) != codes.FailedPrecondition {
				t.Errorf("%s, before anything is kept: got error %v", what, err)
			}
		}
		if err := d.server.RefreshDue(t.Context()); err != nil {
			t.Fatal(err)
		}
		answered("once it is kept", today)
		for what, err := range map[string]error{"plan": plan(nil), "calendar": calendar()} {
			if err != nil {
				t.Errorf("%s, once it is kept: %v", what, err)
			}
		}
		if err := plan(proto.String("2027-05-01")); reasonIn(err) != "TOO_MANY_PLANTS" {
			t.Errorf("plan of a day of which nothing is kept: got error %v", err)
		}
		answered("of the next day", &pb.ListDueFeedingsRequest{Parent: parent, AsOfDate: proto.String("2026-05-12")})
		refused("of a day of which nothing is kept", &pb.ListDueFeedingsRequest{Parent: parent, AsOfDate: proto.String("2027-05-01")})
		if _, err := calls.ListDueFeedings(t.Context(), all); err != nil {
			t.Error(err)
		}
		if storetest.Race {
			return // deciding anew about all of them takes long
		}
		_, err := calls.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{
			Collection: &pb.Collection{Name: parent, FeedingWeekdays: nil, Absences: []*pb.Absence{{FromDate: "2026-05-12", UntilDate: "2026-05-13"}}},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"absences"}},
		})
		if err != nil {
			t.Fatal(err)
		}
		refused("after a change of the collection", today)
	})
}

// At midnight nothing has to be decided anew of what only waits: the answers of the next
// days follow from what is kept, and reading them writes nothing.
func TestNothingIsDecidedAnewAtMidnight(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 5, 11, 23, 59, 0, 0, time.UTC))
		d, parent := rangeOf(t, engine, 30, now.now)
		if err := d.server.RefreshDue(t.Context()); err != nil {
			t.Fatal(err)
		}
		calls := clientsOf(d.conn)
		for range 30 {
			for plant, class := range map[string]pb.DueFeeding_Status{"p2": pb.DueFeeding_OVERDUE, "p1": pb.DueFeeding_OVERDUE} {
				p, err := calls.GetPlant(t.Context(), &pb.GetPlantRequest{Name: parent + "/plants/" + plant})
				if err != nil {
					t.Fatal(err)
				}
				today := now.now().Format(time.DateOnly)
				if due := p.GetDue(); due.GetAsOfDate() != today || due.GetFeedDate() != today || due.GetStatus() != class && today > "2026-05-15" {
					t.Errorf("%s on %s: %v", plant, today, due)
				}
			}
			err := d.store.Read(t.Context(), func(tx *store.Tx) error {
				c, err := tx.Collection(store.Segment(parent, "collections"), "", func(store.Ties) bool { return true })
				if err != nil {
					return err
				}
				day := int32(now.now().Unix() / 86400)
				version := "1.2.3 " + versionOfCatalogue(t, d)
				n, err := c.CountUntrue(version, day)
				if n > 0 || !c.AllTrue(version, day) {
					t.Errorf("on %s %d plants are to be decided anew", now.now().Format(time.DateOnly), n)
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			now.add(24 * time.Hour)
		}
	})
}

// versionOfCatalogue is that of the server's catalogue.
func versionOfCatalogue(t *testing.T, d *doors) string {
	t.Helper()
	info, err := pb.NewServerServiceClient(d.conn).GetServerInfo(t.Context(), &pb.GetServerInfoRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return info.GetCatalogueVersion()
}

// A list that recalls whom a token stands for still sees at once that it was revoked, by
// whomever; whether what is due is kept or decided anew.
func TestListSeesRevokedTokens(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		at := time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC)
		d, parent := rangeOf(t, engine, 3, func() time.Time { return at })
		calls := clientsOf(d.conn)
		list := func() error {
			for range 2 {
				if _, err := calls.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: parent}); err != nil {
					return err
				}
			}
			return nil
		}
		change := func(change func(g *store.Grower) error) {
			t.Helper()
			if err := d.store.Write(t.Context(), func(tx *store.Tx) error { return change(tx.Grower(d.grower)) }); err != nil {
				t.Fatal(err)
			}
		}
		check := func(when string) {
			t.Helper()
			if err := list(); err != nil {
				t.Errorf("%s: %v", when, err)
			}
			change(func(g *store.Grower) error { return g.Suspend(proto.Int64(7), 7) })
			if err := list(); reasonIn(err) != "TOKEN_INVALID" {
				t.Errorf("%s, suspended: got error %v", when, err)
			}
			_, err := calls.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: parent, Filter: "nonsense = 1"})
			if reasonIn(err) != "TOKEN_INVALID" {
				t.Errorf("%s, suspended, with a filter that cannot be read: got error %v", when, err)
			}
			change(func(g *store.Grower) error { return g.Suspend(nil, 8) })
			if err := list(); err != nil {
				t.Errorf("%s, not suspended any more: %v", when, err)
			}
		}
		check("decided anew")
		if err := d.server.RefreshDue(t.Context()); err != nil {
			t.Fatal(err)
		}
		check("kept")
		// What another grower owns is not there, nor is what is deleted.
		if _, err := calls.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: "collections/c-of-nobody"}); reasonIn(err) != "COLLECTION_NOT_FOUND" {
			t.Errorf("got error %v", err)
		}
		if _, err := calls.DeleteCollection(t.Context(), &pb.DeleteCollectionRequest{Name: parent}); err != nil {
			t.Fatal(err)
		}
		if err := list(); reasonIn(err) != "COLLECTION_NOT_FOUND" {
			t.Errorf("deleted: got error %v", err)
		}
		change(func(g *store.Grower) error { _, err := g.RevokeAll(9); return err })
		if err := list(); reasonIn(err) != "TOKEN_INVALID" {
			t.Errorf("revoked: got error %v", err)
		}
	})
}

// A change of what many plants share tells that what is due is to be kept anew.
func TestUntrueTells(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d, parent := rangeOf(t, engine, 3, func() time.Time { return time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC) })
		calls := clientsOf(d.conn)
		told := func() bool {
			select {
			case <-d.server.Untrue():
				return true
			default:
				return false
			}
		}
		update := func(mask string, m *pb.Collection) {
			t.Helper()
			m.Name = parent
			if _, err := calls.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{Collection: m, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{mask}}}); err != nil {
				t.Fatal(err)
			}
		}
		if told() {
			t.Error("told before anything changed")
		}
		update("display_name", &pb.Collection{DisplayName: "Other"})
		if told() {
			t.Error("a name told")
		}
		update("hemisphere", &pb.Collection{Hemisphere: pb.Collection_SOUTH})
		update("hemisphere", &pb.Collection{Hemisphere: pb.Collection_NORTH})
		if !told() || told() {
			t.Error("two changes tell once")
		}
	})
}

// Two versions of the program on one database: the newer one takes over, once, and both
// go on telling what is due.
func TestTwoVersions(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		at := time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC)
		now := func() time.Time { return at }
		d, parent := rangeOf(t, engine, 30, now)
		other := openStore(t, d.store, service.Config{Now: now, Version: "1.2.4"})
		// Whether what the new one kept is what is kept.
		kept := func() (all bool) {
			t.Helper()
			err := d.store.Read(t.Context(), func(tx *store.Tx) error {
				c, err := tx.Collection(store.Segment(parent, "collections"), "", func(store.Ties) bool { return true })
				if err == nil {
					all = c.AllTrue("1.2.4 "+versionOfCatalogue(t, other), int32(at.Unix()/86400))
				}
				return err
			})
			if err != nil {
				t.Fatal(err)
			}
			return all
		}
		check := func(when string) {
			t.Helper()
			for _, server := range []*doors{d, other} {
				list, err := clientsOf(server.conn).ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: parent})
				if err != nil || len(list.GetTotals()) != 1 || list.GetTotals()[0].GetPlants() != 30 {
					t.Errorf("%s: totals %v, %v", when, list.GetTotals(), err)
				}
			}
		}
		refresh := func(servers ...*doors) {
			t.Helper()
			for _, server := range servers {
				if err := server.server.RefreshDue(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
		}
		check("nothing is kept")
		refresh(d)
		check("the old one keeps it")
		refresh(other)
		check("the new one keeps it")
		for _, servers := range [][]*doors{{}, {d}, {other}, {d, other, d}} {
			refresh(servers...)
			if !kept() {
				t.Errorf("what the new one kept was taken from it by %d turns", len(servers))
			}
		}
		// What the old one writes the new one decides about anew.
		_, err := clientsOf(d.conn).CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: parent + "/plants/p1", Feeding: &pb.Feeding{FedDate: proto.String("2026-05-10"), TrapsFed: proto.Int32(1)}})
		if err != nil {
			t.Fatal(err)
		}
		p1 := func(server *doors) pb.DueFeeding_Status {
			list, err := clientsOf(server.conn).ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: parent, Filter: `tag = "T1"`, HorizonDays: proto.Int32(30)})
			if err != nil || len(list.GetDueFeedings()) != 1 {
				t.Fatalf("%v, %v", list, err)
			}
			return list.GetDueFeedings()[0].GetStatus()
		}
		for range 2 {
			if a, b := p1(d), p1(other); a != pb.DueFeeding_UPCOMING || b != a {
				t.Errorf("the old one says %s, the new one %s", a, b)
			}
			refresh(other)
		}
	})
}

// A plant that was deleted stays away from the day on which that was, also if the clock of
// who decides was behind.
func TestDeletedStaysDeleted(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		midnight := time.Date(2026, 5, 12, 0, 0, 1, 0, time.UTC)
		now := newClock(midnight)
		d, parent := rangeOf(t, engine, 3, now.now)
		calls := clientsOf(d.conn)
		if _, err := calls.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: parent + "/plants/p2"}); err != nil {
			t.Fatal(err)
		}
		now.set(midnight.Add(-time.Minute))
		_, err := calls.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{
			Collection: &pb.Collection{Name: parent, Hemisphere: pb.Collection_SOUTH}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"hemisphere"}},
		})
		if err != nil {
			t.Fatal(err)
		}
		plants := func() (tags string) {
			t.Helper()
			list, err := calls.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: parent})
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range list.GetDueFeedings() {
				tags += m.GetTag()
			}
			return tags
		}
		if err := d.server.RefreshDue(t.Context()); err != nil {
			t.Fatal(err)
		}
		if got := plants(); got != "T2" {
			t.Errorf("the day before, on which the others were not entered yet: %q", got)
		}
		for range 2 {
			now.add(24 * time.Hour)
			if got := plants(); got != "T1T3" {
				t.Errorf("later: %q", got)
			}
		}
	})
}

// Pages of one list are of one day, whatever is done to the zone meanwhile; and rows that
// are put between the others, as what is kept of them is not of the day, are in their
// places.
func TestPagesOfADay(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 5, 12, 11, 0, 0, 0, time.UTC))
		d, parent := rangeOf(t, engine, 12, now.now)
		calls := clientsOf(d.conn)
		zone := func(name string) {
			t.Helper()
			_, err := calls.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{
				Collection: &pb.Collection{Name: parent, TimeZone: name}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone"}},
			})
			if err != nil {
				t.Fatal(err)
			}
		}
		zone("Pacific/Kiritimati")
		if err := d.server.RefreshDue(t.Context()); err != nil {
			t.Fatal(err)
		}
		// Two that are held until a day, after which they are to be decided about anew.
		for _, plant := range []string{"p4", "p7"} {
			_, err := calls.CreateObservation(t.Context(), &pb.CreateObservationRequest{Parent: parent + "/plants/" + plant, Observation: &pb.Observation{
				Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{UntilDate: proto.String("2026-05-14")}}}})
			if err != nil {
				t.Fatal(err)
			}
		}
		walk := func(size int32, between func()) (tags []string, days []string, first *pb.ListDueFeedingsResponse) {
			t.Helper()
			req := &pb.ListDueFeedingsRequest{Parent: parent, PageSize: size}
			for {
				page, err := calls.ListDueFeedings(t.Context(), req)
				if err != nil {
					t.Fatal(err)
				}
				if first == nil {
					first = page
				}
				for _, m := range page.GetDueFeedings() {
					tags = append(tags, m.GetTag()+" "+m.GetStatus().String())
				}
				days = append(days, page.GetAsOfDate())
				if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
					return tags, days, first
				}
				between()
			}
		}
		_, days, _ := walk(7, func() { zone("Pacific/Niue") })
		if days[0] != "2026-05-13" || len(days) != 2 || days[1] != days[0] {
			t.Errorf("pages are of %q", days)
		}
		zone("UTC")
		if err := d.server.RefreshDue(t.Context()); err != nil {
			t.Fatal(err)
		}
		for range 4 { // from the day of the holds to the one after their end
			whole, _, first := walk(100, func() {})
			for _, size := range []int32{1, 2, 5} {
				if got, _, again := walk(size, func() {}); !slices.Equal(got, whole) || !slices.EqualFunc(first.GetTotals(), again.GetTotals(), func(a, b *pb.ListDueFeedingsResponse_Total) bool { return proto.Equal(a, b) }) {
					t.Errorf("%s, pages of %d: %q, totals %v\nwant %q, totals %v", now.now(), size, got, again.GetTotals(), whole, first.GetTotals())
				}
			}
			var anew []string // as one who keeps nothing says
			fresh := openStore(t, d.store, service.Config{Now: now.now, Version: "keeps nothing"})
			list, err := clientsOf(fresh.conn).ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: parent})
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range list.GetDueFeedings() {
				anew = append(anew, m.GetTag()+" "+m.GetStatus().String())
			}
			if !slices.Equal(anew, whole) || !slices.EqualFunc(list.GetTotals(), first.GetTotals(), func(a, b *pb.ListDueFeedingsResponse_Total) bool { return proto.Equal(a, b) }) {
				t.Errorf("%s: %q\nwant %q", now.now(), whole, anew)
			}
			now.add(24 * time.Hour)
		}
	})
}
