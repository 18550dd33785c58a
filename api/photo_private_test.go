package api

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"image"
	"image/jpeg"
	"net/http"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// byteOrders are both orders of bytes that EXIF may have.
var byteOrders = []binary.AppendByteOrder{binary.BigEndian, binary.LittleEndian}

// What the files of the tests tell of a position, and of a camera: numbers and words that
// stand nowhere else.
const (
	secretNumber = 0x19284a6f
	secretText   = "18.2718281"
	secretWord   = "Needle-Bog"
)

// secretsIn tells which of these are in some bytes.
func secretsIn(text []byte) (found []string) {
	for _, order := range byteOrders {
		if bytes.Contains(text, order.AppendUint32(nil, secretNumber)) {
			found = append(found, fmt.Sprint(order))
		}
	}
	for _, word := range []string{secretText, secretWord, fmt.Sprint(secretNumber), "GPS"} {
		if bytes.Contains(text, []byte(word)) {
			found = append(found, word)
		}
	}
	return found
}

// positioned are pictures that tell where they were taken, each in another place.
func positioned(t testing.TB) map[string][]byte {
	t.Helper()
	plain, picture := jpegOf(t, rosetteOf(200, 150, 80)), pngOf(t, rosetteOf(200, 150, 80))
	files := map[string][]byte{}
	for _, order := range byteOrders {
		f := &exifFile{order: order}
		// GPSLatitudeRef, GPSLatitude, GPSLongitudeRef, GPSLongitude, GPSMapDatum (CIPA DC-008,
		// 4.6.7).
		f.gps = []exifTag{
			exifText(1, "N"), f.rationals(2, 47, 1, 18, 1, secretNumber, 100_000_000),
			exifText(3, "E"), f.rationals(4, 9, 1, 18, 1, secretNumber, 100_000_000), exifText(0x12, secretWord),
		}
		f.camera = []exifTag{{0x927c, 7, 20, []byte(secretWord + "----------")}} // MakerNote
		name := fmt.Sprint(" ", order)
		files["EXIF"+name] = withSegments(plain, exifSegment(f.bytes()))
		files["EXIF of a PNG"+name] = withChunks(picture, chunkOf("eXIf", f.bytes()))
		within := withSegments(jpegOf(t, grained(16, 12)), exifSegment(f.bytes()))
		around := &exifFile{order: order, first: []exifTag{exifText(0x010e, secretWord)}, preview: within}
		around.second = []exifTag{around.short(0x0103, 6)}
		files["a preview"+name] = withSegments(plain, exifSegment(around.bytes()))
	}
	packet := `<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">` +
		`<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="47,` + secretText + `N" exif:GPSLongitude="9,` + secretText + `E"/>` +
		`</rdf:RDF></x:xmpmeta>`
	files["XMP"] = withSegments(plain, xmpSegment(packet))
	files["XMP of a PNG"] = withChunks(picture, chunkOf("iTXt", []byte("XML:com.adobe.xmp\x00\x00\x00\x00\x00"+packet)))
	files["behind the picture"] = append(bytes.Clone(plain), secretWord+secretText...)
	files["a comment"] = withSegments(plain, segmentOf(0xfe, []byte(secretWord+" "+secretText)))
	return files
}

