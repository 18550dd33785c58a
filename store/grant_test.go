package store_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// granting is a grant to the grower or society of a name.
func granting(collection, id, to string, role pb.Grant_Role) *pb.Grant {
	m := &pb.Grant{Name: store.GrantName(collection, id), Role: role}
	if strings.HasPrefix(to, "societies/") {
		m.Grantee = &pb.Grant_Society{Society: to}
	} else {
		m.Grantee = &pb.Grant_Grower{Grower: to}
	}
	return m
}

// grant adds a grant to c1.
func (b bed) grant(id, to string, role pb.Grant_Role) *pb.Grant {
	b.Helper()
	return put(b, func(c *store.Collection) (*pb.Grant, error) {
		return c.CreateGrant(granting("c1", id, to, role), at(0))
	})
}

func (b bed) grants() []*pb.Grant {
	b.Helper()
	return get(b, func(c *store.Collection) ([]*pb.Grant, error) {
		all, next, err := c.Grants(store.List{Limit: big})
		n, countErr := c.CountGrants()
		if int(n) != len(all) || next != nil {
			b.Errorf("%d grants, %d are listed, next %v", n, len(all), next)
		}
		return all, errors.Join(err, countErr)
	})
}

// visible makes a collection PRIVATE, SHARED or PUBLIC.
func (b bed) visible(id string, v pb.Collection_Visibility) {
	b.Helper()
	b.write(within(id, func(c *store.Collection) error {
		_, err := c.Update(at(0), func(m *pb.Collection) error { m.Visibility = v; return nil })
		return err
	}))
}

