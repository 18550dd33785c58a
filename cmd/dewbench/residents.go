package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"dewbench/api"
	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/store"
)

// The demo's society is invented: no real grower, firm or place stands behind it.
// Its records are made through the API with the growers' own tokens, in the order in
// which growers would have made them, and are the same for the same day.

// keeper is a grower of the society, with one collection.
type keeper struct {
	name, about string
	collection  string // its name to show
	zone        string
	latitude    float64 // 0: not given
	south       bool
	weekdays    []dayofweek.DayOfWeek // none: every day
	awayFrom    civil.Day             // counted from today; 0: at home
	awayUntil   civil.Day
	regimens    []*pb.Collection_GroupRegimen
	arrivals    []int         // how many days ago pots may have come; what stands twice is likelier
	shared      pb.Grant_Role // what those of the society may do with the collection; 0: nothing
	public      bool
	short       bool // its pots are sold young: they have few records
	stands      []stand
	odd         func(*lives) // adds pots that every collection has one of
}

// stand is a bench.
type stand struct {
	name, letter string
	pots         int
	exposure     pb.Bench_Exposure
	lamps        float64  // hours of light
	summer       string   // the bench in the open air where its pots spend the summer
	taxa         []string // of the catalogue, or names that it lacks
}

// id is the last part of the bench's name.
func (s *stand) id() string { return slug(s.name) }

// slug turns a name to show into an id.
func slug(name string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return (r < 'a' || r > 'z') && (r < '0' || r > '9') }), "-")
}

// years is how long the society has kept records, in days.
const years = 730

// settled are the arrivals of a grower who began two years ago.
var settled = []int{years, years, years, years, years, 610, 480, 370, 290, 200, 120, 60, 33, 8}

// nurseryPots is how many pots the nursery has.
const nurseryPots = 1500

