package api

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// plants keeps one plant in memory, and updates it as any service does. It shows
// what comes through the doors.
type plants struct {
	pb.UnimplementedPlantServiceServer
	plant *pb.Plant
	mask  *fieldmaskpb.FieldMask // of the last update
	paths []string               // likewise
	asked int
}

const plantName = "collections/c/plants/p"

func (s *plants) find(name string) error {
	if name != plantName {
		return &service.Error{Reason: service.TaxonNotFound, Message: "there is no " + name}
	}
	return nil
}

func (s *plants) check(ctx context.Context, sent string) error {
	if sent != "" && sent != s.plant.GetEtag() || !service.IfMatch(ctx, s.plant.GetEtag()) {
		return &service.Error{Reason: service.EtagMismatch, Message: "it was changed"}
	}
	return nil
}

func (s *plants) GetPlant(_ context.Context, req *pb.GetPlantRequest) (*pb.Plant, error) {
	return s.plant, s.find(req.GetName())
}

func (s *plants) update(ctx context.Context, place string, req *pb.UpdatePlantRequest) error {
	if err := s.find(req.GetPlant().GetName()); err != nil {
		return err
	}
	if err := s.check(ctx, req.GetPlant().GetEtag()); err != nil {
		return err
	}
	mask, err := service.ReadMask(ctx, req.GetUpdateMask(), s.plant, req.GetPlant(), place)
	if err != nil {
		return err
	}
	changed := proto.CloneOf(s.plant)
	service.Apply(mask, changed, req.GetPlant())
	s.plant, s.mask, s.paths = changed, req.GetUpdateMask(), append(s.paths, mask.Paths()...)
	return nil
}

func (s *plants) UpdatePlant(ctx context.Context, req *pb.UpdatePlantRequest) (*pb.Plant, error) {
	s.paths = nil
	return s.plant, s.update(ctx, "", req)
}

func (s *plants) BatchUpdatePlants(ctx context.Context, req *pb.BatchUpdatePlantsRequest) (*pb.BatchUpdatePlantsResponse, error) {
	s.paths = nil
	for i, r := range req.GetRequests() {
		if err := s.update(ctx, fmt.Sprintf("requests[%d]", i), r); err != nil {
			return nil, err
		}
		s.paths = append(s.paths, "/")
	}
	return &pb.BatchUpdatePlantsResponse{}, nil
}

func (s *plants) CreatePlant(_ context.Context, req *pb.CreatePlantRequest) (*pb.Plant, error) {
	s.asked++
	return req.GetPlant(), nil
}

func (s *plants) DeletePlant(ctx context.Context, req *pb.DeletePlantRequest) (*pb.Plant, error) {
	return s.plant, s.check(ctx, req.GetEtag())
}

func (s *plants) UndeletePlant(ctx context.Context, req *pb.UndeletePlantRequest) (*pb.Plant, error) {
	return s.plant, s.check(ctx, req.GetEtag())
}

// withPlants returns a gateway whose plants are those of the given one, and the
// connection to it.
func withPlants(t testing.TB, s *plants) (*gateway, *inProcess) {
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	validator, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	unary, guard, _ := chain(t.Context(), log, validator, admitAll, maxCall, nil)
	conn := &inProcess{chain: unary, guard: guard, methods: map[string]inProcessMethod{}}
	conn.register(&pb.PlantService_ServiceDesc, s)
	g, err := newGateway(conn, log)
	if err != nil {
		t.Fatal(err)
	}
	return g, conn
}

func somePlant() *pb.Plant {
	return &pb.Plant{
		Name: plantName, Tag: "A1", Clone: "x", WalkOrder: proto.Int32(4), Quantity: 3, Etag: `"k3-12"`,
		Regimen: &pb.Regimen{IntervalDays: proto.Int32(10), DigestDays: proto.Int32(9)},
	}
}

