package api

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// metered is a server with rates and a clock that stands.
type metered struct {
	*doors
	clock *wound
}

func openMetered(t *testing.T, rates service.Rates) *metered {
	t.Helper()
	m := &metered{clock: &wound{}}
	if err := m.clock.set(""); err != nil {
		t.Fatal(err)
	}
	m.doors = openStore(t, storetest.New(t, store.SQLite), service.Config{Now: m.clock.now, Rates: rates})
	return m
}

func (m *metered) pass(d time.Duration) { m.clock.us.Add(d.Microseconds()) }

// get asks over HTTP with a token, and as from an address if a proxy is trusted.
func (m *metered) get(t *testing.T, path, token, from string) httpAnswer {
	t.Helper()
	header := [][2]string{{"Authorization", ""}, {forwardedForHeader, from}}
	if token != "" {
		header[0][1] = "Bearer " + token
	}
	return m.sendRaw(t, http.MethodGet, path, header, nil)
}

// until makes a call until it is refused, and tells how often it was taken.
func until(t *testing.T, most int, call func() (refused bool)) int {
	t.Helper()
	for n := range most {
		if call() {
			return n
		}
	}
	return most
}

// refusal checks that a call over HTTP was one too many, and returns when to call again.
func refusal(t *testing.T, a httpAnswer) time.Duration {
	t.Helper()
	e, _ := parseJSON(t, a.body).(map[string]any)["error"].(map[string]any)
	if a.status != http.StatusTooManyRequests || e["status"] != "RESOURCE_EXHAUSTED" || errorReason(e) != "TOO_MANY_CALLS" {
		t.Fatalf("status %d: %s", a.status, a.body)
	}
	checkErrorOf(t, a.body)
	for _, detail := range e["details"].([]any) {
		if d := detail.(map[string]any); strings.HasSuffix(d["@type"].(string), "google.rpc.RetryInfo") {
			wait, err := time.ParseDuration(d["retryDelay"].(string))
			if err != nil || wait <= 0 || a.header.Get("Retry-After") != strconv.Itoa(seconds(wait)) {
				t.Fatalf("%v, Retry-After %q beside %s", err, a.header.Get("Retry-After"), a.body)
			}
			return wait
		}
	}
	t.Fatalf("no RetryInfo: %s", a.body)
	return 0
}

// refusalOf does so over gRPC.
func refusalOf(t *testing.T, err error) time.Duration {
	t.Helper()
	s := status.Convert(err)
	if s.Code() != codes.ResourceExhausted || reasonOf(s) != tooManyCalls {
		t.Fatalf("%v", err)
	}
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.RetryInfo); ok && info.GetRetryDelay().AsDuration() > 0 {
			return info.GetRetryDelay().AsDuration()
		}
	}
	t.Fatalf("no RetryInfo: %v", err)
	return 0
}

// A token has its calls over both doors together, and others theirs. After as long as
// the error says it has one more.
func TestCallsOfAToken(t *testing.T) {
	d := openMetered(t, service.Rates{CallsPerToken: 40})
	const other = "dwb_BBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBB"
	if err := addGrower(t.Context(), d.store, "grower-b", other, service.Scopes...); err != nil {
		t.Fatal(err)
	}
	growers := pb.NewGrowerServiceClient(d.conn)
	get := func() error {
		_, err := growers.GetGrower(t.Context(), &pb.GetGrowerRequest{Name: "growers/me"})
		return err
	}
	if n := until(t, 10, func() bool { return d.get(t, "/v1/growers/me", d.token, "").status != http.StatusOK }); n != 10 {
		t.Fatalf("%d calls over HTTP", n)
	}
	if n := until(t, 50, func() bool { return get() != nil }); n != 30 {
		t.Fatalf("%d calls over gRPC, want 30", n)
	}
	wait := refusalOf(t, get())
	if wait != 1500*time.Millisecond { // a minute has 40 calls
		t.Errorf("over gRPC: again in %s", wait)
	}
	if over := refusal(t, d.get(t, "/v1/growers/me", d.token, "")); over != wait {
		t.Errorf("over HTTP: again in %s", over)
	}
	if a := d.get(t, "/v1/growers/me", other, ""); a.status != http.StatusOK {
		t.Errorf("another token: %d %s", a.status, a.body)
	}
	d.pass(wait - time.Millisecond)
	refusalOf(t, get())
	d.pass(time.Millisecond)
	if err := get(); err != nil {
		t.Errorf("after %s: %v", wait, err)
	}
	refusalOf(t, get())
	d.pass(time.Hour)
	if n := until(t, 50, func() bool { return get() != nil }); n != 40 {
		t.Errorf("%d calls after an hour, want 40", n)
	}
	for _, path := range []string{"/v1/serverInfo", "/healthz", "/openapi.json"} {
		if a := d.get(t, path, d.token, ""); a.status != http.StatusOK {
			t.Errorf("%s: %d", path, a.status)
		}
	}
}

