package api

import (
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// publicPlace is a server with a public collection. Of two of them what visitors see is
// drawn from the same stream, and all else from streams of their own.
type publicPlace struct {
	d       *matrixDoors
	x       *place
	callers map[string][]matrixCaller
}

func openPublic(t *testing.T, engine store.Engine, seen, own *rand.Rand) *publicPlace {
	t.Helper()
	now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	s := storetest.New(t, engine)
	ids := counter{prefix: fmt.Sprintf("n%04d-", own.IntN(10_000))}
	d := openMatrix(t, openStore(t, s, service.Config{NewID: ids.next, Now: func() time.Time {
		now = now.Add(time.Duration(own.IntN(1_000_000)) * time.Microsecond)
		return now
	}}))
	r, callers := openRelations(t, s, now)
	p := &publicPlace{d, r.place(t, &situations[2], false), callers}
	word := func() string { return fmt.Sprintf("hidden %d", own.IntN(1_000_000)) }
	maybe := func() bool { return own.IntN(2) == 0 }
	by := func() *matrixCaller { return &callers[[]string{matrixOwner, "manager"}[own.IntN(2)]][0] }
	recorder := func() *matrixCaller { return &callers[[]string{matrixOwner, "manager", "keeper"}[own.IntN(3)]][0] }
	ask := func(c *matrixCaller, method string, req proto.Message) {
		t.Helper()
		if got := d.call(t, c, method, req); got.code != codes.OK {
			t.Fatalf("%s %v: %s", method, req, got.whole)
		}
	}
	// Zones in which the hours of records fall on the same days.
	ask(by(), pb.CollectionService_UpdateCollection_FullMethodName, &pb.UpdateCollectionRequest{Collection: &pb.Collection{
		Name: p.x.collection, DisplayName: "Public shed", TimeZone: []string{"UTC", "Europe/Berlin", "Africa/Lagos"}[own.IntN(3)],
		LatitudeDeg: proto.Float64(float64(own.IntN(60))),
		Absences:    []*pb.Absence{{FromDate: "2026-08-01", UntilDate: fmt.Sprintf("2026-08-%02d", 2+own.IntN(20))}},
	}})
	for i := range 1 + own.IntN(3) {
		ask(by(), pb.BenchService_CreateBench_FullMethodName, &pb.CreateBenchRequest{Parent: p.x.collection, BenchId: fmt.Sprintf("b%d", i), Bench: &pb.Bench{DisplayName: word(), Exposure: pb.Bench_WINDOWSILL}})
	}
	hour := func(day int) time.Time {
		return time.Date(2026, 5, day, 8+own.IntN(8), own.IntN(60), own.IntN(60), 0, time.UTC)
	}
	for i := range 4 {
		plant := &pb.Plant{Tag: word(), Cultivar: word(), Source: word(), Locality: word(), Clone: word()}
		switch seen.IntN(3) {
		case 0:
			plant.Taxon = "taxa/drosera-capensis"
			if maybe() {
				plant.ScientificName = "Drosera capensis " + strings.ReplaceAll(word(), " ", "")
			}
		case 1:
			plant.Taxon = "taxa/dionaea-muscipula"
		default:
			plant.ScientificName, plant.TrapType, plant.Habit = "Drosera "+strings.ReplaceAll(word(), " ", ""), pb.Taxon_ADHESIVE, pb.Taxon_LARGE
		}
		if maybe() {
			plant.Bench = p.x.collection + "/benches/b0"
		}
		if maybe() {
			plant.AcquireDate, plant.Propagation, plant.Parents = proto.String("2024-06-01"), pb.Plant_SEED, []string{word()}
			plant.WalkOrder = proto.Int32(own.Int32N(100))
		}
		id := fmt.Sprintf("p%d", i)
		name := p.x.collection + "/plants/" + id
		ask(by(), pb.PlantService_CreatePlant_FullMethodName, &pb.CreatePlantRequest{Parent: p.x.collection, PlantId: id, Plant: plant})
		if maybe() {
			ask(by(), pb.PlantService_UpdatePlant_FullMethodName, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: name, Tag: word()}})
		}
		for j := range 3 {
			day := 3 + 9*j + seen.IntN(8)
			at := hour(day)
			f := &pb.Feeding{FedTime: timestamppb.New(at), TrapsFed: proto.Int32(seen.Int32N(4)), Outcome: pb.Feeding_Outcome(seen.IntN(3)), Note: word(), Feeder: word()}
			if f.Outcome != 0 {
				f.OutcomeTime = timestamppb.New(hour(day + 1))
			}
			ask(recorder(), pb.FeedingService_CreateFeeding_FullMethodName, &pb.CreateFeedingRequest{Parent: name, FeedingId: fmt.Sprintf("f%d", j), Feeding: f})
			if maybe() {
				hidden := fmt.Sprintf("h%d", j)
				ask(recorder(), pb.FeedingService_CreateFeeding_FullMethodName, &pb.CreateFeedingRequest{Parent: name, FeedingId: hidden, Feeding: &pb.Feeding{FedTime: timestamppb.New(at.Add(time.Hour)), TrapsFed: proto.Int32(1)}})
				ask(recorder(), pb.FeedingService_DeleteFeeding_FullMethodName, &pb.DeleteFeedingRequest{Name: name + "/feedings/" + hidden})
			}
			o := &pb.Observation{ObserveTime: timestamppb.New(hour(day)), Note: word()}
			switch seen.IntN(4) {
			case 0:
				o.Fact = &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{RosetteDiameterMm: proto.Float64(float64(20 + seen.IntN(40)))}}
			case 1:
				o.Fact = &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 1 + seen.Int32N(5)}}
			case 2:
				o.Fact = &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}
			default:
				o.Fact = &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: 5, PreyFound: seen.Int32N(5)}}
			}
			ask(recorder(), pb.ObservationService_CreateObservation_FullMethodName, &pb.CreateObservationRequest{Parent: name, ObservationId: fmt.Sprintf("o%d", j), Observation: o})
			if maybe() {
				hidden := &pb.Observation{ObserveTime: timestamppb.New(hour(day)), Note: word()}
				switch own.IntN(4) {
				case 0:
					hidden.Fact = &pb.Observation_Health_{Health: &pb.Observation_Health{Text: word()}}
				case 1:
					hidden.Fact = &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: word()}}
				case 2:
					hidden.Fact = &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: p.x.collection + "/benches/b0"}}
				default:
					hidden.Fact = &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: word()}}
				}
				ask(recorder(), pb.ObservationService_CreateObservation_FullMethodName, &pb.CreateObservationRequest{Parent: name, ObservationId: fmt.Sprintf("s%d", j), Observation: hidden})
			}
		}
		if maybe() {
			ask(recorder(), pb.PhotoService_CreatePhoto_FullMethodName, &pb.CreatePhotoRequest{
				Parent: name, Data: pictureOf(word()), Credit: proto.String(word()), Note: word(), TakenTime: timestamppb.New(hour(3))})
		}
		if maybe() {
			gone := fmt.Sprintf("q%d", i)
			ask(by(), pb.PlantService_CreatePlant_FullMethodName, &pb.CreatePlantRequest{Parent: p.x.collection, PlantId: gone, Plant: &pb.Plant{Tag: word(), Taxon: "taxa/drosera-capensis"}})
			ask(by(), pb.PlantService_DeletePlant_FullMethodName, &pb.DeletePlantRequest{Name: p.x.collection + "/plants/" + gone})
		}
	}
	if maybe() {
		ask(by(), pb.SheetService_CreateSheet_FullMethodName, &pb.CreateSheetRequest{Parent: p.x.collection})
	}
	return p
}