func TestPatch(t *testing.T) {
	for _, c := range []struct {
		query, body string
		paths       string // written, joined by commas
		want        func(*pb.Plant)
	}{
		{"", `{"tag": "B1"}`, "tag", func(p *pb.Plant) { p.Tag = "B1" }},
		{"", `{"walkOrder": 0, "clone": null, "regimen": null}`, "clone,regimen,walkOrder", func(p *pb.Plant) { p.WalkOrder, p.Clone, p.Regimen = proto.Int32(0), "", nil }},
		{"", `{"walk_order": null}`, "walkOrder", func(p *pb.Plant) { p.WalkOrder = nil }},
		{"", `{"clone": ""}`, "clone", func(p *pb.Plant) { p.Clone = "" }},
		{"", `{"regimen": {"intervalDays": 7}}`, "regimen", func(p *pb.Plant) { p.Regimen = &pb.Regimen{IntervalDays: proto.Int32(7)} }},
		{"", `{"name": "collections/c/plants/p", "etag": "\"k3-12\"", "quantity": 3, "tag": "B1"}`, "tag", func(p *pb.Plant) { p.Tag = "B1" }},
		{"updateMask=tag", `{"tag": "B1", "clone": "y", "quantity": 9}`, "tag", func(p *pb.Plant) { p.Tag = "B1" }},
		{"updateMask=tag,walkOrder,regimen.interval_days", `{"regimen": {"intervalDays": 7}, "tag": "B1"}`, "regimen.intervalDays,tag,walkOrder", func(p *pb.Plant) {
			p.Tag, p.WalkOrder, p.Regimen.IntervalDays = "B1", nil, proto.Int32(7)
		}},
		{"update_mask=walk_order", `{}`, "walkOrder", func(p *pb.Plant) { p.WalkOrder = nil }},
		{"updateMask=clone", ``, "clone", func(p *pb.Plant) { p.Clone = "" }},
		{"updateMask=*", `{"tag": "B1"}`, "acquireDate,bench,clone,cultivar,habit,locality,parents,propagation,regimen,scientificName,source,tag,taxon,trapType,walkOrder",
			func(p *pb.Plant) { p.Tag, p.Clone, p.WalkOrder, p.Regimen = "B1", "", nil, nil }},
	} {
		s := &plants{plant: somePlant()}
		g, _ := withPlants(t, s)
		w := serve(g, http.MethodPatch, "/v1/"+plantName+"?"+c.query, nil, []byte(c.body))
		if w.Code != http.StatusOK || strings.Join(s.paths, ",") != c.paths {
			t.Errorf("%s %s: status %d, paths %q: %s", c.query, c.body, w.Code, s.paths, w.Body)
			continue
		}
		want := somePlant()
		c.want(want)
		if diff := cmp.Diff(want, s.plant, protocmp.Transform()); diff != "" {
			t.Errorf("%s %s: %s", c.query, c.body, diff)
		}
		if (s.mask == nil) != (c.query == "") {
			t.Errorf("%s: mask %v", c.query, s.mask)
		}
	}
}

func TestPatchRefuses(t *testing.T) {
	for _, c := range []struct{ query, body, reason, part string }{
		{"", `{}`, "INVALID_UPDATE_MASK", "updateMask: must name what to change"},
		{"", ``, "INVALID_UPDATE_MASK", "updateMask: must name what to change"},
		{"", `{"name": "collections/c/plants/p"}`, "INVALID_UPDATE_MASK", "updateMask: must name what to change"},
		{"", `{"name": "x"}`, "INVALID_FIELDS", "plant.name: must be that of the path, or be left out"},
		{"", `{"name": "collections/c/plants/q", "tag": "B1"}`, "INVALID_FIELDS", "plant.name: must be that of the path, or be left out"},
		{"", `{"name": "collections/c/plants/-", "tag": "B1"}`, "INVALID_FIELDS", "plant.name: must be that of the path, or be left out"},
		{"updateMask=tag", `{"name": "collections/c/plants/p/", "tag": "B1"}`, "INVALID_FIELDS", "plant.name: must be that of the path, or be left out"},
		{"", `{"name": "x", "walkOrder": -1}`, "INVALID_FIELDS", "plant.walkOrder: must be from 0 to 1000000; plant.name: must be that"},
		{"", `{"quantity": 4, "tag": "B1"}`, "INVALID_FIELDS", "plant.quantity: is told by the server"},
		{"", `{"quantity": null}`, "INVALID_FIELDS", "plant.quantity: is told by the server"},
		{"", `{"colour": "red"}`, "MALFORMED_REQUEST", "colour"},
		{"", `{"walkOrder": 1, "walk_order": 2}`, "MALFORMED_REQUEST", "stands twice"},
		{"", `{"tag": "a", "tag": "b"}`, "MALFORMED_REQUEST", "stands twice"},
		{"", `null`, "MALFORMED_REQUEST", ""},
		{"", `[]`, "MALFORMED_REQUEST", ""},
		{"", `{"tag": "a"} {}`, "MALFORMED_REQUEST", ""},
		{"", `{"tag": "a"`, "MALFORMED_REQUEST", ""},
		{"updateMask=", `{"tag": "B1"}`, "INVALID_UPDATE_MASK", "must name a field, or be left out"},
		{"updateMask=colour,quantity", `{}`, "INVALID_UPDATE_MASK", `no field`},
		{"updateMask=tag&updateMask=clone", `{}`, "MALFORMED_REQUEST", "updateMask: stands more than once"},
		{"updateMask=tag&update_mask=clone", `{}`, "MALFORMED_REQUEST", "update_mask: stands more than once"},
		{"updateMask=%ff", `{}`, "MALFORMED_REQUEST", "UTF-8"},
		{"update-mask=tag", `{}`, "UNKNOWN_QUERY_KEY", "requestId, tag, updateMask, validateOnly"},
		{"updateMask.paths=tag", `{}`, "UNKNOWN_QUERY_KEY", ""},
		{"request_id=a", `{}`, "UNKNOWN_QUERY_KEY", ""},
	} {
		s := &plants{plant: somePlant()}
		g, _ := withPlants(t, s)
		w := serve(g, http.MethodPatch, "/v1/"+plantName+"?"+c.query, nil, []byte(c.body))
		checkError(t, w.Body.Bytes())
		if e := errorOf(t, w.Body.Bytes()); w.Code != 400 || errorReason(e) != c.reason || !strings.Contains(w.Body.String(), c.part) {
			t.Errorf("%s %s: status %d: %s", c.query, c.body, w.Code, w.Body)
		}
		if !proto.Equal(s.plant, somePlant()) {
			t.Errorf("%s %s: something was written: %v", c.query, c.body, s.plant)
		}
	}
}

