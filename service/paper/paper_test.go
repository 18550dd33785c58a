package paper

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"golang.org/x/net/html"
	"pgregory.net/rapid"
)

var rectangle = regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1h-(\d+)z`)

// scanned draws a code as its SVG path says, some pixels a module, and reads it with a
// decoder that has nothing in common with the encoder (gozxing 0.1.1).
func scanned(t rapid.TB, c Code) string {
	t.Helper()
	const pixels = 4
	picture := image.NewGray(image.Rect(0, 0, c.Size*pixels, c.Size*pixels))
	for i := range picture.Pix {
		picture.Pix[i] = 255
	}
	for _, m := range rectangle.FindAllStringSubmatch(c.Path, -1) {
		var v [4]int
		for i := range v {
			v[i], _ = strconv.Atoi(m[i+1])
		}
		if v[0] < quiet || v[1] < quiet || v[0]+v[2] > c.Size-quiet || v[1]+1 > c.Size-quiet || v[2] != v[3] {
			t.Fatalf("%s lies in the quiet zone", m[0])
		}
		for x := v[0] * pixels; x < (v[0]+v[2])*pixels; x++ {
			for y := v[1] * pixels; y < (v[1]+1)*pixels; y++ {
				picture.SetGray(x, y, color.Gray{})
			}
		}
	}
	if rest := rectangle.ReplaceAllString(c.Path, ""); rest != "" {
		t.Fatalf("the path has %q too", rest)
	}
	bits, err := gozxing.NewBinaryBitmapFromImage(picture)
	if err != nil {
		t.Fatal(err)
	}
	result, err := qrcode.NewQRCodeReader().Decode(bits, map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_PURE_BARCODE: true})
	if err != nil {
		t.Fatalf("decode: %v", err)
	}
	return result.GetText()
}

func TestCode(t *testing.T) {
	t.Parallel()
	const id = "0199a3f2-0000-7000-8000-0123456789ab"
	for _, text := range []string{
		"A", "collections/house/plants/cap-1", "collections/" + id + "/plants/" + id,
		"https://" + strings.Repeat("long.", 17) + "example/v1/collections/" + id + "/plants/" + id,
	} {
		c, err := NewCode(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := scanned(t, c); got != text {
			t.Errorf("%q reads %q", text, got)
		}
	}
	if _, err := NewCode(strings.Repeat("x", 2332)); err == nil {
		t.Error("a text that no code holds is taken")
	}
}

func TestCodeOfAnyName(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`(https://[a-z0-9.]{1,60}/)?collections/[a-z0-9-]{1,63}/plants/[a-z0-9-]{1,63}`).Draw(t, "text")
		c, err := NewCode(text)
		if err != nil {
			t.Fatal(err)
		}
		if got := scanned(t, c); got != text {
			t.Fatalf("%q reads %q", text, got)
		}
	})
}

// The forms are those of the examples of the codes: ICN (Shenzhen 2018) for italics,
// ranks and hybrid signs, ICNCP (9th edition 2016), articles 14 and 21, for cultivars.
func TestName(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, cultivar, want string }{ // italics stand between stars
		{"Drosera capensis", "", "*Drosera capensis*"},
		{"Drosera capensis", "Alba", "*Drosera capensis *‘Alba’"},
		{"Sarracenia", "Juthatip Soper", "*Sarracenia *‘Juthatip Soper’"},
		{"Drosera ×obovata", "", "*Drosera *×*obovata*"},
		{"Drosera × obovata", "", "*Drosera *× *obovata*"},
		{"Drosera x obovata", "", "*Drosera *x *obovata*"},
		{"Sarracenia purpurea subsp. venosa", "", "*Sarracenia purpurea *subsp. *venosa*"},
		{"Sarracenia purpurea subsp. venosa var. burkii", "", "*Sarracenia purpurea *subsp. *venosa *var. *burkii*"},
		{"Sarracenia flava × Sarracenia minor", "", "*Sarracenia flava *× *Sarracenia minor*"},
		{"Nepenthes lowii × (veitchii × boschiana)", "", "*Nepenthes lowii *× (*veitchii *× *boschiana*)"},
		{"Drosera binata (Labill.) Planch., dichotoma", "", "*Drosera binata *(Labill.) Planch., *dichotoma*"},
		{"Drosera sp.", "", "*Drosera *sp."},
		{"Drosera capensis L.", "", "*Drosera capensis *L."},
		{"Pinguicula 'Tina'", "", "*Pinguicula *'Tina'"},
		{"Sarracenia 'Judith Hindle' clone", "", "*Sarracenia *'Judith Hindle' *clone*"},
		{"sundew", "", "sundew"},
		{"毛毡苔", "紅", "毛毡苔 ‘紅’"},
		{"נודד", "", "נודד"},
		{"", "Red Dragon", "‘Red Dragon’"},
		{"", "", ""},
	} {
		got := ""
		for _, p := range Name(c.name, c.cultivar) {
			if p.Italic {
				got += "*" + p.Text + "*"
			} else {
				got += p.Text
			}
		}
		if got != c.want {
			t.Errorf("%q, %q: %s, want %s", c.name, c.cultivar, got, c.want)
		}
	}
}

