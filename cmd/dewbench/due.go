package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	"dewbench/service/table"
)

// dueOptions are the flags of `dewbench due`.
type dueOptions struct {
	plants, feedings, observations string
	asOf, order, encoding          string
	place                          placeFlags
	horizon                        int32
	json, all, columns             bool
}

func dueCommand() *cobra.Command {
	var o dueOptions
	c := &cobra.Command{
		Use:   "due --plants plants.csv [--feedings feedings.csv]",
		Short: "Tell what is due, from tables saved by a spreadsheet",
		Long: `Tell which plants are due, from tables that a spreadsheet saved as CSV.

plants.csv has a row for each pot. It needs a column for the tag and one for the
name (or genus, or trap type). Others are read where they are there: bench,
exposure, quantity, acquired, diameter and so on, under their usual names;
dewbench due --columns prints them all.

feedings.csv has a row for each session: tag, day, and, where known, traps,
outcome and more. observations.csv has a row for what was seen or done: tag, day,
and a size, a count, a catch, a repotting, a hold, a move and so on. Where a pot
moved, plants.csv tells where it stood first.

Columns are separated by commas, semicolons or tabs. If days such as 3/4/2026
leave open which is the month, say so with --date-order. If a row is wrong,
nothing is computed, and every wrong row is named. In place of one file, - reads
standard input.

` + listHelp(),
		Example: "  dewbench due --plants plants.csv --feedings feedings.csv\n" +
			"  dewbench due --plants plants.csv --feedings feedings.csv --as-of 2026-05-11 --latitude 52 --json",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return fmt.Errorf("%q: tables are given with flags: dewbench due --plants plants.csv --feedings feedings.csv", args[0])
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error {
			if o.columns {
				return writeColumns(c.OutOrStdout())
			}
			var own *scratch
			connect := func(ctx context.Context) (_ grpc.ClientConnInterface, err error) {
				if own, err = newScratch(ctx, newLog(c.ErrOrStderr(), false, slog.LevelError)); err != nil {
					return nil, err
				}
				return own.conn(), nil
			}
			err := o.run(c.Context(), connect, inOut{c.InOrStdin(), c.OutOrStdout(), c.ErrOrStderr()})
			if own != nil {
				err = errors.Join(err, own.Close())
			}
			return err
		},
	}
	f := c.Flags()
	f.StringVar(&o.plants, "plants", "", "table of plants")
	f.StringVar(&o.feedings, "feedings", "", "table of feedings")
	f.StringVar(&o.observations, "observations", "", "table of what was seen or done")
	f.StringVar(&o.asOf, "as-of", "", "day to answer for, YYYY-MM-DD (default today)")
	f.Int32Var(&o.horizon, "horizon", service.UsualHorizonDays, fmt.Sprintf("days ahead within which a plant is upcoming, 0 to %d", service.MaxHorizonDays))
	o.place.add(c, "for what today is (default this machine's)")
	f.StringVar(&o.order, "date-order", "", "dmy or mdy: how days such as 3/4/2026 are meant")
	f.StringVar(&o.encoding, "encoding", "utf-8", "utf-8 or windows-1252: how the tables are encoded")
	f.BoolVar(&o.columns, "columns", false, "print the columns that the tables may have, and exit")
	f.BoolVar(&o.json, "json", false, "print what the API answers, as JSON, all statuses")
	f.BoolVar(&o.all, "all", false, "also list plants that are not due or not fed by hand")
	return c
}

// inOut are the streams of a command.
type inOut struct {
	stdin      io.Reader
	out, notes io.Writer
}

// run reads the tables, connects to the API, asks it and prints the answer. So
// what is wrong with flags and tables is told first.
func (o *dueOptions) run(ctx context.Context, connect func(context.Context) (grpc.ClientConnInterface, error), in inOut) error {
	if o.plants == "" {
		return errors.New("the table of plants is missing: dewbench due --plants plants.csv --feedings feedings.csv")
	}
	if piped := []bool{o.plants == standardInput, o.feedings == standardInput, o.observations == standardInput}; slices.Index(piped, true) != lastTrue(piped) {
		return errors.New("only one table can come from standard input: name a file for the others")
	}
	collection, err := o.collection()
	if err != nil {
		return err
	}
	all, err := o.tables(collection.GetAsOfDate(), in)
	if err != nil {
		return err
	}
	conn, err := connect(ctx)
	if err != nil {
		return err
	}
	known, err := readNames(ctx, conn)
	if err != nil {
		return err
	}
	pots := o.pots(all, known, collection.GetAsOfDate(), in.notes)
	rows, err := compute(ctx, conn, collection, pots)
	if err != nil {
		return err
	}
	absent(in.notes, pots, rows, collection.GetAsOfDate())
	if o.json {
		answer := &pb.ComputeDueResponse{}
		for _, r := range rows {
			answer.Decisions = append(answer.Decisions, r.DueFeeding)
		}
		return writeAnswer(in.out, answer)
	}
	if _, err := fmt.Fprintf(in.out, "Feeding list for %s: %s\n", collection.GetAsOfDate(), count(len(rows), "pot")); err != nil {
		return err
	}
	list := listing{horizon: o.horizon, shown: func(s pb.DueFeeding_Status) bool {
		return o.all || s != pb.DueFeeding_NOT_DUE && s != pb.DueFeeding_NOT_HAND_FED
	}}
	_, err = list.write(in.out, rows)
	return err
}

