package api

import (
	"database/sql"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// hush stands in every text that a stranger must not see.
const hush = "zq7hush"

// whisper puts a text that must not be seen into every text field of a message in which
// any text may stand.
func whisper(m protoreflect.Message, but ...protoreflect.Name) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.Kind() == protoreflect.StringKind && !f.IsList() && f.ContainingOneof() == nil && slices.Contains(freeText, f.Name()) && !slices.Contains(but, f.Name()) {
			m.Set(f, protoreflect.ValueOfString(hush+" "+string(f.Name())))
		}
	}
}

var freeText = []protoreflect.Name{
	"display_name", "contact", "cultivar", "clone", "source", "locality", "note", "feeder", "scientific_name", "reason", "what", "product", "text", "cause", "recipient", "credit",
}

// victim is a private collection of the owner's with something in everything, and what a
// stranger may have heard of it.
type victim struct {
	*place
	names   []string // of what is there
	heard   []string // page tokens, secrets that are spent, request ids
	numbers []int32
}

func openVictim(t *testing.T, d *matrixDoors, r *relations, owner, spare *matrixCaller) *victim {
	t.Helper()
	v := &victim{place: r.place(t, &situations[4], true), numbers: []int32{0, 1, 2, 7, 366}}
	d.hang(t, v.place)
	ask := func(c *matrixCaller, method string, req proto.Message) map[string]any {
		t.Helper()
		got := d.call(t, c, method, req)
		if got.code != codes.OK {
			t.Fatalf("%s: %s", method, got.whole)
		}
		m, _ := parseJSON(t, []byte(got.whole)).(map[string]any)
		return m
	}
	text := func(m map[string]any, key string) string { s, _ := m[key].(string); return s }
	keep := func(m map[string]any) { v.names = append(v.names, text(m, "name")) }
	grower := &pb.Grower{Name: "growers/me"}
	whisper(grower.ProtoReflect())
	ask(owner, pb.GrowerService_UpdateGrower_FullMethodName, &pb.UpdateGrowerRequest{Grower: grower})
	collection := &pb.Collection{Name: v.collection}
	whisper(collection.ProtoReflect())
	ask(owner, pb.CollectionService_UpdateCollection_FullMethodName, &pb.UpdateCollectionRequest{Collection: collection})
	ask(owner, pb.SocietyService_UpdateSociety_FullMethodName, &pb.UpdateSocietyRequest{Society: &pb.Society{Name: v.society, DisplayName: hush + " club"}})
	ask(owner, pb.BenchService_UpdateBench_FullMethodName, &pb.UpdateBenchRequest{Bench: &pb.Bench{Name: v.bench, DisplayName: hush + " bench", Exposure: pb.Bench_OUTDOORS}})
	for i := range 3 {
		p := &pb.Plant{Tag: fmt.Sprintf("V%d", i), TrapType: pb.Taxon_ADHESIVE, Habit: pb.Taxon_SMALL_ROSETTE, Bench: v.bench, Parents: []string{hush + " parent"}}
		whisper(p.ProtoReflect())
		made := ask(owner, pb.PlantService_CreatePlant_FullMethodName, &pb.CreatePlantRequest{Parent: v.collection, PlantId: fmt.Sprintf("v%d", i), Plant: p, RequestId: fmt.Sprintf("victim-%d", i)})
		keep(made)
		name := text(made, "name")
		f := &pb.Feeding{TrapsFed: proto.Int32(2)}
		whisper(f.ProtoReflect())
		keep(ask(owner, pb.FeedingService_CreateFeeding_FullMethodName, &pb.CreateFeedingRequest{Parent: name, FeedingId: "vf", Feeding: f, RequestId: fmt.Sprintf("victim-%d", i)}))
		for j, o := range []*pb.Observation{
			{Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: hush + " health"}}},
			{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: hush + " hold"}}},
			{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: hush + " what", Product: hush + " product"}}},
		} {
			o.Note = hush + " note"
			keep(ask(owner, pb.ObservationService_CreateObservation_FullMethodName, &pb.CreateObservationRequest{Parent: name, ObservationId: fmt.Sprintf("vo%d", j), Observation: o}))
		}
	}
	shown := &pb.Photo{Name: v.photo}
	whisper(shown.ProtoReflect())
	keep(ask(owner, pb.PhotoService_UpdatePhoto_FullMethodName, &pb.UpdatePhotoRequest{Photo: shown}))
	keep(ask(owner, pb.PhotoService_CreatePhoto_FullMethodName,
		&pb.CreatePhotoRequest{Parent: v.plant, PhotoId: "vp", Data: pictureOf("victim"), Credit: proto.String(hush + " credit"), RequestId: "victim-0"}))
	keep(ask(owner, pb.SheetService_CreateSheet_FullMethodName, &pb.CreateSheetRequest{Parent: v.collection}))
	calendar := ask(owner, pb.CalendarService_CreateCalendar_FullMethodName, &pb.CreateCalendarRequest{Parent: v.collection, Calendar: &pb.Calendar{DisplayName: hush + " calendar"}})
	keep(calendar)
	ask(owner, pb.CalendarService_DeleteCalendar_FullMethodName, &pb.DeleteCalendarRequest{Name: text(calendar, "name")})
	invitation := ask(owner, pb.InvitationService_CreateInvitation_FullMethodName,
		&pb.CreateInvitationRequest{Parent: v.society, Invitation: &pb.Invitation{Role: pb.Invitation_MEMBER, DisplayName: hush + " invitation"}})
	keep(invitation)
	ask(spare, pb.InvitationService_AcceptInvitation_FullMethodName, &pb.AcceptInvitationRequest{Secret: text(invitation, "secret")})
	v.heard = append(v.heard, text(calendar, "secret"), text(invitation, "secret"), "victim-0", "victim-1", v.request(), "V0", "V1", v.tag)
	for _, list := range []struct {
		method string
		req    proto.Message
	}{
		{pb.CollectionService_ListCollections_FullMethodName, &pb.ListCollectionsRequest{PageSize: 1}},
		{pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: v.collection, PageSize: 1}},
		{pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: "collections/-", PageSize: 1}},
		{pb.BenchService_ListBenches_FullMethodName, &pb.ListBenchesRequest{Parent: v.collection, PageSize: 1}},
		{pb.FeedingService_ListFeedings_FullMethodName, &pb.ListFeedingsRequest{Parent: v.collection + "/plants/-", PageSize: 1}},
		{pb.ObservationService_ListObservations_FullMethodName, &pb.ListObservationsRequest{Parent: v.collection + "/plants/-", PageSize: 1}},
		{pb.PhotoService_ListPhotos_FullMethodName, &pb.ListPhotosRequest{Parent: v.collection + "/plants/-", PageSize: 1}},
		{pb.RevisionService_ListRevisions_FullMethodName, &pb.ListRevisionsRequest{Parent: v.collection, PageSize: 1}},
		{pb.GrantService_ListGrants_FullMethodName, &pb.ListGrantsRequest{Parent: v.collection, PageSize: 1}},
		{pb.SocietyService_ListMembers_FullMethodName, &pb.ListMembersRequest{Parent: v.society, PageSize: 1}},
		{pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: v.collection, PageSize: 1, HorizonDays: proto.Int32(366)}},
		{pb.TokenService_ListTokens_FullMethodName, &pb.ListTokensRequest{Parent: "growers/me", PageSize: 1}},
	} {
		if token := text(ask(owner, list.method, list.req), "nextPageToken"); token != "" {
			v.heard = append(v.heard, token)
		}
	}
	if len(v.heard) < 16 {
		t.Errorf("only %d things were heard", len(v.heard))
	}
	v.names = append(v.names, v.grower, v.token, v.calendar, v.own, v.collection, v.bench, v.empty, v.plant, v.other, v.feeding, v.observation, v.photo, v.sheet, v.grant, v.invitation,
		v.society, v.member, v.inSociety, v.collection+"/plants/-", "collections/-", "collections/-/plants/-", "growers/me")
	return v
}

