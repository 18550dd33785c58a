package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store/storetest"
)

// TestRandomHistories sends 10,000 random histories through the HTTP door. Each
// decision must be the engine's, on facts that the test builds from what it drew,
// not from what it sent.
func TestRandomHistories(t *testing.T) {
	const plants = 100
	requests := uint64(storetest.Fewer(100, 30))
	c, err := catalogue.Load()
	if err != nil {
		t.Fatal(err)
	}
	d := open(t)
	statuses, codes, instructions := map[string]int{}, map[string]int{}, map[string]int{}
	absent := 0
	for i := range requests {
		h := drawHistories(i, c, plants)
		var want []row
		for _, p := range h.plants {
			decision := due.Decide(&p.facts, h.asOf, h.horizon)
			if decision.Status == due.Absent {
				absent++
				continue
			}
			want = append(want, rowOf(&decision, &p, h, c))
		}
		body, err := json.Marshal(h.request)
		if err != nil {
			t.Fatal(err)
		}
		code, answer := d.post(t, "/v1/dueFeedings:compute", body)
		if code != 200 {
			t.Fatalf("request %d: status %d, %.2000s", i, code, answer)
		}
		got := readRows(t, answer)
		for _, r := range got {
			statuses[r.Status]++
			for _, reason := range r.Reasons {
				codes[reason.Code]++
			}
			for _, in := range r.Instructions {
				instructions[in]++
			}
			checkRow(t, &r)
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateEmpty(), cmpopts.IgnoreFields(reason{}, "Message")); diff != "" {
			t.Fatalf("request %d (as of %s): (-engine +answer)\n%.4000s", i, h.asOf, diff)
		}
	}
	// What was drawn must reach all that can come out of this call.
	if absent == 0 {
		t.Error("no plant was absent")
	}
	for _, word := range statusWords {
		if statuses[word] == 0 {
			t.Errorf("no decision was %s", word)
		}
	}
	for _, word := range instructionWords {
		if instructions[word] == 0 {
			t.Errorf("no decision had %s", word)
		}
	}
	for code, word := range codeWords {
		if codes[word] == 0 && code != due.TrialArm { // no trials in this call
			t.Errorf("no decision had reason %s", word)
		}
	}
}

// row is a row of the answer as JSON has it.
type row struct {
	Plant, Key, Tag, ScientificName, Cultivar, Bench string
	Status                                           string
	CoverDate, DueFromDate, DueLastDate              *string
	FeedDate                                         *string
	Traps                                            int
	MaxItemLengthMm                                  *float64
	Foods, Instructions                              []string
	Reasons                                          []reason
	AsOfDate                                         string
}

type reason struct {
	Code, Message       string
	FromDate, UntilDate *string
}

func readRows(t testing.TB, answer []byte) []row {
	t.Helper()
	var got struct{ Decisions []row }
	decoder := json.NewDecoder(bytes.NewReader(answer))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&got); err != nil {
		t.Fatal(err)
	}
	return got.Decisions
}

// rowOf writes a decision as the API promises to.
func rowOf(d *due.Decision, p *drawnPlant, h *histories, c *catalogue.Catalogue) row {
	day := func(d civil.Day) *string {
		if !d.Given() {
			return nil
		}
		text := d.String()
		return &text
	}
	r := row{
		Key: p.key, ScientificName: p.scientificName, Status: statusWords[d.Status],
		CoverDate: day(d.Cover), DueFromDate: day(d.DueFrom), DueLastDate: day(d.DueLast), FeedDate: day(d.FeedDate),
		Traps: d.Traps, AsOfDate: h.asOf.String(),
	}
	if d.MaxItemTenths >= 0 {
		mm := float64(d.MaxItemTenths) / 10
		r.MaxItemLengthMm = &mm
	}
	for _, i := range d.Foods {
		r.Foods = append(r.Foods, "foods/"+c.Foods()[i].ID)
	}
	for _, i := range d.Instructions.List() {
		r.Instructions = append(r.Instructions, instructionWords[i])
	}
	for _, why := range d.Reasons {
		r.Reasons = append(r.Reasons, reason{Code: codeWords[why.Code], FromDate: day(why.From), UntilDate: day(why.Until)})
	}
	return r
}

// unsaid are traces of days and words that a sentence has no place for.
var unsaid = regexp.MustCompile(`\bnone\b|\bnever\b|%!|\(\)|  `)

// checkRow tells whether a row makes sense to a reader who knows no engine.
func checkRow(t *testing.T, r *row) {
	t.Helper()
	days := []*string{r.CoverDate, r.DueFromDate, r.DueLastDate, r.FeedDate, &r.AsOfDate}
	for _, why := range r.Reasons {
		days = append(days, why.FromDate, why.UntilDate)
		if !strings.HasSuffix(why.Message, ".") || unsaid.MatchString(why.Message) {
			t.Errorf("reason %s says %q", why.Code, why.Message)
		}
	}
	for _, day := range days {
		if day == nil {
			continue
		}
		if _, err := civil.Parse(*day); err != nil {
			t.Errorf("%s: day %q %v in %s", r.Key, *day, err, show(r))
		}
	}
	if len(r.Reasons) == 0 {
		t.Errorf("no reason in %s", show(r))
	}
}

func show(r *row) string {
	text, err := json.Marshal(r)
	if err != nil {
		return fmt.Sprint(err)
	}
	return string(text)
}
