//go:build linux || darwin

package api

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// What a server process serves: the variables with the database and the folder of photos,
// and whether it does the jobs that calls leave.
const (
	faultURL    = "DEWBENCH_TEST_FAULT_URL"
	faultPhotos = "DEWBENCH_TEST_FAULT_PHOTOS"
	faultWorks  = "DEWBENCH_TEST_FAULT_WORKS"
)

// faultFolders are the folders of photos by the database that they belong to, whose
// servers come one after another.
var faultFolders sync.Map

// TestFaultServer is the process that the other tests of this file start, feed and
// kill: a server as it runs for real. By itself it tests nothing. It ends with its
// standard input, on which it takes the line "limit N": from then on no file of its
// may grow over N bytes.
func TestFaultServer(t *testing.T) {
	database := os.Getenv(faultURL)
	if database == "" {
		return
	}
	s, err := store.Open(t.Context(), database, store.Options{MustExist: true})
	if err != nil {
		t.Fatal(err)
	}
	photos, err := store.OpenBlobs(t.Context(), os.Getenv(faultPhotos))
	if err != nil {
		t.Fatal(err)
	}
	server, err := New(t.Context(), service.Config{Store: s, Blobs: photos, Log: slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn})), Version: "1.2.3"})
	if err != nil {
		t.Fatal(err)
	}
	signal.Ignore(syscall.SIGXFSZ) // a write over the limit fails, and kills nobody
	grpcListener, httpListener := listen(t), listen(t)
	ctx, stop := context.WithCancel(context.Background())
	go func() {
		defer stop()
		for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
			var most uint64
			if _, err := fmt.Sscanf(lines.Text(), "limit %d", &most); err != nil {
				fmt.Println("failed", err)
				return
			}
			var limit syscall.Rlimit
			if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
				fmt.Println("failed", err)
				return
			}
			limit.Cur = min(most, limit.Max)
			if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
				fmt.Println("failed", err)
				return
			}
			fmt.Println("limited")
		}
	}()
	worked := make(chan error, 1)
	if os.Getenv(faultWorks) == "" {
		worked <- nil
	} else {
		go func() { worked <- server.Work(ctx) }()
	}
	fmt.Println("ready", grpcListener.Addr(), httpListener.Addr())
	served := server.Serve(ctx, grpcListener, httpListener)
	stop()
	if err := errors.Join(served, <-worked, photos.Close(), s.Close()); err != nil {
		t.Fatal(err)
	}
}

// process is a server of its own.
type process struct {
	cmd                *exec.Cmd
	stdin              io.WriteCloser
	stdout             *bufio.Reader
	log                bytes.Buffer // what it wrote to standard error; to be read when it has ended
	grpcAddr, httpAddr string
	over               func() error
}

// patience bounds what is asked of another process.
const patience = time.Minute

// startProcess starts a server. more are variables for it.
func startProcess(t testing.TB, database string, more ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(os.Args[0], "-test.run=^TestFaultServer$", "-test.timeout=9m")}
	folder, known := faultFolders.Load(database)
	if !known {
		folder, _ = faultFolders.LoadOrStore(database, t.TempDir())
	}
	p.cmd.Env = append(os.Environ(), faultURL+"="+database, faultPhotos+"="+folder.(string))
	p.cmd.Env = append(p.cmd.Env, more...)
	p.cmd.Stderr = &p.log
	stdout, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if p.stdin, err = p.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	p.stdout = bufio.NewReader(stdout)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	p.over = sync.OnceValue(p.cmd.Wait)
	t.Cleanup(p.kill)
	answer := p.hear(t)
	if n, err := fmt.Sscanf(answer, "ready %s %s", &p.grpcAddr, &p.httpAddr); n != 2 {
		p.kill()
		t.Fatalf("the server did not start: %q, %v\n%s", answer, err, p.log.String())
	}
	return p
}

// hear reads a line, for which the process has a minute.
func (p *process) hear(t testing.TB) string {
	t.Helper()
	late := time.AfterFunc(patience, p.kill)
	defer late.Stop()
	line, err := p.stdout.ReadString('\n')
	if err != nil {
		p.kill()
		t.Fatalf("%q, %v\n%s", line, err, p.log.String())
	}
	return strings.TrimSpace(line)
}