// What path and body both name must be the same, whichever way a route has it.
func TestNameInPathAndBody(t *testing.T) {
	d := open(t)
	const rule = "must be that of the path, or be left out"
	for _, c := range []struct {
		method, target, body, field string // field: "" if nothing is wrong with the name
	}{
		{"PATCH", "/v1/growers/me", `{"name": "growers/grower-a", "contact": "x"}`, ""},
		{"PATCH", "/v1/growers/me", `{"name": "growers/me", "contact": "x"}`, ""},
		{"PATCH", "/v1/growers/grower-a", `{"name": "growers/me", "contact": "x"}`, ""},
		{"PATCH", "/v1/growers/me", `{"name": "", "contact": "x"}`, ""},
		{"PATCH", "/v1/growers/me", `{"name": null, "contact": "x"}`, ""},
		{"PATCH", "/v1/growers/me", `{"name": "growers/grower-b", "contact": "x"}`, "grower.name"},
		{"PATCH", "/v1/growers/me", `{"name": "growers/mean", "contact": "x"}`, "grower.name"},
		{"PATCH", "/v1/collections/c%6C", `{"name": "collections/cl"}`, ""},
		{"PATCH", "/v1/collections/c", `{"name": "collections/C"}`, "collection.name"},
		{"PATCH", "/v1/collections/c/plants/-?tag=a", `{"name": "collections/c/plants/p", "clone": "x"}`, ""},
		{"PATCH", "/v1/collections/c/plants/-?tag=a", `{"name": "collections/d/plants/p", "clone": "x"}`, "plant.name"},
		{"PATCH", "/v1/collections/c/plants/-", `{"name": "collections/c/plants/p", "clone": "x"}`, "plant.name"},
		{"PATCH", "/v1/collections/c/plants/-/feedings/f?tag=a", `{"name": "collections/c/plants/p/feedings/f", "note": "x"}`, ""},
		{"PATCH", "/v1/collections/c/plants/-/feedings/f?tag=a", `{"name": "collections/c/plants/p/feedings/g", "note": "x"}`, "feeding.name"},
		{"POST", "/v1/collections/c/benches/b:undelete", `{"name": "collections/c/benches/b"}`, ""},
		{"POST", "/v1/collections/c/benches/b:undelete", `{"name": "collections/c/benches/a"}`, "name"},
		{"POST", "/v1/collections/c/plants:batchCreate", `{"parent": "collections/d", "requests": [{"plant": {}}]}`, "parent"},
		{"POST", "/v1/collections/c/plants", `{"name": "collections/d/plants/p", "tag": "a"}`, ""}, // the path has no name
	} {
		answer := d.sendRaw(t, c.method, c.target, nil, []byte(c.body))
		told := strings.Contains(string(answer.body), rule)
		if told != (c.field != "") || told && !strings.Contains(string(answer.body), c.field+": "+rule) {
			t.Errorf("%s %s %s: status %d: %s", c.method, c.target, c.body, answer.status, answer.body)
		}
	}
}

