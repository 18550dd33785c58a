package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/archive"
	"dewbench/store"
)

// countCollections is how many collections a database has, of anybody or nobody.
func countCollections(t testing.TB, s *store.Store) (n int) {
	t.Helper()
	err := s.Read(context.Background(), func(tx *store.Tx) error {
		ids, err := tx.CollectionIDs("", 100_000)
		n = len(ids)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestHostileArchives changes an archive in one place each: the answer names the file and
// the line, and nothing is kept.
func TestHostileArchives(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		whole := saveArchive(t, d.doors, testSecret)
		files := filesOf(t, whole)
		before := countCollections(t, d.store)
		const house = "collections/house/"
		if files[house+"plants.jsonl"] == "" || files[house+"feedings.jsonl"] == "" {
			t.Fatalf("the fixture has no records: %v", slices.Sorted(maps.Keys(files)))
		}
		line := func(file string, n int) string { return strings.Split(files[house+file], "\n")[n-1] }
		replaced := func(file string, n int, change func(string) string) map[string]string {
			lines := strings.Split(files[house+file], "\n")
			out := maps.Clone(files)
			lines[n-1] = change(lines[n-1])
			out[house+file] = strings.Join(lines, "\n")
			return out
		}
		sub := func(pattern, with string) func(string) string {
			return func(s string) string {
				out := regexp.MustCompile(pattern).ReplaceAllString(s, with)
				if out == s {
					t.Fatalf("%s is not in %s", pattern, s)
				}
				return out
			}
		}
		with := func(name, text string) map[string]string {
			out := maps.Clone(files)
			out[name] = text
			return out
		}
		without := func(name string) map[string]string {
			out := maps.Clone(files)
			delete(out, name)
			return out
		}
		swapped := func(file string) map[string]string {
			lines := strings.Split(files[house+file], "\n")
			lines[0], lines[1] = lines[1], lines[0]
			return with(house+file, strings.Join(lines, "\n"))
		}
		wrongSum := bytes.Replace(zipOf(t, with("descriptor", `{"dewbenchFormat":1,"resources":[{"path":"grower.json","bytes":2,"hash":"sha256:00"}]}`), "grower.json"), []byte("x"), []byte("x"), 1)
		var long strings.Builder // of 10 MB, not to be packed too well
		for i := 0; long.Len() < 10<<20; i++ {
			sum := sha256.Sum256([]byte{byte(i), byte(i >> 8), byte(i >> 16)})
			long.WriteString(hex.EncodeToString(sum[:]))
		}
		bomb := func() []byte { return zipOf(t, with("README.txt", strings.Repeat("a", 64<<20))) }
		for _, c := range []struct {
			name string
			text []byte
			want string
		}{
			{"nothing", []byte("x"), "the archive is not a whole ZIP file"},
			{"an empty ZIP file", zipOf(t, map[string]string{"descriptor": "{}"}), "dewbenchFormat 0"},
			{"a ZIP file of others", func() []byte {
				var out bytes.Buffer
				w := archive.NewWriter(&out, fixtureTime)
				if err := w.Close(); err != nil {
					t.Fatal(err)
				}
				return out.Bytes()
			}(), "datapackage.json: is not a description of an archive: resources is no list"},
			{"an unknown version", zipOf(t, with("descriptor", `{"dewbenchFormat":3,"resources":[]}`)), "datapackage.json: has dewbenchFormat 3, and this server reads 1 to 2"},
			{"no description", zipOf(t, with("descriptor", `[`)), "datapackage.json: is not a description"},
			{"a wrong digest", wrongSum, "grower.json: has"},
			{"a path out of it", zipOf(t, with("../../etc/passwd.txt", "x")), "which no archive has"},
			{"an absolute path", zipOf(t, with("/etc/passwd.txt", "x")), "which no archive has"},
			{"a backslash", zipOf(t, with(`collections\house\x.jsonl`, "x")), "which no archive has"},
			{"a file twice", zipOf(t, files, append(slices.Sorted(maps.Keys(files)), "grower.json")...), "grower.json: stands twice"},
			{"a file more", zipOf(t, with("more.txt", "x")), "more.txt: is not a file of an archive"},
			{"a file less", zipOf(t, without(house+"feedings.jsonl")), house + "feedings.jsonl: is not there"},
			{"a bomb", bomb(), "README.txt: is packed more than 250 to 1"},
			{"a long line", zipOf(t, with(house+"plants.jsonl", `{"ref":"`+long.String()+`"}`)), house + "plants.jsonl line 1: is longer"},
			{"no UTF-8", zipOf(t, replaced("plants.jsonl", 2, sub(`"tag":"`, "\"tag\":\"\xff"))), house + "plants.jsonl line 2: is not UTF-8"},
			{"a NUL", zipOf(t, replaced("plants.jsonl", 2, sub(`"tag":"`, `"tag":"\u0000`))), house + "plants.jsonl line 2: a text has a NUL"},
			{"no JSON", zipOf(t, replaced("plants.jsonl", 1, func(string) string { return "{" })), house + "plants.jsonl line 1: "},
			{"an unknown field", zipOf(t, replaced("plants.jsonl", 1, sub(`^\{`, `{"colour":1,`))), "unknown field"},
			{"a text that is too long", zipOf(t, replaced("plants.jsonl", 1, sub(`"tag":"`, `"tag":"`+strings.Repeat("y", 101)))), house + "plants.jsonl line 1: plant.tag"},
			{"plants not in order", zipOf(t, swapped("plants.jsonl")), house + "plants.jsonl line"},
			{"a plant twice", zipOf(t, replaced("plants.jsonl", 1, func(s string) string { return s + "\n" + s })), house + "plants.jsonl line 2: "},
			{"a plant of another collection", zipOf(t, replaced("plants.jsonl", 1, sub(`collections/house/plants`, `collections/other/plants`))), house + "plants.jsonl line 1: name"},
			{"a feeding of no plant", zipOf(t, replaced("feedings.jsonl", 1, sub(`"name":"collections/house/plants/[^/]+/`, `"name":"collections/house/plants/0none/`))), house + "feedings.jsonl line 1: belongs to a plant that is not there"},
			{"a feeding of a wrong number", zipOf(t, replaced("feedings.jsonl", 1, sub(`"trapsFed":\d+`, `"trapsFed":-1`))), house + "feedings.jsonl line 1: feeding.trapsFed"},
			{"a feeding of the far future", zipOf(t, replaced("feedings.jsonl", 1, sub(`"fedTime":"[^"]+"`, `"fedTime":"2926-05-01T10:00:00Z"`))), house + "feedings.jsonl line 1: must be dated"},
			{"a plant of the far future", zipOf(t, replaced("plants.jsonl", 1, sub(`"createTime":"[^"]+"`, `"createTime":"2926-05-01T10:00:00Z"`))), house + "plants.jsonl line 1: plant.createTime"},
			{"a bench that is not there", zipOf(t, replaced("plants.jsonl", 1, sub(`"firstBench":"[^"]+"`, `"firstBench":"collections/house/benches/none"`))), house + "plants.jsonl line 1: firstBench"},
			{"an etag of another version", zipOf(t, replaced("plants.jsonl", 1, sub(`-(\d+)\\""`, `-99\""`))), house + "plants.jsonl line 1: etag"},
			{"history with a gap", zipOf(t, replaced("plant_revisions.jsonl", 1, sub(`"number":1`, `"number":2`))), house + "plant_revisions.jsonl line 1: revision.number"},
			{"a zone that is not there", zipOf(t, replaced("collection.json", 1, sub(`"timeZone":"[^"]+"`, `"timeZone":"Nowhere/Else"`))), house + "collection.json line 1: timeZone"},
			{"two collections in one", zipOf(t, replaced("collection.json", 1, func(s string) string { return s + "\n" + s })), house + "collection.json line 2: must be the only line"},
			{"a tag twice", zipOf(t, replaced("plants.jsonl", 2, func(s string) string {
				tag := regexp.MustCompile(`"tag":"[^"]+"`).FindString(line("plants.jsonl", 1))
				return sub(`"tag":"[^"]+"`, tag)(s)
			})), house + "plants.jsonl line 2: plant.tag"},
		} {
			answer := sendArchive(t, d.doors, testSecret, "", c.text)
			checkErrorOf(t, answer.body)
			if answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), "INVALID_ARCHIVE") || !strings.Contains(string(answer.body), c.want) {
				t.Errorf("%s: status %d, want %q: %.600s", c.name, answer.status, c.want, answer.body)
			}
			if len(c.text) < 1<<20 { // over gRPC it is the same
				_, err := pb.NewArchiveServiceClient(d.conn).ImportArchive(t.Context(), &pb.ImportArchiveRequest{Name: "growers/me", Archive: c.text})
				if s := status.Convert(err); s.Code() != codes.InvalidArgument || reasonOf(s) != service.InvalidArchive {
					t.Errorf("%s: over gRPC: %v", c.name, err)
				}
			}
		}
		// cut off anywhere, and with a byte of it changed
		for n := 0; n < len(whole); n += 1 + len(whole)/40 {
			if answer := sendArchive(t, d.doors, testSecret, "?validateOnly=true", whole[:max(n, 1)]); answer.status != http.StatusBadRequest {
				t.Errorf("cut off after %d bytes: status %d: %s", n, answer.status, answer.body)
			}
			changed := bytes.Clone(whole)
			changed[n] ^= 0x55
			if answer := sendArchive(t, d.doors, testSecret, "?validateOnly=true", changed); answer.status != http.StatusBadRequest && answer.status != http.StatusOK {
				t.Errorf("with another byte at %d: status %d: %s", n, answer.status, answer.body)
			}
		}
		if now := countCollections(t, d.store); now != before {
			t.Errorf("%d collections, and %d before", now, before)
		}
		// a query key that it does not take, a packed body, one for others
		for target, want := range map[string]int{"?archive=x": 400, "?colour=red": 400, "?validateOnly=maybe": 400} {
			if answer := sendArchive(t, d.doors, testSecret, target, whole); answer.status != want {
				t.Errorf("%s: status %d: %s", target, answer.status, answer.body)
			}
		}
		for _, name := range []string{"growers/grower-b", "growers/nobody"} {
			answer := d.sendRaw(t, http.MethodPost, "/v1/"+name+":import", [][2]string{{"Content-Type", archiveType}}, whole)
			other := d.sendRaw(t, http.MethodGet, "/v1/"+name+":export", nil, nil)
			if answer.status != http.StatusNotFound || other.status != http.StatusNotFound {
				t.Errorf("%s: status %d and %d", name, answer.status, other.status)
			}
		}
	})
}

