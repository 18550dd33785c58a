package api

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// listed is a list with what is asked of it.
type listed struct {
	method string
	req    proto.Message
}

func (l *listed) String() string {
	text, err := answerJSON.Marshal(l.req)
	if err != nil {
		return err.Error()
	}
	return l.method[strings.LastIndex(l.method, "/")+1:] + string(text)
}

// page gets a page: its rows, and the token of the next.
func (l *listed) page(ctx context.Context, conn grpc.ClientConnInterface, t *testing.T, size int32, token string) ([]proto.Message, string, error) {
	req := proto.Clone(l.req).ProtoReflect()
	fields := req.Descriptor().Fields()
	req.Set(fields.ByName("page_size"), protoreflect.ValueOfInt32(size))
	req.Set(fields.ByName("page_token"), protoreflect.ValueOfString(token))
	answer := newAnswer(t, l.method)
	if err := conn.Invoke(ctx, l.method, req.Interface(), answer); err != nil {
		return nil, "", err
	}
	m := answer.ProtoReflect()
	var rows []proto.Message
	list := m.Get(m.Descriptor().Fields().ByNumber(1)).List()
	for i := range list.Len() {
		rows = append(rows, list.Get(i).Message().Interface())
	}
	return rows, m.Get(m.Descriptor().Fields().ByName("next_page_token")).String(), nil
}

// walk gets all pages. Between them it does something else.
func (l *listed) walk(ctx context.Context, conn grpc.ClientConnInterface, t *testing.T, size func() int32, between func()) ([]proto.Message, error) {
	var all []proto.Message
	token := ""
	for range 1000 {
		n := size()
		rows, next, err := l.page(ctx, conn, t, n, token)
		if err != nil {
			return nil, err
		}
		if len(rows) > int(n) {
			return nil, fmt.Errorf("a page of %d rows for a pageSize of %d", len(rows), n)
		}
		all = append(all, rows...)
		if token = next; token == "" {
			return all, nil
		}
		between()
	}
	return nil, fmt.Errorf("no end of pages after %d rows", len(all))
}

// rowKey tells a row from others of its list.
func rowKey(row proto.Message) string {
	switch row := row.(type) {
	case *pb.DueFeeding:
		return row.GetPlant()
	case *pb.Revision:
		return fmt.Sprint(row.GetNumber())
	case interface{ GetName() string }:
		return row.GetName()
	}
	return ""
}

func rowKeys(rows []proto.Message) []string {
	out := make([]string, len(rows))
	for i, row := range rows {
		out[i] = rowKey(row)
	}
	return out
}

// walkRoom is a grower's collections with rows that stay as they are, many of the same
// place in an order. What changes has an id that begins with "c".
type walkRoom struct {
	*doors
	calls       *clients
	collections []string
	society     string // with many members
	busy        string // a plant with many events
	staying     map[string]bool
}

// steady is how many rows of each kind stay.
const steady = 6

