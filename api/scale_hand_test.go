package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"
	"dewbench/store/storetest"
)

// What the server is measured beside: the same rows by hand. Who writes a handler by hand
// sends one statement for the rows and one for the totals, and asks nobody who calls.

// sentStatement is a statement with its arguments, as the server sent it.
type sentStatement struct {
	sql  string
	args []any
}

// spied is a second server on the same database, whose statements are seen.
type spied struct {
	*doors
	mu  sync.Mutex
	all []sentStatement
}

func (s *scaled) spy(b *testing.B) *spied {
	b.Helper()
	x := &spied{}
	watched := storetest.Open(b, s.url, plainly, func(o *store.Options) {
		o.Record = func(statement string, args []any) {
			x.mu.Lock()
			defer x.mu.Unlock()
			x.all = append(x.all, sentStatement{statement, args})
		}
	})
	x.doors = openStore(b, watched, service.Config{Now: s.clock, Version: scaleVersion(b)}, slog.DiscardHandler)
	return x
}

// take returns what was sent since it was called last.
func (x *spied) take() []sentStatement {
	x.mu.Lock()
	defer x.mu.Unlock()
	out := x.all
	x.all = nil
	return out
}

// askedPage is a page of a list that is asked for again and again.
type askedPage struct {
	id      string // of the collection
	req     *pb.ListDueFeedingsRequest
	token   metadata.MD
	bearer  string // the header Authorization
	path    string // over HTTP
	answer  *pb.ListDueFeedingsResponse
	page    sentStatement
	totals  *sentStatement // nil for a page without
	horizon int
	day     civil.Day
}

func (a *askedPage) key() string { return a.req.GetParent() + "\n" + a.req.GetPageToken() }

// askFor asks the server for a page and notes what it sent.
func (x *spied) askFor(b *testing.B, collection int, req *pb.ListDueFeedingsRequest) *askedPage {
	b.Helper()
	a := &askedPage{id: collectionID(collection), req: req, bearer: "Bearer " + scaleSecret(collection), horizon: service.UsualHorizonDays}
	a.token = metadata.Pairs("authorization", a.bearer)
	a.path = fmt.Sprintf("/v1/%s/dueFeedings?pageSize=%d", req.GetParent(), req.GetPageSize())
	if req.GetPageToken() != "" {
		a.path += "&pageToken=" + req.GetPageToken()
	}
	x.take()
	var err error
	if a.answer, err = pb.NewDueServiceClient(x.conn).ListDueFeedings(metadata.NewOutgoingContext(b.Context(), a.token), req); err != nil {
		b.Fatal(err)
	}
	if a.day, err = civil.Parse(a.answer.GetAsOfDate()); err != nil {
		b.Fatal(err)
	}
	pages := 0
	for _, s := range x.take() {
		switch {
		case !strings.Contains(s.sql, "plant_due"):
		case strings.Contains(s.sql, "decision"):
			a.page = s
			pages++
		case a.totals == nil:
			a.totals = &s
		default:
			b.Fatalf("totals are asked for twice: %s", s.sql)
		}
	}
	if pages != 1 || (a.totals != nil) != (len(a.answer.GetTotals()) > 0) {
		b.Fatalf("the list sent %d statements for its rows; for its totals: %v", pages, a.totals)
	}
	return a
}

// handRow is a row of either statement.
type handRow struct {
	plant, tagKey, tag, name, cultivar, bench                 string
	from, dueFrom, dueLast, benchWalk, plantWalk, status, cls int32
	decision                                                  []byte
	plants, traps                                             int64
}

// places returns where the columns of a statement go.
func (r *handRow) places(columns []string) []any {
	known := map[string]any{
		"plant_id": &r.plant, "tag_key": &r.tagKey, "tag": &r.tag, "scientific_name": &r.name, "cultivar": &r.cultivar, "bench_id": &r.bench,
		"from_day": &r.from, "due_from_day": &r.dueFrom, "due_last_day": &r.dueLast, "bench_walk": &r.benchWalk, "plant_walk": &r.plantWalk,
		"status": &r.status, "class": &r.cls, "decision": &r.decision, "plants": &r.plants, "traps": &r.traps,
	}
	out := make([]any, len(columns))
	for i, c := range columns {
		if out[i] = known[c]; out[i] == nil {
			out[i] = new(any) // what a handler by hand has no use for
		}
	}
	return out
}

