package api

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"log/slog"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/store"
	"dewbench/store/storetest"
)

// scaleTime is when the benchmarks at scale begin, by the clock of their server: what is
// loaded has been recorded before, what they record comes after.
var scaleTime = time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC)

const (
	dayUs = 24 * 3600 * 1_000_000

	sessionCollections = 12 // each with one bench
	sessionPlants      = 60 // on it, all of them due
)

// scaleSize tells how many plants the benchmarks at scale have.
func scaleSize(tb testing.TB) int {
	tb.Helper()
	text := os.Getenv("DEWBENCH_SCALE")
	if text == "" {
		return 1000
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1000 || n > 10_000_000 {
		tb.Fatalf("DEWBENCH_SCALE=%q: must be a number of plants, from 1000 to 10000000", text)
	}
	return n
}

// population is an invented set of collections, the same for the same size: of one grower
// each, of 80 to 120 plants; after them one large collection; after that those for
// sessions. Each number of a collection is also that of its grower and of the token.
type population struct {
	size, ordinary, large int // plants; ordinary collections; plants of the large one
	taxa                  []*catalogue.Taxon
}

// growing names taxa of several trap types; the first grows on benches for sessions.
var growing = []string{"drosera-capensis", "drosera-spatulata", "drosera-aliciae", "drosera-binata", "dionaea-muscipula", "sarracenia-purpurea", "cephalotus-follicularis"}

func newPopulation(size int) (*population, error) {
	c, err := catalogue.Load()
	if err != nil {
		return nil, err
	}
	s := &population{size: size, ordinary: size / 100, large: size / 50}
	for _, id := range growing {
		t, ok := c.Taxon(id)
		if !ok {
			return nil, fmt.Errorf("no taxon %s", id)
		}
		s.taxa = append(s.taxa, t)
	}
	return s, nil
}

// collections is how many there are of all kinds.
func (s *population) collections() int { return s.ordinary + 1 + sessionCollections }

// read is how many of the first collections are only read; the other ordinary ones are
// written to.
func (s *population) read() int { return s.ordinary - max(2, s.ordinary/20) }

// session is the number of a collection for sessions.
func (s *population) session(i int) int { return s.ordinary + 1 + i }

// Ids of the server's own are as long as the UUIDs that it makes.
func scaleID(kind byte, i int) string { return fmt.Sprintf("0190000%c-0000-7000-8000-%012d", kind, i) }

func collectionID(i int) string { return scaleID('c', i) }
func growerID(i int) string     { return scaleID('a', i) }
func plantID(i int) string      { return scaleID('b', i) } // within a collection
func scaleSecret(i int) string  { return service.SecretPrefix + fmt.Sprintf("%043d", i) }

// few returns random numbers of a thing of a collection.
func few(collection int, thing uint64) *rand.Rand {
	return rand.New(rand.NewPCG(uint64(collection), thing))
}

// plants is how many a collection has.
func (s *population) plants(collection int) int {
	switch {
	case collection == s.ordinary:
		return s.large
	case collection > s.ordinary:
		return sessionPlants
	}
	return 80 + few(collection, 0).IntN(41)
}

// benches are the exposures of a collection's benches, which are named bench-0 and so on.
func (s *population) benches(collection int) []pb.Bench_Exposure {
	if collection > s.ordinary {
		return []pb.Bench_Exposure{pb.Bench_WINDOWSILL}
	}
	all := []pb.Bench_Exposure{pb.Bench_WINDOWSILL, pb.Bench_GREENHOUSE, pb.Bench_ENCLOSED, pb.Bench_WINDOWSILL, pb.Bench_GREENHOUSE, pb.Bench_OUTDOORS}
	return all[:4+few(collection, 1).IntN(3)]
}

// scalePlant is what the records of a plant are drawn by.
type scalePlant struct {
	number, bench int
	taxon         *catalogue.Taxon
	last          int // days since the last session
	*rand.Rand        // for the rest
}

func (s *population) each(collection int) iter.Seq[scalePlant] {
	return func(yield func(scalePlant) bool) {
		benches := len(s.benches(collection))
		for i := range s.plants(collection) {
			r := few(collection, uint64(i)+2)
			p := scalePlant{number: i, bench: r.IntN(benches), taxon: s.taxa[r.IntN(len(s.taxa))], last: r.IntN(18), Rand: r}
			if collection > s.ordinary {
				p.taxon, p.last = s.taxa[0], 11
			}
			if !yield(p) {
				return
			}
		}
	}
}

// scaleTable is a table with the columns that are loaded and the rows of a collection.
type scaleTable struct {
	name    string
	columns string
	rows    func(s *population, collection int, yield func(...any) bool)
}

var (
	madeUs  = scaleTime.AddDate(-1, 0, 0).UnixMicro()
	stamped = int32(store.LatestSchema())
)

// scaleTables are in the order of their references.
var scaleTables = []scaleTable{
	{"growers", "grower_id display_name contact create_us update_us version stamp", func(_ *population, c int, yield func(...any) bool) {
		yield(growerID(c), fmt.Sprint("Grower ", c), "", madeUs, madeUs, 1, stamped)
	}},
	{"tokens", "grower_id token_id hash display_name scopes last_use_us create_us version stamp", func(_ *population, c int, yield func(...any) bool) {
		yield(growerID(c), scaleID('d', c), service.HashSecret(scaleSecret(c)), "Bench", strings.Join(service.Scopes, " "), scaleTime.UnixMicro(), madeUs, 1, stamped)
	}},
	{"collections", "collection_id owner_id display_name display_name_key time_zone latitude_deg hemisphere feeding_weekdays absences regimens create_us update_us settings_rev version stamp",
		func(_ *population, c int, yield func(...any) bool) {
			zone := []string{"Europe/Berlin", "Europe/Lisbon", "America/Chicago", "Australia/Adelaide"}[c%4]
			name := fmt.Sprint("Collection ", c)
			yield(collectionID(c), growerID(c), name, store.Fold(name), zone, []int{51, 39, 42, -35}[c%4], 0, 0, "{}", "{}", madeUs, madeUs, 1, 1, stamped)
		}},
	{"benches", "collection_id bench_id display_name display_name_key exposure walk_order create_us update_us version stamp",
		func(s *population, c int, yield func(...any) bool) {
			for i, exposure := range s.benches(c) {
				name := fmt.Sprint("Bench ", i)
				if !yield(collectionID(c), fmt.Sprint("bench-", i), name, store.Fold(name), int32(exposure), i, madeUs, madeUs, 1, stamped) {
					return
				}
			}
		}},
	{"plants", "collection_id plant_id tag tag_key taxon scientific_name scientific_name_key genus trap_type trap habit cultivar cultivar_key clone clone_key first_bench_id bench_id walk_order" +
		" acquire_date source source_key locality parents propagation quantity state living create_us update_us version stamp",
		func(s *population, c int, yield func(...any) bool) {
			for p := range s.each(c) {
				tag, bench, t := fmt.Sprintf("T%05d", p.number), fmt.Sprint("bench-", p.bench), p.taxon
				if !yield(collectionID(c), plantID(p.number), tag, store.Fold(tag), "taxa/"+t.ID, t.ScientificName, store.Fold(t.ScientificName), t.Genus, 0, int32(t.TrapType), 0, "", "", "", "", bench, bench,
					math.MaxInt32, "2025-03-09", "", "", "", "null", 0, 1, int32(pb.Plant_GROWING), 1, madeUs, madeUs, 1, stamped) {
					return
				}
			}
		}},
	{"feedings", "collection_id plant_id feeding_id fed_us traps_fed traps_target food thaw outcome outcome_us note feeder traps recorder_id create_us update_us version stamp",
		func(s *population, c int, yield func(...any) bool) {
			for p := range s.each(c) {
				for k := range 6 {
					us := scaleTime.UnixMicro() - int64(p.last+8*k+1)*dayUs + int64(p.IntN(4*3600))*1_000_000
					outcome, seen := scaleOutcome(p.IntN(100)), us+3*dayUs
					var seenUs *int64
					if c > s.ordinary {
						outcome = pb.Feeding_CLEAN // nothing holds them back
					}
					if k == 0 && p.last < 3 {
						outcome = pb.Feeding_OUTCOME_UNSPECIFIED
					} else {
						seenUs = &seen
					}
					if !yield(collectionID(c), plantID(p.number), fmt.Sprint("fed-", 5-k), us, 1+p.IntN(2), 2, "", "", int32(outcome), seenUs, "", "", "{}", growerID(c), us, us, 1, stamped) {
						return
					}
				}
			}
		}},
	{"observations", "collection_id plant_id observation_id observe_us kind note rosette_diameter_mm working_traps stalk traps_examined prey_found quantity end_state cause recipient reason" +
		" what product health recorder_id create_us update_us version stamp",
		func(s *population, c int, yield func(...any) bool) {
			for p := range s.each(c) {
				for k := range 2 {
					us := scaleTime.UnixMicro() - int64(20+25*k+p.IntN(10))*dayUs
					kind, diameter, traps, examined, prey := store.Measurement, new(float64), new(int32), 0, 0
					*diameter, *traps = float64(40+p.IntN(60)), int32(9+p.IntN(9))
					if k == 1 {
						kind, diameter, traps, examined, prey = store.CatchSurvey, nil, nil, 10, p.IntN(2)
					}
					if !yield(collectionID(c), plantID(p.number), fmt.Sprint("seen-", k), us, int32(kind), "", diameter, traps, 0, examined, prey, 0, 0, "", "", "", "", "", "", growerID(c), us, us, 1, stamped) {
						return
					}
				}
			}
		}},
}

// scaleOutcome draws what became of a session. How often which: invented.
func scaleOutcome(percent int) pb.Feeding_Outcome {
	switch {
	case percent < 88:
		return pb.Feeding_CLEAN
	case percent < 94:
		return pb.Feeding_RESIDUE
	case percent < 97:
		return pb.Feeding_MOULD
	}
	return pb.Feeding_REJECTED
}

// all returns the rows of a table of all collections.
func (s *population) all(t scaleTable) iter.Seq[[]any] {
	return func(yield func([]any) bool) {
		more := true
		for c := 0; c < s.collections() && more; c++ {
			t.rows(s, c, func(row ...any) bool {
				more = yield(row)
				return more
			})
		}
	}
}

// scaled is a database with a population.
type scaled struct {
	*population
	engine store.Engine
	url    string
	pg     *pgxpool.Pool // nil on SQLite
	lite   *sql.DB       // nil on Postgres
	store  *store.Store
	doors  *doors
	clock  func() time.Time
}

// scaleServer is the URL of the server of Postgres for the populations, until b ends.
func scaleServer(b *testing.B) string {
	folder := os.Getenv("DEWBENCH_SCALE_CACHE")
	if folder != "" {
		folder = filepath.Join(folder, "postgres")
	}
	// Writes do not wait for the disk, by whomever: that hides least of what each costs.
	return storetest.Kept(b, folder, "shared_buffers=512MB", "max_wal_size=8GB", "maintenance_work_mem=256MB", "checkpoint_timeout=30min")
}

// openScaled opens a database with a population and serves it until b ends. It is loaded
// first, unless the cache has it.
func openScaled(b *testing.B, engine store.Engine, server string, size int) *scaled {
	b.Helper()
	people, err := newPopulation(size)
	if err != nil {
		b.Fatal(err)
	}
	s := &scaled{population: people, engine: engine}
	cache, name := os.Getenv("DEWBENCH_SCALE_CACHE"), fmt.Sprintf("scale_%d_%d_%s", size, store.LatestSchema(), digestOfFiles(b, "scale_data_test.go"))
	fresh := false
	if engine == store.SQLite {
		folder := cache
		if folder == "" {
			folder = b.TempDir()
		}
		if err := os.MkdirAll(folder, 0o700); err != nil {
			b.Fatal(err)
		}
		file := filepath.Join(folder, name+".db")
		if _, err := os.Stat(file); errors.Is(err, fs.ErrNotExist) {
			fresh = true
			s.loadSQLite(b, file)
		} else if err != nil {
			b.Fatal(err)
		}
		s.url = "sqlite:" + file
		if s.lite, err = sql.Open("sqlite", "file:"+file+"?_pragma=busy_timeout(10000)"); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() {
			if err := s.lite.Close(); err != nil {
				b.Error(err)
			}
		})
	} else {
		s.url, fresh = s.preparePostgres(b, server, name, cache != "")
		s.pg = scalePool(b, s.url)
	}
	s.serve(b)
	began := time.Now()
	if err := s.doors.server.Refresh(b.Context()); err != nil {
		b.Fatal(err)
	}
	if took := time.Since(began); fresh {
		plants := s.number(b, "SELECT count(*) FROM plant_due")
		scaleNote("%s: %d plants in %d collections; all decided about in %.1f s, %.0f a second", engine, plants, s.collections(), took.Seconds(), float64(plants)/took.Seconds())
		if engine == store.Postgres { // as its autovacuum would, which is off here
			s.exec(b, "VACUUM (ANALYZE, FREEZE)")
		}
	}
	return s
}

