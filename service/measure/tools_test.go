package measure

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
)

// tools is testdata/tools.json: what general libraries make of the same input. Its
// README names them and their versions.
type tools struct {
	Otsu []struct {
		Name                  string
		Values                []float32
		Threshold, Eta, Width float64
	}
	OtsuOfBytes []struct {
		Name      string
		Histogram [256]int
		Threshold int
	} `json:"otsu_of_bytes"`
	Masks []struct {
		Rows, Opened []string
		Sizes        []int
	}
	Circles []struct {
		Points [][2]float64
		Center [2]float64
		Radius float64
	}
}

func readTools(t *testing.T) tools {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", "tools.json"))
	if err != nil {
		t.Fatal(err)
	}
	var out tools
	if err := json.Unmarshal(text, &out); err != nil {
		t.Fatal(err)
	}
	if len(out.Otsu) == 0 || len(out.OtsuOfBytes) == 0 || len(out.Masks) == 0 || len(out.Circles) == 0 {
		t.Fatal("a part of the values is missing")
	}
	return out
}