// tiesOf are those of a grower to a collection, as three ways tell them: the handle, the
// lists, and on Postgres what reads all at once. It fails the test if they differ.
func tiesOf(t interface {
	rapid.TB
	Context() context.Context
}, s *store.Store, collection, grower string,
) (ties store.Ties) {
	t.Helper()
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		c, err := tx.Collection(collection, grower, func(asked store.Ties) bool { ties = asked; return true })
		if err == nil {
			tells(t, "ties of the handle", c.Ties(), ties)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if s.Engine() == store.SQLite {
		return ties
	}
	now, err := s.DueNow(t.Context(), collection, grower, "t", []byte(grower), store.DueQuery{}, false)
	if err != nil {
		t.Fatal(err)
	}
	tells(t, "ties of "+grower+" to "+collection+", read at once", now.Ties(), ties)
	return ties
}

func TestGrant(t *testing.T) {
	each(t, func(b bed) {
		b.society("s1")
		of := b.grant("b", "growers/g2", pb.Grant_VIEWER)
		if of.GetEtag() == "" {
			b.Error("no etag")
		}
		want := granting("c1", "b", "growers/g2", pb.Grant_VIEWER)
		want.DisplayName, want.CreateTime, want.UpdateTime, want.Etag = "Grower g2", stampOf(noon), stampOf(noon), of.GetEtag()
		tells(b, "the answer", of, want)
		tells(b, "what is read", get(b, func(c *store.Collection) (*pb.Grant, error) { return c.Grant("b") }), want)
		tells(b, "what is found", get(b, func(c *store.Collection) (*pb.Grant, error) { return c.GrantTo("g2", "") }), want)
		social := b.grant("a", "societies/s1", pb.Grant_MANAGER)
		if social.GetDisplayName() != "Society s1" || social.GetSociety() != "societies/s1" || social.GetGrower() != "" {
			b.Errorf("to a society: %v", social)
		}
		tells(b, "what is found of a society", get(b, func(c *store.Collection) (*pb.Grant, error) { return c.GrantTo("", "s1") }), social)
		tells(b, "the list", b.grants(), []*pb.Grant{social, want})

		update := func(us int64, f func(*pb.Grant) error) *pb.Grant {
			b.Helper()
			return put(b, func(c *store.Collection) (*pb.Grant, error) { return c.UpdateGrant("b", at(us), f) })
		}
		to := func(role pb.Grant_Role) func(*pb.Grant) error {
			return func(m *pb.Grant) error {
				m.Role = role
				m.Grantee, m.Name, m.Etag = nil, "", "" // not the caller's to set
				return nil
			}
		}
		changed := update(1, to(pb.Grant_KEEPER))
		if changed.GetEtag() == want.GetEtag() {
			b.Error("the etag is the same after a change")
		}
		want.Role, want.UpdateTime, want.Etag = pb.Grant_KEEPER, stampOf(noon+1), changed.GetEtag()
		tells(b, "the answer to a change", changed, want)
		tells(b, "the answer to no change", update(2, to(pb.Grant_KEEPER)), want)
		b.refusedIn(errMine, func(c *store.Collection) error { _, err := c.UpdateGrant("b", at(3), refuse); return err })
		b.refusedIn(errMine, func(c *store.Collection) error { _, err := c.DeleteGrant("b", at(3), refuse); return err })
		tells(b, "what is read after all", get(b, func(c *store.Collection) (*pb.Grant, error) { return c.Grant("b") }), want)

		gone := put(b, func(c *store.Collection) (*pb.Grant, error) { return c.DeleteGrant("b", at(4), agree) })
		tells(b, "what was taken back", gone, want)
		tells(b, "what is left", b.grants(), []*pb.Grant{social})
		// The history tells of it.
		history := get(b, func(c *store.Collection) ([]*pb.Revision, error) {
			all, _, err := c.Revisions(store.GrantKind, "", "b", store.List{Limit: big})
			return all, err
		})
		var actions []pb.Revision_Action
		for i, r := range history {
			actions = append(actions, r.GetAction())
			if r.GetNumber() != int32(i+1) || r.GetGrower() != "growers/g1" || r.GetToken() != "growers/g1/tokens/t1" {
				b.Errorf("revision %v", r)
			}
		}
		tells(b, "actions", actions, []pb.Revision_Action{pb.Revision_CREATED, pb.Revision_UPDATED, pb.Revision_DELETED})
		b.grant("c", "growers/g2", pb.Grant_VIEWER) // may be given again
	})
}

func TestGrantErrors(t *testing.T) {
	each(t, func(b bed) {
		b.society("s1")
		b.grant("a", "growers/g2", pb.Grant_VIEWER)
		b.grant("b", "societies/s1", pb.Grant_VIEWER)
		for _, c := range []struct {
			want   error
			id, to string
		}{
			{store.ErrExists, "a", "growers/g1"},     // the id
			{store.ErrExists, "c", "growers/g2"},     // whom it is for
			{store.ErrExists, "c", "societies/s1"},   // likewise
			{store.ErrReference, "c", "growers/g3"},  // who are not there
			{store.ErrReference, "c", "societies/s"}, // likewise
		} {
			b.refusedIn(c.want, func(of *store.Collection) error {
				_, err := of.CreateGrant(granting("c1", c.id, c.to, pb.Grant_VIEWER), at(0))
				return err
			})
		}
		// Another collection may have the same.
		b.write(within("c2", func(c *store.Collection) error {
			_, err := c.CreateGrant(granting("c2", "a", "growers/g2", pb.Grant_VIEWER), at(0))
			return err
		}))
		for _, id := range []string{"c", "", "A", "%"} {
			b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.Grant(id); return err })
			b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.UpdateGrant(id, at(0), agree); return err })
			b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.DeleteGrant(id, at(0), agree); return err })
		}
		for _, to := range [][2]string{{"g1", ""}, {"", "s2"}, {"", ""}, {"g3", ""}, {"s1", ""}} {
			b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.GrantTo(to[0], to[1]); return err })
		}
		b.newer("grants", "collection_id = ? AND grant_id = ?", "c1", "a")
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error {
			_, err := c.UpdateGrant("a", at(0), func(m *pb.Grant) error { m.Role = pb.Grant_KEEPER; return nil })
			return err
		})
	})
}

