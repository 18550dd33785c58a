package table

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dewbench/service/civil"
)

func TestParseDay(t *testing.T) {
	for _, c := range []struct {
		text  string
		order Order
		want  string // the day, "day time", or the rule
	}{
		{"2026-05-01", Unknown, "2026-05-01"}, // ISO 8601-1:2019, 5.2.2.1
		{"2026/05/01", Unknown, "2026-05-01"},
		{"2026/5/1", MonthFirst, "2026-05-01"},
		{"2026.05.01", Unknown, "2026-05-01"},
		{"1.5.2026", Unknown, "2026-05-01"},
		{"01.05.2026", MonthFirst, "2026-05-01"},
		{"1. 5. 2026", Unknown, "2026-05-01"},
		{"1/5/2026", DayFirst, "2026-05-01"},
		{"1/5/2026", MonthFirst, "2026-01-05"},
		{"1-5-2026", DayFirst, "2026-05-01"},
		{"23/5/2026", Unknown, "2026-05-23"},
		{"5/23/2026", Unknown, "2026-05-23"},
		{"5/5/2026", Unknown, "2026-05-05"},
		{"1/5/2026", Unknown, "may be 2026-05-01 or 2026-01-05"},
		{"1-5-2026", Unknown, "may be 2026-05-01 or 2026-01-05"},
		{"5/23/2026", DayFirst, "is not a day of the calendar with the day first"},
		{"23/5/2026", MonthFirst, "is not a day of the calendar with the month first"},
		{"31/02/2026", DayFirst, "is not a day of the calendar"},
		{"31/02/2026", Unknown, "is not a day of the calendar"},
		{"29/02/2025", Unknown, "is not a day of the calendar"},
		{"29/02/2024", Unknown, "2024-02-29"},
		{"2025-02-29", Unknown, "is not a day of the calendar"},
		{"2025-13-01", Unknown, "is not a day of the calendar"},
		{"0/5/2026", Unknown, "is not a day of the calendar"},
		{"1 May 2026", Unknown, "2026-05-01"},
		{"May 1, 2026", Unknown, "2026-05-01"},
		{"may 1 2026", Unknown, "2026-05-01"},
		{"1-May-2026", Unknown, "2026-05-01"},
		{"1st of May 2026", Unknown, "2026-05-01"},
		{"Sept 22nd, 2026", Unknown, "2026-09-22"},
		{"2026 Dec 3", Unknown, "2026-12-03"},
		{"31 June 2026", Unknown, "is not a day of the calendar"},
		{"1-May-26", Unknown, "has a year of two digits; write all four"},
		{"1/5/26", DayFirst, "has a year of two digits; write all four"},
		{"1.5.26", Unknown, "has a year of two digits; write all four"},
		{"May 2026", Unknown, "is not a whole day; write day, month and year, as YYYY-MM-DD"},
		{"46143", Unknown, "is a spreadsheet's own number for a day, and which day depends on the spreadsheet; format the column as a date, YYYY-MM-DD, and save again"},
		{"46143.5", Unknown, "is a spreadsheet's own number for a day, and which day depends on the spreadsheet; format the column as a date, YYYY-MM-DD, and save again"},
		{"46143,25", Unknown, "is a spreadsheet's own number for a day, and which day depends on the spreadsheet; format the column as a date, YYYY-MM-DD, and save again"},
		{"46143,", Unknown, ruleDay},
		{"20260501", Unknown, "is not a day; write it with hyphens, as YYYY-MM-DD"},
		{"2026", Unknown, ruleDay},
		{"yesterday", Unknown, ruleDay},
		{"", Unknown, ruleDay},
		{"1/5", Unknown, ruleDay},
		{"1/5/202", DayFirst, ruleDay},
		{"01/2026/05", DayFirst, ruleDay},
		{"1-5/2026", DayFirst, ruleDay},
		{"=TODAY()", Unknown, ruleDay},
		{"-5/5/2026", Unknown, ruleDay},
		{"0206-05-01", Unknown, "has the year 206; it must be from 1800 to 9990"},
		{"9991-01-01", Unknown, "has the year 9991; it must be from 1800 to 9990"},
		{"5/5/1026", Unknown, "has the year 1026; it must be from 1800 to 9990"},
		{"2026-05-01 00:00:00", Unknown, "2026-05-01"},
		{"2026-05-01T18:30", Unknown, "2026-05-01 18:30:00"},
		{"2026-05-01 18:30:05.000", Unknown, "2026-05-01 18:30:05"},
		{"1/5/2026 6:05 pm", DayFirst, "2026-05-01 18:05:00"},
		{"May 1, 2026, 12:00 AM", Unknown, "2026-05-01"},
		{"1 May 2026 12:10 a.m.", Unknown, "2026-05-01 00:10:00"},
		{"2026-05-01 24:00", Unknown, ruleClock},
		{"2026-05-01 13:00 PM", Unknown, ruleClock},
		{"2026-05-01 1:7", Unknown, ruleClock},
		{"2026-05-01 10:00:00.5", Unknown, ruleClock},
		{"2026-05-01T10:00+02:00", Unknown, "is an instant of some time zone; write the day and time where the plants are, without a zone"},
		{"18:30", Unknown, ruleDay},
		{strings.Repeat("1", 61), Unknown, ruleDay},
	} {
		day, clock, err := ParseDay(c.text, c.order)
		got := strings.TrimSpace(fmt.Sprint(day, " ", clock))
		if err != nil {
			got = err.Error()
		}
		if got != c.want {
			t.Errorf("%q, %s: got %q, want %q", c.text, c.order, got, c.want)
		}
	}
}