// What a call costs shows in how many of them are taken. A write costs two, a heavy call
// more, and a batch what is in it.
func TestCostOfCalls(t *testing.T) {
	compute := func(plants int) func(*testing.T, *metered) error {
		req := &pb.ComputeDueRequest{AsOfDate: "2026-05-11"}
		for i := range plants {
			req.Plants = append(req.Plants, &pb.ComputeDueRequest_Plant{Key: fmt.Sprint(i), TrapType: pb.Taxon_SNAP})
		}
		return func(t *testing.T, d *metered) error {
			_, err := pb.NewDueServiceClient(d.conn).ComputeDue(t.Context(), req)
			return err
		}
	}
	for name, c := range map[string]struct {
		call func(*testing.T, *metered) error
		want int // of 120
	}{
		"read": {func(t *testing.T, d *metered) error {
			_, err := pb.NewTaxonServiceClient(d.conn).ListTaxa(t.Context(), &pb.ListTaxaRequest{PageSize: 1})
			return err
		}, 120},
		"write": {func(t *testing.T, d *metered) error {
			_, err := pb.NewCollectionServiceClient(d.conn).CreateCollection(t.Context(),
				&pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "x", TimeZone: "Europe/Berlin"}})
			return err
		}, 60},
		"small computation":  {compute(1), 60},
		"large computation":  {compute(200), 10}, // 2 + 10
		"largest of request": {compute(1000), 2}, // 2 + 50
		"import": {func(t *testing.T, d *metered) error {
			_, err := pb.NewExchangeServiceClient(d.conn).ImportPlants(t.Context(), &pb.ImportPlantsRequest{
				Parent: "collections/c", Csv: []byte(strings.Repeat("a,b\n", 2*bytesPerCall/4)), ValidateOnly: true,
			})
			if status.Code(err) == codes.NotFound { // as the test has no collection
				return nil
			}
			return err
		}, 5}, // 20 + 2
	} {
		t.Run(name, func(t *testing.T) {
			d := openMetered(t, service.Rates{CallsPerToken: 120})
			var err error
			got := until(t, 200, func() bool { err = c.call(t, d); return err != nil })
			if got != c.want {
				t.Errorf("%d calls, want %d", got, c.want)
			}
			refusalOf(t, err)
		})
	}
}

// A call that costs more than a token has in a minute is taken all the same.
func TestCostlyCallOfSmallRate(t *testing.T) {
	d := openMetered(t, service.Rates{CallsPerToken: 2})
	a := d.sendRaw(t, http.MethodGet, "/v1/collections/c/plants:export", nil, nil)
	if a.status != http.StatusNotFound {
		t.Errorf("status %d: %s", a.status, a.body)
	}
	refusal(t, d.get(t, "/v1/growers/me", d.token, ""))
}

// All costs are of calls that there are, and who sets a rate can pay each.
func TestCosts(t *testing.T) {
	for method := range heavy {
		if _, ok := service.Rules[method]; !ok {
			t.Errorf("%s is no call", method)
		}
	}
	for method := range service.Rules {
		if costs[method] < 1 || costs[method] > 100 {
			t.Errorf("%s costs %d", method, costs[method])
		}
	}
}