// Over gRPC the fields that the message has are written where there is no mask.
func TestPatchOverGRPC(t *testing.T) {
	s := &plants{plant: somePlant()}
	_, conn := withPlants(t, s)
	_, err := pb.NewPlantServiceClient(conn).UpdatePlant(context.Background(), &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: plantName, Tag: "B1"}})
	if err != nil || !slices.Equal(s.paths, []string{"tag"}) {
		t.Errorf("%q, %v", s.paths, err)
	}
	_, err = pb.NewPlantServiceClient(conn).UpdatePlant(context.Background(),
		&pb.UpdatePlantRequest{Plant: &pb.Plant{Name: plantName}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"walk_order", "clone"}}})
	if err != nil || !slices.Equal(s.paths, []string{"clone", "walkOrder"}) || s.plant.WalkOrder != nil {
		t.Errorf("%q, %v", s.paths, err)
	}
	_, err = pb.NewPlantServiceClient(conn).UpdatePlant(context.Background(), &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: plantName, Etag: `"k1"`, Tag: "C"}})
	if status.Code(err) != codes.Aborted || reasonOf(status.Convert(err)) != service.EtagMismatch {
		t.Errorf("%v", err)
	}
}

// Each update of a batch has a mask or fields of its own, in the same spellings as a
// single one.
func TestBatchPatch(t *testing.T) {
	const name = `"name": "` + plantName + `"`
	for _, c := range []struct{ body, paths string }{
		{`{"requests": [{"plant": {` + name + `, "clone": null, "walkOrder": 0}}]}`, "clone,walkOrder,/"},
		{`{"requests": [
			{"plant": {` + name + `, "tag": "B1", "clone": "z"}, "updateMask": "tag"},
			{"update_mask": "walk_order,regimen.intervalDays" , "plant": {` + name + `}},
			{"plant": {` + name + `, "source": null}},
			{"plant": {` + name + `, "source": "s"}, "updateMask": null},
			{"plant": {` + name + `, "tag": "C\"é\\u00e9"}, "updateMask":"\u0074ag"}
		]}`, "tag,/,regimen.intervalDays,walkOrder,/,source,/,source,/,tag,/"},
		{`{"parent": "collections/c", "requests": [{"tag": "x", "plant": {` + name + `, "regimen": {"checkDays": [1, 2]}}}]}`, "regimen,/"},
	} {
		s := &plants{plant: somePlant()}
		g, _ := withPlants(t, s)
		w := serve(g, http.MethodPost, "/v1/collections/c/plants:batchUpdate", nil, []byte(c.body))
		if w.Code != http.StatusOK || strings.Join(s.paths, ",") != c.paths {
			t.Errorf("%s: status %d, paths %q: %s", c.body, w.Code, s.paths, w.Body)
		}
	}
	for _, c := range []struct{ body, reason, part string }{
		{`{"requests": [{"plant": {` + name + `, "tag": "B1"}, "updateMask": ""}]}`, "INVALID_UPDATE_MASK", "must name a field"},
		{`{"requests": [{"plant": {` + name + `, "tag": "B1"}, "updateMask": "tag,*"}]}`, "INVALID_UPDATE_MASK", "stands for all"},
		{`{"requests": [{"plant": {` + name + `}}]}`, "INVALID_UPDATE_MASK", "must name what to change"},
		{`{"requests": [{"plant": {` + name + `, "tag": "B1"}, "updateMask": ["tag"]}]}`, "MALFORMED_REQUEST", ""},
		{`{"requests": [{"plant": {` + name + `, "tag": "B1"}, "updateMask": "tag", "update_mask": "tag"}]}`, "MALFORMED_REQUEST", "stands twice"},
		{`{"requests": [{"plant": {` + name + `, "tag": "B1"}, "updateMask": "tag", "updateMask": "clone"}]}`, "MALFORMED_REQUEST", "stands twice"},
		{`{"requests": [{"plant": {` + name + `}, "updateMask": "tag"}], "requests": []}`, "MALFORMED_REQUEST", "stands twice"},
		{`{"requests": [{"plant": {` + name + `, "colour": 1}}]}`, "MALFORMED_REQUEST", "colour"},
		{`{"requests": [null]}`, "MALFORMED_REQUEST", ""},
		{`{"requests": {"plant": {}}}`, "MALFORMED_REQUEST", ""},
		{`{"requests": [{"plant": {` + name + `}, "updateMask": "tag"`, "MALFORMED_REQUEST", ""},
		{`{"requests": [{"plant": null, "updateMask": "tag"}]}`, "INVALID_FIELDS", "requests[0].plant"},
		{`[]`, "MALFORMED_REQUEST", ""},
		{`{"requests": [` + strings.Repeat(`{"plant": {}, "updateMask": "*"},`, 1500) + `{}]}`, "MALFORMED_REQUEST", ""}, // beyond what is read
		{`{"requests": [` + strings.Repeat(`{"plant": {}, "updateMask": "tag"},`, 1500) + `{}]}`, "INVALID_FIELDS", "at most 1000"},
	} {
		s := &plants{plant: somePlant()}
		g, _ := withPlants(t, s)
		w := serve(g, http.MethodPost, "/v1/collections/c/plants:batchUpdate", nil, []byte(c.body))
		checkError(t, w.Body.Bytes())
		if e := errorOf(t, w.Body.Bytes()); w.Code != 400 || errorReason(e) != c.reason || !strings.Contains(w.Body.String(), c.part) {
			t.Errorf("%.300s: status %d: %s", c.body, w.Code, w.Body)
		}
	}
}

