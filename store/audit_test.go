package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// entries are those about c1, the first first, each in a line: number, action, who, with
// what, the request, and what changed.
func (b bed) entries() (lines []string) {
	b.Helper()
	all := get(b, func(c *store.Collection) ([]*pb.AuditEntry, error) { return both(c.Audits(store.List{Limit: big})) })
	return entryLines(all)
}

func entryLines(all []*pb.AuditEntry) (lines []string) {
	for _, m := range all {
		lines = append(lines, strings.TrimSpace(fmt.Sprint(m.GetName(), " ", m.GetAction(), " ", m.GetGrower(), " ", m.GetToken(), " ", m.GetRequestId(), " ",
			strings.Join(m.GetResources(), ","))))
	}
	return lines
}

func TestAudit(t *testing.T) {
	each(t, func(b bed) {
		by := at(5)
		by.Request = "r"
		b.in(func(c *store.Collection) error {
			if _, err := c.CreateBench(&pb.Bench{Name: "collections/c1/benches/b"}, by); err != nil {
				return err
			}
			if _, err := c.CreatePlants([]store.NewPlant{pot("c1", "p", "p"), pot("c1", "q", "q")}, by); err != nil {
				return err
			}
			if _, err := c.CreateFeedings([]*pb.Feeding{fed("p", "f", noon)}, by); err != nil {
				return err
			}
			_, err := c.CreatePhoto(shot("c1", "p", "ph", digestOf("ph")), by)
			return err
		})
		b.in(func(c *store.Collection) error {
			if _, err := c.DeleteFeeding("p", "f", at(6), agree); err != nil {
				return err
			}
			if _, err := c.DeletePlant("q", at(6), noon+purgeAfter, agree); err != nil {
				return err
			}
			_, err := c.Update(at(6), func(m *pb.Collection) error { m.DisplayName = "X"; return nil })
			return err
		})
		b.refusedIn(errMine, func(c *store.Collection) error { // what fails is not on record
			if _, err := c.UndeletePlant("q", at(7), agree); err != nil {
				return err
			}
			return errMine
		})
		b.in(func(c *store.Collection) error { // nor what changes nothing
			_, err := c.Update(at(7), func(*pb.Collection) error { return nil })
			return err
		})
		b.in(func(c *store.Collection) error {
			_, err := c.Transfer("g2", "", at(8), agree)
			return err
		})
		b.purge(noon + purgeAfter)
		const me = "growers/g1 growers/g1/tokens/t1"
		tells(b, "the audit", b.entries(), []string{
			"collections/c1/auditEntries/1 CREATED growers/g1 growers/g1/tokens/t  collections/c1",
			"collections/c1/auditEntries/2 CREATED " + me + " r collections/c1/benches/b,collections/c1/plants/p,collections/c1/plants/q,collections/c1/plants/p/feedings/f,collections/c1/plants/p/photos/ph",
			"collections/c1/auditEntries/3 DELETED " + me + "  collections/c1/plants/p/feedings/f,collections/c1/plants/q",
			"collections/c1/auditEntries/4 UPDATED " + me + "  collections/c1",
			"collections/c1/auditEntries/5 TRANSFERRED " + me + "  collections/c1",
			"collections/c1/auditEntries/6 PURGED    collections/c1/plants/q",
		})
		// Filters and pages, the latest first.
		page := func(q store.List) []string {
			return entryLines(get(b, func(c *store.Collection) ([]*pb.AuditEntry, error) { return both(c.Audits(q)) }))
		}
		if got := page(store.List{Limit: 2, Desc: true}); len(got) != 2 || !strings.Contains(got[0], "auditEntries/6 ") {
			b.Errorf("the first page: %v", got)
		}
		for _, x := range []struct {
			where store.Condition
			want  int
		}{
			{store.Condition{Field: "createTime", Op: ">=", Value: noon + 6}, 4},
			{store.Condition{Field: "grower", Op: "=", Value: "g1"}, 5},
			{store.Condition{Field: "action", Op: "=", Value: int32(pb.AuditEntry_CREATED)}, 2},
		} {
			if got := page(store.List{Limit: big, Where: []store.Condition{x.where}}); len(got) != x.want {
				b.Errorf("%v finds %v", x.where, got)
			}
		}
	})
}

