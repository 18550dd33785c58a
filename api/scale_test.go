package api

import (
	"context"
	"database/sql/driver"
	"encoding/hex"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// pageRows is the size of the pages that are listed.
const pageRows = service.UsualPageSize

// BenchmarkScale measures the server on both engines beside what does the same by hand,
// with as many plants as DEWBENCH_SCALE says: 1000 unless it is set, which shows that it
// runs, and nothing else. Beside one another means in turns, in one run; a ratio is the
// median of those of the turns. At the end it prints a table. DEVELOPERS.md tells more.
//
//	DEWBENCH_SCALE=1000000 DEWBENCH_SCALE_CACHE=/var/tmp/scale \
//	  go test ./api -run xxx -bench Scale -benchtime 1x -timeout 2h
func BenchmarkScale(b *testing.B) {
	size := scaleSize(b)
	server := scaleServer(b)
	for _, engine := range []store.Engine{store.Postgres, store.SQLite} {
		b.Run(string(engine), func(b *testing.B) {
			s := openScaled(b, engine, server, size)
			first, second, large := s.pages(b)
			for _, clients := range []int{1, 8} {
				for _, list := range []struct {
					name  string
					pages []*askedPage
				}{{"list with totals", first}, {"list without totals", second}, {fmt.Sprintf("list of one collection of %d, with totals", s.large), large}} {
					b.Run(fmt.Sprintf("%s/clients=%d", list.name, clients), func(b *testing.B) { s.list(b, list.name, clients, list.pages) })
				}
			}
			b.Run("growth", func(b *testing.B) { s.growth(b, server) })
			for _, clients := range []int{1, 8} {
				b.Run(fmt.Sprintf("record a feeding/clients=%d", clients), func(b *testing.B) { s.recording(b, clients) })
			}
			b.Run("session", s.sessions)
			b.Run("batch", s.batch)
			b.Run("recompute", s.recompute)
		})
	}
	printTable(size)
}

// pages asks for full pages of collections that are only read: for first ones, which have
// totals, for second ones, which have none, and for the first of the large collection.
func (s *scaled) pages(b *testing.B) (first, second, large []*askedPage) {
	b.Helper()
	x := s.spy(b)
	for i := 0; i < s.read() && len(second) < 300; i++ {
		c := i * max(1, s.read()/400) // from all over the tables
		if c >= s.read() {
			break
		}
		parent := store.CollectionName(collectionID(c))
		whole := x.askFor(b, c, &pb.ListDueFeedingsRequest{Parent: parent, PageSize: pageRows})
		few := x.askFor(b, c, &pb.ListDueFeedingsRequest{Parent: parent, PageSize: 10})
		if len(whole.answer.GetDueFeedings()) < pageRows {
			continue
		}
		if next := x.askFor(b, c, &pb.ListDueFeedingsRequest{Parent: parent, PageSize: pageRows, PageToken: few.answer.GetNextPageToken()}); len(next.answer.GetDueFeedings()) == pageRows {
			first, second = append(first, whole), append(second, next)
		}
	}
	if len(first) == 0 {
		b.Fatalf("none of the collections has a full page")
	}
	statuses := map[pb.DueFeeding_Status]bool{}
	for _, a := range first {
		for _, t := range a.answer.GetTotals() {
			statuses[t.GetStatus()] = true
		}
	}
	if len(statuses) < 4 {
		b.Fatalf("the lists have the statuses %v only", slices.Sorted(maps.Keys(statuses)))
	}
	large = append(large, x.askFor(b, s.ordinary, &pb.ListDueFeedingsRequest{Parent: store.CollectionName(collectionID(s.ordinary)), PageSize: pageRows}))
	if err := x.stop(); err != nil {
		b.Fatal(err)
	}
	s.hand(b, first, second, large).check(b)
	return first, second, large
}

// list measures the list.
func (s *scaled) list(b *testing.B, what string, clients int, pages []*askedPage) {
	h := s.hand(b, pages)
	handGRPC, handHTTP := h.serve(b)
	stock := stockGateway(b, s.doors.server)
	for b.Loop() {
		r := paceOf(s.size).race(b, clients,
			listOverGRPC(b, "grpc", s.doors.grpcAddr, clients, pages),
			listOverGRPC(b, "grpc-by-hand", handGRPC, clients, pages),
			calling("native", onePage(pages, func(_ int, a *askedPage) error { return s.native(context.Background(), a) })),
			listOverHTTP(b, "http", s.doors.url(""), pages),
			listOverHTTP(b, "stock-gateway", stock, pages),
			listOverHTTP(b, "http-by-hand", handHTTP, pages))
		engine, goals := string(s.engine), map[bool][4]string{true: {"0.85", "0.35", "1.2, later 1.8", "later 0.8"}, false: {"-", "-", "-", "-"}}[s.engine == store.Postgres && clients == 8]
		versus(b, engine, what+", gRPC", clients, r[0], r[1], goals[0])
		versus(b, engine, what+", gRPC", clients, r[0], r[2], goals[1])
		versus(b, engine, what+", HTTP", clients, r[3], r[4], goals[2])
		versus(b, engine, what+", HTTP", clients, r[3], r[5], goals[3])
	}
}

// growth measures how the list of an ordinary collection slows down as plants become more.
func (s *scaled) growth(b *testing.B, server string) {
	var all []contender
	var sizes []int
	add := func(x *scaled) {
		first, _, _ := x.pages(b)
		sizes = append(sizes, x.size)
		all = append(all, listOverGRPC(b, fmt.Sprintf("of %d", x.size), x.doors.grpcAddr, 1, first))
	}
	for size := 1000; size < s.size; size *= 10 {
		add(openScaled(b, s.engine, server, size))
	}
	add(s)
	for b.Loop() {
		r := paceOf(s.size).race(b, 1, all...)
		for i, x := range r {
			ratio := x.p50().Seconds() / r[0].p50().Seconds()
			b.ReportMetric(ratio, fmt.Sprintf("p50-of-%d", sizes[i]))
			if i > 0 {
				tell(string(s.engine), fmt.Sprintf("list with totals, of %d plants in all", sizes[i]), 1, rates(x), fmt.Sprintf("p50 %.2f x", ratio), fmt.Sprintf("the same of %d", sizes[0]), rates(r[0]), "at most 1.3 x")
			}
		}
	}
}

// written draws a collection that is written to, and one of its plants.
func (s *scaled) written(r *rand.Rand) (collection, plant int) {
	return s.read() + r.IntN(s.ordinary-s.read()), r.IntN(80)
}

// recording measures CreateFeeding, on Postgres beside pgbench with the same statements.
func (s *scaled) recording(b *testing.B, clients int) {
	defer s.restore(b, s.read())
	var calls []pb.FeedingServiceClient
	for _, conn := range connect(b, s.doors.grpcAddr, clients) {
		calls = append(calls, pb.NewFeedingServiceClient(conn))
	}
	all := []contender{calling("grpc", func(client int, r *rand.Rand) error {
		c, p := s.written(r)
		_, err := calls[client].CreateFeeding(metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+scaleSecret(c)),
			&pb.CreateFeedingRequest{Parent: store.PlantName(collectionID(c), plantID(p)), Feeding: &pb.Feeding{}})
		return err
	})}
	if s.engine == store.Postgres {
		all = append(all, s.pgbench(b, s.feedingScript(b)))
	}
	for b.Loop() {
		pace := paceOf(s.size)
		pace.turn *= 2 // pgbench has to connect first
		r := pace.race(b, clients, all...)
		if len(r) > 1 {
			versus(b, string(s.engine), "record a feeding, gRPC", clients, r[0], r[1], "0.4")
			continue
		}
		b.ReportMetric(r[0].perSecond(), "calls/s")
		tell(string(s.engine), "record a feeding, gRPC", clients, rates(r[0]), "-", "-", "-", "-")
	}
}

