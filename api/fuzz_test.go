package api

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"io/fs"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// seedBodies are the bodies of the golden requests.
func seedBodies(f *testing.F) [][]byte {
	f.Helper()
	var bodies [][]byte
	err := filepath.WalkDir("../testdata/rpc/ComputeDue", func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		var p pair
		if err := json.Unmarshal(text, &p); err != nil {
			return err
		}
		if p.HTTP != nil && len(p.HTTP.Parts) == 0 && p.HTTP.Hex == "" {
			bodies = append(bodies, append([]byte(p.HTTP.Text), p.HTTP.Body...))
		}
		return nil
	})
	if err != nil {
		f.Fatal(err)
	}
	if len(bodies) < 50 {
		f.Fatalf("%d seeds", len(bodies))
	}
	return bodies
}

// serve answers without a network. A request without the header Authorization gets
// the token of the tests.
func serve(handler http.Handler, method, target string, header http.Header, body []byte) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, "/", bytes.NewReader(body))
	u, err := url.ParseRequestURI(target)
	if err != nil {
		u = &url.URL{Path: target}
	}
	r.URL = u
	r.Header.Set("Authorization", "Bearer "+testSecret)
	maps.Copy(r.Header, header)
	w := httptest.NewRecorder()
	handler.ServeHTTP(w, r)
	return w
}

// checkAnswer: any request has an answer, or an error that is its own fault.
func checkAnswer(t *testing.T, w *httptest.ResponseRecorder) {
	t.Helper()
	switch {
	case w.Code == http.StatusOK:
		if !utf8.Valid(w.Body.Bytes()) {
			t.Error("the answer is not UTF-8")
		}
		parseJSON(t, w.Body.Bytes())
	case w.Code >= 400 && w.Code < 500:
		checkErrorOf(t, w.Body.Bytes())
	default:
		t.Errorf("status %d: %.500s", w.Code, w.Body)
	}
}

// checkErrorOf is checkError for requests whose own words may be anything, also
// those that look like ours.
func checkErrorOf(t *testing.T, body []byte) {
	t.Helper()
	e := errorOf(t, body)
	if _, known := table[service.Reason(errorReason(e))]; !known || len(body) > maxErrorBytes*8 {
		t.Errorf("%d bytes: %.500s", len(body), body)
	}
}

func FuzzComputeBody(f *testing.F) {
	for _, body := range seedBodies(f) {
		f.Add(body)
	}
	handler := newServer(f).gateway
	f.Fuzz(func(t *testing.T, body []byte) {
		w := serve(handler, http.MethodPost, "/v1/dueFeedings:compute", nil, body)
		checkAnswer(t, w)
		again := serve(handler, http.MethodPost, "/v1/dueFeedings:compute", nil, body)
		if w.Code != again.Code {
			t.Errorf("status %d, then %d", w.Code, again.Code)
		}
		if w.Code != http.StatusOK {
			return
		}
		rows := readRows(t, w.Body.Bytes())
		for i := range rows {
			checkRow(t, &rows[i])
		}
	})
}

func packed(f *testing.F, text string) []byte {
	f.Helper()
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	if _, err := w.Write([]byte(text)); err != nil {
		f.Fatal(err)
	}
	if err := w.Close(); err != nil {
		f.Fatal(err)
	}
	return out.Bytes()
}

func FuzzGzipBody(f *testing.F) {
	f.Add([]byte{0x1f, 0x8b})
	f.Add([]byte{})
	f.Add(packed(f, askToday))
	f.Add(append(packed(f, askToday), packed(f, " ")...))
	handler := newServer(f).gateway
	f.Fuzz(func(t *testing.T, body []byte) {
		checkAnswer(t, serve(handler, http.MethodPost, "/v1/dueFeedings:compute", http.Header{"Content-Encoding": {"gzip"}}, body))
	})
}

