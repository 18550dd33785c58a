package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
)

func todayCommand() *cobra.Command {
	var (
		date    string
		on      []string
		horizon int32
		all     bool
	)
	c := &cobra.Command{
		Use:   "today",
		Short: "List what is due",
		Long:  "List the plants that are due, the most urgent first, in the order of your round.\n\n" + listHelp(),
		Example: "  dewbench today\n  dewbench today --bench south --bench shelf\n" +
			"  dewbench today --date tomorrow --horizon 0",
	}
	c.Flags().StringVar(&date, "date", "", "day to answer for (default today)")
	c.Flags().StringSliceVar(&on, "bench", nil, "only the plants of these benches")
	c.Flags().Int32Var(&horizon, "horizon", service.UsualHorizonDays, fmt.Sprintf("days ahead within which a plant is upcoming, 0 to %d", service.MaxHorizonDays))
	c.Flags().BoolVar(&all, "all", false, "also list plants that are not due or not fed by hand")
	return onServer(c, 0, 0, func(ctx context.Context, h *home, _ []string, in inOut) error {
		req := &pb.ListDueFeedingsRequest{Parent: h.GetName(), HorizonDays: &horizon, PageSize: service.MaxPageSize}
		var err error
		if req.AsOfDate, err = h.day("--date", date); err != nil {
			return err
		}
		benches, err := h.benches(ctx)
		if err != nil {
			return err
		}
		some, title, err := h.onBenches(benches, on)
		if err != nil {
			return err
		}
		list := listing{horizon: horizon, totals: map[pb.DueFeeding_Status]int{}, shown: func(s pb.DueFeeding_Status) bool {
			return all || s != pb.DueFeeding_NOT_DUE && s != pb.DueFeeding_NOT_HAND_FED
		}}
		rows, day, err := h.dueOn(ctx, req, benches, some, &list)
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(in.out, "Feeding list for %s: %s\n", day, title); err != nil {
			return err
		}
		if err := h.writeNearAbsences(in, day); err != nil {
			return err
		}
		_, err = list.write(in.out, rows)
		return err
	})
}

// onBenches finds the benches that --bench names, each once and in the order of the walk,
// and what a list of them is called. None is named for all.
func (h *home) onBenches(all []*pb.Bench, given []string) (some []*pb.Bench, title string, err error) {
	title = h.GetDisplayName()
	named := map[int]bool{}
	for _, text := range given {
		if len(all) == 0 {
			return nil, "", fmt.Errorf("--bench: %w", errNoBench)
		}
		i, err := choose("bench", text, "say which bench", benchNames(all))
		if err != nil {
			return nil, "", fmt.Errorf("--bench: %w", err)
		}
		named[i] = true
	}
	for i, b := range all {
		if named[i] {
			some = append(some, b)
			title += ", " + printable(b.GetDisplayName())
		}
	}
	return some, title, nil
}

// dueOn is due for some benches: the filter of the call takes one. Of the same status and
// window the rows stand bench by bench.
func (h *home) dueOn(ctx context.Context, req *pb.ListDueFeedingsRequest, benches, some []*pb.Bench, list *listing) (rows []row, day string, err error) {
	if len(some) == 0 {
		return h.due(ctx, req, benches, list)
	}
	for i, b := range some {
		one := proto.CloneOf(req)
		one.Filter = fmt.Sprintf("bench = %q", b.GetName())
		if i > 0 {
			one.AsOfDate = &day // midnight may have passed
		}
		more, on, err := h.due(ctx, one, benches, list)
		if err != nil {
			return nil, "", err
		}
		for j := range more {
			more[j].benchOrder = i
		}
		rows, day = append(rows, more...), on
	}
	slices.SortStableFunc(rows, byUrgencyOnBenches)
	return rows, day, nil
}

// nearAway is how many days ahead an absence is told of.
const nearAway = 14