// ask sends a request without a body. The answer has its status, header and body.
func (d *matrixDoors) ask(t *testing.T, c *matrixCaller, method, target string) matrixAnswer {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, d.url(target), nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set(requestIDHeader, "matrix")
	r.Header.Set("Authorization", c.authorization[0])
	answer, err := d.client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	answer.Header.Del("Date")
	return matrixAnswer{whole: fmt.Sprintf("%d %v %s", answer.StatusCode, answer.Header, text)}
}

// etagOf matches what hangs on the bytes of a page.
var etagOf = regexp.MustCompile(`Etag:\[[^\]]*\]|Content-Length:\[[^\]]*\]|Link:\[[^\]]*\]`)

// visits are what visitors may ask, and what they may try.
func visits(collection string) (targets []string) {
	c := "/v1/" + collection
	query := func(path string, pairs ...string) {
		q := url.Values{}
		for i := 0; i < len(pairs); i += 2 {
			q.Set(pairs[i], pairs[i+1])
		}
		targets = append(targets, path+"?"+q.Encode())
	}
	targets = append(targets, c, "/v1/collections", "/v1/collections?filter=visibility%3DPUBLIC", "/v1/collections?filter=visibility%3DPUBLIC&orderBy=displayName")
	query("/v1/collections", "filter", `visibility = PUBLIC AND timeZone = "UTC"`)
	query("/v1/collections", "filter", `visibility = PUBLIC AND createTime > "2026-01-01T00:00:00Z"`)
	query("/v1/collections", "filter", "visibility = PUBLIC", "showDeleted", "true")
	fields := []string{
		"name", "tag", "scientificName", "cultivar", "clone", "source", "locality", "taxon", "genus", "bench", "trapType", "state", "propagation", "quantity", "acquireDate", "createTime",
		"fedTime", "fedDate", "outcome", "trapsFed", "food", "note", "feeder", "observeTime", "kind", "recorder", "walkOrder", "displayName", "timeZone", "visibility",
	}
	lists := []string{c + "/plants", c + "/plants/-/feedings", c + "/plants/-/observations", c + "/plants/q0/feedings", "/v1/collections"}
	for _, list := range lists {
		targets = append(targets, list, list+"?pageSize=1", list+"?showDeleted=true", list+"?orderBy=name", list+"?orderBy=name%20desc")
		for _, field := range fields {
			query(list, "orderBy", field)
			query(list, "filter", field+` : "hidden"`)
		}
		for _, filter := range []string{
			"trapsFed = 1", "trapsFed > 1", "outcome = CLEAN", "state = GROWING", "state = x", "kind = health", "kind = measurement", "kind = x", "quantity = 1", `taxon = "taxa/drosera-capensis"`,
			`fedTime > "2026-05-10T12:00:00Z"`, `observeTime > "2026-05-10T12:00:00Z"`, `createTime > "2026-05-10T12:00:00Z"`, `acquireDate = "2024-06-01"`, `bench = ""`, "trapType = SNAP", "x",
		} {
			query(list, "filter", filter)
		}
		query(list, "tag", "hidden 1")
		query(list, "pageToken", "AAAA")
	}
	for i := range 4 {
		for _, kind := range []string{"p", "q"} {
			plant := fmt.Sprintf("%s/plants/%s%d", c, kind, i)
			targets = append(targets, plant, plant+"/revisions", plant+":explainDue")
			for j := range 3 {
				for _, event := range []string{"feedings/f", "feedings/h", "observations/o", "observations/s"} {
					one := fmt.Sprintf("%s/%s%d", plant, event, j)
					targets = append(targets, one, one+"/revisions")
				}
			}
		}
		targets = append(targets, fmt.Sprintf("%s/benches/b%d", c, i), fmt.Sprintf("%s/sheets/%d", c, i))
	}
	for _, path := range []string{
		"/plants/-?tag=hidden%201", "/plants/-/feedings?tag=hidden%202", "/plants/-:explainDue?tag=hidden", "/dueFeedings", "/dayPlan", "/watchList", "/benches", "/revisions", "/sheets", "/grants",
		"/invitations", "/calendars", "/plants:export", "/feedings:export", "/observations:export",
	} {
		targets = append(targets, c+path)
	}
	return targets
}

