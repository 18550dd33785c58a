package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"maps"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/archive"
	"dewbench/store"
	"dewbench/store/storetest"
)

// turned puts Exif into a JPEG file: how it lies, and when it was taken, where the camera
// was two hours ahead of UTC (CIPA DC-008, 4.6: tags 0x0112, 0x8769, 0x9003 and 0x9011).
func turned(file []byte, orientation uint16, clock string) []byte {
	tiff := []byte("II*\x00\x08\x00\x00\x00") // the first directory follows
	le := binary.LittleEndian
	entry := func(tag, kind uint16, count, value uint32) {
		tiff = le.AppendUint16(le.AppendUint16(tiff, tag), kind)
		tiff = le.AppendUint32(le.AppendUint32(tiff, count), value)
	}
	directory := func(entries uint16) { tiff = le.AppendUint16(tiff, entries) }
	const end = 4
	directory(2) // at 8
	entry(0x0112, 3, 1, uint32(orientation))
	second := uint32(8 + 2 + 2*12 + end)
	entry(0x8769, 4, 1, second)
	tiff = le.AppendUint32(tiff, 0)
	directory(2)
	texts := second + 2 + 2*12 + end
	entry(0x9003, 2, 20, texts)
	entry(0x9011, 2, 7, texts+20)
	tiff = le.AppendUint32(tiff, 0)
	tiff = append(tiff, clock+"\x00+02:00\x00"...)
	segment := append([]byte("Exif\x00\x00"), tiff...)
	out := slices.Concat(file[:2], []byte{0xff, 0xe1}, binary.BigEndian.AppendUint16(nil, uint16(len(segment)+2)), segment)
	return append(out, file[2:]...)
}

// noise is a picture that does not pack.
func noise(width, height int, seed uint64) *image.NRGBA {
	r := rand.New(rand.NewPCG(seed, 1))
	img := image.NewNRGBA(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			v := r.Uint32()
			img.SetNRGBA(x, y, color.NRGBA{uint8(v), uint8(v >> 8), uint8(v >> 16), 255})
		}
	}
	return img
}

// gallery is a collection with photos of all sorts.
type gallery struct {
	*doors
	bucket                 *store.Blobs
	clock                  *clock
	collection             string
	first, second, deleted string // plants
	lying, shared, gone    *pb.Photo
	observation            *pb.Observation
	files                  map[string][]byte // by their digests
}