// writeNearAbsences tells when the grower is away, or will be soon.
func (h *home) writeNearAbsences(in inOut, day string) error {
	today, err := civil.Parse(day)
	if err != nil {
		return err
	}
	for _, a := range h.GetAbsences() {
		if a.GetUntilDate() > day && a.GetFromDate() <= (today+nearAway).String() {
			if _, err := fmt.Fprintf(in.out, "Away from %s, back on %s\n", a.GetFromDate(), a.GetUntilDate()); err != nil {
				return err
			}
		}
	}
	return nil
}

// due asks what is due: the rows that the list shows, and how many plants have each
// status. It returns the day that is answered for.
func (h *home) due(ctx context.Context, req *pb.ListDueFeedingsRequest, benches []*pb.Bench, list *listing) (rows []row, day string, err error) {
	display := map[string]string{}
	for _, b := range benches {
		display[b.GetName()] = b.GetDisplayName()
	}
	var counted []pb.DueFeeding_Status
	for _, s := range statuses {
		if list.shown(s.status) {
			req.Statuses = append(req.Statuses, s.status)
		} else {
			counted = append(counted, s.status)
		}
	}
	page := func() (*pb.ListDueFeedingsResponse, error) {
		p, err := pb.NewDueServiceClient(h).ListDueFeedings(ctx, req)
		if err != nil {
			return nil, h.said(err, fields(map[string]string{"asOfDate": "--date", "horizonDays": "--horizon"}))
		}
		for _, t := range p.GetTotals() {
			list.totals[t.GetStatus()] += int(t.GetPlants())
		}
		return p, nil
	}
	for {
		p, err := page()
		if err != nil {
			return nil, "", err
		}
		for _, d := range p.GetDueFeedings() {
			rows = append(rows, row{&pot{bench: display[d.GetBench()], tag: d.GetTag(), name: fullName(d)}, d})
		}
		day = p.GetAsOfDate()
		if req.PageToken = p.GetNextPageToken(); req.PageToken == "" {
			break
		}
	}
	if len(counted) > 0 {
		req.Statuses, req.PageSize, req.AsOfDate = counted, 1, &day
		_, err = page()
	}
	return rows, day, err
}

func whyCommand() *cobra.Command {
	var date string
	c := &cobra.Command{
		Use:     "why TAG",
		Short:   "Tell why a plant is due or not",
		Long:    "Tell why a plant is due or not: the decision and its reasons, how it is to be fed, and\nwhat happened last.",
		Example: "  dewbench why D12\n  dewbench why D12 --date 2026-06-01",
	}
	c.Flags().StringVar(&date, "date", "", "day to answer for (default today)")
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		day, err := h.day("--date", date)
		if err != nil {
			return err
		}
		answer, err := pb.NewDueServiceClient(h).ExplainDue(ctx, &pb.ExplainDueRequest{Name: h.anyPlant(), Tag: args[0], AsOfDate: day})
		if err != nil {
			return h.said(err, fields(map[string]string{"tag": "", "asOfDate": "--date"}))
		}
		words, err := h.stepWords(ctx, args[0], answer.GetSteps())
		if err != nil {
			return err
		}
		_, err = fmt.Fprint(in.out, explained(args[0], answer, words))
		return err
	})
}

// stepKey is where the words for an event of a record stand.
func stepKey(e pb.ExplainDueResponse_Step_Event, source string) string {
	return e.String() + " " + source
}

