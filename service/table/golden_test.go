package table

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

const askOrder = "give --date-order dmy or --date-order mdy"

func options(path string) Options {
	return Options{File: filepath.Base(path), AskOrder: askOrder, AskEncoding: "give --encoding windows-1252"}
}

// TestGolden reads the tables of testdata and compares all that comes out.
func TestGolden(t *testing.T) {
	files, err := filepath.Glob("testdata/*.csv")
	if err != nil || len(files) == 0 {
		t.Fatal(err, files)
	}
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			var got string
			switch name := filepath.Base(path); {
			case strings.HasPrefix(name, "plants"):
				got = dump(Plants(bytes.NewReader(data), options(path)))
			case strings.HasPrefix(name, "feedings"):
				got = dump(Feedings(bytes.NewReader(data), options(path)))
			default:
				got = dump(Observations(bytes.NewReader(data), options(path)))
			}
			golden := strings.TrimSuffix(path, ".csv") + ".golden"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o666); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// dump writes a result, one line a row, a problem and a warning.
func dump[R any](r *Result[R], err error) string {
	if err != nil {
		return "error: " + err.Error() + "\n"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%d rows of %d, %s\n", len(r.Rows), r.Read, r.Order)
	for _, row := range r.Rows {
		fmt.Fprintf(&b, "row %s\n", show(row))
	}
	for _, p := range r.Problems {
		fmt.Fprintf(&b, "problem %s\n", p)
	}
	for _, p := range r.Warnings {
		fmt.Fprintf(&b, "warning %s\n", p)
	}
	if r.MoreProblems+r.MoreWarnings > 0 {
		fmt.Fprintf(&b, "more: %d problems, %d warnings\n", r.MoreProblems, r.MoreWarnings)
	}
	return b.String()
}
