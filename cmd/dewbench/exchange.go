package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/table"
)

// exportRows is how many rows of a table come at once.
const exportRows = 10000

// exchanged is a kind of table.
type exchanged struct {
	name string
	in   func(context.Context, *home, *importOptions) (*pb.ImportResponse, error)
	out  func(ctx context.Context, h *home, token string) (*pb.ExportResponse, error)
}

var exchangedTables = []exchanged{
	{"plants", func(ctx context.Context, h *home, o *importOptions) (*pb.ImportResponse, error) {
		return pb.NewExchangeServiceClient(h).ImportPlants(ctx, &pb.ImportPlantsRequest{
			Parent: h.GetName(), Csv: o.csv, DateOrder: o.order, Charset: o.charset, GoodRowsOnly: o.goodRowsOnly, ValidateOnly: o.dry,
		})
	}, func(ctx context.Context, h *home, token string) (*pb.ExportResponse, error) {
		return pb.NewExchangeServiceClient(h).ExportPlants(ctx, &pb.ExportPlantsRequest{Parent: h.GetName(), PageSize: exportRows, PageToken: token})
	}},
	{"feedings", func(ctx context.Context, h *home, o *importOptions) (*pb.ImportResponse, error) {
		return pb.NewExchangeServiceClient(h).ImportFeedings(ctx, &pb.ImportFeedingsRequest{
			Parent: h.GetName(), Csv: o.csv, DateOrder: o.order, Charset: o.charset, GoodRowsOnly: o.goodRowsOnly, ValidateOnly: o.dry,
		})
	}, func(ctx context.Context, h *home, token string) (*pb.ExportResponse, error) {
		return pb.NewExchangeServiceClient(h).ExportFeedings(ctx, &pb.ExportFeedingsRequest{Parent: h.GetName(), PageSize: exportRows, PageToken: token})
	}},
	{"observations", func(ctx context.Context, h *home, o *importOptions) (*pb.ImportResponse, error) {
		return pb.NewExchangeServiceClient(h).ImportObservations(ctx, &pb.ImportObservationsRequest{
			Parent: h.GetName(), Csv: o.csv, DateOrder: o.order, Charset: o.charset, GoodRowsOnly: o.goodRowsOnly, ValidateOnly: o.dry,
		})
	}, func(ctx context.Context, h *home, token string) (*pb.ExportResponse, error) {
		return pb.NewExchangeServiceClient(h).ExportObservations(ctx, &pb.ExportObservationsRequest{Parent: h.GetName(), PageSize: exportRows, PageToken: token})
	}},
}

// exchangedTable finds a kind of table by its name or the beginning of it.
func exchangedTable(text string) (*exchanged, error) {
	var names []string
	for i, t := range exchangedTables {
		if text != "" && strings.HasPrefix(t.name, strings.ToLower(text)) {
			return &exchangedTables[i], nil
		}
		names = append(names, t.name)
	}
	question := ""
	if near := table.Nearest(text, names, 1); len(near) > 0 {
		question = fmt.Sprintf("; did you mean %s?", near[0])
	}
	return nil, fmt.Errorf("%q must be plants, feedings or observations%s", text, question)
}

// importOptions are the flags of `dewbench import`, and what they read.
type importOptions struct {
	dry, goodRowsOnly bool
	dateOrder         string
	encoding          string

	csv     []byte
	order   pb.ImportResponse_DateOrder
	charset pb.ImportResponse_Charset
}