// TestPositionsNeverLeave keeps pictures that tell where they were taken, and looks at all
// that is given out of them: only the original tells, and only managers get it.
func TestPositionsNeverLeave(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAlbum(t, engine, service.Config{})
		calls := pb.NewPhotoServiceClient(a.conn)
		for id, role := range map[string]pb.Grant_Role{"viewer": pb.Grant_VIEWER, "keeper": pb.Grant_KEEPER, "manager": pb.Grant_MANAGER} {
			a.share(t, id, role)
		}
		originals := map[string]bool{}
		paths := []string{
			a.plant + "/photos", a.collection + "/plants/-/photos", "collections/-/plants/-/photos", a.plant, a.plant + "/revisions", a.collection + "/revisions",
			a.collection + "/auditEntries", a.collection + "/plants:export", a.collection + "/observations:export", a.plant + "/observations", a.plant + "/photos:strip",
		}
		for name, file := range positioned(t) {
			if len(secretsIn(file)) == 0 {
				t.Fatalf("%s tells nothing", name)
			}
			originals[string(file)] = true
			status, m, body := a.sendPhoto(t, a.plant, "note=x", "image/jpeg", file)
			if status != http.StatusOK {
				t.Fatalf("%s: status %d: %s", name, status, body)
			}
			a.makeRenditions(t, m)
			line := &pb.Photo_Line{A: &pb.Photo_Point{}, B: &pb.Photo_Point{X: 100}}
			_, err := calls.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: m.GetName(), Scale: &pb.Photo_Scale{Line: line, LengthMm: 10},
				Spans: []*pb.Photo_Span{{Kind: pb.Photo_Span_ROSETTE_DIAMETER, Line: line}}}})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := calls.RecordMeasurement(t.Context(), &pb.RecordMeasurementRequest{Name: m.GetName()}); err != nil {
				t.Fatal(err)
			}
			for _, form := range []string{"", "SMALL", "LARGE"} {
				query := ""
				if form != "" {
					query = "rendition=" + form
				}
				answer, got := a.content(t, m.GetName(), query)
				if found := secretsIn(got); answer.StatusCode != http.StatusOK || len(found) > 0 || bytes.Contains(got, []byte("Exif")) {
					t.Errorf("%s, %q: status %d, tells %v", name, form, answer.StatusCode, found)
				}
				if form == "SMALL" { // the program takes its time
					checkByExifTool(t, got, nil)
				}
			}
			for who, want := range map[string]int{"viewer": http.StatusForbidden, "keeper": http.StatusForbidden, "manager": http.StatusOK} {
				bearer := "Bearer " + secretOf(who)
				answer, got := a.content(t, m.GetName(), "rendition=ORIGINAL", "Authorization", bearer)
				if answer.StatusCode != want || want == http.StatusOK != bytes.Equal(got, file) || want != http.StatusOK && errorReason(errorOf(t, got)) != string(service.RoleMissing) {
					t.Errorf("%s, the original for %s: status %d: %.300s", name, who, answer.StatusCode, got)
				}
				answer, got = a.content(t, m.GetName(), "rendition=ORIGINAL&offset=0", "Authorization", bearer, "Accept", "application/json")
				if answer.StatusCode != want {
					t.Errorf("%s, a piece of the original for %s: status %d: %.300s", name, who, answer.StatusCode, got)
				}
				if answer, _ := a.content(t, m.GetName(), "rendition=SMALL", "Authorization", bearer); answer.StatusCode != http.StatusOK {
					t.Errorf("%s, the rendition for %s: status %d", name, who, answer.StatusCode)
				}
			}
			paths = append(paths, m.GetName(), m.GetName()+"/revisions")
			if _, err := calls.MeasureRosette(t.Context(), &pb.MeasureRosetteRequest{Name: m.GetName()}); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		for _, path := range paths {
			answer := a.sendRaw(t, http.MethodGet, "/v1/"+path, nil, nil)
			if found := secretsIn(answer.body); answer.status != http.StatusOK || len(found) > 0 {
				t.Errorf("%s: status %d, tells %v: %.300s", path, answer.status, found, answer.body)
			}
		}
		// An archive is the grower's own, who may have the originals.
		for name, text := range filesOf(t, saveArchive(t, a.doors, testSecret)) {
			if found := secretsIn([]byte(text)); len(found) > 0 && !originals[text] {
				t.Errorf("%s of the archive tells %v", name, found)
			}
		}
		if found := secretsIn([]byte(a.log.String())); len(found) > 0 {
			t.Errorf("the log tells %v", found)
		}
		for _, table := range []string{"photos", "revisions", "observations", "river_job", "requests"} {
			if found := secretsIn([]byte(strings.Join(allRows(t, a.raw, "SELECT * FROM "+table), "\n"))); len(found) > 0 {
				t.Errorf("rows of %s tell %v", table, found)
			}
		}
	})
}