// serve serves the database until b ends.
func (s *scaled) serve(b *testing.B) {
	began := time.Now()
	s.clock = func() time.Time { return scaleTime.Add(time.Since(began)) }
	s.store = storetest.Open(b, s.url, plainly)
	s.doors = openStore(b, s.store, service.Config{Now: s.clock, Version: scaleVersion(b)}, slog.DiscardHandler)
}

// plainly opens a store as it is opened to be served, but that SQLite does not wait for
// the disk, as the server of Postgres does not here.
func plainly(o *store.Options) { o.Guard, o.RelaxedSync = false, true }

// scaleVersion is that of a program whose decisions are those of the sources: what another
// one kept in the cache is decided anew.
func scaleVersion(tb testing.TB) string {
	return "scale-" + digestOfFiles(tb, "../service/*.go", "../service/*/*.go", "../store/due.go")
}

// digestOfFiles returns some digits that stand for what is in files.
func digestOfFiles(tb testing.TB, patterns ...string) string {
	tb.Helper()
	digest := sha256.New()
	for _, pattern := range patterns {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			tb.Fatalf("no files %s: %v", pattern, err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				tb.Fatal(err)
			}
			fmt.Fprintf(digest, "%s %d\n%s", file, len(text), text)
		}
	}
	return hex.EncodeToString(digest.Sum(nil))[:8]
}

