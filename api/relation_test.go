package api

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// people are the growers of the matrix of relations.
var people = []string{
	matrixOwner, "organiser", "member", "viewer", "keeper", "manager", "club-viewer", "club-keeper", "club-manager", "revoked", "left", matrixStranger,
}

// clubs are societies to which something is granted, by their members.
var clubs = map[string]pb.Grant_Role{"club-viewer": pb.Grant_VIEWER, "club-keeper": pb.Grant_KEEPER, "club-manager": pb.Grant_MANAGER}

// granted is what those are to a collection to whom it is granted.
var granted = map[string]int{"viewer": 2, "keeper": 3, "manager": 4, "club-viewer": 2, "club-keeper": 3, "club-manager": 4}

// situation is how a collection may be, with what is granted always the same.
type situation struct {
	name       string
	visibility pb.Collection_Visibility
	ofSociety  bool // its society owns it
	deleted    bool
	are        map[string]int // what people are to it: 1 visitors to 5 owners; strangers are left out
}

func and(all ...map[string]int) map[string]int {
	out := map[string]int{}
	for _, some := range all {
		maps.Copy(out, some)
	}
	return out
}

var (
	everybody  = map[string]int{"organiser": 1, "member": 1, "revoked": 1, "left": 1, matrixStranger: 1}
	theOwner   = map[string]int{matrixOwner: 5}
	organisers = map[string]int{matrixOwner: 5, "organiser": 5} // the owner of other places is an organiser too
)

var situations = []situation{
	{"shared", pb.Collection_SHARED, false, false, and(theOwner, granted)},
	{"shared of a society", pb.Collection_SHARED, true, false, and(organisers, granted)},
	{"public", pb.Collection_PUBLIC, false, false, and(everybody, theOwner, granted)},
	{"public of a society", pb.Collection_PUBLIC, true, false, and(everybody, organisers, granted)},
	{"private again", pb.Collection_PRIVATE, false, false, theOwner},
	{"private again of a society", pb.Collection_PRIVATE, true, false, organisers},
	{"deleted", pb.Collection_SHARED, false, true, theOwner},
	{"deleted of a society", pb.Collection_PUBLIC, true, true, organisers},
}

// inSociety is what people are to the society of a place.
var inSociety = map[string]int{matrixOwner: 5, "organiser": 5, "member": 2}

// relations are the database of the matrix of relations.
type relations struct {
	s      *store.Store
	by     store.By
	places int
}

