package api

import (
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// with returns a copy of a request with some fields set.
func with(req proto.Message, values map[protoreflect.Name]any) proto.Message {
	m := proto.Clone(req)
	for name, value := range values {
		m.ProtoReflect().Set(m.ProtoReflect().Descriptor().Fields().ByName(name), protoreflect.ValueOf(value))
	}
	return m
}

func hasField(m proto.Message, name protoreflect.Name) bool {
	return m.ProtoReflect().Descriptor().Fields().ByName(name) != nil
}

// TestRetries makes each call that writes, and makes it again with its request id.
func TestRetries(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		begin := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		now := newClock(begin)
		url := storetest.URL(t, engine)
		s := storetest.Open(t, url)
		d := openMatrix(t, openStore(t, s, service.Config{Now: now.now, SignIn: takes(sharedIssuer())}))
		raw := openRaw(t, engine, url)
		callers := map[string]*matrixCaller{}
		for _, c := range matrixCallers(t, s, begin) {
			callers[c.name] = &c
		}
		full, manage, record, stranger := callers["full"], callers["manage"], callers["record"], callers["stranger"]
		by := store.By{Us: begin.Add(-time.Hour).UnixMicro(), Grower: matrixOwner, Token: "full"}
		places := 0
		newPlace := func(method string) *place {
			places++
			x := placeOf(matrixOwner, fmt.Sprintf("c-%03d", places), "")
			x.social = amongPeople.MatchString(method)
			if err := x.make(t.Context(), s, by, strings.Contains(method, "/DeleteToken") || strings.Contains(method, "/RotateToken") || strings.Contains(method, "/DeleteCalendar") || strings.Contains(method, "/DeleteIdentity")); err != nil {
				t.Fatal(err)
			}
			return x
		}
		written := 0
		for _, method := range slices.Sorted(maps.Keys(matrix)) {
			a := matrix[method]
			x := newPlace(method)
			req := a.requests(x)[0]
			if _, undoes := req.(*pb.UndoRequest); undoes {
				continue // its request id is that of the call that it undoes: TestUndo makes it twice
			}
			if strings.Contains(method, "/Import") {
				continue // a table can be sent again as it is: TestImportTwice
			}
			if strings.Contains(method, "/UploadPhoto") {
				continue // its request id is in its first message: TestUploadTwice
			}
			if strings.Contains(method, "/EraseGrower") {
				continue // whoever makes it has no token to make it again with
			}
			if a.scope != "record" && a.scope != "manage" || !hasField(req, "request_id") {
				if hasField(req, "request_id") || a.scope != "read" && a.scope != "" && !strings.Contains(method, "/Get") && !strings.Contains(method, "/List") {
					t.Errorf("%s writes without a request id, or has one and does not write", method)
				}
				continue
			}
			written++
			narrow, denied := record, callers["read"]
			if a.scope == "manage" {
				narrow, denied = manage, record
			}
			req = with(req, map[protoreflect.Name]any{"request_id": "again"})
			other := with(a.requests(newPlace(method))[0], map[protoreflect.Name]any{"request_id": "again"})
			switch m := other.(type) { // those that name no place
			case *pb.CreateCollectionRequest:
				m.Collection.DisplayName = "Another"
			case *pb.CreateSocietyRequest:
				m.Society.DisplayName = "Another"
			case *pb.UpdateGrowerRequest:
				m.Grower.Contact = "Elsewhere"
			case *pb.CreateTokenRequest:
				m.Token.DisplayName = "Another"
			}
			before := contents(t, raw, engine)
			if hasField(req, "validate_only") {
				checked := d.call(t, full, method, with(req, map[protoreflect.Name]any{"validate_only": true}))
				if diff := gocmp.Diff(before, contents(t, raw, engine)); checked.code != codes.OK || diff != "" {
					t.Errorf("%s, validateOnly, wrote (-before +after):\n%s\nand answered %s", method, diff, checked.whole)
				}
			}
			first := d.call(t, full, method, req)
			after := contents(t, raw, engine)
			if first.code != codes.OK || gocmp.Equal(before, after) {
				t.Errorf("%s wrote nothing: %s", method, first.whole)
				continue
			}
			// The same once more, by this token and by another one that may make the call.
			for _, c := range []*matrixCaller{full, narrow} {
				again := d.call(t, c, method, req)
				if endsForGood.MatchString(method) && again.code == codes.OK {
					// It is not there any more: the answer is its name.
					name := func(text string) any { return parsed(t, text).(map[string]any)["name"] }
					if name(first.whole) != name(again.whole) {
						t.Errorf("%s as %s: %s\nagain: %s", method, c.name, first.whole, again.whole)
					}
					continue
				}
				if diff := gocmp.Diff(parsed(t, first.whole), parsed(t, again.whole)); diff != "" {
					t.Errorf("%s as %s (-first +again):\n%s", method, c.name, diff)
				}
			}
			// Who may not make the call gets nothing out of another one's.
			if got := d.call(t, denied, method, req); got.reason != "SCOPE_MISSING" {
				t.Errorf("%s as %s: %s", method, denied.name, got.whole)
			}
			if a.names != nothing {
				if got := d.call(t, stranger, method, req); got.code != codes.NotFound {
					t.Errorf("%s as a stranger: %s", method, got.whole)
				}
			}
			// The id stands for this request alone.
			if got := d.call(t, full, method, other); got.reason != "REQUEST_ID_REUSED" || got.code != codes.AlreadyExists {
				t.Errorf("%s with another body: %s", method, got.whole)
			}
			if diff := gocmp.Diff(after, contents(t, raw, engine)); diff != "" {
				t.Errorf("%s wrote again (-first +again):\n%s", method, diff)
			}
			// And for this call and grower: another id acts, and so does another grower.
			if got := d.call(t, full, method, with(other, map[protoreflect.Name]any{"request_id": "another"})); got.code != codes.OK {
				t.Errorf("%s with an id of its own: %s", method, got.whole)
			}
			if a.names == nothing {
				if got := d.call(t, stranger, method, other); got.code != codes.OK || strings.Contains(got.whole, matrixOwner) {
					t.Errorf("%s as another grower: %s", method, got.whole)
				}
			}
			// It is known for seven days, and then forgotten.
			now.set(begin.Add(7 * 24 * time.Hour))
			if got := d.call(t, full, method, other); got.reason != "REQUEST_ID_REUSED" {
				t.Errorf("%s with another body after seven days: %s", method, got.whole)
			}
			now.set(begin.Add(7*24*time.Hour + time.Microsecond))
			if got := d.call(t, full, method, with(a.requests(newPlace(method))[0], map[protoreflect.Name]any{"request_id": "again"})); got.code != codes.OK {
				t.Errorf("%s after seven days and more: %s", method, got.whole)
			}
			now.set(begin)
		}
		if written < 30 {
			t.Errorf("%d calls that write were tried", written)
		}
	})
}