func scalePool(b *testing.B, url string) *pgxpool.Pool {
	b.Helper()
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		b.Fatal(err)
	}
	config.MaxConns = 8
	pool, err := pgxpool.NewWithConfig(b.Context(), config)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(pool.Close)
	return pool
}

// preparePostgres returns the URL of the database, which is made unless the cache has it.
func (s *scaled) preparePostgres(b *testing.B, server, name string, keep bool) (where string, fresh bool) {
	ctx := b.Context()
	admin, err := pgx.Connect(ctx, server)
	if err != nil {
		b.Fatal(err)
	}
	defer admin.Close(ctx)
	u, err := url.Parse(server)
	if err != nil {
		b.Fatal(err)
	}
	u.Path = "/" + name
	if !keep {
		b.Cleanup(func() {
			if err := dropDatabase(server, name); err != nil {
				b.Error(err)
			}
		})
	}
	var there bool
	if err := admin.QueryRow(ctx, "SELECT EXISTS (SELECT 1 FROM pg_database WHERE datname = $1)", name).Scan(&there); err != nil {
		b.Fatal(err)
	}
	if there {
		return u.String(), false
	}
	// It gets its name once it is whole.
	loading := *u
	loading.Path = "/loading_" + name
	if err := dropDatabase(server, "loading_"+name); err != nil {
		b.Fatal(err)
	}
	if _, err := admin.Exec(ctx, "CREATE DATABASE loading_"+name+" TEMPLATE template0"); err != nil {
		b.Fatal(err)
	}
	s.loadPostgres(b, loading.String())
	if _, err := admin.Exec(ctx, "ALTER DATABASE loading_"+name+" RENAME TO "+name); err != nil {
		b.Fatal(err)
	}
	return u.String(), true
}

