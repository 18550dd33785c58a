package api

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

func TestReadTags(t *testing.T) {
	for _, c := range []struct {
		lines []string
		want  *entityTags
	}{
		{nil, nil},
		{[]string{"*"}, &entityTags{any: true}},
		{[]string{" * "}, &entityTags{any: true}},
		{[]string{`"a"`}, &entityTags{tags: []entityTag{{"a", false}}}},
		{[]string{`""`}, &entityTags{tags: []entityTag{{"", false}}}},
		{[]string{`W/"a"`}, &entityTags{tags: []entityTag{{"a", true}}}},
		{[]string{`"a,b" ,W/"*",, "c\d"`, ``, `"é"`}, &entityTags{tags: []entityTag{{"a,b", false}, {"*", true}, {`c\d`, false}, {"é", false}}}},
	} {
		got, err := readTags(http.Header{"If-Match": c.lines}, "If-Match")
		if err != nil || (got == nil) != (c.want == nil) || got != nil && (got.any != c.want.any || !slices.Equal(got.tags, c.want.tags)) {
			t.Errorf("%q: %v, %v", c.lines, got, err)
		}
	}
	for _, bad := range []string{"", " ", ",", "a", "k3-12", `"a`, `a"`, `"a" "b"`, `"a"b`, `w/"a"`, `W/a`, `W/`, `W/ "a"`, `*, "a"`, `"a", *`, "**", `"a b"`, "\"a\tb\"", "\"a\x7f\""} {
		got, err := readTags(http.Header{"If-Match": {bad}}, "If-Match")
		var known *service.Error
		if !errors.As(err, &known) || got != nil || known.Reason != malformedRequest || !strings.HasPrefix(known.Message, "If-Match: must be") {
			t.Errorf("%q: %v, %v", bad, got, err)
		}
	}
}

func FuzzIfMatch(f *testing.F) {
	for _, value := range []string{"", "*", `"a"`, `W/"a", "b.c"`, `"a`, ",,", `"é"`, "\"\x00\""} {
		f.Add(value)
	}
	f.Fuzz(func(t *testing.T, value string) {
		tags, err := readTags(http.Header{"If-Match": {value}}, "If-Match")
		if err != nil {
			return
		}
		if tags.any {
			if strings.Trim(value, " \t") != "*" || !slices.Equal(tags.resourceEtags(), []string{"*"}) {
				t.Errorf("%q: %v", value, tags)
			}
			return
		}
		var again []string
		for _, tag := range tags.tags {
			text := `"` + tag.opaque + `"`
			if tag.weak {
				text = "W/" + text
			}
			if !strings.Contains(value, text) || !tags.contain(tag.opaque, true) || !tag.weak && !tags.contain(tag.opaque, false) {
				t.Errorf("%q: %v", value, tag)
			}
			if !tag.weak && !slices.Contains(tags.resourceEtags(), text) {
				t.Errorf("%q: %v", value, tags.resourceEtags())
			}
			again = append(again, text)
		}
		if other, err := readTags(http.Header{"If-Match": again}, "If-Match"); err != nil || !slices.Equal(other.tags, tags.tags) {
			t.Errorf("%q: %v became %v, %v", value, tags, other, err)
		}
	})
}

func TestResourceEtags(t *testing.T) {
	for value, want := range map[string][]string{
		"*": {"*"}, `"k3-12"`: {`"k3-12"`}, `"k3-12.Zm9v"`: {`"k3-12.Zm9v"`, `"k3-12"`}, `W/"k3-12"`: nil, `"Zm9v", "a.b.c"`: {`"Zm9v"`, `"a.b.c"`, `"a.b"`}, `".x"`: {`".x"`},
	} {
		tags, err := readTags(http.Header{"If-Match": {value}}, "If-Match")
		if err != nil || !slices.Equal(tags.resourceEtags(), want) {
			t.Errorf("%s: %q, %v", value, tags.resourceEtags(), err)
		}
	}
}

var plainTag = regexp.MustCompile(`^"[A-Za-z0-9_-]{16}"$`)

