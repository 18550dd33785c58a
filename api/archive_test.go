package api

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/archive"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/store"
	"dewbench/store/storetest"
)

// saveArchive gets an archive over HTTP.
func saveArchive(t testing.TB, d *doors, secret string) []byte {
	t.Helper()
	answer := d.sendRaw(t, http.MethodGet, "/v1/growers/me:export", [][2]string{{"Authorization", "Bearer " + secret}}, nil)
	if answer.status != http.StatusOK || answer.header.Get("Content-Type") != archiveType ||
		!strings.HasPrefix(answer.header.Get("Content-Disposition"), `attachment; filename="dewbench-2`) {
		t.Fatalf("status %d, %v: %.500s", answer.status, answer.header, answer.body)
	}
	return answer.body
}

// sendArchive sends one over HTTP.
func sendArchive(t testing.TB, d *doors, secret, query string, text []byte) httpAnswer {
	t.Helper()
	return d.sendRaw(t, http.MethodPost, "/v1/growers/me:import"+query,
		[][2]string{{"Authorization", "Bearer " + secret}, {"Content-Type", archiveType}}, text)
}

// restoreArchive takes one in over HTTP.
func restoreArchive(t testing.TB, d *doors, secret, query string, text []byte) *pb.ImportArchiveResponse {
	t.Helper()
	answer := sendArchive(t, d, secret, query, text)
	if answer.status != http.StatusOK {
		t.Fatalf("status %d: %s", answer.status, answer.body)
	}
	m := &pb.ImportArchiveResponse{}
	if err := protojson.Unmarshal(answer.body, m); err != nil {
		t.Fatal(err)
	}
	return m
}

// filesOf inflates an archive with a library that is not ours.
func filesOf(t testing.TB, text []byte) map[string]string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{}
	for _, f := range z.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		inflated, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		files[f.Name] = string(inflated)
	}
	return files
}

