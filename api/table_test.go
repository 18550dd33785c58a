package api

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"

	"dewbench/proto"
	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// reasonsOf reads the constants of type Reason out of a file.
func reasonsOf(t *testing.T, file string) []service.Reason {
	t.Helper()
	parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var reasons []service.Reason
	ast.Inspect(parsed, func(n ast.Node) bool {
		spec, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		name := ""
		switch kind := spec.Type.(type) {
		case *ast.Ident:
			name = kind.Name
		case *ast.SelectorExpr:
			name = kind.Sel.Name
		}
		if name != "Reason" {
			return true
		}
		for _, v := range spec.Values {
			literal, ok := v.(*ast.BasicLit)
			if !ok {
				t.Fatalf("%s: a reason that is no text", file)
			}
			text, err := strconv.Unquote(literal.Value)
			if err != nil {
				t.Fatal(err)
			}
			reasons = append(reasons, service.Reason(text))
		}
		return true
	})
	if len(reasons) == 0 {
		t.Fatalf("no reasons in %s", file)
	}
	return reasons
}

func TestTableHasEveryReason(t *testing.T) {
	written := append(reasonsOf(t, "../service/errors.go"), reasonsOf(t, "errors.go")...)
	slices.Sort(written)
	if diff := cmp.Diff(written, slices.Sorted(maps.Keys(table))); diff != "" {
		t.Errorf("constants and table differ (-constants +table):\n%s", diff)
	}
	shape := regexp.MustCompile(`^[A-Z][A-Z_]*[A-Z]$`)
	for reason, k := range table {
		if !shape.MatchString(string(reason)) || k.code == codes.OK || k.help == "" || !strings.HasSuffix(k.help, ".") {
			t.Errorf("%s: %+v", reason, k)
		}
		if k.http != 0 && (k.http < 400 || k.http > 599) {
			t.Errorf("%s: HTTP status %d", reason, k.http)
		}
	}
}

// document is what a client can read about the calls.
type document struct {
	Paths    map[string]map[string]operation
	Security []map[string][]string

	SecurityDefinitions map[string]struct{ Type, In, Name string }
}

type operation struct {
	OperationID string `json:"operationId"`
	Parameters  []struct{ Name, In string }
	Security    *[]map[string][]string
	Responses   map[string]struct {
		Schema  any
		Headers map[string]any
	}
}

// named returns the names of the parameters in a place, in order.
func (o *operation) named(place string) []string {
	names := []string{}
	for _, p := range o.Parameters {
		if p.In == place {
			names = append(names, p.Name)
		}
	}
	slices.Sort(names)
	return names
}

// readDocument returns the calls of the OpenAPI document by method and path, as
// pathOf writes it.
func readDocument(t *testing.T) (*document, map[string]operation) {
	t.Helper()
	doc := &document{}
	if err := json.Unmarshal(proto.OpenAPI, doc); err != nil {
		t.Fatal(err)
	}
	told := map[string]operation{}
	for path, methods := range doc.Paths {
		for method, op := range methods {
			told[strings.ToUpper(method)+" "+segment.ReplaceAllString(path, "*")] = op
		}
	}
	return doc, told
}

// pathOf writes the method and the path of a route, with * for what is variable.
func pathOf(rt *route) string {
	path := strings.Join(rt.parts, "/")
	if rt.verb != "" {
		path += ":" + rt.verb
	}
	return rt.method + " /" + path
}

var segment = regexp.MustCompile(`\{[^}]*\}`)