func openWalkRoom(t *testing.T, s *store.Store, now *clock) *walkRoom {
	t.Helper()
	r := &walkRoom{doors: openStore(t, s, service.Config{Now: now.now, SignIn: takes(sharedIssuer())}), staying: map[string]bool{}}
	r.calls = clientsOf(r.conn)
	ctx := t.Context()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for i := range 3 {
		c, err := r.calls.CreateCollection(ctx, &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: []string{"Shed", "shed", "Sill"}[i], TimeZone: "Europe/Berlin"}})
		must(err)
		r.collections = append(r.collections, c.GetName())
		n := steady
		if i > 0 {
			n = 2
		}
		var plants []*pb.CreatePlantRequest
		var events []*pb.CreateFeedingRequest
		var seen []*pb.CreateObservationRequest
		for j := range n {
			id := fmt.Sprintf("s%d", j*5%n)
			_, err := r.calls.CreateBench(ctx, &pb.CreateBenchRequest{Parent: c.GetName(), BenchId: id, Bench: &pb.Bench{DisplayName: []string{"Sill", "sill"}[j%2], WalkOrder: tied(j)}})
			must(err)
			m := &pb.Plant{Tag: fmt.Sprintf("%s%d", []string{"s", "S"}[j%2], j), Taxon: []string{"taxa/drosera-capensis", "taxa/dionaea-muscipula"}[j%2], WalkOrder: tied(j)}
			m.Bench = c.GetName() + "/benches/" + id
			plants = append(plants, &pb.CreatePlantRequest{PlantId: id, Plant: m})
			name := c.GetName() + "/plants/" + id
			events = append(events, &pb.CreateFeedingRequest{Parent: name, FeedingId: id, Feeding: &pb.Feeding{FedDate: proto.String([]string{"2026-05-30", "2026-05-31"}[j%2])}})
			seen = append(seen, &pb.CreateObservationRequest{Parent: name, ObservationId: id, Observation: &pb.Observation{
				ObserveDate: proto.String("2026-05-30"), Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: "Fine."}}}})
		}
		if i == 0 {
			plants = append(plants, &pb.CreatePlantRequest{PlantId: "sbusy", Plant: &pb.Plant{Tag: "busy", Taxon: "taxa/drosera-capensis"}})
			r.busy = c.GetName() + "/plants/sbusy"
			for j := range steady {
				id := fmt.Sprintf("s%d", j*5%steady)
				events = append(events, &pb.CreateFeedingRequest{Parent: r.busy, FeedingId: id, Feeding: &pb.Feeding{FedTime: timestamppb.New(time.Date(2026, 5, 1+j%3, 12, 0, 0, 0, time.UTC))}})
				seen = append(seen, &pb.CreateObservationRequest{Parent: r.busy, ObservationId: id, Observation: &pb.Observation{
					ObserveTime: timestamppb.New(time.Date(2026, 5, 1+j%3, 12, 0, 0, 0, time.UTC)), Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}}})
			}
		}
		_, err = r.calls.BatchCreatePlants(ctx, &pb.BatchCreatePlantsRequest{Parent: c.GetName(), Requests: plants})
		must(err)
		_, err = r.calls.BatchCreateFeedings(ctx, &pb.BatchCreateFeedingsRequest{Parent: c.GetName() + "/plants/-", Requests: events})
		must(err)
		_, err = r.calls.BatchCreateObservations(ctx, &pb.BatchCreateObservationsRequest{Parent: c.GetName() + "/plants/-", Requests: seen})
		must(err)
		photos := pb.NewPhotoServiceClient(r.conn)
		for j, m := range events { // as many as sessions, with ties in when they were taken
			_, err := photos.CreatePhoto(ctx, &pb.CreatePhotoRequest{Parent: m.GetParent(), PhotoId: m.GetFeedingId(), Data: pictureOf(fmt.Sprint(j)), TakenDate: proto.String(fmt.Sprintf("2026-05-%02d", 1+j%3))})
			must(err)
		}
		for j := range 4 {
			_, err := photos.UpdatePhoto(ctx, &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: c.GetName() + "/plants/s1/photos/s1", Note: fmt.Sprint(j)}})
			must(err)
			_, err = r.calls.UpdateCollection(ctx, &pb.UpdateCollectionRequest{Collection: &pb.Collection{Name: c.GetName(), LatitudeDeg: proto.Float64(float64(50 + j))}})
			must(err)
			_, err = r.calls.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: c.GetName() + "/plants/s0", Clone: fmt.Sprint(j)}})
			must(err)
			_, err = r.calls.UpdateFeeding(ctx, &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: c.GetName() + "/plants/s1/feedings/s1", Note: fmt.Sprint(j)}})
			must(err)
			_, err = pb.NewSheetServiceClient(r.conn).CreateSheet(ctx, &pb.CreateSheetRequest{Parent: c.GetName(), Benches: []string{c.GetName() + "/benches/s0"}})
			must(err)
		}
	}
	for i := range steady {
		for _, parent := range []string{"growers/me", r.collections[0]} {
			_, err := pb.NewCalendarServiceClient(r.conn).CreateCalendar(ctx, &pb.CreateCalendarRequest{Parent: parent, Calendar: &pb.Calendar{DisplayName: fmt.Sprint("s", i)}})
			must(err)
		}
		proof := sharedIssuer().access(fmt.Sprint("walk", i), now.now()).sign()
		if i < 20 {
			_, err := pb.NewIdentityServiceClient(r.conn).LinkIdentity(ctx, &pb.LinkIdentityRequest{Parent: "growers/me", AccessToken: proof})
			must(err)
		}
		_, err := r.calls.CreateToken(ctx, &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: fmt.Sprint("s", i), Scopes: []string{"read"}}})
		must(err)
	}
	_, err := r.calls.UpdateCollection(ctx, &pb.UpdateCollectionRequest{Collection: &pb.Collection{Name: r.collections[0], Visibility: pb.Collection_SHARED}})
	must(err)
	for i := range steady {
		s, err := pb.NewSocietyServiceClient(r.conn).CreateSociety(ctx, &pb.CreateSocietyRequest{Society: &pb.Society{DisplayName: fmt.Sprint("s", i)}})
		must(err)
		r.society = s.GetName()
		_, err = pb.NewGrantServiceClient(r.conn).CreateGrant(ctx, &pb.CreateGrantRequest{Parent: r.collections[0],
			Grant: &pb.Grant{Grantee: &pb.Grant_Society{Society: s.GetName()}, Role: pb.Grant_VIEWER}})
		must(err)
	}
	for range steady {
		for parent, role := range map[string]pb.Invitation_Role{r.society: pb.Invitation_MEMBER, r.collections[0]: pb.Invitation_KEEPER} {
			_, err := pb.NewInvitationServiceClient(r.conn).CreateInvitation(ctx, &pb.CreateInvitationRequest{Parent: parent, Invitation: &pb.Invitation{Role: role}})
			must(err)
		}
	}
	must(s.Write(ctx, func(tx *store.Tx) error {
		society, err := tx.Society(store.Segment(r.society, "societies"), "")
		for i := range steady {
			if err != nil {
				return err
			}
			id := fmt.Sprint("s", i*5%steady)
			if _, err := tx.Grower(id).Create(id, 1); err != nil {
				return err
			}
			_, err = society.AddMember(id, pb.Member_MEMBER, store.By{Us: 1, Grower: id})
		}
		return err
	}))
	return r
}