// An address has its calls, whatever token they bear and whether there is such a call.
func TestCallsOfAnAddress(t *testing.T) {
	d := openMetered(t, service.Rates{CallsPerAddress: 20, TrustedProxies: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}})
	const here, there = "192.0.2.1", "2001:db8::1"
	paths := []string{"/v1/growers/me", "/healthz", "/openapi.json", "/nowhere", "/v1/serverInfo"}
	i := 0
	next := func() bool {
		i++
		return d.get(t, paths[i%len(paths)], d.token, here).status == http.StatusTooManyRequests
	}
	if n := until(t, 50, next); n != 20 {
		t.Fatalf("%d calls, want 20", n)
	}
	for _, path := range paths {
		if wait := refusal(t, d.get(t, path, d.token, here)); wait != 3*time.Second {
			t.Errorf("%s: again in %s", path, wait)
		}
	}
	if a := d.get(t, "/v1/growers/me", d.token, there); a.status != http.StatusOK {
		t.Errorf("another address: %d", a.status)
	}
	// Over gRPC it is the same address: by a call, the health service, a stream, and a
	// method that is none.
	ctx := metadata.AppendToOutgoingContext(t.Context(), "x-forwarded-for", here)
	_, err := pb.NewGrowerServiceClient(d.conn).GetGrower(ctx, &pb.GetGrowerRequest{Name: "growers/me"})
	refusalOf(t, err)
	_, err = healthpb.NewHealthClient(d.conn).Check(ctx, &healthpb.HealthCheckRequest{})
	refusalOf(t, err)
	_, _, err = d.callRaw(ctx, "/dewbench.v1.DueService/Nothing", nil)
	refusalOf(t, err)
	if _, err := healthpb.NewHealthClient(d.conn).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Errorf("the proxy itself: %v", err)
	}
	// In the process there is no address.
	for range 30 {
		if _, err := pb.NewServerServiceClient(d.server.Conn()).GetServerInfo(t.Context(), &pb.GetServerInfoRequest{}); err != nil {
			t.Fatal(err)
		}
	}
	d.pass(3 * time.Second)
	if a := d.get(t, "/healthz", "", here); a.status != http.StatusOK {
		t.Errorf("after the wait: %d", a.status)
	}
}

// A body is not read for a call that is one too many.
func TestTooManyCallsAreNotRead(t *testing.T) {
	d := openMetered(t, service.Rates{CallsPerAddress: 1})
	d.get(t, "/healthz", "", "")
	refusal(t, d.sendRaw(t, http.MethodPost, "/v1/dueFeedings:compute", [][2]string{{"Content-Encoding", "gzip"}}, []byte("not gzip")))
}

