package api

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// nextLink reads a Link header as RFC 8288 has it, for the relation next.
var nextLink = regexp.MustCompile(`^<([^>]+)>; rel="next"$`)

// TestTablesOverHTTP brings tables in as they are, and follows the links of those given
// out.
func TestTablesOverHTTP(t *testing.T) {
	d := openFixture(t, store.SQLite)
	const importing = "/v1/collections/house/plants:import"
	post := func(target, contentType, body string, header ...[2]string) (int, map[string]any) {
		t.Helper()
		answer := d.sendRaw(t, http.MethodPost, target, append(header, [2]string{"Content-Type", contentType}), []byte(body))
		m, _ := parseJSON(t, answer.body).(map[string]any)
		if answer.header.Get("Content-Type") != "application/json" {
			t.Errorf("%s %s: %s", target, contentType, answer.header.Get("Content-Type"))
		}
		return answer.status, m
	}
	source := func(tag string) string {
		t.Helper()
		p, err := clientsOf(d.conn).GetPlant(t.Context(), &pb.GetPlantRequest{Name: "collections/house/plants/-", Tag: tag})
		if err != nil {
			t.Fatal(err)
		}
		return p.GetSource()
	}
	utf16 := "\xff\xfe"
	for _, r := range "Tag,Name,Source\nH4,Drosera capensis,Bär\n" {
		utf16 += string([]byte{byte(r), byte(r >> 8)})
	}
	for i, c := range []struct{ contentType, target, body string }{
		{"text/csv", importing, "Tag,Name,Source\nH0,Drosera capensis,Bär\n"},
		{"text/csv; charset=UTF-8; header=present", importing, "\xef\xbb\xbfTag,Name,Source\nH1,Drosera capensis,Bär\n"},
		{"Text/CSV; charset=windows-1252", importing, "Tag;Name;Source\r\nH2;Drosera capensis;B\xe4r\r\n"},
		{"text/csv", importing + "?charset=WINDOWS_1252", "Tag\tName\tSource\nH3\tDrosera capensis\tB\xe4r\n"},
		{"text/csv; charset=utf-16", importing, utf16},
		{"application/json", importing, `{"csv":"VGFnLE5hbWUsU291cmNlCkg1LERyb3NlcmEgY2FwZW5zaXMsQsOkcgo="}`},
	} {
		status, m := post(c.target, c.contentType, c.body)
		if status != http.StatusOK || source(fmt.Sprint("H", i)) != "Bär" {
			t.Errorf("%s: %d %v, source %q", c.contentType, status, m, source(fmt.Sprint("H", i)))
		}
	}
	for _, c := range []struct{ contentType, target, body, want string }{
		{"text/csv; charset=koi8-r", importing, "Tag,Name\n", "charset"},
		{"text/csv; charset=windows-1252", importing + "?charset=WINDOWS_1252", "Tag,Name\n", "is told by Content-Type already"},
		{"text/csv", importing + "?csv=abc", "Tag,Name\n", "csv: is not a query key of this call: it is a field of the body"},
		{"text/csv", importing + "?dateOrder=DMY", "Tag,Name\n", "dateOrder: must be one of DAY_FIRST, MONTH_FIRST"},
		{"application/json", importing + "?validateOnly=true", "{}",
			"validateOnly: is not a query key of this call: it is a field of the body: send a table as it is with the header Content-Type: text/csv"},
		{"text/csv", importing, "Tag,Name\nB\xe4r,x\n", "is not UTF-8"},
		{"text/csv", "/v1/collections/house/plants", "Tag,Name\n", "invalid value Tag"},
		{"application/json", importing, "Tag,Name\n", "send a table as it is with the header Content-Type: text/csv"},
		{"text/csv", importing, "PK\x03\x04", "is a workbook, not text"},
		{"text/csv", importing, strings.Repeat("{", service.MaxRequestBytes+1), "larger than"},
	} {
		status, m := post(c.target, c.contentType, c.body)
		message, _ := m["error"].(map[string]any)["message"].(string)
		if status < 400 || status >= 500 || !strings.Contains(message, c.want) {
			t.Errorf("%s to %s: %d %q, want %q", c.contentType, c.target, status, message, c.want)
		}
	}

	get := func(target, accept string) httpAnswer {
		t.Helper()
		return d.sendRaw(t, http.MethodGet, target, [][2]string{{"Accept", accept}}, nil)
	}
	for _, what := range []string{"plants", "feedings", "observations"} {
		whole := get("/v1/collections/house/"+what+":export", "text/csv")
		d.server.gateway.page.Store(2)
		if again := get("/v1/collections/house/"+what+":export", "text/csv"); !bytes.Equal(again.body, whole.body) || again.header.Get("Link") != "" {
			t.Errorf("%s: read by twos\n%s\nand at once\n%s", what, again.body, whole.body)
		}
		d.server.gateway.page.Store(10_000)
		var pages bytes.Buffer
		for target := "/v1/collections/house/" + what + ":export?pageSize=3"; ; {
			page := get(target, "text/csv;q=0.9, text/html;q=0.1")
			if page.status != http.StatusOK || page.header.Get("Content-Type") != "text/csv; charset=utf-8" || page.header.Get("Vary") != "Accept" ||
				page.header.Get("Content-Disposition") != fmt.Sprintf("attachment; filename=%q", what+".csv") {
				t.Fatalf("%s: %d %v", target, page.status, page.header)
			}
			pages.Write(page.body)
			link := page.header.Get("Link")
			if link == "" {
				break
			}
			next := nextLink.FindStringSubmatch(link)
			if next == nil {
				t.Fatalf("Link %q", link)
			}
			target = next[1]
		}
		if !bytes.Equal(whole.body, pages.Bytes()) {
			t.Errorf("%s: pages\n%s\nand as a whole\n%s", what, pages.Bytes(), whole.body)
		}
		var answer struct{ Csv string }
		plain := get("/v1/collections/house/"+what+":export", "*/*")
		if err := json.Unmarshal(plain.body, &answer); err != nil || answer.Csv != string(whole.body) || plain.header.Get("ETag") == "" {
			t.Errorf("%s as JSON: %v %s", what, err, plain.body)
		}
		// What is given out as it is, is taken as it is.
		status, m := post("/v1/collections/house/"+what+":import", "text/csv", string(whole.body))
		if totals := fmt.Sprint(m["totals"]); status != http.StatusOK || !strings.Contains(totals, "UNCHANGED") || strings.Contains(totals, "ED rows") && strings.Count(totals, "result") != 1 {
			t.Errorf("%s: %d %v", what, status, m)
		}
	}
	if page := get("/v1/collections/house/plants", "text/csv"); page.header.Get("Content-Type") != "application/json" {
		t.Errorf("a call that has no table: %v", page.header)
	}
	if page := get("/v1/collections/none/plants:export", "text/csv"); page.status != http.StatusNotFound || page.header.Get("Content-Type") != "application/json" {
		t.Errorf("an error is no table: %d %v", page.status, page.header)
	}
}