// hang fills a collection: a photo that lies on its side, is measured and was changed, the
// same picture of two plants, one that is deleted, one of a deleted plant.
func hang(t testing.TB, engine store.Engine) *gallery {
	t.Helper()
	now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	g := &gallery{bucket: storetest.Blobs(t), clock: now, files: map[string][]byte{}}
	g.doors = openStore(t, storetest.New(t, engine), service.Config{Now: now.now, Blobs: g.bucket})
	calls := clientsOf(g.conn)
	photos := pb.NewPhotoServiceClient(g.conn)
	c, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Windowsill", TimeZone: "Asia/Tokyo"}})
	if err != nil {
		t.Fatal(err)
	}
	g.collection = c.GetName()
	for i, to := range []*string{&g.first, &g.second, &g.deleted} {
		p, err := calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: c.GetName(), Plant: &pb.Plant{Tag: fmt.Sprintf("D%d", i), Taxon: "taxa/drosera-spatulata"}})
		if err != nil {
			t.Fatal(err)
		}
		*to = p.GetName()
	}
	add := func(plant string, file []byte, create *pb.CreatePhotoRequest) *pb.Photo {
		now.add(time.Minute)
		create.Parent = plant
		m, err := g.upload(t.Context(), create, file, 1<<16)
		if err != nil {
			t.Fatal(err)
		}
		g.files[m.GetSha256()] = file
		return m
	}
	green := rosetteOf(300, 200, 100)
	g.lying = add(g.first, turned(jpegOf(t, green), 6, "2026:05:20 23:30:00"), &pb.CreatePhotoRequest{Note: "by the window", Credit: proto.String("A. Grower"), License: proto.String("CC-BY-4.0")})
	if g.lying.GetWidthPx() != 200 || g.lying.GetTakenSource() != pb.Photo_CAMERA_WITH_OFFSET || g.lying.GetTakenDate() != "2026-05-21" {
		t.Fatalf("%v", g.lying)
	}
	same := pngOf(t, green)
	g.shared = add(g.first, same, &pb.CreatePhotoRequest{TakenDate: proto.String("2026-04-30")})
	add(g.second, same, &pb.CreatePhotoRequest{})
	g.gone = add(g.second, jpegOf(t, rosetteOf(64, 64, 32)), &pb.CreatePhotoRequest{})
	add(g.deleted, pngOf(t, rosetteOf(40, 30, 20)), &pb.CreatePhotoRequest{})
	line := &pb.Photo_Line{A: &pb.Photo_Point{X: 10, Y: 10}, B: &pb.Photo_Point{X: 10, Y: 290}}
	for _, length := range []float64{30, 28} { // corrected
		now.add(time.Minute)
		g.lying, err = photos.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{
			Name: g.lying.GetName(), Scale: &pb.Photo_Scale{Line: line, LengthMm: length},
			Spans: []*pb.Photo_Span{{Kind: pb.Photo_Span_ROSETTE_DIAMETER, Line: &pb.Photo_Line{A: &pb.Photo_Point{X: 50, Y: 150}, B: &pb.Photo_Point{X: 150, Y: 150}}}},
		}})
		if err != nil {
			t.Fatal(err)
		}
	}
	if g.observation, err = photos.RecordMeasurement(t.Context(), &pb.RecordMeasurementRequest{Name: g.lying.GetName()}); err != nil {
		t.Fatal(err)
	}
	if g.gone, err = photos.DeletePhoto(t.Context(), &pb.DeletePhotoRequest{Name: g.gone.GetName()}); err != nil {
		t.Fatal(err)
	}
	if _, err := calls.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: g.deleted}); err != nil {
		t.Fatal(err)
	}
	now.add(time.Minute)
	return g
}

// toldOfPhotos is what a server tells of the photos of a collection, under the name of
// another one: their records, history and links, and their files.
func toldOfPhotos(t testing.TB, d *doors, name, as string) map[string]string {
	t.Helper()
	calls, photos := clientsOf(d.conn), pb.NewPhotoServiceClient(d.conn)
	out := map[string]string{}
	note := func(what string, m proto.Message) {
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
		out[strings.ReplaceAll(what, name, as)] = string(indented)
	}
	list, err := photos.ListPhotos(t.Context(), &pb.ListPhotosRequest{Parent: name + "/plants/-", PageSize: 1000, ShowDeleted: true})
	if err != nil {
		t.Fatal(err)
	}
	observations, err := calls.ListObservations(t.Context(), &pb.ListObservationsRequest{Parent: name + "/plants/-", PageSize: 1000, ShowDeleted: true})
	if err != nil {
		t.Fatal(err)
	}
	note("photos", list)
	note("observations", observations)
	for _, m := range list.GetPhotos() {
		all, err := calls.ListRevisions(t.Context(), &pb.ListRevisionsRequest{Parent: m.GetName(), PageSize: 1000})
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range all.GetRevisions() {
			r.Token = ""
		}
		note("history of "+m.GetName(), all)
		for _, form := range []string{"ORIGINAL", "LARGE", "SMALL"} {
			answer, body := d.content(t, m.GetName(), "rendition="+form)
			if answer.StatusCode != http.StatusOK {
				t.Errorf("%s of %s: status %d: %s", form, m.GetName(), answer.StatusCode, body)
			}
			sum := sha256.Sum256(body)
			out[form+" of "+strings.ReplaceAll(m.GetName(), name, as)] = answer.Header.Get("Content-Type") + " " + hex.EncodeToString(sum[:])
		}
	}
	return out
}