// Who tries tokens is slowed down, over both doors; who has shown a good one lately from
// the same address goes on, and so do calls without a token.
func TestGuessing(t *testing.T) {
	d := openMetered(t, service.Rates{FailuresPerAddress: 6, TrustedProxies: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}})
	const here, there, late = "192.0.2.1", "192.0.2.2", "dwb_CCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCCC"
	if err := addGrower(t.Context(), d.store, "grower-c", late, service.Scopes...); err != nil {
		t.Fatal(err)
	}
	if a := d.get(t, "/v1/growers/me", d.token, here); a.status != http.StatusOK {
		t.Fatalf("%d", a.status)
	}
	guess := func(n int) string { return fmt.Sprintf("dwb_%043d", n) }
	tried := 0
	if n := until(t, 3, func() bool { tried++; return d.get(t, "/v1/growers/me", guess(tried), here).status != 401 }); n != 3 {
		t.Fatalf("%d guesses over HTTP", n)
	}
	bare, err := grpc.NewClient(d.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer bare.Close()
	over := func(token string) error {
		ctx := metadata.AppendToOutgoingContext(t.Context(), "x-forwarded-for", here, "authorization", "Bearer "+token)
		_, err := pb.NewGrowerServiceClient(bare).GetGrower(ctx, &pb.GetGrowerRequest{Name: "growers/me"})
		return err
	}
	if n := until(t, 10, func() bool { tried++; return status.Code(over(guess(tried))) != codes.Unauthenticated }); n != 3 {
		t.Fatalf("%d guesses over gRPC, want 3", n)
	}
	if wait := refusalOf(t, over(guess(0))); wait != 10*time.Second {
		t.Errorf("again in %s", wait)
	}
	refusal(t, d.get(t, "/v1/growers/me", guess(0), here))
	// A good token that was not seen yet could be a guess.
	refusal(t, d.get(t, "/v1/growers/me", late, here))
	// So could the secret of a calendar.
	refusal(t, d.get(t, "/v1/calendars/dwbcal_"+strings.Repeat("x", 43)+"/due.ics", "", here))
	for what, a := range map[string]httpAnswer{
		"a token that was good": d.get(t, "/v1/growers/me", d.token, here),
		"an open call":          d.get(t, "/v1/serverInfo", "", here),
		"another address":       d.get(t, "/v1/growers/me", late, there),
	} {
		if a.status != http.StatusOK {
			t.Errorf("%s: %d %s", what, a.status, a.body)
		}
	}
	if a := d.get(t, "/v1/growers/me", "", here); a.status != http.StatusUnauthorized {
		t.Errorf("no token: %d", a.status)
	}
	// A token that was good and is not any more is forgotten.
	err = d.store.Write(t.Context(), func(tx *store.Tx) error {
		_, err := tx.Grower(d.grower).RevokeToken("all", d.clock.us.Load(), func(*pb.Token) error { return nil })
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if a := d.get(t, "/v1/growers/me", d.token, here); a.status != http.StatusUnauthorized {
		t.Errorf("revoked: %d", a.status)
	}
	refusal(t, d.get(t, "/v1/growers/me", d.token, here))
	d.pass(time.Minute)
	if a := d.get(t, "/v1/growers/me", late, here); a.status != http.StatusOK {
		t.Errorf("after a minute: %d", a.status)
	}
}

// The secrets of calendars and invitations are guessed at as slowly.
func TestGuessingSecrets(t *testing.T) {
	for name, call := range map[string]func(*testing.T, *metered) httpAnswer{
		"calendar": func(t *testing.T, d *metered) httpAnswer {
			return d.get(t, "/v1/calendars/dwbcal_"+strings.Repeat("x", 43)+"/due.ics", "", "")
		},
		"invitation": func(t *testing.T, d *metered) httpAnswer {
			return d.sendRaw(t, http.MethodPost, "/v1/invitations:accept", nil, []byte(`{"secret": "dwbinv_`+strings.Repeat("x", 43)+`"}`))
		},
	} {
		t.Run(name, func(t *testing.T) {
			d := openMetered(t, service.Rates{FailuresPerAddress: 4})
			if a := d.get(t, "/v1/growers/me", d.token, ""); a.status != http.StatusOK {
				t.Fatalf("%d", a.status)
			}
			n := until(t, 10, func() bool {
				a := call(t, d)
				if a.status != http.StatusNotFound && a.status != http.StatusTooManyRequests {
					t.Fatalf("status %d: %s", a.status, a.body)
				}
				return a.status != http.StatusNotFound
			})
			if n != 4 {
				t.Errorf("%d guesses, want 4", n)
			}
			refusal(t, call(t, d))
		})
	}
}

// The log is told once a minute of whom calls are refused, not of each.
func TestLogOfTooManyCalls(t *testing.T) {
	d := openMetered(t, service.Rates{CallsPerToken: 2, CallsPerAddress: 8, FailuresPerAddress: 1})
	for range 20 {
		d.get(t, "/v1/growers/me", d.token, "")
	}
	d.pass(time.Minute)
	for range 20 {
		d.get(t, "/v1/growers/me", d.token, "")
	}
	d.get(t, "/v1/growers/me", d.token, "192.0.2.77")
	var told []string
	for line := range strings.Lines(d.log.String()) {
		switch {
		case strings.Contains(line, `"msg":"too many`), strings.Contains(line, "trusted-proxies"):
			told = append(told, line)
		case strings.Contains(line, "TOO_MANY_CALLS") && !strings.Contains(line, `"level":"DEBUG"`):
			t.Errorf("told of each: %s", line)
		case strings.Contains(line, "127.0.0.1"):
			t.Errorf("an address: %s", line)
		}
	}
	want := []string{
		`"msg":"too many calls","token":"all","refused":1}`,
		`"msg":"too many calls","address":"127.0.0.1","refused":1}`,
		`"msg":"too many calls","token":"all","refused":6}`,
		`"msg":"too many calls","address":"127.0.0.1","refused":12}`,
		`"address":"127.0.0.1"}`, // plays a proxy
	}
	if len(told) != len(want) {
		t.Fatalf("%q", told)
	}
	for i, line := range told {
		if !strings.Contains(line, want[i]) {
			t.Errorf("%s, want %s", line, want[i])
		}
	}
}

// Without rates nothing is counted.
func TestNoRates(t *testing.T) {
	if m := newMeter(service.Rates{TrustedProxies: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}}, nil, slog.New(slog.DiscardHandler)); m != nil {
		t.Error("a meter that counts nothing")
	}
}

// In no stretch of time are more calls taken than a bucket holds and gets meanwhile, in
// whatever order they come, many at once; and who waits as long as told is taken.
func TestBucketsKeepTheirRate(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	for range 40 {
		perMinute := 1 + random.IntN(200)
		b := newBuckets[int](perMinute, "token", "calls")
		now := fixtureTime
		var taken []time.Time
		for range 300 {
			now = now.Add(time.Duration(random.ExpFloat64() * float64(time.Minute) / float64(perMinute) / 3))
			cost := 1 + random.IntN(min(perMinute, 5))
			wait := b.take(1, cost, now)
			if wait > 0 && random.IntN(2) == 0 {
				if now = now.Add(wait); b.take(1, cost, now) != 0 {
					t.Fatalf("%d a minute: not taken after a wait of %s", perMinute, wait)
				}
				wait = 0
			}
			if wait == 0 {
				taken = append(taken, slices.Repeat([]time.Time{now}, cost)...)
			}
		}
		for i := range taken {
			for k := i; k < len(taken); k++ {
				if most := float64(perMinute) * (1 + taken[k].Sub(taken[i]).Minutes()); float64(k-i+1) > most+1e-3 {
					t.Fatalf("%d a minute: %d calls in %s", perMinute, k-i+1, taken[k].Sub(taken[i]))
				}
			}
		}
	}
}

// However many addresses call, few are kept, and of those that call on none is lost.
func TestBucketsAreFew(t *testing.T) {
	b := newBuckets[netip.Addr](10, "address", "calls")
	now := fixtureTime
	busy := netip.MustParseAddr("192.0.2.1")
	for range 10 {
		b.take(busy, 1, now)
	}
	at := netip.MustParseAddr("10.0.0.0")
	for range 10 * mostKept {
		at = at.Next()
		b.take(at, 1, now)
		if at.As4()[3] == 0 && b.take(busy, 1, now) == 0 {
			t.Fatal("the bucket of who calls on was lost")
		}
		if kept := len(b.all.young) + len(b.all.old); kept > mostKept {
			t.Fatalf("%d are kept", kept)
		}
	}
	b.take(at, 1, now.Add(bucketIdle))
	b.take(at, 1, now.Add(2*bucketIdle))
	if kept := len(b.all.young) + len(b.all.old); kept != 1 {
		t.Errorf("%d are kept that nobody uses", kept)
	}
}

// Many calls at once take no more than one after the other.
func TestBucketsAtOnce(t *testing.T) {
	b := newBuckets[string](100, "token", "calls")
	taken := make(chan int, 8)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			n := 0
			for range 100 {
				if b.take("a", 1, fixtureTime) == 0 {
					n++
				}
			}
			taken <- n
		})
	}
	all.Wait()
	close(taken)
	sum := 0
	for n := range taken {
		sum += n
	}
	if sum != 100 {
		t.Errorf("%d calls, want 100", sum)
	}
}

