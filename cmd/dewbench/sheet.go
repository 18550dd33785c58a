package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
	"dewbench/store"
)

// printed are the flags of what is printed.
type printed struct{ paper, file string }

func (p *printed) add(c *cobra.Command) {
	c.Flags().StringVar(&p.paper, "paper", "a4", "a4 or letter")
	c.Flags().StringVarP(&p.file, "output", "o", "", "file to write to, such as sheet.html; it must not be there yet (default standard output)")
}

func (p *printed) size() (pb.Paper, error) {
	switch strings.ToLower(p.paper) {
	case "a4":
		return pb.Paper_A4, nil
	case "letter":
		return pb.Paper_LETTER, nil
	}
	return 0, fmt.Errorf("--paper %s: must be a4 or letter", p.paper)
}

// write writes the page that get returns.
func (p *printed) write(in inOut, get func() (*httpbody.HttpBody, error)) error {
	into := func(w io.Writer) error {
		page, err := get()
		if err != nil {
			return err
		}
		_, err = w.Write(page.GetData())
		return err
	}
	if p.file == "" {
		return into(in.out)
	}
	return newFile("--output", p.file, func(f *os.File) error { return into(f) })
}

// howToPrint tells what to do with a page.
const howToPrint = `The page is HTML that needs nothing else: open it in a browser and print it on the
paper that you named, at 100 %, without headers and footers of the browser's own.`

// sheetFlag names the sheet on which something was noted.
type sheetFlag struct {
	number int64
	given  func() bool
}

func (f *sheetFlag) add(c *cobra.Command) {
	c.Flags().Int64Var(&f.number, "sheet", 0, "number of the bench sheet on which it was noted: then rows stand for plants")
	f.given = func() bool { return c.Flags().Changed("sheet") }
}

// get returns the sheet; nil if none is named.
func (f *sheetFlag) get(ctx context.Context, h *home) (*pb.Sheet, error) {
	switch {
	case !f.given():
		return nil, nil
	case f.number < 1:
		return nil, fmt.Errorf("--sheet %d: sheets are counted from 1", f.number)
	}
	return h.sheet(ctx, strconv.FormatInt(f.number, 10), "--sheet")
}

// sheet returns the sheet of a number.
func (h *home) sheet(ctx context.Context, text, what string) (*pb.Sheet, error) {
	number, err := strconv.ParseInt(text, 10, 64)
	if err != nil || number < 1 || number > 999_999_999 {
		return nil, fmt.Errorf("%s %s: must be the number of a bench sheet, as it is printed on it", what, text)
	}
	m, err := pb.NewSheetServiceClient(h).GetSheet(ctx, &pb.GetSheetRequest{Name: store.SheetName(store.Segment(h.GetName(), "collections"), number)})
	if s, _ := status.FromError(err); err != nil && refusal(s) == "SHEET_NOT_FOUND" {
		return nil, fmt.Errorf("%s %d: there is no such sheet of %s", what, number, h.GetDisplayName())
	}
	if err != nil {
		return nil, h.said(err, nil)
	}
	return m, nil
}

// rowNumber reads the number of a row, where a sheet is named.
func rowNumber(sheet *pb.Sheet, text string) *int32 {
	if sheet == nil {
		return nil
	}
	if n, err := strconv.ParseInt(text, 10, 32); err == nil {
		row := int32(n)
		return &row
	}
	return nil
}

// benchesOn is benchesOf where with a sheet none need be named: then the answer is what
// stands for all of the sheet. kind is what is recorded, as the sheet tells to do it.
func (h *home) benchesOn(ctx context.Context, sheet *pb.Sheet, kind pb.DayPlan_Task_Kind, args []string, forPlant string) ([]*pb.Bench, error) {
	if sheet == nil {
		return h.benchesOf(ctx, args, forPlant)
	}
	number := store.SheetNumber(sheet.GetName())
	if len(args) == 0 || len(args) == 1 && table.Fold(args[0]) == everyBench {
		if len(rowsOf(sheet, kind, "", true)) == 0 {
			return nil, fmt.Errorf("--sheet %d: it tells to %s nothing", number, kindVerbs[kind])
		}
		return []*pb.Bench{{Name: h.GetName(), DisplayName: fmt.Sprintf("sheet %d", number)}}, nil
	}
	out, err := h.benchesOf(ctx, args, forPlant)
	if err != nil {
		return nil, err
	}
	for _, b := range out {
		if slices.ContainsFunc(sheet.GetRows(), func(r *pb.Sheet_Row) bool { return r.GetBench() == b.GetName() }) {
			continue
		}
		var on []string
		for _, of := range sheet.GetBenches() {
			if slices.ContainsFunc(sheet.GetRows(), func(r *pb.Sheet_Row) bool { return r.GetBench() == of.GetBench() }) {
				on = append(on, partName(of))
			}
		}
		return nil, fmt.Errorf("--sheet %d: it has no row on %s, but on: %s", number, b.GetDisplayName(), cmp.Or(strings.Join(on, ", "), "no bench at all"))
	}
	return out, nil
}