func TestTies(t *testing.T) {
	each(t, func(b bed) {
		b.growers("g3", "g4")
		b.tokens("g1", "g2", "g3", "g4")
		b.society("s1", "g2")
		b.society("s2", "g2", "g3")
		check := func(what string, want map[string]store.Ties) {
			b.Helper()
			for grower, ties := range want {
				tells(b, what+": "+grower, tiesOf(b, b.s, "c1", grower), ties)
			}
		}
		const private, sharedIs, public = pb.Collection_PRIVATE, pb.Collection_SHARED, pb.Collection_PUBLIC
		b.visible("c1", private)
		check("a private one", map[string]store.Ties{"g1": {Owns: true, Visibility: private}, "g2": {Visibility: private}})
		b.grant("a", "growers/g2", pb.Grant_VIEWER)
		b.grant("b", "societies/s1", pb.Grant_KEEPER)
		b.grant("c", "societies/s2", pb.Grant_MANAGER)
		// Grants are told of a private collection too: that they rest is for who judges.
		check("granted", map[string]store.Ties{
			"g1": {Owns: true, Visibility: private}, "g2": {Granted: pb.Grant_MANAGER, Visibility: private},
			"g3": {Granted: pb.Grant_MANAGER, Visibility: private}, "g4": {Visibility: private},
		})
		b.visible("c1", sharedIs)
		b.in(func(c *store.Collection) error {
			_, err := c.UpdateGrant("c", at(1), func(m *pb.Grant) error { m.Role = pb.Grant_VIEWER; return nil })
			return err
		})
		check("the highest of three", map[string]store.Ties{
			"g2": {Granted: pb.Grant_KEEPER, Visibility: sharedIs}, "g3": {Granted: pb.Grant_VIEWER, Visibility: sharedIs}, "g4": {Visibility: sharedIs},
		})
		b.write(ofSociety("s1", "", func(s *store.Society) error { _, err := s.RemoveMember("g2", at(1), agree); return err }))
		check("who left a society", map[string]store.Ties{"g2": {Granted: pb.Grant_VIEWER, Visibility: sharedIs}})
		b.write(ofSociety("s2", "", func(s *store.Society) error { _, err := s.RemoveMember("g3", at(1), agree); return err }))
		check("who left the only one", map[string]store.Ties{"g3": {Visibility: sharedIs}})

		// An organiser owns what the society does; a member has what was granted.
		b.in(func(c *store.Collection) error {
			m, err := c.Transfer("", "s2", at(2), agree)
			if m.GetOwner() != "societies/s2" || c.Owner() != "" || c.OwnerSociety() != "s2" {
				b.Errorf("owner %s, %q, %q", m.GetOwner(), c.Owner(), c.OwnerSociety())
			}
			return err
		})
		check("of a society", map[string]store.Ties{
			"g1": {Organises: true, Granted: pb.Grant_KEEPER, Visibility: sharedIs}, "g2": {Granted: pb.Grant_VIEWER, Visibility: sharedIs}, "g4": {Visibility: sharedIs},
		})
		b.in(func(c *store.Collection) error { _, err := c.Transfer("g4", "", at(3), agree); return err })
		b.visible("c1", public)
		b.in(func(c *store.Collection) error { _, err := c.Delete(at(4), noon+purgeAfter, agree); return err })
		check("deleted", map[string]store.Ties{
			"g4": {Owns: true, Visibility: public, Deleted: true}, "g3": {Visibility: public, Deleted: true},
			"g2": {Granted: pb.Grant_VIEWER, Visibility: public, Deleted: true},
		})
	})
}