// tied is a place in the round that several share, and some do not have.
func tied(i int) *int32 {
	if i%3 == 0 {
		return nil
	}
	return proto.Int32(int32(i % 2))
}

// lists are all lists, with each of their orders and each way to name a parent.
func (r *walkRoom) lists() []*listed {
	a := r.collections[0]
	var all []*listed
	add := func(method string, req proto.Message, orders ...string) {
		all = append(all, &listed{method, req})
		for _, order := range orders {
			for _, desc := range []string{"", " desc"} {
				m := proto.Clone(req)
				m.ProtoReflect().Set(m.ProtoReflect().Descriptor().Fields().ByName("order_by"), protoreflect.ValueOfString(order+desc))
				all = append(all, &listed{method, m})
			}
		}
	}
	add(pb.CollectionService_ListCollections_FullMethodName, &pb.ListCollectionsRequest{}, "displayName")
	add(pb.CollectionService_ListCollections_FullMethodName, &pb.ListCollectionsRequest{ShowDeleted: true, Filter: `timeZone = "Europe/Berlin"`})
	add(pb.BenchService_ListBenches_FullMethodName, &pb.ListBenchesRequest{Parent: a}, "walkOrder", "displayName")
	add(pb.BenchService_ListBenches_FullMethodName, &pb.ListBenchesRequest{Parent: "collections/-", ShowDeleted: true, OrderBy: "displayName desc"})
	add(pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: a}, "name", "tag", "walkOrder", "scientificName", "createTime")
	add(pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: a, Filter: `scientificName : "drosera" AND quantity >= 1`, OrderBy: "scientificName"})
	add(pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: "collections/-", OrderBy: "walkOrder desc"})
	add(pb.FeedingService_ListFeedings_FullMethodName, &pb.ListFeedingsRequest{Parent: r.busy}, "fedTime", "name")
	add(pb.FeedingService_ListFeedings_FullMethodName, &pb.ListFeedingsRequest{Parent: a + "/plants/-", Tag: "BUSY", ShowDeleted: true})
	add(pb.FeedingService_ListFeedings_FullMethodName, &pb.ListFeedingsRequest{Parent: a + "/plants/-"}, "fedTime", "name")
	add(pb.FeedingService_ListFeedings_FullMethodName, &pb.ListFeedingsRequest{Parent: "collections/-/plants/-"})
	add(pb.ObservationService_ListObservations_FullMethodName, &pb.ListObservationsRequest{Parent: r.busy}, "observeTime")
	add(pb.ObservationService_ListObservations_FullMethodName, &pb.ListObservationsRequest{Parent: a + "/plants/-", Filter: `kind = "repotting"`}, "name")
	add(pb.ObservationService_ListObservations_FullMethodName, &pb.ListObservationsRequest{Parent: "collections/-/plants/-", OrderBy: "observeTime"})
	add(pb.PhotoService_ListPhotos_FullMethodName, &pb.ListPhotosRequest{Parent: r.busy}, "takenTime", "name")
	add(pb.PhotoService_ListPhotos_FullMethodName, &pb.ListPhotosRequest{Parent: a + "/plants/-", Tag: "BUSY", ShowDeleted: true})
	add(pb.PhotoService_ListPhotos_FullMethodName, &pb.ListPhotosRequest{Parent: a + "/plants/-", Filter: `license = ""`}, "takenTime", "name")
	add(pb.PhotoService_ListPhotos_FullMethodName, &pb.ListPhotosRequest{Parent: "collections/-/plants/-"})
	add(pb.TokenService_ListTokens_FullMethodName, &pb.ListTokensRequest{Parent: "growers/me"})
	add(pb.TokenService_ListTokens_FullMethodName, &pb.ListTokensRequest{Parent: "growers/" + r.grower, ShowDeleted: true})
	for _, name := range []string{a, a + "/benches/s1", a + "/plants/s0", a + "/plants/s1/feedings/s1", r.busy + "/observations/s1", a + "/plants/s1/photos/s1"} {
		add(pb.RevisionService_ListRevisions_FullMethodName, &pb.ListRevisionsRequest{Parent: name})
	}
	add(pb.AuditService_ListAuditEntries_FullMethodName, &pb.ListAuditEntriesRequest{Parent: a})
	add(pb.AuditService_ListAuditEntries_FullMethodName, &pb.ListAuditEntriesRequest{Parent: a, Filter: `action = "CREATED"`})
	add(pb.CalendarService_ListCalendars_FullMethodName, &pb.ListCalendarsRequest{Parent: "growers/me"})
	add(pb.CalendarService_ListCalendars_FullMethodName, &pb.ListCalendarsRequest{Parent: a, ShowDeleted: true})
	add(pb.IdentityService_ListIdentities_FullMethodName, &pb.ListIdentitiesRequest{Parent: "growers/me"})
	add(pb.SocietyService_ListSocieties_FullMethodName, &pb.ListSocietiesRequest{})
	add(pb.SocietyService_ListMembers_FullMethodName, &pb.ListMembersRequest{Parent: r.society})
	add(pb.GrantService_ListGrants_FullMethodName, &pb.ListGrantsRequest{Parent: a})
	add(pb.InvitationService_ListInvitations_FullMethodName, &pb.ListInvitationsRequest{Parent: r.society})
	add(pb.InvitationService_ListInvitations_FullMethodName, &pb.ListInvitationsRequest{Parent: a, ShowDeleted: true})
	add(pb.SheetService_ListSheets_FullMethodName, &pb.ListSheetsRequest{Parent: a})
	add(pb.SheetService_ListSheets_FullMethodName, &pb.ListSheetsRequest{Parent: "collections/-"})
	add(pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: a, Statuses: allStatuses})
	add(pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: "collections/-", Statuses: allStatuses})
	add(pb.TaxonService_ListTaxa_FullMethodName, &pb.ListTaxaRequest{Filter: `genus = "Drosera" AND restSeason = "SUMMER"`}, "genus")
	return all
}