// kill ends the process at once; it may have ended.
func (p *process) kill() {
	_ = p.cmd.Process.Kill() // it fails where there is no process any more
	_ = p.over()             // says that it was killed
}

// stop ends the process as an operator does.
func (p *process) stop(t testing.TB) {
	t.Helper()
	if err := p.stdin.Close(); err != nil {
		t.Fatal(err)
	}
	late := time.AfterFunc(patience, p.kill)
	defer late.Stop()
	if err := p.over(); err != nil {
		t.Fatalf("the server ended with %v\n%s", err, p.log.String())
	}
}

// limit keeps files of the process from growing over that many bytes.
func (p *process) limit(t testing.TB, most uint64) {
	t.Helper()
	if _, err := fmt.Fprintf(p.stdin, "limit %d\n", most); err != nil {
		t.Fatal(err)
	}
	if answer := p.hear(t); answer != "limited" {
		t.Fatalf("the server answers %q", answer)
	}
}

func (p *process) connect(t testing.TB) (*clients, io.Closer) {
	t.Helper()
	conn, err := grpc.NewClient(p.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	return clientsOf(WithToken(conn, testSecret)), conn
}

// batchSize is how many rows a batch of the tests of faults has.
const batchSize = 5

// ledger is what clients know of the batches that they sent.
type ledger struct {
	mu         sync.Mutex
	collection string
	sent       map[string]bool // by the name of the batch: whether it was answered
	answered   int
}

// send sends a batch of that name: sessions, or plants. A name that ends with an even
// number is of sessions.
func (l *ledger) send(ctx context.Context, calls *clients, name string, number int) error {
	l.mu.Lock()
	if _, known := l.sent[name]; !known {
		l.sent[name] = false
	}
	l.mu.Unlock()
	var err error
	if number%2 == 0 {
		req := &pb.BatchCreateFeedingsRequest{Parent: l.collection + "/plants/-", RequestId: name}
		for i := range batchSize {
			req.Requests = append(req.Requests, &pb.CreateFeedingRequest{Parent: fmt.Sprintf("%s/plants/p%d", l.collection, i), Feeding: &pb.Feeding{Note: name}})
		}
		_, err = calls.BatchCreateFeedings(ctx, req)
	} else {
		req := &pb.BatchCreatePlantsRequest{Parent: l.collection, RequestId: name}
		for i := range batchSize {
			req.Requests = append(req.Requests, &pb.CreatePlantRequest{Plant: &pb.Plant{Tag: fmt.Sprint(name, "-", i), Taxon: "taxa/drosera-capensis", Source: name}})
		}
		_, err = calls.BatchCreatePlants(ctx, req)
	}
	if err == nil {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.sent[name] = true
		l.answered++
	}
	return err
}

func (l *ledger) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.answered
}

// open makes the collection and the plants.
func (l *ledger) open(t *testing.T, calls *clients) {
	t.Helper()
	l.sent = map[string]bool{}
	c, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin"}})
	if err != nil {
		t.Fatal(err)
	}
	l.collection = c.GetName()
	for i := range batchSize {
		if _, err := calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: l.collection, PlantId: fmt.Sprint("p", i), Plant: &pb.Plant{Tag: fmt.Sprint("p", i), Taxon: "taxa/drosera-capensis"}}); err != nil {
			t.Fatal(err)
		}
	}
}

// patient makes a call again while the database cannot be reached: connections that died
// with it are found one by one.
func patient[M any](call func() (M, error)) (M, error) {
	for begun := time.Now(); ; {
		m, err := call()
		if err == nil || reasonOf(status.Convert(err)) != service.StorageUnavailable || time.Since(begun) > patience {
			return m, err
		}
	}
}

