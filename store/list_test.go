package store_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// listed is a row of a list: its message, and the value of each field that
// conditions and orders may name, as it is stored, or nil.
type listed struct {
	name    string
	deleted bool
	values  map[string]any
}

// view is a transaction with the collection c1.
type view struct {
	*store.Tx
	c *store.Collection
}

// view runs f in a transaction that must succeed.
func (b bed) view(f func(v view) error) {
	b.Helper()
	if err := viewed(b.s, b.Context(), f); err != nil {
		b.Fatal(err)
	}
}

func viewed(s *store.Store, ctx context.Context, f func(v view) error) error {
	return s.Read(ctx, func(tx *store.Tx) error {
		c, err := tx.Collection("c1", "", anyone)
		if err != nil {
			return err
		}
		return f(view{tx, c})
	})
}

// lister is a list of the store, and what it should do.
type lister struct {
	list func(v view, q store.List) ([]listed, []any, error)
	// orders are the fields that each order goes by. A text is compared folded.
	orders map[string][]string
	usual  string
	// fields may be named by conditions; searched ones by ":" too. folds are compared
	// without regard to case.
	fields, searched, folds []string
	// sorts: the rows of one caller are few, and sorted.
	sorts bool
	// total is how many rows there are, and gone how many of them are deleted.
	total, gone int
}