// Whatever a name is, nothing of it is lost.
func TestNameIsWhole(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		name, cultivar := rapid.String().Draw(t, "name"), rapid.String().Draw(t, "cultivar")
		got := ""
		for i, p := range Name(name, cultivar) {
			if got += p.Text; p.Text == "" {
				t.Fatalf("part %d is empty", i)
			}
		}
		want := strings.Join(strings.Fields(name), " ")
		if cultivar != "" {
			if want != "" {
				want += " "
			}
			want += "‘" + cultivar + "’"
		}
		if got != want {
			t.Fatalf("got %q, want %q", got, want)
		}
	})
}

// parse reads a page as a browser does (golang.org/x/net/html), and refuses what loads or
// runs something.
func parse(t rapid.TB, page []byte) (text string, elements map[string]int) {
	t.Helper()
	root, err := html.Parse(bytes.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	elements = map[string]int{}
	var words strings.Builder
	for n := range root.Descendants() {
		switch n.Type {
		case html.TextNode:
			if n.Parent.Data != "style" {
				words.WriteString(n.Data)
			}
		case html.ElementNode:
			elements[n.Data]++
			for _, a := range n.Attr {
				if strings.HasPrefix(a.Key, "on") || a.Key == "src" || a.Key == "href" {
					t.Fatalf("<%s %s=%q>", n.Data, a.Key, a.Val)
				}
			}
		}
	}
	for name := range elements {
		switch name {
		case "html", "head", "meta", "title", "style", "body", "h1", "p", "b", "i", "bdi", "span", "div", "code", "br",
			"table", "colgroup", "col", "thead", "tbody", "tr", "th", "td", "svg", "path":
		default:
			t.Fatalf("an element <%s>", name)
		}
	}
	return words.String(), elements
}

// typed draws what a grower may have typed, and what would be markup elsewhere.
func typed(label string) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		return rapid.SampledFrom([]string{"", "D1 ", "<script>alert(1)</script>", `"><img src=x onerror=alert(1)>`, "</style>", "{{.}}", "';}*{", "é中א\u202e"}).Draw(t, label) +
			rapid.StringMatching(`[A-Za-z0-9 <>&'"א中-]{0,20}`).Draw(t, label)
	})
}

// Whatever was typed stands in the pages as text, and makes no markup.
func TestPagesEscape(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := typed("a")
		row := Row{
			Number: 1, Tag: a.Draw(t, "tag"), ScientificName: a.Draw(t, "name"), Cultivar: a.Draw(t, "cultivar"),
			Tasks: []Task{
				{Kind: Feed, Traps: 2, Food: a.Draw(t, "food"), Length: "up to 4 mm"}, {Words: a.Draw(t, "words")},
				{Kind: CheckOutcome, Since: "2026-05-01"}, {Kind: Survey}, {Kind: Measure},
			},
		}
		sheet := Sheet{
			Paper: Letter, Number: 7, Collection: a.Draw(t, "collection"), Day: "2026-05-11", Weekday: "Monday", Made: "2026-05-11 09:00", Rows: 1,
			Foods:    []Food{{Name: a.Draw(t, "foodName"), Portions: []Portion{{Length: "up to 4 mm", Items: 2, Plants: 1}}}},
			Cautions: []string{a.Draw(t, "caution")}, Benches: []Bench{{Name: a.Draw(t, "bench"), Rows: []Row{row}}},
		}
		page, err := sheet.HTML()
		if err != nil {
			t.Fatal(err)
		}
		text, elements := parse(t, page)
		for _, want := range []string{row.Tag, row.Tasks[0].Food, row.Tasks[1].Words, sheet.Collection, sheet.Benches[0].Name, sheet.Cautions[0], sheet.Foods[0].Name} {
			if !strings.Contains(text, want) {
				t.Fatalf("%q is not in the page", want)
			}
		}
		if elements["style"] != 1 || elements["table"] != 2 {
			t.Fatalf("%v", elements)
		}
		labels := Labels{Paper: A4, Title: a.Draw(t, "title"), Width: 60, Height: 30, Labels: []Label{{row.Tag, row.ScientificName, row.Cultivar, "collections/c/plants/p"}}}
		if page, err = labels.HTML(); err != nil {
			t.Fatal(err)
		}
		text, elements = parse(t, page)
		if !strings.Contains(text, row.Tag) || !strings.Contains(text, labels.Title) || elements["svg"] != 1 || elements["path"] != 1 {
			t.Fatalf("%v in %q", elements, text)
		}
	})
}