// check counts what stands: of a batch that was answered all of it, of others all or
// nothing; and what follows from it agrees with it. If whole, all must stand.
func (l *ledger) check(t *testing.T, calls *clients, whole bool) {
	t.Helper()
	rows := map[string]int{}
	last := map[string]*pb.Feeding{}
	feedings := &pb.ListFeedingsRequest{Parent: l.collection + "/plants/-", PageSize: 1000, OrderBy: "fedTime"}
	for {
		answer, err := patient(func() (*pb.ListFeedingsResponse, error) { return calls.ListFeedings(t.Context(), feedings) })
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range answer.GetFeedings() {
			rows[f.GetNote()]++
			last[f.GetPlant()] = f
		}
		if feedings.PageToken = answer.GetNextPageToken(); feedings.GetPageToken() == "" {
			break
		}
	}
	plants := &pb.ListPlantsRequest{Parent: l.collection, PageSize: 1000}
	for {
		answer, err := patient(func() (*pb.ListPlantsResponse, error) { return calls.ListPlants(t.Context(), plants) })
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range answer.GetPlants() {
			if p.GetSource() != "" {
				rows[p.GetSource()]++
			}
			if want := last[p.GetName()].GetFedTime(); !proto.Equal(want, p.GetLastFeedTime()) {
				t.Errorf("%s was last fed %s, and shows %s", p.GetName(), want.AsTime(), p.GetLastFeedTime().AsTime())
			}
		}
		if plants.PageToken = answer.GetNextPageToken(); plants.GetPageToken() == "" {
			break
		}
	}
	stand := 0
	for name, answered := range l.sent {
		switch n := rows[name]; {
		case n == batchSize:
			stand++
		case n != 0 || answered || whole:
			t.Errorf("of the batch %s, answered: %v, %d of %d stand", name, answered, n, batchSize)
		}
		delete(rows, name)
	}
	if len(rows) > 0 {
		t.Errorf("rows that nobody sent: %v", rows)
	}
	t.Logf("%d batches sent, %d answered, %d stand", len(l.sent), l.count(), stand)
}

const faultClients = 4

// prepareFault adds the grower of the tests to a database.
func prepareFault(t testing.TB, database string) {
	t.Helper()
	s := storetest.Open(t, database)
	if err := addGrower(t.Context(), s, "grower-a", testSecret, service.Scopes...); err != nil {
		t.Fatal(err)
	}
}

// TestKilledServer kills a server at a random moment of a stream of batches, several
// times. What it answered is there after each start, what it did not answer is wholly
// there or wholly not, and what the clients then send again acts once.
func TestKilledServer(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		database := storetest.URL(t, engine)
		prepareFault(t, database)
		seed := rand.Uint64()
		t.Logf("seed %d", seed)
		random := rand.New(rand.NewPCG(seed, 0))
		l := &ledger{}
		p := startProcess(t, database)
		calls, conn := p.connect(t)
		l.open(t, calls)
		for round := range 3 {
			// So many answers into the stream, and a moment that falls anywhere in the calls
			// of the other clients that are under way.
			killAt, moment := l.count()+1+random.IntN(15), time.Duration(random.IntN(8000))*time.Microsecond
			var all errgroup.Group
			killed := sync.OnceFunc(func() {
				<-time.After(moment)
				p.kill()
			})
			for c := range faultClients {
				all.Go(func() error {
					for i := 0; ; i++ {
						err := l.send(t.Context(), calls, fmt.Sprintf("r%d-c%d-%d", round, c, i), c+i)
						if l.count() >= killAt {
							killed()
						}
						switch {
						case status.Code(err) == codes.Unavailable:
							return nil // there is no server any more
						case err != nil:
							return err
						case i == 1000:
							return errors.New("the server lives on")
						}
					}
				})
			}
			if err := all.Wait(); err != nil {
				t.Fatal(err)
			}
			if err := conn.Close(); err != nil {
				t.Fatal(err)
			}
			p = startProcess(t, database)
			calls, conn = p.connect(t)
			l.check(t, calls, false)
			for name, answered := range l.sent {
				if answered {
					continue
				}
				var c, i int
				if _, err := fmt.Sscanf(name, fmt.Sprintf("r%d-c%%d-%%d", round), &c, &i); err != nil {
					t.Fatal(err)
				}
				if err := l.send(t.Context(), calls, name, c+i); err != nil {
					t.Errorf("%s again: %v", name, err)
				}
			}
			l.check(t, calls, true)
		}
		if err := conn.Close(); err != nil {
			t.Fatal(err)
		}
		p.stop(t)
	})
}

