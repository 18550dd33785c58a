package service

import (
	"cmp"
	"fmt"
	"slices"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
)

// report is what becomes of the rows of a table.
type report struct {
	rows    []*pb.ImportResponse_Row
	byLine  map[int]*pb.ImportResponse_Row
	read    map[int]int                     // notes that a row has from its table, before it was judged
	broken  map[*pb.ImportResponse_Row]bool // rows that could not be read
	unknown []string
	benches []string
	header  func(gives string) string
	whole   []*pb.ImportResponse_Row // of the table as a whole; nil: nothing is wrong with it
}

// mostFaults is how many problems of a table are named one by one.
const mostFaults = 20_000

// MaxImportRows is how many rows one table may have.
const MaxImportRows = 100_000

func newReport[R any](t *table.Result[R], label func(*R) (line int, tag string)) *report {
	r := &report{byLine: map[int]*pb.ImportResponse_Row{}, read: map[int]int{}, broken: map[*pb.ImportResponse_Row]bool{}, header: t.Header}
	add := func(line int, tag string) *pb.ImportResponse_Row {
		row := r.byLine[line]
		if row == nil {
			row = &pb.ImportResponse_Row{Line: int32(line), Tag: tag}
			r.byLine[line], r.rows = row, append(r.rows, row)
		}
		return row
	}
	for i := range t.Rows {
		add(label(&t.Rows[i]))
	}
	for _, b := range t.Bad {
		add(b.Line, b.Tag)
	}
	wholes := map[int]*pb.ImportResponse_Row{}
	whole := func(line int) *pb.ImportResponse_Row {
		if wholes[line] == nil {
			wholes[line] = &pb.ImportResponse_Row{Line: int32(line), Result: pb.ImportResponse_REFUSED}
			r.whole = append(r.whole, wholes[line])
		}
		return wholes[line]
	}
	for _, p := range t.Problems {
		row := r.byLine[p.Line]
		if row == nil && p.Line <= t.HeaderLine {
			row = whole(p.Line)
		} else if row == nil {
			row = add(p.Line, "")
		}
		row.Faults = append(row.Faults, &pb.ImportResponse_Fault{Column: p.Column, Value: p.Value, Rule: p.Rule})
	}
	if t.Read > MaxImportRows {
		row := whole(0)
		row.Faults = append(row.Faults, &pb.ImportResponse_Fault{Rule: fmt.Sprintf("has %d rows: send at most %d at a time", t.Read, MaxImportRows)})
	}
	for _, b := range t.Bad {
		if row := r.byLine[b.Line]; len(row.GetFaults()) == 0 {
			row.Faults = []*pb.ImportResponse_Fault{{Rule: "hangs on what is wrong in another row, or is one of very many that are wrong: mend the others first"}}
		}
	}
	for _, row := range r.rows {
		r.broken[row] = len(row.GetFaults()) > 0
	}
	for _, p := range t.Warnings {
		switch row := r.byLine[p.Line]; {
		case row != nil:
			row.Notes = append(row.Notes, fmt.Sprintf("%s: %q %s", p.Column, p.Value, p.Rule))
			r.read[p.Line]++
		case p.Column != "":
			r.unknown = append(r.unknown, p.Column)
		default:
			r.unknown = append(r.unknown, p.Rule)
		}
	}
	slices.SortStableFunc(r.rows, func(a, b *pb.ImportResponse_Row) int { return cmp.Compare(a.Line, b.Line) })
	return r
}

// again forgets what was said of a row when it was judged before.
func (r *report) again(row *pb.ImportResponse_Row) {
	row.Faults, row.Name, row.Result = nil, "", 0
	row.Notes = row.Notes[:r.read[int(row.Line)]]
}

// restart forgets what was said of all rows when they were judged before.
func (r *report) restart() {
	for _, row := range r.rows {
		if !r.broken[row] {
			r.again(row)
		}
	}
}

// fault notes what is wrong with a row; gives names the column by what it gives.
func (r *report) fault(row *pb.ImportResponse_Row, gives, value, rule string) {
	row.Faults = append(row.Faults, &pb.ImportResponse_Fault{Column: r.header(gives), Value: Cut(value, 80), Rule: rule})
}

func note(row *pb.ImportResponse_Row, format string, args ...any) {
	row.Notes = append(row.Notes, fmt.Sprintf(format, args...))
}

// became tells what became of a row, or of a part of it: the most that became of any.
func became(row *pb.ImportResponse_Row, result pb.ImportResponse_Result, name string) {
	if row.Result == 0 || result < row.Result {
		row.Result, row.Name = result, name
	}
}

// bad tells whether anything is wrong.
func (r *report) bad() bool {
	return len(r.whole) > 0 || slices.ContainsFunc(r.rows, func(row *pb.ImportResponse_Row) bool { return len(row.GetFaults()) > 0 })
}

// leave marks the rows that are right but are not written.
func (r *report) leave() {
	for _, row := range r.rows {
		if row.Result != pb.ImportResponse_UNCHANGED {
			row.Result, row.Name = pb.ImportResponse_NOT_WRITTEN, ""
		}
	}
}

// answer returns the report.
func (r *report) answer() *pb.ImportResponse {
	counts := map[pb.ImportResponse_Result]int32{}
	for _, row := range r.rows {
		if len(row.GetFaults()) > 0 {
			row.Result, row.Name = pb.ImportResponse_REFUSED, ""
		}
		counts[row.GetResult()]++
	}
	m := &pb.ImportResponse{Rows: slices.Concat(r.whole, r.rows), UnknownColumns: r.unknown, NewBenches: r.benches}
	for result := pb.ImportResponse_CREATED; result <= pb.ImportResponse_NOT_WRITTEN; result++ {
		if counts[result] > 0 {
			m.Totals = append(m.Totals, &pb.ImportResponse_Total{Result: result, Rows: counts[result]})
		}
	}
	return m
}

// err is the error of a table that is not brought in: the first of what is wrong.
func (r *report) err() error {
	var violations []Violation
	count := 0
	for _, row := range slices.Concat(r.whole, r.rows) {
		for _, f := range row.GetFaults() {
			if count++; count > violationsKept {
				continue
			}
			field, rule := fmt.Sprintf("line %d", row.GetLine()), f.GetRule()
			if row.GetLine() == 0 {
				field = "csv"
			}
			if f.GetColumn() != "" {
				field += ", column " + f.GetColumn()
			}
			if f.GetValue() != "" {
				rule = fmt.Sprintf("%q %s", f.GetValue(), rule)
			}
			violations = append(violations, Violation{field, rule})
		}
	}
	return invalid(InvalidTable, violations, count)
}
