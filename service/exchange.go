package service

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/table"
	"dewbench/store"
)

// Exchange are the calls that bring tables in and give them out.
type Exchange struct {
	*Core
	feedings     *Feedings
	observations *Observations
	taxa         *catalogue.Names[*catalogue.Taxon]
}

// NewExchange returns the calls that bring tables in and give them out.
func NewExchange(core *Core, feedings *Feedings, observations *Observations) *Exchange {
	var taxa []*catalogue.Taxon
	for _, t := range core.catalogue.Taxa() {
		taxa = append(taxa, &t)
	}
	return &Exchange{Core: core, feedings: feedings, observations: observations,
		taxa: catalogue.NewNames(taxa, func(t *catalogue.Taxon) (string, []string) { return t.ScientificName, t.Synonyms })}
}

// foodOf finds a kind of food by its name, its id, what it is shown as, or by words that
// only one has. note says how it was understood, rule why it was not.
func (x *Exchange) foodOf(text string) (name, note, rule string) {
	if text == "" {
		return "", "", ""
	}
	wanted := wordsOf(strings.TrimPrefix(text, foodPrefix))
	var fits []string
	for _, f := range x.catalogue.Foods() {
		id, shown := wordsOf(f.ID), wordsOf(f.DisplayName)
		if slices.Equal(wanted, id) || slices.Equal(wanted, shown) {
			return foodPrefix + f.ID, "", ""
		}
		all := slices.Concat(id, shown)
		if len(wanted) > 0 && !slices.ContainsFunc(wanted, func(w string) bool { return !slices.Contains(all, w) }) {
			fits = append(fits, f.ID)
		}
	}
	switch len(fits) {
	case 1:
		return foodPrefix + fits[0], fmt.Sprintf("food: %q is taken as %s", short(text), fits[0]), ""
	case 0:
		var ids []string
		for _, name := range x.feedings.due.foodNames {
			ids = append(ids, strings.TrimPrefix(name, foodPrefix))
		}
		rule = "is not a kind of food of the catalogue"
		if near := table.Nearest(text, ids, 1); len(near) > 0 {
			rule += fmt.Sprintf("; did you mean %q?", near[0])
		}
		return "", "", rule + "; they are " + strings.Join(ids, ", ")
	}
	return "", "", "may be " + strings.Join(fits, " or ") + ": write which"
}

// wordsOf are the words of a text, without case and plural.
func wordsOf(text string) []string {
	words := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	for i, w := range words {
		if len(w) > 3 {
			words[i] = strings.TrimSuffix(w, "s")
		}
	}
	return words
}

// benchBook finds the benches of a collection by what tables call them, and makes those
// that are not there.
type benchBook struct {
	v       *visit
	c       *collection
	all     map[string]*pb.Bench   // by id; those to be made too
	byName  map[string][]*pb.Bench // by folded display name; without deleted ones
	planned []*pb.Bench            // to be made
	from    map[string]string      // by name: what first said so in the table
	maker   string                 // who would make it, if the caller may not; "": they may
}

func (v *visit) benchBook(c *collection) (*benchBook, error) {
	all, err := v.allBenches(c)
	if err != nil {
		return nil, err
	}
	b := &benchBook{v: v, c: c, all: all, byName: map[string][]*pb.Bench{}, from: map[string]string{}}
	switch manage := Rules[pb.BenchService_CreateBench_FullMethodName]; { // a keeper may record moves, and benches are settings
	case c.is < manage.Least:
		b.maker = manage.Least.String() + " of the collection"
	case !Holds(v.call.caller.Scopes, manage.Scope):
		b.maker = "a token with the scope " + manage.Scope
	}
	for _, m := range all {
		b.list(m)
	}
	return b, nil
}

func (b *benchBook) list(m *pb.Bench) {
	if m.GetDeleteTime() == nil {
		key := table.Fold(m.GetDisplayName())
		b.byName[key] = append(b.byName[key], m)
	}
}

// label is what a table calls a bench: its display name, or its name where that would not
// do, as several are shown by the same.
func (b *benchBook) label(name string) string {
	m := b.all[store.Segment(name, "benches")]
	if m == nil {
		return name
	}
	switch key := table.Fold(m.GetDisplayName()); {
	case key == "", key == noBench, m.GetDeleteTime() == nil && len(b.byName[key]) > 1:
		return name
	}
	return m.GetDisplayName()
}

// exposureNames are what a bench is called of which only the exposure is told.
var exposureNames = map[pb.Bench_Exposure]string{
	pb.Bench_OUTDOORS: "outdoors", pb.Bench_GREENHOUSE: "greenhouse", pb.Bench_WINDOWSILL: "windowsill", pb.Bench_ENCLOSED: "under lamps",
}

// spot is where a row of a table puts a plant.
type spot struct {
	line      int
	text      string // what the bench is called; "" where only the exposure is told
	exposure  pb.Bench_Exposure
	lampHours *float64
	any       bool // where only the exposure is told, the only bench of it may be meant
}

// misplaced is what is wrong with a spot: the column by what it gives, and its cell.
type misplaced struct{ gives, value, rule string }