// cluster is a Postgres server of a test that kills it.
type cluster struct {
	bin, folder string
	credential  *syscall.Credential
	alive       io.Closer // the server ends with it
	over        chan error
}

// newCluster makes a cluster with the programs of the server that storetest starts.
func newCluster(t *testing.T) *cluster {
	t.Helper()
	if os.Getenv("DEWBENCH_TEST_POSTGRES") != "" {
		t.Skip("the tests use a Postgres server that is not theirs to kill or to fill: DEWBENCH_TEST_POSTGRES is set")
	}
	db := openRaw(t, store.Postgres, storetest.URL(t, store.Postgres))
	bin := allRows(t, db, "SELECT setting FROM pg_config WHERE name = 'BINDIR'")[0]
	beside := filepath.Dir(allRows(t, db, "SHOW data_directory")[0])
	c := &cluster{bin: bin}
	folder, err := os.MkdirTemp(filepath.Dir(beside), "dewbench-fault-")
	if err != nil {
		t.Fatal(err)
	}
	c.folder = folder
	t.Cleanup(func() {
		if err := os.RemoveAll(folder); err != nil {
			t.Error(err)
		}
	})
	if os.Getuid() == 0 { // Postgres refuses root: as the owner of that one
		info, err := os.Stat(beside)
		if err != nil {
			t.Fatal(err)
		}
		owner := info.Sys().(*syscall.Stat_t)
		c.credential = &syscall.Credential{Uid: owner.Uid, Gid: owner.Gid}
		if err := os.Chown(folder, int(owner.Uid), int(owner.Gid)); err != nil {
			t.Fatal(err)
		}
	}
	initdb := exec.Command(filepath.Join(bin, "initdb"), "-D", "data", "-U", "postgres", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync", "--no-instructions")
	initdb.Dir, initdb.SysProcAttr = folder, &syscall.SysProcAttr{Credential: c.credential}
	if out, err := initdb.CombinedOutput(); err != nil {
		t.Fatalf("initdb: %v\n%s", err, out)
	}
	c.start(t)
	t.Cleanup(func() { c.stop(t) })
	return c
}

// start starts the server. After a kill, those that served connections may hold its
// memory for a moment yet, and it must be tried again.
func (c *cluster) start(t *testing.T) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(patience)
	for {
		cmd := exec.Command("/bin/sh", "-c", `"$@" </dev/null & server=$!; cat >/dev/null; kill -QUIT $server 2>/dev/null; wait $server`, "supervise",
			filepath.Join(c.bin, "postgres"), "-D", "data", "-c", "unix_socket_directories="+c.folder, "-c", "listen_addresses=", "-c", "fsync=off",
			"-c", "max_wal_size=256MB", "-c", "shared_buffers=16MB", "-c", "autovacuum=off", "-c", "logging_collector=off", "-c", "timezone=UTC")
		cmd.Dir, cmd.SysProcAttr = c.folder, &syscall.SysProcAttr{Setsid: true, Credential: c.credential}
		log, err := os.OpenFile(filepath.Join(c.folder, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		cmd.Stdout, cmd.Stderr = log, log
		if c.alive, err = cmd.StdinPipe(); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(cmd.Start(), log.Close()); err != nil {
			t.Fatal(err)
		}
		c.over = make(chan error, 1)
		go func() { c.over <- cmd.Wait() }()
		for begun := time.Now(); time.Since(begun) < 2*time.Second; {
			if db, err := sql.Open("pgx", c.url("postgres")); err == nil {
				err = errors.Join(db.PingContext(t.Context()), db.Close())
				if err == nil {
					return
				}
			}
			select {
			case <-tick.C:
			case <-deadline:
				text, _ := os.ReadFile(filepath.Join(c.folder, "log"))
				t.Fatalf("Postgres does not start:\n%s", text)
			}
		}
		c.stop(t)
	}
}

// stop ends the server and waits for it.
func (c *cluster) stop(t *testing.T) {
	t.Helper()
	if c.alive == nil {
		return
	}
	if err := c.alive.Close(); err != nil {
		t.Error(err)
	}
	c.alive = nil
	select {
	case err := <-c.over:
		t.Logf("Postgres ended: %v", err) // how is what the test did to it
	case <-time.After(patience):
		t.Errorf("Postgres in %s does not stop", c.folder)
	}
}

// kill ends the server's first process at once, as a machine out of memory does.
func (c *cluster) kill(t *testing.T) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(c.folder, "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	line, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(line)
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	c.stop(t)
}

// killOne kills a process that serves a connection of the server process. Postgres
// then ends all of them, and recovers.
func (c *cluster) killOne(t *testing.T) {
	t.Helper()
	db := openRaw(t, store.Postgres, c.url("dewbench"))
	pids := allRows(t, db, "SELECT pid::text FROM pg_stat_activity WHERE datname = 'dewbench' AND pid <> pg_backend_pid() ORDER BY state_change DESC LIMIT 1")
	if len(pids) == 0 {
		t.Fatal("nobody is connected")
	}
	pid, err := strconv.Atoi(pids[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
}

func (c *cluster) url(database string) string {
	u := url.URL{Scheme: "postgres", User: url.User("postgres"), Path: "/" + database, RawQuery: url.Values{"host": {c.folder}}.Encode()}
	return u.String()
}

// create makes a database with the tables.
func (c *cluster) create(t *testing.T, more string) string {
	t.Helper()
	db := openRaw(t, store.Postgres, c.url("postgres"))
	if _, err := db.ExecContext(t.Context(), "CREATE DATABASE dewbench"+more); err != nil {
		t.Fatal(err)
	}
	s := storetest.Open(t, c.url("dewbench"))
	if err := s.Migrate(t.Context()); err != nil {
		t.Fatal(err)
	}
	return c.url("dewbench")
}

// TestKilledDatabase kills Postgres under a server that lives on: once a process that
// serves it, once all. Clients that send again what was not answered get it done, each
// batch once.
func TestKilledDatabase(t *testing.T) {
	c := newCluster(t)
	database := c.create(t, "")
	prepareFault(t, database)
	l := &ledger{}
	p := startProcess(t, database)
	calls, conn := p.connect(t)
	l.open(t, calls)
	for round, kill := range []func(){func() { c.killOne(t) }, func() { c.kill(t); c.start(t) }} {
		killAt, enough := l.count()+1+rand.IntN(15), 30+l.count()
		var all errgroup.Group
		killed := sync.OnceFunc(kill)
		for w := range faultClients {
			all.Go(func() error {
				tick := time.NewTicker(10 * time.Millisecond)
				defer tick.Stop()
				for i := 0; l.count() < enough; i++ {
					for begun := time.Now(); ; {
						err := l.send(t.Context(), calls, fmt.Sprintf("r%d-c%d-%d", round, w, i), w+i)
						if err == nil {
							break
						}
						if s := status.Convert(err); reasonOf(s) != service.StorageUnavailable || time.Since(begun) > patience {
							return fmt.Errorf("%w after %s", err, time.Since(begun))
						}
						<-tick.C
					}
					if w == 0 && l.count() >= killAt {
						killed()
					}
				}
				return nil
			})
		}
		if err := all.Wait(); err != nil {
			t.Fatal(err)
		}
		killed()
		l.check(t, calls, true)
	}
	if err := conn.Close(); err != nil {
		t.Fatal(err)
	}
	p.stop(t)
}

// mountSmall mounts a small file system in memory, or skips the test where that is not
// allowed. grow makes it large.
func mountSmall(t *testing.T, folder string, owner *syscall.Credential, megabytes int) (grow func()) {
	t.Helper()
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	options := fmt.Sprintf("size=%dm,mode=0700", megabytes)
	if owner != nil {
		options += fmt.Sprintf(",uid=%d,gid=%d", owner.Uid, owner.Gid)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", options, "tmpfs", folder).CombinedOutput(); err != nil {
		t.Skipf("a small file system cannot be mounted here (it needs root on Linux): %v %s", err, bytes.TrimSpace(out))
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", folder).CombinedOutput(); err != nil {
			t.Errorf("umount: %v %s", err, out)
		}
	})
	return func() {
		t.Helper()
		if out, err := exec.Command("mount", "-o", "remount,size=256m", folder).CombinedOutput(); err != nil {
			t.Fatalf("remount: %v %s", err, out)
		}
	}
}

// TestHealthOfDatabase lets Postgres hang, and then kills it and starts it again, under
// a server that tells each time how it is.
func TestHealthOfDatabase(t *testing.T) {
	c := newCluster(t)
	d := openStore(t, storetest.Open(t, c.create(t, "")), service.Config{})
	d.checkHealth(t, true)

	db := openRaw(t, store.Postgres, c.url("postgres"))
	pids := allRows(t, db, "SELECT pid::text FROM pg_stat_activity WHERE datname = 'dewbench'")
	signal := func(s syscall.Signal) {
		for _, text := range pids {
			pid, err := strconv.Atoi(text)
			if err == nil {
				err = syscall.Kill(pid, s)
			}
			if err != nil {
				t.Error(err)
			}
		}
	}
	signal(syscall.SIGSTOP)
	goOn := sync.OnceFunc(func() { signal(syscall.SIGCONT) })
	t.Cleanup(goOn)
	began := time.Now()
	_, err := pb.NewServerServiceClient(d.conn).GetHealth(t.Context(), &pb.GetHealthRequest{})
	if took := time.Since(began); reasonOf(status.Convert(err)) != service.StorageUnavailable || took < 2*time.Second || took > 10*time.Second {
		t.Errorf("while it hangs, after %s: %v", took, err)
	}
	goOn()
	d.checkHealth(t, true)

	c.kill(t)
	d.awaitHealth(t, false)
	c.start(t)
	d.awaitHealth(t, true)
}

// TestFullDisk fills the disk under a server. It says so, has written nothing of what it
// could not write, goes on reading, and once there is room writes again.
func TestFullDisk(t *testing.T) {
	t.Run("sqlite, files that may not grow", func(t *testing.T) {
		t.Parallel()
		database := storetest.URL(t, store.SQLite)
		prepareFault(t, database)
		p := startProcess(t, database)
		p.limit(t, 1<<20) // the log of writes is such a file
		testFullDisk(t, p, func() { p.limit(t, 1<<40) })
		p.stop(t)
		checkIntegrity(t, database)
	})
	t.Run("sqlite, a small file system", func(t *testing.T) {
		t.Parallel()
		folder := filepath.Join(t.TempDir(), "small")
		grow := mountSmall(t, folder, nil, 3)
		database := "sqlite:" + filepath.Join(folder, "dewbench.db")
		from, err := os.ReadFile(strings.TrimPrefix(storetest.URL(t, store.SQLite), "sqlite:"))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, "dewbench.db"), from, 0o600); err != nil {
			t.Fatal(err)
		}
		addFaultGrower(t, database)
		p := startProcess(t, database)
		testFullDisk(t, p, grow)
		p.stop(t)
		checkIntegrity(t, database)
	})
	t.Run("postgres, a small tablespace", func(t *testing.T) {
		t.Parallel()
		c := newCluster(t)
		folder := filepath.Join(c.folder, "small")
		grow := mountSmall(t, folder, c.credential, 11)
		// The mount goes after the server: cleanups run in the reverse order.
		t.Cleanup(func() { c.stop(t) })
		db := openRaw(t, store.Postgres, c.url("postgres"))
		if _, err := db.ExecContext(t.Context(), "CREATE TABLESPACE small LOCATION '"+folder+"'"); err != nil {
			t.Fatal(err)
		}
		database := c.create(t, " TABLESPACE small")
		prepareFault(t, database)
		p := startProcess(t, database)
		testFullDisk(t, p, grow)
		p.stop(t)
	})
}