// TestMuxAgreesWithDocument walks the mux: every route stands in the OpenAPI
// document with its method, path and query keys, and nothing else does.
func TestMuxAgreesWithDocument(t *testing.T) {
	_, operations := readDocument(t)
	told := map[string][]string{}
	for route, op := range operations {
		told[route] = op.named("query")
	}
	d := open(t)
	served := map[string][]string{}
	routed := map[string]bool{}
	for i := range d.server.gateway.routes {
		rt := &d.server.gateway.routes[i]
		served[pathOf(rt)] = append([]string{}, rt.keys...)
		routed[rt.fullName] = true
	}
	if diff := cmp.Diff(told, served); diff != "" {
		t.Errorf("document and mux differ (-document +mux):\n%s", diff)
	}
	for name, info := range d.server.grpc.GetServiceInfo() {
		if strings.HasPrefix(name, "grpc.") {
			continue // the standard services have no JSON
		}
		for _, m := range info.Methods {
			method := "/" + name + "/" + m.Name
			if method == pb.PhotoService_UploadPhoto_FullMethodName {
				continue // over HTTP the body of CreatePhoto may be as large
			}
			if _, ok := d.server.conn.methods[method]; !ok || m.IsClientStream || m.IsServerStream || !routed[method] {
				t.Errorf("%s cannot be called over HTTP", method)
			}
		}
	}
	// And each is really there, the other methods of its path are not, and neither is a
	// verb that it lacks.
	for route := range served {
		method, path, _ := strings.Cut(route, " ")
		target := strings.ReplaceAll(path, "*", "x")
		answer := d.sendRaw(t, method, target, nil, nil)
		if reason := errorReason(errorOf(t, answer.body)); reason == "UNKNOWN_ROUTE" || reason == "METHOD_NOT_ALLOWED" || answer.status >= 500 {
			t.Errorf("%s: status %d %s", route, answer.status, reason)
		}
		want := allowedAt(served, path)
		for _, other := range []string{http.MethodDelete, http.MethodGet, http.MethodPatch, http.MethodPost, http.MethodPut, http.MethodOptions} {
			if _, ok := served[other+" "+path]; !ok {
				answer := d.sendRaw(t, other, target, nil, nil)
				if allow := answer.header.Get("Allow"); answer.status != http.StatusMethodNotAllowed || allow != want {
					t.Errorf("%s %s: status %d, Allow %q, want %q", other, path, answer.status, allow, want)
				}
			}
			for _, wrong := range []string{target + ":x", target + ":", target + "/x:x", target + ":undelete:x"} {
				if answer := d.sendRaw(t, other, wrong, nil, nil); answer.status != http.StatusNotFound || answer.header.Get("Allow") != "" {
					t.Errorf("%s %s: status %d", other, wrong, answer.status)
				}
			}
		}
	}
}

// Every call has a row in the table of access and every row a call; and the OpenAPI
// document says of each whether it needs a token, as the table does.
func TestAccessAgreesWithDocument(t *testing.T) {
	doc, told := readDocument(t)
	s := newServer(t)
	calls := append(slices.Collect(maps.Keys(s.conn.methods)), pb.PhotoService_UploadPhoto_FullMethodName) // a stream, see TestStreamHasTheRuleOfItsCall
	if diff := cmp.Diff(slices.Sorted(slices.Values(calls)), slices.Sorted(maps.Keys(service.Rules))); diff != "" {
		t.Errorf("calls and table of access differ (-calls +table):\n%s", diff)
	}
	if scheme := doc.SecurityDefinitions["token"]; len(doc.SecurityDefinitions) != 1 || scheme.Type != "apiKey" || scheme.In != "header" || scheme.Name != "Authorization" {
		t.Errorf("security definitions: %v", doc.SecurityDefinitions)
	}
	open, closed := []map[string][]string{}, []map[string][]string{{"token": {}}}
	for i := range s.gateway.routes {
		rt := &s.gateway.routes[i]
		rule, known := service.Rules[rt.fullName]
		op, inDocument := told[pathOf(rt)]
		if !known || !inDocument {
			t.Errorf("%s: row in the table of access %v, in the document %v", pathOf(rt), known, inDocument)
			continue
		}
		security, want := doc.Security, closed
		if op.Security != nil {
			security = *op.Security
		}
		noToken := rule.Open || rule.Secret
		if noToken {
			want = open
		}
		if diff := cmp.Diff(want, security); diff != "" {
			t.Errorf("%s: security differs (-table +document):\n%s", pathOf(rt), diff)
		}
		if _, challenged := op.Responses["401"].Headers["WWW-Authenticate"]; challenged == noToken {
			t.Errorf("%s: 401 is in the document: %v", pathOf(rt), challenged)
		}
		if noToken == (rule.Scope != "") || rule.Open && rule.Secret || !noToken && !slices.Contains(service.Scopes, rule.Scope) {
			t.Errorf("%s: %+v", rt.fullName, rule)
		}
		// What only reads asks for no more than to read, but for tokens, identities and calendars.
		// What is posted to be worked out, and kept nowhere, reads.
		worksOut := rt.fullName == pb.DueService_ComputeDue_FullMethodName || rt.fullName == pb.PhotoService_MeasureRosette_FullMethodName
		if reads := rt.method == http.MethodGet; !noToken && reads != (rule.Scope == service.ScopeRead) &&
			!keepsSecrets.MatchString(rt.fullName) && !worksOut {
			t.Errorf("%s %s asks for the scope %s", rt.method, rt.fullName, rule.Scope)
		}
	}
}