func TestPrefersTable(t *testing.T) {
	for accept, want := range map[string]bool{
		"": false, "*/*": false, "text/csv": true, "text/*": true, "application/json": false, "text/csv, application/json": true,
		"text/csv;q=0.5, application/json": false, "text/csv;q=0.5, application/json;q=0.1": true, "text/csv;q=0": false, "text/csv;q=x": false,
		"text/csv; header=present": true, "TEXT/CSV": true, ";;": false,
	} {
		if got := prefersTable([]string{accept}); got != want {
			t.Errorf("%q: %v", accept, got)
		}
	}
}

// TestTableRoutes walks over the routes: those that take tables or give them are the calls
// of the contract that say so, and each calls through the chain like any other.
func TestTableRoutes(t *testing.T) {
	takes, gives := []string{}, []string{}
	for _, rt := range newServer(t).gateway.routes {
		if rt.takesTable() {
			takes = append(takes, string(rt.call.Name()))
		}
		if rt.givesTable() {
			gives = append(gives, string(rt.call.Name()))
		}
		if _, ruled := service.Rules[rt.fullName]; !ruled {
			t.Errorf("%s has no rule of access", rt.fullName)
		}
	}
	slices.Sort(takes)
	slices.Sort(gives)
	if fmt.Sprint(takes, gives) != "[ImportFeedings ImportObservations ImportPlants] [ExportFeedings ExportObservations ExportPlants]" {
		t.Error(takes, gives)
	}
}

// darwinCore are terms of Darwin Core by the list of terms of TDWG (dwc.tdwg.org/list, as
// of 2023-09; those used here were looked up by name).
var darwinCore = []string{
	"organismID", "organismName", "scientificName", "cultivarEpithet", "individualCount", "locality", "informationWithheld",
	"eventID", "eventDate", "eventTime", "eventRemarks",
}