// share adds a grower to whom the collection is granted. Their secret is secretOf.
func (a *album) share(t *testing.T, id string, role pb.Grant_Role) {
	t.Helper()
	if err := addGrower(t.Context(), a.store, id, secretOf(id), service.Scopes...); err != nil {
		t.Fatal(err)
	}
	err := a.store.Write(t.Context(), func(tx *store.Tx) error {
		c, err := tx.Collection(store.Segment(a.collection, "collections"), a.grower, func(store.Ties) bool { return true })
		if err != nil {
			return err
		}
		by := store.By{Us: time.Now().UnixMicro(), Grower: a.grower}
		if _, err := c.Update(by, func(m *pb.Collection) error { m.Visibility = pb.Collection_SHARED; return nil }); err != nil {
			return err
		}
		_, err = c.CreateGrant(&pb.Grant{Name: store.GrantName(c.ID(), id), Grantee: &pb.Grant_Grower{Grower: store.GrowerName(id)}, Role: role}, by)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// checkByExifTool looks by ExifTool, where it is installed, at what a rendition says beside
// its pixels: what is expected and nothing else.
func checkByExifTool(t *testing.T, file []byte, want map[string]string) {
	t.Helper()
	program, err := exec.LookPath("exiftool")
	if err != nil {
		return // TestRenditionsByExifTool says so
	}
	run := exec.CommandContext(t.Context(), program, "-json", "-G1", "-n", "-x", "System:all", "-x", "ExifTool:all", "-x", "Composite:all", "-")
	run.Stdin = bytes.NewReader(file)
	out, err := run.Output()
	var all []map[string]any
	if err == nil {
		err = json.Unmarshal(out, &all)
	}
	if err != nil || len(all) != 1 {
		t.Fatalf("exiftool: %v: %s", err, out)
	}
	for tag, value := range all[0] {
		if tag == "SourceFile" || strings.HasPrefix(tag, "File:") && tag != "File:Comment" {
			continue // what the picture is
		}
		if fmt.Sprint(value) != want[tag] {
			t.Errorf("%s is %v, not %q", tag, value, want[tag])
		}
	}
	for tag, value := range want {
		if all[0][tag] == nil {
			t.Errorf("%s is not there, but for %q", tag, value)
		}
	}
}

// stampOf reads what a rendition says of itself: the text of the elements of its XMP packet.
func stampOf(t *testing.T, file []byte) map[string]string {
	t.Helper()
	_, rest, found := bytes.Cut(file, []byte("http://ns.adobe.com/xap/1.0/\x00"))
	if !found {
		return nil
	}
	packet, _, found := bytes.Cut(rest, []byte("<?xpacket end"))
	if !found {
		t.Fatalf("the packet does not end: %q", rest[:min(len(rest), 300)])
	}
	said := map[string]string{}
	at := ""
	for d := xml.NewDecoder(bytes.NewReader(packet)); ; {
		token, err := d.Token()
		if token == nil {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := token.(type) {
		case xml.StartElement:
			at = x.Name.Local
			for _, attribute := range x.Attr {
				if attribute.Name.Local == "resource" {
					said[at] = attribute.Value
				}
			}
		case xml.CharData:
			if text := strings.TrimSpace(string(x)); text != "" {
				said[at] += text
			}
		}
	}
	return said
}

// TestCreditInRenditions changes whom to name and the licence: renditions say what the photo
// says now, in any characters, and their ETags tell.
func TestCreditInRenditions(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAlbum(t, engine, service.Config{})
		calls := pb.NewPhotoServiceClient(a.conn)
		by := &exifFile{order: binary.BigEndian, first: []exifTag{exifText(0x013b, "A. Grower")}} // Artist
		status, m, body := a.sendPhoto(t, a.plant, "", "image/jpeg", withSegments(jpegOf(t, grained(400, 300)), exifSegment(by.bytes())))
		if status != http.StatusOK || m.GetCredit() != "A. Grower" || m.GetLicense() != "" {
			t.Fatalf("status %d: %s", status, body)
		}
		a.makeRenditions(t, m)
		tags := map[string]string{}
		for _, c := range []struct{ credit, license, deed string }{
			{"A. Grower", "", ""},
			{"A. Grower", "CC-BY-4.0", "https://creativecommons.org/licenses/by/4.0/"},
			{`</photoshop:Credit><script>alert("1")</script>`, "CC-BY-NC-SA-3.0-DE", "https://creativecommons.org/licenses/by-nc-sa/3.0/de/"},
			{`Ängström & "Söhne" <a@b> ]]> '&amp;' 捕虫`, "CC0-1.0", "https://creativecommons.org/publicdomain/zero/1.0/"},
			{strings.Repeat("捕", 200), "CC-BY-SA-4.0", "https://creativecommons.org/licenses/by-sa/4.0/"},
			{"", "CC-BY-4.0", "https://creativecommons.org/licenses/by/4.0/"},
			{"", "", ""},
		} {
			got, err := calls.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{
				Photo: &pb.Photo{Name: m.GetName(), Credit: c.credit, License: c.license}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"credit", "license"}}})
			if err != nil || got.GetCredit() != c.credit || got.GetLicense() != c.license {
				t.Fatalf("%v, %v", got, err)
			}
			for _, form := range []string{"SMALL", "LARGE"} {
				answer, file := a.content(t, m.GetName(), "rendition="+form, "If-None-Match", tags[form])
				tag := answer.Header.Get("ETag")
				if same := tag == tags[form]; answer.StatusCode == http.StatusNotModified || same {
					t.Errorf("%q: %s: status %d, ETag %s", c.credit, form, answer.StatusCode, tag)
				}
				tags[form] = tag
				want, shown := map[string]string{}, map[string]string{}
				set := func(element, exifTool, value string) {
					if value != "" {
						want[element], shown[exifTool] = value, value
					}
				}
				set("Credit", "XMP-photoshop:Credit", c.credit)
				set("li", "XMP-xmpRights:UsageTerms", c.license)
				set("WebStatement", "XMP-xmpRights:WebStatement", c.deed)
				set("license", "XMP-cc:License", c.deed)
				if said := stampOf(t, file); fmt.Sprint(said) != fmt.Sprint(want) {
					t.Errorf("%s says %v, not %v", form, said, want)
				}
				checkByExifTool(t, file, shown)
				if _, err := jpeg.Decode(bytes.NewReader(file)); err != nil {
					t.Errorf("%s: %v", form, err)
				}
				if answer, _ := a.content(t, m.GetName(), "rendition="+form, "If-None-Match", tag); answer.StatusCode != http.StatusNotModified {
					t.Errorf("%s again: status %d", form, answer.StatusCode)
				}
			}
		}
		// The original stays as it is, byte by byte.
		before, _ := a.content(t, m.GetName(), "rendition=ORIGINAL")
		if before.Header.Get("ETag") != `"`+m.GetSha256()+`"` {
			t.Errorf("ETag %s", before.Header.Get("ETag"))
		}
		for _, c := range []struct{ credit, license, field string }{
			{"a\nb", "", "photo.credit"}, {"a\x00b", "", ""}, {strings.Repeat("x", 201), "", "photo.credit"},
			{"", "MIT", "photo.license"}, {"", "CC-BY", "photo.license"}, {"", "https://creativecommons.org/licenses/by/4.0/", "photo.license"},
		} {
			_, err := calls.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{
				Photo: &pb.Photo{Name: m.GetName(), Credit: c.credit, License: c.license}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"credit", "license"}}})
			if r := photoRefusal(err); r.reason != string(service.InvalidFields) || !strings.Contains(r.message, c.field) {
				t.Errorf("%q, %q: %v", c.credit, c.license, err)
			}
		}
	})
}