// forger changes good requests into others.
type forger struct {
	*rand.Rand
	victim *victim
	own    *place
}

// forge changes some fields of a message, at any depth.
func (f *forger) forge(m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		d := fields.Get(i)
		switch {
		case d.IsMap():
		case d.Message() != nil && d.IsList() && m.Has(d):
			list := m.Mutable(d).List()
			for j := range list.Len() {
				f.forge(list.Get(j).Message(), depth+1)
			}
			if list.Len() > 0 && list.Len() < 4 && f.IntN(4) == 0 { // one more, of elsewhere
				more := proto.Clone(list.Get(0).Message().Interface()).ProtoReflect()
				f.forge(more, depth)
				list.Append(protoreflect.ValueOfMessage(more))
			}
		case d.Message() != nil && !d.IsList():
			if mask, ok := m.Get(d).Message().Interface().(*fieldmaskpb.FieldMask); ok {
				if !m.Has(d) || f.IntN(3) > 0 {
					continue
				}
				mask.Paths = append(mask.Paths, []string{"name", "display_name", "visibility", "owner"}[f.IntN(4)])
			} else if m.Has(d) {
				f.forge(m.Mutable(d).Message(), depth+1)
			}
		case f.IntN(5) > 0 && (m.Has(d) || f.IntN(4) > 0):
		default:
			if v, ok := f.draw(d); ok && d.IsList() {
				m.Mutable(d).List().Append(v)
			} else if ok {
				m.Set(d, v)
			}
		}
	}
}

