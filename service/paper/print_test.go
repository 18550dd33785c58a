package paper

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/draw"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
)

// These tests print the pages as a grower's browser does, with Chromium without a window,
// and read the PDF with Poppler (pdfinfo, pdftotext, pdftoppm) and codes on it with ZBar
// (zbarimg). .ci/run installs them; any other machine without them skips the tests and says
// so.

// programs finds programs, each by one of its names, or skips the test.
func programs(t *testing.T, all ...[]string) []string {
	t.Helper()
	var found []string
	for _, names := range all {
		i := slices.IndexFunc(names, func(name string) bool {
			_, err := exec.LookPath(name)
			return err == nil
		})
		if i < 0 {
			t.Skipf("printing cannot be tried: this machine has no %s (Debian: apt-get install chromium poppler-utils zbar-tools)", names[0])
		}
		found = append(found, names[i])
	}
	return found
}

// run runs a program, and returns what it wrote.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	var complaints strings.Builder
	c := exec.CommandContext(ctx, name, args...)
	c.Stderr = &complaints
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s %v: %v: %s", name, args, err, complaints.String())
	}
	return string(out)
}

// pdf is a printed page or several.
type pdf struct {
	*testing.T
	file  string
	size  Size
	pages []pdfPage
}

// pdfPage is a page with its words.
type pdfPage struct {
	Width  float64   `xml:"width,attr"` // pt
	Height float64   `xml:"height,attr"`
	Words  []pdfWord `xml:"word"`
}

type pdfWord struct {
	XMin float64 `xml:"xMin,attr"`
	XMax float64 `xml:"xMax,attr"`
	YMin float64 `xml:"yMin,attr"`
	YMax float64 `xml:"yMax,attr"`
	Text string  `xml:",chardata"`
}

// text is what a page says, word by word.
func (p *pdfPage) text() string {
	var words []string
	for _, w := range p.Words {
		words = append(words, w.Text)
	}
	return strings.Join(words, " ")
}

// printPage prints a page, and checks that every sheet of paper has the size and that all
// words lie on it.
func printPage(t *testing.T, page []byte, size Size) *pdf {
	t.Helper()
	found := programs(t, []string{"chromium", "chromium-browser", "google-chrome"}, []string{"pdfinfo"}, []string{"pdftotext"}, []string{"pdftoppm"})
	folder := t.TempDir()
	p := &pdf{T: t, file: filepath.Join(folder, "page.pdf"), size: size}
	source := filepath.Join(folder, "page.html")
	if err := os.WriteFile(source, page, 0o600); err != nil {
		t.Fatal(err)
	}
	args := []string{"--headless", "--disable-gpu", "--no-first-run", "--disable-extensions", "--no-pdf-header-footer",
		"--user-data-dir=" + filepath.Join(folder, "profile"), "--print-to-pdf=" + p.file}
	if os.Geteuid() == 0 {
		args = append(args, "--no-sandbox") // it has none for root; the page is ours and runs nothing
	}
	run(t, found[0], append(args, "file://"+source)...)

	// The paper, by another program than reads the words.
	info := run(t, found[1], "-f", "1", "-l", "9999", p.file)
	boxes := regexp.MustCompile(`Page +\d+ size: +([0-9.]+) x ([0-9.]+) pts`).FindAllStringSubmatch(info, -1)
	for i, box := range boxes {
		w, _ := strconv.ParseFloat(box[1], 64)
		h, _ := strconv.ParseFloat(box[2], 64)
		if math.Abs(w-size.Width/mmOfPt) > 1 || math.Abs(h-size.Height/mmOfPt) > 1 {
			t.Errorf("sheet of paper %d has %g by %g pt, %s has %.0f by %.0f", i+1, w, h, size.Name, size.Width/mmOfPt, size.Height/mmOfPt)
		}
	}
	text := run(t, found[2], "-bbox", p.file, "-")
	d := xml.NewDecoder(strings.NewReader(text))
	d.Strict, d.Entity = false, xml.HTMLEntity
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if start, ok := token.(xml.StartElement); ok && start.Name.Local == "page" {
			var one pdfPage
			if err := d.DecodeElement(&one, &start); err != nil {
				t.Fatal(err)
			}
			p.pages = append(p.pages, one)
		}
	}
	if len(p.pages) != len(boxes) || len(boxes) == 0 {
		t.Fatalf("%d pages with words, %d boxes", len(p.pages), len(boxes))
	}
	const edge = 5 / mmOfPt // what most printers cannot reach
	for i, one := range p.pages {
		for _, w := range one.Words {
			if w.XMin < edge || w.YMin < edge || w.XMax > one.Width-edge || w.YMax > one.Height-edge {
				t.Errorf("page %d: %q lies at %.0f..%.0f, %.0f..%.0f", i+1, w.Text, w.XMin, w.XMax, w.YMin, w.YMax)
			}
		}
	}
	return p
}