func dropDatabase(server, name string) error {
	ctx := context.Background()
	admin, err := pgx.Connect(ctx, server)
	if err != nil {
		return err
	}
	_, err = admin.Exec(ctx, "DROP DATABASE IF EXISTS "+name+" WITH (FORCE)")
	return errors.Join(err, admin.Close(ctx))
}

func migrateScaled(b *testing.B, url string) {
	b.Helper()
	s, err := store.Open(b.Context(), url, store.Options{RelaxedSync: true})
	if err != nil {
		b.Fatal(err)
	}
	if err := errors.Join(s.Migrate(b.Context()), s.Close()); err != nil {
		b.Fatal(err)
	}
}

// loadPostgres fills the tables by COPY.
func (s *scaled) loadPostgres(b *testing.B, url string) {
	ctx, began := b.Context(), time.Now()
	migrateScaled(b, url)
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close(ctx)
	// References are right by the way in which the rows are made: they need no looking up.
	if _, err := conn.Exec(ctx, "SET session_replication_role = replica"); err != nil {
		b.Fatal(err)
	}
	rows := int64(0)
	for _, t := range scaleTables {
		next, stop := iter.Pull(s.all(t))
		n, err := conn.CopyFrom(ctx, pgx.Identifier{t.name}, strings.Fields(t.columns), pgx.CopyFromFunc(func() ([]any, error) {
			row, ok := next()
			if !ok {
				return nil, nil
			}
			return row, nil
		}))
		stop()
		if err != nil {
			b.Fatalf("load %s: %v", t.name, err)
		}
		rows += n
	}
	scaleNote("postgres: %d rows loaded in %.1f s", rows, time.Since(began).Seconds())
}