func always(n int32) func() int32 { return func() int32 { return n } }

// TestWalkAtRest walks every list by small pages: they are the rows of one large page.
func TestWalkAtRest(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		r := openWalkRoom(t, storetest.New(t, engine), newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)))
		methods := map[string]bool{}
		for n, l := range r.lists() { // each call by all sizes, each list by one
			whole, next, err := l.page(t.Context(), r.conn, t, 1000, "")
			if err != nil || next != "" || len(whole) < 1 {
				t.Fatalf("%s: %d rows, %q, %v", l, len(whole), next, err)
			}
			keys := rowKeys(whole)
			slices.Sort(keys)
			if n := len(slices.Compact(keys)); n != len(whole) {
				t.Errorf("%s: %d rows, %d different ones", l, len(whole), n)
			}
			turn := 0
			mixed := func() int32 { turn++; return []int32{1, 7, 2, 3}[turn%4] }
			sizes := []func() int32{always([]int32{1, 2, 7}[n%3])}
			if !methods[l.method] {
				sizes = []func() int32{always(1), always(2), always(7), always(int32(len(whole))), mixed}
			}
			methods[l.method] = true
			for i, size := range sizes {
				rows, err := l.walk(t.Context(), r.conn, t, size, func() {})
				if err != nil {
					t.Fatalf("%s: %v", l, err)
				}
				if !slices.EqualFunc(whole, rows, func(a, b proto.Message) bool { return proto.Equal(a, b) }) {
					t.Errorf("%s, sizes %d: pages hold\n%v\nand one page\n%v", l, i, rowKeys(rows), rowKeys(whole))
				}
			}
		}
		// A list that is not walked here is not walked anywhere.
		for name, info := range r.server.grpc.GetServiceInfo() {
			for _, m := range info.Methods {
				if method := "/" + name + "/" + m.Name; strings.HasPrefix(m.Name, "List") && strings.HasPrefix(name, "dewbench.") && !methods[method] {
					t.Errorf("%s is not walked", method)
				}
			}
		}
	})
}