// lists are the lists of stocked.
var lists = map[string]*lister{
	"collections": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.Collections("g1", q)
			return rowsOf(all, next, err, func(m store.Listed) map[string]any {
				return map[string]any{
					"displayName": m.GetDisplayName(), "timeZone": m.GetTimeZone(), "createTime": store.Micros(m.GetCreateTime()),
					"id": store.Segment(m.GetName(), "collections"),
				}
			})
		},
		orders: map[string][]string{"name": {"id"}, "displayName": {"displayName", "id"}}, usual: "name",
		sorts:  true,
		fields: []string{"displayName", "timeZone", "createTime"}, searched: []string{"displayName"},
		total: 8, gone: 1,
	},
	"benches": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.c.Benches(q)
			return rowsOf(all, next, err, func(m *pb.Bench) map[string]any {
				return map[string]any{
					"displayName": m.GetDisplayName(), "exposure": int32(m.GetExposure()), "walkOrder": walkOf(m.WalkOrder),
					"id": store.Segment(m.GetName(), "benches"),
				}
			})
		},
		orders: map[string][]string{"name": {"id"}, "displayName": {"displayName", "id"}, "walkOrder": {"walkOrder", "id"}}, usual: "name",
		fields: []string{"displayName", "exposure"}, searched: []string{"displayName"},
		total: 9, gone: 2,
	},
	"plants": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.c.Plants(q)
			genus := map[string]string{}
			var messages []*pb.Plant
			for _, p := range all {
				messages = append(messages, p.Plant)
				genus[p.GetName()] = p.Genus
			}
			return rowsOf(messages, next, err, func(m *pb.Plant) map[string]any {
				return map[string]any{
					"tag": m.GetTag(), "scientificName": m.GetScientificName(), "cultivar": m.GetCultivar(), "clone": m.GetClone(),
					"source": m.GetSource(), "taxon": m.GetTaxon(), "genus": genus[m.GetName()], "bench": orNone(store.Segment(m.GetBench(), "benches")),
					"trapType": int32(m.GetTrapType()), "state": int32(m.GetState()), "propagation": int32(m.GetPropagation()),
					"quantity": m.GetQuantity(), "acquireDate": orNone(m.GetAcquireDate()), "createTime": store.Micros(m.GetCreateTime()),
					"walkOrder": walkOf(m.WalkOrder), "id": store.Segment(m.GetName(), "plants"),
				}
			})
		},
		orders: map[string][]string{
			"name": {"id"}, "tag": {"tag", "id"}, "walkOrder": {"walkOrder", "id"}, "scientificName": {"scientificName", "id"},
			"createTime": {"createTime", "id"},
		}, usual: "name",
		fields: []string{
			"tag", "scientificName", "cultivar", "clone", "source", "taxon", "genus", "bench", "trapType", "state", "propagation", "quantity",
			"acquireDate", "createTime",
		},
		searched: []string{"tag", "scientificName", "cultivar", "clone", "source"}, folds: []string{"tag"},
		total: 17, gone: 2,
	},
	"feedings of a plant": {
		list:   feedingsOf("p01"),
		orders: map[string][]string{"fedTime": {"fedTime", "id"}, "name": {"id"}}, usual: "fedTime",
		fields: []string{"fedTime", "trapsFed", "outcome", "food"},
		total:  9, gone: 2,
	},
	"feedings of all plants": {
		list:   feedingsOf(""),
		orders: map[string][]string{"fedTime": {"fedTime", "plant", "id"}, "name": {"plant", "id"}}, usual: "fedTime",
		fields: []string{"fedTime", "trapsFed", "outcome", "food"},
		total:  18, gone: 4, // and those of a plant that is deleted are not there
	},
	"observations of a plant": {
		list:   observationsOf("p01"),
		orders: map[string][]string{"observeTime": {"observeTime", "id"}, "name": {"id"}}, usual: "observeTime",
		fields: []string{"observeTime", "kind"},
		total:  12, gone: 3,
	},
	"observations of all plants": {
		list:   observationsOf(""),
		orders: map[string][]string{"observeTime": {"observeTime", "plant", "id"}, "name": {"plant", "id"}}, usual: "observeTime",
		fields: []string{"observeTime", "kind"},
		total:  24, gone: 6,
	},
	"photos of a plant": {
		list:   photosOf("p01"),
		orders: map[string][]string{"takenTime": {"takenTime", "id"}, "name": {"id"}}, usual: "takenTime",
		fields: []string{"takenTime", "license"},
		total:  10, gone: 2,
	},
	"photos of all plants": {
		list:   photosOf(""),
		orders: map[string][]string{"takenTime": {"takenTime", "plant", "id"}, "name": {"plant", "id"}}, usual: "takenTime",
		fields: []string{"takenTime", "license"},
		total:  20, gone: 4,
	},
	"tokens": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.Grower("g1").Tokens(q)
			rows, next, err := rowsOf(all, next, err, func(m *pb.Token) map[string]any {
				return map[string]any{"id": store.Segment(m.GetName(), "tokens")}
			})
			for i, m := range all {
				rows[i].deleted = m.GetRevokeTime() != nil
			}
			return rows, next, err
		},
		orders: map[string][]string{"name": {"id"}}, usual: "name",
		total: 8, gone: 2,
	},
	"calendars": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.Grower("g1").Calendars("", q)
			rows, next, err := rowsOf(all, next, err, func(m *pb.Calendar) map[string]any {
				return map[string]any{"id": store.Segment(m.GetName(), "calendars")}
			})
			for i, m := range all {
				rows[i].deleted = m.GetRevokeTime() != nil
			}
			return rows, next, err
		},
		orders: map[string][]string{"name": {"id"}}, usual: "name",
		total: 8, gone: 2,
	},
	"societies": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.Grower("g1").Societies(q)
			return rowsOf(all, next, err, func(m *pb.Society) map[string]any {
				return map[string]any{"id": store.Segment(m.GetName(), "societies")}
			})
		},
		orders: map[string][]string{"name": {"id"}}, usual: "name",
		total: 8,
	},
	"members": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			s, err := v.Society("s1", "g1")
			if err != nil {
				return nil, nil, err
			}
			all, next, err := s.Members(q)
			return rowsOf(all, next, err, func(m *pb.Member) map[string]any {
				return map[string]any{"id": store.Segment(m.GetName(), "members")}
			})
		},
		orders: map[string][]string{"name": {"id"}}, usual: "name",
		total: 9,
	},
	"grants": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.c.Grants(q)
			return rowsOf(all, next, err, func(m *pb.Grant) map[string]any {
				return map[string]any{"id": store.Segment(m.GetName(), "grants")}
			})
		},
		orders: map[string][]string{"name": {"id"}}, usual: "name",
		total: 9,
	},
	"invitations to a society": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			s, err := v.Society("s1", "g1")
			if err != nil {
				return nil, nil, err
			}
			return invitationsOf(s.Invitations(), q)
		},
		orders: map[string][]string{"name": {"id"}}, usual: "name",
		total: 8, gone: 3,
	},
	"invitations to a collection": {
		list:   func(v view, q store.List) ([]listed, []any, error) { return invitationsOf(v.c.Invitations(), q) },
		orders: map[string][]string{"name": {"id"}}, usual: "name",
		total: 8, gone: 3,
	},
	"public collections": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			q.Deleted = false // what is deleted is never there
			all, next, err := v.PublicCollections("g1", q)
			return rowsOf(all, next, err, func(m store.Listed) map[string]any {
				return map[string]any{
					"displayName": m.GetDisplayName(), "timeZone": m.GetTimeZone(), "createTime": store.Micros(m.GetCreateTime()),
					"visibility": int32(m.GetVisibility()), "id": store.Segment(m.GetName(), "collections"),
				}
			})
		},
		orders: map[string][]string{"name": {"id"}, "displayName": {"displayName", "id"}}, usual: "name",
		fields: []string{"displayName", "timeZone", "createTime", "visibility"}, searched: []string{"displayName"},
		total: 4,
	},
	"revisions": {
		list: func(v view, q store.List) ([]listed, []any, error) {
			all, next, err := v.c.Revisions(store.PlantKind, "", "p01", q)
			var rows []listed
			for _, r := range all {
				rows = append(rows, listed{name: fmt.Sprint(r.GetNumber()), values: map[string]any{"number": r.GetNumber()}})
			}
			return rows, next, err
		},
		orders: map[string][]string{"number": {"number"}}, usual: "number",
		total: 12,
	},
}

func invitationsOf(in *store.Invitations, q store.List) ([]listed, []any, error) {
	all, next, err := in.List(q, noon)
	rows, next, err := rowsOf(all, next, err, func(m *pb.Invitation) map[string]any {
		return map[string]any{"id": store.Segment(m.GetName(), "invitations")}
	})
	for i, m := range all {
		rows[i].deleted = m.GetRevokeTime() != nil || m.GetAcceptTime() != nil || store.Micros(m.GetExpireTime()) <= noon
	}
	return rows, next, err
}