// endsForGood matches calls after which nothing is left to tell.
var endsForGood = regexp.MustCompile("/Delete(Grant|Society|Member)$")

// parsed reads an answer. The secrets of tokens and calendars are left out: they are told
// only once.
func parsed(t *testing.T, text string) any {
	t.Helper()
	v := parseJSON(t, []byte(text))
	if m, ok := v.(map[string]any); ok {
		delete(m, "secret")
		if path, ok := m["path"].(string); ok && strings.HasPrefix(path, "/v1/calendars/") {
			delete(m, "path")
		}
	}
	return v
}

// TestRetriesOverHTTP makes calls twice by their routes, with the request id among the
// query keys or in the body.
func TestRetriesOverHTTP(t *testing.T) {
	now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	s := openShed(t, store.SQLite, service.Config{Now: now.now})
	for _, c := range []struct{ method, path, body, other string }{
		{"POST", "/v1/collections?requestId=r", `{"displayName":"Sill","timeZone":"UTC"}`, `{"displayName":"Sill","timeZone":"Europe/Berlin"}`},
		{"PATCH", "/v1/" + s.plant + "?requestId=r", `{"clone":"Alba"}`, `{"clone":"Alba","source":null}`},
		{"PATCH", "/v1/" + s.plant + "?requestId=s", `{"source":null}`, `{"cultivar":null}`},
		{"PATCH", "/v1/" + s.plant + "?requestId=t&updateMask=clone", `{"clone":"Rubra"}`, `{"clone":"Nana"}`},
		{"POST", "/v1/" + s.plant + "/feedings?requestId=r", `{}`, `{"note":"Ate well"}`},
		{"POST", "/v1/" + s.collection + "/plants/-/feedings:batchCreate", `{"requestId":"r","requests":[{"tag":"D1","feeding":{}},{"tag":"d1","feeding":{}}]}`,
			`{"requestId":"r","requests":[{"tag":"D1","feeding":{}}]}`},
	} {
		var first, again, other map[string]any
		a1, err := s.do(c.method, c.path, c.body, "", &first)
		if err != nil || a1.StatusCode != http.StatusOK {
			t.Fatalf("%s %s: %v %v", c.method, c.path, first, err)
		}
		a2, err := s.do(c.method, c.path, c.body, "", &again)
		if err != nil || a2.StatusCode != http.StatusOK || !gocmp.Equal(first, again) {
			t.Errorf("%s %s again: %v %v\nat first %v", c.method, c.path, again, err, first)
		}
		a3, err := s.do(c.method, c.path, c.other, "", &other)
		if err != nil || a3.StatusCode != http.StatusConflict || errorReason(other["error"].(map[string]any)) != "REQUEST_ID_REUSED" {
			t.Errorf("%s %s with another body: %v %v", c.method, c.path, other, err)
		}
	}
	// A condition was met when the call was made: its repetition is not judged by it.
	var plant, first, again map[string]any
	got, err := s.do("GET", "/v1/"+s.plant, "", "", &plant)
	if err != nil {
		t.Fatal(err)
	}
	tag := got.Header.Get("ETag")
	for _, into := range []*map[string]any{&first, &again} {
		answer, err := s.do("PATCH", "/v1/"+s.plant+"?requestId=u", `{"clone":"Lutea"}`, tag, into)
		if err != nil || answer.StatusCode != http.StatusOK {
			t.Errorf("on condition: %v %v", *into, err)
		}
	}
	if !gocmp.Equal(first, again) {
		t.Errorf("on condition: %v, again %v", first, again)
	}
}