// draw returns a value for a field that may fit.
func (f *forger) draw(d protoreflect.FieldDescriptor) (protoreflect.Value, bool) {
	switch d.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(f.text(d.Name())), true
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(f.IntN(2) == 0), true
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(f.victim.numbers[f.IntN(len(f.victim.numbers))]), true
	case protoreflect.EnumKind:
		values := d.Enum().Values()
		return protoreflect.ValueOfEnum(values.Get(f.IntN(values.Len())).Number()), true
	}
	return protoreflect.Value{}, false
}

func (f *forger) text(field protoreflect.Name) string {
	pick := func(all ...string) string { return all[f.IntN(len(all))] }
	switch field {
	case "filter":
		return pick(`displayName : "z"`, `tag = "V0"`, "visibility = PUBLIC", "visibility != SHARED", `bench = "`+f.victim.bench+`"`, `genus = "Drosera"`, "kind = health", "trapsFed > 0", `timeZone = "Europe/Berlin"`)
	case "order_by":
		return pick("name", "displayName", "tag desc", "fedTime", "createTime")
	case "secret", "page_token", "request_id":
		return pick(f.victim.heard...)
	case "tag", "tags", "except_tags":
		return pick("V0", "V1", "v2", f.victim.tag, "D1")
	case "etag":
		return pick(`"1"`, "*", "")
	case "as_of_date":
		return pick("2026-06-01", "2026-07-01", "2025-01-01")
	case "owner":
		return pick(f.victim.society, f.own.society, "growers/me", f.victim.grower)
	}
	if f.IntN(5) == 0 {
		return pick(f.own.collection, f.own.plant, f.own.bench, f.own.society)
	}
	name := pick(f.victim.names...)
	if f.IntN(6) == 0 { // a forged one: another's child below one's own
		name = f.own.collection + strings.TrimPrefix(name, f.victim.collection)
	}
	return name
}

