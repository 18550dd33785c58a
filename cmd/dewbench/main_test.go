package main

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
	"google.golang.org/protobuf/encoding/protojson"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// TestMain makes this test binary run as dewbench where it is called so.
func TestMain(m *testing.M) {
	if strings.TrimSuffix(filepath.Base(os.Args[0]), ".exe") == "dewbench" {
		main()
		os.Exit(0)
	}
	storetest.Main(withCommand{m})
}

// withCommand runs tests with dewbench in the PATH.
type withCommand struct{ tests interface{ Run() int } }

func (w withCommand) Run() int {
	folder, err := os.MkdirTemp("", "dewbench-command-")
	if err == nil {
		defer func() {
			if err := os.RemoveAll(folder); err != nil {
				fmt.Fprintln(os.Stderr, err)
			}
		}()
		err = putCommand(folder)
	}
	if err == nil {
		err = os.Setenv("PATH", folder+string(filepath.ListSeparator)+os.Getenv("PATH"))
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "put dewbench in the PATH:", err)
		return 1
	}
	return w.tests.Run()
}

// putCommand puts this program into a folder as dewbench: by another name of the
// file, or where the folder is on another disk as a copy.
func putCommand(folder string) error {
	own, err := os.Executable()
	if err != nil {
		return err
	}
	name := filepath.Join(folder, "dewbench")
	if runtime.GOOS == "windows" {
		name += ".exe"
	}
	if os.Link(own, name) == nil {
		return nil
	}
	content, err := os.ReadFile(own)
	if err != nil {
		return err
	}
	return os.WriteFile(name, content, 0o700)
}

// testOf is the key of a script's test.
type testOf struct{}

// TestScripts runs the command line as growers do.
func TestScripts(t *testing.T) {
	testscript.Run(t, scripts(nil))
}

// TestScriptsOnPostgres runs those that call a server on the other engine.
func TestScriptsOnPostgres(t *testing.T) {
	p := scripts(func(e *testscript.Env, tb testing.TB) {
		e.Setenv("DEWBENCH_DATABASE_URL", storetest.URL(tb, store.Postgres))
	})
	p.Dir, p.Files = "", nil
	names := []string{"week.txtar", "bench.txtar", "slips.txtar", "sharing.txtar"}
	for _, name := range names[:storetest.Fewer(len(names), 1)] {
		p.Files = append(p.Files, filepath.Join("testdata", "script", name))
	}
	testscript.Run(t, p)
}

// scripts are all of them; more prepares each.
func scripts(more func(*testscript.Env, testing.TB)) testscript.Params {
	return testscript.Params{
		Dir:                 filepath.Join("testdata", "script"),
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			// An address of the machine's own environment must not be used.
			e.Setenv("DEWBENCH_HTTP_ADDR", "127.0.0.1:0")
			e.Setenv("DEWBENCH_GRPC_ADDR", "127.0.0.1:0")
			e.Setenv("TZ", "UTC")
			e.Setenv("GORACE", os.Getenv("GORACE"))
			e.Values[testOf{}] = e.T()
			if more == nil {
				return nil
			}
			tb, ok := e.T().(testing.TB)
			if !ok {
				return errors.New("the script has no test")
			}
			more(e, tb)
			return nil
		},
		Condition: func(name string) (bool, error) {
			if name != "race" {
				return false, fmt.Errorf("there is no condition %q", name)
			}
			return storetest.Race, nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"bytes": writeBytes, "rewrite": rewrite, "row": findRow, "answer": checkAnswer,
			"postgres": freshPostgres, "newer": makeNewer, "capture": capture, "mode": checkMode, "serve": serveScript, "fetch": fetchScript,
			"draw": drawRosette, "picture": checkPicture, "large": makeLarge,
		},
	}
}

