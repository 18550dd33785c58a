package store_test

import (
	"errors"
	"fmt"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// by is a grower at noon.
func by(grower string) store.By { return store.By{Us: noon, Grower: grower, Token: "t"} }

// growers adds growers with these ids.
func (b bed) growers(ids ...string) {
	b.Helper()
	b.write(func(tx *store.Tx) error {
		for _, id := range ids {
			if _, err := tx.Grower(id).Create("Grower "+id, noon); err != nil {
				return err
			}
		}
		return nil
	})
}

// society makes a society of g1 with members.
func (b bed) society(id string, members ...string) (made *pb.Society) {
	b.Helper()
	b.write(func(tx *store.Tx) error {
		s, err := tx.CreateSociety(id, &pb.Society{DisplayName: "Society " + id}, by("g1"))
		if err != nil {
			return err
		}
		for _, grower := range members {
			if _, err := s.AddMember(grower, pb.Member_MEMBER, by("g1")); err != nil {
				return err
			}
		}
		made = s.Get()
		return nil
	})
	return made
}

// ofSociety makes a function of a transaction from one of a society, opened for a grower.
func ofSociety(id, grower string, f func(*store.Society) error) func(*store.Tx) error {
	return func(tx *store.Tx) error {
		s, err := tx.Society(id, grower)
		if err != nil {
			return err
		}
		return f(s)
	}
}

func (b bed) readSociety(id, grower string) (m *pb.Society) {
	b.Helper()
	b.read(ofSociety(id, grower, func(s *store.Society) error { m = s.Get(); return nil }))
	return m
}

func (b bed) member(society, grower string) (m *pb.Member) {
	b.Helper()
	b.read(ofSociety(society, "", func(s *store.Society) (err error) {
		m, err = s.Member(grower)
		return err
	}))
	return m
}

// societiesOf are the names of the societies in which a grower is.
func (b bed) societiesOf(grower string) (names []string) {
	b.Helper()
	b.read(func(tx *store.Tx) error {
		all, _, err := tx.Grower(grower).Societies(store.List{Limit: big})
		if err != nil {
			return err
		}
		for _, m := range all {
			names = append(names, m.GetName())
		}
		n, err := tx.Grower(grower).CountSocieties()
		if int(n) != len(all) {
			b.Errorf("%s is in %d societies, %d are listed", grower, n, len(all))
		}
		return err
	})
	return names
}

func TestSociety(t *testing.T) {
	each(t, func(b bed) {
		b.growers("g3")
		made := b.society("s1", "g2")
		if made.GetEtag() == "" {
			b.Error("no etag")
		}
		want := &pb.Society{
			Name: "societies/s1", DisplayName: "Society s1", Role: pb.Member_ORGANISER, CreateTime: stampOf(noon), UpdateTime: stampOf(noon), Etag: made.GetEtag(),
		}
		tells(b, "the answer", made, want)
		// What it tells of the role is that of who asks.
		for grower, role := range map[string]pb.Member_Role{"g1": pb.Member_ORGANISER, "g2": pb.Member_MEMBER, "g3": 0, "": 0} {
			want.Role = role
			tells(b, "as "+grower+" sees it", b.readSociety("s1", grower), want)
			b.read(ofSociety("s1", grower, func(s *store.Society) error {
				if s.ID() != "s1" || s.Role() != role {
					b.Errorf("id %s, role %v", s.ID(), s.Role())
				}
				return nil
			}))
		}
		want.Role = pb.Member_ORGANISER
		b.society("s0", "g3")
		b.read(func(tx *store.Tx) error {
			all, next, err := tx.Grower("g1").Societies(store.List{Limit: 1, Desc: true})
			if len(all) != 1 || len(next) != 1 {
				return fmt.Errorf("%d societies, next %v, %w", len(all), next, err)
			}
			tells(b, "in a list", all[0], want)
			return err
		})
		tells(b, "those of g1", b.societiesOf("g1"), []string{"societies/s0", "societies/s1"})
		tells(b, "those of g2", b.societiesOf("g2"), []string{"societies/s1"})
		tells(b, "those of nobody", b.societiesOf("none"), []string(nil))

		var changed *pb.Society
		update := func(us int64, f func(*pb.Society) error) func(*store.Tx) error {
			return ofSociety("s1", "g1", func(s *store.Society) (err error) {
				changed, err = s.Update(store.By{Us: us, Grower: "g1"}, f)
				return err
			})
		}
		rename := func(m *pb.Society) error {
			m.DisplayName = "  Größe 🌱"
			m.Name, m.Etag, m.CreateTime, m.Role = "societies/x", "mine", nil, 0 // not the caller's to set
			return nil
		}
		b.write(update(noon+1, rename))
		if changed.GetEtag() == made.GetEtag() {
			b.Error("the etag is the same after a change")
		}
		want.DisplayName, want.UpdateTime, want.Etag = "  Größe 🌱", stampOf(noon+1), changed.GetEtag()
		tells(b, "the answer to a change", changed, want)
		tells(b, "what is read after it", b.readSociety("s1", "g1"), want)
		b.write(update(noon+2, agree)) // changes nothing
		tells(b, "after no change", b.readSociety("s1", "g1"), want)
		b.refused(errMine, update(noon+3, refuse))
		b.newer("societies", "society_id = ?", "s1")
		b.refused(store.ErrNewer, update(noon+3, func(m *pb.Society) error { m.DisplayName = "never"; return nil }))
		tells(b, "after what was refused", b.readSociety("s1", "g1"), want)
	})
}

func TestSocietyErrors(t *testing.T) {
	each(t, func(b bed) {
		b.society("s1")
		for _, id := range []string{"s2", "", "S1", "s%"} {
			b.refused(store.ErrNotFound, ofSociety(id, "g1", func(*store.Society) error { return nil }))
		}
		b.refused(store.ErrExists, func(tx *store.Tx) error {
			_, err := tx.CreateSociety("s1", &pb.Society{}, by("g2"))
			return err
		})
		b.refused(store.ErrReference, func(tx *store.Tx) error {
			_, err := tx.CreateSociety("s2", &pb.Society{}, by("g3"))
			return err
		})
		b.refused(store.ErrExists, ofSociety("s1", "", func(s *store.Society) error {
			_, err := s.AddMember("g1", pb.Member_MEMBER, by("g1"))
			return err
		}))
		b.refused(store.ErrReference, ofSociety("s1", "", func(s *store.Society) error {
			_, err := s.AddMember("g3", pb.Member_MEMBER, by("g1"))
			return err
		}))
		for _, grower := range []string{"g2", "g3", "", "G1"} { // who is not in it, or not there at all
			b.refused(store.ErrNotFound, ofSociety("s1", "", func(s *store.Society) error { _, err := s.Member(grower); return err }))
			b.refused(store.ErrNotFound, ofSociety("s1", "", func(s *store.Society) error {
				_, err := s.UpdateMember(grower, by("g1"), agree)
				return err
			}))
			b.refused(store.ErrNotFound, ofSociety("s1", "", func(s *store.Society) error { _, err := s.RemoveMember(grower, at(1), agree); return err }))
		}
	})
}

func TestMembers(t *testing.T) {
	each(t, func(b bed) {
		b.growers("g3")
		b.society("s1", "g2")
		organisers := func(want int64) {
			b.Helper()
			b.read(ofSociety("s1", "", func(s *store.Society) error {
				n, err := s.Organisers()
				if n != want {
					b.Errorf("%d organisers, want %d", n, want)
				}
				return err
			}))
		}
		organisers(1)
		before := b.member("s1", "g2")
		want := &pb.Member{
			Name: "societies/s1/members/g2", Grower: "growers/g2", DisplayName: "Grower g2", Role: pb.Member_MEMBER,
			CreateTime: stampOf(noon), UpdateTime: stampOf(noon), Etag: before.GetEtag(),
		}
		tells(b, "a member", before, want)
		var changed *pb.Member
		update := func(grower string, us int64, f func(*pb.Member) error) func(*store.Tx) error {
			return ofSociety("s1", "", func(s *store.Society) (err error) {
				changed, err = s.UpdateMember(grower, store.By{Us: us}, f)
				return err
			})
		}
		to := func(role pb.Member_Role) func(*pb.Member) error {
			return func(m *pb.Member) error {
				m.Role = role
				m.Grower, m.Name, m.Etag = "growers/g3", "", "" // not the caller's to set
				return nil
			}
		}
		b.write(update("g2", noon+1, to(pb.Member_ORGANISER)))
		if changed.GetEtag() == before.GetEtag() {
			b.Error("the etag is the same after a change")
		}
		want.Role, want.UpdateTime, want.Etag = pb.Member_ORGANISER, stampOf(noon+1), changed.GetEtag()
		tells(b, "the answer to a change", changed, want)
		b.write(update("g2", noon+2, to(pb.Member_ORGANISER))) // changes nothing
		tells(b, "after no change", changed, want)
		b.refused(errMine, update("g2", noon+3, refuse))
		tells(b, "what is read", b.member("s1", "g2"), want)
		organisers(2)
		b.read(ofSociety("s1", "", func(s *store.Society) error {
			all, next, err := s.Members(store.List{Limit: big})
			tells(b, "the list", all, []*pb.Member{b.member("s1", "g1"), want})
			if next != nil {
				b.Error("there is another page")
			}
			return err
		}))
		b.newer("members", "society_id = ? AND grower_id = ?", "s1", "g2")
		b.refused(store.ErrNewer, update("g2", noon+3, to(pb.Member_MEMBER)))

		remove := func(grower string, f func(*pb.Member) error) func(*store.Tx) error {
			return ofSociety("s1", "", func(s *store.Society) (err error) {
				changed, err = s.RemoveMember(grower, at(1), f)
				return err
			})
		}
		b.refused(errMine, remove("g2", refuse))
		b.write(remove("g2", func(m *pb.Member) error { tells(b, "what a removal gets", m, want); return nil }))
		tells(b, "the answer to a removal", changed, want)
		b.refused(store.ErrNotFound, remove("g2", agree))
		organisers(1)
		tells(b, "societies of who left", b.societiesOf("g2"), []string(nil))
		b.write(ofSociety("s1", "", func(s *store.Society) error { // and comes again
			_, err := s.AddMember("g2", pb.Member_MEMBER, by("g1"))
			return err
		}))

		// Who is in one society together.
		b.write(func(tx *store.Tx) error {
			_, err := tx.CreateSociety("s2", &pb.Society{}, by("g3"))
			return err
		})
		for pair, want := range map[[2]string]bool{
			{"g1", "g2"}: true, {"g2", "g1"}: true, {"g1", "g1"}: true, {"g1", "g3"}: false, {"g3", "g2"}: false, {"g1", "none"}: false, {"none", "g1"}: false,
		} {
			b.read(func(tx *store.Tx) error {
				shares, err := tx.Grower(pair[0]).Shares(pair[1])
				if shares != want {
					b.Errorf("%v share a society: %v", pair, shares)
				}
				return err
			})
		}
	})
}

// With a society goes all that is its own, and what was granted to it; nothing else does.
func TestSocietyDelete(t *testing.T) {
	each(t, func(b bed) {
		b.society("s1", "g2")
		b.society("s2", "g2")
		for _, id := range []string{"s1", "s2"} {
			b.write(ofSociety(id, "", func(s *store.Society) error {
				return invite(s.Invitations(), s.Get().GetName(), "i", "", by("g1"))
			}))
			b.grant(id, "societies/"+id, pb.Grant_VIEWER)
		}
		b.grant("g", "growers/g2", pb.Grant_VIEWER)
		b.visible("c1", pb.Collection_SHARED)
		owns := func(want bool) {
			b.Helper()
			b.read(ofSociety("s1", "", func(s *store.Society) error {
				owns, err := s.Owns()
				if owns != want {
					b.Errorf("owns a collection: %v", owns)
				}
				return err
			}))
		}
		remove := ofSociety("s1", "", func(s *store.Society) error { return s.Delete(at(1)) })
		transfer := func(grower, society string) {
			b.Helper()
			b.write(within("c2", func(c *store.Collection) error {
				_, err := c.Transfer(grower, society, by("g2"), agree)
				return err
			}))
		}
		owns(false)
		transfer("", "s1")
		owns(true)
		b.refused(store.ErrReference, remove)
		b.write(within("c2", func(c *store.Collection) error { _, err := c.Delete(by("g2"), noon+purgeAfter, agree); return err }))
		owns(true) // what was deleted counts
		b.refused(store.ErrReference, remove)
		tells(b, "members", len(b.readMembers("s1")), 2)
		b.write(within("c2", func(c *store.Collection) error { _, err := c.Undelete(by("g2"), agree); return err }))
		transfer("g2", "")
		owns(false)
		b.write(remove)
		b.refused(store.ErrNotFound, remove)
		tells(b, "societies of a member", b.societiesOf("g2"), []string{"societies/s2"})
		b.refused(store.ErrNotFound, func(tx *store.Tx) error {
			_, err := tx.Invited([]byte("societies/s1/invitations/i"), noon)
			return err
		})
		b.read(func(tx *store.Tx) error {
			_, err := tx.Invited([]byte("societies/s2/invitations/i"), noon)
			return err
		})
		var left []string
		for _, m := range b.grants() {
			left = append(left, store.Segment(m.GetName(), "grants"))
		}
		tells(b, "grants that are left", left, []string{"g", "s2"})
		b.refusedIn(store.ErrReference, func(c *store.Collection) error {
			_, err := c.Transfer("", "s1", at(0), agree)
			return err
		})
		b.society("s1") // its id may come again, with nobody but who makes it
		tells(b, "members of a new society", len(b.readMembers("s1")), 1)
	})
}

func (b bed) readMembers(society string) (all []*pb.Member) {
	b.Helper()
	b.read(ofSociety(society, "", func(s *store.Society) (err error) {
		all, _, err = s.Members(store.List{Limit: big})
		return err
	}))
	return all
}

// Writers of one society come one after another: of two organisers who leave at the same
// time the second sees that the first has gone.
func TestOrganisersLeaveOneAfterAnother(t *testing.T) {
	each(t, func(b bed) {
		b.society("s1", "g2")
		b.write(ofSociety("s1", "", func(s *store.Society) error {
			_, err := s.UpdateMember("g2", by("g1"), func(m *pb.Member) error { m.Role = pb.Member_ORGANISER; return nil })
			return err
		}))
		errLast := errors.New("the last one")
		leavers := []string{"g1", "g2"}
		left := make([]error, len(leavers))
		err := writers(len(leavers), func(n int) error {
			left[n] = b.s.Write(b.Context(), ofSociety("s1", leavers[n], func(s *store.Society) error {
				_, err := s.RemoveMember(leavers[n], at(1), func(*pb.Member) error {
					n, err := s.Organisers()
					if err == nil && n < 2 {
						err = errLast
					}
					return err
				})
				return err
			}))
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
		if errors.Is(left[0], errLast) == errors.Is(left[1], errLast) || errors.Join(left...) == nil {
			b.Errorf("they left: %v", left)
		}
		tells(b, "who stays", len(b.readMembers("s1")), 1)
	})
}