// render has the jobs of a server make renditions until none of a collection is missing.
func render(t testing.TB, d *doors, name string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	working, end := context.WithCancel(ctx)
	worked := make(chan error, 1)
	go func() { worked <- d.server.Work(working) }()
	ready := func(m *pb.Photo) bool { return m.GetRenditionsReady() }
	for {
		list, err := pb.NewPhotoServiceClient(d.conn).ListPhotos(ctx, &pb.ListPhotosRequest{Parent: name + "/plants/-", PageSize: 1000, ShowDeleted: true})
		if err != nil {
			t.Error(err)
			break
		}
		if !slices.ContainsFunc(list.GetPhotos(), func(m *pb.Photo) bool { return !ready(m) }) {
			break
		}
		runtime.Gosched()
	}
	end()
	if err := <-worked; err != nil && !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// TestArchiveOfPhotos takes photos to a server of the other engine and back again: all that
// is told of them stays, with links, history and files, and renditions are made anew.
func TestArchiveOfPhotos(t *testing.T) {
	for from, to := range map[store.Engine]store.Engine{store.SQLite: store.Postgres, store.Postgres: store.SQLite} {
		t.Run(fmt.Sprintf("%s to %s", from, to), func(t *testing.T) {
			g := hang(t, from)
			text := saveArchive(t, g.doors, testSecret)
			files := filesOf(t, text)
			kept := map[string]string{}
			for digest, file := range g.files {
				kept["collections/"+store.Segment(g.collection, "collections")+"/photos/"+digest] = string(file)
			}
			for name, content := range files {
				if strings.Contains(name, "/photos/") && kept[name] != content {
					t.Errorf("%s is not what was sent", name)
				}
				delete(kept, name)
			}
			if len(kept) > 0 {
				t.Errorf("not in it: %v", slices.Sorted(maps.Keys(kept)))
			}
			render(t, g.doors, g.collection)
			want := toldOfPhotos(t, g.doors, g.collection, g.collection)
			if strings.Count(want["photos"], `"name"`) != 4 || !strings.Contains(want["observations"], g.lying.GetName()) {
				t.Fatalf("%v", want)
			}

			now := g.clock
			there := openStore(t, storetest.New(t, to), service.Config{Now: now.now})
			only := restoreArchive(t, there, testSecret, "?validateOnly=true", text)
			if n := only.GetCollections()[0].GetPhotos(); n != 5 {
				t.Errorf("%d photos would be taken in", n)
			}
			copied := restoreArchive(t, there, testSecret, "", text).GetCollections()[0].GetCollection().GetName()
			shown := strings.ReplaceAll(g.lying.GetName(), g.collection, copied)
			if answer, _ := there.content(t, shown, ""); answer.StatusCode != http.StatusServiceUnavailable {
				t.Errorf("before the renditions: status %d", answer.StatusCode)
			}
			render(t, there, copied)
			if diff := gocmp.Diff(want, toldOfPhotos(t, there, copied, g.collection)); diff != "" {
				t.Errorf("the copy tells otherwise (-old +new):\n%s", diff)
			}
			// What follows from the file and the camera is there too: the camera's time is
			// taken again, and the same bytes are the same photo.
			photos := pb.NewPhotoServiceClient(there.conn)
			reset, err := photos.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: shown}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"taken_time"}}})
			if err != nil || reset.GetTakenTime().AsTime() != g.lying.GetTakenTime().AsTime() || reset.GetTakenSource() != pb.Photo_CAMERA_WITH_OFFSET {
				t.Errorf("%v, %v", reset, err)
			}
			again, err := there.upload(t.Context(), &pb.CreatePhotoRequest{Parent: copied + "/plants/" + store.Segment(g.first, "plants")}, g.files[g.lying.GetSha256()], 1<<16)
			if err != nil || again.GetName() != shown {
				t.Errorf("%v, %v", again, err)
			}
			undone, err := photos.UndeletePhoto(t.Context(), &pb.UndeletePhotoRequest{Name: strings.ReplaceAll(g.gone.GetName(), g.collection, copied)})
			if err != nil || undone.GetDeleteTime() != nil {
				t.Errorf("%v, %v", undone, err)
			}

			// And back, where it is one more collection. The copy has the zone of the first.
			back := restoreArchive(t, g.doors, testSecret, "", saveArchive(t, there, testSecret)).GetCollections()[0].GetCollection().GetName()
			render(t, g.doors, back)
			there.compare(t, copied, g.doors, back)
		})
	}
}

