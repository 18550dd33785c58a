//go:build linux || darwin || freebsd

package storetest

import (
	"bufio"
	"database/sql"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewbench/store"
)

// childVariable makes this test binary start a server, tell where, and wait.
const childVariable = "DEWBENCH_TEST_CHILD"

func TestChild(t *testing.T) {
	if os.Getenv(childVariable) == "" {
		return // it is for TestNoServerIsLeftBehind
	}
	New(t, store.Postgres)
	var pid, folder string
	err := server.admin.QueryRow("SELECT pg_read_file('postmaster.pid'), current_setting('data_directory')").Scan(&pid, &folder)
	if err != nil {
		t.Fatal(err)
	}
	pid, _, _ = strings.Cut(pid, "\n")
	fmt.Println("child:", pid, folder)
	select {}
}

func TestNoServerIsLeftBehind(t *testing.T) {
	if os.Getenv("DEWBENCH_TEST_POSTGRES") != "" {
		t.Skip("DEWBENCH_TEST_POSTGRES is set: no server is started")
	}
	child := exec.Command(os.Args[0], "-test.run=^TestChild$", "-test.v")
	child.Env = append(os.Environ(), childVariable+"=1")
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	var (
		server int
		folder string
		lines  = bufio.NewScanner(out)
	)
	for server == 0 && lines.Scan() {
		if rest, ok := strings.CutPrefix(lines.Text(), "child: "); ok {
			if _, err := fmt.Sscan(rest, &server, &folder); err != nil {
				t.Fatal(err)
			}
		}
	}
	if server == 0 {
		t.Fatalf("the child started no server (%v)", lines.Err())
	}
	if err := syscall.Kill(server, 0); err != nil {
		t.Errorf("the server is not there: %v", err)
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := child.Wait(); err == nil {
		t.Error("the child was not killed")
	}
	again, deadline := time.NewTicker(5*time.Millisecond), time.After(patience)
	defer again.Stop()
	for {
		_, err := os.Stat(folder)
		if syscall.Kill(server, 0) == syscall.ESRCH && os.IsNotExist(err) {
			return
		}
		select {
		case <-again.C:
		case <-deadline:
			t.Fatalf("the server %d in %s outlives the tests", server, folder)
		}
	}
}

func TestMissingProgramsSayWhatToRun(t *testing.T) {
	_, err := firstWithPrograms([]string{"", t.TempDir()})
	if err == nil || !strings.Contains(err.Error(), "apt-get install -y postgresql") {
		t.Errorf("without PostgreSQL: %v", err)
	}
}

func TestVersion(t *testing.T) {
	for bin, want := range map[string]int{"/usr/lib/postgresql/15/bin": 15, "/usr/bin": 0} {
		if got := version(bin); got != want {
			t.Errorf("version(%q) = %d, want %d", bin, got, want)
		}
	}
}

func TestKeptIsThereAgain(t *testing.T) {
	if os.Getenv("DEWBENCH_TEST_POSTGRES") != "" {
		t.Skip("DEWBENCH_TEST_POSTGRES is set: no server is started")
	}
	above, err := os.MkdirTemp(roomiest(), "dewbench-") // another user has to get into it
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(above); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(above, 0o755); err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(above, "kept")
	for _, run := range []struct{ name, statement string }{
		{"first", "CREATE TABLE kept AS SELECT 7 AS n"},
		{"again", "UPDATE kept SET n = 8 WHERE n = 7"},
	} {
		t.Run(run.name, func(t *testing.T) {
			db, err := sql.Open("pgx", Kept(t, folder))
			if err != nil {
				t.Fatal(err)
			}
			defer db.Close()
			if result, err := db.ExecContext(t.Context(), run.statement); err != nil {
				t.Error(err)
			} else if n, err := result.RowsAffected(); err != nil || n != 1 {
				t.Errorf("%d rows, %v", n, err)
			}
			if _, _, err := startKept(folder); err == nil || !strings.Contains(err.Error(), "a server runs in") {
				t.Errorf("a second server: %v", err)
			}
		})
	}
}

func TestProgram(t *testing.T) {
	file, err := Program("postgres")
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(file, "--version").Output()
	if err != nil || !strings.HasPrefix(string(out), "postgres (PostgreSQL) ") {
		t.Errorf("%s: %s, %v", file, out, err)
	}
}