// A body that is a field of the request is read into it, and is not there if it is
// empty.
func TestBodyIsAField(t *testing.T) {
	s := &plants{plant: somePlant()}
	handler, _ := withPlants(t, s)
	w := serve(handler, http.MethodPost, "/v1/collections/c/plants?plantId=p", nil, []byte(`{"tag": "A1", "trapType": "SNAP"}`))
	if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"trapType":"SNAP"`) {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	w = serve(handler, http.MethodPost, "/v1/collections/c/plants", nil, nil)
	if w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), `plant: `) {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	w = serve(handler, http.MethodPost, "/v1/collections/c/plants", nil, []byte(`{"tag": "A1", "trapType": "GLUE"}`))
	if w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), `ADHESIVE, SNAP`) {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	if s.asked != 1 {
		t.Errorf("%d calls came through", s.asked)
	}
}

// The ETag of a resource has two parts, and If-Match looks at the first.
func TestIfMatchOfWrites(t *testing.T) {
	s := &plants{plant: somePlant()}
	g, _ := withPlants(t, s)
	got := serve(g, http.MethodGet, "/v1/"+plantName, nil, nil)
	tag := got.Header().Get("ETag")
	if !strings.HasPrefix(tag, `"k3-12.`) || !plainTag.MatchString(strings.Replace(tag, "k3-12.", "", 1)) {
		t.Fatalf("ETag %s", tag)
	}
	// What the server computes has changed, but nothing that users set.
	s.plant.Quantity++
	again := serve(g, http.MethodGet, "/v1/"+plantName, http.Header{"If-None-Match": {tag, `"k3-12"`}}, nil)
	if again.Code != http.StatusOK || again.Header().Get("ETag") == tag {
		t.Errorf("status %d, ETag %s", again.Code, again.Header().Get("ETag"))
	}
	for _, write := range []struct{ method, target, body string }{
		{http.MethodPatch, "/v1/" + plantName, `{"tag": "B1"}`},
		{http.MethodDelete, "/v1/" + plantName, ``},
		{http.MethodPost, "/v1/" + plantName + ":undelete", `{}`},
	} {
		for value, want := range map[string]int{
			tag: 200, `"k3-12"`: 200, "*": 200, `"x", "k3-12.y"`: 200,
			`"x"`: 412, `"k3-11.x"`: 412, `W/"k3-12"`: 412, "W/" + tag: 412, `"k3"`: 412,
			"k3-12": 400, `"k3-12`: 400, "": 400,
		} {
			w := serve(g, write.method, write.target, http.Header{"If-Match": {value}}, []byte(write.body))
			if w.Code != want {
				t.Errorf("%s with %s: status %d: %s", write.method, value, w.Code, w.Body)
			}
			if want == 412 {
				checkMismatch(t, w.Code, w.Body.Bytes())
			}
		}
		if w := serve(g, write.method, write.target, http.Header{"If-None-Match": {"*"}}, []byte(write.body)); w.Code != 400 {
			t.Errorf("%s with If-None-Match: status %d", write.method, w.Code)
		}
	}
	// Without If-Match it is the etag of the request that fails: 409.
	w := serve(g, http.MethodDelete, "/v1/"+plantName+"?etag="+url.QueryEscape(`"k1"`), nil, nil)
	if e := errorOf(t, w.Body.Bytes()); w.Code != http.StatusConflict || errorReason(e) != "ETAG_MISMATCH" {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	// What is not there is not there (RFC 9110, 13.2.1).
	if w := serve(g, http.MethodPatch, "/v1/collections/c/plants/q", http.Header{"If-Match": {"*"}}, []byte(`{"tag": "B1"}`)); w.Code != http.StatusNotFound {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	// A call that makes something compares no etag, nor does a batch.
	for _, target := range []string{"/v1/collections/c/plants", "/v1/collections/c/plants:batchUpdate"} {
		w := serve(g, http.MethodPost, target, http.Header{"If-Match": {`"k3-12"`}}, []byte(`{}`))
		if w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "If-Match: does not go with this call") {
			t.Errorf("%s: status %d: %s", target, w.Code, w.Body)
		}
	}
}