// society returns the growers. The first is the one whose list the demo shows.
func society(nurseryPots int) []*keeper {
	return []*keeper{
		{
			name: "Odalys Mosspenny", about: "a small glasshouse, a window, lamps in the cellar, bog boxes",
			collection: "The glasshouse", zone: "Europe/Amsterdam", latitude: 51,
			awayFrom: 4, awayUntil: 9, arrivals: settled, odd: odalysOdd,
			stands: []stand{
				{name: "Glass, left", letter: "A", pots: 12, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"drosera-aliciae", "drosera-spatulata", "drosera-venusta", "drosera-dielsiana"}},
				{name: "Glass, right", letter: "B", pots: 12, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"drosera-natalensis", "drosera-cuneifolia", "drosera-tokaiensis", "drosera-madagascariensis"}},
				{name: "Pygmy shelf", letter: "C", pots: 8, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"drosera-pulchella", "drosera-scorpioides", "drosera-roseana", "drosera-nitidula"}},
				{name: "Tuber corner", letter: "D", pots: 8, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"drosera-auriculata", "drosera-whittakeri", "drosera-zonaria"}},
				{name: "Butterwort tray", letter: "E", pots: 8, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"pinguicula-moranensis", "pinguicula-esseriana", "pinguicula-agnata", "pinguicula-gigantea"}},
				{name: "Kitchen window", letter: "F", pots: 8, exposure: pb.Bench_WINDOWSILL, summer: "Kitchen steps",
					taxa: []string{"drosera-capensis", "drosera-binata", "nepenthes-ventricosa"}},
				{name: "Kitchen steps", letter: "S", exposure: pb.Bench_OUTDOORS},
				{name: "Cellar lamps", letter: "G", pots: 12, exposure: pb.Bench_ENCLOSED, lamps: 14,
					taxa: []string{"drosera-sessilifolia", "drosera-burmanni", "heliamphora-minor", "dionaea-muscipula", "utricularia-sandersonii"}},
				{name: "South bed", letter: "K", pots: 8, exposure: pb.Bench_OUTDOORS,
					taxa: []string{"sarracenia-flava", "sarracenia-purpurea", "darlingtonia-californica"}},
				{name: "Bog box", letter: "L", pots: 8, exposure: pb.Bench_OUTDOORS,
					taxa: []string{"dionaea-muscipula", "drosera-rotundifolia", "drosera-filiformis", "pinguicula-grandiflora"}},
				{name: "Cold frame", letter: "M", exposure: pb.Bench_GREENHOUSE},
				{name: "Odds and ends", letter: "X", exposure: pb.Bench_ENCLOSED, lamps: 12},
			},
		},
		{
			name: "Bram Dewhollow", about: "three windowsills in a town flat, fed on Wednesdays and Saturdays",
			collection: "Windows", zone: "Europe/Warsaw", latitude: 52, arrivals: settled, shared: pb.Grant_KEEPER,
			weekdays: []dayofweek.DayOfWeek{dayofweek.DayOfWeek_WEDNESDAY, dayofweek.DayOfWeek_SATURDAY},
			stands: []stand{
				{name: "Kitchen sill", letter: "K", pots: 10, exposure: pb.Bench_WINDOWSILL, summer: "Balcony",
					taxa: []string{"drosera-capensis", "drosera-aliciae", "dionaea-muscipula"}},
				{name: "Stairs", letter: "S", pots: 10, exposure: pb.Bench_WINDOWSILL,
					taxa: []string{"drosera-spatulata", "drosera-adelae", "cephalotus-follicularis", "pinguicula-emarginata"}},
				{name: "Bathroom", letter: "B", pots: 8, exposure: pb.Bench_WINDOWSILL,
					taxa: []string{"nepenthes-x-ventrata", "nepenthes-sanguinea", "drosera-schizandra"}},
				{name: "Balcony", letter: "Y", exposure: pb.Bench_OUTDOORS},
			},
		},
		{
			name: "Sunniva Lampwick", about: "racks under lamps, with a cold shelf for the winter",
			collection: "Basement racks", zone: "America/Toronto", latitude: 44, arrivals: settled,
			stands: []stand{
				{name: "Rack 1", letter: "P", pots: 14, exposure: pb.Bench_ENCLOSED, lamps: 14,
					taxa: []string{"drosera-sessilifolia", "drosera-burmanni", "drosera-graomogolensis", "drosera-paradoxa"}},
				{name: "Rack 2", letter: "Q", pots: 14, exposure: pb.Bench_ENCLOSED, lamps: 12,
					taxa: []string{"dionaea-muscipula", "heliamphora-nutans", "heliamphora-heterodoxa", "pinguicula-gypsicola"}},
				{name: "Wet tank", letter: "T", pots: 12, exposure: pb.Bench_ENCLOSED, lamps: 12,
					taxa: []string{"nepenthes-ampullaria", "nepenthes-bicalcarata", "utricularia-longifolia", "genlisea-hispidula", "Philcoxia minensis"}},
			},
		},
		{
			name: "Teodor Bogwright", about: "beds and tubs in the open, which mostly feed themselves",
			collection: "Back garden", zone: "America/Los_Angeles", latitude: 38, arrivals: settled,
			stands: []stand{
				{name: "Pitcher bed", letter: "P", pots: 24, exposure: pb.Bench_OUTDOORS,
					taxa: []string{"sarracenia-flava", "sarracenia-leucophylla", "sarracenia-alata", "sarracenia-minor", "darlingtonia-californica"}},
				{name: "Flytrap tub", letter: "F", pots: 16, exposure: pb.Bench_OUTDOORS, taxa: []string{"dionaea-muscipula"}},
				{name: "Sundew gutter", letter: "G", pots: 14, exposure: pb.Bench_OUTDOORS,
					taxa: []string{"drosera-rotundifolia", "drosera-intermedia", "drosera-filiformis", "drosera-anglica"}},
			},
		},
		{
			name: "Wilga Sandpocket", about: "tuberous and pygmy sundews of the south, and pitchers by the tank",
			collection: "Sand and gravel", zone: "Australia/Perth", south: true, arrivals: settled, public: true,
			stands: []stand{
				{name: "Tuber tables", letter: "T", pots: 16, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"drosera-erythrorhiza", "drosera-macrantha", "drosera-menziesii", "drosera-zonaria"}},
				{name: "Pygmy tables", letter: "P", pots: 14, exposure: pb.Bench_GREENHOUSE, summer: "Shade cloth",
					taxa: []string{"drosera-pygmaea", "drosera-callistos", "drosera-omissa", "drosera-microscapa"}},
				{name: "Tank edge", letter: "E", pots: 12, exposure: pb.Bench_OUTDOORS,
					taxa: []string{"cephalotus-follicularis", "sarracenia-purpurea", "utricularia-dichotoma", "drosera-binata"}},
				{name: "Shade cloth", letter: "C", exposure: pb.Bench_OUTDOORS},
			},
		},
		{
			name: "Kettlemoss Nursery", about: "pots by the tray, sold young",
			collection: "Sales houses", zone: "Pacific/Auckland", latitude: -37, south: true, short: true,
			weekdays: []dayofweek.DayOfWeek{dayofweek.DayOfWeek_TUESDAY, dayofweek.DayOfWeek_FRIDAY},
			arrivals: []int{124, 103, 82, 61, 61, 40},
			regimens: []*pb.Collection_GroupRegimen{{
				Group:   &pb.Collection_GroupRegimen_Genus{Genus: "Drosera"},
				Regimen: &pb.Regimen{IntervalDays: proto.Int32(20), ToleranceDays: proto.Int32(6)},
			}},
			stands: []stand{
				{name: "House 1", letter: "A", pots: nurseryPots * 4 / 10, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"drosera-capensis", "drosera-aliciae", "drosera-spatulata"}},
				{name: "House 2", letter: "B", pots: nurseryPots * 3 / 10, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"dionaea-muscipula", "nepenthes-x-ventrata"}},
				{name: "House 3", letter: "C", pots: nurseryPots * 2 / 10, exposure: pb.Bench_GREENHOUSE,
					taxa: []string{"pinguicula-moranensis", "pinguicula-agnata", "drosera-binata"}},
				{name: "Standing ground", letter: "D", pots: nurseryPots / 10, exposure: pb.Bench_OUTDOORS,
					taxa: []string{"sarracenia-purpurea", "sarracenia-flava"}},
			},
		},
	}
}