// What a transfer is refused leaves the owner.
func TestTransferErrors(t *testing.T) {
	each(t, func(b bed) {
		before := get(b, (*store.Collection).Get)
		b.refusedIn(errMine, func(c *store.Collection) error { _, err := c.Transfer("g2", "", at(1), refuse); return err })
		b.refusedIn(store.ErrReference, func(c *store.Collection) error { _, err := c.Transfer("g3", "", at(1), agree); return err })
		b.refusedIn(store.ErrReference, func(c *store.Collection) error { _, err := c.Transfer("", "s1", at(1), agree); return err })
		b.in(func(c *store.Collection) error { _, err := c.Transfer("g1", "", at(1), agree); return err }) // whose it is
		tells(b, "the collection", get(b, (*store.Collection).Get), before)
		b.newer("collections", "collection_id = ?", "c1")
		b.refusedIn(store.ErrNewer, func(c *store.Collection) error { _, err := c.Transfer("g2", "", at(1), agree); return err })
	})
}

// tokens adds a token t of each grower.
func (b bed) tokens(growers ...string) {
	b.Helper()
	b.write(func(tx *store.Tx) error {
		for _, id := range growers {
			if _, err := tx.Grower(id).CreateToken(&pb.Token{Name: store.TokenName(id, "t")}, []byte(id), noon); err != nil {
				return err
			}
		}
		return nil
	})
}

// known are growers, societies and collections as they should be: a plain model of who has
// to do with what.
type known struct {
	growers, societies, collections []string
	ended                           map[string]bool
	roles                           map[[2]string]pb.Member_Role // by society and grower
	grants                          map[[2]string]pb.Grant_Role  // by collection and name of whom
	owner                           map[string]string            // name by collection
	visibility                      map[string]pb.Collection_Visibility
	deleted                         map[string]bool
}

func (k *known) ties(collection, grower string) store.Ties {
	owner := k.owner[collection]
	ties := store.Ties{Owns: owner == store.GrowerName(grower), Visibility: k.visibility[collection], Deleted: k.deleted[collection]}
	if ties.Owns {
		return ties // what is granted to who owns it is not asked for
	}
	ties.Organises = k.roles[[2]string{store.Segment(owner, "societies"), grower}] == pb.Member_ORGANISER
	ties.Granted = k.grants[[2]string{collection, store.GrowerName(grower)}]
	for _, s := range k.societies {
		if k.roles[[2]string{s, grower}] != 0 {
			ties.Granted = max(ties.Granted, k.grants[[2]string{collection, store.SocietyName(s)}])
		}
	}
	return ties
}

