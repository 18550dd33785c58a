package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// watchKinds are the headings of the watch list, in its order.
var watchKinds = []struct {
	kind    pb.WatchList_Entry_Kind
	heading string
	words   string
}{
	{pb.WatchList_Entry_SHRINKING, "Shrinking", "its rosette shrank, by its measurements of 180 days"},
	{pb.WatchList_Entry_OPEN_HOLD, "On hold for long", "a hold or treatment without an end, for more than 120 days"},
	{pb.WatchList_Entry_OPEN_REST, "At rest for long", "a rest without an end, for more than 120 days"},
	{pb.WatchList_Entry_NO_SURVEY, "Not surveyed", "outdoors, and not looked at for prey for more than 60 days"},
	{pb.WatchList_Entry_UNSEEN, "Not seen", "nothing on record since the day of --unseen-since"},
	{pb.WatchList_Entry_BENCH_MOULD, "Mould", "benches where more sessions mould than elsewhere, of 180 days"},
}

// adviceWords say in plain words what to do.
var adviceWords = []struct {
	code  pb.WatchList_Advice_Code
	words string
}{
	{pb.WatchList_Advice_NO_PREY_SEEN, "the last survey found no prey: it does not feed itself"},
	{pb.WatchList_Advice_STALK_LEFT_ON, "a flower stalk was left on"},
	{pb.WatchList_Advice_NOT_FED_LONG, "not fed for two intervals: see why it is due or not"},
	{pb.WatchList_Advice_CHECK_CULTURE, "nothing on record tells why: look at roots, water, light"},
	{pb.WatchList_Advice_MEASURE_AGAIN, "measure again: 60 days are over"},
	{pb.WatchList_Advice_END_RECORD, "end it, or leave it open on purpose"},
	{pb.WatchList_Advice_REVIEW_TREATMENT, "see how the treatment did; keep to the label and local rules"},
	{pb.WatchList_Advice_SURVEY, "look what it catches"},
	{pb.WatchList_Advice_LOOK, "look whether it is still there, and how it is"},
	{pb.WatchList_Advice_MORE_AIR_LESS_FOOD, "more air, shorter items on fewer traps; a hint, not a finding"},
}

// watchWord is what --kind takes for a kind.
func watchWord(kind pb.WatchList_Entry_Kind) string {
	return strings.ReplaceAll(strings.ToLower(kind.String()), "_", "-")
}

// watchKindsOf reads what --kind was given.
func watchKindsOf(given []string) ([]pb.WatchList_Entry_Kind, error) {
	var out []pb.WatchList_Entry_Kind
	for _, text := range given {
		var words []string
		found := pb.WatchList_Entry_KIND_UNSPECIFIED
		for _, k := range watchKinds {
			word := watchWord(k.kind)
			words = append(words, word)
			if strings.ReplaceAll(strings.ToLower(text), "_", "-") == word {
				found = k.kind
			}
		}
		if found == pb.WatchList_Entry_KIND_UNSPECIFIED {
			return nil, fmt.Errorf("--kind %s: is none of %s", text, strings.Join(words, ", "))
		}
		if !slices.Contains(out, found) {
			out = append(out, found)
		}
	}
	return out, nil
}