// TestHeadersAreTerms: a header in camelCase is a term of Darwin Core, and imports know
// every header.
func TestHeadersAreTerms(t *testing.T) {
	d := openFixture(t, store.SQLite)
	tables := exportAll(t, pb.NewExchangeServiceClient(d.conn), "collections/house", 1)
	for _, table := range []string{tables.plants, tables.feedings, tables.observations} {
		header, err := csv.NewReader(strings.NewReader(table)).Read()
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range header {
			if inner := strings.ContainsAny(h[1:], "ABCDEFGHIJKLMNOPQRSTUVWXYZ"); (inner || h[0] >= 'a') && !slices.Contains(darwinCore, h) {
				t.Errorf("%s is no term of Darwin Core", h)
			}
		}
	}
	for i, answer := range importAll(t, pb.NewExchangeServiceClient(d.conn), "collections/house", tables) {
		if len(answer.GetUnknownColumns()) > 0 {
			t.Errorf("table %d: %v are not known", i, answer.GetUnknownColumns())
		}
	}
}

// FuzzImport sends any bytes as tables: they are brought in or refused, never the server's
// fault; what was brought in keeps to the contract, and is given out so that it comes in
// again as it is.
func FuzzImport(f *testing.F) {
	for _, name := range []string{"plants", "feedings", "observations"} {
		text, err := os.ReadFile("../testdata/exchange/" + name + ".csv")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text, []byte("Tag,Date\nN-001,2026-05-01\n"))
	}
	f.Add([]byte("ref,Tag,Name,State,End date,Last fed\n1,A,Drosera x,dead,2026-01-01,2025-01-01\n2,A,Drosera x,,,\n"), []byte("ref,Tag,Date,Moved to,Exposure,Time\nr,A,2026-05-01,x,,08:00\nr,a,2026-05-01,-,outdoors,\n"))
	validator, err := protovalidate.New()
	if err != nil {
		f.Fatal(err)
	}
	d := open(f)
	x, calls := pb.NewExchangeServiceClient(within(d.server)), clientsOf(within(d.server))
	f.Fuzz(func(t *testing.T, plants, events []byte) {
		parent := newCollection(t, d)
		csv := http.Header{"Content-Type": {"text/csv"}}
		checkAnswer(t, serve(d.server.gateway, http.MethodPost, "/v1/"+parent+"/plants:import?validateOnly=true", csv, plants))
		checkAnswer(t, serve(d.server.gateway, http.MethodPost, "/v1/"+parent+"/plants:import?goodRowsOnly=true", csv, plants))
		for _, what := range []string{"feedings", "observations"} {
			checkAnswer(t, serve(d.server.gateway, http.MethodPost, "/v1/"+parent+"/"+what+":import?goodRowsOnly=true", csv, events))
		}
		var all []proto.Message
		ps, err := calls.ListPlants(t.Context(), &pb.ListPlantsRequest{Parent: parent, PageSize: 1000})
		if err != nil {
			t.Fatal(err)
		}
		fs, err := calls.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: parent + "/plants/-", PageSize: 1000})
		if err != nil {
			t.Fatal(err)
		}
		os, err := calls.ListObservations(t.Context(), &pb.ListObservationsRequest{Parent: parent + "/plants/-", PageSize: 1000})
		if err != nil {
			t.Fatal(err)
		}
		bs, err := calls.ListBenches(t.Context(), &pb.ListBenchesRequest{Parent: parent, PageSize: 1000})
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range []proto.Message{ps, fs, os, bs} {
			list := m.ProtoReflect().Get(m.ProtoReflect().Descriptor().Fields().ByNumber(1)).List()
			for i := range list.Len() {
				all = append(all, list.Get(i).Message().Interface())
			}
		}
		for _, m := range all {
			if err := validator.Validate(withoutTold(m)); err != nil {
				t.Errorf("%v: %v", m, err)
			}
		}
		tables := exportAll(t, x, parent, 0)
		for i, answer := range importAll(t, x, parent, tables) {
			for _, row := range answer.GetRows() {
				if row.GetResult() != pb.ImportResponse_UNCHANGED {
					t.Fatalf("table %d: %v of\n%q", i, row, []string{tables.plants, tables.feedings, tables.observations}[i])
				}
			}
		}
	})
}

// withoutTold returns a resource without what only the server tells.
func withoutTold(m proto.Message) proto.Message {
	m = proto.Clone(m)
	for i := range m.ProtoReflect().Descriptor().Fields().Len() {
		f := m.ProtoReflect().Descriptor().Fields().Get(i)
		if slices.Contains([]protoreflect.Name{"due", "last_sizes"}, f.Name()) {
			m.ProtoReflect().Clear(f)
		}
	}
	return m
}