// Every answer to a GET has an ETag, the same as long as it is the same, and is not
// sent again to a client that has it (RFC 9110, 13.1.2 and 15.4.5).
func TestNotModified(t *testing.T) {
	d := open(t)
	first, token := d.page(t, 5, "", "genus = Drosera", "")
	if len(first) != 5 || token == "" {
		t.Fatalf("%q", first)
	}
	page := "/v1/taxa?pageSize=5&filter=genus%20%3D%20Drosera"
	seen := map[string]string{}
	for _, target := range []string{"/v1/taxa/dionaea-muscipula", "/v1/taxa/drosera-capensis", "/v1/taxa", page, page + "&pageToken=" + token,
		"/v1/serverInfo", "/healthz", "/openapi.json"} {
		whole := d.sendRaw(t, "GET", target, nil, nil)
		tag := whole.header.Get("ETag")
		if whole.status != http.StatusOK || !plainTag.MatchString(tag) || len(whole.header.Values("ETag")) != 1 {
			t.Fatalf("%s: status %d, ETag %q", target, whole.status, tag)
		}
		if other, twice := seen[tag]; twice {
			t.Errorf("%s and %s have the same ETag", target, other)
		}
		seen[tag] = target
		for _, method := range []string{"GET", "HEAD"} {
			for _, same := range []string{tag, "W/" + tag, `"x", ` + tag, `"x",W/` + tag + `,`, "*"} {
				answer := d.sendRaw(t, method, target, [][2]string{{"If-None-Match", same}}, nil)
				if answer.status != http.StatusNotModified || len(answer.body) > 0 || answer.header.Get("ETag") != tag {
					t.Errorf("%s %s with %s: status %d, ETag %q, %d bytes", method, target, same, answer.status, answer.header.Get("ETag"), len(answer.body))
				}
				if answer.header.Get("Content-Type") != "" || answer.header.Get("Content-Length") != "" || answer.header.Get("X-Request-Id") == "" {
					t.Errorf("%s %s: %v", method, target, answer.header)
				}
			}
			for _, other := range []string{`"x"`, `W/"x"`, `""`, `"` + strings.Trim(tag, `"`) + `x"`} {
				answer := d.sendRaw(t, method, target, [][2]string{{"If-None-Match", other}}, nil)
				if answer.status != http.StatusOK || answer.header.Get("ETag") != tag || method == "GET" && string(answer.body) != string(whole.body) ||
					answer.header.Get("Content-Length") != fmt.Sprint(len(whole.body)) {
					t.Errorf("%s %s with %s: status %d, %v", method, target, other, answer.status, answer.header)
				}
			}
		}
		two := d.sendRaw(t, "GET", target, [][2]string{{"If-None-Match", `"x"`}, {"If-None-Match", tag}}, nil)
		if two.status != http.StatusNotModified {
			t.Errorf("%s with two headers: status %d", target, two.status)
		}
	}
	for _, target := range []string{"/v1/taxa/rosa", "/v1/nothing", "/v1/taxa?pageSize=-1"} {
		if answer := d.sendRaw(t, "GET", target, [][2]string{{"If-None-Match", "*"}}, nil); answer.status < 400 || answer.header.Get("ETag") != "" {
			t.Errorf("%s: status %d, ETag %q", target, answer.status, answer.header.Get("ETag"))
		}
	}
}

// If-Match goes before If-None-Match (RFC 9110, 13.2.2).
func TestIfMatchOfReads(t *testing.T) {
	d := open(t)
	target := "/v1/taxa/dionaea-muscipula"
	tag := d.sendRaw(t, "GET", target, nil, nil).header.Get("ETag")
	for _, c := range []struct {
		ifMatch, ifNoneMatch string
		status               int
	}{
		{tag, "", 200}, {"*", "", 200}, {`"x", ` + tag, "", 200}, {tag, `"x"`, 200}, {tag, tag, 304},
		{`"x"`, "", 412}, {"W/" + tag, "", 412}, {`"x"`, tag, 412},
	} {
		header := [][2]string{{"If-Match", c.ifMatch}}
		if c.ifNoneMatch != "" {
			header = append(header, [2]string{"If-None-Match", c.ifNoneMatch})
		}
		answer := d.sendRaw(t, "GET", target, header, nil)
		if answer.status != c.status {
			t.Errorf("%v: status %d", c, answer.status)
		}
		if c.status == 412 {
			checkMismatch(t, answer.status, answer.body)
		}
	}
}

// checkMismatch tells whether an answer is that to an If-Match that fails.
func checkMismatch(t *testing.T, status int, body []byte) {
	t.Helper()
	checkError(t, body)
	e := errorOf(t, body)
	if code := parseJSON(t, body).(map[string]any)["error"].(map[string]any)["code"]; status != 412 || code != 412.0 || errorReason(e) != "ETAG_MISMATCH" {
		t.Errorf("status %d: %s", status, body)
	}
}