// What the pages hold when there is nothing to do, and no plant.
func TestEmptyPages(t *testing.T) {
	t.Parallel()
	page, err := (&Sheet{Paper: A4, Number: 3, Collection: "Home", Day: "2026-05-11", Weekday: "Monday"}).HTML()
	if err != nil {
		t.Fatal(err)
	}
	if text, elements := parse(t, page); !strings.Contains(text, "Nothing to do on this day.") || elements["table"] > 0 {
		t.Errorf("%v in %s", elements, text)
	}
	page, err = (&Sheet{Paper: A4, Number: 3, Collection: "Home", Day: "2026-05-11", Weekday: "Monday", Benches: []Bench{{Name: "Sill"}, {Name: "Bog & bed"}}}).HTML()
	if err != nil {
		t.Fatal(err)
	}
	if text, elements := parse(t, page); !strings.Contains(text, "Nothing to do on this day on Sill, Bog & bed.") || strings.Contains(text, "dewbench session") || elements["table"] > 0 {
		t.Errorf("%v in %s", elements, text)
	}
	if page, err = (&Labels{Paper: A4, Width: 60, Height: 30}).HTML(); err != nil {
		t.Fatal(err)
	}
	if text, _ := parse(t, page); !strings.Contains(text, "No plants.") {
		t.Error(text)
	}
}

// What a row tells to do, word by word.
func TestTasks(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		task Task
		want string
	}{
		{Task{Kind: Feed, Traps: 4, Length: "up to 10 mm"}, "Feed 4 traps (), up to 10 mm"},
		{Task{Kind: Feed, Traps: 1}, "Feed 1 trap ()"},
		{Task{Kind: Feed, First: "Look at the last food first.", Traps: 2, Overdue: true, Length: "cut to 3 mm", Food: "Flies", Mind: []string{"stroke the closed trap"}},
			"Look at the last food first.Feed 2 traps (), cut to 3 mm – overdueFliesstroke the closed trap"},
		{Task{Kind: Measure, Diameter: true, Since: "2026-03-01"}, "Diameter:  mm  (last 2026-03-01)"},
		{Task{Kind: Measure, Count: true}, "Working traps: "},
		{Task{Kind: Measure, Diameter: true, Count: true}, "Diameter:  mm Working traps: "},
		{Task{Words: "Cut the flower stalk."}, "Cut the flower stalk."},
	} {
		s := Sheet{Paper: A4, Number: 1, Rows: 1, Benches: []Bench{{Name: "Sill", Rows: []Row{{Number: 1, Tag: "D1", ScientificName: "Drosera", Tasks: []Task{c.task}}}}}}
		page, err := s.HTML()
		if err != nil {
			t.Fatal(err)
		}
		text, _ := parse(t, page)
		_, cell, _ := strings.Cut(text, "D1Drosera")
		if got := strings.TrimSpace(cell); got != strings.TrimSpace(c.want) {
			t.Errorf("%+v: %q, want %q", c.task, got, c.want)
		}
	}
}

// Long words of Latin names may be broken where a syllable begins, and at no other place;
// short ones stay whole. The places are what the rule of Latin says, by hand.
func TestHyphens(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"Drosera capensis ":              "Drosera capensis ",
		"Drosophyllum lusitanicum":       "Drosophyllum lusitanicum",
		"Nepenthes campanulatifolioides": "Nepenthes campa-nu-la-ti-fo-lioi-des",
		"":                               "",
	} {
		if got := strings.ReplaceAll(hyphens(text), "\u00ad", "-"); got != want {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		if got := strings.ReplaceAll(hyphens(text), "\u00ad", ""); got != strings.ReplaceAll(text, "\u00ad", "") {
			t.Fatalf("%q becomes %q", text, got)
		}
	})
}

