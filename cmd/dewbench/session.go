package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/due"
	"dewbench/service/table"
)

// The groups of commands in the help.
const (
	atTheBench = "bench"
	ofTables   = "tables"
	ofServing  = "serving"
)

// howToWalk tells how commands take a bench, a tag and a day.
const howToWalk = `BENCH is the display name of a bench, its id, or the beginning of either if no other
begins so. TAG is what is on the label. Case does not matter. A day is written as
2026-05-11, 11.5.2026, today, yesterday or tomorrow.`

// onServer makes a command that calls the server: it takes from least to most arguments
// (most below 0: any number), and runs on the collection that its flags name.
func onServer(c *cobra.Command, least, most int, run func(context.Context, *home, []string, inOut) error) *cobra.Command {
	var r remote
	r.add(c)
	c.Args = argumentsOf(least, most)
	c.RunE = func(c *cobra.Command, args []string) error {
		return r.inHome(c, func(ctx context.Context, h *home, in inOut) error { return run(ctx, h, args, in) })
	}
	return c
}

// argumentsOf refuses too few and too many arguments, and says what to type.
func argumentsOf(least, most int) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		example, _, _ := strings.Cut(strings.TrimSpace(c.Example), "\n")
		form := strings.TrimSuffix(c.CommandPath(), c.Name()) + strings.TrimSuffix(c.Use, " [flags]")
		switch {
		case len(args) < least:
			return fmt.Errorf("write %s; for example: %s", form, example)
		case most >= 0 && len(args) > most:
			return fmt.Errorf("%q is too much: write %s; for example: %s. What has spaces in it goes in quotes", args[most], form, example)
		}
		return nil
	}
}

// exceptions are plants that are not done as the others: TAG=WORD.
type exceptions struct{ given []string }

func (e *exceptions) add(c *cobra.Command, form, usage string) {
	c.Flags().StringSliceVarP(&e.given, "except", "e", nil, usage+", as "+form)
}

// read calls each for every exception. like is how one is written.
func (e *exceptions) read(like string, each func(tag, word string) error) error {
	for _, text := range e.given {
		i := strings.LastIndexByte(text, '=')
		if i < 0 {
			return fmt.Errorf("--except %s: write it as %s", text, like)
		}
		tag, word := strings.TrimSpace(text[:i]), strings.TrimSpace(text[i+1:])
		if tag == "" || word == "" {
			return fmt.Errorf("--except %s: write it as %s", text, like)
		}
		if err := each(tag, word); err != nil {
			return fmt.Errorf("--except %s: %w", text, err)
		}
	}
	return nil
}

// inWords names the fields of a request with exceptions.
func (e *exceptions) inWords(others map[string]string) func(string) string {
	return func(field string) string {
		if m := exceptItem.FindStringSubmatch(field); m != nil {
			if i, err := strconv.Atoi(m[1]); err == nil && i < len(e.given) {
				return "--except " + e.given[i]
			}
		}
		return fields(others)(field)
	}
}

var exceptItem = regexp.MustCompile(`^except(?:Tags)?\[([0-9]+)\]`)

// skipWord leaves a plant out.
const skipWord = "skip"

// isSkip tells whether a word is skip, or its beginning.
func isSkip(word string) bool { return strings.HasPrefix(skipWord, strings.ToLower(word)) }

// dayFlags are those of a record.
type dayFlags struct{ date string }

func (d *dayFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&d.date, "date", "", "day on which it was (default now)")
}

func (d *dayFlags) day(h *home) (*string, error) { return h.day("--date", d.date) }

// dayWords name the days and other flags of requests.
var dayWords = map[string]string{
	"fedDate": "--date", "observeDate": "--date", "outcomeDate": "--date", "moveDate": "--date", "holdDate": "--date", "divideDate": "--date",
	"untilDate": "--until", "food": "--food", "tag": "", "note": "--note", "feeder": "--feeder", "reason": "--reason",
	"trapsFed": "TRAPS", "toBench": "TOBENCH", "remainingQuantity": "--remaining", "quantity": "the number",
	"rosetteDiameterMm": "the diameter", "heightMm": "--height", "trapWidthMm": "--width", "workingTraps": "--traps", "leafCount": "--leaves",
}

