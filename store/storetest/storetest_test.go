package storetest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"testing"

	"dewbench/store"
)

func TestMain(m *testing.M) { Main(m) }

func growers(t *testing.T, s *store.Store) int {
	t.Helper()
	var all []store.GrowerEntry
	err := s.Read(t.Context(), func(tx *store.Tx) (err error) {
		all, err = tx.Growers("", 100)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return len(all)
}

func addGrower(ctx context.Context, s *store.Store, id string) error {
	return s.Write(ctx, func(tx *store.Tx) error {
		_, err := tx.Grower(id).Create("Ada", 1)
		return err
	})
}

func TestEachHasADatabaseOfItsOwn(t *testing.T) {
	for range 2 {
		seen := 0
		Each(t, func(t *testing.T, s *store.Store) {
			seen++
			if n := growers(t, s); n != 0 {
				t.Errorf("a new database has %d growers", n)
			}
			if err := addGrower(t.Context(), s, "a"); err != nil {
				t.Error(err)
			}
		})
		if seen != len(Engines()) {
			t.Errorf("%d engines were tried", seen)
		}
	}
}

func TestTemplateIsFilledOnceAndCopied(t *testing.T) {
	fills := 0
	template := NewTemplate(func(ctx context.Context, s *store.Store) error {
		fills++
		return addGrower(ctx, s, "a")
	})
	for _, engine := range Engines() {
		t.Run(string(engine), func(t *testing.T) {
			fills = 0
			for range 3 {
				s := Clone(t, engine, template)
				if n := growers(t, s); n != 1 {
					t.Errorf("a copy has %d growers", n)
				}
				if err := addGrower(t.Context(), s, "b"); err != nil {
					t.Error(err)
				}
			}
			if fills != 1 {
				t.Errorf("the template was filled %d times", fills)
			}
		})
	}
}

func TestTwoOpenOneURL(t *testing.T) {
	for _, engine := range Engines() {
		t.Run(string(engine), func(t *testing.T) {
			url := URL(t, engine)
			if err := addGrower(t.Context(), Open(t, url), "a"); err != nil {
				t.Fatal(err)
			}
			if n := growers(t, Open(t, url)); n != 1 {
				t.Errorf("the second sees %d growers", n)
			}
		})
	}
}

// failing stands for a test that is told of failures.
type failing struct {
	testing.TB
	failed string
}

func (f *failing) Fatal(args ...any) {
	f.failed = fmt.Sprint(args...)
	panic(f)
}

func TestFailedFillFailsTheTest(t *testing.T) {
	template := NewTemplate(func(context.Context, *store.Store) error { return errors.New("mine") })
	for _, engine := range Engines() {
		for range 2 {
			f := &failing{TB: t}
			func() {
				defer func() {
					if r := recover(); r != any(f) {
						t.Errorf("recovered %v", r)
					}
				}()
				Clone(f, engine, template)
			}()
			if want := "fill the template: mine"; f.failed != want {
				t.Errorf("%s failed with %q, want %q", engine, f.failed, want)
			}
		}
	}
}

// stopped is a Main whose tests have this code.
type stopped int

func (s stopped) Run() int { return int(s) }

func TestMainExits(t *testing.T) {
	if mode := os.Getenv("DEWBENCH_TEST_MAIN"); mode != "" {
		code := stopped(0)
		if mode == "failed" {
			code = 3
		}
		Main(code, func() error {
			fmt.Println("checked")
			if mode == "check" {
				return errors.New("mine")
			}
			return nil
		})
	}
	for mode, want := range map[string]struct {
		code    int
		checked bool
	}{"passed": {0, true}, "failed": {3, false}, "check": {1, true}} {
		c := exec.Command(os.Args[0], "-test.run=^TestMainExits$")
		c.Env = append(os.Environ(), "DEWBENCH_TEST_MAIN="+mode)
		out, err := c.Output()
		if code := c.ProcessState.ExitCode(); code != want.code {
			t.Errorf("%s: exit code %d (%v), want %d", mode, code, err, want.code)
		}
		if checked := string(out) == "checked\n"; checked != want.checked {
			t.Errorf("%s: printed %q, want the check run: %v", mode, out, want.checked)
		}
	}
}