// serveScript is the script command `serve`: it starts a server on the script's database
// until the end of the script, and lets the commands call it.
func serveScript(ts *testscript.TestScript, neg bool, args []string) {
	tb, ok := ts.Value(testOf{}).(testing.TB)
	if neg || len(args) > 0 || !ok {
		ts.Fatalf("usage: serve")
	}
	if url := ts.Getenv("DEWBENCH_DATABASE_URL"); url != "" {
		args = []string{"--database-url", url}
	}
	s := start(tb, ts.MkAbs("."), append([]string{"serve"}, args...)...)
	ts.Setenv("DEWBENCH_SERVER", s.grpc)
	ts.Setenv("HTTP_DOOR", strings.TrimPrefix(s.http, "http://"))
	ts.Defer(func() { s.end(tb, os.Interrupt) })
}

// fetchScript is the script command `fetch STATUS URL`: it gets what stands there, without
// a token, as the output.
func fetchScript(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: fetch STATUS URL")
	}
	answer, err := http.Get(args[1])
	ts.Check(err)
	_, err = io.Copy(ts.Stdout(), answer.Body)
	ts.Check(errors.Join(err, answer.Body.Close()))
	http.DefaultClient.CloseIdleConnections()
	if got := strconv.Itoa(answer.StatusCode); got != args[0] {
		ts.Fatalf("status %s, want %s", got, args[0])
	}
}

// freshPostgres is the script command `postgres VARIABLE [empty]`: it sets a variable
// to the URL of a database of its own, with the tables unless it is to be empty.
func freshPostgres(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 || len(args) > 2 {
		ts.Fatalf("usage: postgres VARIABLE [empty]")
	}
	tb, ok := ts.Value(testOf{}).(testing.TB)
	if !ok {
		ts.Fatalf("the script has no test")
	}
	if len(args) == 2 {
		ts.Setenv(args[0], storetest.EmptyURL(tb, store.Postgres))
		return
	}
	ts.Setenv(args[0], storetest.URL(tb, store.Postgres))
}

// makeNewer is the script command `newer URL`: it makes the schema of a database one
// that a later version of the program has made.
func makeNewer(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: newer URL")
	}
	driver, name := "pgx", args[0]
	if file, ok := strings.CutPrefix(name, "sqlite:"); ok {
		driver, name = "sqlite", ts.MkAbs(file)
	}
	db, err := sql.Open(driver, name)
	ts.Check(err)
	_, err = db.Exec("UPDATE schema_versions SET version_id = version_id + 1 WHERE version_id > 0")
	ts.Check(errors.Join(err, db.Close()))
}

// capture is the script command `capture VARIABLE PATTERN`: it sets a variable to
// what the group of a regular expression matches in the last output.
func capture(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: capture VARIABLE PATTERN")
	}
	pattern, err := regexp.Compile("(?m)" + args[1])
	ts.Check(err)
	found := pattern.FindStringSubmatch(ts.ReadFile("stdout"))
	if len(found) != 2 {
		ts.Fatalf("%s matches %d groups", args[1], len(found)-1)
	}
	ts.Setenv(args[0], found[1])
}

// checkMode is the script command `mode OCTAL FILE`.
func checkMode(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: mode OCTAL FILE")
	}
	info, err := os.Stat(ts.MkAbs(args[1]))
	ts.Check(err)
	if got := fmt.Sprintf("%04o", info.Mode().Perm()); got != args[0] {
		ts.Fatalf("%s has the mode %s, want %s", args[1], got, args[0])
	}
}

// writeBytes is the script command `bytes FILE TEXT...`: it writes a file of
// texts with the escapes of a Go string, for bytes that a script cannot hold.
func writeBytes(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: bytes FILE TEXT...")
	}
	var out strings.Builder
	for _, a := range args[1:] {
		text, err := strconv.Unquote(`"` + a + `"`)
		ts.Check(err)
		out.WriteString(text)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(out.String()), 0o600))
}

// rewrite is the script command `rewrite FROM TO OLD NEW...`: it copies a file
// and replaces text with escapes of a Go string.
func rewrite(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 4 || len(args)%2 != 0 {
		ts.Fatalf("usage: rewrite FROM TO OLD NEW...")
	}
	pairs := make([]string, 0, len(args)-2)
	for _, a := range args[2:] {
		text, err := strconv.Unquote(`"` + a + `"`)
		ts.Check(err)
		pairs = append(pairs, text)
	}
	text := strings.NewReplacer(pairs...).Replace(ts.ReadFile(args[0]))
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), []byte(text), 0o600))
}