func sessionCommand() *cobra.Command {
	var (
		except       exceptions
		date         dayFlags
		food, feeder string
		note         string
		dry          bool
	)
	c := &cobra.Command{
		Use:   "session BENCH",
		Short: "Record that what was due on a bench was fed",
		Long: `Record a session: every plant of the bench that was due or overdue was fed the traps
that were planned, but for the exceptions. A plant that was fed on that day already
is not fed again.

` + howToWalk,
		Example: "  dewbench session \"South window\"\n" +
			"  dewbench session south --except D12=1,D40=skip --food bloodworm-frozen\n" +
			"  dewbench session south --date yesterday --dry-run",
	}
	except.add(c, "D12=1,D40=skip", "plants that were fed other numbers of traps, or not")
	date.add(c)
	c.Flags().StringVar(&food, "food", "", "kind of food, such as bloodworm-frozen")
	c.Flags().StringVar(&feeder, "feeder", "", "who fed")
	c.Flags().StringVar(&note, "note", "", "a note for each feeding")
	c.Flags().BoolVar(&dry, "dry-run", false, "show what would be recorded, and record nothing")
	return onServer(c, 0, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		req := &pb.RecordSessionRequest{Food: foodName(food), Feeder: feeder, Note: note, RequestId: newRequestID(), ValidateOnly: dry}
		err := except.read("D12=1 (traps) or D12=skip", func(tag, word string) error {
			x := &pb.RecordSessionRequest_Exception{Tag: tag, Skip: isSkip(word)}
			if !x.Skip {
				n, err := wholeNumber(word)
				if err != nil {
					return fmt.Errorf("%w of traps, or skip", err)
				}
				x.TrapsFed = &n
			}
			req.Except = append(req.Except, x)
			return nil
		})
		if err != nil {
			return err
		}
		if req.FedDate, err = date.day(h); err != nil {
			return err
		}
		bench, known, err := h.walk(ctx, args)
		if err != nil {
			return err
		}
		req.Name = bench.GetName()
		answer, err := pb.NewSessionServiceClient(h).RecordSession(ctx, req)
		if err != nil {
			return h.said(err, except.inWords(dayWords))
		}
		return writeSession(ctx, in.out, known, bench, answer, dry, req.GetRequestId())
	})
}

// walk finds the bench that a command names, and the plants on it.
func (h *home) walk(ctx context.Context, args []string) (*pb.Bench, *plants, error) {
	bench, err := h.bench(ctx, strings.Join(args, ""))
	if err != nil {
		return nil, nil, err
	}
	known, err := h.on(ctx, bench)
	return bench, known, err
}

// foodName is the name of a kind of food that may be given by its id.
func foodName(text string) string {
	if text == "" || strings.HasPrefix(text, "foods/") {
		return text
	}
	return "foods/" + text
}

func wholeNumber(text string) (int32, error) {
	n, err := strconv.ParseInt(text, 10, 32)
	if err != nil || n < 0 {
		return 0, fmt.Errorf("%q must be a whole number", text)
	}
	return int32(n), nil
}

// skippedWords say why a plant was not fed.
var skippedWords = map[pb.RecordSessionResponse_Skipped_Code]string{
	pb.RecordSessionResponse_Skipped_SKIPPED:   "skipped, as you said",
	pb.RecordSessionResponse_Skipped_FED_TODAY: "was fed on that day already",
}

func writeSession(ctx context.Context, out io.Writer, known *plants, bench *pb.Bench, answer *pb.RecordSessionResponse, dry bool, id string) error {
	traps := 0
	rows := [][]string{{"TAG", "NAME", "TRAPS", "PLANNED"}}
	day := ""
	for _, f := range answer.GetFeedings() {
		p, err := known.plant(ctx, f.GetPlant())
		if err != nil {
			return err
		}
		traps += int(f.GetTrapsFed())
		day = " on " + f.GetFedDate()
		rows = append(rows, []string{p.GetTag(), dash(p.GetScientificName()), strconv.Itoa(int(f.GetTrapsFed())), strconv.Itoa(int(f.GetTrapsTarget()))})
	}
	verb := "Fed"
	if dry {
		verb = "Would be fed"
	}
	if len(answer.GetFeedings()) == 0 {
		if _, err := fmt.Fprintf(out, "Nothing to record on %s: no plant is due, or all were fed\n", bench.GetDisplayName()); err != nil {
			return err
		}
	} else {
		if _, err := fmt.Fprintf(out, "%s%s, %s: %s, %s\n", verb, day, bench.GetDisplayName(), count(len(answer.GetFeedings()), "plant"), count(traps, "trap")); err != nil {
			return err
		}
		if err := writeTable(out, rows); err != nil {
			return err
		}
	}
	for _, s := range answer.GetSkipped() {
		why, ok := skippedWords[s.GetCode()]
		if !ok {
			why = s.GetCode().String()
		}
		if _, err := fmt.Fprintf(out, "not fed: %s (%s)\n", s.GetTag(), why); err != nil {
			return err
		}
	}
	return writeUndo(out, id, dry || len(answer.GetFeedings()) == 0)
}

// writeUndo tells how to take a call back, unless nothing was written.
func writeUndo(out io.Writer, id string, nothing bool) error {
	if nothing {
		return nil
	}
	_, err := fmt.Fprintf(out, "to undo: dewbench undo %s\n", id)
	return err
}

// outcomeWords are those that --except takes.
var outcomeWords = []string{"clean", "residue", "mould", "rejected", skipWord}

// outcomeOf returns what a word says of the food.
func outcomeOf(word string) (pb.Feeding_Outcome, error) {
	o, err := table.Outcome(word)
	if err == nil && o != due.Unknown {
		return pb.Feeding_Outcome(o), nil
	}
	question := ""
	if near := table.Nearest(word, outcomeWords, 1); len(near) > 0 {
		question = fmt.Sprintf("; did you mean %s?", near[0])
	}
	return 0, fmt.Errorf("%q must be one of %s%s", word, strings.Join(outcomeWords, ", "), question)
}