// manyRows is a sheet of two benches, with names of all kinds.
func manyRows(size Size, n int) *Sheet {
	names := []struct{ name, cultivar string }{
		{"Drosophyllum lusitanicum", ""}, {"Nepenthes lowii × (veitchii × boschiana)", "A Very Long Cultivar Name That Goes On And On"},
		{"毛毡苔", "紅い露"}, {"טללית", ""}, {"Sarracenia purpurea subsp. venosa var. burkii", ""}, {strings.Repeat("Longname", 12), ""},
	}
	s := &Sheet{
		Paper: size, Number: 41, Collection: "House & bog בית 植物園", Day: "2026-05-11", Weekday: "Monday", Made: "2026-05-11 08:15", Rows: n,
		Foods: []Food{
			{Name: "Bloodworm (midge larvae), frozen", Frozen: true, Items: 300, Plants: 90, Portions: []Portion{{"cut to 3 mm", 200, 60}, {"up to 10 mm", 100, 30}}},
			{Name: "Fruit flies, flightless, live", Items: 20, Plants: 10, Portions: []Portion{{"", 20, 10}}},
		},
		Cautions: []string{"Midge larvae can cause allergy by touch: wear gloves."},
		Benches:  []Bench{{Name: "South window"}, {Name: ""}},
	}
	for i := range n {
		row := Row{Number: int32(i + 1), Tag: fmt.Sprintf("T%04d", i+1), ScientificName: names[i%len(names)].name, Cultivar: names[i%len(names)].cultivar}
		row.Tasks = append(row.Tasks, Task{Kind: Feed, Traps: int32(i%9 + 1), Food: "Bloodworm (midge larvae), frozen", Length: "cut to 4.2 mm"})
		if i%5 == 0 {
			row.Tasks = append(row.Tasks, Task{Kind: CheckOutcome, Since: "2026-05-08"}, Task{Kind: Measure, Since: "2026-03-01"},
				Task{Kind: Survey, Since: "2026-04-01"}, Task{Words: "Cut the flower stalk, which was seen on 2026-05-02."})
		}
		b := &s.Benches[i/(n-n/4)]
		b.Rows = append(b.Rows, row)
	}
	return s
}

// A sheet of a thousand plants: every row on paper once and whole, in order, with what it
// is of on each page.
func TestPrintSheet(t *testing.T) {
	t.Parallel()
	for size, n := range map[Size]int{A4: 1000, Letter: 300} {
		t.Run(size.Name, func(t *testing.T) {
			t.Parallel()
			s := manyRows(size, n)
			page, err := s.HTML()
			if err != nil {
				t.Fatal(err)
			}
			p := printPage(t, page, size)
			// A page holds 22 rows of 12 mm, which is the least, and of these at least 4.
			if pages := len(p.pages); pages < n/22 || pages > n/4 {
				t.Errorf("%d pages", pages)
			}
			var rows, tags []string
			for i, one := range p.pages {
				text := one.text()
				for _, want := range []string{fmt.Sprintf("Page %d of %d", i+1, len(p.pages)), "Bench sheet 41, 2026-05-11", "sheet 41, Monday 2026-05-11, House & bog"} {
					if !strings.Contains(text, want) {
						t.Errorf("page %d has no %q", i+1, want)
					}
				}
				if !strings.Contains(text, "South window") && !strings.Contains(text, "On no bench") {
					t.Errorf("page %d names no bench", i+1)
				}
				for k, w := range one.Words { // two words of Latin fit on one line at A4
					if w.Text == "Drosophyllum" && size == A4 && (one.Words[k+1].Text != "lusitanicum" || one.Words[k+1].YMin != w.YMin) {
						t.Errorf("page %d: %v is followed by %v", i+1, w, one.Words[k+1])
					}
				}
				here := regexp.MustCompile(`\bT\d{4}\b`).FindAllString(text, -1)
				tags = append(tags, here...)
				if feeds := strings.Count(text, "Feed "); feeds != len(here) {
					t.Errorf("page %d has %d tags, %d feedings: a row is broken", i+1, len(here), feeds)
				}
				for _, w := range one.Words { // the numbers stand at the left edge, in large type
					if n := regexp.MustCompile(`^\d+$`); n.MatchString(w.Text) && w.XMax < 0.15*one.Width && w.YMax-w.YMin > 15 {
						rows = append(rows, w.Text)
					}
				}
			}
			var wantRows, wantTags []string
			for _, b := range s.Benches {
				for _, row := range b.Rows {
					wantRows, wantTags = append(wantRows, strconv.Itoa(int(row.Number))), append(wantTags, row.Tag)
				}
			}
			if !slices.Equal(rows, wantRows) {
				t.Errorf("%d numbers of rows, want %d: %v", len(rows), len(wantRows), rows)
			}
			slices.Sort(tags) // words of a page come in the order of the page's columns
			if !slices.Equal(tags, wantTags) {
				t.Errorf("%d tags, want %d: %.200v", len(tags), len(wantTags), tags)
			}
			if first := p.pages[0].text(); !strings.Contains(first, "wear gloves") || !strings.Contains(first, "cut to 3 mm") || !strings.Contains(first, "Batch") {
				t.Errorf("the first page: %s", first)
			}
		})
	}
}