// Every day of the years that are taken is read in every form, and in a doubtful
// form with one of two readings only.
func TestParseDayAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		first, last := civil.Date(minYear, 1, 1), civil.Date(maxYear, 12, 31)
		day := civil.Day(rapid.Int32Range(int32(first), int32(last)).Draw(t, "day"))
		y, m, d := day.Split()
		name := months[m-1]
		for _, text := range []string{
			day.String(), fmt.Sprintf("%d/%d/%d", y, m, d), fmt.Sprintf("%d.%d.%d", d, m, y), fmt.Sprintf("%02d.%02d.%d", d, m, y),
			fmt.Sprintf("%d %s %d", d, name, y), fmt.Sprintf("%s %d, %d", strings.ToUpper(name), d, y), fmt.Sprintf("%d-%s-%d", d, name[:3], y),
		} {
			if got, _, err := ParseDay(text, Unknown); got != day || err != nil {
				t.Fatal(text, got, err)
			}
		}
		for _, sep := range []string{"/", "-"} {
			dmy, mdy := fmt.Sprint(d, sep, m, sep, y), fmt.Sprint(m, sep, d, sep, y)
			if got, _, err := ParseDay(dmy, DayFirst); got != day || err != nil {
				t.Fatal(dmy, got, err)
			}
			if got, _, err := ParseDay(mdy, MonthFirst); got != day || err != nil {
				t.Fatal(mdy, got, err)
			}
			got, _, err := ParseDay(dmy, Unknown)
			if doubtful := d <= 12 && d != m; doubtful != (err != nil) || !doubtful && got != day {
				t.Fatal(dmy, got, err)
			}
		}
	})
}

// The order of a table: what proves it, what does not, and what is asked.
func TestOrder(t *testing.T) {
	const ask = " and no day of the table tells which ("
	for _, c := range []struct {
		name   string
		header string
		days   []string // each a row
		option Order
		want   Order
		rows   int
		rule   string // of the first problem
	}{
		{"nothing to prove", "Date", []string{"2026-05-01", "1.5.2026", "5/5/2026"}, Unknown, Unknown, 3, ""},
		{"day first", "Date", []string{"1/5/2026", "23/5/2026"}, Unknown, DayFirst, 2, ""},
		{"month first", "Date", []string{"1/5/2026", "5/23/2026"}, Unknown, MonthFirst, 2, ""},
		{"dots prove nothing", "Date", []string{"1/5/2026", "23.5.2026"}, Unknown, Unknown, 1,
			"may be 2026-05-01 or 2026-01-05, and no day of the table tells which (this is the one such cell): " + askOrder},
		{"what is no day proves nothing", "Date", []string{"1/5/2026", "31/2/2026", "2/5/2026"}, Unknown, Unknown, 0,
			"may be 2026-05-01 or 2026-01-05, and no day of the table tells which (2 cells are like this): " + askOrder},
		{"given", "Date", []string{"1/5/2026", "2/5/2026"}, MonthFirst, MonthFirst, 2, ""},
		{"given and wrong", "Date", []string{"1/5/2026", "23/5/2026"}, MonthFirst, MonthFirst, 1, "is not a day of the calendar with the month first"},
		{"stated", "Date (dd/mm/yy)", []string{"1/5/2026"}, Unknown, DayFirst, 1, ""},
		{"stated and wrong", "Date [DD.MM.YYYY]", []string{"1/5/2026", "5/23/2026"}, Unknown, Unknown, 0,
			`puts the month first, but column "Date [DD.MM.YYYY]" puts the day first: write all days as YYYY-MM-DD, or ` + askOrder},
		{"both", "Date", []string{"5/23/2026", "23/5/2026", "2026-01-01", "1/5/2026"}, Unknown, Unknown, 1,
			`puts the day first, but "5/23/2026" in line 2, column "Date", puts the month first: write all days as YYYY-MM-DD, or ` + askOrder},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := "Tag;" + c.header + "\n"
			for _, d := range c.days {
				text += "1;" + d + "\n"
			}
			r, err := Feedings(strings.NewReader(text), Options{Order: c.option, AskOrder: askOrder})
			if err != nil || r.Order != c.want || len(r.Rows) != c.rows {
				t.Error(dump(r, err))
			}
			got := ""
			if len(r.Problems) > 0 {
				got = r.Problems[0].Rule
			}
			if got != c.rule {
				t.Errorf("got %q, want %q", got, c.rule)
			}
			if n := strings.Count(dump(r, err), ask); n > 1 {
				t.Error("asked more than once")
			}
		})
	}
	r, _ := Feedings(strings.NewReader("Tag,Date\n1,1/5/2026\n"), Options{})
	if want := `line 2, column "Date": "1/5/2026" may be 2026-05-01 or 2026-01-05, and no day of the table tells which (this is the one such cell): say whether the day or the month comes first`; r.Problems[0].String() != want {
		t.Error(r.Problems[0])
	}
}
