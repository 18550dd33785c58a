package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// shed is a collection with a plant.
type shed struct {
	*doors
	calls             *clients
	collection, plant string
}

func openShed(t *testing.T, engine store.Engine, config service.Config) *shed {
	t.Helper()
	s := &shed{doors: openStore(t, storetest.New(t, engine), config)}
	s.calls = clientsOf(s.conn)
	c, err := s.calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin"}})
	if err != nil {
		t.Fatal(err)
	}
	p, err := s.calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: c.GetName(), Plant: &pb.Plant{Tag: "D1", Taxon: "taxa/drosera-capensis", Source: "0"}})
	if err != nil {
		t.Fatal(err)
	}
	s.collection, s.plant = c.GetName(), p.GetName()
	return s
}

// do sends a request over HTTP and reads the answer into the message.
func (s *shed) do(method, path, body, ifMatch string, into any) (*http.Response, error) {
	r, err := http.NewRequest(method, s.url(path), strings.NewReader(body))
	if err != nil {
		return nil, err
	}
	if ifMatch != "" {
		r.Header.Set("If-Match", ifMatch)
	}
	answer, err := s.client.Do(r)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(text, into); err != nil {
		return nil, fmt.Errorf("%s %s: %w in %.200q", method, path, err, text)
	}
	return answer, nil
}

const writers = 8

// writes are one by one for a fifth, the others in tens.
var writes = storetest.Fewer(50, 25)

// atOnce is how many writers try at the same time. More would only fail more often.
const atOnce = 2

// TestWritersLoseNoUpdate lets writers count in one plant: each reads the count and
// writes the next one, on condition that nobody has changed the plant in between. Half
// of them condition on the etag of the body, half on the header If-Match.
func TestWritersLoseNoUpdate(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openShed(t, engine, service.Config{})
		trying := make(chan struct{}, atOnce)
		var all errgroup.Group
		for w := range writers {
			all.Go(func() error {
				try := func() (done bool, err error) {
					trying <- struct{}{}
					defer func() { <-trying }()
					var plant struct{ Source, Etag string }
					answer, err := s.do(http.MethodGet, "/v1/"+s.plant, "", "", &plant)
					if err != nil {
						return false, err
					}
					count, err := strconv.Atoi(plant.Source)
					if err != nil || answer.StatusCode != http.StatusOK {
						return false, fmt.Errorf("read: %d, %w", answer.StatusCode, err)
					}
					body, match, stale := fmt.Sprintf(`{"source":"%d","etag":%q}`, count+1, plant.Etag), "", http.StatusConflict
					if w%2 == 0 {
						body, match, stale = fmt.Sprintf(`{"source":"%d"}`, count+1), answer.Header.Get("ETag"), http.StatusPreconditionFailed
					}
					var written struct {
						Source string
						Error  struct{ Message string }
					}
					answer, err = s.do(http.MethodPatch, "/v1/"+s.plant, body, match, &written)
					switch {
					case err != nil:
						return false, err
					case answer.StatusCode == http.StatusOK && written.Source == strconv.Itoa(count+1):
						return true, nil
					case answer.StatusCode != stale:
						return false, fmt.Errorf("write: %d %+v", answer.StatusCode, written)
					}
					return false, nil
				}
				for done := 0; done < writes; {
					ok, err := try()
					if err != nil {
						return err
					}
					if ok {
						done++
					}
				}
				return nil
			})
		}
		if err := all.Wait(); err != nil {
			t.Fatal(err)
		}
		plant, err := s.calls.GetPlant(t.Context(), &pb.GetPlantRequest{Name: s.plant})
		if err != nil || plant.GetSource() != strconv.Itoa(writers*writes) {
			t.Errorf("the count is %q, %v", plant.GetSource(), err)
		}
		// The history has each of them, without a gap.
		history, err := s.calls.ListRevisions(t.Context(), &pb.ListRevisionsRequest{Parent: s.plant, PageSize: 1000})
		if err != nil || len(history.GetRevisions()) != writers*writes+1 {
			t.Fatalf("%d revisions, %v", len(history.GetRevisions()), err)
		}
		for i, r := range history.GetRevisions() {
			n := len(history.GetRevisions()) - i
			if int(r.GetNumber()) != n || n > 1 && r.GetPlant().GetSource() != strconv.Itoa(n-2) {
				t.Errorf("revision %d is number %d, before it the count was %q", n, r.GetNumber(), r.GetPlant().GetSource())
			}
		}
	})
}