// TestArchiveTwice takes an archive in twice, which makes it twice, and with a request id
// once; over both doors that is the same call.
func TestArchiveTwice(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		whole := saveArchive(t, d.doors, testSecret)
		calls := pb.NewArchiveServiceClient(d.conn)
		before := countCollections(t, d.store)
		only := restoreArchive(t, d.doors, testSecret, "?validateOnly=true", whole)
		if n := countCollections(t, d.store); n != before || len(only.GetCollections()) == 0 || only.GetCollections()[0].GetCollection().GetName() != "" {
			t.Fatalf("%d collections, %d before: %v", n, before, only)
		}
		size := len(only.GetCollections())
		first := restoreArchive(t, d.doors, testSecret, "?requestId=once", whole)
		again := restoreArchive(t, d.doors, testSecret, "?requestId=once", whole)
		overGRPC, err := calls.ImportArchive(t.Context(), &pb.ImportArchiveRequest{Name: "growers/me", Archive: whole, RequestId: "once"})
		if err != nil {
			t.Fatal(err)
		}
		for i, one := range first.GetCollections() {
			name := one.GetCollection().GetName()
			if again.GetCollections()[i].GetCollection().GetName() != name || overGRPC.GetCollections()[i].GetCollection().GetName() != name {
				t.Errorf("%v\n%v\n%v", first, again, overGRPC)
			}
			if one.GetCollection().GetVisibility() != pb.Collection_PRIVATE {
				t.Errorf("%v", one)
			}
		}
		restoreArchive(t, d.doors, testSecret, "", whole)
		if n := countCollections(t, d.store); n != before+2*size {
			t.Errorf("%d collections, %d before, and %d in the archive", n, before, size)
		}
		other := zipOf(t, filesOf(t, whole))
		if answer := sendArchive(t, d.doors, testSecret, "?requestId=once", other); answer.status != http.StatusConflict || !strings.Contains(string(answer.body), "REQUEST_ID_REUSED") {
			t.Errorf("status %d: %s", answer.status, answer.body)
		}
		// the pages over gRPC are the same archive, but for what tokens may not list
		var text bytes.Buffer
		w := archive.NewWriter(&text, fixtureTime)
		pages := 0
		for token := ""; ; pages++ {
			page, err := calls.ExportArchive(t.Context(), &pb.ExportArchiveRequest{Name: "growers/me", PageSize: 3, PageToken: token})
			if err != nil {
				t.Fatal(err)
			}
			for _, piece := range page.GetPieces() {
				if err := w.Add(piece.GetPath(), piece.GetText()); err != nil {
					t.Fatal(err)
				}
			}
			if token = page.GetNextPageToken(); token == "" {
				break
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if pages < 10 {
			t.Errorf("%d pages", pages)
		}
		got, want := filesOf(t, text.Bytes()), filesOf(t, saveArchive(t, d.doors, testSecret))
		delete(got, archive.Descriptor)
		delete(want, archive.Descriptor)
		if !maps.Equal(got, want) {
			t.Errorf("by pages: %v\nas a whole: %v", slices.Sorted(maps.Keys(got)), slices.Sorted(maps.Keys(want)))
		}
		for _, as := range []string{"read", "manage"} {
			files := filesOf(t, saveArchive(t, d.doors, secretOf(as)))
			if _, tokens := files["tokens.jsonl"]; tokens != (as == "manage") {
				t.Errorf("as %s: tokens: %v", as, tokens)
			}
			for name, text := range files {
				if strings.Contains(text, "dwb_") && name != "README.txt" || strings.Contains(text, "dwbcal_") {
					t.Errorf("as %s: %s has a secret", as, name)
				}
			}
		}
	})
}