// churn changes rows that nobody counts on: a few that it makes, changes, deletes and
// brings back.
type churn struct {
	*rand.Rand
	*walkRoom
	made *atomic.Int64 // collections, of all
	done *atomic.Int64 // what was not refused, of all
}

// do does one thing. That others do the same at the same time may refuse it.
func (c *churn) do(ctx context.Context) error {
	a, n := c.collections[0], c.IntN(6)
	bench, plant := fmt.Sprintf("%s/benches/c%d", a, n), fmt.Sprintf("%s/plants/c%d", a, n)
	event := fmt.Sprintf("c%d", c.IntN(6))
	host := []string{plant, c.busy}[c.IntN(2)]
	at := timestamppb.New(time.Date(2026, 5, 1+c.IntN(3), 12, 0, 0, 0, time.UTC))
	calls, photos := c.calls, pb.NewPhotoServiceClient(c.conn)
	var err error
	switch c.IntN(23) {
	case 0:
		_, err = calls.CreateBench(ctx, &pb.CreateBenchRequest{Parent: a, BenchId: "c" + fmt.Sprint(n), Bench: &pb.Bench{DisplayName: "Sill", WalkOrder: tied(n)}})
	case 1:
		_, err = calls.UpdateBench(ctx, &pb.UpdateBenchRequest{Bench: &pb.Bench{Name: bench, DisplayName: []string{"Sill", "Z", "A"}[c.IntN(3)], WalkOrder: tied(c.IntN(4))},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name", "walk_order"}}})
	case 2:
		_, err = calls.DeleteBench(ctx, &pb.DeleteBenchRequest{Name: bench})
	case 3:
		_, err = calls.UndeleteBench(ctx, &pb.UndeleteBenchRequest{Name: bench})
	case 4, 5:
		_, err = calls.CreatePlant(ctx, &pb.CreatePlantRequest{Parent: a, PlantId: "c" + fmt.Sprint(n), Plant: &pb.Plant{Tag: fmt.Sprint("s4c", n), Taxon: "taxa/drosera-capensis", WalkOrder: tied(n)}})
	case 6:
		_, err = calls.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: plant, Tag: fmt.Sprintf("%dc%d", c.IntN(9), n), Taxon: []string{"taxa/dionaea-muscipula", "taxa/drosera-capensis"}[c.IntN(2)],
			WalkOrder: tied(c.IntN(4))}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tag", "taxon", "walk_order"}}})
	case 7:
		_, err = calls.DeletePlant(ctx, &pb.DeletePlantRequest{Name: plant})
	case 8:
		_, err = calls.UndeletePlant(ctx, &pb.UndeletePlantRequest{Name: plant})
	case 9: // of one that stays, but not its place in any order
		_, err = calls.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: fmt.Sprintf("%s/plants/s%d", a, n), Source: fmt.Sprint(c.IntN(9))}})
	case 10, 11:
		_, err = calls.CreateFeeding(ctx, &pb.CreateFeedingRequest{Parent: host, FeedingId: event, Feeding: &pb.Feeding{FedTime: at}})
	case 12:
		_, err = calls.UpdateFeeding(ctx, &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: host + "/feedings/" + event, FedTime: at}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"fed_time"}}})
	case 13:
		if c.IntN(2) == 0 {
			_, err = calls.DeleteFeeding(ctx, &pb.DeleteFeedingRequest{Name: host + "/feedings/" + event})
		} else {
			_, err = calls.UndeleteFeeding(ctx, &pb.UndeleteFeedingRequest{Name: host + "/feedings/" + event})
		}
	case 14:
		_, err = calls.ReassignFeeding(ctx, &pb.ReassignFeedingRequest{Name: host + "/feedings/" + event, Plant: plant})
	case 15:
		_, err = calls.CreateObservation(ctx, &pb.CreateObservationRequest{Parent: host, ObservationId: event, Observation: &pb.Observation{ObserveTime: at,
			Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}}})
	case 16:
		if c.IntN(2) == 0 {
			_, err = calls.DeleteObservation(ctx, &pb.DeleteObservationRequest{Name: host + "/observations/" + event})
		} else {
			_, err = calls.UndeleteObservation(ctx, &pb.UndeleteObservationRequest{Name: host + "/observations/" + event})
		}
	case 17:
		if c.made.Add(1) > 6 {
			return nil
		}
		_, err = calls.CreateCollection(ctx, &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Churn", TimeZone: "Europe/Berlin"}})
	case 18:
		var all *pb.ListCollectionsResponse
		if all, err = calls.ListCollections(ctx, &pb.ListCollectionsRequest{ShowDeleted: true, Filter: `displayName : "churn"`}); err != nil || len(all.GetCollections()) == 0 {
			return err
		}
		m := all.GetCollections()[c.IntN(len(all.GetCollections()))]
		switch {
		case m.GetDeleteTime() != nil:
			_, err = calls.UndeleteCollection(ctx, &pb.UndeleteCollectionRequest{Name: m.GetName()})
		case c.IntN(2) == 0:
			_, err = calls.DeleteCollection(ctx, &pb.DeleteCollectionRequest{Name: m.GetName()})
		default:
			_, err = calls.UpdateCollection(ctx, &pb.UpdateCollectionRequest{Collection: &pb.Collection{Name: m.GetName(), DisplayName: fmt.Sprint("churn ", c.IntN(9))}})
		}
	case 20:
		_, err = photos.CreatePhoto(ctx, &pb.CreatePhotoRequest{Parent: host, PhotoId: event, TakenTime: at, Data: pictureOf("churn " + event)})
	case 21:
		_, err = photos.UpdatePhoto(ctx, &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: host + "/photos/" + event, TakenTime: at}})
	case 22:
		if c.IntN(2) == 0 {
			_, err = photos.DeletePhoto(ctx, &pb.DeletePhotoRequest{Name: host + "/photos/" + event})
		} else {
			_, err = photos.UndeletePhoto(ctx, &pb.UndeletePhotoRequest{Name: host + "/photos/" + event})
		}
	case 19:
		var made *pb.Token
		if made, err = calls.CreateToken(ctx, &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: "c", Scopes: []string{"read"}}}); err == nil {
			_, err = calls.DeleteToken(ctx, &pb.DeleteTokenRequest{Name: made.GetName()})
		}
	}
	switch status.Code(err) {
	case codes.OK:
		c.done.Add(1)
		return nil
	case codes.NotFound, codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted:
		return nil
	}
	return err
}