// TestWritersOfOnePlant lets writers record sessions of one plant, one by one and in
// batches. None is lost, none comes twice, and what follows from them is what follows from all.
func TestWritersOfOnePlant(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		s := openShed(t, engine, service.Config{Now: now.now})
		first := now.now().Add(-1000 * time.Hour)
		var all errgroup.Group
		for w := range writers {
			all.Go(func() error {
				session := func(i int) *pb.CreateFeedingRequest {
					return &pb.CreateFeedingRequest{Parent: s.plant, Feeding: &pb.Feeding{
						FedTime: timestamppb.New(first.Add(time.Duration(w*writes+i) * time.Hour)), TrapsFed: proto.Int32(2)}}
				}
				for i := 0; i < writes; {
					if i < writes/5 {
						if _, err := s.calls.CreateFeeding(t.Context(), session(i)); err != nil {
							return err
						}
						i++
						continue
					}
					batch := &pb.BatchCreateFeedingsRequest{Parent: s.plant}
					for ; len(batch.GetRequests()) < 10; i++ {
						batch.Requests = append(batch.Requests, session(i))
					}
					if _, err := s.calls.BatchCreateFeedings(t.Context(), batch); err != nil {
						return err
					}
				}
				return nil
			})
		}
		if err := all.Wait(); err != nil {
			t.Fatal(err)
		}
		list, err := s.calls.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: s.plant, PageSize: 1000, OrderBy: "fedTime"})
		if err != nil || len(list.GetFeedings()) != writers*writes {
			t.Fatalf("%d sessions, %v", len(list.GetFeedings()), err)
		}
		for i, f := range list.GetFeedings() {
			if want := first.Add(time.Duration(i) * time.Hour); !f.GetFedTime().AsTime().Equal(want) {
				t.Fatalf("session %d is of %s, want %s", i, f.GetFedTime().AsTime(), want)
			}
		}
		plant, err := s.calls.GetPlant(t.Context(), &pb.GetPlantRequest{Name: s.plant})
		last := list.GetFeedings()[writers*writes-1].GetFedTime()
		if err != nil || !proto.Equal(plant.GetLastFeedTime(), last) {
			t.Errorf("last fed %s, %v; want %s", plant.GetLastFeedTime().AsTime(), err, last.AsTime())
		}
		// What was kept with the last write is what comes out of all of them.
		why, err := s.calls.ExplainDue(t.Context(), &pb.ExplainDueRequest{Name: s.plant})
		if err != nil || !proto.Equal(why.GetDecision(), plant.GetDue()) {
			t.Errorf("the plant shows\n%s\nand is explained as\n%s (%v)", messageText(plant.GetDue()), messageText(why.GetDecision()), err)
		}
	})
}