func feedingsOf(plant string) func(v view, q store.List) ([]listed, []any, error) {
	return func(v view, q store.List) ([]listed, []any, error) {
		all, next, err := v.c.Feedings(plant, q)
		return rowsOf(all, next, err, func(m *pb.Feeding) map[string]any {
			return map[string]any{
				"fedTime": store.Micros(m.GetFedTime()), "trapsFed": m.GetTrapsFed(), "outcome": int32(m.GetOutcome()), "food": m.GetFood(),
				"plant": store.Segment(m.GetName(), "plants"), "id": store.Segment(m.GetName(), "feedings"),
			}
		})
	}
}

// kinds are the numbers by which kinds of facts are kept.
var kinds = map[string]store.FactKind{
	"measurement": store.Measurement, "stalk": store.Stalk, "catchSurvey": store.CatchSurvey, "count": store.Count, "end": store.End,
	"move": store.Move, "repotting": store.Repotting, "restStart": store.RestStart, "restEnd": store.RestEnd, "hold": store.Hold,
	"treatment": store.Treatment, "health": store.Health,
}

func observationsOf(plant string) func(v view, q store.List) ([]listed, []any, error) {
	return func(v view, q store.List) ([]listed, []any, error) {
		all, next, err := v.c.Observations(plant, q)
		return rowsOf(all, next, err, func(m *pb.Observation) map[string]any {
			r := m.ProtoReflect()
			return map[string]any{
				"observeTime": store.Micros(m.GetObserveTime()),
				"kind":        int32(kinds[r.WhichOneof(r.Descriptor().Oneofs().ByName("fact")).JSONName()]),
				"plant":       store.Segment(m.GetName(), "plants"), "id": store.Segment(m.GetName(), "observations"),
			}
		})
	}
}

func photosOf(plant string) func(v view, q store.List) ([]listed, []any, error) {
	return func(v view, q store.List) ([]listed, []any, error) {
		all, next, err := v.c.Photos(plant, q)
		return rowsOf(all, next, err, func(m *store.Photo) map[string]any {
			return map[string]any{
				"takenTime": store.Micros(m.GetTakenTime()), "license": m.GetLicense(),
				"plant": store.Segment(m.GetName(), "plants"), "id": store.Segment(m.GetName(), "photos"),
			}
		})
	}
}

func rowsOf[M interface {
	proto.Message
	GetName() string
}](all []M, next []any, err error, values func(M) map[string]any) ([]listed, []any, error) {
	rows := make([]listed, len(all))
	for i, m := range all {
		rows[i] = listed{name: m.GetName(), deleted: hasField(m, "delete_time"), values: values(m)}
	}
	return rows, next, err
}

func walkOf(v *int32) int32 {
	if v == nil {
		return math.MaxInt32 // after all that have one
	}
	return *v
}

