package api

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"testing"

	"dewbench/service"
)

// TestFilesUnderWay begins as many files of a kind at once as there may be: of one grower
// no more than some, whoever else there is; and nothing of them is left on the disk.
func TestFilesUnderWay(t *testing.T) {
	for _, kind := range fileKinds {
		t.Run(kind.one, func(t *testing.T) {
			t.Setenv("TMPDIR", t.TempDir())
			g := &gateway{underWay: map[*fileKind]*underWay{kind: {kind: kind}}}
			var open []*scratch
			for n := range kind.atOnce {
				file, err := g.newScratch(kind, fmt.Sprint(n/kind.atOnceOfOne))
				if err != nil {
					t.Fatal(err)
				}
				open = append(open, file)
			}
			if left, err := os.ReadDir(os.TempDir()); err != nil || runtime.GOOS != "windows" && len(left) > 0 {
				t.Errorf("%v, %v", left, err)
			}
			for _, grower := range []string{"0", "another"} {
				if _, err := g.newScratch(kind, grower); service.ReasonOf(err) != tooBusy {
					t.Errorf("%s: %v", grower, err)
				}
			}
			if err := errors.Join(open[0].Close(), open[2].Close()); err != nil {
				t.Error(err)
			}
			for _, grower := range []string{"2", "0"} {
				file, err := g.newScratch(kind, grower)
				if refused := service.ReasonOf(err) == tooBusy; refused != (grower == "2") {
					t.Errorf("%s: %v", grower, err)
				}
				if err == nil {
					open = append(open, file)
				}
			}
			for n, file := range open {
				if n == 0 || n == 2 {
					continue // closed already
				}
				if err := file.Close(); err != nil {
					t.Error(err)
				}
			}
		})
	}
}