// findRow is the script command `row STATUS CELL...`: the last output has, under
// the heading of that status, a row whose cells begin with those given (* is any
// cell). A cell is what stands between two or more spaces.
func findRow(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) < 2 {
		ts.Fatalf("usage: row STATUS CELL...")
	}
	under, found := "", false
	for line := range strings.SplitSeq(ts.ReadFile("stdout"), "\n") {
		if heading, _, ok := strings.Cut(line, ": "); ok && !strings.Contains(heading, "  ") {
			under = heading
		}
		var cells []string
		for cell := range strings.SplitSeq(line, "  ") {
			if cell = strings.TrimSpace(cell); cell != "" {
				cells = append(cells, cell)
			}
		}
		if !strings.HasPrefix(under, args[0]) || len(cells) < len(args)-1 {
			continue
		}
		same := true
		for i, want := range args[1:] {
			same = same && (want == "*" || cells[i] == want)
		}
		found = found || same
	}
	if found == neg {
		ts.Fatalf("row %q found: %v", args, found)
	}
}

// checkAnswer is the script command `answer KEY FIELD VALUE...`: the last output
// is a ComputeDueResponse as JSON, and its decision about KEY has the values.
func checkAnswer(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args)%2 != 1 {
		ts.Fatalf("usage: answer KEY FIELD VALUE...")
	}
	var answer pb.ComputeDueResponse // refuses unknown fields
	ts.Check(protojson.Unmarshal([]byte(ts.ReadFile("stdout")), &answer))
	for _, d := range answer.GetDecisions() {
		if d.GetKey() != args[0] {
			continue
		}
		for i := 1; i < len(args); i += 2 {
			if got := fieldText(d, args[i]); got != args[i+1] {
				ts.Fatalf("%s of %s is %q, want %q", args[i], args[0], got, args[i+1])
			}
		}
		return
	}
	ts.Fatalf("no decision about %q", args[0])
}

// fieldText writes a field of a decision as scripts compare it.
func fieldText(d *pb.DueFeeding, field string) string {
	switch field {
	case "status":
		return d.GetStatus().String()
	case "window":
		return window(d)
	case "feedDate":
		return d.GetFeedDate()
	case "traps":
		return strconv.Itoa(int(d.GetTraps()))
	case "maxItemLengthMm":
		return fmt.Sprint(d.GetMaxItemLengthMm())
	case "scientificName":
		return d.GetScientificName()
	case "bench":
		return d.GetBench()
	case "reasons":
		var codes []string
		for _, r := range d.GetReasons() {
			codes = append(codes, r.GetCode().String())
		}
		return strings.Join(codes, " ")
	case "instructions":
		var codes []string
		for _, i := range d.GetInstructions() {
			codes = append(codes, i.String())
		}
		return strings.Join(codes, " ")
	}
	return "no such field"
}

// TestEveryCodeHasWords looks for codes that the help does not explain.
func TestEveryCodeHasWords(t *testing.T) {
	help := listHelp()
	for n, name := range pb.DueFeeding_Reason_Code_name {
		if n != 0 && !strings.Contains(help, "\n  "+name+" ") {
			t.Errorf("reason %s is not explained", name)
		}
	}
	for n, name := range pb.DueFeeding_Instruction_name {
		if n != 0 && !strings.Contains(help, "\n  "+name+" ") {
			t.Errorf("instruction %s is not explained", name)
		}
	}
	for n, name := range pb.DueFeeding_Status_name {
		if n != 0 && urgency(pb.DueFeeding_Status(n)) == len(statuses) {
			t.Errorf("status %s has no heading", name)
		}
	}
	for n, name := range pb.DayPlan_Task_Kind_name {
		if n != 0 && (int(n) > len(taskHeads) || taskHeads[n-1].kind != pb.DayPlan_Task_Kind(n)) {
			t.Errorf("task %s has no words in its place", name)
		}
	}
}