// fetch reads a page: it calls row with each row, then total with each of the totals. To
// Postgres both statements go in one round trip.
func (s *scaled) fetch(ctx context.Context, a *askedPage, r *handRow, row, total func() error) (err error) {
	if s.engine != store.Postgres {
		if err := s.fetchLite(ctx, &a.page, r, row); err != nil || a.totals == nil {
			return err
		}
		return s.fetchLite(ctx, a.totals, r, total)
	}
	if a.totals == nil {
		rows, err := s.pg.Query(ctx, a.page.sql, a.page.args...)
		if err != nil {
			return err
		}
		return r.scan(rows, row)
	}
	both := &pgx.Batch{}
	both.Queue(a.page.sql, a.page.args...).Query(func(rows pgx.Rows) error { return r.scan(rows, row) })
	both.Queue(a.totals.sql, a.totals.args...).Query(func(rows pgx.Rows) error { return r.scan(rows, total) })
	return s.pg.SendBatch(ctx, both).Close()
}

// scan reads rows into r one after the other, and closes them.
func (r *handRow) scan(rows pgx.Rows, f func() error) error {
	defer rows.Close()
	var names [16]string
	columns := names[:0]
	for _, c := range rows.FieldDescriptions() {
		columns = append(columns, c.Name)
	}
	places := r.places(columns)
	for rows.Next() {
		if err := rows.Scan(places...); err != nil {
			return err
		}
		if err := f(); err != nil {
			return err
		}
	}
	return rows.Err()
}

func (s *scaled) fetchLite(ctx context.Context, x *sentStatement, r *handRow, f func() error) error {
	rows, err := s.lite.QueryContext(ctx, x.sql, x.args...)
	if err != nil {
		return err
	}
	columns, err := rows.Columns()
	places := r.places(columns)
	for err == nil && rows.Next() {
		if err = rows.Scan(places...); err == nil {
			err = f()
		}
	}
	return errors.Join(err, rows.Err(), rows.Close())
}

// native reads the rows, and does nothing with them.
func (s *scaled) native(ctx context.Context, a *askedPage) error {
	var r handRow
	n := 0
	err := s.fetch(ctx, a, &r, func() error { n++; return nil }, func() error { return nil })
	if want := len(a.answer.GetDueFeedings()); err == nil && n < want {
		err = fmt.Errorf("%d rows of %d", n, want)
	}
	return err
}

// hand is the smallest handler of the list by hand.
type hand struct {
	pb.UnimplementedDueServiceServer
	*scaled
	pages map[string]*askedPage // by parent and page token
	foods []string
}

func (s *scaled) hand(b *testing.B, pages ...[]*askedPage) *hand {
	b.Helper()
	h := &hand{scaled: s, pages: map[string]*askedPage{}}
	for _, some := range pages {
		for _, a := range some {
			h.pages[a.key()] = a
		}
	}
	c, err := catalogue.Load()
	if err != nil {
		b.Fatal(err)
	}
	for _, f := range c.Foods() {
		h.foods = append(h.foods, "foods/"+f.ID)
	}
	return h
}

// decide reads what is kept of a row.
func (h *hand) decide(a *askedPage, r *handRow) (due.Decision, error) {
	l := due.Lasting{From: civil.Day(r.from)}
	if err := due.ReadDecision(r.decision, &l.Decision); err != nil {
		return due.Decision{}, err
	}
	return l.On(a.day, a.horizon), nil
}

// handSentence says the reasons that the population has.
func handSentence(r due.Reason) (string, error) {
	from, until := r.From.String(), "."
	held := func(why string) string {
		return why + ": no feeding from " + from + ", until " + r.Until.String() + until
	}
	switch r.Code {
	case due.FullSession:
		return "A full session on " + from + " covers it until " + r.Until.String() + until, nil
	case due.PartSession:
		return "Part of a session on " + from + " covers it until " + r.Until.String() + until, nil
	case due.SurveyCredit:
		return "Prey that it caught, seen on " + from + ", covers it until " + r.Until.String() + until, nil
	case due.LadderUp:
		return "Clean sessions brought one more trap on " + from + until, nil
	case due.LadderDown:
		return "Mould brought one trap less on " + from + until, nil
	case due.CappedByTraps:
		return "Few traps worked when they were counted on " + from + ", so fewer are fed.", nil
	case due.LowSurvey:
		return "It stands outdoors, but since " + from + " surveys found less prey than it needs.", nil
	case due.RestOver:
		return "A rest ended on " + from + ": there is a whole interval to wake it.", nil
	case due.MouldSeen:
		return held("Mould was seen"), nil
	case due.ResidueSeen:
		return held("Residue was seen"), nil
	case due.Resting:
		return held("It rests"), nil
	case due.RestAhead:
		return held("A rest begins before an item would be digested"), nil
	}
	return "", fmt.Errorf("no sentence for reason %d", r.Code)
}