// compare looks whether two servers tell the same of the photos of a collection.
func (d *doors) compare(t testing.TB, name string, other *doors, copied string) {
	t.Helper()
	if diff := gocmp.Diff(toldOfPhotos(t, d, name, name), toldOfPhotos(t, other, copied, name)); diff != "" {
		t.Errorf("the copy tells otherwise (-old +new):\n%s", diff)
	}
}

// TestArchivePagesOfPhotos puts an archive together from its pages, with a photo of several
// of them: each fits into a message of gRPC, and all of them are the archive over HTTP.
func TestArchivePagesOfPhotos(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		g := hang(t, engine)
		large := pngOf(t, noise(1700, 1200, 1)) // 3 bytes a pixel, 6 MB
		if _, err := g.upload(t.Context(), &pb.CreatePhotoRequest{Parent: g.first}, large, 1<<20); err != nil {
			t.Fatal(err)
		}
		whole := filesOf(t, saveArchive(t, g.doors, testSecret))
		for _, size := range []int32{1, 2, 500} {
			got := map[string]string{}
			for token := ""; ; {
				page, err := pb.NewArchiveServiceClient(g.conn).ExportArchive(t.Context(), &pb.ExportArchiveRequest{Name: "growers/me", PageSize: size, PageToken: token})
				if err != nil {
					t.Fatal(err)
				}
				if n := proto.Size(page); n > 4<<20 { // what gRPC clients take by themselves (grpc.io, core concepts)
					t.Errorf("a page of %d bytes", n)
				}
				for _, piece := range page.GetPieces() {
					if photo := strings.Contains(piece.GetPath(), "/photos/"); photo != (len(piece.GetData()) > 0) || photo && piece.GetText() != "" {
						t.Errorf("%s has %d bytes of data and %d of text", piece.GetPath(), len(piece.GetData()), len(piece.GetText()))
					}
					got[piece.GetPath()] += piece.GetText() + string(piece.GetData())
				}
				if token = page.GetNextPageToken(); token == "" {
					break
				}
			}
			delete(whole, archive.Descriptor)
			if !maps.Equal(got, whole) {
				t.Errorf("pages of %d: %v\nas a whole: %v", size, slices.Sorted(maps.Keys(got)), slices.Sorted(maps.Keys(whole)))
			}
		}
	})
}

