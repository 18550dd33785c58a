package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// taskHeads say the kinds of tasks in the heading of a bench, in the order of the plan.
var taskHeads = []struct {
	kind pb.DayPlan_Task_Kind
	head string
}{
	{pb.DayPlan_Task_FEED, "feed"},
	{pb.DayPlan_Task_CHECK_OUTCOME, "check outcome"},
	{pb.DayPlan_Task_REMOVE_MOULD, "take off mould or residue"},
	{pb.DayPlan_Task_CUT_STALK, "cut stalk"},
	{pb.DayPlan_Task_SURVEY, "survey again"},
	{pb.DayPlan_Task_MEASURE, "measure or count again"},
	{pb.DayPlan_Task_TREATMENT_ENDS, "treatment ends"},
}

func planCommand() *cobra.Command {
	var (
		date string
		on   []string
	)
	c := &cobra.Command{
		Use:   "plan",
		Short: "Plan a day's round, bench by bench",
		Long: "List what there is to do on a day, bench by bench in the order of your round: plants to\n" +
			"feed, outcomes to check, mould to take off, stalks to cut, surveys, measurements and\n" +
			"counts to make again, and treatments that end. What is recorded as done is left out.",
		Example: "  dewbench plan\n  dewbench plan --bench south --bench shelf\n  dewbench plan --date tomorrow",
	}
	c.Flags().StringVar(&date, "date", "", "day to plan (default today)")
	c.Flags().StringSliceVar(&on, "bench", nil, "only the plants of these benches")
	return onServer(c, 0, 0, func(ctx context.Context, h *home, _ []string, in inOut) error {
		req := &pb.GetDayPlanRequest{Parent: h.GetName(), PageSize: service.MaxPageSize}
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
		for _, b := range some {
			req.Benches = append(req.Benches, b.GetName())
		}
		plan, err := h.plan(ctx, req)
		if err != nil {
			return err
		}
		if _, err := fmt.Fprintf(in.out, "Plan for %s: %s\n", plan.GetAsOfDate(), title); err != nil {
			return err
		}
		if err := h.writeNearAbsences(in, plan.GetAsOfDate()); err != nil {
			return err
		}
		if plan.GetAbsence() {
			if _, err := fmt.Fprintln(in.out, "You are away on this day: nothing is to be fed"); err != nil {
				return err
			}
		}
		return writePlan(in.out, plan)
	})
}

// plan asks for all pages of a plan.
func (h *home) plan(ctx context.Context, req *pb.GetDayPlanRequest) (*pb.DayPlan, error) {
	var whole *pb.DayPlan
	for {
		page, err := pb.NewPlanServiceClient(h).GetDayPlan(ctx, req)
		if err != nil {
			return nil, h.said(err, fields(map[string]string{"asOfDate": "--date", "benches": "--bench"}))
		}
		if whole == nil {
			whole = page
		} else {
			whole.Tasks = append(whole.Tasks, page.GetTasks()...)
		}
		if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
			return whole, nil
		}
	}
}

// writePlan writes what to bring, and below a heading for each bench what to do.
func writePlan(w io.Writer, plan *pb.DayPlan) error {
	if len(plan.GetTasks()) == 0 {
		_, err := fmt.Fprintln(w, "Nothing to do")
		return err
	}
	for _, p := range plan.GetPortions() {
		if _, err := fmt.Fprintf(w, "Bring %s\n", portionWords(p)); err != nil {
			return err
		}
	}
	tasks := map[string][]*pb.DayPlan_Task{}
	for _, t := range plan.GetTasks() {
		tasks[t.GetBench()] = append(tasks[t.GetBench()], t)
	}
	for _, b := range plan.GetBenches() {
		name := printable(b.GetDisplayName())
		if b.GetBench() == "" {
			name = "On no bench"
		}
		totals := map[pb.DayPlan_Task_Kind]int32{}
		for _, t := range b.GetTotals() {
			totals[t.GetKind()] = t.GetPlants()
		}
		var parts []string
		for _, k := range taskHeads {
			if totals[k.kind] > 0 {
				parts = append(parts, fmt.Sprintf("%s %d", k.head, totals[k.kind]))
			}
		}
		if _, err := fmt.Fprintf(w, "\n%s: %s\n", name, strings.Join(parts, ", ")); err != nil {
			return err
		}
		table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "TAG\tNAME\tTO DO")
		for _, t := range tasks[b.GetBench()] {
			fmt.Fprintf(table, "%s\t%s\t%s\n", t.GetTag(), dash(fullName(t)), taskWords(t))
		}
		if err := table.Flush(); err != nil {
			return err
		}
	}
	return nil
}

// taskWords write what to do, and of a feeding what to mind.
func taskWords(t *pb.DayPlan_Task) string {
	words := []string{printable(t.GetMessage())}
	for _, i := range t.GetDue().GetInstructions() {
		switch i {
		case pb.DueFeeding_CUT_TO_LENGTH:
			words = append(words, "! cut the food to that length")
		case pb.DueFeeding_STROKE_CLOSED_TRAP, pb.DueFeeding_CHECK_LAST_FIRST: // the others are tasks of their own
			for _, known := range instructionWords {
				if known.code == i {
					words = append(words, "! "+known.words)
				}
			}
		}
	}
	return strings.Join(words, " ")
}

// portionWords write what to bring.
func portionWords(p *pb.DayPlan_Portion) string {
	food := "food"
	if p.GetFood() != "" {
		food = strings.TrimPrefix(p.GetFood(), "foods/")
	}
	text := fmt.Sprintf("%s of %s", count(int(p.GetTraps()), "item"), food)
	if p.MaxItemLengthMm != nil {
		mm := strconv.FormatFloat(p.GetMaxItemLengthMm(), 'f', 1, 64)
		if p.GetCut() {
			text += ", cut to " + mm + " mm"
		} else {
			text += ", " + mm + " mm at most"
		}
	}
	return text + " (" + count(int(p.GetPlants()), "plant") + ")"
}
