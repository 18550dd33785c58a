//go:build linux || darwin || freebsd

package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// install is what to do where the programs are missing.
const install = "PostgreSQL's programs initdb and postgres were not found (15 or newer): " +
	"run `apt-get install -y postgresql` as root, or the like of your system, " +
	"or set PG_BINDIR to their folder, or DEWBENCH_TEST_POSTGRES to the URL of a server"

// supervise makes a cluster, runs its server, and ends it when the other end of its
// standard input is closed: by stop, or by the kernel however the tests end. It
// leaves the signals of the terminal to the tests, as it is in a session of its own.
//
// The server has its handlers of signals once postmaster.pid is there. A cluster that is
// kept is made beside its place, so that half of one is never taken for it, and its
// server writes everything down before it ends.
const supervise = `
exec >log 2>&1
bin=$1 locked=$2 socket=$3 kept=$4; shift 4
if [ ! -d data ]; then
  rm -rf making
  "$bin/initdb" -D making -U postgres -A trust -E UTF8 --locale-provider=icu --icu-locale=en-US --no-sync --no-instructions ||
    exit 1
  sed -i.trusting '1i\
local all '"$locked"' scram-sha-256
' making/pg_hba.conf
  mv making data || exit 1
fi
"$bin/postgres" -D data "$@" </dev/null &
server=$!
cat >/dev/null
if [ ! -f data/postmaster.pid ]; then kill -KILL $server
elif [ -n "$kept" ]; then kill -INT $server
else kill -QUIT $server; fi
wait $server
cd / && rm -rf "$socket"
[ -n "$kept" ] || rm -rf "$OLDPWD"
`

// The text order of the cluster is not that of bytes, so that a query which does
// not ask for the order of bytes shows.
var settings = []string{
	"listen_addresses=", // no port, no race for one
	"fsync=off", "synchronous_commit=off", "full_page_writes=off",
	"wal_level=minimal", "max_wal_senders=0", "max_wal_size=256MB",
	"shared_buffers=32MB", "max_connections=200",
	"autovacuum=off", "jit=off", "max_parallel_workers_per_gather=0",
	"timezone=UTC", "lc_messages=C",
}

// startOwn starts a server for this process and returns its URL and what stops it.
func startOwn() (string, func() error, error) { return startIn(roomiest(), "") }

// startKept is startOwn for a cluster that is large, which is put where temporary files
// are, or that is kept in a folder: of the user under whom servers run, or to be made.
// Settings come after the usual ones, and so before them in force.
func startKept(folder string, more ...string) (string, func() error, error) {
	return startIn(os.TempDir(), folder, more...)
}

func startIn(temp, kept string, more ...string) (where string, halt func() error, err error) {
	bin, err := programs()
	if err != nil {
		return "", nil, err
	}
	credential, err := otherUser()
	if err != nil {
		return "", nil, err
	}
	var made []string // folders to be removed at the end
	remove := func() error {
		var errs []error
		for _, folder := range made {
			errs = append(errs, os.RemoveAll(folder))
		}
		return errors.Join(errs...)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, remove())
		}
	}()
	temporary := func(in string) (string, error) {
		folder, err := os.MkdirTemp(in, "dewbench-")
		if err != nil {
			return "", fmt.Errorf("make a folder for the server: %w", err)
		}
		made = append(made, folder)
		return folder, giveAway(folder, credential)
	}
	folder := kept
	if kept == "" {
		folder, err = temporary(temp)
	} else {
		err = prepareKept(kept, credential)
	}
	if err != nil {
		return "", nil, err
	}
	socket := folder
	if kept != "" || temp != roomiest() { // the path of a socket must be short
		if socket, err = temporary(roomiest()); err != nil {
			return "", nil, err
		}
	}
	args := []string{"-c", supervise, "supervise", bin, PasswordRole, socket, kept, "-c", "unix_socket_directories=" + socket}
	for _, s := range slices.Concat(settings, more) {
		args = append(args, "-c", s)
	}
	cmd := exec.Command("/bin/sh", args...)
	cmd.Dir = folder
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C", "PWD=" + folder}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Credential: credential}
	alive, err := cmd.StdinPipe()
	if err != nil {
		return "", nil, fmt.Errorf("watch over the server: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return "", nil, fmt.Errorf("start the server: %w", err)
	}
	over := make(chan struct{})
	go func() {
		_ = cmd.Wait() // the log says more than the exit code
		close(over)
	}()

	halt = func() error {
		if err := alive.Close(); err != nil {
			return fmt.Errorf("stop the server: %w", err)
		}
		select {
		case <-over:
			return remove()
		case <-time.After(patience):
			return fmt.Errorf("the server in %s does not stop", folder)
		}
	}
	ready, deadline := time.NewTicker(5*time.Millisecond), time.After(patience)
	defer ready.Stop()
	for {
		select {
		case <-over:
			// A log that cannot be read leaves the reason open, nothing more.
			log, _ := os.ReadFile(filepath.Join(folder, "log"))
			return "", nil, fmt.Errorf("the server did not start:\n%s", bytes.TrimSpace(log))
		case <-deadline:
			return "", nil, errors.Join(fmt.Errorf("the server in %s was not ready after %s", folder, patience), halt())
		case <-ready.C:
			if isReady(folder) {
				u := url.URL{
					Scheme: "postgres", User: url.User("postgres"), Path: "/postgres",
					RawQuery: url.Values{"host": {socket}}.Encode(),
				}
				return u.String(), halt, nil
			}
		}
	}
}