func outcomesCommand() *cobra.Command {
	var (
		except exceptions
		date   dayFlags
		dry    bool
	)
	c := &cobra.Command{
		Use:   "outcomes BENCH",
		Short: "Record what became of the food on a bench",
		Long: `Record what became of the food of all sessions on the bench whose outcome is not
known yet: clean, but for the exceptions, which are residue, mould, rejected, or skip
for what is to be left as it is. The beginning of a word will do.

` + howToWalk,
		Example: "  dewbench outcomes \"South window\"\n" +
			"  dewbench outcomes south --except D12=mould,D7=residue --date yesterday",
	}
	except.add(c, "D12=mould,D7=residue", "plants whose food did not go clean")
	date.add(c)
	c.Flags().BoolVar(&dry, "dry-run", false, "show what would be recorded, and record nothing")
	return onServer(c, 0, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		req := &pb.RecordOutcomesRequest{RequestId: newRequestID(), ValidateOnly: dry}
		err := except.read("D12=mould; the words are clean, residue, mould, rejected, skip", func(tag, word string) error {
			x := &pb.RecordOutcomesRequest_Exception{Tag: tag, Skip: isSkip(word)}
			if !x.Skip {
				var err error
				if x.Outcome, err = outcomeOf(word); err != nil {
					return err
				}
			}
			req.Except = append(req.Except, x)
			return nil
		})
		if err != nil {
			return err
		}
		if req.OutcomeDate, err = date.day(h); err != nil {
			return err
		}
		bench, known, err := h.walk(ctx, args)
		if err != nil {
			return err
		}
		req.Name = bench.GetName()
		answer, err := pb.NewSessionServiceClient(h).RecordOutcomes(ctx, req)
		if err != nil {
			return h.said(err, except.inWords(dayWords))
		}
		return writeOutcomes(ctx, in.out, known, bench, answer, dry, req.GetRequestId())
	})
}

func writeOutcomes(ctx context.Context, out io.Writer, known *plants, bench *pb.Bench, answer *pb.RecordOutcomesResponse, dry bool, id string) error {
	if len(answer.GetFeedings()) == 0 {
		_, err := fmt.Fprintf(out, "Nothing to record on %s: the outcome of every session is known\n", bench.GetDisplayName())
		return err
	}
	of := map[pb.Feeding_Outcome]int{}
	rows := [][]string{{"TAG", "NAME", "FED", "TRAPS", "OUTCOME"}}
	for _, f := range answer.GetFeedings() {
		p, err := known.plant(ctx, f.GetPlant())
		if err != nil {
			return err
		}
		of[f.GetOutcome()]++
		rows = append(rows, []string{
			p.GetTag(), dash(p.GetScientificName()), f.GetFedDate(), strconv.Itoa(int(f.GetTrapsFed())), enumWords(f.GetOutcome()),
		})
	}
	var parts []string
	for _, o := range []pb.Feeding_Outcome{pb.Feeding_CLEAN, pb.Feeding_RESIDUE, pb.Feeding_MOULD, pb.Feeding_REJECTED} {
		if of[o] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", of[o], enumWords(o)))
		}
	}
	verb := "Outcomes"
	if dry {
		verb = "Outcomes that would be recorded"
	}
	if _, err := fmt.Fprintf(out, "%s, %s: %s\n", verb, bench.GetDisplayName(), strings.Join(parts, ", ")); err != nil {
		return err
	}
	if err := writeTable(out, rows); err != nil {
		return err
	}
	return writeUndo(out, id, dry)
}

func undoCommand() *cobra.Command {
	var dry bool
	c := &cobra.Command{
		Use:   "undo ID",
		Short: "Take back what a command recorded",
		Long: `Take back what a command recorded, by the ID that it printed, within 7 days: all of
it, or nothing where something was changed since.`,
		Example: "  dewbench undo k3m5xq2pvr",
	}
	c.Flags().BoolVar(&dry, "dry-run", false, "show what would be undone, and undo nothing")
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		answer, err := pb.NewSessionServiceClient(h).Undo(ctx, &pb.UndoRequest{
			Name: h.GetName(), RequestId: strings.TrimSpace(args[0]), ValidateOnly: dry,
		})
		if err != nil {
			return h.said(err, fields(map[string]string{"requestId": "ID"}))
		}
		var parts []string
		for _, part := range []struct {
			n    int
			what string
		}{{len(answer.GetFeedings()), "feeding"}, {len(answer.GetObservations()), "observation"}, {len(answer.GetPlants()), "plant"}} {
			if part.n > 0 {
				parts = append(parts, count(part.n, part.what))
			}
		}
		if len(parts) == 0 {
			return errors.New("nothing was left to undo")
		}
		verb := "Undone"
		if dry {
			verb = "Would be undone"
		}
		_, err = fmt.Fprintf(in.out, "%s: %s\n", verb, strings.Join(parts, ", "))
		return err
	})
}
