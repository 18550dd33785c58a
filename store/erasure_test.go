package store_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// growerColumns tell of growers, and what an erasure does with them. A new one needs its
// place in store/erasure.go, and a line here.
var growerColumns = map[string]string{
	"growers.grower_id":                  "the row goes last",
	"tokens.grower_id":                   "rows go",
	"calendars.grower_id":                "rows go",
	"identities.grower_id":               "rows go",
	"requests.grower_id":                 "rows go",
	"members.grower_id":                  "rows go",
	"grants.grower_id":                   "rows go",
	"collections.owner_id":               "purged",
	"feedings.recorder_id":               "a code",
	"observations.recorder_id":           "a code",
	"photos.recorder_id":                 "a code",
	"revisions.grower_id":                "a code",
	"revisions.token_id":                 "empty",
	"tokens.token_id":                    "rows go",
	"collection_audits.grower_id":        "a code",
	"collection_audits.token_id":         "empty",
	"society_audits.grower_id":           "a code",
	"society_audits.token_id":            "empty",
	"society_invitations.inviter_id":     "rows go",
	"society_invitations.accepter_id":    "a code",
	"collection_invitations.inviter_id":  "rows go",
	"collection_invitations.accepter_id": "a code",
	"erasures.grower_id":                 "the row goes an hour later",
}

func TestErasureKnowsAllColumns(t *testing.T) {
	found := map[string]bool{}
	for _, table := range ours(dump(t, cloneOf(t, store.SQLite))) {
		for _, c := range table.columns {
			if slices.Contains([]string{"grower_id", "token_id", "owner_id"}, c.name) || strings.HasSuffix(c.name, "er_id") {
				found[table.name+"."+c.name] = true
			}
		}
	}
	for name := range found {
		if growerColumns[name] == "" {
			t.Errorf("what does an erasure do with %s?", name)
		}
	}
	for name := range growerColumns {
		if !found[name] {
			t.Errorf("there is no %s", name)
		}
	}
	for _, table := range store.Personal {
		if growerColumns[table+".grower_id"] != "rows go" {
			t.Errorf("do rows of %s go?", table)
		}
	}
}

// everything is all rows of the database, as text.
func (b bed) everything() string {
	b.Helper()
	var out strings.Builder
	tables := dump(b.T, b.s)
	b.read(func(tx *store.Tx) error {
		for _, table := range tables {
			var names []string
			for _, c := range table.columns {
				names = append(names, c.name)
			}
			rows, err := tx.SQL().QueryContext(b.Context(), "SELECT "+strings.Join(names, ", ")+" FROM "+table.name)
			if err != nil {
				return err
			}
			for rows.Next() {
				values := make([]any, len(names))
				for i := range values {
					values[i] = new(any)
				}
				if err := rows.Scan(values...); err != nil {
					return err
				}
				fmt.Fprint(&out, table.name)
				for _, v := range values {
					switch v := (*v.(*any)).(type) {
					case []byte:
						fmt.Fprintf(&out, " %s", v)
					default:
						fmt.Fprintf(&out, " %v", v)
					}
				}
				out.WriteByte('\n')
			}
			if err := rows.Err(); err != nil {
				return err
			}
			if err := rows.Close(); err != nil {
				return err
			}
		}
		return nil
	})
	return out.String()
}

const erased = "0199a3c4-7e1d-7000-8000-000000000001"