func handDate(d civil.Day) *string {
	if !d.Given() {
		return nil
	}
	text := d.String()
	return &text
}

// ListDueFeedings is the handler over gRPC.
func (h *hand) ListDueFeedings(ctx context.Context, req *pb.ListDueFeedingsRequest) (*pb.ListDueFeedingsResponse, error) {
	a := h.pages[req.GetParent()+"\n"+req.GetPageToken()]
	asOf := a.day.String()
	out := &pb.ListDueFeedingsResponse{AsOfDate: &asOf, NextPageToken: a.answer.GetNextPageToken()}
	size := int(req.GetPageSize())
	var r handRow
	err := h.fetch(ctx, a, &r, func() error {
		if len(out.DueFeedings) == size {
			return nil
		}
		d, err := h.decide(a, &r)
		if err != nil {
			return err
		}
		m := &pb.DueFeeding{
			Plant: req.GetParent() + "/plants/" + r.plant, Tag: r.tag, ScientificName: r.name, Cultivar: r.cultivar, Bench: store.BenchName(a.id, r.bench), Status: pb.DueFeeding_Status(d.Status),
			CoverDate: handDate(d.Cover), DueFromDate: handDate(d.DueFrom), DueLastDate: handDate(d.DueLast), FeedDate: handDate(d.FeedDate),
			Traps: int32(d.Traps), AsOfDate: asOf,
		}
		if d.MaxItemTenths != due.NoLimit {
			m.MaxItemLengthMm = proto.Float64(float64(d.MaxItemTenths) / 10)
		}
		for _, f := range d.Foods {
			m.Foods = append(m.Foods, h.foods[f])
		}
		for _, i := range d.Instructions.List() {
			m.Instructions = append(m.Instructions, pb.DueFeeding_Instruction(i))
		}
		for _, x := range d.Reasons {
			said, err := handSentence(x)
			if err != nil {
				return err
			}
			m.Reasons = append(m.Reasons, &pb.DueFeeding_Reason{Code: pb.DueFeeding_Reason_Code(x.Code), Message: said, FromDate: handDate(x.From), UntilDate: handDate(x.Until)})
		}
		out.DueFeedings = append(out.DueFeedings, m)
		return nil
	}, func() error {
		if r.plants > 0 {
			out.Totals = append(out.Totals, &pb.ListDueFeedingsResponse_Total{Status: pb.DueFeeding_Status(r.status), Plants: int32(r.plants), Traps: r.traps})
		}
		return nil
	})
	return out, err
}

// ServeHTTP is the handler over HTTP: it writes JSON as it reads rows.
func (h *hand) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	parent := strings.TrimSuffix(strings.TrimPrefix(r.URL.Path, "/v1/"), "/dueFeedings")
	q := r.URL.Query()
	size, err := strconv.Atoi(q.Get("pageSize"))
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	body, err := h.appendList(r.Context(), make([]byte, 0, 64<<10), h.pages[parent+"\n"+q.Get("pageToken")], size)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	_, _ = w.Write(body) // a client that has gone
}