// kindVerbs are what a sheet tells to do.
var kindVerbs = map[pb.DayPlan_Task_Kind]string{pb.DayPlan_Task_FEED: "feed", pb.DayPlan_Task_CHECK_OUTCOME: "look at"}

// rowsOf returns the rows of a sheet that tell to do something: of all of it, or of a bench.
func rowsOf(sheet *pb.Sheet, kind pb.DayPlan_Task_Kind, bench string, all bool) []*pb.Sheet_Row {
	var out []*pb.Sheet_Row
	for _, r := range sheet.GetRows() {
		if (all || r.GetBench() == bench) && slices.ContainsFunc(r.GetTasks(), func(t *pb.Sheet_Task) bool { return t.GetKind() == kind }) {
			out = append(out, r)
		}
	}
	return out
}

// partName is what a part of a sheet is called.
func partName(of *pb.DayPlan_BenchPlan) string { return cmp.Or(of.GetDisplayName(), "no bench") }

// parts returns of what a session or outcomes tell: the bench, or for a whole sheet its
// benches, with what stands on them.
func (h *home) parts(sheet *pb.Sheet, bench *pb.Bench) []*pb.Bench {
	if bench.GetName() != h.GetName() {
		return []*pb.Bench{bench}
	}
	var out []*pb.Bench
	for _, of := range sheet.GetBenches() {
		out = append(out, &pb.Bench{Name: of.GetBench(), DisplayName: partName(of)})
	}
	return out
}

// onRows returns the plants of a sheet as they stand on it.
func (h *home) onRows(sheet *pb.Sheet) (known *plants, benchOf map[string]string) {
	known, benchOf = &plants{h, map[string]*pb.Plant{}}, map[string]string{}
	for _, r := range sheet.GetRows() {
		known.known[r.GetPlant()] = &pb.Plant{Name: r.GetPlant(), Tag: r.GetTag(), ScientificName: r.GetScientificName(), Cultivar: r.GetCultivar()}
		benchOf[r.GetPlant()] = r.GetBench()
	}
	return known, benchOf
}

func sheetCommand() *cobra.Command {
	var (
		p       printed
		date    string
		benches []string
	)
	c := &cobra.Command{
		Use:   "sheet [NUMBER]",
		Short: "Print what there is to do, to tick at the bench",
		Long: `Make a bench sheet of what there is to do on a day, and write it as a page to print.
Its rows are numbered, so that what was ticked and written on it is recorded by the
numbers: see dewbench session --sheet and dewbench outcomes --sheet. With the NUMBER of
a sheet that was made before, write that one again.

` + howToPrint,
		Example: "  dewbench sheet -o sheet.html\n  dewbench sheet --bench south --date tomorrow --paper letter -o sheet.html\n" +
			"  dewbench sheet 7 -o again.html",
	}
	p.add(c)
	c.Flags().StringVar(&date, "date", "", "day to plan (default today)")
	c.Flags().StringSliceVar(&benches, "bench", nil, "only these benches")
	return onServer(c, 0, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		paper, err := p.size()
		if err != nil {
			return err
		}
		var sheet *pb.Sheet
		client := pb.NewSheetServiceClient(h)
		get := func() (*httpbody.HttpBody, error) {
			if sheet == nil { // only when it can be written
				req := &pb.CreateSheetRequest{Parent: h.GetName(), RequestId: newRequestID()}
				if req.AsOfDate, err = h.day("--date", date); err != nil {
					return nil, err
				}
				if req.Benches, err = h.benchesNamed(ctx, benches); err != nil {
					return nil, err
				}
				if sheet, err = client.CreateSheet(ctx, req); err != nil {
					return nil, h.said(err, fields(map[string]string{"asOfDate": "--date", "benches": "--bench"}))
				}
			}
			page, err := client.PrintSheet(ctx, &pb.PrintSheetRequest{Name: sheet.GetName(), Paper: paper})
			if err != nil {
				return nil, h.said(err, nil)
			}
			return page, nil
		}
		if len(args) > 0 {
			if date != "" || len(benches) > 0 {
				return errors.New("--date and --bench make a new sheet: leave them out, or the number")
			}
			if sheet, err = h.sheet(ctx, args[0], "sheet"); err != nil {
				return err
			}
		}
		if err := p.write(in, get); err != nil {
			return err
		}
		number := store.SheetNumber(sheet.GetName())
		if sheet.GetRowCount() == 0 {
			_, err = fmt.Fprintf(in.notes, "bench sheet %d of %s: nothing to do\n", number, sheet.GetAsOfDate())
			return err
		}
		_, err = fmt.Fprintf(in.notes, "bench sheet %d of %s: %s; record it with dewbench session --sheet %d\n",
			number, sheet.GetAsOfDate(), count(int(sheet.GetRowCount()), "row"), number)
		return err
	})
}