// theFields matches what an error tells of what there is to choose from.
var theFields = regexp.MustCompile(`(?:fields|they) are ([A-Za-z_, ]+)`)

// visitorWords are all that such an error may name.
var visitorWords = strings.Fields(`name displayName visibility quantity state taxon trapType food outcome trapsFed kind measurement stalk catchSurvey count repotting
	PRIVATE SHARED PUBLIC GROWING DEAD SOLD GIVEN_AWAY ADHESIVE SNAP PITFALL SUCTION EEL CLEAN RESIDUE MOULD REJECTED`)

var pageTokenOf = regexp.MustCompile(`"nextPageToken":\s*"([^"]*)"`)

// TestVisitorsSeeNoDifference opens pairs of public collections that differ in what is
// withheld only. Every call of a visitor answers the same, to the byte.
func TestVisitorsSeeNoDifference(t *testing.T) {
	for engine, pairs := range map[store.Engine]int{store.SQLite: storetest.Fewer(2, 1), store.Postgres: 1} {
		for seed := range uint64(pairs) {
			t.Run(fmt.Sprintf("%s-%d", engine, seed), func(t *testing.T) {
				t.Parallel()
				a := openPublic(t, engine, rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2)))
				b := openPublic(t, engine, rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 3)))
				// The owners see that they differ.
				look := func(p *publicPlace, who, target string) matrixAnswer {
					return p.d.ask(t, &p.callers[who][0], http.MethodGet, target)
				}
				if a, b := look(a, matrixOwner, "/v1/"+a.x.collection+"/plants"), look(b, matrixOwner, "/v1/"+b.x.collection+"/plants"); a.whole == b.whole {
					t.Fatal("the collections do not differ")
				}
				seen := 0
				for _, target := range visits(a.x.collection) {
					one, other := target, target
					for page := 0; page < 20; page++ {
						x, y := look(a, matrixStranger, one), look(b, matrixStranger, other)
						if strings.Contains(x.whole, "hidden") && !strings.Contains(target, "hidden") {
							t.Errorf("%s shows what is hidden: %s", target, x.whole)
						}
						tx, ty := pageTokenOf.FindStringSubmatch(x.whole), pageTokenOf.FindStringSubmatch(y.whole)
						more := len(tx) > 1 && tx[1] != ""
						if more != (len(ty) > 1 && ty[1] != "") {
							t.Errorf("%s: pages end elsewhere:\n%s\n%s", target, x.whole, y.whole)
							break
						}
						if more { // its token is of the server's own key, and so is the hash of the whole in its ETag
							x.whole, y.whole = etagOf.ReplaceAllString(pageTokenOf.ReplaceAllString(x.whole, ""), ""), etagOf.ReplaceAllString(pageTokenOf.ReplaceAllString(y.whole, ""), "")
						}
						if x.whole != y.whole {
							t.Errorf("%s differs:\n%s\n%s", target, x.whole, y.whole)
						}
						for _, m := range theFields.FindAllStringSubmatch(x.whole, -1) {
							for _, word := range strings.Split(m[1], ", ") {
								if strings.HasPrefix(target, "/v1/collections?") && !strings.Contains(target, "PUBLIC") || strings.Contains(target, "?tag=") {
									continue // of one's own, or of the keys of the query
								}
								if !slices.Contains(visitorWords, word) {
									t.Errorf("%s tells of %s: %s", target, word, m[0])
								}
							}
						}
						if strings.HasPrefix(x.whole, "200 ") {
							seen++
						}
						if !more {
							break
						}
						glue := "?"
						if strings.Contains(target, "?") {
							glue = "&"
						}
						one, other = target+glue+"pageToken="+url.QueryEscape(tx[1]), target+glue+"pageToken="+url.QueryEscape(ty[1])
						// The page of another caller opens nothing.
						if got := look(a, "member", one); !strings.HasPrefix(got.whole, "400 ") {
							t.Errorf("%s: another's page: %s", target, got.whole)
						}
					}
				}
				if seen < 60 {
					t.Errorf("only %d pages were seen", seen)
				}
				for _, method := range slices.Sorted(maps.Keys(matrix)) {
					asked := matrix[method]
					if least, of := asked.asks(asked.requests(a.x)[0]); of != "collection" || least < 2 {
						continue
					}
					for _, req := range asked.requests(a.x) {
						if x, y := a.d.call(t, &a.callers[matrixStranger][0], method, req), b.d.call(t, &b.callers[matrixStranger][0], method, req); x.code != codes.NotFound || x.whole != y.whole {
							t.Errorf("%s differs:\n%s\n%s", method, x.whole, y.whole)
						}
					}
				}
			})
		}
	}
}