// stays tells whether a row is one that the churn leaves in its place.
func (r *walkRoom) stays(l *listed, row proto.Message, before []string) bool {
	key := rowKey(row)
	if _, isDue := row.(*pb.DueFeeding); isDue && key == r.busy {
		return false // what happens to it changes what is due
	}
	return slices.Contains(before, key)
}

// TestWalkWhileOthersWrite walks every list by pages of 1, 2 and 7 rows, all at the same
// time, while others, and between two pages the walker too, make, change, void, delete
// and bring back other rows. Each row that was there all along comes once, in its
// place.
func TestWalkWhileOthersWrite(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		r := openWalkRoom(t, storetest.New(t, engine), newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)))
		lists := r.lists()
		before := make([][]string, len(lists))
		for i, l := range lists {
			rows, _, err := l.page(t.Context(), r.conn, t, 1000, "")
			if err != nil {
				t.Fatal(err)
			}
			for _, row := range rows {
				if _, isDue := row.(*pb.DueFeeding); !isDue || rowKey(row) != r.busy {
					before[i] = append(before[i], rowKey(row))
				}
			}
		}
		var made, done atomic.Int64
		var walkers errgroup.Group
		walkers.SetLimit(16) // the server takes 64 calls at once
		turns := map[string]int{}
		for i, l := range lists {
			if l.method == pb.TaxonService_ListTaxa_FullMethodName {
				continue // nobody writes there
			}
			// Each list by one size, each call by all.
			sizes := []int32{1, 2, 7}
			if n := len(slices.DeleteFunc(slices.Clone(lists), func(o *listed) bool { return o.method != l.method })); n >= len(sizes) {
				turns[l.method]++
				sizes = sizes[turns[l.method]%3:][:1]
			}
			for _, size := range sizes {
				walkers.Go(func() error {
					c := &churn{rand.New(rand.NewPCG(uint64(i), uint64(size))), r, &made, &done}
					budget := 8
					rows, err := l.walk(t.Context(), r.conn, t, always(size), func() {
						if budget--; budget < 0 {
							return
						}
						if err := c.do(t.Context()); err != nil {
							t.Error(err)
						}
					})
					if err != nil {
						return fmt.Errorf("%s: %w", l, err)
					}
					var got []string
					for _, row := range rows {
						if r.stays(l, row, before[i]) {
							got = append(got, rowKey(row))
						}
					}
					if !slices.Equal(got, before[i]) {
						t.Errorf("%s by %d: what stayed came as\n%v\nwant\n%v", l, size, got, before[i])
					}
					return nil
				})
			}
		}
		if err := walkers.Wait(); err != nil {
			t.Error(err)
		}
		if n := done.Load(); n < 50 {
			t.Errorf("only %d writes came between the pages", n)
		}
	})
}