// What a body says of its keys comes from nowhere else.
func TestNobodyElseSetsBodyFields(t *testing.T) {
	s := &plants{plant: somePlant()}
	header := http.Header{"Grpc-Metadata-Body-Fields": {"clone"}, "Body-Fields": {"clone"}, "Grpc-Metadata-If-Match": {`"x"`}}
	g, _ := withPlants(t, s)
	w := serve(g, http.MethodPatch, "/v1/"+plantName, header, []byte(`{"tag": "B1"}`))
	if w.Code != http.StatusOK || !slices.Equal(s.paths, []string{"tag"}) {
		t.Errorf("status %d, %q", w.Code, s.paths)
	}
}

func FuzzPatchBody(f *testing.F) {
	for _, body := range []string{`{}`, `{"tag": "B1"}`, `{"requests": [{"plant": {"tag": null}, "updateMask": "tag,walk_order"}]}`, `{"requests": [{"updateMask": "*"`, `[[[`, `{"requests": [[]]}`,
		`{"requests": [{"plant": {"name": "collections/c/plants/p", "clone": ""}, "update_mask": "clone"}]}`, `{"a": "\ud800"}`, "\xff"} {
		f.Add(body)
	}
	s := &plants{plant: somePlant()}
	handler, _ := withPlants(f, s)
	f.Fuzz(func(t *testing.T, body string) {
		s.plant = somePlant()
		checkAnswer(t, serve(handler, http.MethodPatch, "/v1/"+plantName, nil, []byte(body)))
		checkAnswer(t, serve(handler, http.MethodPost, "/v1/collections/c/plants:batchUpdate", nil, []byte(body)))
		if s.plant.GetName() != plantName || s.plant.GetQuantity() != 3 || s.plant.GetEtag() != `"k3-12"` {
			t.Errorf("%q wrote %v", body, s.plant)
		}
	})
}

// Every call that updates has a shape, and no other has.
func TestShapes(t *testing.T) {
	shapes := map[string]string{}
	for _, rt := range newServer(t).gateway.routes {
		if shape := rt.updates; shape != nil {
			list := ""
			if shape.batch != nil {
				list = shape.batch.JSONName() + "."
			}
			shapes[string(rt.call.Name())] = list + shape.resource.JSONName() + " " + shape.mask.JSONName()
		}
		if updates := strings.Contains(string(rt.call.Name()), "Update"); updates != (rt.updates != nil) {
			t.Errorf("%s: %v", rt.call.FullName(), rt.updates)
		}
	}
	want := map[string]string{
		"UpdatePlant": "plant updateMask", "BatchUpdatePlants": "requests.plant updateMask",
		"UpdateFeeding": "feeding updateMask", "BatchUpdateFeedings": "requests.feeding updateMask",
		"UpdateObservation": "observation updateMask", "BatchUpdateObservations": "requests.observation updateMask",
		"UpdatePhoto": "photo updateMask",
		"UpdateBench": "bench updateMask", "UpdateCollection": "collection updateMask", "UpdateGrower": "grower updateMask",
		"UpdateSociety": "society updateMask", "UpdateMember": "member updateMask", "UpdateGrant": "grant updateMask",
	}
	if diff := cmp.Diff(want, shapes); diff != "" {
		t.Error(diff)
	}
}