// loadSQLite fills the tables by inserts of many rows, in one transaction.
func (s *scaled) loadSQLite(b *testing.B, file string) {
	ctx, began := b.Context(), time.Now()
	loading := file + ".loading"
	for _, end := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(loading + end); err != nil && !errors.Is(err, fs.ErrNotExist) {
			b.Fatal(err)
		}
	}
	migrateScaled(b, "sqlite:"+loading)
	db, err := sql.Open("sqlite", "file:"+loading+"?_pragma=synchronous(OFF)&_pragma=foreign_keys(0)&_pragma=cache_size(-400000)")
	if err != nil {
		b.Fatal(err)
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		b.Fatal(err)
	}
	rows := int64(0)
	for _, t := range scaleTables {
		columns := strings.Fields(t.columns)
		one := ", (?" + strings.Repeat(", ?", len(columns)-1) + ")"
		insert := func(values []any) {
			n := len(values) / len(columns)
			if _, err := tx.ExecContext(ctx, "INSERT INTO "+t.name+" ("+strings.Join(columns, ", ")+") VALUES "+strings.Repeat(one, n)[2:], values...); err != nil {
				b.Fatalf("load %s: %v", t.name, err)
			}
			rows += int64(n)
		}
		var values []any
		for row := range s.all(t) {
			if values = append(values, row...); len(values) >= 100*len(columns) {
				insert(values)
				values = values[:0]
			}
		}
		if len(values) > 0 {
			insert(values)
		}
	}
	if err := errors.Join(tx.Commit(), db.Close()); err != nil {
		b.Fatal(err)
	}
	if err := os.Rename(loading, file); err != nil {
		b.Fatal(err)
	}
	scaleNote("sqlite: %d rows loaded in %.1f s", rows, time.Since(began).Seconds())
}

// exec changes the database behind the server's back. Parameters are written $1, $2.
func (s *scaled) exec(b *testing.B, statement string, args ...any) {
	b.Helper()
	var err error
	if s.engine == store.Postgres {
		_, err = s.pg.Exec(b.Context(), statement, args...)
	} else {
		_, err = s.lite.ExecContext(b.Context(), statement, args...)
	}
	if err != nil {
		b.Fatalf("%s: %v", statement, err)
	}
}

func (s *scaled) number(b *testing.B, query string, args ...any) (n int64) {
	b.Helper()
	var err error
	if s.engine == store.Postgres {
		err = s.pg.QueryRow(b.Context(), query, args...).Scan(&n)
	} else {
		err = s.lite.QueryRowContext(b.Context(), query, args...).Scan(&n)
	}
	if err != nil {
		b.Fatalf("%s: %v", query, err)
	}
	return n
}

// restore makes the collections from one number on again what was loaded, but for what the
// database leaves on the disk.
func (s *scaled) restore(b *testing.B, from int) {
	b.Helper()
	first, us := collectionID(from), scaleTime.UnixMicro()
	s.exec(b, "DELETE FROM revisions WHERE collection_id >= $1 AND create_us >= $2", first, us)
	s.exec(b, "DELETE FROM feedings WHERE collection_id >= $1 AND create_us >= $2", first, us)
	s.exec(b, "DELETE FROM plant_due WHERE collection_id >= $1 AND last_feed_us >= $2", first, us)
	s.exec(b, "UPDATE collections SET due_until = 0 WHERE collection_id >= $1", first)
	if err := s.doors.server.Refresh(b.Context()); err != nil {
		b.Fatal(err)
	}
	if n := s.number(b, "SELECT count(*) FROM plants p WHERE NOT EXISTS (SELECT 1 FROM plant_due d WHERE d.collection_id = p.collection_id AND d.plant_id = p.plant_id) AND collection_id >= $1", first); n > 0 {
		b.Fatalf("of %d plants nothing is kept", n)
	}
}
