package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
)

// plantsAtOnce is how many plants one ComputeDue takes.
const plantsAtOnce = 1000

// pot is a plant to ask about, with what the list shows of it. Its key in the
// request is its place among the pots.
type pot struct {
	bench, tag, name     string
	benchOrder, potOrder int // of the walk; the same number: by name
	plant                *pb.ComputeDueRequest_Plant
}

// row is a line of the list.
type row struct {
	*pot
	*pb.DueFeeding
}

// compute asks what is due of the pots, as many at once as the call takes.
// collection holds what is the same for all.
func compute(ctx context.Context, conn grpc.ClientConnInterface, collection *pb.ComputeDueRequest, pots []pot) ([]row, error) {
	client := pb.NewDueServiceClient(conn)
	var rows []row
	for first := 0; first < len(pots); first += plantsAtOnce {
		request := proto.CloneOf(collection)
		for i := first; i < min(first+plantsAtOnce, len(pots)); i++ {
			plant := pots[i].plant
			plant.Key = strconv.Itoa(i)
			request.Plants = append(request.Plants, plant)
		}
		answer, err := client.ComputeDue(ctx, request)
		if err != nil {
			return nil, err
		}
		for _, d := range answer.GetDecisions() {
			i, err := strconv.Atoi(d.GetKey())
			if err != nil || i < 0 || i >= len(pots) {
				return nil, fmt.Errorf("the answer has a decision for key %q, which was not asked for", d.GetKey())
			}
			d.Key, d.Tag, d.Bench = pots[i].tag, pots[i].tag, pots[i].bench
			rows = append(rows, row{&pots[i], d})
		}
	}
	slices.SortFunc(rows, byUrgency)
	return rows, nil
}

// byUrgency is the order of a list: what is most urgent first, then as the
// grower walks.
func byUrgency(a, b row) int {
	last := func(r row) string {
		if r.DueLastDate == nil {
			return "~" // after all days
		}
		return r.GetDueLastDate()
	}
	return cmp.Or(
		cmp.Compare(urgency(a.GetStatus()), urgency(b.GetStatus())),
		cmp.Compare(last(a), last(b)),
		cmp.Compare(a.benchOrder, b.benchOrder), cmp.Compare(a.bench, b.bench),
		cmp.Compare(a.potOrder, b.potOrder), cmp.Compare(a.tag, b.tag),
	)
}

// statuses are the headings of the list, most urgent first.
var statuses = []struct {
	status  pb.DueFeeding_Status
	heading string
}{
	{pb.DueFeeding_OVERDUE, "Overdue"},
	{pb.DueFeeding_DUE, "Due"},
	{pb.DueFeeding_UPCOMING, "Upcoming"},
	{pb.DueFeeding_HELD, "Held"},
	{pb.DueFeeding_NOT_DUE, "Not due"},
	{pb.DueFeeding_NOT_HAND_FED, "Not fed by hand"},
}

func urgency(s pb.DueFeeding_Status) int {
	for i, known := range statuses {
		if known.status == s {
			return i
		}
	}
	return len(statuses)
}

// print writes the list: a heading with the count of each status, and at most
// most rows below it (0: all). Statuses that are not shown are only counted.
func print(w io.Writer, rows []row, most int, shown func(pb.DueFeeding_Status) bool) error {
	for _, s := range statuses {
		var of []row
		traps := 0
		for _, r := range rows {
			if r.GetStatus() == s.status {
				of = append(of, r)
				traps += int(r.GetTraps())
			}
		}
		heading := fmt.Sprintf("\n%s: %s", s.heading, count(len(of), "plant"))
		if traps > 0 && (s.status == pb.DueFeeding_OVERDUE || s.status == pb.DueFeeding_DUE) {
			heading += ", " + count(traps, "trap") + " to feed"
		}
		if _, err := fmt.Fprintln(w, heading); err != nil {
			return err
		}
		if len(of) == 0 || !shown(s.status) {
			continue
		}
		left := 0
		if most > 0 && len(of) > most {
			left, of = len(of)-most, of[:most]
		}
		if err := printRows(w, of); err != nil {
			return err
		}
		if left > 0 {
			if _, err := fmt.Fprintf(w, "  and %d more\n", left); err != nil {
				return err
			}
		}
	}
	return nil
}

func printRows(w io.Writer, rows []row) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "  BENCH\tTAG\tNAME\tWINDOW\tTRAPS\tWHY")
	for _, r := range rows {
		traps := "-"
		if r.GetTraps() > 0 {
			traps = strconv.Itoa(int(r.GetTraps()))
		}
		fmt.Fprintf(table, "  %s\t%s\t%s\t%s\t%s\t%s\n", r.bench, r.tag, r.name, window(r.DueFeeding), traps, why(r.DueFeeding))
	}
	return table.Flush()
}

// window writes the days on which to feed.
func window(d *pb.DueFeeding) string {
	if d.DueFromDate == nil {
		return "-"
	}
	return d.GetDueFromDate() + " to " + d.GetDueLastDate()
}

// why writes the reasons and what to mind, as codes with their days.
func why(d *pb.DueFeeding) string {
	var parts []string
	for _, r := range d.GetReasons() {
		text := r.GetCode().String()
		if r.FromDate != nil {
			text += " " + r.GetFromDate()
		}
		parts = append(parts, text)
	}
	for _, i := range d.GetInstructions() {
		parts = append(parts, "! "+i.String())
	}
	return strings.Join(parts, ", ")
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