// TestArchiveChangedMeanwhile changes a collection between two pages: the later one is
// refused, and a new beginning is not.
func TestArchiveChangedMeanwhile(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		calls := pb.NewArchiveServiceClient(d.conn)
		begun, token := false, ""
		var err error
		for {
			var page *pb.ExportArchiveResponse
			if page, err = calls.ExportArchive(t.Context(), &pb.ExportArchiveRequest{Name: "growers/me", PageSize: 2, PageToken: token}); err != nil {
				break
			}
			if token = page.GetNextPageToken(); token == "" {
				break
			}
			if last := page.GetPieces()[len(page.GetPieces())-1].GetPath(); !begun && strings.HasPrefix(last, "collections/house/") {
				begun = true
				if _, err := clientsOf(d.conn).CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: "collections/house", Bench: &pb.Bench{DisplayName: "Meanwhile"}}); err != nil {
					t.Fatal(err)
				}
			}
		}
		if s := status.Convert(err); s.Code() != codes.Aborted || reasonOf(s) != service.WriteConflict {
			t.Errorf("%v", err)
		}
		saveArchive(t, d.doors, testSecret)
	})
}

// TestArchiveBreaksOff ends an import at each of its statements in turn, as a crash would:
// nobody sees a part of it, and the sweep removes what is left.
func TestArchiveBreaksOff(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openFixture(t, engine)
		whole := saveArchive(t, d.doors, testSecret)
		before := countCollections(t, d.store)
		listed := func() int {
			all, err := clientsOf(d.conn).ListCollections(t.Context(), &pb.ListCollectionsRequest{PageSize: 1000, ShowDeleted: true})
			if err != nil {
				t.Fatal(err)
			}
			return len(all.GetCollections())
		}
		shown := listed()
		done := false
		for n := 1; !done; n += 7 {
			ctx, cancel := context.WithCancel(service.WithFile(t.Context(), &service.SentFile{
				ReaderAt: &breaking{ReaderAt: bytes.NewReader(whole), left: n, cancel: func() {}}, Size: int64(len(whole)), Digest: []byte("digest"),
			}))
			conn := WithToken(d.server.Conn(), testSecret)
			_, err := pb.NewArchiveServiceClient(conn).ImportArchive(ctx, &pb.ImportArchiveRequest{Name: "growers/me"})
			cancel()
			if done = err == nil; done {
				break
			}
			if now := listed(); now != shown {
				t.Fatalf("after %d readings: %d collections are seen, and %d were: %v", n, now, shown, err)
			}
		}
		after := fixtureTime.AddDate(0, 0, 2)
		if _, err := service.Sweep(t.Context(), d.store, after); err != nil {
			t.Fatal(err)
		}
		if n := countCollections(t, d.store); n-before != listed()-shown {
			t.Errorf("%d collections, %d are seen; before %d and %d", n, listed(), before, shown)
		}
	})
}