// A condition that cannot be read, or that the call cannot hold to, is refused.
func TestBadConditions(t *testing.T) {
	handler := newServer(t).gateway
	for _, c := range []struct{ method, target, header, value, part string }{
		{"GET", "/v1/taxa/dionaea-muscipula", "If-Match", "k3-12", "If-Match: must be"},
		{"GET", "/v1/taxa/dionaea-muscipula", "If-None-Match", `"a" "b"`, "If-None-Match: must be"},
		{"GET", "/v1/taxa/dionaea-muscipula", "If-None-Match", "", "If-None-Match: must be"},
		{"POST", "/v1/dueFeedings:compute", "If-None-Match", "*", "If-None-Match: goes with GET and HEAD only"},
		{"POST", "/v1/dueFeedings:compute", "If-Match", `"a"`, "If-Match: does not go with this call"},
	} {
		w := serve(handler, c.method, c.target, http.Header{c.header: {c.value}}, []byte(strings.Repeat(askToday, len(c.method)/4)))
		checkError(t, w.Body.Bytes())
		if e := errorOf(t, w.Body.Bytes()); w.Code != 400 || errorReason(e) != "MALFORMED_REQUEST" || !strings.Contains(w.Body.String(), c.part) ||
			!strings.Contains(w.Body.String(), `"field":"`+c.header+`"`) && !strings.Contains(w.Body.String(), `"field": "`+c.header+`"`) {
			t.Errorf("%v: status %d: %s", c, w.Code, w.Body)
		}
	}
	// A path that is not there is not there, whatever the condition.
	if w := serve(handler, "GET", "/v1/nothing", http.Header{"If-Match": {"k"}}, nil); w.Code != 404 {
		t.Errorf("status %d", w.Code)
	}
}

// What is neither JSON nor a calendar goes through as it comes, in parts.
func TestConditionalWriterLetsThrough(t *testing.T) {
	for _, c := range []struct {
		kind   string
		status int
	}{{"text/csv", 200}, {"image/gif", 200}, {"", 200}, {"application/json", 404}, {"application/json", 201}} {
		under := httptest.NewRecorder()
		w := &conditionalWriter{ResponseWriter: under, ifNoneMatch: &entityTags{any: true}, ifMatch: &entityTags{}}
		w.Header().Set("Content-Type", c.kind)
		if c.status != 200 {
			w.WriteHeader(c.status)
		}
		for i, part := range []string{"one", "two"} {
			if _, err := w.Write([]byte(part)); err != nil || under.Body.Len() != 3*(i+1) {
				t.Errorf("%v: %q, %v", c, under.Body, err)
			}
		}
		w.WriteHeader(http.StatusInternalServerError) // too late
		if mismatch, err := w.finish(); mismatch || err != nil || under.Code != c.status || under.Header().Get("ETag") != "" {
			t.Errorf("%v: status %d, %v, %v, %v", c, under.Code, mismatch, err, under.Header())
		}
	}
}