func orNone(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// stocked has what lists stumble over: ties in all that they are ordered by, text
// of many scripts, values that are absent, and the same ids in another collection.
var stocked = storetest.NewTemplate(func(ctx context.Context, s *store.Store) error {
	return s.Write(ctx, func(tx *store.Tx) error {
		for _, grower := range []string{"g1", "g2"} {
			if _, err := tx.Grower(grower).Create("", noon); err != nil {
				return err
			}
			for n := range 8 {
				id := fmt.Sprint("t", (n*3)%8)
				if _, err := tx.Grower(grower).CreateToken(&pb.Token{Name: store.TokenName(grower, id)}, []byte(grower+id), noon); err != nil {
					return err
				}
				calendar := store.CalendarName(store.GrowerName(grower), id)
				if _, err := tx.Grower(grower).CreateCalendar(&pb.Calendar{Name: calendar}, []byte(grower+id), noon); err != nil {
					return err
				}
				if n < 2 {
					if _, err := tx.Grower(grower).RevokeToken(id, noon, agree); err != nil {
						return err
					}
					if _, err := tx.Grower(grower).RevokeCalendar(calendar, noon, agree); err != nil {
						return err
					}
				}
			}
		}
		zones := []string{"UTC", "Europe/Berlin", ""}
		for n, name := range []string{"b", "Größe", "B", "a", "größe", "", "GROSSE", "ä"} {
			by := store.By{Us: noon + int64(n/3), Grower: "g1", Token: "t"}
			c, err := tx.CreateCollection(fmt.Sprint("c", (n*3)%8+1), "g1", &pb.Collection{DisplayName: name, TimeZone: zones[n%3]}, by)
			if err != nil {
				return err
			}
			if n == 3 {
				if _, err := c.Delete(by, noon, agree); err != nil {
					return err
				}
			}
		}
		if _, err := tx.CreateCollection("other", "g2", &pb.Collection{DisplayName: "Größe"}, at(0)); err != nil {
			return err
		}
		for _, id := range []string{"c1", "other"} {
			if err := within(id, stock)(tx); err != nil {
				return err
			}
		}
		return people(tx)
	})
})

// people adds growers, societies in which they are, what is shared with them, and what is
// public.
func people(tx *store.Tx) error {
	// Of g2, so that the lists of g1 stay what they are.
	for n, name := range []string{"b", "Größe", "größe", "a", "gone", "shared"} {
		m := &pb.Collection{DisplayName: name, TimeZone: []string{"UTC", ""}[n%2], Visibility: pb.Collection_PUBLIC}
		if name == "shared" {
			m.Visibility = pb.Collection_SHARED
		}
		c, err := tx.CreateCollection(fmt.Sprint("public", (n*5)%6), "g2", m, at(int64(n/2)))
		if err != nil {
			return err
		}
		if name == "gone" {
			if _, err := c.Delete(at(1), noon, agree); err != nil {
				return err
			}
		}
	}
	for n := range 8 {
		if _, err := tx.Grower(fmt.Sprint("m", (n*3)%8)).Create("", noon); err != nil {
			return err
		}
	}
	for n := range 8 {
		s, err := tx.CreateSociety(fmt.Sprint("s", (n*3)%8), &pb.Society{}, at(0))
		if err != nil {
			return err
		}
		if s.ID() != "s1" && s.ID() != "s2" {
			continue
		}
		for m := range 8 {
			if _, err := s.AddMember(fmt.Sprint("m", (m*5)%8), pb.Member_Role(1+m%2), at(0)); err != nil {
				return err
			}
		}
		if err := invitations(s.Invitations(), s.Get().GetName()); err != nil {
			return err
		}
	}
	// g1 is not in it, so that the lists of g1 stay what they are.
	if _, err := tx.CreateSociety("s9", &pb.Society{}, store.By{Us: noon, Grower: "m0"}); err != nil {
		return err
	}
	for _, id := range []string{"c1", "other"} {
		err := within(id, func(c *store.Collection) error {
			for n := range 9 {
				m := &pb.Grant{Name: store.GrantName(id, fmt.Sprint("g", (n*2)%9)), Grantee: &pb.Grant_Grower{Grower: store.GrowerName(fmt.Sprint("m", n))}, Role: pb.Grant_VIEWER}
				if n == 8 {
					m.Grantee = &pb.Grant_Society{Society: "societies/s9"}
				}
				if _, err := c.CreateGrant(m, at(0)); err != nil {
					return err
				}
			}
			return invitations(c.Invitations(), store.CollectionName(id))
		})(tx)
		if err != nil {
			return err
		}
	}
	return nil
}

// invitations adds eight, of which one was accepted, one taken back, and one has expired.
func invitations(in *store.Invitations, parent string) error {
	for n := range 8 {
		name := store.InvitationName(parent, fmt.Sprint("i", (n*3)%8))
		m := &pb.Invitation{Name: name, Role: pb.Invitation_VIEWER, ExpireTime: stampOf(noon + int64(n))}
		if _, err := in.Create(m, []byte(name), at(-10)); err != nil {
			return err
		}
	}
	if _, err := in.Accept("i3", store.By{Us: noon, Grower: "g2"}); err != nil {
		return err
	}
	_, err := in.Revoke("i6", store.By{Us: noon, Grower: "g1"}, agree)
	return err
}

func stock(c *store.Collection) error {
	name := func(format string, n int) string { return store.CollectionName(c.ID()) + fmt.Sprintf(format, n) }
	for n, display := range []string{"b", "a", "B", "Straße", "STRASSE", "é", "e\u0301", "İ", "ı"} {
		m := &pb.Bench{Name: name("/benches/b%d", (n*2)%9), DisplayName: display, Exposure: pb.Bench_Exposure(n % 5)}
		if n%4 != 0 {
			m.WalkOrder = proto.Int32(int32(n % 2))
		}
		if _, err := c.CreateBench(m, at(int64(n))); err != nil {
			return err
		}
		if n > 6 {
			if _, err := c.DeleteBench(store.Segment(m.GetName(), "benches"), at(9), noon, agree); err != nil {
				return err
			}
		}
	}
	tags := []string{"a", "B", "b", "A", "a_1", "a-1", "Z", "ä", "a1", "Größe 1", "ẞ", "İ", "ı", "%", "\uffee", "🌱", "'"}
	for n, tag := range tags {
		m := &pb.Plant{
			Name: name("/plants/p%02d", (n*5)%17), Tag: tag,
			ScientificName: []string{"Drosera capensis", "Dionaea muscipula", "Drosera × obovata", ""}[n%4],
			Cultivar:       []string{"", "Größe", "GRÖSSE", "gro\u0308sse", "groesse"}[n%5],
			Clone:          []string{"İstanbul", "ISPARTA", "ısparta", "isparta"}[n%4],
			Source:         []string{"", "e\u0301", "É", "e", "ẞ ss ß", "50% a_b 'x' \\"}[n%6],
			Taxon:          []string{"", "taxa/drosera-capensis"}[n%2],
			TrapType:       pb.Taxon_TrapType(n % 6), Propagation: pb.Plant_Propagation(n % 10),
		}
		if n%3 != 0 {
			m.Bench = name("/benches/b%d", n%3)
			m.WalkOrder = proto.Int32(int32(n % 2))
		}
		if n%4 != 0 {
			m.AcquireDate = proto.String([]string{"", "2024-02-29", "2025-01-01", "2024-02-29"}[n%4])
		}
		p, err := one(c.CreatePlants([]store.NewPlant{{Message: m, Kin: store.Kin{Genus: []string{"Drosera", "Dionaea", ""}[n%3], Trap: m.GetTrapType()}}}, at(int64(n/4))))
		if err != nil {
			return err
		}
		// A and b are the tags of a and B: those that bear them live no more.
		state := pb.Plant_GROWING
		if n < 2 || n == 6 {
			state = pb.Plant_State(2 + n%3)
		}
		s := store.Standing{Bench: store.Segment(m.GetBench(), "benches"), Quantity: int32(1 + n%3), State: state}
		if _, err := c.Settle(p.ID, s, at(0)); err != nil {
			return err
		}
		if n > 14 {
			if _, err := c.DeletePlant(p.ID, at(9), noon, agree); err != nil {
				return err
			}
		}
	}
	for n := range 11 {
		if _, err := c.UpdatePlant("p01", at(10), func(p *store.Plant) error {
			p.Locality = fmt.Sprint("locality ", n)
			return nil
		}); err != nil {
			return err
		}
	}
	facts := slices.Concat(slices.Collect(maps.Values(facts()))...)
	firsts := map[int32]*pb.Observation{}
	for _, m := range facts {
		r := m.ProtoReflect()
		number := int32(kinds[r.WhichOneof(r.Descriptor().Oneofs().ByName("fact")).JSONName()])
		firsts[number] = m
	}
	// p07 (tag "🌱") is deleted.
	for i, plant := range []string{"p01", "p07", "p00"} {
		for n := range 9 {
			m := &pb.Feeding{
				Name: name("/plants/"+plant+"/feedings/f%d", (n*4+i)%9), FedTime: stampOf(noon + int64(n/3)), TrapsFed: proto.Int32(int32(n % 4)),
				Outcome: pb.Feeding_Outcome(n % 5), Food: []string{"", "foods/a", "foods/b"}[n%3],
			}
			if _, err := c.CreateFeedings([]*pb.Feeding{m}, at(0)); err != nil {
				return err
			}
			if n > 6 {
				if _, err := c.DeleteFeeding(plant, store.Segment(m.GetName(), "feedings"), at(1), agree); err != nil {
					return err
				}
			}
		}
		for n := range int32(12) {
			m := proto.CloneOf(firsts[n+1])
			m.Name, m.ObserveTime = name("/plants/"+plant+"/observations/o%02d", (int(n)*5+i)%12), stampOf(noon+int64(n/4))
			if move := m.GetMove(); move != nil {
				move.Bench = name("/benches/b%d", 1)
			}
			if _, err := c.CreateObservations([]*pb.Observation{m}, at(0)); err != nil {
				return err
			}
			if n%4 == 3 {
				if _, err := c.DeleteObservation(plant, store.Segment(m.GetName(), "observations"), at(1), agree); err != nil {
					return err
				}
			}
		}
		for n := range 10 {
			id := fmt.Sprint("ph", (n*3+i)%10)
			m := shot(c.ID(), plant, id, digestOf(id))
			m.TakenTime, m.License = stampOf(noon+int64(n/3)), []string{"", "CC-BY-4.0", "CC0-1.0"}[n%3]
			if _, err := c.CreatePhoto(m, at(0)); err != nil {
				return err
			}
			if n > 7 {
				if _, err := c.DeletePhoto(plant, id, at(1), noon+purgeAfter, agree); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// TestLists looks at each list on both engines.
func TestLists(t *testing.T) {
	t.Parallel()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			s := storetest.Clone(t, engine, stocked)
			has := map[string][]listed{}
			for name, l := range lists {
				t.Run(name, func(t *testing.T) {
					b := bed{t, s}
					all := b.page(l, store.List{Limit: big, Deleted: true})
					gone := 0
					for _, row := range all {
						if row.deleted {
							gone++
						}
					}
					if len(all) != l.total || gone != l.gone {
						t.Fatalf("%d rows, %d of them deleted: want %d and %d", len(all), gone, l.total, l.gone)
					}
					has[name] = all
					for name, f := range map[string]func(bed, *lister, []listed){
						"pages": testPages, "order of text": testOrderOfText, "conditions": testConditions, "errors": testListErrors,
						"indexed": testIndexed,
					} {
						t.Run(name, func(t *testing.T) { f(bed{t, s}, l, all) })
					}
				})
			}
			t.Run("all at once", func(t *testing.T) { testAllAtOnce(bed{t, s}, has) })
		})
	}
}

// page reads a page that must be the only one.
func (b bed) page(l *lister, q store.List) (rows []listed) {
	b.Helper()
	b.view(func(v view) (err error) {
		var next []any
		if rows, next, err = l.list(v, q); err == nil && next != nil {
			err = errors.New("there is another page")
		}
		return err
	})
	return rows
}

// want is what a list should return, by its definition and not by SQL.
func (l *lister) want(all []listed, q store.List) (names []string) {
	var rows []listed
	for _, row := range all {
		if !row.deleted || q.Deleted {
			if !slices.ContainsFunc(q.Where, func(c store.Condition) bool { return !l.holds(row, c) }) {
				rows = append(rows, row)
			}
		}
	}
	order := q.Order
	if order == "" {
		order = l.usual
	}
	slices.SortFunc(rows, func(a, b listed) int {
		for _, field := range l.orders[order] {
			if n := compare(folded(a.values[field], field != "id"), folded(b.values[field], field != "id")); n != 0 {
				return n
			}
		}
		return 0
	})
	if q.Desc {
		slices.Reverse(rows)
	}
	return namesOf(rows)
}

func namesOf(rows []listed) (names []string) {
	for _, row := range rows {
		names = append(names, row.name)
	}
	return names
}

// folded folds texts.
func folded(v any, fold bool) any {
	if s, ok := v.(string); ok && fold {
		return store.Fold(s)
	}
	return v
}

// compare orders two values of one kind, texts by their code points.
func compare(a, b any) int {
	if s, ok := a.(string); ok {
		return slices.Compare([]rune(s), []rune(b.(string)))
	}
	return cmp.Compare(integer(a), integer(b))
}

func integer(v any) int64 {
	if n, ok := v.(int32); ok {
		return int64(n)
	}
	return v.(int64)
}

// holds tells whether a condition holds for a row. A value that is absent is only
// different from others.
func (l *lister) holds(row listed, c store.Condition) bool {
	fold := slices.Contains(l.folds, c.Field)
	v, with := folded(row.values[c.Field], fold), folded(c.Value, fold)
	switch {
	case c.Op == ":":
		return strings.Contains(store.Fold(v.(string)), store.Fold(c.Value.(string)))
	case v == nil || with == nil:
		return c.Op == "!=" && v != with
	}
	n := compare(v, with)
	switch c.Op {
	case "=":
		return n == 0
	case "!=":
		return n != 0
	case "<":
		return n < 0
	case "<=":
		return n <= 0
	case ">":
		return n > 0
	case ">=":
		return n >= 0
	}
	panic("no operator " + c.Op)
}

// valuesOf are some of what a field of the rows has, the first and the last among
// them, and what it has not.
func valuesOf(all []listed, field string) (values []any) {
	for _, row := range all {
		v := row.values[field]
		if v == nil || slices.Contains(values, v) {
			continue
		}
		values = append(values, v)
	}
	slices.SortFunc(values, compare)
	if last := len(values) - 1; last > 2 {
		values = []any{values[0], values[last/2], values[last]}
	}
	switch values[0].(type) {
	case string:
		values = append(values, "", "GRÖßE")
	case int32:
		values = append(values, int32(math.MaxInt32))
	case int64:
		values = append(values, noon-1, int64(math.MaxInt64))
	}
	return values
}

var operators = []string{"=", "!=", "<", "<=", ">", ">="}

// conditions are all that a list takes, with all values that make a difference.
func (l *lister) conditions(all []listed) (conditions []store.Condition) {
	for _, field := range l.fields {
		for n, op := range operators {
			for _, v := range valuesOf(all, field) {
				if _, ok := v.(string); ok && n%2 == 1 && op != "!=" {
					continue // half of the comparisons are enough for texts
				}
				conditions = append(conditions, store.Condition{Field: field, Op: op, Value: v})
			}
		}
	}
	for _, field := range []string{"bench", "acquireDate"} { // may be absent
		if slices.Contains(l.fields, field) {
			conditions = append(conditions, store.Condition{Field: field, Op: "=", Value: nil}, store.Condition{Field: field, Op: "!=", Value: nil})
		}
	}
	for i, field := range l.searched {
		for n, v := range []string{
			"", "a", "A", "größe", "GRO\u0308SSE", "öß", "ß", "SS", "i", "I", "İ", "ı", "e", "É", "e\u0301", "\u0301", "%", "_", "a_b", "\\", "'", "× O", " x ", "🌱", "none",
		} {
			if i > 0 && i%2 != n%2 {
				continue // the first field is searched for all, the others for half
			}
			conditions = append(conditions, store.Condition{Field: field, Op: ":", Value: v})
		}
	}
	return conditions
}

// Every list, in every order and direction, page by page: the pages together are
// the whole, whatever their size.
func testPages(b bed, l *lister, all []listed) {
	for order := range l.orders {
		for _, q := range []store.List{
			{Order: order}, {Order: order, Desc: true}, {Order: order, Deleted: true}, {Order: order, Desc: true, Deleted: true},
		} {
			want := l.want(all, q)
			sizes := []int{1, 2, 7, big}
			if q.Desc != q.Deleted {
				sizes = []int{7}
			}
			for _, size := range sizes {
				q.Limit, q.After = size, nil
				var got []string
				b.view(func(v view) error {
					for range len(all) + 1 {
						rows, next, err := l.list(v, q)
						if err != nil {
							return err
						}
						got = append(got, namesOf(rows)...)
						if next == nil {
							if len(rows) == 0 && len(got) > 0 {
								b.Error("the last page is empty")
							}
							return nil
						}
						if len(rows) != size {
							b.Errorf("a page of %d rows that is not the last, want %d", len(rows), size)
						}
						q.After = next
					}
					return errors.New("it does not end")
				})
				tells(b, fmt.Sprintf("%+v in pages of %d", q, size), got, want)
			}
		}
	}
	for _, desc := range []bool{false, true} {
		tells(b, "the usual order", namesOf(b.page(l, store.List{Limit: big, Desc: desc})), l.want(all, store.List{Desc: desc}))
	}
}

// Texts are in the order of their code points on both engines, not in that of a
// language, nor of UTF-16.
func testOrderOfText(b bed, l *lister, all []listed) {
	if _, ok := l.orders["tag"]; !ok {
		return
	}
	var got []string
	for _, name := range l.want(all, store.List{Order: "tag", Deleted: true}) {
		for _, row := range all {
			if row.name == name {
				got = append(got, row.values["tag"].(string))
			}
		}
	}
	tells(b, "tags in order", got, []string{
		"%", "'", "a", "A", "a-1", "a1", "a_1", "B", "b", "Größe 1", "İ", "ẞ", "Z", "ä", "ı", "\uffee", "🌱",
	})
}

// Every condition on every field.
func testConditions(b bed, l *lister, all []listed) {
	b.view(func(v view) error {
		for n, c := range l.conditions(all) {
			q := store.List{Where: []store.Condition{c}, Limit: big, Deleted: n%2 == 0}
			rows, _, err := l.list(v, q)
			if err != nil {
				return fmt.Errorf("%+v: %w", c, err)
			}
			tells(b, fmt.Sprintf("%+v", c), namesOf(rows), l.want(all, q))
		}
		return nil
	})
}

// Lists that ask for several things at once, in pages.
func testAllAtOnce(b bed, has map[string][]listed) {
	conditions := map[string][]store.Condition{}
	for name, all := range has {
		conditions[name] = lists[name].conditions(all)
	}
	rapid.Check(b.T, func(t *rapid.T) {
		name := rapid.SampledFrom(slices.Sorted(maps.Keys(has))).Draw(t, "list")
		l, all := lists[name], has[name]
		q := store.List{
			Order: rapid.SampledFrom(slices.Sorted(maps.Keys(l.orders))).Draw(t, "order"), Desc: rapid.Bool().Draw(t, "desc"),
			Deleted: rapid.Bool().Draw(t, "deleted"), Limit: rapid.IntRange(1, 8).Draw(t, "limit"),
		}
		if len(conditions[name]) > 0 {
			for range rapid.IntRange(0, 3).Draw(t, "conditions") {
				q.Where = append(q.Where, rapid.SampledFrom(conditions[name]).Draw(t, "condition"))
			}
		}
		var got []string
		err := viewed(b.s, b.Context(), func(v view) error {
			for range len(all) + 1 {
				rows, next, err := l.list(v, q)
				if err != nil {
					return err
				}
				got = append(got, namesOf(rows)...)
				if next == nil {
					return nil
				}
				q.After = next
			}
			return errors.New("it does not end")
		})
		if err != nil {
			t.Fatal(err)
		}
		tells(t, fmt.Sprintf("%+v", q), got, l.want(all, q))
	})
}

// A list refuses what it does not have.
func testListErrors(b bed, l *lister, _ []listed) {
	wrong := map[string]store.List{
		"order":            {Order: "etag", Limit: 1},
		"column for order": {Order: "create_us", Limit: 1},
		"field":            {Where: []store.Condition{{Field: "etag", Op: "=", Value: ""}}, Limit: 1},
		"column for field": {Where: []store.Condition{{Field: "stamp", Op: "=", Value: 1}}, Limit: 1},
		"short key":        {After: []any{}, Limit: 1},
		"long key":         {After: []any{"a", "a", "a", "a"}, Limit: 1},
		"no rows":          {},
		"less than none":   {Limit: -1},
	}
	for _, field := range l.fields {
		conditions := []store.Condition{{field, "~", "x"}, {field, "", "x"}, {field, "= ''; --", "x"}, {field, ":", 1}}
		if !slices.Contains(l.searched, field) {
			conditions = append(conditions, store.Condition{Field: field, Op: ":", Value: "x"})
		}
		for _, c := range conditions {
			wrong[fmt.Sprint(c)] = store.List{Where: []store.Condition{c}, Limit: 1}
		}
	}
	b.view(func(v view) error { // nothing is sent, so nothing fails there
		for what, q := range wrong {
			if _, _, err := l.list(v, q); err == nil {
				b.Errorf("a wrong %s was taken", what)
			}
		}
		return nil
	})
}

// What is not there has empty lists.
func TestListsOfNothing(t *testing.T) {
	each(t, func(b bed) {
		for name, list := range map[string]func(c *store.Collection) (int, []any, error){
			"benches": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Benches(store.List{Limit: 1})
				return len(all), next, err
			},
			"plants": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Plants(store.List{Limit: 1})
				return len(all), next, err
			},
			"feedings": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Feedings("", store.List{Limit: 1})
				return len(all), next, err
			},
			"feedings of nothing": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Feedings("p", store.List{Limit: 1})
				return len(all), next, err
			},
			"observations": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Observations("", store.List{Limit: 1})
				return len(all), next, err
			},
			"observations of nothing": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Observations("p", store.List{Limit: 1})
				return len(all), next, err
			},
			"photos": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Photos("", store.List{Limit: 1})
				return len(all), next, err
			},
			"photos of nothing": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Photos("p", store.List{Limit: 1})
				return len(all), next, err
			},
			"revisions of nothing": func(c *store.Collection) (int, []any, error) {
				all, next, err := c.Revisions(store.PlantKind, "", "p", store.List{Limit: 1})
				return len(all), next, err
			},
		} {
			b.look(func(c *store.Collection) error {
				n, next, err := list(c)
				if n != 0 || next != nil {
					b.Errorf("%s: %d rows, next %v", name, n, next)
				}
				return err
			})
		}
		b.read(func(tx *store.Tx) error {
			collections, next1, err1 := tx.Collections("g3", store.List{Limit: 1})
			tokens, next2, err2 := tx.Grower("g3").Tokens(store.List{Limit: 1})
			if len(collections)+len(tokens)+len(next1)+len(next2) != 0 {
				b.Error("something belongs to nobody")
			}
			return errors.Join(err1, err2)
		})
	})
}