// The document tells the conditions that a call takes, and the entity tag of what it
// answers, as the door has them.
func TestConditionsAgreeWithDocument(t *testing.T) {
	_, told := readDocument(t)
	routes := newServer(t).gateway.routes
	for i := range routes {
		rt := &routes[i]
		op := told[pathOf(rt)]
		isGet := rt.method == http.MethodGet
		want := []string{}
		if isGet || rt.takesIfMatch() {
			want = append(want, "If-Match")
		}
		if isGet {
			want = append(want, "If-None-Match")
		}
		if diff := cmp.Diff(want, op.named("header")); diff != "" {
			t.Errorf("%s: headers differ (-door +document):\n%s", pathOf(rt), diff)
		}
		_, tagged := op.Responses["200"].Headers["ETag"]
		_, notModified := op.Responses["304"]
		_, mismatch := op.Responses["412"]
		if tagged != isGet || notModified != isGet || mismatch != (len(want) > 0) {
			t.Errorf("%s: ETag %v, 304 %v, 412 %v", pathOf(rt), tagged, notModified, mismatch)
		}
		if updatesOne := rt.updates != nil && rt.updates.batch == nil; updatesOne != slices.Contains(op.named("query"), maskKey) {
			t.Errorf("%s: query keys %q", pathOf(rt), op.named("query"))
		}
	}
}

// What the document refers to is in it, and no call has two parameters of a name in
// the same place.
func TestDocumentIsWhole(t *testing.T) {
	var whole map[string]any
	if err := json.Unmarshal(proto.OpenAPI, &whole); err != nil {
		t.Fatal(err)
	}
	definitions, _ := whole["definitions"].(map[string]any)
	var look func(any)
	look = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, e := range v {
				look(e)
			}
		case map[string]any:
			if ref, ok := v["$ref"].(string); ok && definitions[strings.TrimPrefix(ref, "#/definitions/")] == nil {
				t.Errorf("%s is not there", ref)
			}
			for _, e := range v {
				look(e)
			}
		}
	}
	look(whole)
	_, told := readDocument(t)
	ids := map[string]string{}
	for route, op := range told {
		if other, twice := ids[op.OperationID]; twice {
			t.Errorf("%s and %s are both %s", route, other, op.OperationID)
		}
		ids[op.OperationID] = route
		seen := map[string]bool{}
		for _, p := range op.Parameters {
			if seen[p.In+" "+p.Name] {
				t.Errorf("%s has %s twice in %s", route, p.Name, p.In)
			}
			seen[p.In+" "+p.Name] = true
		}
		if got := len(op.named("path")); got != strings.Count(route, "*") {
			t.Errorf("%s tells %d variables of the path", route, got)
		}
	}
}

// allowedAt returns the methods of a path as Allow lists them.
func allowedAt(served map[string][]string, path string) string {
	var methods []string
	for route := range served {
		if method, of, _ := strings.Cut(route, " "); of == path {
			methods = append(methods, method)
		}
	}
	if slices.Contains(methods, http.MethodGet) {
		methods = append(methods, http.MethodHead)
	}
	slices.Sort(methods)
	return strings.Join(methods, ", ")
}

// errorOf returns the error in a body, if it holds one.
func errorOf(t testing.TB, body []byte) map[string]any {
	t.Helper()
	whole, _ := parseJSON(t, body).(map[string]any)
	e, _ := whole["error"].(map[string]any)
	return e
}

// The limits that the server tells are those of the proto files.
func TestLimitsAgreeWithRules(t *testing.T) {
	d := open(t)
	for name, c := range map[string]struct {
		body string
		ok   bool
	}{
		"most plants":        {plantsBody(service.MaxComputePlants), true},
		"a plant more":       {plantsBody(service.MaxComputePlants + 1), false},
		"most events":        {eventsBody(service.MaxComputeEventsPerPlant), true},
		"an event more":      {eventsBody(service.MaxComputeEventsPerPlant + 1), false},
		"longest horizon":    {`{"asOfDate":"2026-05-11","horizonDays":` + strconv.Itoa(service.MaxHorizonDays) + `}`, true},
		"a day more ahead":   {`{"asOfDate":"2026-05-11","horizonDays":` + strconv.Itoa(service.MaxHorizonDays+1) + `}`, false},
		"the usual horizon":  {`{"asOfDate":"2026-05-11"}`, true},
		"latest day":         {`{"asOfDate":"9990-12-31"}`, true},
		"after the last day": {`{"asOfDate":"9991-01-01"}`, false},
	} {
		if code, answer := d.post(t, "/v1/dueFeedings:compute", []byte(c.body)); (code == http.StatusOK) != c.ok {
			t.Errorf("%s: status %d, %.300s", name, code, answer)
		}
	}
}

func plantsBody(n int) string {
	var b strings.Builder
	for i := range n {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`{"key":"` + strconv.Itoa(i) + `"}`)
	}
	return `{"asOfDate":"2026-05-11","plants":[` + b.String() + `]}`
}

func eventsBody(n int) string {
	return `{"asOfDate":"2026-05-11","plants":[{"key":"a","trapType":"SNAP","feedings":[` +
		strings.Repeat(`{"fedDate":"2026-05-01"},`, n-1) + `{"fedDate":"2026-05-01"}]}]}`
}