// openRelations adds the people with their tokens, and the clubs.
func openRelations(t *testing.T, s *store.Store, now time.Time) (*relations, map[string][]matrixCaller) {
	t.Helper()
	r := &relations{s: s, by: store.By{Us: now.Add(-time.Hour).UnixMicro(), Grower: matrixOwner, Token: "full"}}
	callers := map[string][]matrixCaller{}
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		for _, id := range append([]string{matrixMate, matrixSpare}, people...) {
			if id != matrixOwner {
				if _, err := tx.Grower(id).Create(id, r.by.Us); err != nil {
					return err
				}
			}
			for _, name := range append([]string{"full"}, service.Scopes...) {
				scopes := []string{name}
				if name == "full" {
					scopes = service.Scopes
				}
				secret := "dwb_" + id + "-" + name
				secret += strings.Repeat("x", 47-len(secret))
				if _, err := tx.Grower(id).CreateToken(&pb.Token{Name: store.TokenName(id, name), DisplayName: name, Scopes: scopes}, service.HashSecret(secret), r.by.Us); err != nil {
					return err
				}
				if err := tx.Grower(id).UseToken(name, now.UnixMicro()); err != nil {
					return err
				}
				callers[id] = append(callers[id], matrixCaller{name: id + " with " + name, authorization: []string{"Bearer " + secret}, grower: id, scopes: scopes})
			}
		}
		all, err := tx.CreateSociety("s-all", &pb.Society{DisplayName: "All"}, store.By{Us: r.by.Us, Grower: matrixMate})
		if err != nil {
			return err
		}
		for _, id := range people {
			if _, err := all.AddMember(id, pb.Member_MEMBER, r.by); err != nil {
				return err
			}
		}
		for id := range clubs {
			club, err := tx.CreateSociety("s-"+id, &pb.Society{DisplayName: id}, store.By{Us: r.by.Us, Grower: matrixSpare})
			if err != nil {
				return err
			}
			for _, member := range []string{id, "left"} {
				if _, err := club.AddMember(member, pb.Member_MEMBER, r.by); err != nil {
					return err
				}
			}
			if _, err := club.RemoveMember("left", r.by, func(*pb.Member) error { return nil }); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return r, callers
}

// place makes a place in a situation.
func (r *relations) place(t *testing.T, in *situation, withToken bool) *place {
	t.Helper()
	r.places++
	x := placeOf(matrixOwner, fmt.Sprintf("c-%03d", r.places), "")
	x.social = true
	if err := x.make(t.Context(), r.s, r.by, withToken); err != nil {
		t.Fatal(err)
	}
	if err := r.s.Write(t.Context(), func(tx *store.Tx) error { return in.make(tx, x, r.by) }); err != nil {
		t.Fatal(err)
	}
	return x
}

func (in *situation) make(tx *store.Tx, x *place, by store.By) error {
	c, err := tx.Collection(store.Segment(x.collection, "collections"), by.Grower, func(store.Ties) bool { return true })
	if err != nil {
		return err
	}
	grant := func(id string, role pb.Grant_Role) error {
		m := &pb.Grant{Name: store.GrantName(c.ID(), "g-"+id), Grantee: &pb.Grant_Grower{Grower: store.GrowerName(id)}, Role: role}
		if _, club := clubs[id]; club {
			m.Grantee = &pb.Grant_Society{Society: "societies/s-" + id}
		}
		_, err := c.CreateGrant(m, by)
		return err
	}
	for id, role := range map[string]pb.Grant_Role{"viewer": pb.Grant_VIEWER, "keeper": pb.Grant_KEEPER, "manager": pb.Grant_MANAGER, "revoked": pb.Grant_MANAGER} {
		if err := grant(id, role); err != nil {
			return err
		}
	}
	for id, role := range clubs {
		if err := grant(id, role); err != nil {
			return err
		}
	}
	if _, err := c.DeleteGrant("g-revoked", by, func(*pb.Grant) error { return nil }); err != nil {
		return err
	}
	s, err := tx.Society(store.Segment(x.society, "societies"), by.Grower)
	if err != nil {
		return err
	}
	if _, err := s.AddMember("left", pb.Member_ORGANISER, by); err != nil {
		return err
	}
	if _, err := s.RemoveMember("left", by, func(*pb.Member) error { return nil }); err != nil {
		return err
	}
	if in.ofSociety {
		if _, err := c.Transfer("", s.ID(), by, func(*pb.Collection) error { return nil }); err != nil {
			return err
		}
	}
	if in.visibility != pb.Collection_SHARED {
		if _, err := c.Update(by, func(m *pb.Collection) error { m.Visibility = in.visibility; return nil }); err != nil {
			return err
		}
	}
	if in.deleted {
		_, err = c.Delete(by, by.Us+(30*24*time.Hour).Microseconds(), func(*pb.Collection) error { return nil })
	}
	return err
}

// expect tells how a call must answer one of the people; and whether that is because of who
// they are, so that the call got no further.
func (in *situation) expect(method string, a *asked, c *matrixCaller, req proto.Message) (want service.Reason, refused bool) {
	is := in.are[c.grower]
	if want := a.expect(c, req, is, inSociety[c.grower]); want != "" {
		if call := method[strings.LastIndexByte(method, '/')+1:]; call == "DeleteGrant" && want == "ROLE_MISSING" {
			want = "GRANT_NOT_FOUND" // who does not see the grants of others may still give theirs back
		}
		return want, true
	}
	return in.but(method, a, c, req, is)
}

// but are the answers of calls that somebody may make who finds what they want not there
// or not fit.
func (in *situation) but(method string, a *asked, c *matrixCaller, req proto.Message, is int) (want service.Reason, refused bool) {
	_, of := a.asks(req)
	call := method[strings.LastIndexByte(method, '/')+1:]
	tag := req.ProtoReflect().Descriptor().Fields().ByName("tag")
	switch {
	case of != "collection":
		if in.ofSociety && call == "DeleteSociety" {
			return "SOCIETY_OWNS_COLLECTIONS", false
		}
	case in.deleted && call == "UpdateCollection":
		return "RESOURCE_DELETED", false
	case in.deleted && !slices.Contains([]string{"GetCollection", "UndeleteCollection", "ListAuditEntries", "GetCalendar", "ListCalendars", "DeleteCalendar"}, call) &&
		!(call == "ListRevisions" && strings.Count(req.(*pb.ListRevisionsRequest).GetParent(), "/") == 1):
		return "COLLECTION_NOT_FOUND", true
	case is == 1 && call == "ListPlants": // by tag
		return "INVALID_FILTER", false
	case is == 1 && tag != nil && req.ProtoReflect().Has(tag):
		return "PLANT_NOT_FOUND", false
	case call == "GetPhotoContent" && req.(*pb.GetPhotoContentRequest).GetRendition() == pb.Photo_ORIGINAL && is < 4: // it may tell where it was taken
		return "ROLE_MISSING", true
	case call == "Undo" && c.grower != matrixOwner: // it was not their call
		return "REQUEST_NOT_FOUND", false
	case (call == "GetCalendar" || call == "DeleteCalendar") && c.grower != matrixOwner: // it is not theirs
		return "CALENDAR_NOT_FOUND", false
	case in.visibility == pb.Collection_PRIVATE && (call == "CreateGrant" || call == "CreateInvitation"):
		return "COLLECTION_PRIVATE", false
	}
	return "", false
}

// TestRelations makes every call by every route as everybody who may have to do with a
// collection or a society, in all situations.
func TestRelations(t *testing.T) {
	onEngines(t, testRelations)
}

func testRelations(t *testing.T, engine store.Engine) {
	now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	url := storetest.URL(t, engine)
	s := storetest.Open(t, url)
	d := openMatrix(t, openStore(t, s, service.Config{Now: func() time.Time { return now }}))
	raw := openRaw(t, engine, url)
	r, callers := openRelations(t, s, now)
	there := make([]*place, len(situations))
	for i := range situations {
		there[i] = r.place(t, &situations[i], i == 0)
		d.hang(t, there[i])
	}
	const gone = "c-xyz"
	missing := placeOf(matrixNobody, gone, "")
	asked := slices.DeleteFunc(slices.Sorted(maps.Keys(matrix)), func(method string) bool {
		a := matrix[method]
		return a.names == nothing || a.names == ownOnes || a.names == aGrowersSelf || a.names == anInvited || a.scope == aSecret // TestAccess has them
	})
	tried, refusals := 0, 0
	before := contents(t, raw, engine)
	for _, method := range asked {
		a := matrix[method]
		attempts := d.attempts(t, method)
		for n, elsewhere := range a.requests(missing) {
			if _, of := a.asks(elsewhere); of == "grower" {
				continue
			}
			for k, try := range attempts {
				if !try.fits(elsewhere) {
					continue
				}
				unseen := map[string]string{} // what callers are told of what is not there
				for i := range situations {
					in, req := &situations[i], a.requests(there[i])[n]
					if storetest.Race && in.ofSociety {
						continue // the code is the same
					}
					id := store.Segment(there[i].collection, "collections")
					for _, who := range people {
						for j := range callers[who] {
							c := &callers[who][j]
							if k > 0 && (j > 0 || in.ofSociety) {
								continue // by one door: the chain is the same
							}
							want, refused := in.expect(method, &a, c, req)
							if !refused || want == "SCOPE_MISSING" && i > 0 {
								continue // which does not depend on what is there
							}
							tried++
							got := try.do(c, req)
							code := matrixCodes[want]
							if want == "GRANT_NOT_FOUND" {
								code = codes.NotFound
							}
							if got.reason != want || got.code != code {
								t.Errorf("%s, %s, as %s: %s %s, want %s: %.300s", try.name, in.name, c.name, got.code, got.reason, want, got.whole)
								continue
							}
							if want == "ROLE_MISSING" || want == "GRANT_NOT_FOUND" || want == "SCOPE_MISSING" {
								continue
							}
							refusals++
							if _, asked := unseen[c.name]; !asked {
								unseen[c.name] = try.do(c, elsewhere).whole
							}
							same := strings.NewReplacer(matrixNobody, matrixOwner, gone, id)
							if same.Replace(unseen[c.name]) != got.whole {
								t.Errorf("%s, %s, as %s differs by what is there:\n%s\n%s", try.name, in.name, c.name, got.whole, unseen[c.name])
							}
						}
					}
				}
			}
		}
		after := contents(t, raw, engine)
		if diff := cmp.Diff(before, after); diff != "" {
			t.Errorf("%s: calls that were refused wrote (-before +after):\n%s", method, diff)
		}
		before = after
	}
	if tried < storetest.Fewer(10_000, 5_000) || refusals < storetest.Fewer(5_000, 2_500) {
		t.Errorf("%d calls that are refused, %d of them as not there", tried, refusals)
	}
	for _, method := range asked {
		a := matrix[method]
		attempts := d.attempts(t, method)
		for i := range situations {
			in, x, made := &situations[i], there[i], 0
			if storetest.Race && in.ofSociety {
				continue
			}
			if a.scope != "read" {
				x = nil
			}
			for n, like := range a.requests(missing) {
				if _, of := a.asks(like); of == "grower" || of == "society" && i > 1 {
					continue
				}
				for k, try := range attempts {
					if !try.fits(like) || k > 0 && a.scope != "read" && i > 0 {
						continue // by the routes in one situation: what they lead to is the same
					}
					for _, who := range people {
						c := &callers[who][0]
						want, refused := in.expect(method, &a, c, like)
						if refused {
							continue
						}
						if x == nil || a.scope != "read" && last.MatchString(method) {
							x = r.place(t, in, keepsSecrets.MatchString(method) && c.grower == matrixOwner)
						}
						made++
						x.id = fmt.Sprintf("new-%d", made)
						got := try.do(c, a.requests(x)[n])
						if got.reason != want || want == "" && got.code != codes.OK {
							t.Errorf("%s, %s, as %s: %s %s, want %q: %.500s", try.name, in.name, c.name, got.code, got.reason, want, got.whole)
						}
					}
				}
			}
		}
	}
}

// TestListsHoldWhatIsTheirs lists as everybody what they own or share in.
func TestListsHoldWhatIsTheirs(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		s := storetest.New(t, engine)
		d := openMatrix(t, openStore(t, s, service.Config{Now: func() time.Time { return now }}))
		r, callers := openRelations(t, s, now)
		var ids []string
		for i := range situations {
			x := r.place(t, &situations[i], false)
			ids = append(ids, store.Segment(x.collection, "collections"))
			if situations[i].deleted {
				continue
			}
			if got := d.call(t, &callers[matrixOwner][0], pb.PlantService_CreatePlant_FullMethodName,
				&pb.CreatePlantRequest{Parent: x.collection, Plant: &pb.Plant{Tag: "Due", Taxon: "taxa/drosera-capensis", Bench: x.bench}}); got.code != codes.OK {
				t.Fatal(got.whole)
			}
		}
		for _, who := range people {
			c := &callers[who][0]
			want := func(least int, deleted bool) (out []string) {
				for i, in := range situations {
					if in.are[who] >= least && (!in.deleted || deleted && in.are[who] == 5) {
						out = append(out, ids[i])
					}
				}
				return out
			}
			for name, list := range map[string]struct {
				method string
				req    proto.Message
				want   []string
			}{
				"collections":         {pb.CollectionService_ListCollections_FullMethodName, &pb.ListCollectionsRequest{}, want(2, false)},
				"deleted collections": {pb.CollectionService_ListCollections_FullMethodName, &pb.ListCollectionsRequest{ShowDeleted: true}, want(2, true)},
				"public collections":  {pb.CollectionService_ListCollections_FullMethodName, &pb.ListCollectionsRequest{Filter: "visibility = PUBLIC"}, ids[2:4]},
				"private collections": {pb.CollectionService_ListCollections_FullMethodName, &pb.ListCollectionsRequest{Filter: "visibility = PRIVATE"},
					slices.DeleteFunc(want(2, false), func(id string) bool { return id != ids[4] && id != ids[5] })},
				"plants":       {pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: "collections/-"}, want(2, false)},
				"benches":      {pb.BenchService_ListBenches_FullMethodName, &pb.ListBenchesRequest{Parent: "collections/-"}, want(2, false)},
				"feedings":     {pb.FeedingService_ListFeedings_FullMethodName, &pb.ListFeedingsRequest{Parent: "collections/-/plants/-"}, want(2, false)},
				"observations": {pb.ObservationService_ListObservations_FullMethodName, &pb.ListObservationsRequest{Parent: "collections/-/plants/-"}, want(2, false)},
				"photos":       {pb.PhotoService_ListPhotos_FullMethodName, &pb.ListPhotosRequest{Parent: "collections/-/plants/-"}, want(2, false)},
				"due":          {pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: "collections/-", HorizonDays: proto.Int32(31)}, want(2, false)},
			} {
				got := d.call(t, c, list.method, list.req)
				if got.code != codes.OK {
					t.Errorf("%s as %s: %s", name, who, got.whole)
					continue
				}
				var held []string
				for _, id := range ids {
					if strings.Contains(got.whole, store.CollectionName(id)) {
						held = append(held, id)
					}
				}
				if !slices.Equal(list.want, held) {
					t.Errorf("%s as %s: %v, want %v: %.300s", name, who, held, list.want, got.whole)
				}
			}
		}
	})
}

