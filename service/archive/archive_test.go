package archive

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"strings"
	"testing"
	"time"
)

var made = time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC)

// write writes an archive of files.
func write(t testing.TB, files ...[2]string) []byte {
	t.Helper()
	var out bytes.Buffer
	w := NewWriter(&out, made)
	for _, f := range files {
		var err error
		if _, photo := PhotoOf(f[0]); photo {
			err = w.AddPhoto(f[0], []byte(f[1]))
		} else {
			err = w.Add(f[0], f[1])
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// readWhole reads all files of an archive.
func readWhole(text []byte) (map[string]string, error) {
	r, err := Open(bytes.NewReader(text), int64(len(text)))
	if err != nil {
		return nil, err
	}
	out, counter := map[string]string{}, &Counter{}
	for _, file := range r.Paths() {
		if file == Descriptor {
			continue
		}
		if _, photo := PhotoOf(file); photo {
			in, err := r.Photo(file)
			if err != nil {
				return nil, err
			}
			data, err := io.ReadAll(in)
			if err = errors.Join(err, in.Close()); err != nil {
				return nil, err
			}
			if int64(len(data)) != r.Size(file) {
				return nil, fmt.Errorf("%s has %d bytes, and tells of %d", file, len(data), r.Size(file))
			}
			out[file] = string(data)
			continue
		}
		lines := r.Lines(file, MaxLine, counter)
		var all strings.Builder
		for {
			text, ok, err := lines.Next()
			if err != nil {
				return nil, errors.Join(err, lines.Close())
			}
			if !ok {
				break
			}
			all.Write(append(text, '\n'))
		}
		out[file] = all.String()
		if err := lines.Close(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// TestWriteAndRead reads what was written, by this package and by encoding/json and
// archive/zip of Go: the descriptor has what the specification of Data Packages asks for.
func TestWriteAndRead(t *testing.T) {
	text := write(t, [2]string{"grower.json", "{}\n"}, [2]string{"collections/a/plants.jsonl", "1\n"},
		[2]string{"collections/a/plants.jsonl", "2\n"}, [2]string{"collections/a/empty.jsonl", ""})
	files, err := readWhole(text)
	if err != nil || files["collections/a/plants.jsonl"] != "1\n2\n" || files["grower.json"] != "{}\n" || len(files) != 3 {
		t.Fatalf("%v, %v", files, err)
	}
	z, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
	if err != nil {
		t.Fatal(err)
	}
	in, err := z.Open(Descriptor)
	if err != nil {
		t.Fatal(err)
	}
	var all struct {
		Profile   string
		Created   string
		Resources []struct{ Name, Path, Hash string }
	}
	if err := json.NewDecoder(in).Decode(&all); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256([]byte("1\n2\n"))
	if all.Profile != "data-package" || all.Created != "2026-05-11T09:00:00Z" || len(all.Resources) != 3 ||
		all.Resources[1].Hash != "sha256:"+hex.EncodeToString(sum[:]) || all.Resources[1].Path != "collections/a/plants.jsonl" {
		t.Errorf("%+v", all)
	}
	var out bytes.Buffer
	w := NewWriter(&out, made)
	for _, bad := range []string{"", "/a.json", "collections/a/photos/" + strings.Repeat("0", 64), "../a.json", "a/b/c/d.json", Descriptor, "a.exe", `a\b.json`} {
		if err := w.Add(bad, "x"); err == nil {
			t.Errorf("%q was written", bad)
		}
	}
}

// TestDamage cuts an archive off at every byte and changes every byte: what comes out is
// the same, or a fault.
func TestDamage(t *testing.T) {
	text := write(t, [2]string{"grower.json", "{}\n"}, [2]string{"collections/a/plants.jsonl", strings.Repeat("a plant\n", 40)},
		picture("a", "not much of a picture"))
	whole, err := readWhole(text)
	if err != nil {
		t.Fatal(err)
	}
	for n := range text {
		if _, err := readWhole(text[:n]); err == nil {
			t.Errorf("cut off after %d bytes it is read", n)
		}
		changed := bytes.Clone(text)
		changed[n] ^= 0x10
		files, err := readWhole(changed)
		var f *Fault
		if err != nil && !errors.As(err, &f) {
			t.Errorf("byte %d: %v", n, err)
		}
		if err == nil && fmt.Sprint(files) != fmt.Sprint(whole) {
			t.Errorf("byte %d: %v", n, files)
		}
	}
}

// TestLimits makes archives of more than there may be.
func TestLimits(t *testing.T) {
	stored := func(name, text string, declared uint64) []byte {
		var out bytes.Buffer
		z := zip.NewWriter(&out)
		add := func(name, text string) {
			to, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := to.Write([]byte(text)); err != nil {
				t.Fatal(err)
			}
		}
		add(name, text)
		sum := sha256.Sum256([]byte(text))
		add(Descriptor, fmt.Sprintf(`{"dewbenchFormat":1,"resources":[{"path":%q,"bytes":%d,"hash":"sha256:%x"}]}`, name, declared, sum))
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	rows := strings.Repeat("{}\n", 2_000_000)
	many := func() []byte {
		var out bytes.Buffer
		z := zip.NewWriter(&out)
		for i := range MaxFiles + 1 {
			if _, err := z.Create(fmt.Sprintf("%d.json", i)); err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	lying := func() []byte { // says that it has few files
		text := many()
		at := bytes.LastIndex(text, []byte("PK\x05\x06"))
		binary.LittleEndian.PutUint16(text[at+8:], 1)
		binary.LittleEndian.PutUint16(text[at+10:], 1)
		return text
	}
	for _, c := range []struct {
		name string
		text []byte
		want string
	}{
		{"rows", stored("a.jsonl", rows, uint64(len(rows))), "a.jsonl line 1000001: is one of more than 1000000 records of the archive"},
		{"files", many(), "the archive has too many files: 20000 are the most"},
		{"files, and it lies", lying(), "the archive is not a whole ZIP file"},
		{"a size that is not so", stored("a.jsonl", "{}\n", 4), "a.jsonl: has 3 bytes, and by datapackage.json it has 4"},
		{"a line", stored("a.jsonl", strings.Repeat("x", MaxLine+2), MaxLine+2), "a.jsonl line 1: is longer than 1048576 bytes"},
		{"ratio", write(t, [2]string{"a.jsonl", strings.Repeat("x", 8<<20)}), "a.jsonl: is packed more than 250 to 1"},
	} {
		if _, err := readWhole(c.text); err == nil || err.Error() != c.want {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, err := Open(bytes.NewReader(nil), MaxBytes+1); err == nil {
		t.Error("an archive that is too large is read")
	}
}

// FuzzReader reads anything: a fault, or what is there.
func FuzzReader(f *testing.F) {
	f.Add(write(f, [2]string{"grower.json", "{}\n"}, [2]string{"collections/a/plants.jsonl", "a\nb\n"}))
	f.Add(write(f, picture("a", "a"), picture("b", "a")))
	f.Add(write(f))
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\x00", 18)))
	f.Fuzz(func(t *testing.T, text []byte) {
		_, err := readWhole(text)
		var fault *Fault
		if err != nil && !errors.As(err, &fault) {
			t.Fatal(err)
		}
	})
}

// TestHiddenDirectory makes archives whose list of files is longer than the record at the
// end makes it look at first: by the length in that record, which archive/zip counts back
// from the end, and by the larger record of long archives, which it reads instead.
func TestHiddenDirectory(t *testing.T) {
	const entries = 4<<16 + 1 // of 51 bytes, 12 MiB: 1 by the 16 bits that count them
	entry := make([]byte, 46, 51)
	copy(entry, "PK\x01\x02")
	binary.LittleEndian.PutUint16(entry[28:], 5)
	list := bytes.Repeat(append(entry, "a.txt"...), entries)
	end := func(files uint16, length, offset uint32) []byte {
		out := make([]byte, 22)
		copy(out, "PK\x05\x06")
		binary.LittleEndian.PutUint16(out[10:], files)
		binary.LittleEndian.PutUint32(out[12:], length)
		binary.LittleEndian.PutUint32(out[16:], offset)
		return out
	}
	larger := make([]byte, 56+20)
	copy(larger, "PK\x06\x06")
	binary.LittleEndian.PutUint64(larger[24:], entries)
	binary.LittleEndian.PutUint64(larger[32:], entries)
	binary.LittleEndian.PutUint64(larger[40:], uint64(len(list)))
	copy(larger[56:], "PK\x06\x07")
	binary.LittleEndian.PutUint64(larger[56+8:], uint64(len(list)))
	binary.LittleEndian.PutUint32(larger[56+16:], 1)
	for name, text := range map[string][]byte{
		"length": bytes.Join([][]byte{list, end(1, uint32(len(list)), uint32(len(list)))}, nil),
		"zip64":  bytes.Join([][]byte{list, larger, end(1, math.MaxUint16, uint32(len(list)))}, nil),
	} {
		if z, err := zip.NewReader(bytes.NewReader(text), int64(len(text))); err != nil || len(z.File) != entries {
			t.Fatalf("%s: archive/zip reads %v", name, err)
		}
		var f *Fault
		if err := checkDirectory(bytes.NewReader(text), int64(len(text))); !errors.As(err, &f) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestLongDescription names more files than there may be, in few bytes.
func TestLongDescription(t *testing.T) {
	for _, one := range []string{"{}", "null"} {
		var all packaged
		err := json.Unmarshal([]byte(`{"resources":[`+strings.Repeat(one+",", MaxFiles)+one+`]}`), &all)
		if err == nil || len(all.Resources) > MaxFiles {
			t.Errorf("%s: %d, %v", one, len(all.Resources), err)
		}
	}
}

// picture is the file of a photo of a collection.
func picture(collection, data string) [2]string {
	sum := sha256.Sum256([]byte(data))
	return [2]string{PhotoFile(collection, hex.EncodeToString(sum[:])), data}
}

// TestPhotos writes files of photos in pieces: archive/zip of Go finds them as they are, and
// what is not all there is not given out.
func TestPhotos(t *testing.T) {
	data := strings.Repeat("a picture", 1000)
	file := picture("a", data)[0]
	var out bytes.Buffer
	w := NewWriter(&out, made)
	for _, piece := range []string{data[:10], data[10:20], data[20:]} {
		if err := w.AddPhoto(file, []byte(piece)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Add("grower.json", "{}\n"); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(out.Bytes()), int64(out.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if f := z.File[0]; f.Name != file || f.Method != zip.Store || f.CRC32 != crc32.ChecksumIEEE([]byte(data)) {
		t.Errorf("%+v", f.FileHeader)
	}
	if files, err := readWhole(out.Bytes()); err != nil || files[file] != data {
		t.Errorf("%v", err)
	}
	half := NewWriter(io.Discard, made)
	if err := half.AddPhoto(file, []byte(data[:10])); err != nil {
		t.Fatal(err)
	}
	if err := half.Close(); err == nil || !strings.Contains(err.Error(), file+" is damaged") {
		t.Errorf("half of it: %v", err)
	}
	half = NewWriter(io.Discard, made)
	if err := half.AddPhoto(file, []byte(data[:10])); err != nil {
		t.Fatal(err)
	}
	if err := half.Add("grower.json", "{}\n"); err == nil {
		t.Error("half of it, and another file")
	}
	for _, bad := range []string{"", "grower.json", "photos/" + strings.Repeat("0", 64), "collections/a/photos/" + strings.Repeat("0", 63), "collections/A/photos/" + strings.Repeat("0", 64)} {
		if err := NewWriter(io.Discard, made).AddPhoto(bad, []byte("x")); err == nil {
			t.Errorf("%q was written", bad)
		}
	}
	if _, err := (&Reader{}).Photo(file); err == nil {
		t.Error("a file that is not there is read")
	}
}

// TestLyingPhotos reads files of photos that are not what their names say.
func TestLyingPhotos(t *testing.T) {
	good := picture("a", "a picture")
	digest := strings.TrimPrefix(good[0], "collections/a/photos/")
	pack := func(method uint16, data string, size uint64, hash string) []byte {
		var out bytes.Buffer
		z := zip.NewWriter(&out)
		to, err := z.CreateHeader(&zip.FileHeader{Name: good[0], Method: method})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.WriteString(to, data); err != nil {
			t.Fatal(err)
		}
		if to, err = z.Create(Descriptor); err != nil {
			t.Fatal(err)
		}
		if _, err := fmt.Fprintf(to, `{"dewbenchFormat":2,"resources":[{"path":%q,"bytes":%d,"hash":"sha256:%s"}]}`, good[0], size, hash); err != nil {
			t.Fatal(err)
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	large := func() []byte { // by its headers alone
		var out bytes.Buffer
		z := zip.NewWriter(&out)
		for i := range 3 {
			if _, err := z.CreateRaw(&zip.FileHeader{Name: fmt.Sprintf("collections/a/photos/%064d", i), CompressedSize64: MaxPhotoBytes / 2, UncompressedSize64: MaxPhotoBytes / 2}); err != nil {
				t.Fatal(err)
			}
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	const changed = "is not what its name says it is: it was changed or damaged"
	for _, c := range []struct {
		name string
		text []byte
		want string
	}{
		{"as it is", pack(zip.Store, good[1], 9, digest), ""},
		{"packed", pack(zip.Deflate, good[1], 9, digest), ""},
		{"other bytes", pack(zip.Store, "A picture", 9, digest), good[0] + ": " + changed},
		{"other bytes, packed", pack(zip.Deflate, "A picture", 9, digest), good[0] + ": " + changed},
		{"nothing", pack(zip.Store, "", 0, digest), good[0] + ": " + changed},
		{"another digest", pack(zip.Store, good[1], 9, strings.Repeat("0", 64)), good[0] + ": has another digest in datapackage.json than in its name"},
		{"another size", pack(zip.Store, good[1], 8, digest), good[0] + ": has 9 bytes, and by datapackage.json it has 8"},
		{"more than are taken", large(), fmt.Sprintf("the archive has photos of more than %d bytes together", MaxPhotoBytes)},
	} {
		_, err := readWhole(c.text)
		if (err == nil) != (c.want == "") || err != nil && err.Error() != c.want {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}