// Every call that takes If-Match holds to it: with an etag that is not the present one
// it changes nothing, with the ETag of a GET it does.
func TestEveryIfMatchIsJudged(t *testing.T) {
	d := open(t)
	send := func(method, target, ifMatch, body string) httpAnswer {
		t.Helper()
		return d.sendRaw(t, method, target, [][2]string{{"If-Match", ifMatch}}, []byte(body))
	}
	create := func(target, body string) string {
		t.Helper()
		answer := send("POST", target, "", body)
		name, _ := parseJSON(t, answer.body).(map[string]any)["name"].(string)
		if answer.status != http.StatusOK || name == "" {
			t.Fatalf("%s: status %d: %s", target, answer.status, answer.body)
		}
		return "/v1/" + name
	}
	collection := create("/v1/collections", `{"displayName":"Home","timeZone":"UTC","visibility":"SHARED"}`)
	bench := create(collection+"/benches?benchId=b", `{"displayName":"Sill"}`)
	plant := create(collection+"/plants?plantId=p", `{"tag":"A1","taxon":"taxa/drosera-capensis"}`)
	other := create(collection+"/plants?plantId=q", `{"tag":"A2","taxon":"taxa/drosera-capensis"}`)
	feeding := create(plant+"/feedings?feedingId=f", `{"fedDate":"2026-05-01"}`)
	observation := create(plant+"/observations?observationId=o", `{"observeDate":"2026-05-01","repotting":{}}`)
	photo := create(plant+"/photos:upload?photoId=ph", string(pictureOf("ph")))
	token := create("/v1/growers/me/tokens", `{"displayName":"a script","scopes":["read"]}`)
	ofOne := create(collection+"/calendars", `{"displayName":"a telephone"}`)
	ofAll := create("/v1/growers/me/calendars", `{"displayName":"a telephone"}`)

	society := create("/v1/societies", `{"displayName":"Bog club"}`)
	inSociety := create(society+"/invitations", `{"role":"MEMBER"}`)
	inCollection := create(collection+"/invitations", `{"role":"VIEWER"}`)
	err := d.store.Write(t.Context(), func(tx *store.Tx) error {
		if _, err := tx.Grower("grower-z").Create("Zoe Marsh", 1); err != nil {
			return err
		}
		s, err := tx.Society(store.Segment(society[len("/v1/"):], "societies"), d.grower)
		if err == nil {
			_, err = s.AddMember("grower-z", pb.Member_ORGANISER, store.By{Us: 1, Grower: d.grower})
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	member := society + "/members/grower-z"
	grant := create(collection+"/grants", `{"grower":"growers/grower-z","role":"VIEWER"}`)

	belongs := `{"plant":"` + strings.TrimPrefix(other, "/v1/") + `"}`
	tried := map[string]bool{}
	// What is below goes first: it is not there once what is above is deleted.
	for _, c := range []struct{ method, at, body string }{
		{"DELETE", ofOne, ""}, {"DELETE", ofAll, ""},
		{"PATCH", grant, `{"role":"KEEPER"}`}, {"DELETE", grant, ""}, {"DELETE", inCollection, ""}, {"DELETE", inSociety, ""},
		{"PATCH", member, `{"role":"MEMBER"}`}, {"DELETE", member, ""}, {"PATCH", society, `{"displayName":"x"}`}, {"DELETE", society, ""},
		{"POST", collection + ":transfer", `{"owner":"growers/me"}`},
		{"PATCH", feeding, `{"note":"x"}`}, {"DELETE", feeding, ""}, {"POST", feeding + ":undelete", "{}"}, {"POST", feeding + ":reassign", belongs},
		{"PATCH", observation, `{"note":"x"}`}, {"DELETE", observation, ""}, {"POST", observation + ":undelete", "{}"}, {"POST", observation + ":reassign", belongs},
		{"PATCH", photo, `{"note":"x"}`}, {"DELETE", photo, ""}, {"POST", photo + ":undelete", "{}"},
		{"PATCH", plant, `{"clone":"x"}`}, {"DELETE", plant, ""}, {"POST", plant + ":undelete", "{}"},
		{"PATCH", bench, `{"displayName":"x"}`}, {"DELETE", bench, ""}, {"POST", bench + ":undelete", "{}"},
		{"PATCH", collection, `{"displayName":"x"}`}, {"DELETE", collection, ""}, {"POST", collection + ":undelete", "{}"},
		{"PATCH", "/v1/growers/me", `{"contact":"x"}`}, {"POST", token + ":rotate", "{}"}, {"DELETE", token, ""},
	} {
		resource, _, _ := strings.Cut(c.at, ":")
		etag := d.sendRaw(t, "GET", resource, nil, nil).header.Get("ETag")
		for _, wrong := range []string{`"nothing"`, "W/" + etag} {
			answer := send(c.method, c.at, wrong, c.body)
			checkMismatch(t, answer.status, answer.body)
			if answer.status != http.StatusPreconditionFailed {
				t.Errorf("%s %s with %s: status %d", c.method, c.at, wrong, answer.status)
			}
		}
		if answer := send(c.method, c.at, `"nothing", `+etag, c.body); answer.status != http.StatusOK {
			t.Errorf("%s %s with %s: status %d: %s", c.method, c.at, etag, answer.status, answer.body)
		}
		if rt, _ := d.server.gateway.findRoute(httptest.NewRequest(c.method, c.at, nil)); rt != nil {
			tried[pathOf(rt)] = true
		}
	}
	routes := d.server.gateway.routes
	for i := range routes {
		if rt := &routes[i]; rt.method != http.MethodGet && rt.takesIfMatch() != tried[pathOf(rt)] {
			t.Errorf("%s: takes If-Match %v, tried %v", pathOf(rt), rt.takesIfMatch(), tried[pathOf(rt)])
		}
	}
}
