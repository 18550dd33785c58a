package api

import (
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/store"
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