// A walk by pages sees each row that is there all along exactly once, whatever comes
// and goes between the pages.
func TestPagesWhileRowsComeAndGo(t *testing.T) {
	t.Parallel()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			b := bed{t, storetest.Clone(t, engine, stocked)}
			n := 0
			for order := range lists["plants"].orders {
				for _, desc := range []bool{false, true} {
					stable := namesOf(b.page(lists["plants"], store.List{Limit: big}))
					seen := map[string]int{}
					q := store.List{Order: order, Desc: desc, Limit: 4}
					var last string
					for {
						var rows []listed
						var next []any
						b.view(func(v view) (err error) {
							rows, next, err = lists["plants"].list(v, q)
							return err
						})
						for _, row := range rows {
							seen[row.name]++
						}
						if next == nil {
							break
						}
						q.After = next
						b.in(func(c *store.Collection) error {
							n++
							fresh := pot("c1", fmt.Sprintf("%c-%d", "0q"[n%2], n), fmt.Sprintf("%c %d", "#a~"[n%3], n))
							fresh.Message.WalkOrder, fresh.Message.ScientificName = proto.Int32(int32(n%2)), []string{"", "E", "d"}[n%3]
							if _, err := c.CreatePlants([]store.NewPlant{fresh}, at(int64(n%5))); err != nil {
								return err
							}
							if last != "" {
								if _, err := c.DeletePlant(last, at(0), noon, agree); err != nil {
									return err
								}
							}
							last = store.Segment(fresh.Message.GetName(), "plants")
							return nil
						})
					}
					for _, name := range stable {
						if seen[name] != 1 {
							b.Errorf("%s desc %v: %s was seen %d times", order, desc, name, seen[name])
						}
					}
					for name, times := range seen {
						if times > 1 {
							b.Errorf("%s desc %v: %s was seen %d times", order, desc, name, times)
						}
					}
					b.in(func(c *store.Collection) error { _, err := c.DeletePlant(last, at(0), noon, agree); return err })
				}
			}
		})
	}
}

