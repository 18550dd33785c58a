package photo

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"image/color"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "make testdata anew, with the programs that its README names")

// TestFiles makes the pictures of testdata, and else tells that they are there.
func TestFiles(t *testing.T) {
	folder := t.TempDir()
	put := func(name string, data []byte) string {
		path := filepath.Join(folder, name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	img := drawn(160, 120)
	whole := put("drawn.png", pngOf(t, img))
	pixmap := []byte("P6\n160 120\n255\n") // Netpbm, ppm(5)
	for at := 0; at < len(img.Pix); at += 4 {
		pixmap = append(pixmap, img.Pix[at:at+3]...)
	}
	pnm := put("drawn.ppm", pixmap)
	for y := 40; y < 80; y++ {
		for x := 60; x < 100; x++ {
			img.SetNRGBA(x, y, color.NRGBA{})
		}
	}
	hole := put("hole.png", pngOf(t, img))
	for _, command := range [][]string{
		{"progressive.jpg", "cjpeg", "-progressive", "-quality", "85", "-outfile", "OUT", pnm},
		{"grey.jpg", "cjpeg", "-grayscale", "-optimize", "-quality", "85", "-outfile", "OUT", pnm},
		{"lossy.webp", "cwebp", "-quiet", "-q", "85", whole, "-o", "OUT"},
		{"lossless.webp", "cwebp", "-quiet", "-lossless", whole, "-o", "OUT"},
		{"transparent.webp", "cwebp", "-quiet", "-q", "85", "-exact", hole, "-o", "OUT"},
		{"lossy.png", "dwebp", "-quiet", "-nofancy", filepath.Join("testdata", "lossy.webp"), "-o", "OUT"},
	} {
		name, command := command[0], command[1:]
		out := filepath.Join("testdata", name)
		if *update {
			for i := range command {
				if command[i] == "OUT" {
					command[i] = out
				}
			}
			if said, err := exec.Command(command[0], command[1:]...).CombinedOutput(); err != nil {
				t.Fatalf("%v: %v\n%s", command, err, said)
			}
		}
		if len(read(t, name)) == 0 {
			t.Error(name, "is empty")
		}
	}
}

// seen is what ExifTool reads in a file.
type seen struct {
	SHA256 string
	Tags   map[string]any
}

// TestExifTool compares what Inspect reads with what ExifTool 12.57 read in the same files,
// as recorded in testdata/exiftool.json. The files are those of tagged.
func TestExifTool(t *testing.T) {
	const record = "exiftool.json"
	files := tagged(t)
	var said map[string]seen
	if *update {
		said = map[string]seen{}
		for name, file := range files {
			said[name] = seen{digest(file), exifTool(t, file)}
		}
		out, err := json.MarshalIndent(said, "", "\t")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join("testdata", record), append(out, '\n'), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	said = nil
	if err := json.Unmarshal(read(t, record), &said); err != nil {
		t.Fatal(err)
	}
	if len(said) != len(files) {
		t.Fatal(len(said), len(files))
	}
	for name, file := range files {
		t.Run(name, func(t *testing.T) {
			// The picture is left out, as encoders may write it otherwise some day.
			if said[name].SHA256 != digest(file) {
				t.Fatal("the file is another than ExifTool read: run with -update")
			}
			tags := said[name].Tags
			first := func(names ...string) any {
				for _, n := range names {
					if v := tags[n]; v != nil {
						return v
					}
				}
				return nil
			}
			head, err := Judge(bytes.NewReader(file))
			if err != nil {
				t.Fatal(err)
			}
			facts, err := Inspect(bytes.NewReader(file), head)
			if err != nil {
				t.Fatal(err)
			}
			if got, want := fmt.Sprint(head.Width, head.Height), fmt.Sprint(tags["File:ImageWidth"], tags["File:ImageHeight"]); got != want && tags["File:ImageWidth"] != nil {
				t.Error(got, want)
			}
			orientation := first("IFD0:Orientation")
			if orientation == nil {
				orientation = 1
			}
			if fmt.Sprint(facts.Orientation) != fmt.Sprint(orientation) {
				t.Error(facts.Orientation, orientation)
			}
			var clock string
			if facts.Taken != nil {
				clock = facts.Taken.Clock.Format("2006:01:02 15:04:05.999999999")
				if facts.Taken.Offset != nil {
					clock += "+02:00" // the only one in tagged
				}
			}
			want := first("Composite:SubSecDateTimeOriginal", "ExifIFD:DateTimeOriginal", "XMP-exif:DateTimeOriginal")
			if text, ok := want.(string); ok {
				want = strings.Replace(text, ".050", ".05", 1) // ExifTool keeps the text
			}
			if clock != fmt.Sprint(want) && (want != nil || clock != "") {
				t.Error(clock, want)
			}
			credit := first("IPTC:Credit", "XMP-photoshop:Credit", "IPTC:By-line", "XMP-dc:Creator", "IFD0:Artist", "IFD0:Copyright")
			if many, ok := credit.([]any); ok {
				credit = fmt.Sprint(many[0], ", ", many[1])
			}
			if credit == nil {
				credit = ""
			}
			if facts.Credit != credit {
				t.Errorf("%q %q", facts.Credit, credit)
			}
			if want := first("XMP-cc:License", "XMP-xmpRights:WebStatement"); facts.License != fmt.Sprint(want) && (want != nil || facts.License != "") {
				t.Error(facts.License, want)
			}
		})
	}
}

func digest(file []byte) string {
	sum := sha256.Sum256(file)
	return hex.EncodeToString(sum[:])
}

// exifTool returns what ExifTool reads in a file, by group and name.
func exifTool(t testing.TB, file []byte) map[string]any {
	t.Helper()
	command := exec.Command("exiftool", "-json", "-G1", "-n", "-x", "System:all", "-")
	command.Stdin = bytes.NewReader(file)
	out, err := command.Output()
	if err != nil {
		t.Fatal(err)
	}
	var all []map[string]any
	if err := json.Unmarshal(out, &all); err != nil || len(all) != 1 {
		t.Fatal(err, len(all))
	}
	delete(all[0], "SourceFile")
	return all[0]
}