// A code of a version has as many modules as the standard says (ISO/IEC 18004:2015, table 1:
// 17 and 4 a version; table 7: 122 bytes at level M in version 7, 213 in version 10), with
// the quiet zone 8 more.
func TestModule(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		width, height float64
		bytes         int
		modules       float64
	}{{40, 20, 122, 45 + 8}, {40, 20, 213, 57 + 8}, {60, 30, 213, 57 + 8}, {40, 30, 122, 45 + 8}} {
		l := Labels{Paper: A4, Width: c.width, Height: c.height, Labels: []Label{{Code: "short"}, {Code: strings.Repeat("x", c.bytes)}, {Code: "short"}}}
		got, err := l.Module()
		if err != nil {
			t.Fatal(err)
		}
		if want := min(c.height, c.width/2) / c.modules; got != want {
			t.Errorf("%+v: %g mm, want %g", c, got, want)
		}
	}
}

// Pages are whole: every element is closed, and the style sheet has no field left open by
// the template.
func TestPagesAreWellFormed(t *testing.T) {
	t.Parallel()
	page, err := (&Labels{Paper: Letter, Title: "Labels", Width: 62.5, Height: 30, Labels: []Label{{Tag: "D1", Code: "x"}}}).HTML()
	if err != nil {
		t.Fatal(err)
	}
	text := string(page)
	if strings.Contains(text, "ZgotmplZ") {
		t.Error("the template refused a value")
	}
	for _, want := range []string{"size: letter;", "repeat(3, 62.5mm)", "margin: 10mm;"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q", want)
		}
	}
	d := xml.NewDecoder(strings.NewReader(text[strings.Index(text, "<svg"):strings.Index(text, "</svg>")] + "</svg>"))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// How many labels a page holds: counted by hand from 210 by 297 and 215.9 by 279.4 mm less
// margins of 10 mm, with 2 mm between labels.
func TestGrid(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		paper         Size
		width, height float64
		want          [2]int
	}{
		{A4, 60, 30, [2]int{3, 8}}, {Letter, 60, 30, [2]int{3, 8}}, {A4, 180, 120, [2]int{1, 2}}, {A4, 40, 20, [2]int{4, 12}},
		{Letter, 40, 20, [2]int{4, 11}}, {A4, 94, 276, [2]int{2, 1}}, {A4, 190, 277, [2]int{1, 1}}, {A4, 191, 30, [2]int{0, 8}},
	} {
		columns, rows := (&Labels{Paper: c.paper, Width: c.width, Height: c.height}).grid()
		if diff := cmp.Diff(c.want, [2]int{columns, rows}); diff != "" {
			t.Errorf("%s, %g by %g: %s", c.paper.Name, c.width, c.height, diff)
		}
	}
	if _, err := (&Labels{Paper: A4, Width: 191, Height: 30}).HTML(); err == nil {
		t.Error("a label that does not fit is drawn")
	}
}

// Type is as large as fits, and never smaller than can be read.
func TestFitted(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[A-Z0-9中 ]{1,100}`).Draw(t, "text")
		wide, high := rapid.Float64Range(15, 100).Draw(t, "wide"), rapid.Float64Range(8, 60).Draw(t, "high")
		got := fitted(text, plainEm, wide, high, 26, 7)
		if got.points < 7 || got.points > 26 {
			t.Fatalf("%+v", got)
		}
		if more := fitted(text+"M", plainEm, wide, high, 26, 7); more.points > got.points {
			t.Fatalf("a longer text is larger: %+v after %+v", more, got)
		}
		if got.points > 7 && got.high > high {
			t.Fatalf("%+v is higher than %g", got, high)
		}
	})
	if got := fitted("D1", boldEm, 27, 13.5, 26, 7); got.points != 26 {
		t.Errorf("a short tag: %+v", got)
	}
}

func ExampleName() {
	for _, p := range Name("Drosera ×obovata", "Ivan") {
		fmt.Printf("%q %t\n", p.Text, p.Italic)
	}
	// Output:
	// "Drosera " true
	// "×" false
	// "obovata " true
	// "‘Ivan’" false
}