// TestTakenBack takes away what somebody could see. The very next call knows, also that of
// another server on the same database.
func TestTakenBack(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		clock := func() time.Time { return now }
		url := storetest.URL(t, engine)
		s := storetest.Open(t, url)
		here := openMatrix(t, openStore(t, s, service.Config{Now: clock}))
		there := openMatrix(t, openStore(t, storetest.Open(t, url), service.Config{Now: clock, Blobs: here.blobs}))
		r, callers := openRelations(t, s, now)
		owner := &callers[matrixOwner][0]
		shared, ofSociety := &situations[0], &situations[1]
		patch := func(name string, v pb.Collection_Visibility) proto.Message {
			return &pb.UpdateCollectionRequest{Collection: &pb.Collection{Name: name, Visibility: v}}
		}
		for _, c := range []struct {
			name   string
			in     *situation
			who    string
			method string
			take   func(x *place) proto.Message
			want   service.Reason
		}{
			{"a grant", shared, "viewer", pb.GrantService_DeleteGrant_FullMethodName,
				func(x *place) proto.Message { return &pb.DeleteGrantRequest{Name: x.collection + "/grants/g-viewer"} }, "COLLECTION_NOT_FOUND"},
			{"a grant to a society", shared, "club-manager", pb.GrantService_DeleteGrant_FullMethodName,
				func(x *place) proto.Message {
					return &pb.DeleteGrantRequest{Name: x.collection + "/grants/g-club-manager"}
				}, "COLLECTION_NOT_FOUND"},
			{"the collection from all", shared, "keeper", pb.CollectionService_UpdateCollection_FullMethodName,
				func(x *place) proto.Message { return patch(x.collection, pb.Collection_PRIVATE) }, "COLLECTION_NOT_FOUND"},
			{"the collection", shared, "manager", pb.CollectionService_DeleteCollection_FullMethodName,
				func(x *place) proto.Message { return &pb.DeleteCollectionRequest{Name: x.collection} }, "COLLECTION_NOT_FOUND"},
			{"an organiser from a society", ofSociety, "organiser", pb.SocietyService_DeleteMember_FullMethodName,
				func(x *place) proto.Message { return &pb.DeleteMemberRequest{Name: x.society + "/members/organiser"} }, "COLLECTION_NOT_FOUND"},
			{"the role of an organiser", ofSociety, "organiser", pb.SocietyService_UpdateMember_FullMethodName,
				func(x *place) proto.Message {
					return &pb.UpdateMemberRequest{Member: &pb.Member{Name: x.society + "/members/organiser", Role: pb.Member_MEMBER}}
				}, "COLLECTION_NOT_FOUND"},
			{"a token", shared, matrixOwner, pb.TokenService_DeleteToken_FullMethodName,
				func(*place) proto.Message { return &pb.DeleteTokenRequest{Name: "growers/me/tokens/full"} }, "TOKEN_INVALID"},
		} {
			x := r.place(t, c.in, false)
			here.hang(t, x)
			caller := &callers[c.who][0]
			made := here.call(t, caller, pb.CalendarService_CreateCalendar_FullMethodName, &pb.CreateCalendarRequest{Parent: x.collection, Calendar: &pb.Calendar{DisplayName: "Telephone"}})
			if made.code != codes.OK {
				t.Fatalf("%s: a calendar: %s", c.name, made.whole)
			}
			secret, _ := parseJSON(t, []byte(made.whole)).(map[string]any)["secret"].(string)
			look := func(d *matrixDoors) map[string]matrixAnswer {
				return map[string]matrixAnswer{
					"due":        d.call(t, caller, pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: x.collection}),
					"due (HTTP)": d.request(t, caller, http.MethodGet, "/v1/"+x.collection+"/dueFeedings", nil),
					"plants":     d.call(t, caller, pb.PlantService_ListPlants_FullMethodName, &pb.ListPlantsRequest{Parent: x.collection}),
					"collection": d.request(t, caller, http.MethodGet, "/v1/"+x.collection, nil),
					"photos":     d.call(t, caller, pb.PhotoService_ListPhotos_FullMethodName, &pb.ListPhotosRequest{Parent: x.plant}),
					"picture":    d.request(t, caller, http.MethodGet, "/v1/"+x.photo+"/content?rendition=SMALL", nil),
					"history":    d.call(t, caller, pb.RevisionService_ListRevisions_FullMethodName, &pb.ListRevisionsRequest{Parent: x.plant}),
					"calendar":   d.call(t, caller, pb.CalendarService_GetDueCalendar_FullMethodName, &pb.GetDueCalendarRequest{Secret: secret}),
				}
			}
			for range 2 { // so that both servers know whom they had
				for _, d := range []*matrixDoors{here, there} {
					for what, got := range look(d) {
						if got.code != codes.OK {
							t.Errorf("%s, before: %s: %s", c.name, what, got.whole)
						}
					}
				}
			}
			if got := here.call(t, owner, c.method, c.take(x)); got.code != codes.OK {
				t.Errorf("%s cannot be taken: %s", c.name, got.whole)
			}
			for server, d := range map[string]*matrixDoors{"this server": here, "another server": there} {
				for what, got := range look(d) {
					want := c.want
					if what == "calendar" {
						want = "CALENDAR_NOT_FOUND"
						if c.want == "TOKEN_INVALID" {
							want = "" // a calendar stands for itself
						}
					}
					if got.reason != want {
						t.Errorf("%s on %s: %s: %s %s, want %q", c.name, server, what, got.code, got.reason, want)
					}
				}
			}
		}
		// Who leaves goes at once too, who gives back what was granted, who is suspended, and the
		// members of a society that is ended.
		x := r.place(t, shared, false)
		for who, c := range map[string]struct {
			leave func() error
			want  service.Reason
		}{
			"club-keeper": {func() error {
				return here.done(t, &callers["club-keeper"][0], pb.SocietyService_DeleteMember_FullMethodName, &pb.DeleteMemberRequest{Name: "societies/s-club-keeper/members/me"})
			}, "COLLECTION_NOT_FOUND"},
			"keeper": {func() error {
				return here.done(t, &callers["keeper"][0], pb.GrantService_DeleteGrant_FullMethodName, &pb.DeleteGrantRequest{Name: x.collection + "/grants/g-keeper"})
			}, "COLLECTION_NOT_FOUND"},
			"club-viewer": {func() error {
				return here.done(t, &callers[matrixSpare][0], pb.SocietyService_DeleteSociety_FullMethodName, &pb.DeleteSocietyRequest{Name: "societies/s-club-viewer"})
			}, "COLLECTION_NOT_FOUND"},
			"viewer": {func() error {
				us := now.UnixMicro()
				return s.Write(t.Context(), func(tx *store.Tx) error { return tx.Grower("viewer").Suspend(&us, us) })
			}, "TOKEN_INVALID"},
		} {
			for _, want := range []service.Reason{"", c.want} {
				for server, d := range map[string]*matrixDoors{"this server": here, "another server": there} {
					got := d.call(t, &callers[who][0], pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: x.collection})
					if got.reason != want {
						t.Errorf("%s on %s: want %q: %s", who, server, want, got.whole)
					}
				}
				if want == "" {
					if err := c.leave(); err != nil {
						t.Errorf("%s cannot go: %v", who, err)
					}
				}
			}
		}
		for _, of := range []string{"s-club-viewer", "s-club-keeper", "s-never"} {
			if got := there.call(t, &callers["club-viewer"][0], pb.SocietyService_GetSociety_FullMethodName, &pb.GetSocietyRequest{Name: "societies/" + of}); got.reason != "SOCIETY_NOT_FOUND" {
				t.Errorf("%s: %s", of, got.whole)
			}
		}
	})
}

// done makes a call that must be done.
func (d *matrixDoors) done(t *testing.T, c *matrixCaller, method string, req proto.Message) error {
	t.Helper()
	if got := d.call(t, c, method, req); got.code != codes.OK {
		return errors.New(got.whole)
	}
	return nil
}