// No list goes through a whole table or index, or sorts. Only where a condition is a
// range of another field than the list is ordered by, an engine may read that range
// by its own index and sort it: where it is narrow, that is better than to walk.
func testIndexed(b bed, l *lister, all []listed) {
	var strict, loose []store.List
	indexed := map[string]bool{"bench": true}
	for _, fields := range l.orders {
		indexed[fields[0]] = true
	}
	for order, fields := range l.orders {
		for n := range 4 {
			strict = append(strict, store.List{Order: order, Desc: n&1 != 0, Deleted: n&2 != 0})
		}
		for n, field := range l.fields {
			for _, op := range []string{"=", "!=", "<"} {
				if order != l.usual && (op == "!=" || !indexed[field]) {
					continue // it is looked at row by row, whatever the order
				}
				c := store.Condition{Field: field, Op: op, Value: valuesOf(all, field)[0]}
				q := store.List{Order: order, Where: []store.Condition{c}, Desc: n&1 != 0, Deleted: n&2 != 0}
				if op == "<" && field != fields[0] {
					loose = append(loose, q)
				} else {
					strict = append(strict, q)
				}
			}
		}
	}
	for _, field := range l.searched {
		strict = append(strict, store.List{Order: l.usual, Where: []store.Condition{{Field: field, Op: ":", Value: "a"}}})
	}
	after := map[string][]any{} // the first row of each order
	// ask reads the first page and the one after the first row.
	ask := func(lists []store.List) {
		b.view(func(v view) error {
			for _, q := range lists {
				q.Limit = 1
				_, next, err := l.list(v, q)
				if err != nil {
					return err
				}
				if len(q.Where) == 0 {
					after[q.Order] = next
				}
				q.After = after[q.Order]
				if _, _, err := l.list(v, q); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if l.sorts {
		strict, loose = nil, append(strict, loose...)
	}
	explainAll(b.T, b.s, func() { ask(strict) })
	if len(loose) == 0 {
		return
	}
	for _, x := range record(b.s, func() { ask(loose) }) {
		if plan, err := explain(b.T, b.s, x.statement, x.args...); err != nil && !strings.HasPrefix(err.Error(), "sorts: ") {
			b.Errorf("%v\n%s\n%s", err, x.statement, plan)
		}
	}
}

// What is asked for as an array of Postgres finds texts of any kind.
func TestAmong(t *testing.T) {
	each(t, func(b bed) {
		tags := []string{`a"b`, `c\d`, "{e,f}", "NULL", " g", "ä', --", "h"}
		b.in(func(c *store.Collection) error {
			var all []store.NewPlant
			for i, tag := range tags {
				all = append(all, store.NewPlant{Message: &pb.Plant{Name: store.PlantName(c.ID(), fmt.Sprint("p", i)), Tag: tag}})
			}
			_, err := c.CreatePlants(all, at(0))
			return err
		})
		found := get(b, func(c *store.Collection) (map[string][]store.Bearing, error) {
			return c.Tagged(append(tags, "none", ""))
		})
		for i, tag := range tags {
			if of := found[store.Fold(tag)]; len(of) != 1 || of[0].Plant != fmt.Sprint("p", i) {
				b.Errorf("%q is the tag of %v", tag, of)
			}
		}
		if len(found) != len(tags) {
			b.Errorf("found %v", found)
		}
	})
}