// TestArchiveWithoutPhotos leaves photos out, and refuses an archive with more than it
// takes. One without them is taken in, and one of the version before that had none.
func TestArchiveWithoutPhotos(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		g := hang(t, engine)
		get := func(query string) httpAnswer {
			return g.sendRaw(t, http.MethodGet, "/v1/growers/me:export"+query, [][2]string{{"Authorization", "Bearer " + testSecret}}, nil)
		}
		for query, want := range map[string]string{"?photos=SOME": "photos: must be one of ALL, NONE", "?photo=NONE": "is not a query key"} {
			if answer := get(query); answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), want) {
				t.Errorf("%s: status %d: %s", query, answer.status, answer.body)
			}
		}
		if all := get("?photos=ALL"); !maps.Equal(filesBut(t, all.body), filesBut(t, saveArchive(t, g.doors, testSecret))) {
			t.Error("photos=ALL is not what is usual")
		}
		none := get("?photos=NONE").body
		files := filesOf(t, none)
		for name := range files {
			if strings.Contains(name, "photo") {
				t.Errorf("%s is in it", name)
			}
		}
		// The version before had the same files.
		old := zipOf(t, filesBut(t, none), slices.Sorted(maps.Keys(filesBut(t, none)))...)
		for _, text := range [][]byte{none, old} {
			answer := restoreArchive(t, g.doors, testSecret, "", text).GetCollections()[0]
			if answer.GetPhotos() != 0 || answer.GetObservations() != 1 || answer.GetPlants() != 3 {
				t.Errorf("%v", answer)
			}
			copied := answer.GetCollection().GetName()
			list, err := clientsOf(g.conn).ListObservations(t.Context(), &pb.ListObservationsRequest{Parent: copied + "/plants/-"})
			want := proto.CloneOf(g.observation)
			want.Name, want.Plant = strings.ReplaceAll(want.GetName(), g.collection, copied), strings.ReplaceAll(want.GetPlant(), g.collection, copied)
			want.Photo = strings.ReplaceAll(want.GetPhoto(), g.collection, copied)
			if diff := gocmp.Diff([]*pb.Observation{want}, list.GetObservations(), protocmp.Transform()); diff != "" || err != nil {
				t.Errorf("%v %s", err, diff)
			}
		}

		// Rows as large as they may be, whose files are not there: nothing is read before it is refused.
		err := g.store.Write(t.Context(), func(tx *store.Tx) error {
			c, err := tx.Collection(store.Segment(g.collection, "collections"), "", func(store.Ties) bool { return true })
			if err != nil {
				return err
			}
			for i := range 31 { // of 25 MiB: 775
				if _, err := c.CreatePhoto(&store.Photo{Format: 1, Orientation: 1, Photo: &pb.Photo{
					Name: fmt.Sprintf("%s/photos/large-%d", g.first, i), Sha256: fmt.Sprintf("%064x", i), SizeBytes: service.MaxPhotoBytes, WidthPx: 1, HeightPx: 1,
				}}, store.By{Us: g.clock.now().UnixMicro(), Grower: g.grower}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		answer := get("")
		if answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), "ARCHIVE_TOO_LARGE") || !strings.Contains(string(answer.body), "FAILED_PRECONDITION") {
			t.Errorf("status %d: %s", answer.status, answer.body)
		}
		_, err = pb.NewArchiveServiceClient(g.conn).ExportArchive(t.Context(), &pb.ExportArchiveRequest{Name: "growers/me"})
		if s := status.Convert(err); s.Code() != codes.FailedPrecondition || reasonOf(s) != service.ArchiveTooLarge {
			t.Errorf("%v", err)
		}
		if answer := get("?photos=NONE"); answer.status != http.StatusOK {
			t.Errorf("status %d: %s", answer.status, answer.body)
		}
	})
}

// filesBut are the files of an archive but its descriptor.
func filesBut(t testing.TB, text []byte) map[string]string {
	t.Helper()
	files := filesOf(t, text)
	delete(files, archive.Descriptor)
	return files
}

// TestArchiveOfPurgedPhotos leaves out what was purged, whose history may be there still.
func TestArchiveOfPurgedPhotos(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		g := hang(t, engine)
		g.clock.add(31 * 24 * time.Hour) // before the sweep comes
		other := openStore(t, storetest.New(t, engine), service.Config{Now: g.clock.now})
		text := saveArchive(t, g.doors, testSecret)
		if _, there := filesOf(t, text)[g.collection+"/photos/"+g.gone.GetSha256()]; there {
			t.Error("the file of a photo that is gone is in it")
		}
		if n := restoreArchive(t, other, testSecret, "", text).GetCollections()[0].GetPhotos(); n != 3 {
			t.Errorf("%d photos", n)
		}
	})
}