// TestRenditionsByExifTool says whether the other tests look at renditions by ExifTool.
func TestRenditionsByExifTool(t *testing.T) {
	if _, err := exec.LookPath("exiftool"); err != nil {
		t.Skip("ExifTool is not installed (Debian: libimage-exiftool-perl), so renditions are only read by encoding/xml")
	}
	checkByExifTool(t, jpegOf(t, grained(60, 40)), nil)
}

// photoClock is the day of the server in the tests of time, and a little later it is
// tomorrow in Berlin.
var photoClock = time.Date(2026, 6, 15, 12, 0, 0, 0, time.UTC)

// TestWhenPhotosWereTaken reads when a photo was taken from both orders of bytes, from
// clocks that know their offset, do not, or were never set.
func TestWhenPhotosWereTaken(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{Now: func() time.Time { return photoClock }})
	calls := pb.NewPhotoServiceClient(a.conn)
	const sent = "2026-06-15T12:00:00Z"
	for i, c := range []struct {
		clock, fraction, offset string
		taken                   string
		day                     string
		source                  pb.Photo_TimeSource
	}{
		{"2026:05:10 08:30:00", "", "", "2026-05-10T06:30:00Z", "2026-05-10", pb.Photo_CAMERA},
		{"2026:01:10 08:30:00", "", "", "2026-01-10T07:30:00Z", "2026-01-10", pb.Photo_CAMERA},
		{"2026:05:10 08:30:00", "05", "", "2026-05-10T06:30:00.050Z", "2026-05-10", pb.Photo_CAMERA},
		{"2026:05:10 08:30:00", "", "+09:00", "2026-05-09T23:30:00Z", "2026-05-10", pb.Photo_CAMERA_WITH_OFFSET},
		{"2026:05:10 20:30:00", "25", "-07:00", "2026-05-11T03:30:00.250Z", "2026-05-11", pb.Photo_CAMERA_WITH_OFFSET},
		{"2026:05:10 08:30:00", "", "+05:45", "2026-05-10T02:45:00Z", "2026-05-10", pb.Photo_CAMERA_WITH_OFFSET},
		{"2026:05:10 08:30:00", "", "   :  ", "2026-05-10T06:30:00Z", "2026-05-10", pb.Photo_CAMERA},
		{"2026:05:10 08:30:00", "", "+99:00", "2026-05-10T06:30:00Z", "2026-05-10", pb.Photo_CAMERA},
		// A clock that the change to summer time skipped counts on with the offset before it
		// (RFC 5545, 3.3.5).
		{"2026:03:29 02:30:00", "", "", "2026-03-29T01:30:00Z", "2026-03-29", pb.Photo_CAMERA},
		// A fast clock, or a place where it is tomorrow already.
		{"2026:06:16 23:59:59", "", "", "2026-06-16T21:59:59Z", "2026-06-16", pb.Photo_CAMERA},
		{"2026:06:17 00:00:00", "", "", sent, "2026-06-15", pb.Photo_SENT},
		{"2036:06:15 10:00:00", "", "", sent, "2026-06-15", pb.Photo_SENT},
		{"9999:12:31 23:59:59", "", "+14:00", sent, "2026-06-15", pb.Photo_SENT},
		{"1980:01:01 00:00:00", "", "", sent, "2026-06-15", pb.Photo_SENT},
		{"1970:01:01 00:00:00", "", "+01:00", sent, "2026-06-15", pb.Photo_SENT},
		{"0000:00:00 00:00:00", "", "", sent, "2026-06-15", pb.Photo_SENT},
		{"    :  :     :  :  ", "", "", sent, "2026-06-15", pb.Photo_SENT}, // not known (CIPA DC-008, 4.6.6)
		{"2026:13:41 25:61:61", "", "", sent, "2026-06-15", pb.Photo_SENT},
		{"2026:02:29 10:00:00", "", "", sent, "2026-06-15", pb.Photo_SENT},
		{"yesterday, at noon!", "", "", sent, "2026-06-15", pb.Photo_SENT},
		{"", "", "", sent, "2026-06-15", pb.Photo_SENT},
	} {
		for _, order := range byteOrders {
			f := &exifFile{order: order}
			f.camera = []exifTag{}
			for tag, text := range map[uint16]string{0x9003: c.clock, 0x9291: c.fraction, 0x9011: c.offset} {
				if text != "" {
					f.camera = append(f.camera, exifText(tag, text))
				}
			}
			slices.SortFunc(f.camera, func(a, b exifTag) int { return int(a.tag) - int(b.tag) })
			plain := withSegments(jpegOf(t, grained(16, 12)), segmentOf(0xfe, fmt.Append(nil, i, order)))
			m, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, withSegments(plain, exifSegment(f.bytes())), 1000)
			if err != nil {
				t.Fatal(err)
			}
			check := func(m *pb.Photo, taken, day string, source pb.Photo_TimeSource) {
				t.Helper()
				want, err := time.Parse(time.RFC3339Nano, taken)
				if err != nil {
					t.Fatal(err)
				}
				if !m.GetTakenTime().AsTime().Equal(want) || m.GetTakenDate() != day || m.GetTakenSource() != source {
					t.Errorf("%v %q %q %q: taken %s, on %s, %v; want %s, on %s, %v", order, c.clock, c.fraction, c.offset,
						m.GetTakenTime().AsTime().Format(time.RFC3339Nano), m.GetTakenDate(), m.GetTakenSource(), taken, day, source)
				}
			}
			check(m, c.taken, c.day, c.source)
			told, err := calls.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: m.GetName(), TakenTime: timestamppb.New(photoClock.Add(-48 * time.Hour))}})
			if err != nil {
				t.Fatal(err)
			}
			check(told, "2026-06-13T12:00:00Z", "2026-06-13", pb.Photo_TOLD)
			answer := a.sendRaw(t, http.MethodPatch, "/v1/"+m.GetName()+"?updateMask=takenTime", [][2]string{{"Content-Type", "application/json"}}, []byte(`{}`))
			if answer.status != http.StatusOK {
				t.Fatalf("status %d: %s", answer.status, answer.body)
			}
			cleared, err := calls.GetPhoto(t.Context(), &pb.GetPhotoRequest{Name: m.GetName()})
			if err != nil {
				t.Fatal(err)
			}
			check(cleared, c.taken, c.day, c.source)
		}
	}
	// What is told wins over the camera, and may not lie far ahead.
	for query, want := range map[string]int{
		"takenDate=2026-06-16": http.StatusOK, "takenTime=2026-06-16T21:00:00Z": http.StatusOK, "takenDate=2026-06-17": http.StatusBadRequest,
		"takenDate=1826-06-17": http.StatusBadRequest, "takenDate=2026-02-30": http.StatusBadRequest, "takenDate=2026-06-14&takenTime=2026-06-12T10:00:00Z": http.StatusBadRequest,
	} {
		status, _, body := a.sendPhoto(t, a.plant, query+"&validateOnly=true", "image/jpeg", jpegOf(t, grained(16, 12)))
		if status != want || want != http.StatusOK && (errorReason(errorOf(t, []byte(body))) != string(service.InvalidFields) || !strings.Contains(body, `"field":"taken`)) {
			t.Errorf("%s: status %d: %s", query, status, body)
		}
	}
}