func (h *hand) appendList(ctx context.Context, b []byte, a *askedPage, size int) ([]byte, error) {
	asOf, parent, n := a.day.String(), a.req.GetParent(), 0
	day := func(name string, d civil.Day) {
		if d.Given() {
			b = append(append(append(append(append(b, `,"`...), name...), `":"`...), d.String()...), '"')
		}
	}
	text := func(name, s string) { b = appendJSONText(append(append(append(b, `,"`...), name...), `":`...), s) }
	b = append(b, `{"dueFeedings":[`...)
	var totals []byte
	var r handRow
	err := h.fetch(ctx, a, &r, func() error {
		if n == size {
			return nil
		}
		if n++; n > 1 {
			b = append(b, ',')
		}
		d, err := h.decide(a, &r)
		if err != nil {
			return err
		}
		b = append(b, `{"key":""`...)
		text("plant", parent+"/plants/"+r.plant)
		text("tag", r.tag)
		text("scientificName", r.name)
		text("bench", store.BenchName(a.id, r.bench))
		text("status", pb.DueFeeding_Status(d.Status).String())
		day("coverDate", d.Cover)
		day("dueFromDate", d.DueFrom)
		day("dueLastDate", d.DueLast)
		day("feedDate", d.FeedDate)
		b = strconv.AppendInt(append(b, `,"traps":`...), int64(d.Traps), 10)
		if d.MaxItemTenths != due.NoLimit {
			b = strconv.AppendFloat(append(b, `,"maxItemLengthMm":`...), float64(d.MaxItemTenths)/10, 'f', -1, 64)
		}
		b = append(b, `,"foods":[`...)
		for i, f := range d.Foods {
			if i > 0 {
				b = append(b, ',')
			}
			b = appendJSONText(b, h.foods[f])
		}
		b = append(b, `],"instructions":[`...)
		for i, x := range d.Instructions.List() {
			if i > 0 {
				b = append(b, ',')
			}
			b = appendJSONText(b, pb.DueFeeding_Instruction(x).String())
		}
		b = append(b, `],"reasons":[`...)
		for i, x := range d.Reasons {
			if i > 0 {
				b = append(b, ',')
			}
			said, err := handSentence(x)
			if err != nil {
				return err
			}
			b = append(append(append(b, `{"code":"`...), pb.DueFeeding_Reason_Code(x.Code).String()...), '"')
			text("message", said)
			day("fromDate", x.From)
			day("untilDate", x.Until)
			b = append(b, '}')
		}
		b = append(b, ']')
		text("asOfDate", asOf)
		text("cultivar", r.cultivar)
		b = append(b, '}')
		return nil
	}, func() error {
		if r.plants == 0 {
			return nil
		}
		if len(totals) > 0 {
			totals = append(totals, ',')
		}
		totals = append(append(append(totals, `{"status":"`...), pb.DueFeeding_Status(r.status).String()...), `","plants":`...)
		totals = append(strconv.AppendInt(totals, r.plants, 10), `,"traps":"`...)
		totals = append(strconv.AppendInt(totals, r.traps, 10), `"}`...)
		return nil
	})
	b = append(append(append(b, `],"totals":[`...), totals...), ']')
	text("nextPageToken", a.answer.GetNextPageToken())
	text("asOfDate", asOf)
	return append(b, '}'), err
}

func appendJSONText(b []byte, s string) []byte {
	for i := range len(s) {
		if s[i] < ' ' || s[i] == '"' || s[i] == '\\' || s[i] > '~' {
			text, _ := json.Marshal(s) // a string can be written
			return append(b, text...)
		}
	}
	return append(append(append(b, '"'), s...), '"')
}

// check fails b if the handlers by hand do not answer what the server does.
func (h *hand) check(b *testing.B) {
	b.Helper()
	for _, a := range h.pages {
		got, err := h.ListDueFeedings(b.Context(), a.req)
		if err != nil {
			b.Fatal(err)
		}
		if !proto.Equal(got, a.answer) {
			b.Fatalf("by hand %v\nthe server %v", got, a.answer)
		}
		text, err := h.appendList(b.Context(), nil, a, int(a.req.GetPageSize()))
		if err != nil {
			b.Fatal(err)
		}
		read := &pb.ListDueFeedingsResponse{}
		if err := protojson.Unmarshal(text, read); err != nil {
			b.Fatalf("%v: %s", err, text)
		}
		if !proto.Equal(read, a.answer) {
			b.Fatalf("by hand as JSON %v\nthe server %v", read, a.answer)
		}
	}
}