// TestHostilePhotosInArchives changes an archive in one place each: the answer names what is
// wrong, and nothing is kept, not even a file.
func TestHostilePhotosInArchives(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		g := hang(t, engine)
		files := filesBut(t, saveArchive(t, g.doors, testSecret))
		home := g.collection + "/"
		bucket := storetest.Blobs(t)
		there := openStore(t, storetest.New(t, engine), service.Config{Now: g.clock.now, Blobs: bucket})
		lines := strings.Split(files[home+"photos.jsonl"], "\n")
		at := func(sha256 string) int {
			return slices.IndexFunc(lines, func(l string) bool { return strings.Contains(l, sha256) })
		}
		lying := at(g.lying.GetSha256())
		path := func(m *pb.Photo) string { return home + "photos/" + m.GetSha256() }
		with := func(changes ...string) map[string]string {
			out := maps.Clone(files)
			for i := 0; i+1 < len(changes); i += 2 {
				out[changes[i]] = changes[i+1]
			}
			return out
		}
		without := func(names ...string) map[string]string {
			out := maps.Clone(files)
			for _, name := range names {
				delete(out, name)
			}
			return out
		}
		record := func(pattern, replacement string) map[string]string {
			changed := slices.Clone(lines)
			changed[lying] = regexp.MustCompile(pattern).ReplaceAllString(changed[lying], replacement)
			if changed[lying] == lines[lying] {
				t.Fatalf("%s is not in %s", pattern, lines[lying])
			}
			return with(home+"photos.jsonl", strings.Join(changed, "\n"))
		}
		// as makes another file stand for the photo that lies, with its digest and size.
		as := func(file []byte) map[string]string {
			sum := sha256.Sum256(file)
			digest := hex.EncodeToString(sum[:])
			out := record(`"sizeBytes":\d+`, fmt.Sprintf(`"sizeBytes":%d`, len(file)))
			out[home+"photos.jsonl"] = strings.ReplaceAll(out[home+"photos.jsonl"], g.lying.GetSha256(), digest)
			delete(out, path(g.lying))
			out[home+"photos/"+digest] = string(file)
			return out
		}
		half := g.files[g.lying.GetSha256()]
		half = half[:len(half)/2]
		flipped := bytes.Clone(g.files[g.shared.GetSha256()])
		flipped[len(flipped)/2] ^= 1
		line := fmt.Sprintf("photos.jsonl line %d: ", lying+1)
		for _, c := range []struct {
			name  string
			files map[string]string
			want  string
		}{
			{"a file that is missing", without(path(g.lying)), line + "photo.sha256: its file " + path(g.lying) + " is not there"},
			{"no records", without(home+"photos.jsonl", home+"photo_revisions.jsonl"), "is the file of no photo of its collection"},
			{"no history", without(home + "photo_revisions.jsonl"), home + "photo_revisions.jsonl: is not there"},
			{"a file of no record", with(home+"photos/"+strings.Repeat("0", 64), "x"), "has another digest in datapackage.json than in its name"},
			{"a file of no collection", with("collections/none/photos/"+g.lying.GetSha256(), string(g.files[g.lying.GetSha256()])), "collections/none/photos/" + g.lying.GetSha256() + ": is the file of no photo"},
			{"other bytes", with(path(g.shared), string(flipped)), path(g.shared) + ": has another digest in datapackage.json than in its name"},
			{"no picture", as([]byte("#!/bin/sh\necho no picture\n")), "is not taken: "},
			{"half a picture", as(half), "is not taken: "},
			{"a picture of another form", as(pngOf(t, rosetteOf(300, 200, 10))), "is a PNG of 300 x 200 pixels, and by photos.jsonl line"},
			{"a picture of another size", as(jpegOf(t, rosetteOf(301, 200, 10))), "is a JPEG of 301 x 200 pixels, and by photos.jsonl line"},
			{"a size that is not so", record(`"sizeBytes":\d+`, `"sizeBytes":7`), line + "photo.sizeBytes: the file has "},
			{"a digest that is none", record(`"sha256":"[^"]+"`, `"sha256":"../../../etc/passwd"`), line + "photo.sha256: must be 64 of 0-9 a-f"},
			{"a form that is none", record(`image/jpeg`, `image/svg+xml`), line + "photo.contentType: must be image/jpeg"},
			{"an orientation that is none", record(`"orientation":6`, `"orientation":9`), line + "orientation"},
			{"no orientation", record(`,"orientation":6`, ``), line + "orientation"},
			{"a camera of the far future", record(`"cameraTime":"[^"]+"`, `"cameraTime":"2926-05-20T21:30:00Z"`), line + "cameraTime"},
			{"a camera that told nothing", record(`,"cameraTime":"[^"]+"`, ``), line + "cameraSource: goes with cameraTime"},
			{"a camera that is none", record(`"cameraSource":"CAMERA_WITH_OFFSET"`, `"cameraSource":"TOLD"`), line + "cameraSource"},
			{"the far future", record(`"takenTime":"[^"]+"`, `"takenTime":"2926-05-20T21:30:00Z"`), line + "photo.takenTime"},
			{"no source of the time", record(`,"takenSource":"[^"]+"`, ``), line + "photo.takenSource: must be given"},
			{"another plant", record(`"plant":"[^"]+"`, `"plant":"`+g.second+`"`), line + "photo.plant"},
			{"a place that is not on it", record(`"y":290`, `"y":301`), line + "photo.scale.line.b.y: must lie on the photo, which is 300 pixels high"},
			{"a licence that is none", record(`CC-BY-4.0`, `MINE-1.0`), line + "photo.license"},
			{"a credit of two lines", record(`A. Grower`, `A.\nGrower`), line + "photo.credit: must stand in one line"},
			{"a long credit", record(`A. Grower`, strings.Repeat("A. Grower ", 21)), line + "photo.credit"},
			{"another version", record(`-(\d+)\\""`, `-99\""`), line + "etag: tells of version 99"},
			{"another collection", record(`"name":"`+g.collection, `"name":"collections/other`), line + "belongs to a plant"},
			{"a photo of no plant", record(`(plants/)[^/"]+(/photos)`, `${1}zzz${2}`), "belongs to a plant that is not there"},
			{"one twice", with(home+"photos.jsonl", strings.Join(slices.Insert(slices.Clone(lines), lying, lines[lying]), "\n")), "comes twice"},
			{"a path out of it", with(home+"photos/../../x", "x"), "which no archive has"},
			{"a path that is no digest", with(home+"photos/me.jpg", "x"), "which no archive has"},
			{"a link to another collection", with(home+"observations.jsonl", strings.ReplaceAll(files[home+"observations.jsonl"], `"photo":"`+g.collection, `"photo":"collections/other`)), "observation.photo: must be the name of a photo of " + g.collection},
			{"a link to no photo", with(home+"observations.jsonl", strings.ReplaceAll(files[home+"observations.jsonl"], "/photos/", "/notes/")), "observation.photo: must be the name of a photo of " + g.collection},
		} {
			answer := sendArchive(t, there, testSecret, "", zipOf(t, c.files))
			checkErrorOf(t, answer.body)
			if answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), "INVALID_ARCHIVE") || !strings.Contains(string(answer.body), c.want) {
				t.Errorf("%s: status %d, want %q: %.600s", c.name, answer.status, c.want, answer.body)
			}
		}
		// The same picture twice of one plant, as two photos, with a history that fits.
		twice, history := slices.Clone(lines), files[home+"photo_revisions.jsonl"]
		id, other := store.Segment(g.lying.GetName(), "photos"), store.Segment(g.shared.GetName(), "photos")
		twice[at(g.shared.GetSha256())] = strings.ReplaceAll(lines[lying], id, other)
		var changes []string
		for _, l := range strings.Split(history, "\n") {
			if strings.Contains(l, `"parent":"`+g.lying.GetName()) {
				changes = append(changes, strings.ReplaceAll(l, id, other))
			}
		}
		var all []string
		done := false
		for _, l := range strings.Split(history, "\n") {
			if !strings.Contains(l, `"parent":"`+g.shared.GetName()) {
				all = append(all, l)
			} else if !done {
				all, done = append(all, changes...), true
			}
		}
		answer := sendArchive(t, there, testSecret, "", zipOf(t, with(home+"photos.jsonl", strings.Join(twice, "\n"), home+"photo_revisions.jsonl", strings.Join(all, "\n"))))
		if answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), "photo.sha256: is that of another photo of the plant already") {
			t.Errorf("the same picture twice: status %d: %.600s", answer.status, answer.body)
		}
		// The same picture of two plants, of which one record says otherwise.
		second := slices.Clone(lines)
		for i := len(second) - 1; i >= 0; i-- {
			if strings.Contains(second[i], g.shared.GetSha256()) {
				second[i] = strings.ReplaceAll(second[i], `"widthPx":300`, `"widthPx":299`)
				break
			}
		}
		answer = sendArchive(t, there, testSecret, "", zipOf(t, with(home+"photos.jsonl", strings.Join(second, "\n"))))
		if answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), "photo: says otherwise of its file than line") {
			t.Errorf("two sizes of one file: status %d: %.600s", answer.status, answer.body)
		}
		if n := countCollections(t, there.store); n != 0 {
			t.Errorf("%d collections are kept", n)
		}
		for of := range blobsOf(t, bucket) {
			t.Errorf("files of collections/%s are kept", of)
		}
	})
}