// TestRetryShowsWhatStands repeats calls after what they wrote has changed, and calls
// that failed.
func TestRetryShowsWhatStands(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		s := openShed(t, engine, service.Config{Now: now.now})
		ctx, calls := t.Context(), s.calls
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		reason := func(err error) service.Reason { return reasonOf(status.Convert(err)) }

		create := &pb.CreatePlantRequest{Parent: s.collection, RequestId: "plant", Plant: &pb.Plant{Tag: "P", Taxon: "taxa/drosera-capensis"}}
		p, err := calls.CreatePlant(ctx, create)
		must(err)
		renamed, err := calls.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: p.GetName(), Tag: "Q"}})
		must(err)
		if again, err := calls.CreatePlant(ctx, create); err != nil || !proto.Equal(renamed, again) {
			t.Errorf("created again: %v, %v; want the plant as it stands, %v", again, err, renamed)
		}
		remove := &pb.DeletePlantRequest{Name: p.GetName(), Etag: renamed.GetEtag(), RequestId: "delete"}
		deleted, err := calls.DeletePlant(ctx, remove)
		must(err)
		if again, err := calls.DeletePlant(ctx, remove); err != nil || !proto.Equal(deleted, again) {
			t.Errorf("deleted again: %v, %v", again, err)
		}
		if again, err := calls.CreatePlant(ctx, create); err != nil || again.GetDeleteTime() == nil {
			t.Errorf("created again after it was deleted: %v, %v", again, err)
		}
		_, err = calls.UndeletePlant(ctx, &pb.UndeletePlantRequest{Name: p.GetName()})
		must(err)
		if again, err := calls.DeletePlant(ctx, remove); err != nil || again.GetDeleteTime() != nil {
			t.Errorf("a repeated deletion deletes what was brought back: %v, %v", again, err)
		}

		feed := &pb.BatchCreateFeedingsRequest{Parent: p.GetName(), RequestId: "feed", Requests: []*pb.CreateFeedingRequest{
			{FeedingId: "b", Feeding: &pb.Feeding{}}, {FeedingId: "a", Feeding: &pb.Feeding{}}}}
		fed, err := calls.BatchCreateFeedings(ctx, feed)
		must(err)
		voided, err := calls.DeleteFeeding(ctx, &pb.DeleteFeedingRequest{Name: fed.GetFeedings()[1].GetName()})
		must(err)
		fed.Feedings[1] = voided
		if again, err := calls.BatchCreateFeedings(ctx, feed); err != nil || !proto.Equal(fed, again) {
			t.Errorf("fed again: %v, %v; want %v", again, err, fed)
		}
		if list, err := calls.ListFeedings(ctx, &pb.ListFeedingsRequest{Parent: p.GetName(), ShowDeleted: true}); err != nil || len(list.GetFeedings()) != 2 {
			t.Errorf("%d sessions, %v", len(list.GetFeedings()), err)
		}

		token := &pb.CreateTokenRequest{Parent: "growers/me", RequestId: "token", Token: &pb.Token{DisplayName: "Script", Scopes: []string{"manage"}}}
		made, err := calls.CreateToken(ctx, token)
		must(err)
		again, err := calls.CreateToken(ctx, token)
		if err != nil || made.GetSecret() == "" || again.GetSecret() != "" || again.GetName() != made.GetName() {
			t.Errorf("a token made again: secret of %d letters, %q, %v", len(again.GetSecret()), again.GetName(), err)
		}
		_, err = calls.DeleteToken(ctx, &pb.DeleteTokenRequest{Name: made.GetName()})
		must(err)
		if again, err := calls.CreateToken(ctx, token); err != nil || again.GetRevokeTime() == nil || again.GetSecret() != "" {
			t.Errorf("a token made again after it was revoked: %v, %v", again.GetRevokeTime(), err)
		}

		// What failed is not kept: the id is as good as new, also for another body.
		wrong := &pb.CreatePlantRequest{Parent: s.collection, RequestId: "failed", Plant: &pb.Plant{Tag: "Q", Taxon: "taxa/drosera-capensis"}}
		if _, err := calls.CreatePlant(ctx, wrong); reason(err) != "TAG_IN_USE" {
			t.Errorf("a tag that is in use: %v", err)
		}
		right := proto.CloneOf(wrong)
		right.Plant.Tag = "R"
		r, err := calls.CreatePlant(ctx, right)
		must(err)
		if _, err := calls.CreatePlant(ctx, wrong); reason(err) != "REQUEST_ID_REUSED" {
			t.Errorf("the failed request once more: %v", err)
		}
		stale := &pb.UpdatePlantRequest{RequestId: "stale", Plant: &pb.Plant{Name: r.GetName(), Clone: "X", Etag: `"old"`}}
		if _, err := calls.UpdatePlant(ctx, stale); reason(err) != "ETAG_MISMATCH" {
			t.Errorf("a stale etag: %v", err)
		}
		stale.Plant.Etag = r.GetEtag()
		updated, err := calls.UpdatePlant(ctx, stale)
		must(err)
		if again, err := calls.UpdatePlant(ctx, stale); err != nil || !proto.Equal(updated, again) {
			t.Errorf("updated again with an etag that is stale by now: %v, %v", again, err)
		}
		// Of a batch that failed nothing is kept, and nothing of it stands.
		half := &pb.BatchCreateFeedingsRequest{Parent: s.collection + "/plants/-", RequestId: "half", Requests: []*pb.CreateFeedingRequest{
			{Tag: "R", FeedingId: "half", Feeding: &pb.Feeding{}}, {Tag: "none", Feeding: &pb.Feeding{}}}}
		if _, err := calls.BatchCreateFeedings(ctx, half); reason(err) != "PLANT_NOT_FOUND" {
			t.Errorf("a tag that nobody bears: %v", err)
		}
		if _, err := calls.GetFeeding(ctx, &pb.GetFeedingRequest{Name: r.GetName() + "/feedings/half"}); reason(err) != "FEEDING_NOT_FOUND" {
			t.Errorf("half of a batch stands: %v", err)
		}
		half.Requests[1].Tag = "R"
		if answer, err := calls.BatchCreateFeedings(ctx, half); err != nil || len(answer.GetFeedings()) != 2 {
			t.Errorf("the batch once more: %v, %v", answer, err)
		}

		// Access is judged anew: by the grower, to whom the id belongs, and to what it
		// wrote.
		collection := &pb.CreateCollectionRequest{RequestId: "collection", Collection: &pb.Collection{DisplayName: "Sill", TimeZone: "UTC"}}
		c, err := calls.CreateCollection(ctx, collection)
		must(err)
		plant := &pb.CreatePlantRequest{Parent: c.GetName(), RequestId: "plant-in-it", Plant: &pb.Plant{Tag: "P", Taxon: "taxa/drosera-capensis"}}
		_, err = calls.CreatePlant(ctx, plant)
		must(err)
		gone, err := calls.DeleteCollection(ctx, &pb.DeleteCollectionRequest{Name: c.GetName()})
		must(err)
		if _, err := calls.CreatePlant(ctx, plant); reason(err) != "COLLECTION_NOT_FOUND" {
			t.Errorf("a plant made again in a collection that is deleted: %v", err)
		}
		if again, err := calls.CreateCollection(ctx, collection); err != nil || !proto.Equal(gone, again) {
			t.Errorf("a collection made again after it was deleted: %v, %v", again, err)
		}
	})
}

// TestSecretsAreNotKept looks for the secret of a token in every row of the database.
func TestSecretsAreNotKept(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		url := storetest.URL(t, engine)
		d := openStore(t, storetest.Open(t, url), service.Config{})
		made, err := clientsOf(d.conn).CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", RequestId: "r", Token: &pb.Token{DisplayName: "Script", Scopes: []string{"read"}}})
		if err != nil {
			t.Fatal(err)
		}
		raw := openRaw(t, engine, url)
		secret := strings.TrimPrefix(made.GetSecret(), "dwb_")
		for table := range contents(t, raw, engine) {
			for _, row := range allRows(t, raw, "SELECT * FROM "+table) {
				if strings.Contains(row, secret) || strings.Contains(row, strings.TrimPrefix(testSecret, "dwb_")) {
					t.Errorf("the table %s holds a secret", table)
				}
			}
		}
		if strings.Contains(d.log.String(), secret) {
			t.Error("the log holds a secret")
		}
	})
}
