package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/service/due"
	"dewbench/service/table"
	"dewbench/store"
)

// The groups of commands in the help.
const (
	atTheBench = "bench"
	ofPeople   = "people"
	ofTables   = "tables"
	ofServing  = "serving"
)

// howToWalk tells how commands take a bench, a tag and a day.
const howToWalk = `BENCH is the display name of a bench, its id, or the beginning of either if no other
begins so. TAG is what is on the label. Case does not matter. A day is written as
2026-05-11, 11.5.2026, today, yesterday or tomorrow.`

// howToWalkAll adds how commands take several benches.
const howToWalkAll = ` Of several benches each is named, or
all of them with all.`

// onServer makes a command that calls the server: it takes from least to most arguments
// (most below 0: any number), and runs on the collection that its flags name.
func onServer(c *cobra.Command, least, most int, run func(context.Context, *home, []string, inOut) error) *cobra.Command {
	var r remote
	r.add(c)
	r.addCollection(c)
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

// read calls each for every exception, with the row where a sheet is named and a number is
// given, else with the tag. like is how one is written.
func (e *exceptions) read(like string, sheet *pb.Sheet, each func(row *int32, tag, word string) error) error {
	seen := map[string]bool{}
	for _, text := range e.given {
		i := strings.LastIndexByte(text, '=')
		if i < 0 {
			return fmt.Errorf("--except %s: write it as %s", text, like)
		}
		tag, word := strings.TrimSpace(text[:i]), strings.TrimSpace(text[i+1:])
		if tag == "" || word == "" {
			return fmt.Errorf("--except %s: write it as %s", text, like)
		}
		row, what := rowNumber(sheet, tag), table.Fold(tag)
		if row != nil {
			tag, what = "", fmt.Sprintf("row %d", *row)
		}
		if seen[what] {
			return fmt.Errorf("--except %s: %s stands twice", text, cmp.Or(tag, what))
		}
		seen[what] = true
		if err := each(row, tag, word); err != nil {
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
	"sheet": "--sheet", "trapsFed": "TRAPS", "toBench": "TOBENCH", "remainingQuantity": "--remaining", "quantity": "the number",
	"rosetteDiameterMm": "the diameter", "heightMm": "--height", "trapWidthMm": "--width", "workingTraps": "--traps", "leafCount": "--leaves",
}

func sessionCommand() *cobra.Command {
	var (
		except       exceptions
		date         dayFlags
		food, feeder string
		note         string
		dry          bool
		onSheet      sheetFlag
	)
	c := &cobra.Command{
		Use:   "session BENCH...",
		Short: "Record that what was due on a bench was fed",
		Long: `Record a session: every plant of the benches that was due or overdue was fed the traps
that were planned, but for the exceptions. A plant that was fed on that day already
is not fed again.

With --sheet it was done as a bench sheet says, whatever is due by now, on its day or
later: in --except a number is that of a row, anything else a tag, and without BENCH the
whole sheet is meant. By a sheet a plant is fed once.

` + howToWalk + howToWalkAll,
		Example: "  dewbench session \"South window\"\n" +
			"  dewbench session south --except D12=1,D40=skip --food bloodworm-frozen\n" +
			"  dewbench session south bog --date yesterday --dry-run\n  dewbench session all\n" +
			"  dewbench session --sheet 7 --except 3=1,12=skip",
	}
	onSheet.add(c)
	except.add(c, "D12=1,D40=skip", "plants that were fed other numbers of traps, or not")
	date.add(c)
	c.Flags().StringVar(&food, "food", "", "kind of food, such as bloodworm-frozen")
	c.Flags().StringVar(&feeder, "feeder", "", "who fed")
	c.Flags().StringVar(&note, "note", "", "a note for each feeding")
	c.Flags().BoolVar(&dry, "dry-run", false, "show what would be recorded, and record nothing")
	return onServer(c, 0, -1, func(ctx context.Context, h *home, args []string, in inOut) error {
		sheet, err := onSheet.get(ctx, h)
		if err != nil {
			return err
		}
		var all []*pb.RecordSessionRequest_Exception
		err = except.read("D12=1 (traps) or D12=skip", sheet, func(row *int32, tag, word string) error {
			x := &pb.RecordSessionRequest_Exception{Row: row, Tag: tag, Skip: isSkip(word)}
			if !x.Skip {
				n, err := wholeNumber(word)
				switch {
				case err != nil:
					return fmt.Errorf("%w of traps, or skip", err)
				case n == 0:
					if row != nil {
						tag = strconv.Itoa(int(*row))
					}
					return fmt.Errorf("to leave it out write %s=skip", tag)
				}
				x.TrapsFed = &n
			}
			all = append(all, x)
			return nil
		})
		if err != nil {
			return err
		}
		fed, err := foodName(food)
		if err != nil {
			return err
		}
		day, err := date.day(h)
		if err != nil {
			return err
		}
		benches, err := h.benchesOn(ctx, sheet, pb.DayPlan_Task_FEED, args, "dewbench feed TAG")
		if err != nil {
			return err
		}
		return h.round(ctx, in, benches, except.given, sheet, dry, func(b *pb.Bench, some []int, id string, only bool) (bool, func() error, error) {
			req := &pb.RecordSessionRequest{
				Name: b.GetName(), FedDate: day, Food: fed, Feeder: feeder, Note: note, Except: of(all, some), RequestId: id, ValidateOnly: only,
				Sheet: sheet.GetName(),
			}
			answer, err := pb.NewSessionServiceClient(h).RecordSession(ctx, req)
			if err != nil {
				return false, nil, h.said(err, (&exceptions{of(except.given, some)}).inWords(dayWords))
			}
			return len(answer.GetFeedings()) > 0, func() error { return h.writeSession(ctx, in.out, b, sheet, answer, only, day) }, nil
		})
	})
}

// of returns some of a list, by their places.
func of[T any](all []T, some []int) []T {
	out := make([]T, len(some))
	for i, n := range some {
		out[i] = all[n]
	}
	return out
}

// everyBench stands for all benches.
const everyBench = "all"

// benchesOf finds the benches that a command names, each once. forPlant is the command
// for one plant.
func (h *home) benchesOf(ctx context.Context, args []string, forPlant string) ([]*pb.Bench, error) {
	all, err := h.benches(ctx)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, errNoBench
	}
	names := benchNames(all)
	if exact, _ := fits(strings.Join(args, " "), names); len(exact) == 1 {
		return []*pb.Bench{all[exact[0]]}, nil // also of several words without quotes
	}
	if len(args) == 1 && table.Fold(args[0]) == everyBench {
		return all, nil
	}
	if len(args) == 0 {
		args = []string{""}
	}
	var out []*pb.Bench
	for _, text := range args {
		i, err := choose("bench", text, "say which bench, or "+everyBench, names)
		if err != nil {
			if is, tagErr := h.isTag(ctx, text); tagErr != nil {
				return nil, tagErr
			} else if is {
				return nil, fmt.Errorf("%s is a plant, not a bench: %s", text, strings.ReplaceAll(forPlant, "TAG", text))
			}
			return nil, err
		}
		if !slices.Contains(out, all[i]) {
			out = append(out, all[i])
		}
	}
	return out, nil
}

// round does something at each of the benches. It is tried at all of them first: what one
// refuses is done at none. excepted are what --except was given, of which do gets the
// places of those at that bench; with a sheet they name its rows. do tells whether
// something was recorded, and how to write what.
func (h *home) round(ctx context.Context, in inOut, benches []*pb.Bench, excepted []string, sheet *pb.Sheet, dry bool,
	do func(b *pb.Bench, excepted []int, id string, only bool) (recorded bool, write func() error, err error),
) error {
	some, err := h.standing(ctx, benches, excepted, sheet)
	if err != nil {
		return err
	}
	at := func(b *pb.Bench, id string, only bool) (bool, func() error, error) {
		recorded, write, err := do(b, some[b.GetName()], id, only)
		if err != nil && len(benches) > 1 {
			err = fmt.Errorf("%s: %w", b.GetDisplayName(), err)
		}
		return recorded, write, err
	}
	if len(benches) > 1 && !dry {
		for _, b := range benches {
			if _, _, err := at(b, "", true); err != nil {
				return err
			}
		}
	}
	var ids []string
	var writers []func() error
	for _, b := range benches {
		id := newRequestID()
		recorded, write, failed := at(b, id, dry)
		if failed != nil {
			err = failed // what was recorded before is still told
			break
		}
		if recorded && !dry {
			ids = append(ids, id)
		}
		writers = append(writers, write)
	}
	// All is recorded before anything is written, and what takes it back is written first:
	// whoever reads the output may stop early.
	if failed := writeUndo(in.out, ids...); failed != nil {
		return errors.Join(err, failed)
	}
	for _, write := range writers {
		if failed := write(); failed != nil {
			return errors.Join(err, failed)
		}
	}
	return err
}

// standing returns which exceptions, TAG or TAG=WORD, or with a sheet ROW=WORD, are of
// which bench. Of one bench all are, for the server to judge.
func (h *home) standing(ctx context.Context, benches []*pb.Bench, excepted []string, sheet *pb.Sheet) (map[string][]int, error) {
	out := map[string][]int{}
	for i, text := range excepted {
		on := benches[0].GetName()
		if len(benches) > 1 {
			tag := text
			if at := strings.LastIndexByte(text, '='); at >= 0 {
				tag = text[:at]
			}
			tag = strings.TrimSpace(tag)
			if row := rowNumber(sheet, tag); row == nil {
				p, err := h.tagged(ctx, tag)
				if err != nil {
					return nil, fmt.Errorf("--except %s: %w", text, err)
				}
				on = p.GetBench()
			} else if rows := sheet.GetRows(); *row < 1 || int(*row) > len(rows) {
				return nil, fmt.Errorf("--except %s: %d is not on the sheet, which has %s", text, *row, count(len(rows), "row"))
			} else {
				on = rows[*row-1].GetBench()
			}
			if !slices.ContainsFunc(benches, func(b *pb.Bench) bool { return b.GetName() == on }) {
				return nil, fmt.Errorf("--except %s: the plant stands on none of the benches", text)
			}
		}
		out[on] = append(out[on], i)
	}
	return out, nil
}

// foodName is the name of the kind of food that a text means: its id, or the only one
// that begins so. A full name is the server's matter.
func foodName(text string) (string, error) {
	const prefix = "foods/"
	if text == "" || strings.HasPrefix(text, prefix) {
		return text, nil
	}
	known, err := catalogue.Load()
	if err != nil {
		return "", err
	}
	key := strings.ReplaceAll(table.Fold(text), " ", "-")
	var ids, begin []string
	for _, f := range known.Foods() {
		ids = append(ids, f.ID)
		if f.ID == key {
			return prefix + key, nil
		}
		if strings.HasPrefix(f.ID, key) {
			begin = append(begin, f.ID)
		}
	}
	switch {
	case len(begin) == 1:
		return prefix + begin[0], nil
	case len(begin) > 1:
		return "", fmt.Errorf("--food %s: may be %s", text, strings.Join(begin, " or "))
	}
	question := ""
	if near := nearestFood(key, ids); near != "" {
		question = fmt.Sprintf("; did you mean %s?", near)
	}
	return "", fmt.Errorf("--food %s: is not a kind of food%s They are %s", text, cmp.Or(question, "."), strings.Join(ids, ", "))
}

// nearestFood returns the kind of food that was likely meant, or "". Its first word may
// stand for it.
func nearestFood(text string, ids []string) string {
	of := map[string]string{}
	for _, id := range slices.Backward(ids) { // the first of several with that word
		first, _, _ := strings.Cut(id, "-")
		of[first], of[id] = id, id
	}
	if near := table.Nearest(text, slices.Sorted(maps.Keys(of)), 1); len(near) > 0 {
		return of[near[0]]
	}
	return ""
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
	pb.RecordSessionResponse_Skipped_FED_SINCE: "was fed since the day of the sheet",
	pb.RecordSessionResponse_Skipped_MOVED:     "stands elsewhere by now",
	pb.RecordSessionResponse_Skipped_ENDED:     "is gone",
}

// writeSession tells what a session recorded and left out: of a bench, or of a whole sheet
// bench by bench.
func (h *home) writeSession(ctx context.Context, out io.Writer, bench *pb.Bench, sheet *pb.Sheet, answer *pb.RecordSessionResponse, dry bool, day *string) error {
	if sheet == nil {
		known, err := h.on(ctx, bench)
		if err != nil {
			return err
		}
		why := ""
		if len(answer.GetFeedings()) == 0 {
			if why, err = known.noneDue(ctx, bench, answer, day); err != nil {
				return err
			}
		}
		return known.writeSession(ctx, out, bench, answer, dry, why)
	}
	known, benchOf := h.onRows(sheet)
	parts := h.parts(sheet, bench)
	for _, part := range parts {
		here := func(plant string) bool {
			on, is := benchOf[plant]
			return on == part.GetName() || !is && len(parts) == 1 // one that is not on the sheet was named with its bench
		}
		some := &pb.RecordSessionResponse{}
		for _, f := range answer.GetFeedings() {
			if here(f.GetPlant()) {
				some.Feedings = append(some.Feedings, f)
			}
		}
		for _, s := range answer.GetSkipped() {
			if here(s.GetPlant()) {
				some.Skipped = append(some.Skipped, s)
			}
		}
		why := fmt.Sprintf("Nothing to record on %s by sheet %d", part.GetDisplayName(), store.SheetNumber(sheet.GetName()))
		switch told := len(rowsOf(sheet, pb.DayPlan_Task_FEED, part.GetName(), false)); {
		case told == 0 && len(parts) > 1 && len(some.GetFeedings())+len(some.GetSkipped()) == 0:
			continue
		case told == 0:
			why += ": it tells to feed nothing there"
		}
		if err := known.writeSession(ctx, out, part, some, dry, why); err != nil {
			return err
		}
	}
	return nil
}

// writeSession tells what a session recorded and left out on a bench; why is what it says
// where it recorded nothing.
func (p *plants) writeSession(ctx context.Context, out io.Writer, bench *pb.Bench, answer *pb.RecordSessionResponse, dry bool, why string) error {
	if len(answer.GetFeedings()) == 0 {
		if _, err := fmt.Fprintln(out, why); err != nil {
			return err
		}
	} else {
		traps := 0
		rows := [][]string{{"TAG", "NAME", "TRAPS", "PLANNED"}}
		for _, f := range answer.GetFeedings() {
			m, err := p.plant(ctx, f.GetPlant())
			if err != nil {
				return err
			}
			traps += int(f.GetTrapsFed())
			rows = append(rows, []string{m.GetTag(), dash(fullName(m)), strconv.Itoa(int(f.GetTrapsFed())), strconv.Itoa(int(f.GetTrapsTarget()))})
		}
		verb := "Fed"
		if dry {
			verb = "Would be fed"
		}
		if _, err := fmt.Fprintf(out, "%s on %s, %s: %s, %s\n", verb, answer.GetFeedings()[0].GetFedDate(),
			bench.GetDisplayName(), count(len(answer.GetFeedings()), "plant"), count(traps, "trap")); err != nil {
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
	return nil
}

// noneDue tells why a session records nothing, and which plant is the next to be due.
func (p *plants) noneDue(ctx context.Context, bench *pb.Bench, answer *pb.RecordSessionResponse, day *string) (string, error) {
	name := bench.GetDisplayName()
	if !p.anyGrow() {
		return "Nothing to record: no plant stands on " + name, nil
	}
	text := "Nothing to record on " + name + ": no plant is due"
	if len(answer.GetSkipped()) > 0 {
		return text + ", or all were fed", nil
	}
	req := &pb.ListDueFeedingsRequest{
		Parent: p.of.GetName(), Filter: fmt.Sprintf("bench = %q", bench.GetName()), AsOfDate: day, PageSize: service.MaxPageSize,
	}
	list := listing{totals: map[pb.DueFeeding_Status]int{}, shown: func(pb.DueFeeding_Status) bool { return true }}
	rows, _, err := p.of.due(ctx, req, []*pb.Bench{bench}, &list)
	if err != nil {
		return "", err
	}
	next, when := "", ""
	for _, r := range rows {
		if on := cmp.Or(r.GetFeedDate(), r.GetDueFromDate()); on != "" && (when == "" || on < when) {
			next, when = r.GetTag(), on
		}
	}
	if when == "" {
		return text, nil
	}
	return fmt.Sprintf("%s; the next is %s on %s", text, next, when), nil
}

// anyGrow tells whether any of the plants of a bench grows.
func (p *plants) anyGrow() bool {
	for _, m := range p.known {
		if m.GetState() == pb.Plant_GROWING {
			return true
		}
	}
	return false
}

// writeUndo tells how to take calls back.
func writeUndo(out io.Writer, ids ...string) error {
	if len(ids) == 0 {
		return nil
	}
	_, err := fmt.Fprintf(out, "to undo: dewbench undo %s\n", strings.Join(ids, " "))
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
	var begin []string
	for _, w := range outcomeWords {
		if strings.HasPrefix(w, table.Fold(word)) {
			begin = append(begin, w)
		}
	}
	if len(begin) > 1 {
		return 0, fmt.Errorf("%q may be %s", word, strings.Join(begin, " or "))
	}
	question := ""
	if near := table.Nearest(word, outcomeWords, 1); len(near) > 0 {
		question = fmt.Sprintf("; did you mean %s?", near[0])
	}
	return 0, fmt.Errorf("%q must be one of %s%s", word, strings.Join(outcomeWords, ", "), question)
}

func outcomesCommand() *cobra.Command {
	var (
		except  exceptions
		date    dayFlags
		dry     bool
		onSheet sheetFlag
	)
	c := &cobra.Command{
		Use:   "outcomes BENCH...",
		Short: "Record what became of the food on a bench",
		Long: `Record what became of the food of all sessions on the benches whose outcome is not
known yet: clean, but for the exceptions, which are residue, mould, rejected, or skip
for what is to be left as it is. The beginning of a word will do.

With --sheet they are the sessions that a bench sheet tells to look at, seen on its day or
later: in --except a number is that of a row, anything else a tag, and without BENCH the
whole sheet is meant.

` + howToWalk + howToWalkAll,
		Example: "  dewbench outcomes \"South window\"\n" +
			"  dewbench outcomes south --except D12=mould,D7=residue --date yesterday\n  dewbench outcomes all\n" +
			"  dewbench outcomes --sheet 7 --except 5=mould",
	}
	onSheet.add(c)
	except.add(c, "D12=mould,D7=residue", "plants whose food did not go clean")
	date.add(c)
	c.Flags().BoolVar(&dry, "dry-run", false, "show what would be recorded, and record nothing")
	return onServer(c, 0, -1, func(ctx context.Context, h *home, args []string, in inOut) error {
		sheet, err := onSheet.get(ctx, h)
		if err != nil {
			return err
		}
		var all []*pb.RecordOutcomesRequest_Exception
		err = except.read("D12=mould; the words are clean, residue, mould, rejected, skip", sheet, func(row *int32, tag, word string) error {
			x := &pb.RecordOutcomesRequest_Exception{Row: row, Tag: tag, Skip: isSkip(word)}
			if !x.Skip {
				var err error
				if x.Outcome, err = outcomeOf(word); err != nil {
					return err
				}
			}
			all = append(all, x)
			return nil
		})
		if err != nil {
			return err
		}
		day, err := date.day(h)
		if err != nil {
			return err
		}
		benches, err := h.benchesOn(ctx, sheet, pb.DayPlan_Task_CHECK_OUTCOME, args, "dewbench outcomes BENCH --except TAG=mould, with the bench on which it stands")
		if err != nil {
			return err
		}
		return h.round(ctx, in, benches, except.given, sheet, dry, func(b *pb.Bench, some []int, id string, only bool) (bool, func() error, error) {
			req := &pb.RecordOutcomesRequest{Name: b.GetName(), OutcomeDate: day, Except: of(all, some), RequestId: id, ValidateOnly: only, Sheet: sheet.GetName()}
			answer, err := pb.NewSessionServiceClient(h).RecordOutcomes(ctx, req)
			if err != nil {
				return false, nil, h.said(err, (&exceptions{of(except.given, some)}).inWords(dayWords))
			}
			return len(answer.GetFeedings()) > 0, func() error { return h.writeOutcomes(ctx, in.out, b, sheet, answer, all, only) }, nil
		})
	})
}

// writeOutcomes tells what outcomes were recorded: of a bench, or of a whole sheet bench by
// bench, with the rows to look at of which there was nothing to record.
func (h *home) writeOutcomes(ctx context.Context, out io.Writer, bench *pb.Bench, sheet *pb.Sheet, answer *pb.RecordOutcomesResponse,
	except []*pb.RecordOutcomesRequest_Exception, dry bool,
) error {
	if sheet == nil {
		if len(answer.GetFeedings()) == 0 {
			_, err := fmt.Fprintf(out, "Nothing to record on %s: the outcome of every session is known\n", bench.GetDisplayName())
			return err
		}
		known, err := h.on(ctx, bench)
		if err != nil {
			return err
		}
		return known.writeOutcomes(ctx, out, bench, answer.GetFeedings(), dry)
	}
	known, _ := h.onRows(sheet)
	parts := h.parts(sheet, bench)
	for _, part := range parts {
		rows := rowsOf(sheet, pb.DayPlan_Task_CHECK_OUTCOME, part.GetName(), false)
		var some []*pb.Feeding
		var without []string
		for _, r := range rows {
			n := len(some)
			for _, f := range answer.GetFeedings() {
				if f.GetPlant() == r.GetPlant() {
					some = append(some, f)
				}
			}
			left := slices.ContainsFunc(except, func(x *pb.RecordOutcomesRequest_Exception) bool {
				return x.GetSkip() && (x.Row != nil && x.GetRow() == r.GetRow() || x.Row == nil && table.Fold(x.GetTag()) == table.Fold(r.GetTag()))
			})
			if len(some) == n && !left {
				without = append(without, fmt.Sprintf("not recorded: row %d, %s (its outcome is known, or the plant or its session is not there any more)\n", r.GetRow(), r.GetTag()))
			}
		}
		var err error
		switch {
		case len(some) > 0:
			err = known.writeOutcomes(ctx, out, part, some, dry)
		case len(rows) == 0 && len(parts) == 1:
			_, err = fmt.Fprintf(out, "Nothing to record on %s: sheet %d tells to look at nothing there\n", part.GetDisplayName(), store.SheetNumber(sheet.GetName()))
		case len(rows) > 0:
			_, err = fmt.Fprintf(out, "Nothing to record on %s by sheet %d\n", part.GetDisplayName(), store.SheetNumber(sheet.GetName()))
		}
		if err != nil {
			return err
		}
		if _, err := io.WriteString(out, strings.Join(without, "")); err != nil {
			return err
		}
	}
	return nil
}

// writeOutcomes tells what outcomes were recorded on a bench.
func (p *plants) writeOutcomes(ctx context.Context, out io.Writer, bench *pb.Bench, feedings []*pb.Feeding, dry bool) error {
	of := map[pb.Feeding_Outcome]int{}
	rows := [][]string{{"TAG", "NAME", "FED", "TRAPS", "OUTCOME"}}
	for _, f := range feedings {
		m, err := p.plant(ctx, f.GetPlant())
		if err != nil {
			return err
		}
		of[f.GetOutcome()]++
		rows = append(rows, []string{
			m.GetTag(), dash(fullName(m)), f.GetFedDate(), strconv.Itoa(int(f.GetTrapsFed())), enumWords(f.GetOutcome()),
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
	return writeTable(out, rows)
}

func undoCommand() *cobra.Command {
	var dry bool
	c := &cobra.Command{
		Use:   "undo ID...",
		Short: "Take back what a command recorded",
		Long: `Take back what a command recorded, by the ID that it printed, within 7 days: all of
it, or nothing where something was changed since.`,
		Example: "  dewbench undo k3m5xq2pvr",
	}
	c.Flags().BoolVar(&dry, "dry-run", false, "show what would be undone, and undo nothing")
	return onServer(c, 1, -1, func(ctx context.Context, h *home, args []string, in inOut) error {
		would := make([]*pb.UndoResponse, len(args)) // what one refuses is undone of none
		for i, id := range args {
			var err error
			if would[i], err = h.undo(ctx, id, true); err != nil {
				return err
			}
		}
		for i, id := range args {
			answer, err := h.undo(ctx, id, dry)
			if err != nil {
				return err
			}
			if err := writeUndone(in.out, id, dry, would[i], answer); err != nil {
				return err
			}
		}
		return nil
	})
}

// undo takes a call back, or shows what that would do.
func (h *home) undo(ctx context.Context, id string, only bool) (*pb.UndoResponse, error) {
	req := &pb.UndoRequest{Name: h.GetName(), RequestId: strings.TrimSpace(id), ValidateOnly: only}
	answer, err := pb.NewSessionServiceClient(h).Undo(ctx, req)
	if err == nil {
		return answer, nil
	}
	if s, _ := status.FromError(err); refusal(s) != "REQUEST_NOT_FOUND" {
		return nil, h.said(err, fields(map[string]string{"requestId": "ID"}))
	}
	all, err := h.collections(ctx)
	if err != nil {
		return nil, err
	}
	for _, other := range all {
		req.Name, req.ValidateOnly = other.GetName(), true
		_, err := pb.NewSessionServiceClient(h).Undo(ctx, req)
		if err == nil {
			return nil, fmt.Errorf("it was recorded in another collection: dewbench undo %s --collection %q", id, other.GetDisplayName())
		}
		if s, _ := status.FromError(err); refusal(s) != "REQUEST_NOT_FOUND" && other.GetName() != h.GetName() {
			return nil, h.said(err, nil)
		}
	}
	return nil, fmt.Errorf("no call of yours with the ID %s in %s within 7 days: it is printed after each record", id, h.GetDisplayName())
}

// writeUndone tells what was undone. would is what undoing was to make of it: of what was
// undone before, its times are the same.
func writeUndone(out io.Writer, id string, dry bool, would, answer *pb.UndoResponse) error {
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
	switch {
	case proto.Equal(would, answer):
		verb = id + " was undone already"
	case dry:
		verb = "Would be undone"
	}
	_, err := fmt.Fprintf(out, "%s: %s\n", verb, strings.Join(parts, ", "))
	return err
}