// More than 1,000 changes at once are several entries, by one statement.
func TestAuditOfMany(t *testing.T) {
	each(t, func(b bed) {
		sent := 0
		b.s.Record(func(statement string, _ []any) {
			if strings.Contains(statement, "INTO collection_audits") {
				sent++
			}
		})
		defer b.s.Record(nil)
		b.in(func(c *store.Collection) error {
			var all []store.NewPlant
			for n := range 2001 {
				id := fmt.Sprint("p", n)
				all = append(all, pot("c1", id, id))
			}
			_, err := c.CreatePlants(all, at(1))
			return err
		})
		all := get(b, func(c *store.Collection) ([]*pb.AuditEntry, error) { return both(c.Audits(store.List{Limit: big})) })
		var sizes []int
		for _, m := range all {
			sizes = append(sizes, len(m.GetResources()))
		}
		if !slices.Equal(sizes, []int{1, 1000, 1000, 1}) || sent != 1 {
			b.Errorf("entries of %v names, by %d statements", sizes, sent)
		}
	})
}

// What is done with societies, grants and invitations is on record too.
func TestAuditOfPeople(t *testing.T) {
	each(t, func(b bed) {
		b.write(func(tx *store.Tx) error {
			s, err := tx.CreateSociety("s1", &pb.Society{DisplayName: "Bog"}, at(1))
			if err != nil {
				return err
			}
			if _, err := s.Invitations().Create(&pb.Invitation{Name: "societies/s1/invitations/i", ExpireTime: stampOf(noon + hour)}, []byte("i"), at(1)); err != nil {
				return err
			}
			return within("c1", func(c *store.Collection) error {
				_, err := c.CreateGrant(&pb.Grant{Name: "collections/c1/grants/g", Grantee: &pb.Grant_Society{Society: "societies/s1"}, Role: pb.Grant_KEEPER}, at(1))
				return err
			})(tx)
		})
		other := store.By{Us: noon + 2, Grower: "g2", Token: "t2"}
		b.write(func(tx *store.Tx) error {
			s, err := tx.Society("s1", "g2")
			if err != nil {
				return err
			}
			if _, err := s.Invitations().Accept("i", other); err != nil {
				return err
			}
			if _, err := s.AddMember("g2", pb.Member_MEMBER, other); err != nil {
				return err
			}
			if _, err := s.UpdateMember("g2", at(3), func(m *pb.Member) error { m.Role = pb.Member_ORGANISER; return nil }); err != nil {
				return err
			}
			_, err = s.RemoveMember("g1", other, agree)
			return err
		})
		b.read(func(tx *store.Tx) error {
			s, err := tx.Society("s1", "g2")
			if err != nil {
				return err
			}
			all, err := both(s.Audits(store.List{Limit: big}))
			tells(b, "the audit of the society", entryLines(all), []string{
				"societies/s1/auditEntries/1 CREATED growers/g1 growers/g1/tokens/t1  societies/s1,societies/s1/members/g1,societies/s1/invitations/i",
				"societies/s1/auditEntries/2 ACCEPTED growers/g2 growers/g2/tokens/t2  societies/s1/invitations/i",
				"societies/s1/auditEntries/3 CREATED growers/g2 growers/g2/tokens/t2  societies/s1/members/g2",
				"societies/s1/auditEntries/4 UPDATED growers/g1 growers/g1/tokens/t1  societies/s1/members/g2",
				"societies/s1/auditEntries/5 DELETED growers/g2 growers/g2/tokens/t2  societies/s1/members/g1",
			})
			return err
		})
		b.write(func(tx *store.Tx) error { // what was granted to it goes with it
			s, err := tx.Society("s1", "g2")
			if err != nil {
				return err
			}
			return s.Delete(other)
		})
		tells(b, "the audit of the collection", b.entries()[1:], []string{
			"collections/c1/auditEntries/2 CREATED growers/g1 growers/g1/tokens/t1  collections/c1/grants/g",
			"collections/c1/auditEntries/3 DELETED growers/g2 growers/g2/tokens/t2  collections/c1/grants/g",
		})
	})
}

// Writers of one collection count their entries without gaps, whoever comes first.
func TestAuditCountsWithoutGaps(t *testing.T) {
	each(t, func(b bed) {
		const writers, writes = 4, 6
		done := make(chan error)
		for w := range writers {
			go func() {
				var errs error
				for n := range writes {
					errs = errors.Join(errs, b.s.Write(context.WithoutCancel(b.Context()), within("c1", func(c *store.Collection) error {
						id := fmt.Sprint("p", w, "-", n)
						_, err := c.CreatePlants([]store.NewPlant{pot("c1", id, id)}, at(int64(w*100+n)))
						return err
					})))
				}
				done <- errs
			}()
		}
		for range writers {
			if err := <-done; err != nil {
				b.Error(err)
			}
		}
		lines := b.entries()
		for i, line := range lines {
			if !strings.HasPrefix(line, fmt.Sprintf("collections/c1/auditEntries/%d ", i+1)) {
				b.Errorf("entry %d is %s", i+1, line)
			}
		}
		if len(lines) != 1+writers*writes {
			b.Errorf("%d entries", len(lines))
		}
	})
}

