package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// placeless goes after all places of the walk.
const placeless = math.MaxInt

// pot is a plant to ask about, with what the list shows of it. Its key in the
// request is its place among the pots.
type pot struct {
	bench, tag, name string
	// The places in the walk: of the bench, of the pot on it, and, where that is
	// not given, of the pot's row. What has none goes last.
	benchOrder, walkOrder, rowOrder int

	plant *pb.ComputeDueRequest_Plant
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
	for first := 0; first < len(pots); first += service.MaxComputePlants {
		some := pots[first:min(first+service.MaxComputePlants, len(pots))]
		request := proto.CloneOf(collection)
		for i := range some {
			some[i].plant.Key = strconv.Itoa(first + i)
			request.Plants = append(request.Plants, some[i].plant)
		}
		answer, err := client.ComputeDue(ctx, request)
		if err != nil {
			return nil, refused(err, some)
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
	return cmp.Or(
		byUrgencyOnBenches(a, b), cmp.Compare(a.bench, b.bench),
		cmp.Compare(a.walkOrder, b.walkOrder), cmp.Compare(a.rowOrder, b.rowOrder), cmp.Compare(a.tag, b.tag),
	)
}

// byUrgencyOnBenches is the order of a list as far as it goes by benches.
func byUrgencyOnBenches(a, b row) int {
	last := func(r row) string {
		if r.DueLastDate == nil {
			return "~" // after all days
		}
		return r.GetDueLastDate()
	}
	return cmp.Or(
		cmp.Compare(urgency(a.GetStatus()), urgency(b.GetStatus())),
		cmp.Compare(last(a), last(b)), cmp.Compare(a.benchOrder, b.benchOrder),
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

// listing says what of a list to show.
type listing struct {
	most    int                             // rows of each status; 0: all
	horizon int32                           // days ahead that "upcoming" means
	shown   func(pb.DueFeeding_Status) bool // the others are only counted
	totals  map[pb.DueFeeding_Status]int    // plants of each status; nil: the rows are all
}

// write writes the list: what there is to do today, how many plants have each
// status, and below a heading for each the rows. It returns the rows it wrote.
func (l *listing) write(w io.Writer, rows []row) (written []row, err error) {
	of := map[pb.DueFeeding_Status][]row{}
	for _, r := range rows {
		of[r.GetStatus()] = append(of[r.GetStatus()], r)
	}
	if _, err := fmt.Fprintf(w, "%s\n%s\n", toDo(rows), l.counts(of)); err != nil {
		return nil, err
	}
	for _, s := range statuses {
		some := of[s.status]
		if len(some) == 0 || !l.shown(s.status) {
			continue
		}
		traps := 0
		for _, r := range some {
			traps += int(r.GetTraps())
		}
		heading := s.heading + ": " + count(len(some), "plant")
		if s.status == pb.DueFeeding_OVERDUE || s.status == pb.DueFeeding_DUE {
			heading += ", " + count(traps, "trap")
		}
		if _, err := fmt.Fprintf(w, "\n%s\n", heading); err != nil {
			return nil, err
		}
		left := 0
		if l.most > 0 && len(some) > l.most {
			left, some = len(some)-l.most, some[:l.most]
		}
		if err := writeRows(w, some); err != nil {
			return nil, err
		}
		written = append(written, some...)
		if left > 0 {
			if _, err := fmt.Fprintf(w, "and %d more\n", left); err != nil {
				return nil, err
			}
		}
	}
	return written, nil
}

// counts writes how many plants have each status.
func (l *listing) counts(of map[pb.DueFeeding_Status][]row) string {
	var parts []string
	hidden := 0
	for _, s := range statuses {
		n := len(of[s.status])
		if l.totals != nil {
			n = l.totals[s.status]
		}
		part := fmt.Sprintf("%s %d", s.heading, n)
		if s.status == pb.DueFeeding_UPCOMING {
			part += fmt.Sprintf(" (within %s)", count(int(l.horizon), "day"))
		}
		if !l.shown(s.status) {
			hidden += n
		}
		parts = append(parts, part)
	}
	text := strings.Join(parts, ", ")
	if hidden > 0 {
		text += fmt.Sprintf("; add --all to list the last %d", hidden)
	}
	return text
}

// toDo sums up what is to be fed today.
func toDo(rows []row) string {
	plants, traps, wait := 0, 0, 0
	for _, r := range rows {
		switch s := r.GetStatus(); {
		case s != pb.DueFeeding_OVERDUE && s != pb.DueFeeding_DUE:
		case r.FeedDate == nil || r.GetFeedDate() != r.GetAsOfDate():
			wait++
		case !slices.Contains(r.GetInstructions(), pb.DueFeeding_FED_TODAY):
			plants++
			traps += int(r.GetTraps())
		}
	}
	text := "To feed today: nothing"
	if plants > 0 {
		text = fmt.Sprintf("To feed today: %s, %s", count(plants, "plant"), count(traps, "trap"))
	}
	switch {
	case wait == 1:
		text += "; 1 more plant waits for the next feeding day"
	case wait > 1:
		text += fmt.Sprintf("; %d more plants wait for the next feeding day", wait)
	}
	return text
}

// writeRows writes one line for each row, however wide the window is: lists are
// searched and piped.
func writeRows(w io.Writer, rows []row) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "BENCH\tTAG\tNAME\tWINDOW\tTRAPS\tITEM\tWHY")
	for _, r := range rows {
		traps := "-"
		if r.GetTraps() > 0 {
			traps = strconv.Itoa(int(r.GetTraps()))
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n",
			dash(r.bench), r.tag, dash(r.name), window(r.DueFeeding), traps, item(r.DueFeeding), why(r.DueFeeding))
	}
	return table.Flush()
}

func dash(text string) string {
	if text == "" {
		return "-"
	}
	return text
}

// window writes the days on which to feed.
func window(d *pb.DueFeeding) string {
	if d.DueFromDate == nil {
		return "-"
	}
	return d.GetDueFromDate() + " to " + d.GetDueLastDate()
}

// item writes the length of the longest item, and whether food must be cut to
// it.
func item(d *pb.DueFeeding) string {
	if d.MaxItemLengthMm == nil {
		return "-"
	}
	text := strconv.FormatFloat(d.GetMaxItemLengthMm(), 'f', 1, 64)
	if slices.Contains(d.GetInstructions(), pb.DueFeeding_CUT_TO_LENGTH) {
		text += " " + cutMark
	}
	return text
}

// why writes the reasons and what to mind as codes, with the day that matters.
func why(d *pb.DueFeeding) string {
	var parts []string
	for _, r := range d.GetReasons() {
		parts = append(parts, r.GetCode().String()+when(r, d))
	}
	if d.FeedDate != nil && d.GetFeedDate() != max(d.GetAsOfDate(), d.GetDueFromDate()) {
		parts = append(parts, "feed on "+d.GetFeedDate())
	}
	for _, i := range d.GetInstructions() {
		if i != pb.DueFeeding_CUT_TO_LENGTH || d.MaxItemLengthMm == nil {
			parts = append(parts, "! "+i.String())
		}
	}
	return strings.Join(parts, ", ")
}

// when writes the day of a reason that the window does not tell already. A hold
// that is over always has its end, or it would look as if it still held.
func when(r *pb.DueFeeding_Reason, d *pb.DueFeeding) string {
	switch c := r.GetCode(); {
	case c >= pb.DueFeeding_Reason_SETTLING:
		switch {
		case r.UntilDate == nil && r.FromDate != nil:
			return " since " + r.GetFromDate()
		case r.GetUntilDate() != d.GetDueFromDate(), r.GetUntilDate() <= d.GetAsOfDate():
			return " until " + r.GetUntilDate()
		}
	case c == pb.DueFeeding_Reason_FULL_SESSION, c == pb.DueFeeding_Reason_PART_SESSION,
		c == pb.DueFeeding_Reason_SURVEY_CREDIT, c == pb.DueFeeding_Reason_CAME_INDOORS,
		c == pb.DueFeeding_Reason_LOW_SURVEY, c == pb.DueFeeding_Reason_SHRINKING:
		if r.FromDate != nil {
			return " " + r.GetFromDate()
		}
	}
	return ""
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