// breaking fails after some readings.
type breaking struct {
	io.ReaderAt
	left   int
	cancel func()
}

func (b *breaking) ReadAt(p []byte, at int64) (int, error) {
	if b.left--; b.left < 0 {
		return 0, fmt.Errorf("the disk is gone")
	}
	return b.ReaderAt.ReadAt(p, at)
}

// FuzzArchive takes anything in: it is refused with a reason, or taken in.
func FuzzArchive(f *testing.F) {
	d := open(f)
	made, err := clientsOf(d.conn).CreateCollection(f.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin"}})
	if err != nil {
		f.Fatal(err)
	}
	whole := saveArchive(f, d, testSecret)
	files := filesOf(f, whole)
	names := slices.Sorted(maps.Keys(files))
	for _, name := range names {
		f.Add(name, files[name])
	}
	f.Add(made.GetName()+"/plants.jsonl", `{"plant":{"name":"`+made.GetName()+`/plants/a","tag":"A"}}`)
	conn := WithToken(d.server.Conn(), testSecret)
	f.Fuzz(func(t *testing.T, name, text string) {
		packed := []byte(text)
		if _, known := files[name]; known {
			changed := maps.Clone(files)
			changed[name] = text
			packed = zipOf(t, changed)
		}
		if len(packed) == 0 {
			return
		}
		_, err := pb.NewArchiveServiceClient(conn).ImportArchive(t.Context(), &pb.ImportArchiveRequest{Name: "growers/me", Archive: packed, ValidateOnly: true})
		if s := status.Convert(err); err != nil && (s.Code() != codes.InvalidArgument || reasonOf(s) != service.InvalidArchive) {
			t.Fatalf("%q %q: %v", name, text, err)
		}
	})
}

// TestArchiveOfLongHistory takes no history in that would fill the memory: of a collection,
// of a bench, of a plant without records.
func TestArchiveOfLongHistory(t *testing.T) {
	d := openFixture(t, store.SQLite)
	const folder, times = "collections/attic/", `"createTime":"2026-04-01T09:00:00Z","updateTime":"2026-04-01T09:00:00Z"`
	changes := func(of string) string {
		var out strings.Builder
		for n := 1; out.Len() <= 33<<20; n++ {
			fmt.Fprintf(&out, `{"parent":%q,"revision":{"number":%d,"action":"CREATED","createTime":"2026-04-01T09:00:00Z"}}`+"\n", of, n)
		}
		return out.String()
	}
	for file, more := range map[string]map[string]string{
		"collection_revisions.jsonl": {"collection_revisions.jsonl": changes("collections/attic")},
		"bench_revisions.jsonl": {
			"benches.jsonl":         `{"name":"collections/attic/benches/b","displayName":"B","etag":"\"a-1\"",` + times + "}\n",
			"bench_revisions.jsonl": changes("collections/attic/benches/b"),
		},
		"plant_revisions.jsonl": {
			"plants.jsonl": `{"plant":{"name":"collections/attic/plants/p","tag":"1","scientificName":"Drosera","trapType":"ADHESIVE","habit":"SMALL_ROSETTE","etag":"\"a-1\"",` +
				times + "}}\n",
			"plant_revisions.jsonl": changes("collections/attic/plants/p"),
		},
	} {
		files := filesOf(t, anArchive)
		for name, text := range more {
			files[folder+name] = text
		}
		answer := sendArchive(t, d.doors, testSecret, "?validateOnly=true", zipOf(t, files))
		if answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), file) || !strings.Contains(string(answer.body), "is longer than") {
			t.Errorf("%s: status %d: %.600s", file, answer.status, answer.body)
		}
	}
}