// wound is a clock that can be wound back. Its zero value goes right.
type wound struct{ at atomic.Pointer[time.Time] }

func (w *wound) now() time.Time {
	if at := w.at.Load(); at != nil {
		return *at
	}
	return time.Now()
}

// set stops the clock at a moment.
func (w *wound) set(at time.Time) { w.at.Store(&at) }

// release lets the clock go right again.
func (w *wound) release() { w.at.Store(nil) }

// resident is a grower of the society who has moved in.
type resident struct {
	*keeper
	token                        string
	today                        civil.Day // where the grower is
	place                        string    // the name of the collection
	pots, feedings, observations int       // on record
}

// founding fills a database with the society.
type founding struct {
	store    *store.Store
	stays    bool // is not thrown away at the end
	conn     grpc.ClientConnInterface
	clock    *wound // of the server behind conn
	now      time.Time
	taxa     map[string]*pb.Taxon // by name
	progress func(records int)    // is told how much is written
	records  int
}

// found makes the growers and their records of two years up to now.
func found(ctx context.Context, f *founding, keepers []*keeper) ([]*resident, error) {
	residents := make([]*resident, len(keepers))
	for i, k := range keepers {
		zone, err := time.LoadLocation(k.zone)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", k.name, err)
		}
		residents[i] = &resident{keeper: k, today: civil.Of(f.now, zone)}
		if err := f.settle(ctx, residents[i], i, zone); err != nil {
			if f.stays {
				err = fmt.Errorf("%w; a part of the invented records is in the database: throw it away", err)
			}
			return nil, fmt.Errorf("records of %s: %w", k.name, err)
		}
	}
	if err := f.gather(ctx, residents); err != nil {
		return nil, fmt.Errorf("society of the growers: %w", err)
	}
	return residents, nil
}

// circle is the name of the growers' society.
const circle = "Sill and Bog Circle"