// benchesNamed returns the names of benches.
func (h *home) benchesNamed(ctx context.Context, texts []string) ([]string, error) {
	if len(texts) == 0 {
		return nil, nil
	}
	all, err := h.benches(ctx)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, text := range texts {
		i, err := choose("bench", text, "say which bench", benchNames(all))
		if err != nil {
			return nil, fmt.Errorf("--bench: %w", err)
		}
		if !slices.Contains(out, all[i].GetName()) {
			out = append(out, all[i].GetName())
		}
	}
	return out, nil
}

// tagItem is the tag of one of the plants that get labels.
var tagItem = regexp.MustCompile(`^tags\[([0-9]+)\]$`)

func labelsCommand() *cobra.Command {
	var (
		p       printed
		benches []string
		size    string
		base    string
	)
	c := &cobra.Command{
		Use:   "labels [TAG...]",
		Short: "Print labels with tag, name and QR code",
		Long: `Write labels of living plants as a page to print: those with the tags, then those of the
benches as they are walked; without both, all. A label has tag, name, and a QR code, for
programs and scripts that read it with a camera: it holds the name of the plant in the
API, which stays when its tag changes, behind the address that --base-url tells. So with
the address of your server it is what they GET, with a token. Dewbench has no page for
people there.

` + howToPrint,
		Example: "  dewbench labels -o labels.html\n  dewbench labels A1 A2 --size 80x25 -o labels.html\n" +
			"  dewbench labels --bench south --paper letter --base-url https://plants.example/v1 -o labels.html",
	}
	p.add(c)
	c.Flags().StringSliceVar(&benches, "bench", nil, "the plants of these benches")
	c.Flags().StringVar(&size, "size", "60x30", "width and height of a label, mm")
	c.Flags().StringVar(&base, "base-url", "", "address that stands before the name of the plant in the QR code")
	return onServer(c, 0, -1, func(ctx context.Context, h *home, args []string, in inOut) error {
		req := &pb.PrintLabelsRequest{Parent: h.GetName(), Tags: args, BaseUrl: base}
		var err error
		if req.Paper, err = p.size(); err != nil {
			return err
		}
		wide, high, ok := strings.Cut(strings.ToLower(size), "x")
		w, err1 := wholeNumber(wide)
		t, err2 := wholeNumber(high)
		if !ok || err1 != nil || err2 != nil {
			return fmt.Errorf("--size %s: write it as 60x30, in millimetres", size)
		}
		req.LabelWidthMm, req.LabelHeightMm = &w, &t
		if req.Benches, err = h.benchesNamed(ctx, benches); err != nil {
			return err
		}
		labels := 0
		err = p.write(in, func() (*httpbody.HttpBody, error) {
			page, err := pb.NewSheetServiceClient(h).PrintLabels(ctx, req)
			if err == nil {
				labels = bytes.Count(page.GetData(), []byte("<svg ")) // one a label; what was typed is escaped
				return page, nil
			}
			return nil, h.said(err, func(field string) string {
				if m := tagItem.FindStringSubmatch(field); m != nil {
					if i, err := strconv.Atoi(m[1]); err == nil && i < len(args) {
						return args[i]
					}
				}
				return fields(map[string]string{"labelWidthMm": "--size, the width", "labelHeightMm": "--size, the height", "baseUrl": "--base-url"})(field)
			})
		})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintln(in.notes, count(labels, "label"))
		return err
	})
}