// writeAnswer writes an answer of the API as JSON.
func writeAnswer(out io.Writer, answer proto.Message) error {
	text, err := protojson.MarshalOptions{EmitDefaultValues: true}.Marshal(answer)
	if err != nil {
		return err
	}
	var even bytes.Buffer // protojson spaces at random
	if err := json.Indent(&even, text, "", "  "); err != nil {
		return err
	}
	_, err = fmt.Fprintln(out, even.String())
	return err
}

// collection reads the flags that hold for all plants.
func (o *dueOptions) collection() (*pb.ComputeDueRequest, error) {
	at, err := o.place.read()
	if err != nil {
		return nil, err
	}
	zone := time.Local
	if at.zone != nil {
		zone = at.zone
	}
	// Days in the tables are days there; their instants need no zone.
	c := &pb.ComputeDueRequest{AsOfDate: o.asOf, HorizonDays: &o.horizon}
	if o.asOf == "" {
		c.AsOfDate = civil.Of(time.Now(), zone).String()
	} else if _, err := civil.Parse(o.asOf); err != nil {
		return nil, fmt.Errorf("--as-of %s: %w; write it as %s", o.asOf, err, civil.Of(time.Now(), zone))
	}
	if o.horizon < 0 || o.horizon > service.MaxHorizonDays {
		return nil, fmt.Errorf("--horizon %d: must be days from 0 to %d", o.horizon, service.MaxHorizonDays)
	}
	c.LatitudeDeg, c.Hemisphere, c.FeedingWeekdays = at.latitude, at.hemisphere, at.weekdays
	return c, nil
}

// tableOptions says how to read a file.
func (o *dueOptions) tableOptions(file string) (table.Options, error) {
	options := table.Options{
		File:        shownName(file),
		AskOrder:    "say which with --date-order dmy or --date-order mdy",
		AskColumns:  "dewbench due --columns prints the headers that are known",
		AskEncoding: "if a spreadsheet wrote it, try --encoding windows-1252",
	}
	switch strings.ToLower(o.order) {
	case "":
	case "dmy":
		options.Order = table.DayFirst
	case "mdy":
		options.Order = table.MonthFirst
	default:
		return options, fmt.Errorf("--date-order %s: must be dmy or mdy", o.order)
	}
	switch strings.ToLower(o.encoding) {
	case "utf-8", "utf8":
	case "windows-1252":
		options.Encoding = table.Windows1252
	default:
		return options, fmt.Errorf("--encoding %s: must be utf-8 or windows-1252", o.encoding)
	}
	return options, nil
}

// errBadTables says that the problems were printed before.
var errBadTables = errors.New("nothing was computed: mend what is named above and try again")

// standardInput in place of a file's name.
const standardInput = "-"

// shownName names a table in messages.
func shownName(file string) string {
	if file == standardInput {
		return "standard input"
	}
	return filepath.Base(file)
}

func lastTrue(list []bool) int {
	last := -1
	for i, is := range list {
		if is {
			last = i
		}
	}
	return last
}

// readTable reads one table with one of the readers of package table.
func readTable[R any](o *dueOptions, flag, file string, stdin io.Reader, read func(io.Reader, table.Options) (*table.Result[R], error)) (*table.Result[R], error) {
	options, err := o.tableOptions(file)
	if err != nil {
		return nil, err
	}
	from := stdin
	if file != standardInput {
		f, err := os.Open(file)
		if err != nil {
			return nil, notRead(flag, file, err)
		}
		defer f.Close()
		from = f
	}
	result, err := read(from, options)
	if err != nil {
		return nil, notRead(flag, file, err)
	}
	return result, nil
}

// notRead says that a file could not be read, and why, each once. It was named by a flag, or
// by an argument in capitals.
func notRead(flag, file string, err error) error {
	var of *fs.PathError
	if errors.As(err, &of) {
		err = of.Err
	}
	if flag != strings.ToUpper(flag) {
		flag = "--" + flag
	}
	return fmt.Errorf("%s %s: %w", flag, file, err)
}

// report prints what is wrong with a table, and what is odd.
func report[R any](w io.Writer, t *table.Result[R]) (bad bool) {
	if t == nil {
		return false
	}
	for _, p := range t.Warnings {
		fmt.Fprintln(w, "note:", p)
	}
	if t.MoreWarnings > 0 {
		fmt.Fprintf(w, "note: and %d more notes\n", t.MoreWarnings)
	}
	for _, p := range t.Problems {
		fmt.Fprintln(w, p)
	}
	if t.MoreProblems > 0 {
		fmt.Fprintf(w, "and %d more rows\n", t.MoreProblems)
	}
	return !t.OK()
}