func FuzzTarget(f *testing.F) {
	for _, target := range []string{"/", "/v1/taxa/a%2Fb", "/v1/taxa/%ff", "//", "/v1/taxa?filter=%00&pageSize=1", "/v1/taxa/x:y", "/:compute", "*", "/v1/taxa?%"} {
		f.Add(target, http.MethodGet)
		f.Add(target, http.MethodPost)
	}
	for _, target := range []string{
		"/v1/collections/c/plants/p:explainDue", "/v1/collections/c/plants/-:explainDue?tag=a", "/v1/collections/c/plants/p%3AexplainDue",
		"/v1/collections/c/plants/p:undelete", "/v1/collections/c/plants/:undelete", "/v1/collections/c/plants/p:undelete:explainDue",
		"/v1/collections/c/plants:batchCreate", "/v1/collections/c:undelete", "/v1/growers/me/tokens/t:", "/v1/growers/me?updateMask=contact",
		"/v1/collections/c/plants/p/photos:upload?photoId=q&takenDate=2026-05-01", "/v1/collections/c/plants/-/photos:strip?tag=a&most=1", "/v1/collections/c/plants/p/photos:",
		"/v1/collections/c/plants/p/photos/q/content?rendition=SMALL&offset=1", "/v1/collections/c/plants/p/photos/q:measureRosette",
	} {
		for _, method := range []string{http.MethodGet, http.MethodPost, http.MethodPatch, http.MethodDelete} {
			f.Add(target, method)
		}
	}
	f.Add("/v1/taxa", "BREW")
	handler := newServer(f).gateway
	f.Fuzz(func(t *testing.T, target, method string) {
		if method == "" || strings.Trim(method, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" || method == http.MethodHead {
			return // net/http lets no such method in; a HEAD's body it leaves out
		}
		checkAnswer(t, serve(handler, method, target, nil, nil))
	})
}

// unfit tells whether text is refused before it is read.
func unfit(text string, most int) bool {
	return utf8.RuneCountInString(text) > most || strings.ContainsRune(text, 0)
}

func FuzzFilter(f *testing.F) {
	for _, filter := range []string{
		"", "genus = Drosera", `scientificName : "a" AND rank != GENUS`, "a AND", "NOT a = b", "a.b = c", `genus = "\""`, "genus=(a)", "-genus=a",
		"genus:*", "f(x) = y", "1 = genus", "genus = 1.5", "genus = true", "((((genus=a))))", "genus = a genus = b", `genus = "\x00"`, "trapType = 1",
		"genus = duration(\"1s\")", "genus < a", strings.Repeat("(", 500),
	} {
		f.Add(filter)
	}
	taxa := pb.NewTaxonServiceClient(within(newServer(f)))
	all, err := taxa.ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 1000})
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, filter string) {
		got, err := taxa.ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 1000, Filter: filter})
		if err != nil {
			if reason := reasonOf(status.Convert(err)); reason != service.InvalidFilter && (reason != service.InvalidFields || !unfit(filter, 2000)) {
				t.Errorf("%q: %v", filter, err)
			}
			if len(status.Convert(err).Message()) > maxErrorBytes {
				t.Errorf("%q: an error of %d bytes", filter, len(status.Convert(err).Message()))
			}
			return
		}
		// What is found is part of the list, in its order.
		rest := all.GetTaxa()
		for _, x := range got.GetTaxa() {
			at := slices.IndexFunc(rest, func(o *pb.Taxon) bool { return o.GetName() == x.GetName() })
			if at < 0 {
				t.Fatalf("%q found %s, out of order or twice", filter, x.GetName())
			}
			rest = rest[at+1:]
		}
	})
}

func FuzzOrderBy(f *testing.F) {
	for _, orderBy := range []string{"", "genus", "genus desc", "genus desc,scientificName", ",", "genus  desc", "genus asc", "a.b", "genus,genus", "ü", " ", "genus\x00"} {
		f.Add(orderBy)
	}
	taxa := pb.NewTaxonServiceClient(within(newServer(f)))
	f.Fuzz(func(t *testing.T, orderBy string) {
		got, err := taxa.ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 3, OrderBy: orderBy})
		if err != nil {
			if reason := reasonOf(status.Convert(err)); reason != service.InvalidOrder && (reason != service.InvalidFields || !unfit(orderBy, 200)) {
				t.Errorf("%q: %v", orderBy, err)
			}
			return
		}
		if len(got.GetTaxa()) != 3 {
			t.Errorf("%q: %d rows", orderBy, len(got.GetTaxa()))
		}
	})
}