// zipOf packs files, with a descriptor that fits unless there is one.
func zipOf(t testing.TB, files map[string]string, order ...string) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	add := func(name, text string) {
		to, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(to, text); err != nil {
			t.Fatal(err)
		}
	}
	var listed []object
	if order == nil {
		for name := range files {
			order = append(order, name)
		}
	}
	for _, name := range order {
		if name == "datapackage.json" || name == "descriptor" {
			continue
		}
		add(name, files[name])
		sum := sha256.Sum256([]byte(files[name]))
		listed = append(listed, object{"path": name, "bytes": len(files[name]), "hash": "sha256:" + hex.EncodeToString(sum[:])})
	}
	if text, given := files["descriptor"]; given {
		add("datapackage.json", text)
	} else {
		text, err := json.Marshal(object{"dewbenchFormat": 1, "resources": listed})
		if err != nil {
			t.Fatal(err)
		}
		add("datapackage.json", string(text))
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// told is what a server tells of a collection, as JSON, under the name of another one.
func told(t rapid.TB, ctx context.Context, conn grpc.ClientConnInterface, name, as string, day civil.Day) map[string]string {
	t.Helper()
	calls := clientsOf(conn)
	out := map[string]string{}
	note := func(what string, m proto.Message, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		text, err := answerJSON.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		var plain any
		if err := json.Unmarshal(bytes.ReplaceAll(text, []byte(name), []byte(as)), &plain); err != nil {
			t.Fatal(err)
		}
		indented, err := json.MarshalIndent(plain, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		out[what] = string(indented)
	}
	benches, err := calls.ListBenches(ctx, &pb.ListBenchesRequest{Parent: name, PageSize: 1000, ShowDeleted: true})
	note("benches", benches, err)
	plants, err := calls.ListPlants(ctx, &pb.ListPlantsRequest{Parent: name, PageSize: 1000, ShowDeleted: true})
	note("plants", plants, err)
	feedings, err := calls.ListFeedings(ctx, &pb.ListFeedingsRequest{Parent: name + "/plants/-", PageSize: 1000, ShowDeleted: true})
	note("feedings", feedings, err)
	observations, err := calls.ListObservations(ctx, &pb.ListObservationsRequest{Parent: name + "/plants/-", PageSize: 1000, ShowDeleted: true})
	note("observations", observations, err)
	for _, ahead := range []civil.Day{-30, 0, 12} {
		due, err := calls.ListDueFeedings(ctx, &pb.ListDueFeedingsRequest{Parent: name, PageSize: 1000, AsOfDate: proto.String((day + ahead).String())})
		if ahead < 0 && err != nil {
			continue // before there was anything
		}
		note(fmt.Sprintf("due on day %d", ahead), due, err)
	}
	revisions := func(of string) {
		all, err := calls.ListRevisions(ctx, &pb.ListRevisionsRequest{Parent: of, PageSize: 1000})
		for _, r := range all.GetRevisions() {
			r.Token = ""
		}
		note("history of "+strings.ReplaceAll(of, name, as), all, err)
	}
	for _, m := range benches.GetBenches() {
		revisions(m.GetName())
	}
	for _, m := range plants.GetPlants() {
		revisions(m.GetName())
	}
	for _, m := range feedings.GetFeedings() {
		revisions(m.GetName())
	}
	for _, m := range observations.GetObservations() {
		revisions(m.GetName())
	}
	x := pb.NewExchangeServiceClient(conn)
	for what, export := range map[string]func() (*pb.ExportResponse, error){
		"table of plants": func() (*pb.ExportResponse, error) {
			return x.ExportPlants(ctx, &pb.ExportPlantsRequest{Parent: name, PageSize: 10000})
		},
		"table of feedings": func() (*pb.ExportResponse, error) {
			return x.ExportFeedings(ctx, &pb.ExportFeedingsRequest{Parent: name, PageSize: 10000})
		},
		"table of observations": func() (*pb.ExportResponse, error) {
			return x.ExportObservations(ctx, &pb.ExportObservationsRequest{Parent: name, PageSize: 10000})
		},
	} {
		table, err := export()
		note(what, table, err)
	}
	return out
}

// TestArchiveRoundTrip keeps random collections on a server of each engine, takes their
// archives in on one of the other engine, and compares all that both tell: with ids,
// times, etags, history and what is due. Only the collection has another name.
func TestArchiveRoundTrip(t *testing.T) {
	fewChecks(t, storetest.Fewer(4, 2))
	c, err := catalogue.Load()
	if err != nil {
		t.Fatal(err)
	}
	for from, to := range map[store.Engine]store.Engine{store.SQLite: store.Postgres, store.Postgres: store.SQLite} {
		t.Run(fmt.Sprintf("%s to %s", from, to), func(t *testing.T) {
			t.Parallel()
			now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
			old := openStore(t, storetest.New(t, from), service.Config{Now: now.now})
			other := openStore(t, storetest.New(t, to), service.Config{Now: now.now})
			growers := 0
			rapid.Check(t, func(rt *rapid.T) {
				growers++ // of their own: a clock that is set back makes others' data of the future
				id, secret := fmt.Sprintf("grower-%d", growers), service.SecretPrefix+fmt.Sprintf("%043d", growers)
				for _, d := range []*doors{old, other} {
					if err := addGrower(t.Context(), d.store, id, secret, service.Scopes...); err != nil {
						rt.Fatal(err)
					}
				}
				conn, there := WithToken(old.server.Conn(), secret), WithToken(other.server.Conn(), secret)
				k := &keeper{T: rt, ctx: t.Context(), calls: clientsOf(conn), clock: now, catalogue: c, server: old.server}
				k.begin()
				for range k.n(3, 25) {
					k.act()
				}
				text := saveArchive(t, old, secret)
				answer := restoreArchive(t, other, secret, "", text)
				if len(answer.GetCollections()) != 1 || answer.GetCollections()[0].GetArchived() != k.collection.GetName() {
					rt.Fatalf("%v", answer)
				}
				copied := answer.GetCollections()[0].GetCollection()
				if copied.GetOwner() != store.GrowerName(id) || copied.GetTimeZone() != k.collection.GetTimeZone() {
					rt.Errorf("%v", copied)
				}
				// What was taken in is an archive like the first. Later, plants that were deleted are
				// purged.
				again := filesOf(t, saveArchive(t, other, secret))
				for range 2 {
					want := told(rt, t.Context(), conn, k.collection.GetName(), k.collection.GetName(), k.today())
					got := told(rt, t.Context(), there, copied.GetName(), k.collection.GetName(), k.today())
					if diff := gocmp.Diff(want, got); diff != "" {
						rt.Fatalf("the copy tells otherwise (-old +new):\n%s", diff)
					}
					now.add(time.Duration(k.n(1, 500)) * time.Hour)
				}
				for name, text := range filesOf(t, text) {
					part, isRecord := strings.CutPrefix(name, k.collection.GetName()+"/")
					if !isRecord || strings.HasPrefix(part, "collection") || strings.HasSuffix(part, "_revisions.jsonl") || part == "plants.jsonl" {
						continue // times of the collection, tokens, and states that have come true since
					}
					if got := strings.ReplaceAll(again[copied.GetName()+"/"+part], copied.GetName(), k.collection.GetName()); got != text {
						rt.Errorf("%s:\n%s\nonce more:\n%s", part, text, got)
					}
				}
			})
		})
	}
}

// anArchive has one collection with nothing in it.
var anArchive = func() []byte {
	var out bytes.Buffer
	w := archive.NewWriter(&out, fixtureTime)
	const at = `"createTime":"2026-04-01T09:00:00Z","updateTime":"2026-04-01T09:00:00Z"`
	const folder = "collections/attic/"
	for _, f := range [][2]string{
		{"grower.json", "{}\n"},
		{folder + "collection.json", `{"name":"collections/attic","displayName":"Attic","timeZone":"Europe/Berlin","etag":"\"a-1\"",` + at + "}\n"},
		{folder + "collection_revisions.jsonl", `{"parent":"collections/attic","revision":{"number":1,"action":"CREATED","createTime":"2026-04-01T09:00:00Z"}}` + "\n"},
		{folder + "benches.jsonl", ""}, {folder + "bench_revisions.jsonl", ""}, {folder + "plants.jsonl", ""}, {folder + "plant_revisions.jsonl", ""},
		{folder + "feedings.jsonl", ""}, {folder + "feeding_revisions.jsonl", ""}, {folder + "observations.jsonl", ""},
		{folder + "observation_revisions.jsonl", ""}, {folder + "sheets.jsonl", ""},
	} {
		if err := w.Add(f[0], f[1]); err != nil {
			panic(err) // in memory nothing fails
		}
	}
	if err := w.Close(); err != nil {
		panic(err)
	}
	return out.Bytes()
}()

// TestAnArchive writes golden pairs anew where the archive in them is not this one.
func TestAnArchive(t *testing.T) {
	text := base64.StdEncoding.EncodeToString(anArchive)
	pair, err := os.ReadFile("../testdata/rpc/ImportArchive/only-checked.json")
	if err != nil || !strings.Contains(string(pair), text) {
		t.Errorf("the golden pair has not this archive: %v\n%s", err, text)
	}
}

// An archive that comes as what it is not is answered with how to send one.
func TestArchiveOfAnotherType(t *testing.T) {
	d := openFixture(t, store.SQLite)
	for _, query := range []string{"", "?validateOnly=true"} {
		answer := d.sendRaw(t, http.MethodPost, "/v1/growers/me:import"+query, [][2]string{{"Content-Type", "application/x-www-form-urlencoded"}}, anArchive)
		if answer.status != http.StatusBadRequest || !bytes.Contains(answer.body, []byte("send an archive as it is with the header Content-Type: "+archiveType)) {
			t.Errorf("%q: %d %s", query, answer.status, answer.body)
		}
	}
}

// Of one grower two archives come at once, of others others.
func TestArchivesOfOneGrower(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	other := strings.Replace(testSecret, "dwb_", "dwb_other-", 1)
	if err := addGrower(t.Context(), d.store, "grower-b", other, service.Scopes...); err != nil {
		t.Fatal(err)
	}
	begun := func() map[string]int {
		u := d.server.gateway.underWay[archiveFiles]
		u.mu.Lock()
		defer u.mu.Unlock()
		return maps.Clone(u.of)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	send := func(body io.Reader, secret string) (status int, answer string) {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, d.url("/v1/growers/me:import"), body)
		if err != nil {
			t.Error(err)
			return 0, ""
		}
		req.Header.Set("Content-Type", "application/zip")
		req.Header.Set("Authorization", "Bearer "+secret)
		got, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Error(err)
			return 0, ""
		}
		text, err := io.ReadAll(got.Body)
		if err := errors.Join(err, got.Body.Close()); err != nil {
			t.Error(err)
		}
		return got.StatusCode, string(text)
	}
	var coming sync.WaitGroup
	var ends []*io.PipeWriter
	for range archiveFiles.atOnceOfOne {
		body, end := io.Pipe()
		ends = append(ends, end)
		coming.Go(func() {
			if status, answer := send(body, testSecret); status != http.StatusBadRequest || !strings.Contains(answer, "INVALID_ARCHIVE") {
				t.Errorf("what came slowly: %d %s", status, answer)
			}
		})
	}
	for begun()[d.grower] < archiveFiles.atOnceOfOne && ctx.Err() == nil {
		runtime.Gosched()
	}
	if status, answer := send(strings.NewReader("no archive"), testSecret); status != http.StatusServiceUnavailable || !strings.Contains(answer, "TOO_BUSY") {
		t.Errorf("one more: %d %s", status, answer)
	}
	if status, answer := send(strings.NewReader("no archive"), other); status != http.StatusBadRequest || !strings.Contains(answer, "INVALID_ARCHIVE") {
		t.Errorf("another grower's: %d %s", status, answer)
	}
	for _, end := range ends {
		if _, err := io.WriteString(end, "no archive"); err != nil {
			t.Error(err)
		}
		if err := end.Close(); err != nil {
			t.Error(err)
		}
	}
	coming.Wait()
	if left := begun(); len(left) != 0 {
		t.Errorf("under way still: %v", left)
	}
}