// find returns the bench of a spot. One that is not there is planned.
func (b *benchBook) find(s spot) (bench *pb.Bench, note string, wrong *misplaced) {
	text := s.text
	gives := "bench"
	if text == "" {
		gives = "exposure"
		if text = exposureNames[s.exposure]; s.any && len(b.byName[text]) == 0 {
			found, rule := b.only(s.exposure)
			if rule != "" {
				return nil, "", &misplaced{gives, "", rule}
			}
			if found != nil {
				return found, "", nil
			}
		}
	}
	switch found := b.byName[table.Fold(text)]; {
	case len(found) > 1:
		return nil, "", &misplaced{gives, s.text, fmt.Sprintf("is what %d benches are called: give the name of one, such as %s", len(found), found[0].GetName())}
	case len(found) == 1:
		bench = found[0]
	default:
		id := text
		if shape(text, "collections", "benches") && store.Segment(text, "collections") == b.c.ID() {
			id = store.Segment(text, "benches")
		}
		if m := b.all[id]; m != nil && m.GetDeleteTime() == nil {
			bench = m
		}
	}
	if bench == nil {
		made, rule := b.plan(text, s)
		if rule != "" {
			return nil, "", &misplaced{gives, s.text, rule}
		}
		return made, "", nil
	}
	if s.exposure != 0 && bench.GetExposure() != s.exposure {
		if bench.GetExposure() == 0 {
			return bench, fmt.Sprintf("bench: %s has no exposure yet, and stays so: set it to %s", bench.GetDisplayName(), s.exposure), nil
		}
		rule := fmt.Sprintf("is %s, but a bench has one exposure, and that of %q is %s", word(s.exposure), bench.GetDisplayName(), word(bench.GetExposure()))
		if first := b.from[bench.GetName()]; first != "" {
			rule += " by " + first
		}
		return nil, "", &misplaced{"exposure", "", rule + ": name another bench"}
	}
	return bench, "", nil
}

// only returns the bench of an exposure, if there is one alone.
func (b *benchBook) only(exposure pb.Bench_Exposure) (bench *pb.Bench, rule string) {
	var found []string
	for _, m := range b.all {
		if m.GetDeleteTime() == nil && m.GetExposure() == exposure {
			found, bench = append(found, m.GetDisplayName()), m
		}
	}
	if len(found) > 1 {
		slices.Sort(found)
		return nil, fmt.Sprintf("is the exposure of several benches, %s: give the bench", strings.Join(found[:min(len(found), 5)], ", "))
	}
	return bench, ""
}

// plan makes up a bench, to be made when the row is written.
func (b *benchBook) plan(text string, s spot) (bench *pb.Bench, rule string) {
	if b.maker != "" {
		var names []string
		for _, m := range b.all {
			if m.GetDeleteTime() == nil {
				names = append(names, m.GetDisplayName())
			}
		}
		slices.Sort(names)
		rule = "is not a bench of the collection"
		if near := table.Nearest(text, names, 1); len(near) > 0 {
			return nil, rule + fmt.Sprintf("; did you mean %q? Only %s makes a new one", near[0], b.maker)
		}
		return nil, rule + "; only " + b.maker + " makes it"
	}
	if n := len([]rune(text)); n > mostBenchName {
		return nil, fmt.Sprintf("is longer than the %d characters that a bench's name may have", mostBenchName)
	}
	last := int32(0) // in the round: it comes behind the others, as the table has it
	for _, m := range b.all {
		if m.GetDeleteTime() == nil {
			last = max(last, m.GetWalkOrder())
		}
	}
	bench = &pb.Bench{Name: store.BenchName(b.c.ID(), b.freeID(text)), DisplayName: text, Exposure: s.exposure, LampHours: s.lampHours}
	if last < mostWalkOrder {
		bench.WalkOrder = proto.Int32(last + 1)
	}
	b.all[store.Segment(bench.GetName(), "benches")] = bench
	b.list(bench)
	b.planned = append(b.planned, bench)
	b.from[bench.GetName()] = fmt.Sprintf("line %d", s.line)
	return bench, ""
}

// mostWalkOrder is the most that the walk order of a bench may be.
const mostWalkOrder = 1_000_000

// mostBenchName is how many characters the display name of a bench may have.
const mostBenchName = 200

// freeID makes an id of the display name of a bench.
func (b *benchBook) freeID(text string) string {
	id := catalogue.Slug(text)
	id = strings.Trim(id[:min(len(id), 56)], "-")
	for n := 1; n < 100; n++ {
		chosen := id
		if n > 1 {
			chosen = fmt.Sprintf("%s-%d", id, n)
		}
		if id == "" || chosen == "me" {
			continue
		}
		if b.all[chosen] == nil {
			return chosen
		}
	}
	return b.v.newID()
}

// make makes the benches that were planned and on which something stands.
func (b *benchBook) make(used map[string]bool) (names []string, err error) {
	for _, m := range b.planned {
		if !used[m.GetName()] {
			continue
		}
		made, err := b.c.CreateBench(m, b.v.by())
		if err != nil {
			return nil, err
		}
		b.all[store.Segment(m.GetName(), "benches")] = made
		names = append(names, m.GetName())
	}
	return names, nil
}

// clockIn returns the day and the time of day of an instant in a collection.
func (c *collection) clockIn(us int64) (civil.Day, int) {
	t := instantOfMicros(us).AsTime().In(c.zone)
	return civil.Of(t, c.zone), t.Hour()*3600 + t.Minute()*60 + t.Second()
}

// ownName returns the id of a resource of the collection where a ref is its name.
func (c *collection) ownName(ref string, kinds ...string) string {
	if shape(ref, kinds...) && store.Segment(ref, "collections") == c.ID() {
		return store.Segment(ref, kinds[len(kinds)-1])
	}
	return ""
}