// addFaultGrower is prepareFault with a store that is closed at once.
func addFaultGrower(t testing.TB, database string) {
	t.Helper()
	s, err := store.Open(t.Context(), database, store.Options{MustExist: true})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(addGrower(t.Context(), s, "grower-a", testSecret, service.Scopes...), s.Close()); err != nil {
		t.Fatal(err)
	}
}

func checkIntegrity(t *testing.T, database string) {
	t.Helper()
	db, err := sql.Open("sqlite", strings.TrimPrefix(database, "sqlite:"))
	if err != nil {
		t.Fatal(err)
	}
	if found := allRows(t, db, "PRAGMA integrity_check"); len(found) != 1 || found[0] != "ok" {
		t.Errorf("the file is damaged: %v", found)
	}
	if err := db.Close(); err != nil {
		t.Error(err)
	}
}

// diskBatch is how many observations a batch has that is to fill a disk.
const diskBatch = 40

func testFullDisk(t *testing.T, p *process, makeRoom func()) {
	t.Helper()
	calls, conn := p.connect(t)
	defer conn.Close()
	l := &ledger{}
	l.open(t, calls)
	client := &http.Client{Transport: &tokenSender{http.Transport{}, testSecret}}
	defer client.CloseIdleConnections()
	random := rand.New(rand.NewPCG(1, 2))
	// Long notes that do not compress. They go over HTTP.
	record := func(name string) (int, string) {
		var entries []string
		for i := range diskBatch {
			note := make([]byte, 3000)
			for j := range note {
				note[j] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"[random.IntN(64)]
			}
			entries = append(entries, fmt.Sprintf(`{"parent":"%s/plants/p%d","observation":{"note":"%s %s","health":{"text":"Fine."}}}`, l.collection, i%batchSize, name, note))
		}
		body := `{"requests":[` + strings.Join(entries, ",") + `]}`
		answer, err := client.Post("http://"+p.httpAddr+"/v1/"+l.collection+"/plants/-/observations:batchCreate", "application/json", strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer.StatusCode, string(text)
	}
	count := func() map[string]int {
		rows := map[string]int{}
		req := &pb.ListObservationsRequest{Parent: l.collection + "/plants/-", PageSize: 1000}
		for {
			answer, err := calls.ListObservations(t.Context(), req)
			if err != nil {
				t.Fatalf("a full disk keeps from reading: %v", err)
			}
			for _, o := range answer.GetObservations() {
				name, _, _ := strings.Cut(o.GetNote(), " ")
				rows[name]++
			}
			if req.PageToken = answer.GetNextPageToken(); req.GetPageToken() == "" {
				return rows
			}
		}
	}
	stands := map[string]bool{}
	full := 0
	for i := 0; full < 3; i++ {
		if i == 1000 {
			t.Fatal("the disk does not get full")
		}
		name := fmt.Sprint("n", i)
		code, text := record(name)
		switch {
		case code == http.StatusOK:
			stands[name] = true
		case code == http.StatusInsufficientStorage && errorReason(errorOf(t, []byte(text))) == string(service.StorageFull):
			full++
			if strings.Contains(text, "sqlite") || strings.Contains(text, "SQLSTATE") || strings.Contains(text, "no space") {
				t.Errorf("the error tells what is behind it: %s", text)
			}
		default:
			t.Fatalf("a full disk is answered by %d %s", code, text)
		}
	}
	if len(stands) == 0 {
		t.Error("the disk was full from the start")
	}
	t.Logf("full after %d batches", len(stands))
	check := func() {
		t.Helper()
		rows := count()
		for name := range stands {
			if rows[name] != diskBatch {
				t.Errorf("of batch %s, which was answered, %d of %d stand", name, rows[name], diskBatch)
			}
		}
		if len(rows) != len(stands) {
			t.Errorf("%d batches were answered, %d have rows", len(stands), len(rows))
		}
	}
	check()
	makeRoom()
	for i := range 5 {
		name := fmt.Sprint("later", i)
		if code, text := record(name); code != http.StatusOK {
			t.Fatalf("with room again: %d %s", code, text)
		}
		stands[name] = true
	}
	check()
	if err := l.send(t.Context(), calls, "r0-c0-0", 0); err != nil {
		t.Errorf("with room again: %v", err)
	}
	l.check(t, calls, true)
}