// TestStranger makes random calls with the token of a stranger against a private
// collection: nothing is seen, and nothing changed.
func TestStranger(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		url := storetest.URL(t, engine)
		s := storetest.Open(t, url)
		ids, mine := counter{prefix: "theirs-"}, counter{prefix: "mine-"}
		strange := false
		d := openMatrix(t, openStore(t, s, service.Config{Now: func() time.Time { return now }, NewID: func() string {
			if strange {
				return mine.next()
			}
			return ids.next()
		}}))
		r, callers := openRelations(t, s, now)
		owner, spare, stranger := &callers[matrixOwner][0], &callers[matrixSpare][0], &callers[matrixStranger][0]
		v := openVictim(t, d, r, owner, spare)
		own := placeOf(matrixStranger, "mine-own", "")
		own.social = true
		if err := own.make(t.Context(), s, store.By{Us: r.by.Us, Grower: matrixStranger, Token: "full"}, true); err != nil {
			t.Fatal(err)
		}
		if got := d.call(t, owner, pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: v.collection}); strings.Count(got.whole, hush) < 15 {
			t.Fatalf("the owner does not see it: %s", got.whole)
		}
		d.hang(t, own)
		strange = true
		raw := openRaw(t, engine, url)
		before := rowsOf(t, raw, engine)
		f := &forger{Rand: rand.New(rand.NewPCG(6, 10_000)), victim: v, own: own}
		methods := slices.DeleteFunc(slices.Sorted(maps.Keys(matrix)), func(method string) bool {
			// Without these the stranger can go on; TestRelations makes them.
			return strings.HasSuffix(method, "/DeleteToken") || matrix[method].scope == ""
		})
		attempts := map[string][]attempt{}
		for _, method := range methods {
			attempts[method] = d.attempts(t, method)
		}
		answered := map[string]int{}
		calls := storetest.Fewer(10_000, 600)
		for i := 0; i < calls; {
			method := methods[f.IntN(len(methods))]
			at := v.place
			if f.IntN(4) == 0 {
				at = own
			}
			at.id = fmt.Sprintf("x-%d", i)
			good := matrix[method].requests(at)
			req := proto.Clone(good[f.IntN(len(good))])
			if f.IntN(8) > 0 {
				f.forge(req.ProtoReflect(), 0)
			}
			if calendar, ok := req.(*pb.GetDueCalendarRequest); ok && (calendar.GetSecret() == v.secret || calendar.GetSecret() == v.secret+"-own") {
				continue // who has a good one may see
			}
			if accept, ok := req.(*pb.AcceptInvitationRequest); ok && strings.HasPrefix(accept.GetSecret(), v.invited) {
				continue // likewise
			}
			try := attempts[method][f.IntN(len(attempts[method]))]
			if !try.fits(req) || !sendable(req) {
				continue
			}
			i++
			got := try.do(stranger, req)
			answered[got.code.String()]++
			if strings.Contains(got.whole, hush) {
				t.Fatalf("call %d, %s, shows it: %v\n%s", i, try.name, req, got.whole)
			}
			if got.code == codes.Internal || got.code == codes.Unauthenticated {
				t.Fatalf("call %d, %s: %v\n%s", i, try.name, req, got.whole)
			}
			if i%1000 == 0 || i == calls {
				if diff := cmp.Diff(before, rowsOf(t, raw, engine)); diff != "" {
					t.Fatalf("after call %d what is not the stranger's changed (-before +after):\n%s", i, diff)
				}
			}
		}
		if answered["OK"] < calls/20 || answered["NotFound"] < calls/5 {
			t.Errorf("calls are not near enough to good ones: %v", answered)
		}
		t.Log(answered)
		if got := d.request(t, owner, http.MethodGet, "/v1/"+v.plant, nil); got.code != codes.OK {
			t.Error(got.whole)
		}
	})
}

// sendable tells whether all names of a request can stand in a path.
func sendable(req proto.Message) bool {
	ok := true
	var walk func(m protoreflect.Message)
	walk = func(m protoreflect.Message) {
		m.Range(func(d protoreflect.FieldDescriptor, v protoreflect.Value) bool {
			switch {
			case d.Message() != nil && !d.IsList() && !d.IsMap():
				walk(v.Message())
			case d.Kind() == protoreflect.StringKind && !d.IsList() && (d.Name() == "name" || d.Name() == "parent"):
				ok = ok && v.String() != "" && !strings.ContainsAny(v.String(), " ?#%")
			}
			return true
		})
	}
	walk(req.ProtoReflect())
	return ok
}

// rowsOf returns the rows of all tables that are not of the stranger's.
func rowsOf(t *testing.T, raw *sql.DB, engine store.Engine) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for table, columns := range tableColumns(t, raw, engine) {
		for _, line := range allRows(t, raw, "SELECT "+columns+" FROM "+table) {
			if !strings.Contains(line, matrixStranger) && !strings.Contains(line, "mine-") {
				out[table] = append(out[table], line)
			}
		}
		slices.Sort(out[table])
	}
	return out
}
