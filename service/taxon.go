package service

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/season"
)

const taxonPrefix = "taxa/"

// Taxa answers from the shared catalogue.
type Taxa struct {
	version string
	rows    []taxonRow
	byName  map[string]*pb.Taxon
	pages   *Pages
}

// taxonRow is a row of the catalogue with its message, which nobody changes.
type taxonRow struct {
	taxon   catalogue.Taxon
	message *pb.Taxon
}

// NewTaxa returns the calls of the catalogue.
func NewTaxa(c *catalogue.Catalogue, pages *Pages) *Taxa {
	s := &Taxa{version: c.Version(), byName: map[string]*pb.Taxon{}, pages: pages}
	for _, t := range c.Taxa() {
		row := taxonRow{t, taxonMessage(&t)}
		s.rows = append(s.rows, row)
		s.byName[row.message.GetName()] = row.message
	}
	return s
}

// GetTaxon gets a taxon.
func (s *Taxa) GetTaxon(_ context.Context, req *pb.GetTaxonRequest) (*pb.Taxon, error) {
	t, ok := s.byName[req.GetName()]
	if !ok {
		return nil, &Error{Reason: TaxonNotFound, Message: fmt.Sprintf("%s is not in the catalogue", req.GetName())}
	}
	return t, nil
}

var taxonFields = Fields{
	"scientificName": SearchField,
	"genus":          SearchField,
	"rank":           EnumField(pb.Taxon_Rank(0)),
	"trapType":       EnumField(pb.Taxon_TrapType(0)),
	"habit":          EnumField(pb.Taxon_Habit(0)),
	"restSeason":     EnumField(pb.Taxon_Rest_Season(0)),
	"citesAppendix":  EnumField(pb.Taxon_CitesListing_Appendix(0)),
}

// ListTaxa lists taxa. Pages are cut by the last row's place in the order, which
// ends in the name.
func (s *Taxa) ListTaxa(ctx context.Context, req *pb.ListTaxaRequest) (*pb.ListTaxaResponse, error) {
	conditions, err := ParseFilter(req.GetFilter(), taxonFields)
	if err != nil {
		return nil, err
	}
	order, err := parseOrders(req.GetOrderBy(), "scientificName", "genus")
	if err != nil {
		return nil, err
	}
	bound := []string{callerID(ctx), "ListTaxa", req.GetFilter(), req.GetOrderBy(), s.version}
	after, err := s.pages.Cursor(req.GetPageToken(), bound...)
	if err != nil {
		return nil, err
	}
	var found []*pb.Taxon
	for i := range s.rows {
		row := &s.rows[i]
		if !slices.ContainsFunc(conditions, func(c Condition) bool { return !row.meets(c) }) {
			found = append(found, row.message)
		}
	}
	compare := taxonOrder(order)
	slices.SortFunc(found, compare)
	if after != "" {
		edge, ok := s.byName[after]
		if !ok {
			return nil, fmt.Errorf("the cursor of a page names %q, which the catalogue lacks", after)
		}
		at, exact := slices.BinarySearchFunc(found, edge, compare)
		if exact {
			at++
		}
		found = found[at:]
	}
	answer := &pb.ListTaxaResponse{Taxa: found, CatalogueVersion: s.version}
	if size := pageSize(req.GetPageSize()); len(found) > size {
		answer.Taxa = found[:size]
		answer.NextPageToken = s.pages.Token(found[size-1].GetName(), bound...)
	}
	return answer, nil
}

// taxonOrder compares two taxa by the given fields, then by name.
func taxonOrder(order []Order) func(a, b *pb.Taxon) int {
	return func(a, b *pb.Taxon) int {
		for _, f := range order {
			c := cmp.Compare(a.GetScientificName(), b.GetScientificName())
			if f.Field == "genus" {
				c = cmp.Compare(a.GetGenus(), b.GetGenus())
			}
			if f.Desc {
				c = -c
			}
			if c != 0 {
				return c
			}
		}
		return cmp.Or(cmp.Compare(a.GetScientificName(), b.GetScientificName()), cmp.Compare(a.GetName(), b.GetName()))
	}
}

// taxonEnum returns the enum value that a condition compares, or nil for a
// field that is text.
func taxonEnum(message *pb.Taxon, field string) protoreflect.Enum {
	switch field {
	case "rank":
		return message.GetRank()
	case "trapType":
		return message.GetTrapType()
	case "habit":
		return message.GetHabit()
	case "restSeason":
		return message.GetRest().GetSeason()
	case "citesAppendix":
		return message.GetCites().GetAppendix()
	}
	return nil
}

// meets tells whether the row meets a condition of a filter.
func (r *taxonRow) meets(c Condition) bool {
	if enum := taxonEnum(r.message, c.Field); enum != nil {
		return (int32(enum.Number()) == c.Value) == (c.Op == "=")
	}
	t, text := &r.taxon, c.Value.(string) // all other fields are text
	wanted := catalogue.Normalise(text)
	if c.Field == "genus" {
		genus := catalogue.Normalise(t.Genus)
		if c.Op == ":" {
			return strings.Contains(genus, wanted)
		}
		return (genus == wanted) == (c.Op == "=")
	}
	if c.Op == ":" {
		return catalogue.Matches(t, text)
	}
	same := func(name string) bool { return catalogue.Normalise(name) == wanted }
	return (same(t.ScientificName) || slices.ContainsFunc(t.Synonyms, same)) == (c.Op == "=")
}

func taxonMessage(t *catalogue.Taxon) *pb.Taxon {
	m := &pb.Taxon{
		Name:                     taxonPrefix + t.ID,
		ScientificName:           t.ScientificName,
		Rank:                     pb.Taxon_Rank(t.Rank),
		Genus:                    t.Genus,
		TrapType:                 pb.Taxon_TrapType(t.TrapType),
		Habit:                    pb.Taxon_Habit(t.Habit),
		TypicalRosetteDiameterMm: known(t.RosetteDiameterMm),
		TypicalTrapWidthMm:       known(t.TrapWidthMm),
		Rest:                     restMessage(t),
		Regimen:                  RegimenMessage(&t.Regimen),
		Synonyms:                 t.Synonyms,
	}
	if t.CITES.Appendix != catalogue.NotListed {
		m.Cites = &pb.Taxon_CitesListing{
			Appendix:    pb.Taxon_CitesListing_Appendix(t.CITES.Appendix),
			ListDate:    t.CITES.ListDate.String(),
			CheckedDate: t.CITES.CheckedDate.String(),
			Note:        t.CITES.Note,
			Mark:        pb.Taxon_Source_Mark(t.CITES.Mark),
			Source:      t.CITES.Source,
		}
	}
	for _, source := range t.Sources {
		m.Sources = append(m.Sources, &pb.Taxon_Source{
			Field: source.Field, Mark: pb.Taxon_Source_Mark(source.Mark), Source: source.Text,
		})
	}
	return m
}

// known returns a figure, or nil for one that is not given.
func known(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

func restMessage(t *catalogue.Taxon) *pb.Taxon_Rest {
	if !t.RestKnown {
		return nil
	}
	m := &pb.Taxon_Rest{Season: pb.Taxon_Rest_Season(t.Rest.Season) + 1, ThresholdHours: known(t.Rest.ThresholdHours)}
	if t.Rest.Season != season.None {
		from, until := t.Rest.From.String(), t.Rest.Until.String()
		m.FromMonthDay, m.UntilMonthDay = &from, &until
	}
	return m
}