// After all steps nothing in the database has the id of who was erased, nor what was
// theirs, and what others have is as it was.
func TestErasure(t *testing.T) {
	each(t, func(b bed) {
		e := &store.Erasure{Grower: erased, Code: "erased-77", Us: noon + 50}
		theirs := store.By{Us: noon + 10, Grower: erased, Token: "tok-9", Request: "req-9"}
		b.plants("p")
		b.write(func(tx *store.Tx) error {
			g := tx.Grower(erased)
			if _, err := g.Create("Ottoline Sedgewick", noon); err != nil {
				return err
			}
			if _, err := g.CreateToken(&pb.Token{Name: store.TokenName(erased, "tok-9"), DisplayName: "Telephone"}, []byte("h"), noon); err != nil {
				return err
			}
			if _, err := g.CreateCalendar(&pb.Calendar{Name: store.CalendarName("collections/c1", "k"), DisplayName: "K"}, []byte("k"), noon); err != nil {
				return err
			}
			if _, _, err := g.Claim(store.Request{Method: "m", ID: "r", Digest: []byte("d"), Us: noon}); err != nil {
				return err
			}
			own, err := tx.CreateCollection("own", erased, &pb.Collection{DisplayName: "Sedgewick's", TimeZone: "UTC"}, theirs)
			if err != nil {
				return err
			}
			if _, err := own.CreatePlants([]store.NewPlant{pot("own", "x", "x")}, theirs); err != nil {
				return err
			}
			s, err := tx.CreateSociety("s1", &pb.Society{DisplayName: "Bog"}, at(1))
			if err != nil {
				return err
			}
			if _, err := s.AddMember(erased, pb.Member_ORGANISER, theirs); err != nil {
				return err
			}
			changed := store.Request{Method: "UpdateMember", ID: "r", Digest: []byte("d"), Us: noon}
			if _, _, err := tx.Grower("g1").Claim(changed); err != nil {
				return err
			}
			if err := tx.Grower("g1").Fulfil(changed, []string{store.MemberName("s1", erased)}); err != nil {
				return err
			}
			until := stampOf(noon + hour)
			if _, err := s.Invitations().Create(&pb.Invitation{Name: "societies/s1/invitations/i", ExpireTime: until}, []byte("i"), theirs); err != nil {
				return err
			}
			c, err := tx.Collection("c1", "", anyone)
			if err != nil {
				return err
			}
			for id, by := range map[string]store.By{"a": at(1), "b": theirs} {
				if _, err := c.Invitations().Create(&pb.Invitation{Name: "collections/c1/invitations/" + id, ExpireTime: until}, []byte(id), by); err != nil {
					return err
				}
			}
			if _, err := c.Invitations().Accept("a", theirs); err != nil {
				return err
			}
			grant := &pb.Grant{Name: "collections/c1/grants/g", Grantee: &pb.Grant_Grower{Grower: store.GrowerName(erased)}, Role: pb.Grant_KEEPER}
			if _, err := c.CreateGrant(grant, at(1)); err != nil {
				return err
			}
			if _, err := c.CreateFeedings([]*pb.Feeding{fed("p", "f", noon)}, theirs); err != nil {
				return err
			}
			if _, err := c.CreateObservations([]*pb.Observation{seen("p", "o", noon, repotted())}, theirs); err != nil {
				return err
			}
			if _, err := c.CreatePhoto(shot("c1", "p", "ph", digestOf("ph")), theirs); err != nil {
				return err
			}
			if _, err := c.UpdatePhoto("p", "ph", at(20), func(p *store.Photo) error { p.Note = "ours"; return nil }); err != nil {
				return err
			}
			_, err = c.UpdateFeeding("p", "f", at(20), func(m *pb.Feeding) error { m.Note = "ours"; return nil })
			return err
		})
		var organised, shared []string
		b.read(func(tx *store.Tx) (err error) {
			if organised, err = tx.Grower(erased).OrganisedSocieties(); err != nil {
				return err
			}
			shared, err = tx.Grower(erased).SharedCollections()
			return err
		})
		tells(b, "societies, shared collections", append(organised, shared...), []string{"s1"})

		b.write(func(tx *store.Tx) error { return tx.Grower(erased).BeginErasure(e) })
		text := b.everything()
		for _, gone := range []string{"Ottoline", "Telephone", "tokens ", "calendars ", "grants ", "requests " + erased} {
			if strings.Contains(text, gone) {
				b.Errorf("after the first step there is %q", gone)
			}
		}
		b.refused(store.ErrExists, func(tx *store.Tx) error { return tx.Grower(erased).BeginErasure(e) })
		b.write(func(tx *store.Tx) error {
			all, err := tx.Erasures("", 9)
			tells(b, "erasures under way", all, []store.Erasure{*e})
			if err != nil {
				return err
			}
			g := tx.Grower(erased)
			own, err := g.OwnCollections(9)
			tells(b, "own collections", own, []string{"own"})
			if err != nil {
				return err
			}
			return within("own", func(c *store.Collection) error { _, _, err := c.Purge(noon+50, 10); return err })(tx)
		})
		b.write(func(tx *store.Tx) error {
			g := tx.Grower(erased)
			in, err := g.ActedInCollections("", 9)
			tells(b, "collections", in, []string{"c1"})
			if err != nil {
				return err
			}
			if in, err = g.ActedInSocieties("", 9); err != nil {
				return err
			}
			tells(b, "societies", in, []string{"s1"})
			if err := within("c1", func(c *store.Collection) error { return c.Erase(e) })(tx); err != nil {
				return err
			}
			s, err := tx.Society("s1", "")
			if err != nil {
				return err
			}
			if err := s.Erase(e); err != nil {
				return err
			}
			return g.EndErasure(false)
		})
		b.write(func(tx *store.Tx) error {
			in, err := tx.Grower(erased).ActedInCollections("", 9)
			tells(b, "collections at last", in, []string{})
			if err != nil {
				return err
			}
			if err := tx.Grower(erased).Leave(e, noon+60); err != nil {
				return err
			}
			return tx.Grower(erased).EndErasure(true)
		})
		text = b.everything()
		for line := range strings.SplitSeq(text, "\n") {
			for _, gone := range []string{erased, "Ottoline", "Sedgewick", "tok-9", "own"} {
				if strings.Contains(line, gone) && !strings.Contains(line, "schema_versions") {
					b.Errorf("%q is left: %s", gone, line)
				}
			}
		}
		if m := get(b, func(c *store.Collection) (*store.Photo, error) { return c.Photo("p", "ph") }); m.GetRecorder() != "growers/erased-77" || m.GetNote() != "ours" {
			b.Errorf("the photo: %v", m.Photo)
		}
		if m := b.feeding("p", "f"); m.GetRecorder() != "growers/erased-77" || m.GetNote() != "ours" {
			b.Errorf("the feeding: %v", m)
		}
		lines := b.entries()
		tells(b, "the last entries", lines[len(lines)-2:], []string{
			"collections/c1/auditEntries/6 UPDATED growers/g1 growers/g1/tokens/t1  collections/c1/plants/p/photos/ph,collections/c1/plants/p/feedings/f",
			"collections/c1/auditEntries/7 DELETED growers/erased-77   collections/c1/grants/g",
		})
		b.read(func(tx *store.Tx) error {
			s, err := tx.Society("s1", "g1")
			if err != nil {
				return err
			}
			all, err := both(s.Audits(store.List{Limit: big}))
			tells(b, "the audit of the society", entryLines(all), []string{
				"societies/s1/auditEntries/1 CREATED growers/g1 growers/g1/tokens/t1  societies/s1,societies/s1/members/g1",
				"societies/s1/auditEntries/2 CREATED growers/erased-77  req-9 societies/s1/members/erased-77,societies/s1/invitations/i",
				"societies/s1/auditEntries/3 DELETED growers/erased-77   societies/s1/members/erased-77",
			})
			return err
		})
	})
}