// BenchmarkMeter measures what it costs a call to be counted, for its address and for its
// token, and to find its address behind proxies.
func BenchmarkMeter(b *testing.B) {
	log := slog.New(slog.DiscardHandler)
	m := newMeter(service.Rates{CallsPerToken: 1e9, CallsPerAddress: 1e9, FailuresPerAddress: 30}, nil, log)
	const method = pb.GrowerService_GetGrower_FullMethodName
	shown := []string{"Bearer " + testSecret}
	rows := storetest.New(b, store.SQLite)
	if err := addGrower(b.Context(), rows, "grower-a", testSecret, service.Scopes...); err != nil {
		b.Fatal(err)
	}
	services, err := service.New(b.Context(), service.Config{Store: rows, Blobs: storetest.Blobs(b), Log: log, Version: "1.2.3"})
	if err != nil {
		b.Fatal(err)
	}
	ctx, err := services.Access.Admit(b.Context(), method, shown)
	if err != nil {
		b.Fatal(err)
	}
	address := netip.MustParseAddr("192.0.2.1")
	b.Run("count", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			a := &arrival{address: address}
			ctx := context.WithValue(ctx, arrivalKey{}, a)
			if err := m.arrive(a, method); err != nil {
				b.Fatal(err)
			}
			if err := m.mayTry(ctx, method, shown); err != nil {
				b.Fatal(err)
			}
			if err := m.spend(ctx, method, shown); err != nil {
				b.Fatal(err)
			}
		}
	})
	trusted := trusting("10.0.0.0/8")
	proxy, header := netip.MustParseAddr("10.0.0.1"), []string{"192.0.2.1, 10.0.0.2"}
	b.Run("behind-proxies", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			trusted.whence(proxy, header, nil)
		}
	})
}