// do changes something in the store and here. It may have nothing to change.
func (k *known) do(t *rapid.T, tx *store.Tx, n int) error {
	grower := rapid.SampledFrom(k.growers).Draw(t, "grower")
	society := rapid.SampledFrom(k.societies).Draw(t, "society")
	collection := rapid.SampledFrom(k.collections).Draw(t, "collection")
	to := store.GrowerName(grower)
	if rapid.Bool().Draw(t, "to a society") {
		to = store.SocietyName(society)
	}
	of := func(f func(*store.Collection) error) error { return within(collection, f)(tx) }
	switch rapid.SampledFrom([]string{"member", "member", "grant", "grant", "grant", "transfer", "visibility", "delete", "end"}).Draw(t, "what") {
	case "member":
		if k.ended[society] {
			return nil
		}
		role, key := pb.Member_Role(rapid.IntRange(0, 2).Draw(t, "role")), [2]string{society, grower}
		was := k.roles[key]
		k.roles[key] = role
		return ofSociety(society, "", func(s *store.Society) (err error) {
			switch {
			case was == 0 && role != 0:
				_, err = s.AddMember(grower, role, by(grower))
			case was != 0 && role == 0:
				_, err = s.RemoveMember(grower, at(1), agree)
			case was != 0:
				_, err = s.UpdateMember(grower, by(grower), func(m *pb.Member) error { m.Role = role; return nil })
			}
			return err
		})(tx)
	case "grant":
		if k.ended[store.Segment(to, "societies")] {
			return nil
		}
		role, key := pb.Grant_Role(rapid.IntRange(0, 3).Draw(t, "role")), [2]string{collection, to}
		was := k.grants[key]
		k.grants[key] = role
		return of(func(c *store.Collection) error {
			if was == 0 && role == 0 {
				return nil
			}
			if was == 0 {
				_, err := c.CreateGrant(granting(collection, fmt.Sprint("g", n), to, role), at(0))
				return err
			}
			there, err := c.GrantTo(store.Segment(to, "growers"), store.Segment(to, "societies"))
			if err != nil {
				return err
			}
			if id := store.Segment(there.GetName(), "grants"); role == 0 {
				_, err = c.DeleteGrant(id, at(0), agree)
			} else {
				_, err = c.UpdateGrant(id, at(0), func(m *pb.Grant) error { m.Role = role; return nil })
			}
			return err
		})
	case "transfer":
		if k.ended[store.Segment(to, "societies")] {
			return nil
		}
		k.owner[collection] = to
		return of(func(c *store.Collection) error {
			_, err := c.Transfer(store.Segment(to, "growers"), store.Segment(to, "societies"), at(0), agree)
			return err
		})
	case "visibility":
		v := pb.Collection_Visibility(rapid.IntRange(1, 3).Draw(t, "visibility"))
		k.visibility[collection] = v
		return of(func(c *store.Collection) error {
			_, err := c.Update(at(0), func(m *pb.Collection) error { m.Visibility = v; return nil })
			return err
		})
	case "delete":
		was := k.deleted[collection]
		k.deleted[collection] = !was
		return of(func(c *store.Collection) (err error) {
			if was {
				_, err = c.Undelete(at(0), agree)
			} else {
				_, err = c.Delete(at(0), noon+purgeAfter, agree)
			}
			return err
		})
	}
	for _, owner := range k.owner {
		if owner == store.SocietyName(society) {
			return nil
		}
	}
	if k.ended[society] {
		return nil
	}
	k.ended[society] = true
	for key := range k.roles {
		if key[0] == society {
			delete(k.roles, key)
		}
	}
	for key := range k.grants {
		if key[1] == store.SocietyName(society) {
			delete(k.grants, key)
		}
	}
	return ofSociety(society, "", func(s *store.Society) error { return s.Delete(at(1)) })(tx)
}

// Whatever was granted, shared, given away and ended: the handle, the lists and what reads
// all at once tell the same of who has to do with what.
func TestTiesAgree(t *testing.T) {
	t.Parallel()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			s := storetest.New(t, engine)
			rounds := 0
			rapid.Check(t, func(t *rapid.T) {
				rounds++
				k := &known{
					ended: map[string]bool{}, roles: map[[2]string]pb.Member_Role{}, grants: map[[2]string]pb.Grant_Role{}, owner: map[string]string{},
					visibility: map[string]pb.Collection_Visibility{}, deleted: map[string]bool{},
				}
				id := func(kind string, n int) string { return fmt.Sprintf("r%d-%s%d", rounds, kind, n) }
				err := s.Write(t.Context(), func(tx *store.Tx) error {
					for n := range 3 {
						g := id("g", n)
						k.growers = append(k.growers, g)
						if _, err := tx.Grower(g).Create("", noon); err != nil {
							return err
						}
						if _, err := tx.Grower(g).CreateToken(&pb.Token{Name: store.TokenName(g, "t")}, []byte(g), noon); err != nil {
							return err
						}
					}
					for n := range 2 {
						k.societies = append(k.societies, id("s", n))
						k.roles[[2]string{id("s", n), k.growers[n]}] = pb.Member_ORGANISER
						if _, err := tx.CreateSociety(id("s", n), &pb.Society{}, by(k.growers[n])); err != nil {
							return err
						}
					}
					for n := range 3 {
						c := id("c", n)
						k.collections = append(k.collections, c)
						k.owner[c], k.visibility[c] = store.GrowerName(k.growers[0]), pb.Collection_SHARED
						if _, err := tx.CreateCollection(c, k.growers[0], &pb.Collection{Visibility: pb.Collection_SHARED}, by(k.growers[0])); err != nil {
							return err
						}
					}
					for n := range rapid.IntRange(0, 25).Draw(t, "changes") {
						if err := k.do(t, tx, n); err != nil {
							return err
						}
					}
					return nil
				})
				if err != nil {
					t.Fatal(err)
				}
				for _, grower := range k.growers {
					k.check(t, s, grower)
				}
			})
		})
	}
}