// gather makes the growers a society, with the first as its organiser, and opens the
// collections that others see.
func (f *founding) gather(ctx context.Context, residents []*resident) error {
	f.clock.set(f.now)
	first := api.WithToken(f.conn, residents[0].token)
	society, err := pb.NewSocietyServiceClient(first).CreateSociety(ctx, &pb.CreateSocietyRequest{Society: &pb.Society{DisplayName: circle}})
	if err != nil {
		return err
	}
	for _, r := range residents[1:] {
		invitation, err := pb.NewInvitationServiceClient(first).CreateInvitation(ctx, &pb.CreateInvitationRequest{
			Parent: society.GetName(), Invitation: &pb.Invitation{DisplayName: r.name, Role: pb.Invitation_MEMBER},
		})
		if err != nil {
			return err
		}
		conn := api.WithToken(f.conn, r.token)
		if _, err := pb.NewInvitationServiceClient(conn).AcceptInvitation(ctx, &pb.AcceptInvitationRequest{Secret: invitation.GetSecret()}); err != nil {
			return err
		}
	}
	for _, r := range residents {
		if err := r.open(ctx, api.WithToken(f.conn, r.token), society.GetName()); err != nil {
			return fmt.Errorf("%s: %w", r.collection, err)
		}
	}
	return nil
}

// open lets others see the collection as the grower wants it.
func (r *resident) open(ctx context.Context, conn grpc.ClientConnInterface, society string) error {
	visibility := pb.Collection_SHARED
	switch {
	case r.public:
		visibility = pb.Collection_PUBLIC
	case r.shared == 0:
		return nil
	}
	_, err := pb.NewCollectionServiceClient(conn).UpdateCollection(ctx, &pb.UpdateCollectionRequest{
		Collection: &pb.Collection{Name: r.place, Visibility: visibility}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"visibility"}},
	})
	if err != nil || r.shared == 0 {
		return err
	}
	_, err = pb.NewGrantServiceClient(conn).CreateGrant(ctx, &pb.CreateGrantRequest{
		Parent: r.place, Grant: &pb.Grant{Grantee: &pb.Grant_Society{Society: society}, Role: r.shared},
	})
	return err
}

// writingDays is how often a grower of the society writes the notes down.
const writingDays = 56

// settle makes a grower and the grower's records, with the server's clock where the
// grower's was.
func (f *founding) settle(ctx context.Context, r *resident, index int, zone *time.Location) error {
	began := r.today - years - 1
	f.clock.set(began.Noon(zone))
	var err error
	if r.token, err = moveIn(ctx, f.store, r.name, f.clock.now()); err != nil {
		return err
	}
	conn := api.WithToken(f.conn, r.token)
	if err := r.furnish(ctx, conn); err != nil {
		return err
	}
	if f.taxa == nil {
		if f.taxa, err = taxaByName(ctx, conn); err != nil {
			return err
		}
	}
	all, err := r.lives(index, f.taxa)
	if err != nil {
		return err
	}
	for from := began; from < r.today; {
		until := min(from+writingDays, r.today)
		if err := f.write(ctx, conn, r, all, from, until, zone); err != nil {
			return err
		}
		from = until
	}
	return nil
}

// furnish makes the collection and its benches.
func (r *resident) furnish(ctx context.Context, conn grpc.ClientConnInterface) error {
	collection := &pb.Collection{DisplayName: r.collection, TimeZone: r.zone, FeedingWeekdays: r.weekdays, Regimens: r.regimens}
	if r.latitude != 0 {
		collection.LatitudeDeg = proto.Float64(r.latitude)
	} else if r.south {
		collection.Hemisphere = pb.Collection_SOUTH
	}
	if r.awayFrom != 0 {
		collection.Absences = []*pb.Absence{{FromDate: (r.today + r.awayFrom).String(), UntilDate: (r.today + r.awayUntil).String()}}
	}
	made, err := pb.NewCollectionServiceClient(conn).CreateCollection(ctx, &pb.CreateCollectionRequest{Collection: collection})
	if err != nil {
		return err
	}
	r.place = made.GetName()
	for i := range r.stands {
		s := &r.stands[i]
		bench := &pb.Bench{DisplayName: s.name, Exposure: s.exposure, WalkOrder: proto.Int32(int32(i))}
		if s.lamps > 0 {
			bench.LampHours = proto.Float64(s.lamps)
		}
		_, err := pb.NewBenchServiceClient(conn).CreateBench(ctx, &pb.CreateBenchRequest{Parent: r.place, BenchId: s.id(), Bench: bench})
		if err != nil {
			return err
		}
	}
	return nil
}