func importCommand() *cobra.Command {
	var o importOptions
	c := &cobra.Command{
		Use:   "import plants|feedings|observations FILE",
		Short: "Bring tables saved by a spreadsheet in",
		Long: `Bring a table that a spreadsheet saved as CSV into the collection: plants first, then
feedings and observations. dewbench due --columns prints the columns that they may
have. If a row is wrong, every wrong row is named and nothing is brought in, unless
--good-rows-only is given. A table can be brought in again: what is there is known
again, and changed where the row says otherwise. In place of a file, - reads standard
input.`,
		Example: "  dewbench import plants plants.csv\n  dewbench import feedings feedings.csv --dry-run\n" +
			"  dewbench import observations seen.csv --good-rows-only --date-order dmy",
	}
	c.Flags().BoolVar(&o.dry, "dry-run", false, "show what would be done, and do nothing")
	c.Flags().BoolVar(&o.goodRowsOnly, "good-rows-only", false, "bring in the rows that are right although others are wrong")
	c.Flags().StringVar(&o.dateOrder, "date-order", "", "dmy or mdy: how days such as 3/4/2026 are meant")
	c.Flags().StringVar(&o.encoding, "encoding", "utf-8", "utf-8 or windows-1252: how the table is encoded")
	return onServer(c, 2, 2, func(ctx context.Context, h *home, args []string, in inOut) error {
		t, err := exchangedTable(args[0])
		if err != nil {
			return err
		}
		switch strings.ToLower(o.dateOrder) {
		case "":
		case "dmy":
			o.order = pb.ImportResponse_DAY_FIRST
		case "mdy":
			o.order = pb.ImportResponse_MONTH_FIRST
		default:
			return fmt.Errorf("--date-order %s: must be dmy or mdy", o.dateOrder)
		}
		switch strings.ToLower(o.encoding) {
		case "utf-8", "utf8":
		case "windows-1252":
			o.charset = pb.ImportResponse_WINDOWS_1252
		default:
			return fmt.Errorf("--encoding %s: must be utf-8 or windows-1252", o.encoding)
		}
		if args[1] == standardInput {
			o.csv, err = io.ReadAll(io.LimitReader(in.stdin, service.MaxRequestBytes))
		} else {
			o.csv, err = os.ReadFile(args[1])
		}
		if err != nil {
			var of *fs.PathError
			if errors.As(err, &of) {
				err = of.Err
			}
			return fmt.Errorf("%s: %w", args[1], err)
		}
		answer, err := t.in(ctx, h, &o)
		if s, _ := status.FromError(err); err != nil && refusal(s) == "INVALID_TABLE" {
			o.dry = true // to get all that is wrong
			answer, err = t.in(ctx, h, &o)
		}
		if err != nil {
			return h.said(err, fields(map[string]string{"csv": shownName(args[1]), "dateOrder": "--date-order"}))
		}
		display := map[string]string{} // of benches that were made
		if len(answer.GetNewBenches()) > 0 {
			all, err := h.benches(ctx)
			if err != nil {
				return err
			}
			for _, b := range all {
				display[b.GetName()] = b.GetDisplayName()
			}
		}
		return o.report(ctx, h, in, shownName(args[1]), answer, display)
	})
}

// resultWords say what became of rows, in the order of the report.
var resultWords = []struct {
	result      pb.ImportResponse_Result
	done, would string
}{
	{pb.ImportResponse_CREATED, "new", "would be new"},
	{pb.ImportResponse_UPDATED, "changed", "would change"},
	{pb.ImportResponse_UNCHANGED, "as they were", "as they are"},
	{pb.ImportResponse_REFUSED, "wrong", "wrong"},
	{pb.ImportResponse_NOT_WRITTEN, "right, but not brought in", "right, but not brought in"},
}