func (k *known) check(t *rapid.T, s *store.Store, grower string) {
	lists := map[string]map[string]store.Ties{"own": {}, "own with what is deleted": {}, "public": {}}
	want := map[string]map[string]store.Ties{"own": {}, "own with what is deleted": {}, "public": {}}
	for _, c := range k.collections {
		ties := k.ties(c, grower)
		tells(t, "ties of "+grower+" to "+c, tiesOf(t, s, c, grower), ties)
		owns := ties.Owns || ties.Organises
		may := owns || ties.Granted != 0 && ties.Visibility != pb.Collection_PRIVATE && !ties.Deleted
		if may {
			want["own with what is deleted"][c] = ties
			if !ties.Deleted {
				want["own"][c] = ties
			}
		}
		if ties.Visibility == pb.Collection_PUBLIC && !ties.Deleted {
			want["public"][c] = ties
		}
	}
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		for name, list := range map[string]func(store.List) ([]store.Listed, []any, error){
			"own":                      func(q store.List) ([]store.Listed, []any, error) { return tx.Collections(grower, q) },
			"own with what is deleted": func(q store.List) ([]store.Listed, []any, error) { q.Deleted = true; return tx.Collections(grower, q) },
			"public":                   func(q store.List) ([]store.Listed, []any, error) { return tx.PublicCollections(grower, q) },
		} {
			for q := (store.List{Limit: 2}); ; {
				all, next, err := list(q)
				if err != nil {
					return err
				}
				for _, m := range all {
					id := store.Segment(m.GetName(), "collections")
					if !slices.Contains(k.collections, id) {
						continue // public, of another round
					}
					if _, twice := lists[name][id]; twice {
						t.Errorf("%s is twice in the list %s", id, name)
					}
					if m.GetOwner() != k.owner[id] || m.Collection.GetVisibility() != m.Ties.Visibility {
						t.Errorf("%s: owner %s, want %s", id, m.GetOwner(), k.owner[id])
					}
					lists[name][id] = m.Ties
				}
				if next == nil {
					break
				}
				q.After = next
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	tells(t, "lists of "+grower, lists, want)
}

// What asks who may see a collection, in each way, finds it by its indexes.
func TestTiesAreIndexed(t *testing.T) {
	each(t, func(b bed) {
		b.tokens("g1", "g2")
		b.society("s1", "g2")
		b.grant("a", "societies/s1", pb.Grant_VIEWER)
		b.visible("c1", pb.Collection_SHARED)
		b.write(within("c2", func(c *store.Collection) error { _, err := c.Transfer("", "s1", at(0), agree); return err }))
		explainAll(b.T, b.s, func() {
			for _, grower := range []string{"g1", "g2"} {
				tiesOf(b, b.s, "c1", grower)
			}
			b.write(func(tx *store.Tx) error { _, err := tx.Collection("c1", "g2", anyone); return err })
		})
		for _, x := range record(b.s, func() {
			b.read(func(tx *store.Tx) error {
				for _, grower := range []string{"g1", "g2"} {
					if _, _, err := tx.Collections(grower, store.List{Limit: 1}); err != nil {
						return err
					}
				}
				return nil
			})
		}) {
			// The collections of one caller are few, and sorted.
			if plan, err := explain(b.T, b.s, x.statement, x.args...); err != nil && !strings.HasPrefix(err.Error(), "sorts: ") {
				b.Errorf("%v\n%s\n%s", err, x.statement, plan)
			}
		}
	})
}