// watchHelp explains the watch list.
func watchHelp() string {
	var b strings.Builder
	b.WriteString("The headings, with the words of --kind:\n")
	for _, k := range watchKinds {
		fmt.Fprintf(&b, "  %-16s  %-11s  %s\n", k.heading, watchWord(k.kind), k.words)
	}
	b.WriteString("\nWhat to do, as codes of the API:\n")
	for _, a := range adviceWords {
		fmt.Fprintf(&b, "  %-18s  %s\n", a.code, a.words)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func watchCommand() *cobra.Command {
	var (
		date, unseen string
		kinds        []string
	)
	c := &cobra.Command{
		Use:     "watch",
		Short:   "List what wants a second look",
		Long:    "List what wants a second look: plants that shrink, that are held or at rest for long,\nthat nobody has seen or surveyed, and benches with much mould.\n\n" + watchHelp(),
		Example: "  dewbench watch\n  dewbench watch --kind shrinking --kind bench-mould\n  dewbench watch --unseen-since 2026-03-01",
	}
	c.Flags().StringVar(&date, "date", "", "day to answer for (default today)")
	c.Flags().StringVar(&unseen, "unseen-since", "", "list plants not seen since this day (default 90 days before)")
	c.Flags().StringSliceVar(&kinds, "kind", nil, "list these only, such as shrinking,unseen")
	return onServer(c, 0, 0, func(ctx context.Context, h *home, _ []string, in inOut) error {
		req := &pb.GetWatchListRequest{Parent: h.GetName(), PageSize: service.MaxPageSize}
		var err error
		if req.Kinds, err = watchKindsOf(kinds); err != nil {
			return err
		}
		if req.AsOfDate, err = h.day("--date", date); err != nil {
			return err
		}
		if req.UnseenSinceDate, err = h.day("--unseen-since", unseen); err != nil {
			return err
		}
		benches, err := h.benches(ctx)
		if err != nil {
			return err
		}
		var totals []*pb.WatchList_Total
		of := map[pb.WatchList_Entry_Kind][]*pb.WatchList_Entry{}
		for {
			page, err := pb.NewWatchServiceClient(h).GetWatchList(ctx, req)
			if err != nil {
				return h.said(err, fields(map[string]string{"asOfDate": "--date", "unseenSinceDate": "--unseen-since"}))
			}
			totals = append(totals, page.GetTotals()...)
			for _, e := range page.GetEntries() {
				of[e.GetKind()] = append(of[e.GetKind()], e)
			}
			if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
				if _, err := fmt.Fprintf(in.out, "Watch list for %s: %s\n", page.GetAsOfDate(), h.GetDisplayName()); err != nil {
					return err
				}
				break
			}
		}
		if len(totals) == 0 {
			_, err := fmt.Fprintln(in.out, "Nothing wants a second look")
			return err
		}
		for _, k := range watchKinds {
			if len(of[k.kind]) > 0 {
				if err := writeWatched(in, k.heading, of[k.kind], benches); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// writeWatched writes the entries of one kind, a line each, below how many there are on
// each bench in the order of the walk.
func writeWatched(in inOut, heading string, entries []*pb.WatchList_Entry, benches []*pb.Bench) error {
	display, counts := map[string]string{}, map[string]int{}
	for _, e := range entries {
		counts[e.GetBench()]++
	}
	var on []string
	for _, b := range benches {
		display[b.GetName()] = b.GetDisplayName()
		if n := counts[b.GetName()]; n > 0 {
			on = append(on, fmt.Sprintf("%s %d", printable(b.GetDisplayName()), n))
		}
	}
	if n := counts[""]; n > 0 {
		on = append(on, fmt.Sprintf("on no bench %d", n))
	}
	heading = fmt.Sprintf("%s: %d", heading, len(entries))
	if len(on) > 1 {
		heading += " (" + strings.Join(on, ", ") + ")"
	}
	if _, err := fmt.Fprintf(in.out, "\n%s\n", heading); err != nil {
		return err
	}
	table := tabwriter.NewWriter(in.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "BENCH\tTAG\tNAME\tSINCE\tDAYS\tWHAT\tADVICE")
	for _, e := range entries {
		var advice []string
		for _, a := range e.GetAdvice() {
			advice = append(advice, a.GetCode().String())
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%d\t%s\t%s\n", dash(display[e.GetBench()]), dash(e.GetTag()), dash(fullName(e)),
			e.GetSinceDate(), e.GetDays(), dash(watchWords(e)), strings.Join(advice, ", "))
	}
	return table.Flush()
}

// watchWords tell what is particular of an entry.
func watchWords(e *pb.WatchList_Entry) string {
	if t := e.GetTrend(); t != nil {
		text := fmt.Sprintf("%g mm, %g %% of %g mm", t.GetLastMm(), t.GetLastPercent(), t.GetLargestMm())
		if t.SlopeMmPerMonth != nil {
			text += fmt.Sprintf(", %.1f mm in 30 days", t.GetSlopeMmPerMonth())
		}
		return text
	}
	if m := e.GetMould(); m != nil {
		return fmt.Sprintf("%d of %d sessions, %d of %d elsewhere", m.GetMouldy(), m.GetSessions(), m.GetOtherMouldy(), m.GetOtherSessions())
	}
	if e.GetReason() == "" {
		return ""
	}
	return strconv.Quote(e.GetReason())
}