// feedingScript returns a script for pgbench with the transaction of CreateFeeding, for a
// random plant each time. What the server keeps of the plant is that of one of them.
func (s *scaled) feedingScript(b *testing.B) string {
	b.Helper()
	x := s.spy(b)
	type sample struct {
		collection, plant int
		feeding           string
		sent              []sentStatement
	}
	samples, times := map[string]sample{}, map[string]int{}
	usual := ""
	r := rand.New(rand.NewPCG(7, 7))
	calls := pb.NewFeedingServiceClient(x.conn)
	for range 40 {
		c, p := s.written(r)
		x.take()
		m, err := calls.CreateFeeding(metadata.AppendToOutgoingContext(b.Context(), "authorization", "Bearer "+scaleSecret(c)),
			&pb.CreateFeedingRequest{Parent: store.PlantName(collectionID(c), plantID(p)), Feeding: &pb.Feeding{}})
		if err != nil {
			b.Fatal(err)
		}
		// Whose the token is the server remembers for a while: only what every call sends.
		sent, kinds := x.take(), ""
		for i, one := range slices.Backward(sent) {
			if one.sql == "BEGIN" {
				sent = sent[i:]
				break
			}
		}
		for _, one := range sent {
			kinds += one.sql + "\n"
		}
		samples[kinds] = sample{c, p, store.Segment(m.GetName(), "feedings"), sent}
		if times[kinds]++; times[kinds] > times[usual] {
			usual = kinds
		}
	}
	if err := x.stop(); err != nil {
		b.Fatal(err)
	}
	one := samples[usual]
	scaleNote("record a feeding: %d statements, BEGIN and COMMIT among them; %d of 40 calls send the same", len(one.sent), times[usual])
	id := func(kind byte, of string) string {
		text := scaleID(kind, 0)
		return "('" + text[:len(text)-12] + "' || lpad(:" + of + "::text, 12, '0'))"
	}
	known := map[string]string{
		collectionID(one.collection): id('c', "c"), growerID(one.collection): id('a', "c"), scaleID('d', one.collection): id('d', "c"),
		plantID(one.plant): id('b', "p"), one.feeding: "lpad(:n::text, 36, '0')",
	}
	var script strings.Builder
	fmt.Fprintf(&script, "\\set c random(%d, %d)\n\\set p random(0, 79)\n\\set n random(1, 9000000000000000)\n", s.read(), s.ordinary-1)
	for _, x := range one.sent {
		if x.sql == "BEGIN" {
			x.sql = "BEGIN ISOLATION LEVEL READ COMMITTED"
		}
		text := parameter.ReplaceAllStringFunc(x.sql, func(p string) string {
			n, _ := strconv.Atoi(p[1:]) // digits
			return literal(b, x.args[n-1], known)
		})
		fmt.Fprintf(&script, "%s;\n", strings.ReplaceAll(text, "\n", " "))
	}
	file := filepath.Join(b.TempDir(), "feeding.sql")
	if err := os.WriteFile(file, []byte(script.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	return file
}

var parameter = regexp.MustCompile(`\$\d+`)

// literal writes an argument as SQL, or what is known to stand for it.
func literal(b *testing.B, arg any, known map[string]string) string {
	b.Helper()
	value, err := driver.DefaultParameterConverter.ConvertValue(arg)
	if err != nil {
		b.Fatalf("%T: %v", arg, err)
	}
	switch v := value.(type) {
	case nil:
		return "NULL"
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		return strconv.FormatFloat(v, 'g', -1, 64)
	case bool:
		return strconv.FormatBool(v)
	case []byte:
		return `'\x` + hex.EncodeToString(v) + `'::bytea`
	case string:
		if text, ok := known[v]; ok {
			return text
		}
		// A colon would begin a variable of pgbench.
		return "E'" + strings.NewReplacer(`\`, `\\`, `'`, `''`, `:`, `\x3a`).Replace(v) + "'"
	}
	b.Fatalf("no literal for a %T", value)
	return ""
}

// pgbench is a contender that runs a script.
func (s *scaled) pgbench(b *testing.B, script string) contender {
	b.Helper()
	program, err := storetest.Program("pgbench")
	if err != nil {
		b.Skipf("pgbench is not installed, which Postgres brings (postgresql-contrib on some systems): %v", err)
	}
	return contender{"pgbench", func(clients int, d time.Duration) (lap, error) {
		length := []string{"-T", strconv.Itoa(int(d.Seconds() + 0.5))}
		if d < 500*time.Millisecond {
			length = []string{"-t", strconv.Itoa(int(d.Milliseconds()))} // it takes whole seconds only
		}
		args := append([]string{"-n", "-M", "prepared", "-c", strconv.Itoa(clients), "-j", strconv.Itoa(min(clients, 2)), "-f", script}, length...)
		before := s.number(b, "SELECT count(*) FROM feedings WHERE feeding_id < '01' AND collection_id >= $1", collectionID(s.read()))
		out, err := exec.Command(program, append(args, s.url)...).CombinedOutput()
		if err != nil {
			return lap{}, fmt.Errorf("pgbench: %w: %s", err, out)
		}
		var l lap
		var perSecond, mean float64
		for line := range strings.Lines(string(out)) {
			_, _ = fmt.Sscanf(line, "number of transactions actually processed: %d", &l.done) // other lines do not match
			_, _ = fmt.Sscanf(line, "tps = %f", &perSecond)
			_, _ = fmt.Sscanf(line, "latency average = %f ms", &mean)
		}
		after := s.number(b, "SELECT count(*) FROM feedings WHERE feeding_id < '01' AND collection_id >= $1", collectionID(s.read()))
		if perSecond == 0 || l.done == 0 || after-before != int64(l.done) {
			return l, fmt.Errorf("pgbench wrote %d feedings, and says:\n%s", after-before, out)
		}
		l.took, l.mean = time.Duration(float64(l.done)/perSecond*1e9), time.Duration(mean*1e6)
		return l, nil
	}}
}

// sessions measures RecordSession for a bench of 60, all due.
func (s *scaled) sessions(b *testing.B) {
	calls := pb.NewSessionServiceClient(connect(b, s.doors.grpcAddr, 1)[0])
	for b.Loop() {
		var took []time.Duration
		for i := range sessionCollections {
			c := s.session(i)
			began := time.Now()
			answer, err := calls.RecordSession(metadata.AppendToOutgoingContext(b.Context(), "authorization", "Bearer "+scaleSecret(c)),
				&pb.RecordSessionRequest{Name: store.BenchName(collectionID(c), "bench-0")})
			took = append(took, time.Since(began))
			if err != nil || len(answer.GetFeedings()) != sessionPlants {
				b.Fatalf("%d feedings: %v", len(answer.GetFeedings()), err)
			}
		}
		b.ReportMetric(median(took).Seconds()*1e3, "ms/session")
		tell(string(s.engine), fmt.Sprintf("a session of %d plants, gRPC", sessionPlants), 1, briefly(median(took)), "-", "-", "-", "-")
		s.restore(b, s.session(0))
	}
}

// batch measures BatchCreateFeedings of 1,000 in the large collection beside COPY of the
// same rows or, on SQLite, inserts of 100 rows in one transaction.
func (s *scaled) batch(b *testing.B) {
	const rows = 1000
	defer s.restore(b, s.ordinary)
	calls := pb.NewFeedingServiceClient(connect(b, s.doors.grpcAddr, 1)[0])
	collection := collectionID(s.ordinary)
	ctx := metadata.AppendToOutgoingContext(b.Context(), "authorization", "Bearer "+scaleSecret(s.ordinary))
	n := 0
	for b.Loop() {
		var ours, theirs, ratios []float64
		for turn := range 8 {
			req := &pb.BatchCreateFeedingsRequest{Parent: store.PlantName(collection, "-")}
			for i := range rows {
				req.Requests = append(req.Requests, &pb.CreateFeedingRequest{
					Parent: store.PlantName(collection, plantID((n*rows+i)%s.large)), FeedingId: fmt.Sprintf("batch-%d-%d", n, i),
					Feeding: &pb.Feeding{FedTime: timestamppb.New(s.clock()), TrapsFed: proto.Int32(2)},
				})
			}
			began := time.Now()
			if _, err := calls.BatchCreateFeedings(ctx, req); err != nil {
				b.Fatal(err)
			}
			took := time.Since(began).Seconds()
			copied := s.copied(b, fmt.Sprintf("batch-%d-", n), rows)
			n++
			if turn == 0 {
				continue // it warms up
			}
			ours, theirs, ratios = append(ours, took), append(theirs, copied), append(ratios, copied/took)
		}
		beside := map[store.Engine]string{store.Postgres: "COPY of the same rows", store.SQLite: "inserts of 100 rows each"}[s.engine]
		b.ReportMetric(median(ratios), "of-copy")
		tell(string(s.engine), fmt.Sprintf("batch of %d feedings, gRPC", rows), 1, fmt.Sprintf("%.0f rows/s, %.0f ms", rows/median(ours), median(ours)*1e3), fmt.Sprintf("%.3f", median(ratios)),
			beside, fmt.Sprintf("%.0f rows/s, %.1f ms", rows/median(theirs), median(theirs)*1e3), map[store.Engine]string{store.Postgres: "0.25", store.SQLite: "-"}[s.engine])
	}
}

// feedingColumns are those of the table that are not always NULL here.
const feedingColumns = "collection_id, plant_id, feeding_id, fed_us, traps_fed, traps_target, food, thaw, outcome, outcome_us, note, feeder, traps, recorder_id, create_us, update_us, version, stamp"

// copied writes rows of feedings of the large collection once more, with other ids, and
// returns how many seconds that took.
func (s *scaled) copied(b *testing.B, prefix string, want int) float64 {
	b.Helper()
	ctx, columns := b.Context(), strings.Split(feedingColumns, ", ")
	query := "SELECT " + feedingColumns + " FROM feedings WHERE collection_id = $1 AND feeding_id LIKE $2"
	var rows [][]any
	if s.engine == store.Postgres {
		found, err := s.pg.Query(ctx, query, collectionID(s.ordinary), prefix+"%")
		if err != nil {
			b.Fatal(err)
		}
		if rows, err = pgx.CollectRows(found, func(r pgx.CollectableRow) ([]any, error) { return r.Values() }); err != nil {
			b.Fatal(err)
		}
	} else {
		found, err := s.lite.QueryContext(ctx, query, collectionID(s.ordinary), prefix+"%")
		if err != nil {
			b.Fatal(err)
		}
		defer found.Close()
		for found.Next() {
			row, to := make([]any, len(columns)), make([]any, len(columns))
			for i := range row {
				to[i] = &row[i]
			}
			if err := found.Scan(to...); err != nil {
				b.Fatal(err)
			}
			rows = append(rows, row)
		}
		if err := found.Err(); err != nil {
			b.Fatal(err)
		}
	}
	if len(rows) != want {
		b.Fatalf("the batch wrote %d rows", len(rows))
	}
	for _, row := range rows {
		row[2] = "copy-" + row[2].(string)
	}
	began := time.Now()
	if s.engine == store.Postgres {
		if _, err := s.pg.CopyFrom(ctx, pgx.Identifier{"feedings"}, columns, pgx.CopyFromRows(rows)); err != nil {
			b.Fatal(err)
		}
		return time.Since(began).Seconds()
	}
	tx, err := s.lite.BeginTx(ctx, nil)
	if err != nil {
		b.Fatal(err)
	}
	one := ", (?" + strings.Repeat(", ?", len(columns)-1) + ")"
	for some := range slices.Chunk(rows, 100) {
		if _, err := tx.ExecContext(ctx, "INSERT INTO feedings ("+feedingColumns+") VALUES "+strings.Repeat(one, len(some))[2:], slices.Concat(some...)...); err != nil {
			b.Fatal(err)
		}
	}
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
	return time.Since(began).Seconds()
}

// recompute measures how long all plants of collections take, 100,000 at most, after a
// setting of each has changed, and how long lists of them take before and meanwhile.
func (s *scaled) recompute(b *testing.B) {
	collections, plants := 0, 0
	for ; collections < s.read() && plants < 100_000; collections++ {
		plants += s.plants(collections)
	}
	client := pb.NewDueServiceClient(connect(b, s.doors.grpcAddr, 1)[0])
	list := calling("list", func(_ int, r *rand.Rand) error {
		c := r.IntN(collections)
		_, err := client.ListDueFeedings(metadata.AppendToOutgoingContext(context.Background(), "authorization", "Bearer "+scaleSecret(c)),
			&pb.ListDueFeedingsRequest{Parent: store.CollectionName(collectionID(c)), PageSize: pageRows})
		return err
	})
	// As a change of a regimen of the collection counts: the rows stay, and are stale.
	change, stale := "UPDATE collections SET settings_rev = settings_rev + 1 WHERE collection_id < $1", "SELECT count(*) FROM collections WHERE due_rev <> settings_rev"
	for b.Loop() {
		before := paceOf(s.size).race(b, 1, list)[0]
		s.exec(b, change, collectionID(collections))
		if n := s.number(b, stale); n != int64(collections) {
			b.Fatalf("%d of %d collections are stale", n, collections)
		}
		ended := make(chan error, 1)
		began := time.Now()
		var took time.Duration
		go func() {
			err := s.doors.server.RefreshDue(context.Background())
			took = time.Since(began)
			ended <- err
		}()
		meanwhile := &result{name: "meanwhile"}
		for over := false; !over; {
			l, err := list.run(1, 10*time.Millisecond)
			if err != nil {
				b.Fatal(err)
			}
			meanwhile.calls = append(meanwhile.calls, l.calls...)
			select {
			case err := <-ended:
				if err != nil {
					b.Fatal(err)
				}
				over = true
			default:
			}
		}
		if n := s.number(b, stale); n > 0 {
			b.Fatalf("%d collections are stale still", n)
		}
		b.ReportMetric(float64(plants)/took.Seconds(), "plants/s")
		b.ReportMetric(meanwhile.p50().Seconds()/before.p50().Seconds(), "p50-meanwhile")
		tell(string(s.engine), fmt.Sprintf("decide anew about %d plants, a client listing meanwhile", plants), "-", fmt.Sprintf("%.0f plants/s, %s in all", float64(plants)/took.Seconds(), briefly(took)), "-", "-", "-", "-")
		tell(string(s.engine), "list with totals meanwhile, gRPC", 1, fmt.Sprintf("p50 %s, p99 %s", briefly(meanwhile.p50()), briefly(meanwhile.quantile(0.99))),
			fmt.Sprintf("p50 %.1f x", meanwhile.p50().Seconds()/before.p50().Seconds()), "the same before", fmt.Sprintf("p50 %s, p99 %s", briefly(before.p50()), briefly(before.quantile(0.99))), "-")
	}
}