// TestOrientation turns a picture by all orientations, in both orders of bytes.
func TestOrientation(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	calls := pb.NewPhotoServiceClient(a.conn)
	// Which sides of what is seen the first row and the first column of the file are (CIPA
	// DC-008, 4.6.5, tag 274).
	sides := [9][2]string{1: {"top", "left"}, {"top", "right"}, {"bottom", "right"}, {"bottom", "left"}, {"left", "top"}, {"right", "top"}, {"right", "bottom"}, {"left", "bottom"}}
	opposite := map[string]string{"top": "bottom", "bottom": "top", "left": "right", "right": "left"}
	for _, order := range byteOrders {
		for o := range 10 {
			as := max(o, 1)
			if o == 9 { // there is none of that number
				as = 1
			}
			f := &exifFile{order: order}
			f.first = []exifTag{f.short(0x0112, uint16(o))}
			m, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, withSegments(jpegOf(t, grained(640, 400)), exifSegment(f.bytes())), 1<<16)
			if err != nil {
				t.Fatal(err)
			}
			width, height := 640, 400
			if as >= 5 {
				width, height = 400, 640
			}
			if int(m.GetWidthPx()) != width || int(m.GetHeightPx()) != height {
				t.Errorf("%d: %d x %d pixels", o, m.GetWidthPx(), m.GetHeightPx())
			}
			a.makeRenditions(t, m)
			row, column := sides[as][0], sides[as][1]
			want := map[string]string{}
			for corner, colour := range map[[2]string]string{{row, column}: "red", {row, opposite[column]}: "green", {opposite[row], opposite[column]}: "blue", {opposite[row], column}: "white"} {
				slices.Sort(corner[:])
				want[corner[0]+" "+corner[1]] = colour
			}
			for form, longest := range map[string]int{"SMALL": 320, "LARGE": 640} {
				_, file := a.content(t, m.GetName(), "rendition="+form)
				img, err := jpeg.Decode(bytes.NewReader(file))
				if err != nil {
					t.Fatal(err)
				}
				size := img.Bounds().Size()
				if size != image.Pt(width*longest/640, height*longest/640) {
					t.Errorf("%d: %s has %v", o, form, size)
				}
				for corner, at := range map[string]image.Point{
					"left top": {4, 4}, "right top": {size.X - 5, 4}, "bottom right": {size.X - 5, size.Y - 5}, "bottom left": {4, size.Y - 5},
				} {
					if got := colourAt(img, at); got != want[corner] {
						t.Errorf("%v %d: %s, %s: %s, want %s", order, o, form, corner, got, want[corner])
					}
				}
			}
			// Places are counted on the upright picture.
			line := func(x, y float64) *pb.Photo_Line {
				return &pb.Photo_Line{A: &pb.Photo_Point{}, B: &pb.Photo_Point{X: x, Y: y}}
			}
			measured, err := calls.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: m.GetName(), Scale: &pb.Photo_Scale{Line: line(float64(width), 0), LengthMm: float64(width) / 10},
				Spans: []*pb.Photo_Span{{Kind: pb.Photo_Span_HEIGHT, Line: line(0, float64(height))}}}})
			if err != nil || measured.GetSpans()[0].GetLengthMm() < float64(height)/10-0.001 || measured.GetSpans()[0].GetLengthMm() > float64(height)/10+0.001 {
				t.Errorf("%d: %v, %v", o, measured, err)
			}
			_, err = calls.UpdatePhoto(t.Context(), &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: m.GetName(), Spans: []*pb.Photo_Span{{Kind: pb.Photo_Span_HEIGHT, Line: line(0, float64(height)+1)}}}})
			if r := photoRefusal(err); r.reason != string(service.InvalidFields) || !strings.Contains(r.message, "photo.spans[0].line.b.y") {
				t.Errorf("%d: %v", o, err)
			}
		}
	}
}

// colourAt names a colour of a corner of grained.
func colourAt(img image.Image, at image.Point) string {
	r, g, b, _ := img.At(at.X, at.Y).RGBA()
	high := func(v uint32) bool { return v > 0x9000 }
	switch [3]bool{high(r), high(g), high(b)} {
	case [3]bool{true, false, false}:
		return "red"
	case [3]bool{false, true, false}:
		return "green"
	case [3]bool{false, false, true}:
		return "blue"
	case [3]bool{true, true, true}:
		return "white"
	}
	return fmt.Sprint(r, g, b)
}
