package api

import (
	"cmp"
	"context"
	"fmt"
	"hash/maphash"
	"log/slog"
	"math"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// meter counts calls, so that nobody takes the server from the others: by the address
// that they come from, before anything else is looked at; how many of an address failed
// for a wrong token or secret, so that guessing is slow; and by the token, once it is
// known, where heavy calls count for more than one. Each is a bucket (rate.Limiter) that
// holds the calls of a minute and fills in a minute. A nil meter counts nothing.
type meter struct {
	now     func() time.Time
	log     *slog.Logger
	proxies []netip.Prefix

	addresses *buckets[netip.Addr] // nil: as many calls as come; so the other two
	failures  *buckets[netip.Addr]
	tokens    *buckets[caller]

	// known are digests of the authorizations that were good lately. A household with a
	// script that goes on with a revoked token shares its address, and must not be shut
	// out for it.
	known *lately[uint64, struct{}]
	seed  maphash.Seed // of the digests, so that nobody makes two of one

	strangeProxy sync.Once
}

const (
	// mostKept is how many addresses, and how many tokens, are kept at once: some
	// megabytes. What is crowded out begins anew.
	mostKept = 1 << 15
	// bucketIdle is after how long without a call a bucket is dropped: it is full then.
	bucketIdle = 2 * time.Minute
	// knownFor is how long a good authorization is known at least.
	knownFor = time.Hour
)

func newMeter(rates service.Rates, now func() time.Time, log *slog.Logger) *meter {
	if rates.CallsPerToken == 0 && rates.CallsPerAddress == 0 && rates.FailuresPerAddress == 0 {
		return nil
	}
	if now == nil {
		now = time.Now
	}
	return &meter{
		now: now, log: log, proxies: rates.TrustedProxies,
		addresses: newBuckets[netip.Addr](rates.CallsPerAddress, "address", "calls"),
		failures:  newBuckets[netip.Addr](rates.FailuresPerAddress, "address", "calls with a wrong token or secret"),
		tokens:    newBuckets[caller](rates.CallsPerToken, "token", "calls"),
		known:     newLately[uint64, struct{}](mostKept, knownFor),
		seed:      maphash.MakeSeed(),
	}
}

// heavy are the calls that cost more than others of their kind, in calls that read.
// Those of a calendar bear no token: they cost their address so much.
var heavy = map[string]int{
	pb.CalendarService_GetDueCalendar_FullMethodName:     5,
	pb.DueService_ComputeDue_FullMethodName:              2, // and see entries
	pb.PlanService_GetDayPlan_FullMethodName:             5,
	pb.WatchService_GetWatchList_FullMethodName:          5,
	pb.SessionService_RecordSession_FullMethodName:       10,
	pb.SessionService_RecordOutcomes_FullMethodName:      10,
	pb.SessionService_MovePlants_FullMethodName:          10,
	pb.SessionService_HoldPlants_FullMethodName:          10,
	pb.SessionService_Undo_FullMethodName:                10,
	pb.SheetService_CreateSheet_FullMethodName:           10,
	pb.SheetService_PrintSheet_FullMethodName:            10,
	pb.SheetService_PrintLabels_FullMethodName:           10,
	pb.ExchangeService_ImportPlants_FullMethodName:       20,
	pb.ExchangeService_ImportFeedings_FullMethodName:     20,
	pb.ExchangeService_ImportObservations_FullMethodName: 20,
	pb.ExchangeService_ExportPlants_FullMethodName:       20,
	pb.ExchangeService_ExportFeedings_FullMethodName:     20,
	pb.ExchangeService_ExportObservations_FullMethodName: 20,
	pb.PhotoService_CreatePhoto_FullMethodName:           10,
	pb.PhotoService_UploadPhoto_FullMethodName:           10,
	pb.PhotoService_MeasureRosette_FullMethodName:        20,
	pb.PhotoService_GetPhotoStrip_FullMethodName:         20,
	pb.ArchiveService_ExportArchive_FullMethodName:       20,
	pb.ArchiveService_ImportArchive_FullMethodName:       100,
}

// costs are what all calls cost, but for what is in their requests.
var costs = func() map[string]int {
	all := make(map[string]int, len(service.Rules))
	for method, rule := range service.Rules {
		switch cost, listed := heavy[method]; {
		case listed:
			all[method] = cost
		case rule.Open || rule.Scope == service.ScopeRead:
			all[method] = 1
		default: // it writes
			all[method] = 2
		}
	}
	return all
}()

// entriesPerCall is how many entries of a request cost as much as a call that reads,
// bytesPerCall how many bytes of a table.
const (
	entriesPerCall = 20
	bytesPerCall   = 64 << 10
)

// contentCost is what a request costs for what is in it.
func contentCost(req any) int {
	switch r := req.(type) {
	case *pb.ComputeDueRequest:
		return len(r.GetPlants()) / entriesPerCall
	case *pb.BatchCreatePlantsRequest:
		return len(r.GetRequests()) / entriesPerCall
	case *pb.BatchUpdatePlantsRequest:
		return len(r.GetRequests()) / entriesPerCall
	case *pb.BatchCreateFeedingsRequest:
		return len(r.GetRequests()) / entriesPerCall
	case *pb.BatchUpdateFeedingsRequest:
		return len(r.GetRequests()) / entriesPerCall
	case *pb.BatchCreateObservationsRequest:
		return len(r.GetRequests()) / entriesPerCall
	case *pb.BatchUpdateObservationsRequest:
		return len(r.GetRequests()) / entriesPerCall
	case interface{ GetCsv() []byte }:
		return len(r.GetCsv()) / bytesPerCall
	}
	return 0
}

// guesses tells whether a call opens something by a secret in its request, which one may
// guess at.
func guesses(method string) bool {
	return service.Rules[method].Secret || method == pb.InvitationService_AcceptInvitation_FullMethodName
}

// failedGuess tells whether a call ended as it does with a wrong token or secret.
func failedGuess(method string, err error) bool {
	switch service.ReasonOf(err) {
	case service.TokenInvalid, service.TokenExpired:
		return true
	case service.CalendarNotFound, service.InvitationNotFound:
		return guesses(method)
	}
	return false
}

// byAddress is the part of the chain that counts calls by where they come from.
func (m *meter) byAddress(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if m == nil {
		return next(ctx, req)
	}
	a := arrivalOf(ctx)
	if a == nil {
		if a = m.arriveByGRPC(ctx); a == nil {
			return next(ctx, req)
		}
		ctx = context.WithValue(ctx, arrivalKey{}, a)
	}
	if err := m.arrive(a, info.FullMethod); err != nil {
		return nil, err
	}
	answer, err := next(ctx, req)
	if err != nil && failedGuess(info.FullMethod, err) {
		m.failures.take(a.address, 1, m.now())
	}
	return answer, err
}

// streamByAddress counts a stream. Calls in the context that it returns are counted with
// it.
func (m *meter) streamByAddress(ctx context.Context, method string) (context.Context, error) {
	if m == nil {
		return ctx, nil
	}
	a := m.arriveByGRPC(ctx)
	if a == nil {
		return ctx, nil
	}
	return context.WithValue(ctx, arrivalKey{}, a), m.arrive(a, method)
}

// arrive counts a call for its address, once, or tells that it is one too many.
func (m *meter) arrive(a *arrival, method string) error {
	if m == nil || a.counted {
		return nil
	}
	a.counted = true
	cost := 1
	if service.Rules[method].Secret {
		cost = costs[method]
	}
	if wait := m.addresses.take(a.address, cost, m.now()); wait > 0 {
		m.addresses.note(m, a.address, a.address.String())
		return tooManyOf(m.addresses, wait)
	}
	return nil
}

// mayTry tells why a call may not try the token or secret that it comes with: too many
// wrong ones came from its address. A token that was good lately may.
func (m *meter) mayTry(ctx context.Context, method string, authorization []string) error {
	a := arrivalOf(ctx)
	if m == nil || m.failures == nil || a == nil || service.Rules[method].Open {
		return nil
	}
	wait := m.failures.lacks(a.address, m.now())
	if wait == 0 {
		return nil
	}
	if !guesses(method) && (len(authorization) == 0 || len(authorization) == 1 && m.known.has(maphash.String(m.seed, authorization[0]))) {
		return nil
	}
	m.failures.note(m, a.address, a.address.String())
	return tooManyOf(m.failures, wait)
}

// spend counts a call for the token that it was let in with, or tells that it is one too
// many.
func (m *meter) spend(ctx context.Context, method string, authorization []string) error {
	known := service.CallerOf(ctx)
	if m == nil || known == nil {
		return nil
	}
	if a := arrivalOf(ctx); a != nil {
		if a.spent {
			return nil
		}
		a.spent = true
	}
	if m.failures != nil && len(authorization) == 1 {
		m.known.at(maphash.String(m.seed, authorization[0]), m.now(), func() struct{} { return struct{}{} })
	}
	return m.charge(known, costs[method])
}

// forget is for an authorization that was refused: it is not known as a good one.
func (m *meter) forget(authorization []string) {
	if m != nil && m.failures != nil && len(authorization) == 1 {
		m.known.drop(maphash.String(m.seed, authorization[0]))
	}
}

// byContent is the part of the chain that counts what is in a request for its token.
func (m *meter) byContent(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if m != nil && m.tokens != nil {
		if known := service.CallerOf(ctx); known != nil {
			if cost := contentCost(req); cost > 0 {
				// Half at most: or a large request of a busy token would never get through.
				if err := m.charge(known, min(cost, m.tokens.perMinute/2)); err != nil {
					return nil, err
				}
			}
		}
	}
	return next(ctx, req)
}

func (m *meter) charge(known *service.Caller, cost int) error {
	who := caller{known.Grower, known.Token}
	wait := m.tokens.take(who, cost, m.now())
	if wait == 0 {
		return nil
	}
	m.tokens.note(m, who, cmp.Or(who.token, who.grower))
	return tooManyOf(m.tokens, wait)
}

func tooManyOf[K comparable](b *buckets[K], wait time.Duration) error {
	return &service.Error{
		Reason: tooManyCalls, RetryAfter: wait,
		Message: fmt.Sprintf("more %s than the %d a minute that are taken of one %s: call again in %d s", b.what, b.perMinute, b.whose, seconds(wait)),
	}
}

// seconds returns whole seconds, rounded up.
func seconds(d time.Duration) int { return int(math.Ceil(d.Seconds())) }

// buckets are those of many. Nil ones never lack anything.
type buckets[K comparable] struct {
	perMinute   int
	whose, what string // for messages and the log
	all         *lately[K, *bucket]
}

type bucket struct {
	*rate.Limiter

	mu      sync.Mutex // guards what follows
	refused int        // calls, since the log was told
	told    time.Time  // zero: never
}

func newBuckets[K comparable](perMinute int, whose, what string) *buckets[K] {
	if perMinute == 0 {
		return nil
	}
	return &buckets[K]{perMinute: perMinute, whose: whose, what: what, all: newLately[K, *bucket](mostKept, bucketIdle)}
}

func (b *buckets[K]) at(key K, now time.Time) *bucket {
	return b.all.at(key, now, func() *bucket {
		return &bucket{Limiter: rate.NewLimiter(rate.Limit(float64(b.perMinute)/time.Minute.Seconds()), b.perMinute)}
	})
}

// take takes a cost out of a bucket; what costs more than it holds costs all of it. If
// the bucket has less it keeps that, and take returns after how long it has enough.
func (b *buckets[K]) take(key K, cost int, now time.Time) time.Duration {
	if b == nil {
		return 0
	}
	own := b.at(key, now)
	if cost = min(cost, b.perMinute); own.AllowN(now, cost) {
		return 0
	}
	return b.until(own, cost, now)
}

// lacks returns after how long a bucket has something in it.
func (b *buckets[K]) lacks(key K, now time.Time) time.Duration {
	if own, ok := b.all.get(key); ok && own.TokensAt(now) < 1 {
		return b.until(own, 1, now)
	}
	return 0
}

// until returns milliseconds, rounded up; at least one, as a call beside may have put the
// bucket's time ahead.
func (b *buckets[K]) until(own *bucket, cost int, now time.Time) time.Duration {
	missing := (float64(cost) - own.TokensAt(now)) * float64(time.Minute.Milliseconds()) / float64(b.perMinute)
	return time.Duration(max(math.Ceil(missing), 1)) * time.Millisecond
}

// note notes a call that was refused, and tells the log of it once a minute.
func (b *buckets[K]) note(m *meter, key K, name string) {
	now := m.now()
	own := b.at(key, now)
	own.mu.Lock()
	defer own.mu.Unlock()
	own.refused++
	if own.told.IsZero() || now.Sub(own.told) >= time.Minute {
		m.log.Warn("too many "+b.what, b.whose, name, "refused", own.refused)
		own.refused, own.told = 0, now
	}
}

// lately keeps a value for each key that was used lately, in bounded memory: two maps, of
// which the old one is thrown away, and the young one becomes the old one, when the young
// one is full or as old as values are kept. What is used moves into the young one.
type lately[K comparable, V any] struct {
	most int // keys in both
	keep time.Duration

	mu         sync.Mutex // guards what follows
	young, old map[K]V
	turned     time.Time
}

func newLately[K comparable, V any](most int, keep time.Duration) *lately[K, V] {
	return &lately[K, V]{most: most, keep: keep, young: map[K]V{}}
}

// at returns the value of a key, which is made if there is none.
func (l *lately[K, V]) at(key K, now time.Time, make func() V) V {
	l.mu.Lock()
	defer l.mu.Unlock()
	if now.Sub(l.turned) >= l.keep {
		l.turn(now)
	}
	v, ok := l.young[key]
	if ok {
		return v
	}
	if v, ok = l.old[key]; ok {
		delete(l.old, key)
	} else {
		v = make()
	}
	if len(l.young) >= l.most/2 {
		l.turn(now)
	}
	l.young[key] = v
	return v
}

func (l *lately[K, V]) turn(now time.Time) { l.old, l.young, l.turned = l.young, map[K]V{}, now }

// get returns the value of a key, if there is one, and does not count as use.
func (l *lately[K, V]) get(key K) (v V, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if v, ok = l.young[key]; !ok {
		v, ok = l.old[key]
	}
	return v, ok
}

// drop forgets a key.
func (l *lately[K, V]) drop(key K) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.young, key)
	delete(l.old, key)
}

func (l *lately[K, V]) has(key K) bool {
	_, ok := l.get(key)
	return ok
}