// TestSameRequestAtOnce makes calls with one request id at the same time: one of them
// acts, and all get the same answer.
func TestSameRequestAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openShed(t, engine, service.Config{})
		for round := range 6 {
			id := fmt.Sprint("round-", round)
			var begin sync.WaitGroup
			begin.Add(1)
			var all errgroup.Group
			answers := make([][]byte, 6)
			for i := range answers {
				all.Go(func() error {
					begin.Wait()
					m, err := s.calls.BatchCreateFeedings(t.Context(), &pb.BatchCreateFeedingsRequest{Parent: s.plant, RequestId: id, Requests: []*pb.CreateFeedingRequest{
						{Feeding: &pb.Feeding{Note: id}}, {Feeding: &pb.Feeding{Note: id, TrapsFed: proto.Int32(1)}}}})
					if err == nil {
						answers[i], err = proto.MarshalOptions{Deterministic: true}.Marshal(m)
					}
					return err
				})
			}
			begin.Done()
			if err := all.Wait(); err != nil {
				t.Fatal(err)
			}
			for _, other := range answers[1:] {
				if !bytes.Equal(answers[0], other) {
					t.Errorf("round %d: two answers", round)
				}
			}
			list, err := s.calls.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: s.plant, PageSize: 1000})
			if err != nil || len(list.GetFeedings()) != 2*(round+1) {
				t.Fatalf("%d sessions after round %d, %v", len(list.GetFeedings()), round, err)
			}
		}
		// Two different bodies: one wins, the other is told.
		for round := range 6 {
			id := fmt.Sprint("other-", round)
			var all errgroup.Group
			results := make([]error, 6)
			for i := range results {
				all.Go(func() error {
					_, results[i] = s.calls.CreateObservation(t.Context(), &pb.CreateObservationRequest{Parent: s.plant, RequestId: id,
						Observation: &pb.Observation{Note: fmt.Sprint(id, i), Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}}})
					return nil
				})
			}
			if err := all.Wait(); err != nil {
				t.Fatal(err)
			}
			won := 0
			for _, err := range results {
				switch st := status.Convert(err); {
				case err == nil:
					won++
				case st.Code() != codes.AlreadyExists || reasonOf(st) != "REQUEST_ID_REUSED":
					t.Errorf("round %d: %v", round, err)
				}
			}
			if won != 1 {
				t.Errorf("round %d: %d calls with different bodies acted", round, won)
			}
		}
	})
}

// TestSameTagAtOnce makes plants with one tag, and takes benches away from under
// plants, at the same time: whatever comes first, no two living plants bear a tag, and
// no living plant stands on a bench that is deleted.
func TestSameTagAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openShed(t, engine, service.Config{})
		ctx := t.Context()
		expected := []codes.Code{codes.OK, codes.AlreadyExists, codes.NotFound, codes.FailedPrecondition, codes.InvalidArgument, codes.Aborted}
		for round := range 12 {
			tag, bench := fmt.Sprint("T", round), fmt.Sprint("b", round)
			if _, err := s.calls.CreateBench(ctx, &pb.CreateBenchRequest{Parent: s.collection, BenchId: bench, Bench: &pb.Bench{DisplayName: bench}}); err != nil {
				t.Fatal(err)
			}
			name := s.collection + "/benches/" + bench
			var all errgroup.Group
			for i := range 6 {
				all.Go(func() error {
					var err error
					switch i {
					case 0:
						_, err = s.calls.DeleteBench(ctx, &pb.DeleteBenchRequest{Name: name})
					case 1:
						_, err = s.calls.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: s.plant, Tag: strings.ToLower(tag)}})
					case 2:
						_, err = s.calls.CreateObservation(ctx, &pb.CreateObservationRequest{Parent: s.plant, Observation: &pb.Observation{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: name}}}})
					default:
						_, err = s.calls.CreatePlant(ctx, &pb.CreatePlantRequest{Parent: s.collection, Plant: &pb.Plant{Tag: tag, Taxon: "taxa/drosera-capensis", Bench: name}})
					}
					if !slices.Contains(expected, status.Code(err)) {
						return fmt.Errorf("round %d, writer %d: %w", round, i, err)
					}
					return nil
				})
			}
			if err := all.Wait(); err != nil {
				t.Fatal(err)
			}
		}
		benches, err := s.calls.ListBenches(ctx, &pb.ListBenchesRequest{Parent: s.collection, PageSize: 1000})
		if err != nil {
			t.Fatal(err)
		}
		plants, err := s.calls.ListPlants(ctx, &pb.ListPlantsRequest{Parent: s.collection, PageSize: 1000})
		if err != nil {
			t.Fatal(err)
		}
		bearers := map[string]int{}
		for _, p := range plants.GetPlants() {
			if bearers[strings.ToLower(p.GetTag())]++; bearers[strings.ToLower(p.GetTag())] > 1 {
				t.Errorf("two living plants bear %s", p.GetTag())
			}
			if p.GetBench() != "" && !slices.ContainsFunc(benches.GetBenches(), func(b *pb.Bench) bool { return b.GetName() == p.GetBench() }) {
				t.Errorf("%s stands on %s, which is deleted", p.GetName(), p.GetBench())
			}
		}
		if len(plants.GetPlants()) < 2 {
			t.Errorf("%d plants were made", len(plants.GetPlants()))
		}
	})
}