// taxaByName reads the catalogue.
func taxaByName(ctx context.Context, conn grpc.ClientConnInterface) (map[string]*pb.Taxon, error) {
	known, err := readTaxa(ctx, conn)
	if err != nil {
		return nil, err
	}
	taxa := map[string]*pb.Taxon{}
	for _, t := range known {
		taxa[t.GetName()] = t
	}
	return taxa, nil
}

// mostOfBatch is how many records one call takes.
const mostOfBatch = 1000

// write writes down what came, was seen and was fed after one day and up to another.
func (f *founding) write(ctx context.Context, conn grpc.ClientConnInterface, r *resident, all []*life, from, until civil.Day, zone *time.Location) error {
	came := map[civil.Day][]*life{}
	for _, l := range all {
		if from < l.came && l.came <= until {
			came[l.came] = append(came[l.came], l)
		}
	}
	for day := from + 1; day <= until; day++ {
		if len(came[day]) == 0 {
			continue
		}
		f.clock.set(day.Noon(zone))
		for some := range slices.Chunk(came[day], mostOfBatch) {
			batch := &pb.BatchCreatePlantsRequest{Parent: r.place}
			for _, l := range some {
				batch.Requests = append(batch.Requests, &pb.CreatePlantRequest{PlantId: l.id, Plant: l.plant})
			}
			if _, err := pb.NewPlantServiceClient(conn).BatchCreatePlants(ctx, batch); err != nil {
				return err
			}
			r.pots += len(some)
			f.wrote(len(some))
		}
	}
	if until == r.today {
		f.clock.set(f.now)
	} else {
		f.clock.set(until.Noon(zone).Add(8 * time.Hour))
	}
	var seen []*pb.CreateObservationRequest
	var fed []*pb.CreateFeedingRequest
	var labels []*pb.UpdatePlantRequest
	for _, l := range all {
		name := r.place + "/plants/" + l.id
		for _, x := range l.records {
			if x.day <= from || x.day > until {
				continue
			}
			switch {
			case x.seen != nil:
				seen = append(seen, &pb.CreateObservationRequest{Parent: name, Observation: x.seen})
			case x.fed != nil:
				fed = append(fed, &pb.CreateFeedingRequest{Parent: name, Feeding: x.fed})
			default:
				labels = append(labels, &pb.UpdatePlantRequest{
					Plant: &pb.Plant{Name: name, Tag: x.label}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tag"}},
				})
			}
		}
	}
	anyPlant := r.place + "/plants/-"
	for some := range slices.Chunk(seen, mostOfBatch) {
		if _, err := pb.NewObservationServiceClient(conn).BatchCreateObservations(ctx, &pb.BatchCreateObservationsRequest{Parent: anyPlant, Requests: some}); err != nil {
			return err
		}
		r.observations += len(some)
		f.wrote(len(some))
	}
	for some := range slices.Chunk(fed, mostOfBatch) {
		if _, err := pb.NewFeedingServiceClient(conn).BatchCreateFeedings(ctx, &pb.BatchCreateFeedingsRequest{Parent: anyPlant, Requests: some}); err != nil {
			return err
		}
		r.feedings += len(some)
		f.wrote(len(some))
	}
	if len(labels) > 0 {
		if _, err := pb.NewPlantServiceClient(conn).BatchUpdatePlants(ctx, &pb.BatchUpdatePlantsRequest{Parent: r.place, Requests: labels}); err != nil {
			return err
		}
	}
	return nil
}

func (f *founding) wrote(n int) {
	f.records += n
	if f.progress != nil {
		f.progress(f.records)
	}
}