// TestViewersSeeNoLocality looks for localities in all that a viewer gets.
func TestViewersSeeNoLocality(t *testing.T) {
	a := openPublic(t, store.SQLite, rand.New(rand.NewPCG(7, 1)), rand.New(rand.NewPCG(7, 2)))
	owner := &a.callers[matrixOwner][0]
	const where = "behind the third dune"
	name := a.x.collection + "/plants/p0"
	for _, p := range []*pb.Plant{{Name: name, Locality: where}, {Name: name, Clone: "B"}} {
		if got := a.d.call(t, owner, pb.PlantService_UpdatePlant_FullMethodName, &pb.UpdatePlantRequest{Plant: p}); got.code != codes.OK {
			t.Fatal(got.whole)
		}
	}
	if got := a.d.call(t, owner, pb.SheetService_CreateSheet_FullMethodName, &pb.CreateSheetRequest{Parent: a.x.collection}); got.code != codes.OK {
		t.Fatal(got.whole)
	}
	shown := map[string]int{}
	for _, target := range append(visits(a.x.collection), "/v1/"+a.x.collection+"/sheets/1:print", "/v1/"+a.x.collection+"/plants:labels") {
		if strings.Contains(target, "orderBy=") || strings.Contains(target, "filter=") {
			continue
		}
		for _, who := range []string{matrixOwner, "manager", "keeper", "club-keeper", "viewer", "club-viewer", matrixStranger} {
			got := a.d.ask(t, &a.callers[who][0], http.MethodGet, target)
			if strings.Contains(got.whole, where) || regexp.MustCompile(`"locality":\s*"hidden`).MatchString(got.whole) {
				shown[who]++
			}
		}
	}
	for _, who := range []string{matrixOwner, "manager", "keeper", "club-keeper"} {
		if shown[who] < 5 {
			t.Errorf("%s sees localities %d times", who, shown[who])
		}
	}
	for _, who := range []string{"viewer", "club-viewer", matrixStranger} {
		if shown[who] > 0 {
			t.Errorf("%s sees localities %d times", who, shown[who])
		}
	}
}