// report prints what became of a table: the changed rows, what is odd, what is wrong,
// and how many rows came to what.
func (o *importOptions) report(ctx context.Context, h *home, in inOut, file string, answer *pb.ImportResponse, benches map[string]string) error {
	for _, c := range answer.GetUnknownColumns() {
		fmt.Fprintln(in.notes, "note:", table.Problem{File: file, Line: 1, Column: c, Rule: "is not known, so it is not read"})
	}
	refused := 0
	for _, r := range answer.GetRows() {
		line := int(r.GetLine())
		for _, n := range r.GetNotes() {
			words, err := h.inWords(ctx, n)
			if err != nil {
				return err
			}
			fmt.Fprintln(in.notes, "note:", table.Problem{File: file, Line: line, Rule: words})
		}
		for _, f := range r.GetFaults() {
			words, err := h.inWords(ctx, f.GetRule())
			if err != nil {
				return err
			}
			fmt.Fprintln(in.notes, table.Problem{File: file, Line: line, Column: f.GetColumn(), Value: f.GetValue(), Rule: words})
		}
		switch r.GetResult() {
		case pb.ImportResponse_UPDATED:
			if _, err := fmt.Fprintf(in.out, "line %d changes %s\n", line, r.GetTag()); err != nil {
				return err
			}
		case pb.ImportResponse_REFUSED:
			refused++
		}
	}
	of := map[pb.ImportResponse_Result]int32{}
	for _, t := range answer.GetTotals() {
		of[t.GetResult()] = t.GetRows()
	}
	for _, b := range answer.GetNewBenches() {
		words := "new bench: "
		if o.dry {
			words = "would be a new bench: "
		}
		if _, err := fmt.Fprintln(in.out, words+cmp.Or(benches[b], b)); err != nil {
			return err
		}
	}
	var parts []string
	for _, w := range resultWords {
		words := w.done
		if o.dry {
			words = w.would
		}
		if of[w.result] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", of[w.result], words))
		}
	}
	if len(parts) == 0 {
		parts = []string{"no rows"}
	}
	if _, err := fmt.Fprintf(in.out, "%s: %s\n", file, strings.Join(parts, ", ")); err != nil {
		return err
	}
	if left := of[pb.ImportResponse_NOT_WRITTEN]; left > 0 && !o.dry && of[pb.ImportResponse_CREATED]+of[pb.ImportResponse_UPDATED] > 0 {
		return fmt.Errorf("%d rows were not brought in, though others were: send the table again, what is there stays as it is", left)
	}
	if refused > 0 && !o.goodRowsOnly {
		text := "nothing was brought in: mend what is named above and try again"
		if of[pb.ImportResponse_REFUSED] < total(of) {
			text += ", or add --good-rows-only"
		}
		return errors.New(text)
	}
	return nil
}

func total(of map[pb.ImportResponse_Result]int32) (n int32) {
	for _, rows := range of {
		n += rows
	}
	return n
}

func exportCommand() *cobra.Command {
	var file string
	c := &cobra.Command{
		Use:   "export plants|feedings|observations",
		Short: "Write tables for a spreadsheet",
		Long: `Write a table of the collection as CSV, to standard output or a new file. dewbench
import reads it again. A cell that a spreadsheet would take for a formula begins with
an apostrophe.`,
		Example: "  dewbench export plants -o plants.csv\n  dewbench export feedings",
	}
	c.Flags().StringVarP(&file, "output", "o", "", "file to write to; it must not be there yet (default standard output)")
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		t, err := exchangedTable(args[0])
		if err != nil {
			return err
		}
		if file == "" {
			return t.write(ctx, h, in.out)
		}
		return newFile("--output", file, func(f *os.File) error { return t.write(ctx, h, f) })
	})
}

// write writes all pages of a table.
func (t *exchanged) write(ctx context.Context, h *home, w io.Writer) error {
	for token := ""; ; {
		page, err := t.out(ctx, h, token)
		if err != nil {
			return h.said(err, nil)
		}
		if _, err := io.WriteString(w, page.GetCsv()); err != nil {
			return err
		}
		if token = page.GetNextPageToken(); token == "" {
			return nil
		}
	}
}

// newFile writes a file that is not there yet: all of it or nothing.
func newFile(flag, path string, write func(*os.File) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s %s: is there already: give another name, or remove it", flag, filepath.Base(path))
	}
	if err != nil {
		return notRead(strings.TrimPrefix(flag, "--"), path, err)
	}
	if err := errors.Join(write(f), f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}