// The database itself refuses to change an entry, but for the code of who was erased.
func TestAuditIsOnlyAddedTo(t *testing.T) {
	each(t, func(b bed) {
		b.write(func(tx *store.Tx) error {
			_, err := tx.CreateSociety("s1", &pb.Society{DisplayName: "Bog"}, at(1))
			return err
		})
		for table, tenant := range map[string]string{"collection_audits": "collection_id = 'c1'", "society_audits": "society_id = 's1'"} {
			for change, fine := range map[string]bool{
				"grower_id = 'g2'": false, "token_id = 'x'": false, "action = 9": false, "create_us = 1": false, "names = '[]'": false,
				"request_id = 'x'": false, "audit_number = 9": false, "stamp = 99": false,
				"grower_id = 'erased-1', token_id = ''": true,
			} {
				err := b.s.Write(b.Context(), func(tx *store.Tx) error {
					if _, err := tx.SQL().ExecContext(b.Context(), "UPDATE "+table+" SET "+change+" WHERE "+tenant); err != nil {
						return err
					}
					return errMine
				})
				if errors.Is(err, errMine) != fine {
					b.Errorf("%s of %s: %v", change, table, err)
				}
			}
		}
	})
}

// Nothing but what is named here touches the tables of the audit: it adds to them, erases a
// grower, or removes what they are about.
func TestFewTouchTheAudit(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		may := strings.HasSuffix(name, "_test.go") || slices.Contains([]string{"audit.go", "erasure.go", "purge.go", "society.go"}, name)
		if !may && (strings.Contains(string(text), "_audits") || strings.Contains(string(text), "AuditRow")) {
			t.Errorf("%s touches the audit", name)
		}
	}
}

// One transaction may change more collections than one statement has arguments for: as when
// a society is ended to which thousands are granted. Its entries are numbered all the same.
func TestAuditsOfManyCollections(t *testing.T) {
	each(t, func(b bed) {
		const many = 7500
		id := func(i int) string { return fmt.Sprintf("many%05d", i) }
		b.write(func(tx *store.Tx) error {
			for i := range many {
				c, err := tx.CreateCollection(id(i), "g1", &pb.Collection{DisplayName: "Many", TimeZone: "Europe/Berlin"}, at(0))
				if err != nil {
					return err
				}
				if i%1000 == 0 { // in another statement than its creation, or the same
					if _, err := c.Delete(at(1), noon+day, func(*pb.Collection) error { return nil }); err != nil {
						return err
					}
				}
			}
			return nil
		})
		b.read(func(tx *store.Tx) error {
			for _, i := range []int{0, 1, 1000, many - 1} {
				c, err := tx.Collection(id(i), "g1", anyone)
				if err != nil {
					return err
				}
				all, _, err := c.Audits(store.List{Limit: 10})
				if err != nil {
					return err
				}
				want := 1
				if i%1000 == 0 {
					want = 2
				}
				if len(all) != want || all[0].GetAction() != pb.AuditEntry_CREATED || !strings.HasSuffix(all[want-1].GetName(), fmt.Sprintf("/auditEntries/%d", want)) {
					b.Errorf("%s: %v", id(i), all)
				}
			}
			return nil
		})
	})
}

// A list ends early where entries name very much, and goes on from there: all of it comes,
// once.
func TestAuditOfLongNames(t *testing.T) {
	each(t, func(b bed) {
		const times, each = 15, 1000
		for k := range times {
			b.in(func(c *store.Collection) error {
				var all []store.NewPlant
				for n := range each {
					id := fmt.Sprintf("%s-%d-%d", strings.Repeat("p", 50), k, n)
					all = append(all, pot("c1", id, id))
				}
				_, err := c.CreatePlants(all, at(1))
				return err
			})
		}
		var pages, entries []int
		seen := map[string]bool{}
		for q := (store.List{Limit: 1000, Desc: true}); ; {
			var next []any
			all := get(b, func(c *store.Collection) (all []*pb.AuditEntry, err error) {
				all, next, err = c.Audits(q)
				return all, err
			})
			size := 0
			for _, m := range all {
				for _, name := range m.GetResources() {
					size += len(name)
					seen[name] = true
				}
				entries = append(entries, len(m.GetResources()))
			}
			if pages = append(pages, len(all)); size > 1<<20+100<<10 {
				b.Errorf("a page names %d bytes", size)
			}
			if next == nil {
				break
			}
			q.After = next
		}
		if len(pages) < 2 || len(entries) != times+1 || len(seen) != times*each+1 {
			b.Errorf("pages of %v entries, of %v names, %d different", pages, entries, len(seen))
		}
	})
}