// giveAway gives a folder to the user under whom the server runs, if it is another one.
func giveAway(folder string, credential *syscall.Credential) error {
	if credential == nil {
		return nil
	}
	if err := os.Chown(folder, int(credential.Uid), int(credential.Gid)); err != nil {
		return fmt.Errorf("give the folder away: %w", err)
	}
	return nil
}

// prepareKept makes the folder of a cluster that is kept, unless it is there, and sees
// that no server runs in it. What a server left that was killed is no sign of one.
func prepareKept(folder string, credential *syscall.Credential) error {
	// The user under whom servers run has to get through to it.
	if err := os.MkdirAll(filepath.Dir(folder), 0o755); err != nil {
		return fmt.Errorf("make the folder of the cluster: %w", err)
	}
	if err := os.Mkdir(folder, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("make the folder of the cluster: %w", err)
	}
	if err := giveAway(folder, credential); err != nil {
		return err
	}
	file := filepath.Join(folder, "data", "postmaster.pid")
	text, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("look for a server of the cluster: %w", err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	if pid, err := strconv.Atoi(first); err == nil && syscall.Kill(pid, 0) == nil {
		return fmt.Errorf("a server runs in %s, process %d: one run at a time", folder, pid)
	}
	return os.Remove(file)
}

// isReady looks at line 8 of postmaster.pid, which is there once the server has
// begun to start.
func isReady(folder string) bool {
	pid, err := os.ReadFile(filepath.Join(folder, "data", "postmaster.pid"))
	if err != nil {
		return false
	}
	lines := bytes.Split(pid, []byte("\n"))
	return len(lines) >= 8 && bytes.HasPrefix(lines[7], []byte("ready"))
}

// programs finds the folder with initdb and postgres, of the highest version where
// there are several.
func programs() (string, error) {
	folders := []string{os.Getenv("PG_BINDIR")}
	debian, err := filepath.Glob("/usr/lib/postgresql/*/bin")
	if err != nil {
		return "", err
	}
	slices.SortFunc(debian, func(a, b string) int { return version(b) - version(a) })
	folders = append(folders, debian...)
	if initdb, err := exec.LookPath("initdb"); err == nil {
		if initdb, err = filepath.EvalSymlinks(initdb); err == nil {
			folders = append(folders, filepath.Dir(initdb))
		}
	}
	return firstWithPrograms(folders)
}

func firstWithPrograms(folders []string) (string, error) {
	for _, folder := range folders {
		if folder == "" {
			continue
		}
		_, err1 := exec.LookPath(filepath.Join(folder, "initdb"))
		_, err2 := exec.LookPath(filepath.Join(folder, "postgres"))
		if err1 == nil && err2 == nil {
			return folder, nil
		}
	}
	return "", errors.New(install)
}

// version is the number in /usr/lib/postgresql/15/bin, 0 where there is none.
func version(bin string) int {
	n, err := strconv.Atoi(filepath.Base(filepath.Dir(bin)))
	if err != nil {
		return 0
	}
	return n
}

// otherUser is who runs the server when root runs the tests: PostgreSQL refuses
// root.
func otherUser() (*syscall.Credential, error) {
	if os.Getuid() != 0 {
		return nil, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		if err1 == nil && err2 == nil {
			return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
		}
	}
	return nil, errors.New("PostgreSQL does not run as root, and there is neither a user postgres nor nobody")
}

// roomiest is where the cluster goes: in memory if there is a gigabyte to spare,
// else in the folder for temporary files, unless a path in it is too long for a
// socket (104 bytes on some systems).
func roomiest() string {
	const memory = "/dev/shm"
	var room syscall.Statfs_t
	if err := syscall.Statfs(memory, &room); err == nil && float64(room.Bavail)*float64(room.Bsize) >= 1<<30 {
		return memory
	}
	if temp := os.TempDir(); len(temp) < 60 {
		return temp
	}
	return "/tmp"
}