// TestPageTokens uses the token of a page where it does not belong.
func TestPageTokens(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		db := storetest.New(t, engine)
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		r := openWalkRoom(t, db, now)
		connect := func(d *doors, secret string) grpc.ClientConnInterface {
			conn, err := grpc.NewClient(d.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()))
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() {
				if err := conn.Close(); err != nil {
					t.Error(err)
				}
			})
			return WithToken(conn, secret)
		}
		narrow, err := r.calls.CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: "narrow", Scopes: []string{"read"}}})
		if err != nil {
			t.Fatal(err)
		}
		strangerSecret := "dwb_" + strings.Repeat("b", 43)
		if err := addGrower(t.Context(), db, "grower-b", strangerSecret, service.Scopes...); err != nil {
			t.Fatal(err)
		}
		stranger, same := connect(r.doors, strangerSecret), connect(r.doors, narrow.GetSecret())
		restarted := openStore(t, db, service.Config{Now: now.now})
		elsewhere := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		lists := r.lists()
		tokens := make([]string, len(lists))
		seconds := make([][]proto.Message, len(lists))
		for i, l := range lists {
			var err error
			if _, tokens[i], err = l.page(t.Context(), r.conn, t, 1, ""); err != nil {
				t.Fatal(err)
			}
			if tokens[i] != "" {
				if seconds[i], _, err = l.page(t.Context(), r.conn, t, 2, tokens[i]); err != nil {
					t.Fatal(err)
				}
			}
		}
		refused := func(what string, l *listed, conn grpc.ClientConnInterface, token string) {
			t.Helper()
			_, _, err := l.page(t.Context(), conn, t, 2, token)
			s := status.Convert(err)
			if s.Code() == codes.NotFound && conn != r.conn {
				return // the caller does not even see the parent
			}
			if s.Code() != codes.InvalidArgument || reasonOf(s) != "INVALID_PAGE_TOKEN" {
				t.Errorf("%s: %s: %v", l, what, err)
			}
		}
		taken := func(what string, i int, conn grpc.ClientConnInterface) {
			t.Helper()
			rows, _, err := lists[i].page(t.Context(), conn, t, 2, tokens[i])
			if err != nil || !slices.EqualFunc(seconds[i], rows, func(a, b proto.Message) bool { return proto.Equal(a, b) }) {
				t.Errorf("%s: %s: %v, %v", lists[i], what, rowKeys(rows), err)
			}
		}
		random := rand.New(rand.NewPCG(1, 1))
		tried := map[string]int{}
		for i, l := range lists {
			if tried[l.method]++; tokens[i] == "" || tried[l.method] > 4 {
				continue // one row, or enough of this call
			}
			taken("after a restart", i, restarted.conn)
			refused("at a server of another database", l, elsewhere.conn, tokens[i])
			refused("by another grower", l, stranger, tokens[i])
			if service.Rules[l.method].Scope == service.ScopeRead { // its token may not look at others
				taken("by another token of the grower's", i, same)
			}
			// Of each other list, also of the same call with other arguments.
			for k := range 2 {
				j := (i + 1 + k*7) % len(lists)
				if tokens[j] != "" && j != i && !proto.Equal(lists[i].req, lists[j].req) {
					refused("the token of "+lists[j].String(), l, r.conn, tokens[j])
				}
			}
			// Each argument counts, but for the size of the page.
			m := l.req.ProtoReflect()
			for k := range m.Descriptor().Fields().Len() {
				f := m.Descriptor().Fields().Get(k)
				other := proto.Clone(l.req).ProtoReflect()
				switch f.Name() {
				case "filter":
					value := map[string]string{"ListFeedings": "trapsFed >= 0", "ListObservations": `kind != "move"`, "ListDueFeedings": `tag != "x"`, "ListTaxa": `genus != "x"`, "ListAuditEntries": `grower != "x"`,
						"ListPhotos": `license != "x"`}[l.method[strings.LastIndex(l.method, "/")+1:]]
					if value == "" {
						value = `displayName != "x"`
					}
					if strings.HasSuffix(l.method, "ListPlants") {
						value = `tag != "x"`
					}
					other.Set(f, protoreflect.ValueOfString(value))
				case "show_deleted":
					other.Set(f, protoreflect.ValueOfBool(!m.Get(f).Bool()))
				case "order_by":
					value := "name desc"
					if strings.HasSuffix(l.method, "ListTaxa") {
						value = "scientificName desc"
					}
					if m.Get(f).String() == value {
						continue
					}
					other.Set(f, protoreflect.ValueOfString(value))
				case "horizon_days":
					other.Set(f, protoreflect.ValueOfInt32(8))
				case "as_of_date":
					other.Set(f, protoreflect.ValueOfString("2026-06-02"))
				case "statuses":
					other.Clear(f)
				default:
					continue
				}
				refused("with another "+f.JSONName(), &listed{l.method, other.Interface()}, r.conn, tokens[i])
			}
			// Not a letter of it may change.
			for range 3 {
				b := []byte(tokens[i])
				at := random.IntN(len(b))
				if b[at] == 'A' {
					b[at] = 'B'
				} else {
					b[at] = 'A'
				}
				refused(fmt.Sprintf("with letter %d of %d changed", at, len(b)), l, r.conn, string(b))
			}
		}
		i := slices.IndexFunc(lists, func(l *listed) bool { return l.method == pb.PlantService_ListPlants_FullMethodName })
		token := tokens[i]
		for at := range len(token) {
			b := []byte(token)
			if b[at]++; b[at] == 'z'+1 {
				b[at] = 'A'
			}
			refused(fmt.Sprintf("with letter %d changed", at), lists[i], r.conn, string(b))
		}
		for _, bad := range []string{token[:len(token)-1], token[1:], token + "A", token + token, "x", "====", strings.Repeat("A", 2000), "ä", token[:20] + "." + token[21:]} {
			refused("as "+bad[:min(20, len(bad))], lists[i], r.conn, bad)
		}
	})
}