func FuzzPageToken(f *testing.F) {
	taxa := pb.NewTaxonServiceClient(within(newServer(f)))
	first, err := taxa.ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 1})
	if err != nil {
		f.Fatal(err)
	}
	for _, token := range []string{"", first.GetNextPageToken(), "AAAA", "=", "\x00", strings.Repeat("A", 100), "taxa/drosera"} {
		f.Add(token)
	}
	f.Fuzz(func(t *testing.T, token string) {
		if token == "" || strings.NewReplacer("\r", "", "\n", "").Replace(token) == first.GetNextPageToken() {
			return
		}
		_, err := taxa.ListTaxa(context.Background(), &pb.ListTaxaRequest{PageSize: 1, PageToken: token})
		if reason := reasonOf(status.Convert(err)); reason != service.InvalidPageToken && (reason != service.InvalidFields || !unfit(token, 2000)) {
			t.Errorf("%q opened a page, or broke: %v", token, err)
		}
	})
}

func FuzzRequestID(f *testing.F) {
	for _, id := range []string{"", "a", strings.Repeat("a", 64), strings.Repeat("a", 65), "a b", "ü", "a\n", "\x00", "a,b", `"`} {
		f.Add(id)
	}
	handler := newServer(f).gateway
	f.Fuzz(func(t *testing.T, id string) {
		w := serve(handler, http.MethodGet, "/healthz", http.Header{"X-Request-Id": {id}}, nil)
		got := w.Header().Values("X-Request-Id")
		if w.Code != http.StatusOK || len(got) != 1 || !goodRequestID.MatchString(got[0]) {
			t.Errorf("%q: status %d, %q", id, w.Code, got)
		}
		plain := len(id) >= 1 && len(id) <= 64 && strings.Trim(id, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-") == ""
		if (got[0] == id) != plain {
			t.Errorf("asked for %q, got %q", id, got[0])
		}
	})
}

func FuzzGRPCMessage(f *testing.F) {
	raw, err := proto.Marshal(someRequest())
	if err != nil {
		f.Fatal(err)
	}
	for i := range raw {
		f.Add(raw[:i])
	}
	f.Add(raw)
	f.Add([]byte{0xff, 0xff, 0xff, 0xff})
	f.Add([]byte{0x0a, 0x02, 0xff, 0xfe})
	f.Add(bytes.Repeat([]byte{0x42, 0x00}, 1001))
	d := open(f)
	f.Fuzz(func(t *testing.T, message []byte) {
		for _, method := range []string{pb.DueService_ComputeDue_FullMethodName, pb.TaxonService_ListTaxa_FullMethodName} {
			_, _, err := d.callRaw(context.Background(), method, message)
			switch s := status.Convert(err); s.Code() {
			case codes.OK:
			case codes.InvalidArgument, codes.NotFound:
				if _, known := table[reasonOf(s)]; !known {
					t.Errorf("%s: %v without a reason", method, err)
				}
			default:
				t.Errorf("%s: %v", method, err)
			}
		}
	})
}

// FuzzPlaceAt looks for a place in any text: it is found or not, and that ends.
func FuzzPlaceAt(f *testing.F) {
	f.Add([]byte(`{"requests": [{}, {"plant": {"tag": 7}}]}`), 2, 9)
	f.Add([]byte("{\n\"a\": [[1], {\"b\": null}]}"), 2, 13)
	f.Add([]byte("[{,"), 1, 1)
	message := (&pb.BatchUpdatePlantsRequest{}).ProtoReflect().Descriptor()
	f.Fuzz(func(t *testing.T, text []byte, line, column int) {
		at := offsetOf(text, line, column)
		if at < 0 || at > len(text) {
			t.Fatalf("the offset %d lies outside of %d bytes", at, len(text))
		}
		placeAt(text, at, message)
	})
}