// A sheet on which there is nothing to do is one page.
func TestPrintEmptySheet(t *testing.T) {
	t.Parallel()
	page, err := (&Sheet{Paper: A4, Number: 1, Collection: "Home", Day: "2026-05-11", Weekday: "Monday", Made: "2026-05-11 08:15"}).HTML()
	if err != nil {
		t.Fatal(err)
	}
	if p := printPage(t, page, A4); len(p.pages) != 1 || !strings.Contains(p.pages[0].text(), "Nothing to do on this day.") {
		t.Errorf("%d pages: %s", len(p.pages), p.pages[0].text())
	}
}

// Labels lie where the grid has them, every tag is there, and a scanner reads every code of
// the first page off the paper: gozxing 0.1.1 each at its place, and where the modules are
// about as small as they may be, at the 300 dots an inch of a plain printer, ZBar 0.23,
// which is made for pictures off cameras. Neither has anything in common with the encoder.
func TestPrintLabels(t *testing.T) {
	t.Parallel()
	const id = "0199a3f2-0000-7000-8000-0123456789ab"
	for _, c := range []struct {
		paper         Size
		width, height float64
		base          string
		dpi           int
		small         bool
	}{
		{A4, 60, 30, "https://plants.example/v1", 200, false}, {Letter, 60, 30, "https://plants.example/v1", 200, false},
		{A4, 40, 20, "https://plants.example/behind/another/path/v1", 300, true}, // 57 modules, the most that 20 mm take
	} {
		size := c.paper
		t.Run(fmt.Sprintf("%s, %g by %g mm", size.Name, c.width, c.height), func(t *testing.T) {
			t.Parallel()
			l := &Labels{Paper: size, Title: "Labels", Width: c.width, Height: c.height}
			kinds := []Label{
				{ScientificName: "Drosera capensis", Cultivar: "Alba"}, {ScientificName: "Nepenthes lowii × (veitchii × boschiana)", Cultivar: "A Very Long Cultivar Name That Goes On"},
				{ScientificName: "毛毡苔", Cultivar: "紅い露"}, {ScientificName: "טללית"}, {}, {ScientificName: strings.Repeat("Longname", 12)},
			}
			for i := range 100 {
				one := kinds[i%len(kinds)]
				one.Tag = fmt.Sprintf("T%04d", i)
				one.Code = fmt.Sprintf("%s/collections/%s/plants/%s%04d", c.base, id, id[:32], i)
				l.Labels = append(l.Labels, one)
			}
			if module, err := l.Module(); err != nil || module < LeastModule {
				t.Errorf("modules of %g mm would be refused: %v", module, err)
			}
			page, err := l.HTML()
			if err != nil {
				t.Fatal(err)
			}
			p := printPage(t, page, size)
			columns, rows := l.grid()
			if want := (len(l.Labels) + columns*rows - 1) / (columns * rows); len(p.pages) != want {
				t.Errorf("%d pages, want %d", len(p.pages), want)
			}
			all := ""
			for i := range p.pages {
				all += p.pages[i].text() + " "
			}
			for _, one := range l.Labels {
				if !strings.Contains(all, one.Tag) {
					t.Errorf("%s is not there", one.Tag)
				}
			}
			shot := filepath.Join(t.TempDir(), "page")
			run(t, "pdftoppm", "-r", strconv.Itoa(c.dpi), "-f", "1", "-l", "1", "-gray", "-png", "-singlefile", p.file, shot)
			first := l.Labels[:columns*rows]
			if c.small {
				read := strings.Fields(run(t, programs(t, []string{"zbarimg"})[0], "-q", "--raw", "-S*.disable", "-Sqrcode.enable", shot+".png"))
				for _, one := range first {
					if !slices.Contains(read, one.Code) {
						t.Errorf("the code of %s cannot be read", one.Tag)
					}
				}
				if len(read) != len(first) {
					t.Errorf("%d codes are read of %d", len(read), len(first))
				}
				return
			}
			f, err := os.Open(shot + ".png")
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			picture, err := png.Decode(f)
			if err != nil {
				t.Fatal(err)
			}
			pixels := func(mm float64) int { return int(math.Round(mm / 25.4 * float64(c.dpi))) }
			for i, one := range first {
				x, y := margin+float64(i%columns)*(l.Width+gap), margin+float64(i/columns)*(l.Height+gap)
				area := image.Rect(pixels(x+l.Width-l.square()), pixels(y), pixels(x+l.Width), pixels(y+l.Height))
				part := image.NewGray(image.Rect(0, 0, area.Dx(), area.Dy()))
				draw.Draw(part, part.Bounds(), picture, area.Min, draw.Src)
				bits, err := gozxing.NewBinaryBitmapFromImage(part)
				if err != nil {
					t.Fatal(err)
				}
				result, err := qrcode.NewQRCodeReader().Decode(bits, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true})
				if err != nil {
					t.Errorf("the code of %s cannot be read: %v", one.Tag, err)
				} else if result.GetText() != one.Code {
					t.Errorf("the code of %s reads %q", one.Tag, result.GetText())
				}
			}
		})
	}
}