// blobsOf counts what is in a bucket, by collections.
func blobsOf(t testing.TB, bucket *store.Blobs) map[string]int {
	t.Helper()
	out := map[string]int{}
	for _, file := range filesIn(t, bucket.String()) {
		out[store.Segment(filepath.ToSlash(file), "collections")]++
	}
	return out
}

// TestArchiveOfPhotosBreaksOff ends an import at some of its readings, as a broken disk
// would: no photo is to be seen, and the sweeps remove rows and files.
func TestArchiveOfPhotosBreaksOff(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		g := hang(t, engine)
		whole := saveArchive(t, g.doors, testSecret)
		conn := WithToken(g.server.Conn(), testSecret)
		known := map[string]bool{store.Segment(g.collection, "collections"): true}
		for n := 1; len(known) == 1; n += 11 {
			ctx := service.WithFile(t.Context(), &service.SentFile{
				ReaderAt: &breaking{ReaderAt: bytes.NewReader(whole), left: n}, Size: int64(len(whole)), Digest: []byte("digest"),
			})
			answer, err := pb.NewArchiveServiceClient(conn).ImportArchive(ctx, &pb.ImportArchiveRequest{Name: "growers/me"})
			if err == nil {
				known[store.Segment(answer.GetCollections()[0].GetCollection().GetName(), "collections")] = true
			}
			list, err := pb.NewPhotoServiceClient(g.conn).ListPhotos(t.Context(), &pb.ListPhotosRequest{Parent: "collections/-/plants/-", PageSize: 1000})
			if err != nil {
				t.Fatal(err)
			}
			if len(list.GetPhotos()) != 3*len(known) {
				t.Fatalf("after %d readings: %d photos are seen of %d collections", n, len(list.GetPhotos()), len(known))
			}
		}
		if left := blobsOf(t, g.bucket); len(left) <= len(known) {
			t.Errorf("nothing broke off behind the first file: %v", left)
		}
		if _, err := service.Sweep(t.Context(), g.store, g.clock.now().AddDate(0, 0, 2)); err != nil {
			t.Fatal(err)
		}
		if n := countCollections(t, g.store); n != len(known) {
			t.Errorf("%d collections are kept", n)
		}
		g.clock.set(time.Now().AddDate(0, 0, 2)) // files have the times of the machine
		if err := g.server.SweepPhotos(t.Context()); err != nil {
			t.Fatal(err)
		}
		left := blobsOf(t, g.bucket)
		for of := range known {
			if left[of] != len(g.files) {
				t.Errorf("%d files of %d", left[of], len(g.files))
			}
		}
		if len(left) != len(known) {
			t.Errorf("%v", left)
		}
	})
}