// stepWords tell the events of a history, by their keys.
func (h *home) stepWords(ctx context.Context, tag string, steps []*pb.ExplainDueResponse_Step) (map[string]string, error) {
	if len(steps) == 0 {
		return nil, nil
	}
	benches, err := h.benches(ctx)
	if err != nil {
		return nil, err
	}
	words := map[string]string{}
	fed, err := pb.NewFeedingServiceClient(h).ListFeedings(ctx, &pb.ListFeedingsRequest{Parent: h.anyPlant(), Tag: tag, PageSize: service.MaxPageSize})
	if err != nil {
		return nil, h.said(err, nil)
	}
	for _, f := range fed.GetFeedings() {
		words[stepKey(pb.ExplainDueResponse_Step_OUTCOME, f.GetName())] = "its food: " + enumWords(f.GetOutcome())
		f.Outcome = pb.Feeding_OUTCOME_UNSPECIFIED
		words[stepKey(pb.ExplainDueResponse_Step_FEEDING, f.GetName())] = feedingWords(f)
	}
	seen, err := pb.NewObservationServiceClient(h).ListObservations(ctx, &pb.ListObservationsRequest{Parent: h.anyPlant(), Tag: tag, PageSize: service.MaxPageSize})
	if err != nil {
		return nil, h.said(err, nil)
	}
	for _, o := range seen.GetObservations() {
		for _, e := range []pb.ExplainDueResponse_Step_Event{pb.ExplainDueResponse_Step_OBSERVATION, pb.ExplainDueResponse_Step_MOVE} {
			words[stepKey(e, o.GetName())] = observationWords(o, benches)
		}
	}
	return words, nil
}

// lastSteps is how many events an explanation shows.
const lastSteps = 5

// explained writes why a plant is due or not. words tell the events by their
// keys.
func explained(tag string, e *pb.ExplainDueResponse, words map[string]string) string {
	var b strings.Builder
	d := e.GetDecision()
	if d == nil {
		fmt.Fprintf(&b, "%s is not there on %s: acquired or entered later, or dead, sold or given away\n", tag, e.GetAsOfDate())
	} else {
		status := statuses[urgency(d.GetStatus())].heading
		fmt.Fprintf(&b, "%s %s on %s: %s\n", d.GetTag(), fullName(d), d.GetAsOfDate(), strings.ToLower(status))
		if d.DueFromDate != nil {
			fmt.Fprintf(&b, "  feed %s from %s", count(int(d.GetTraps()), "trap"), window(d))
			if d.MaxItemLengthMm != nil {
				fmt.Fprintf(&b, ", items of %g mm at most", d.GetMaxItemLengthMm()) // which says CUT_TO_LENGTH
			}
			b.WriteByte('\n')
		}
		for _, r := range d.GetReasons() {
			fmt.Fprintf(&b, "  %s (%s)\n", strings.TrimSuffix(r.GetMessage(), "."), r.GetCode())
		}
		for _, i := range d.GetInstructions() {
			for _, w := range instructionWords {
				if w.code == i && i != pb.DueFeeding_CUT_TO_LENGTH {
					fmt.Fprintf(&b, "  ! %s\n", w.words)
				}
			}
		}
	}
	if r := e.GetRegimen(); r.GetIntervalDays() > 0 {
		from := map[string]string{}
		for _, o := range e.GetOrigins() {
			from[o.GetField()] = enumWords(o.GetLayer())
		}
		fmt.Fprintf(&b, "Regimen: every %s (by its %s), %s at first, %d at most (by its %s)\n", count(int(r.GetIntervalDays()), "day"),
			from["intervalDays"], count(int(r.GetTrapsStart()), "trap"), r.GetTrapsMax(), from["trapsMax"])
	}
	steps := e.GetSteps()
	if len(steps) > 0 && steps[len(steps)-1].GetEvent() == pb.ExplainDueResponse_Step_WINDOW_START {
		steps = steps[:len(steps)-1]
	}
	if len(steps) > lastSteps {
		steps = steps[len(steps)-lastSteps:]
	}
	if len(steps) > 0 {
		b.WriteString("Last on record:\n")
	}
	for _, s := range steps {
		fmt.Fprintf(&b, "  %s  %s", s.GetDate(), cmp.Or(words[stepKey(s.GetEvent(), s.GetSource())], enumWords(s.GetEvent())))
		if s.Credit != nil && s.CoverDate != nil {
			fmt.Fprintf(&b, ": covers it until %s", s.GetCoverDate())
		}
		b.WriteByte('\n')
	}
	return b.String()
}