// serve serves the handlers by hand until b ends.
func (h *hand) serve(b *testing.B) (grpcAddr, httpURL string) {
	b.Helper()
	g, d := grpc.NewServer(), &http.Server{Handler: h}
	pb.RegisterDueServiceServer(g, h)
	grpcListener, httpListener := listen(b), listen(b)
	serveUntil(b, func() error { return g.Serve(grpcListener) }, func() error { g.Stop(); return nil })
	serveUntil(b, func() error { return d.Serve(httpListener) }, d.Close)
	return grpcListener.Addr().String(), "http://" + httpListener.Addr().String()
}

// serveUntil runs a server that b stops at its end.
func serveUntil(b *testing.B, serve, stop func() error) {
	b.Helper()
	ended := make(chan error, 1)
	go func() { ended <- serve() }()
	b.Cleanup(func() {
		err := stop()
		if e := <-ended; e != nil && !errors.Is(e, http.ErrServerClosed) && !errors.Is(e, grpc.ErrServerStopped) {
			err = errors.Join(err, e)
		}
		if err != nil {
			b.Error(err)
		}
	})
}

// stockGateway serves a server's list over HTTP as the gateway does as it comes: through a
// connection in memory, with the usual JSON.
func stockGateway(b *testing.B, s *Server) (url string) {
	b.Helper()
	inMemory := bufconn.Listen(1 << 20)
	var closing atomic.Bool
	serveUntil(b, func() error {
		if err := s.grpc.Serve(inMemory); !closing.Load() {
			return err
		}
		return nil // the server goes on at its own doors
	}, func() error { closing.Store(true); return inMemory.Close() })
	conn, err := grpc.NewClient("passthrough:memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return inMemory.DialContext(ctx) }))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := conn.Close(); err != nil {
			b.Error(err)
		}
	})
	mux := runtime.NewServeMux()
	if err := pb.RegisterDueServiceHandler(b.Context(), mux, conn); err != nil {
		b.Fatal(err)
	}
	d := &http.Server{Handler: mux}
	l := listen(b)
	serveUntil(b, func() error { return d.Serve(l) }, d.Close)
	return "http://" + l.Addr().String()
}

// onePage makes a call of one of the pages.
func onePage(pages []*askedPage, f func(client int, a *askedPage) error) func(int, *rand.Rand) error {
	return func(client int, r *rand.Rand) error { return f(client, pages[r.IntN(len(pages))]) }
}

// listOverGRPC is a contender whose clients have a connection each.
func listOverGRPC(b *testing.B, name, addr string, clients int, pages []*askedPage) contender {
	b.Helper()
	var all []pb.DueServiceClient
	for _, conn := range connect(b, addr, clients) {
		all = append(all, pb.NewDueServiceClient(conn))
	}
	return calling(name, onePage(pages, func(client int, a *askedPage) error {
		answer, err := all[client].ListDueFeedings(metadata.NewOutgoingContext(context.Background(), a.token), a.req)
		if err == nil && len(answer.GetDueFeedings()) != len(a.answer.GetDueFeedings()) {
			err = fmt.Errorf("%d rows", len(answer.GetDueFeedings()))
		}
		return err
	}))
}

// connect returns connections, each of its own.
func connect(b *testing.B, addr string, n int) []*grpc.ClientConn {
	b.Helper()
	var all []*grpc.ClientConn
	for range n {
		conn, err := grpc.NewClient(addr, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() {
			if err := conn.Close(); err != nil {
				b.Error(err)
			}
		})
		all = append(all, conn)
	}
	return all
}

// listOverHTTP is a contender whose clients read the answers and leave it at that.
func listOverHTTP(b *testing.B, name, url string, pages []*askedPage) contender {
	b.Helper()
	client := &http.Client{Transport: &http.Transport{DisableCompression: true, MaxIdleConnsPerHost: 16}}
	b.Cleanup(client.CloseIdleConnections)
	return calling(name, onePage(pages, func(_ int, a *askedPage) error {
		r, err := http.NewRequest(http.MethodGet, url+a.path, nil)
		if err != nil {
			return err
		}
		r.Header.Set("Authorization", a.bearer)
		answer, err := client.Do(r)
		if err != nil {
			return err
		}
		n, err := io.Copy(io.Discard, answer.Body)
		if err := errors.Join(err, answer.Body.Close()); err != nil {
			return err
		}
		if answer.StatusCode != http.StatusOK || n < 1000 {
			return fmt.Errorf("%s: status %d, %d bytes", a.path, answer.StatusCode, n)
		}
		return nil
	}))
}
