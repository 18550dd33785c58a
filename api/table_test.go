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
	Paths map[string]map[string]struct {
		OperationID string `json:"operationId"`
		Parameters  []struct{ Name, In string }
	}
}

var segment = regexp.MustCompile(`\{[^}]*\}`)

// TestMuxAgreesWithDocument walks the mux: every route stands in the OpenAPI
// document with its method, path and query keys, and nothing else does.
func TestMuxAgreesWithDocument(t *testing.T) {
	var doc document
	if err := json.Unmarshal(proto.OpenAPI, &doc); err != nil {
		t.Fatal(err)
	}
	told := map[string][]string{}
	for path, methods := range doc.Paths {
		for method, op := range methods {
			keys := []string{}
			for _, p := range op.Parameters {
				if p.In == "query" {
					keys = append(keys, p.Name)
				}
			}
			slices.Sort(keys)
			told[strings.ToUpper(method)+" "+segment.ReplaceAllString(path, "*")] = keys
		}
	}
	d := open(t)
	served := map[string][]string{}
	routed := map[string]bool{}
	for _, r := range d.server.gateway.routes {
		path := segment.ReplaceAllStringFunc(r.path, func(s string) string {
			if _, pattern, ok := strings.Cut(strings.Trim(s, "{}"), "="); ok {
				return pattern
			}
			return "*"
		})
		served[r.method+" "+path] = append([]string{}, r.keys...)
		routed["/"+string(r.call.Parent().FullName())+"/"+string(r.call.Name())] = true
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
