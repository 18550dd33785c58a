// Package archive writes and reads the files of an archive of a grower's data: a ZIP file
// with a Frictionless Data Package, whose tables are JSON Lines. It knows names, sizes and
// digests, and nothing of what the lines say.
package archive

import (
	"archive/zip"
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"math"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// Format is the version of the archives that are written. Older ones are read too: those
// of version 1 have no photos.
const (
	Format       = 2
	oldestFormat = 1
)

// Descriptor is the file that names all others with their sizes and digests, by the
// specification of Data Packages (specs.frictionlessdata.io, version 1).
const Descriptor = "datapackage.json"

// What an archive may be at most.
const (
	MaxBytes       = 1 << 30   // of the ZIP file: what comes within 15 minutes at 10 Mbit/s
	MaxInflated    = 1 << 30   // of all files together but photos, after inflation
	MaxPhotoBytes  = 768 << 20 // of all photos together
	MaxFiles       = 20_000
	MaxPhotos      = 18_000    // files of photos that are given out, so that there is room for others
	MaxRatio       = 250       // of a file's size to that in the ZIP file, where it has a MiB or more
	MaxRecords     = 1_000_000 // lines of all tables together
	MaxLine        = 1 << 20   // of a line in bytes
	MaxLongLine    = 8 << 20   // of a line of what may be long: a collection, its history, a bench sheet
	maxDirectory   = 8 << 20   // of the list of files in the ZIP file
	maxDescription = 16 << 20
)

// License says what may be done with an archive, and what to mind. It stands in the file
// README.txt of each.
const License = `What this is
------------
All that one grower keeps on a server for collections of carnivorous plants. The data is the grower's
own. Nobody but the grower has a licence to use it: ask before you pass it on.

Mind
----
It tells what is kept secret elsewhere: where rare plants stand and come from, how to
reach people, who bought what. The files of photos may tell where they were taken. Keep
it like a key, and delete copies that nobody needs.
Secrets of tokens and calendars are not in it: nobody can call a server with it.

What is in it
-------------
datapackage.json         the list of all files, with sizes and digests (SHA-256)
grower.json              the grower
societies.jsonl          societies of which the grower is a member (for information)
tokens.jsonl             tokens, without secrets (for information)
calendars.jsonl          calendars, without secrets (for information)
collections/ID/          one folder for each collection that the grower owns:
  collection.json          the collection: time zone, place, absences, regimens
  benches.jsonl            benches
  plants.jsonl             plants
  feedings.jsonl           feedings; one with a deleteTime was voided
  observations.jsonl       observations, likewise
  photos.jsonl             photos: what is said of them and measured on them
  photos/                  their files as they were sent, each called by its SHA-256
  *_revisions.jsonl        the history: what stood before each change
  sheets.jsonl             bench sheets
  grants.jsonl             with whom it is shared (for information)

A file .jsonl has one JSON object in each line. Its fields are those of the interface of
the server (/openapi.json). Times are those of UTC.

To take it in, on any server, up to 16 MiB: dewbench archive restore FILE
Up to 1 GiB over HTTP, with the token of a grower there:
` + HowToSend + "\n"

// HowToSend takes an archive in over HTTP. FILE, SERVER and the token are the caller's.
const HowToSend = `  curl -H "Authorization: Bearer $DEWBENCH_TOKEN" -H "Content-Type: application/zip" \
    --data-binary @FILE "https://SERVER/v1/growers/me:import"`

// goodPath is what the path of a file may be, but for those of photos.
var goodPath = regexp.MustCompile(`^(?:[a-z0-9_-]{1,80}/){0,2}[A-Za-z0-9_-]{1,80}\.(?:json|jsonl|txt)$`)

var photoPath = regexp.MustCompile(`^(collections/[a-z0-9-]{1,63}/)photos/([0-9a-f]{64})$`)

// PhotoFile is the path of the file of a photo of a collection. It is called by its
// SHA-256, 64 hexadecimal digits, so that there is one of each in a collection.
func PhotoFile(collection, sha256 string) string {
	return "collections/" + collection + "/photos/" + sha256
}

// PhotoOf tells whether a path is that of the file of a photo, and what its digest is to be.
func PhotoOf(file string) (sha256 string, ok bool) {
	parts := photoPath.FindStringSubmatch(file)
	if parts == nil {
		return "", false
	}
	return parts[2], true
}

// Fault is what is wrong with an archive.
type Fault struct {
	File string // "": the archive as a whole
	Line int    // from 1; 0: the file as a whole
	Rule string
}

func (f *Fault) Error() string {
	switch {
	case f.File == "":
		return "the archive " + f.Rule
	case f.Line == 0:
		return f.File + ": " + f.Rule
	}
	return fmt.Sprintf("%s line %d: %s", f.File, f.Line, f.Rule)
}

func fault(file string, line int, rule string, args ...any) *Fault {
	return &Fault{file, line, fmt.Sprintf(rule, args...)}
}

// packaged is the descriptor.
type packaged struct {
	Name        string    `json:"name"`
	Title       string    `json:"title"`
	Profile     string    `json:"profile"`
	Format      int       `json:"dewbenchFormat"`
	Created     string    `json:"created"`
	Description string    `json:"description"`
	Resources   resources `json:"resources"`
}

// resources are no more than an archive has files: in memory each takes far more than the
// few bytes in which one may be written.
type resources []resource

// UnmarshalJSON reads a list of them.
func (r *resources) UnmarshalJSON(text []byte) error {
	in := json.NewDecoder(bytes.NewReader(text))
	if open, err := in.Token(); err != nil || open != json.Delim('[') {
		return errors.New("resources is no list")
	}
	for in.More() {
		if len(*r) == MaxFiles {
			return fmt.Errorf("resources are more than %d", MaxFiles)
		}
		var one resource
		if err := in.Decode(&one); err != nil {
			return err
		}
		*r = append(*r, one)
	}
	return nil
}

// resource is a file in the descriptor.
type resource struct {
	Name      string `json:"name"`
	Path      string `json:"path"`
	Format    string `json:"format,omitempty"`
	MediaType string `json:"mediatype,omitempty"`
	Encoding  string `json:"encoding,omitempty"`
	Bytes     int64  `json:"bytes"`
	Hash      string `json:"hash"`
}

var mediaTypes = map[string]string{"json": "application/json", "jsonl": "application/jsonl", "txt": "text/plain"}

// Writer writes an archive.
type Writer struct {
	zip     *zip.Writer
	at      time.Time
	all     packaged
	now     string // path of the file that is being written
	to      io.Writer
	digest  hash.Hash
	size    int64
	written map[string]bool
}

// NewWriter returns a writer of an archive that was made at a time.
func NewWriter(to io.Writer, at time.Time) *Writer {
	return &Writer{zip: zip.NewWriter(to), at: at.UTC(), written: map[string]bool{}, all: packaged{
		Name: "dewbench-archive", Title: "All data of a grower", Profile: "data-package", Format: Format,
		Created:     at.UTC().Format(time.RFC3339),
		Description: "See README.txt. The data is the grower's own; ask before you pass it on.",
	}}
}

// Add adds text to a file. Those of one file come one behind the other.
func (w *Writer) Add(file, text string) error {
	return w.add(file, []byte(text), goodPath.MatchString(file) && file != Descriptor, zip.Deflate)
}

// AddPhoto adds bytes to the file of a photo. Those of one come one behind the other, and
// must be all of it: what comes next is refused else.
func (w *Writer) AddPhoto(file string, data []byte) error {
	// Pictures are packed already.
	return w.add(file, data, photoPath.MatchString(file), zip.Store)
}

func (w *Writer) add(file string, data []byte, good bool, method uint16) error {
	if file != w.now || file == "" {
		if err := w.end(); err != nil {
			return err
		}
		if !good || w.written[file] {
			return fmt.Errorf("a file %q in an archive", file)
		}
		to, err := w.zip.CreateHeader(&zip.FileHeader{Name: file, Method: method, Modified: w.at})
		if err != nil {
			return err
		}
		w.now, w.to, w.digest, w.size = file, to, sha256.New(), 0
		w.written[file] = true
	}
	w.size += int64(len(data))
	_, _ = w.digest.Write(data) // it never fails
	_, err := w.to.Write(data)
	return err
}

// end notes the file that was written.
func (w *Writer) end() error {
	if w.now == "" {
		return nil
	}
	sum := hex.EncodeToString(w.digest.Sum(nil))
	of := resource{Name: strings.ToLower(strings.TrimSuffix(w.now, path.Ext(w.now))), Path: w.now, Bytes: w.size, Hash: sumMark + sum}
	if digest, photo := PhotoOf(w.now); !photo {
		of.Format = strings.TrimPrefix(path.Ext(w.now), ".")
		of.MediaType, of.Encoding = mediaTypes[of.Format], "utf-8"
	} else if digest != sum { // no server would take it in
		return fmt.Errorf("%s is damaged: its SHA-256 is %s", w.now, sum)
	}
	w.all.Resources = append(w.all.Resources, of)
	w.now = ""
	return nil
}

// sumMark is what digests in the descriptor begin with.
const sumMark = "sha256:"

// Close writes the descriptor and the end of the archive. It does not close what the
// archive is written to.
func (w *Writer) Close() error {
	if err := w.end(); err != nil {
		return err
	}
	text, err := json.MarshalIndent(w.all, "", "  ")
	if err != nil {
		return err
	}
	to, err := w.zip.CreateHeader(&zip.FileHeader{Name: Descriptor, Method: zip.Deflate, Modified: w.at})
	if err != nil {
		return err
	}
	if _, err := to.Write(append(text, '\n')); err != nil {
		return err
	}
	return w.zip.Close()
}

// Reader reads an archive. Errors about what stands in it are Faults.
type Reader struct {
	files map[string]*zip.File
	sums  map[string]resource
	paths []string
}

// Open reads the lists of files of an archive of a size, and judges them before anything
// else is inflated.
func Open(from io.ReaderAt, size int64) (*Reader, error) {
	if size > MaxBytes {
		return nil, fault("", 0, "has %d bytes, and %d are the most", size, int64(MaxBytes))
	}
	if err := checkDirectory(from, size); err != nil {
		return nil, err
	}
	z, err := zip.NewReader(from, size)
	if err != nil {
		return nil, fault("", 0, "is not a whole ZIP file")
	}
	if len(z.File) > MaxFiles {
		return nil, fault("", 0, "has %d files, and %d are the most", len(z.File), MaxFiles)
	}
	r := &Reader{files: map[string]*zip.File{}, sums: map[string]resource{}}
	var all, photos uint64
	for _, f := range z.File {
		name := cut(f.Name)
		_, photo := PhotoOf(f.Name)
		switch {
		case !photo && !goodPath.MatchString(f.Name):
			return nil, fault("", 0, "has a file %q, which no archive has", name)
		case r.files[f.Name] != nil:
			return nil, fault(name, 0, "stands twice in the archive")
		case f.Method != zip.Deflate && f.Method != zip.Store:
			return nil, fault(name, 0, "is packed in a way that is not read: deflate it")
		case f.Flags&1 != 0:
			return nil, fault(name, 0, "is encrypted")
		case f.UncompressedSize64 > MaxInflated:
			return nil, fault(name, 0, "is larger than %d bytes", MaxInflated)
		case f.UncompressedSize64 > 1<<20 && f.UncompressedSize64/MaxRatio > f.CompressedSize64:
			return nil, fault(name, 0, "is packed more than %d to 1", MaxRatio)
		}
		if photo {
			photos += f.UncompressedSize64
		} else {
			all += f.UncompressedSize64
		}
		if all > MaxInflated {
			return nil, fault("", 0, "has more than %d bytes after inflation", MaxInflated)
		}
		if photos > MaxPhotoBytes {
			return nil, fault("", 0, "has photos of more than %d bytes together", MaxPhotoBytes)
		}
		r.files[f.Name] = f
		r.paths = append(r.paths, f.Name)
	}
	if err := r.describe(); err != nil {
		return nil, err
	}
	slices.Sort(r.paths)
	return r, nil
}

// checkDirectory judges how long the list of files is, before it is read into memory: by
// the record at the end of the file (APPNOTE.TXT of the ZIP format, section 4.3.16).
func checkDirectory(from io.ReaderAt, size int64) error {
	const length, longest, locator = 22, math.MaxUint16, 20
	tail := make([]byte, min(size, locator+length+longest))
	if _, err := from.ReadAt(tail, size-int64(len(tail))); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	at := bytes.LastIndex(tail, []byte("PK\x05\x06"))
	if at < 0 || len(tail)-at < length {
		return fault("", 0, "is not a whole ZIP file")
	}
	end := tail[at:]
	files, length32, offset := binary.LittleEndian.Uint16(end[10:]), binary.LittleEndian.Uint32(end[12:]), binary.LittleEndian.Uint32(end[16:])
	// archive/zip goes by the length as well as by the offset, and by neither where there
	// is the larger record of section 4.3.14: its locator stands before the one at the end.
	larger := at >= locator && bytes.HasPrefix(tail[at-locator:], []byte("PK\x06\x07"))
	if files > MaxFiles || length32 > maxDirectory || size-int64(offset) > maxDirectory || larger {
		return fault("", 0, "has too many files: %d are the most", MaxFiles)
	}
	return nil
}

// describe reads the descriptor, and compares it with what is there.
func (r *Reader) describe() error {
	f := r.files[Descriptor]
	if f == nil {
		return fault("", 0, "has no %s: it is not an archive of a grower's data, or not all of one", Descriptor)
	}
	if f.UncompressedSize64 > maxDescription {
		return fault(Descriptor, 0, "is larger than %d bytes", maxDescription)
	}
	text, err := readAll(f, maxDescription)
	if err != nil {
		return err
	}
	var all packaged
	if !utf8.Valid(text) {
		return fault(Descriptor, 0, "is not UTF-8")
	}
	if err := json.Unmarshal(text, &all); err != nil {
		return fault(Descriptor, 0, "is not a description of an archive: %s", cut(err.Error()))
	}
	if all.Format < oldestFormat || all.Format > Format {
		return fault(Descriptor, 0, "has dewbenchFormat %d, and this server reads %d to %d", all.Format, oldestFormat, Format)
	}
	for _, of := range all.Resources {
		name := cut(of.Path)
		digest, photo := PhotoOf(of.Path)
		switch f := r.files[of.Path]; {
		case f == nil || of.Path == Descriptor:
			return fault(Descriptor, 0, "names %q, which is not there", name)
		case r.sums[of.Path].Path != "":
			return fault(Descriptor, 0, "names %q twice", name)
		case f.UncompressedSize64 != uint64(of.Bytes):
			return fault(name, 0, "has %d bytes, and by %s it has %d", f.UncompressedSize64, Descriptor, of.Bytes)
		case photo && of.Hash != sumMark+digest:
			return fault(name, 0, "has another digest in %s than in its name", Descriptor)
		}
		r.sums[of.Path] = of
	}
	for _, name := range r.paths {
		if name != Descriptor && r.sums[name].Path == "" {
			return fault(name, 0, "is not named in %s", Descriptor)
		}
	}
	return nil
}

func readAll(f *zip.File, most int64) ([]byte, error) {
	in, err := f.Open()
	if err != nil {
		return nil, fault(f.Name, 0, "cannot be inflated")
	}
	text, err := io.ReadAll(io.LimitReader(in, most+1))
	if err = errors.Join(err, in.Close()); err != nil || int64(len(text)) > most {
		return nil, fault(f.Name, 0, "cannot be inflated: the archive is damaged")
	}
	return text, nil
}

// Paths are those of all files, in their order.
func (r *Reader) Paths() []string { return r.paths }

// Has tells whether there is a file.
func (r *Reader) Has(file string) bool { return r.files[file] != nil }

// Size is how many bytes a file has; 0 if it is not there.
func (r *Reader) Size(file string) int64 { return r.sums[file].Bytes }

// Photo opens the file of a photo. Its digest is judged by the end of it: what is not what
// its name says gives a Fault in place of io.EOF. The caller closes it.
func (r *Reader) Photo(file string) (io.ReadCloser, error) {
	f := r.files[file]
	digest, photo := PhotoOf(file)
	if f == nil || !photo {
		return nil, fault(file, 0, "is not there")
	}
	in, err := f.Open()
	if err != nil {
		return nil, fault(file, 0, "cannot be inflated")
	}
	return &photoReader{in, file, digest, int64(f.UncompressedSize64), sha256.New()}, nil
}

type photoReader struct {
	io.ReadCloser
	file, want string
	left       int64 // of the bytes that it says to have
	digest     hash.Hash
}

func (p *photoReader) Read(to []byte) (int, error) {
	n, err := p.ReadCloser.Read(to)
	_, _ = p.digest.Write(to[:n]) // it never fails
	p.left -= int64(n)
	switch {
	case p.left < 0, errors.Is(err, io.EOF) && (p.left > 0 || hex.EncodeToString(p.digest.Sum(nil)) != p.want):
		return n, fault(p.file, 0, "is not what its name says it is: it was changed or damaged")
	case err != nil && !errors.Is(err, io.EOF):
		return n, fault(p.file, 0, "cannot be inflated: the archive is damaged")
	}
	return n, err
}

// Check reads a whole file that says nothing to a server, so that its digest is judged.
func (r *Reader) Check(file string, counter *Counter) error {
	lines := r.Lines(file, MaxLongLine, counter)
	for {
		if _, ok, err := lines.Next(); err != nil || !ok {
			return errors.Join(err, lines.Close())
		}
	}
}

// Counter counts lines of several files.
type Counter struct{ Lines int }

// Lines returns the lines of a file, none longer than most. counter may be nil; with
// one, more than MaxRecords of all that it counts are refused.
func (r *Reader) Lines(file string, most int, counter *Counter) *Lines {
	l := &Lines{file: file, most: most, sum: r.sums[file], counter: counter, digest: sha256.New()}
	f := r.files[file]
	if f == nil {
		l.err = fault(file, 0, "is not there")
		return l
	}
	in, err := f.Open()
	if err != nil {
		l.err = fault(file, 0, "cannot be inflated")
		return l
	}
	l.in = in
	// One byte more than it says, to see one that goes on.
	l.left = io.LimitReader(in, int64(f.UncompressedSize64)+1)
	l.from = bufio.NewReaderSize(io.TeeReader(l.left, l.digest), 64<<10)
	return l
}

// Lines are the lines of a file.
type Lines struct {
	file    string
	most    int
	sum     resource
	counter *Counter
	in      io.ReadCloser
	left    io.Reader
	from    *bufio.Reader
	digest  hash.Hash
	size    int64
	line    int
	text    []byte
	err     error
	ended   bool
}

// Next returns the next line without its end; it is of no use after the next call. ok is
// false at the end of the file, of which the digest is judged by then.
func (l *Lines) Next() (text []byte, ok bool, err error) {
	if l.err != nil || l.ended {
		return nil, false, l.err
	}
	l.text = l.text[:0]
	l.line++
	for {
		part, err := l.from.ReadSlice('\n')
		l.text, l.size = append(l.text, part...), l.size+int64(len(part))
		if len(l.text) > l.most+1 {
			return nil, false, l.fail("is longer than %d bytes", l.most)
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
		case err == nil:
			l.text = l.text[:len(l.text)-1]
			return l.judged()
		case errors.Is(err, io.EOF) && len(l.text) > l.most:
			return nil, false, l.fail("is longer than %d bytes", l.most)
		case errors.Is(err, io.EOF) && len(l.text) > 0:
			return l.judged()
		case errors.Is(err, io.EOF):
			l.line = 0
			if l.size != l.sum.Bytes || sumMark+hex.EncodeToString(l.digest.Sum(nil)) != l.sum.Hash {
				return nil, false, l.fail("is not what %s says it is: it was changed or damaged", Descriptor)
			}
			l.ended = true
			return nil, false, nil
		default:
			l.line = 0
			return nil, false, l.fail("cannot be inflated: the archive is damaged")
		}
	}
}

func (l *Lines) judged() ([]byte, bool, error) {
	if l.counter != nil {
		if l.counter.Lines++; l.counter.Lines > MaxRecords {
			return nil, false, l.fail("is one of more than %d records of the archive", MaxRecords)
		}
	}
	if !utf8.Valid(l.text) {
		return nil, false, l.fail("is not UTF-8")
	}
	return l.text, true, nil
}

// Line is the number of the last line.
func (l *Lines) Line() int { return l.line }

// Fault is what is wrong with the last line.
func (l *Lines) Fault(rule string, args ...any) *Fault { return fault(l.file, l.line, rule, args...) }

func (l *Lines) fail(rule string, args ...any) error {
	l.err = l.Fault(rule, args...)
	return l.err
}

// Close ends the reading.
func (l *Lines) Close() error {
	if l.in == nil {
		return nil
	}
	// What is wrong with the file Next has told.
	_ = l.in.Close()
	return nil
}

// cut returns the beginning of text that others wrote.
func cut(text string) string {
	const most = 200
	text = strings.ToValidUTF8(text, "?")
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "..."
}

// Records tells how many records a piece of a file has.
func Records(file, text string) int {
	if path.Ext(file) != ".jsonl" {
		return 0
	}
	return strings.Count(text, "\n")
}
