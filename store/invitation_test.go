package store_test

import (
	"bytes"
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// inviters are what one can be invited to.
var inviters = map[string]struct {
	parent string
	of     func(tx *store.Tx) (*store.Invitations, error)
}{
	"society": {"societies/s1", func(tx *store.Tx) (*store.Invitations, error) {
		s, err := tx.Society("s1", "g1")
		if err != nil {
			return nil, err
		}
		return s.Invitations(), nil
	}},
	"collection": {"collections/c1", func(tx *store.Tx) (*store.Invitations, error) {
		c, err := tx.Collection("c1", "", anyone)
		if err != nil {
			return nil, err
		}
		return c.Invitations(), nil
	}},
}

// eachInviter runs f for a society and for a collection, on both engines. within makes a
// function of a transaction from one of the invitations.
func eachInviter(t *testing.T, f func(b bed, parent string, within func(func(*store.Invitations) error) func(*store.Tx) error)) {
	each(t, func(b bed) {
		b.society("s1")
		for what, i := range inviters {
			b.Run(what, func(t *testing.T) {
				f(bed{t, b.s}, i.parent, func(do func(*store.Invitations) error) func(*store.Tx) error {
					return func(tx *store.Tx) error {
						in, err := i.of(tx)
						if err != nil {
							return err
						}
						return do(in)
					}
				})
			})
		}
	})
}

func TestInvitation(t *testing.T) {
	eachInviter(t, func(b bed, parent string, within func(func(*store.Invitations) error) func(*store.Tx) error) {
		create := func(id, hash string, until int64) (made *pb.Invitation) {
			b.Helper()
			m := &pb.Invitation{Name: store.InvitationName(parent, id), DisplayName: "for Größe 🌱", Role: pb.Invitation_KEEPER, ExpireTime: stampOf(until)}
			m.Secret = proto.String("dwbinv_secret") // is never kept
			b.write(within(func(in *store.Invitations) (err error) {
				made, err = in.Create(m, []byte(hash), at(0))
				return err
			}))
			return made
		}
		read := func(id string) (m *pb.Invitation) {
			b.Helper()
			b.read(within(func(in *store.Invitations) (err error) { m, err = in.Get(id); return err }))
			return m
		}
		invited := func(hash string, us int64) (found *store.Invited, err error) {
			b.Helper()
			b.read(func(tx *store.Tx) error {
				found, err = tx.Invited([]byte(hash), us)
				return nil
			})
			return found, err
		}
		opens := func(what, hash string, us int64, want bool) {
			b.Helper()
			if _, err := invited(hash, us); want && err != nil || !want && !errors.Is(err, store.ErrNotFound) {
				b.Errorf("%s: %v", what, err)
			}
		}
		hashed := func(id string) string { return parent + "#" + id }
		made := create("b", hashed("b"), noon+day)
		if made.GetEtag() == "" {
			b.Error("no etag")
		}
		want := &pb.Invitation{
			Name: store.InvitationName(parent, "b"), DisplayName: "for Größe 🌱", Role: pb.Invitation_KEEPER, ExpireTime: stampOf(noon + day),
			Inviter: "growers/g1", CreateTime: stampOf(noon), Etag: made.GetEtag(),
		}
		tells(b, "the answer", made, want)
		tells(b, "what is read", read("b"), want)
		opened := &store.Invited{
			Society: store.Segment(parent, "societies"), Collection: store.Segment(parent, "collections"), Invitation: "b", Role: pb.Invitation_KEEPER, Inviter: "g1",
		}
		found, err := invited(hashed("b"), noon)
		if err != nil {
			b.Fatal(err)
		}
		tells(b, "what the secret is for", found, opened)
		for _, unknown := range []string{"", "b", hashed("B"), hashed("b") + "x"} {
			opens("a hash that nobody has", unknown, noon, false)
		}
		// It opens until it expires, and not at that moment.
		opens("just before the end", hashed("b"), noon+day-1, true)
		opens("at the end", hashed("b"), noon+day, false)

		// Once accepted it opens no more.
		accept := func(id, grower string, us int64) func(*store.Tx) error {
			return within(func(in *store.Invitations) (err error) {
				made, err = in.Accept(id, store.By{Us: us, Grower: grower})
				return err
			})
		}
		b.refused(store.ErrNotFound, accept("b", "g2", noon+day)) // expired
		b.write(accept("b", "g2", noon+1))
		if made.GetEtag() == want.GetEtag() {
			b.Error("the etag is the same after it was accepted")
		}
		want.AcceptTime, want.Accepter, want.Etag = stampOf(noon+1), "growers/g2", made.GetEtag()
		tells(b, "accepted", made, want)
		tells(b, "what is read of it", read("b"), want)
		opens("accepted", hashed("b"), noon+1, false)
		opens("accepted, by a clock that went back", hashed("b"), noon, false)
		b.refused(store.ErrNotFound, accept("b", "g2", noon+2))
		b.refused(store.ErrNotFound, accept("b", "g1", noon+2))

		// Nor once it was taken back.
		create("a", hashed("a"), noon+day)
		revoke := func(id string, us int64, f func(*pb.Invitation) error) func(*store.Tx) error {
			return within(func(in *store.Invitations) (err error) {
				made, err = in.Revoke(id, store.By{Us: us, Grower: "g1"}, f)
				return err
			})
		}
		b.refused(errMine, revoke("a", noon+2, refuse))
		opens("not taken back", hashed("a"), noon+2, true)
		b.write(revoke("a", noon+2, agree))
		tells(b, "when", made.GetRevokeTime(), stampOf(noon+2))
		opens("taken back", hashed("a"), noon+2, false)
		first := made
		b.refused(store.ErrNotFound, accept("a", "g2", noon+3))
		b.write(revoke("a", noon+3, agree))
		tells(b, "taken back again", made, first)

		// Open ones, and all.
		create("c", hashed("c"), noon+5)
		create("d", hashed("d"), noon+6)
		list := func(us int64, deleted bool) (ids []string) {
			b.Helper()
			b.read(within(func(in *store.Invitations) error {
				all, next, err := in.List(store.List{Limit: big, Deleted: deleted}, us)
				for _, m := range all {
					ids = append(ids, store.Segment(m.GetName(), "invitations"))
				}
				n, countErr := in.Open(us)
				if !deleted && int(n) != len(all) || next != nil {
					b.Errorf("%d are open, %d are listed, next %v", n, len(all), next)
				}
				return errors.Join(err, countErr)
			}))
			return ids
		}
		tells(b, "open ones", list(noon, false), []string{"c", "d"})
		tells(b, "open ones later", list(noon+5, false), []string{"d"})
		tells(b, "all", list(noon+7, true), []string{"a", "b", "c", "d"})
		tells(b, "open ones at last", list(noon+7, false), []string(nil))
	})
}

func TestInvitationErrors(t *testing.T) {
	eachInviter(t, func(b bed, parent string, within func(func(*store.Invitations) error) func(*store.Tx) error) {
		create := func(id, hash string) func(*store.Tx) error {
			return within(func(in *store.Invitations) error {
				_, err := in.Create(&pb.Invitation{Name: store.InvitationName(parent, id), ExpireTime: stampOf(noon + day)}, []byte(hash), at(0))
				return err
			})
		}
		b.write(create("a", parent+"#a"))
		b.refused(store.ErrExists, create("a", parent+"#b"))
		b.refused(store.ErrExists, create("b", parent+"#a")) // the same secret
		for _, id := range []string{"b", "", "A", "%"} {
			b.refused(store.ErrNotFound, within(func(in *store.Invitations) error { _, err := in.Get(id); return err }))
			b.refused(store.ErrNotFound, within(func(in *store.Invitations) error {
				_, err := in.Revoke(id, store.By{Us: noon, Grower: "g1"}, agree)
				return err
			}))
			b.refused(store.ErrNotFound, within(func(in *store.Invitations) error {
				_, err := in.Accept(id, store.By{Us: noon, Grower: "g2"})
				return err
			}))
		}
		table, where := "society_invitations", "society_id = 's1' AND invitation_id = ?"
		if store.Segment(parent, "societies") == "" {
			table, where = "collection_invitations", "collection_id = 'c1' AND invitation_id = ?"
		}
		b.newer(table, where, "a")
		b.refused(store.ErrNewer, within(func(in *store.Invitations) error {
			_, err := in.Revoke("a", store.By{Us: noon, Grower: "g1"}, agree)
			return err
		}))
		b.refused(store.ErrNewer, within(func(in *store.Invitations) error {
			_, err := in.Accept("a", store.By{Us: noon, Grower: "g2"})
			return err
		}))
	})
}

// Of several who accept an invitation at the same time one does.
func TestInvitationOpensOnce(t *testing.T) {
	eachInviter(t, func(b bed, parent string, within func(func(*store.Invitations) error) func(*store.Tx) error) {
		b.write(within(func(in *store.Invitations) error { return invite(in, parent, "i", "", at(0)) }))
		const many = 4
		errs := make([]error, many)
		err := writers(many, func(n int) error {
			errs[n] = b.s.Write(b.Context(), within(func(in *store.Invitations) error {
				_, err := in.Accept("i", store.By{Us: noon, Grower: "g2"})
				return err
			}))
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
		opened := 0
		for _, err := range errs {
			switch {
			case err == nil:
				opened++
			case !errors.Is(err, store.ErrNotFound):
				b.Error(err)
			}
		}
		if opened != 1 {
			b.Errorf("it opened %d times: %v", opened, errs)
		}
	})
}

// The secret itself is in no row, only its hash; and what looks it up reads no more than
// one row.
func TestInvitedIsIndexed(t *testing.T) {
	eachInviter(t, func(b bed, parent string, within func(func(*store.Invitations) error) func(*store.Tx) error) {
		hash := bytes.Repeat([]byte(parent[:1]), 32)
		b.write(within(func(in *store.Invitations) error {
			_, err := in.Create(&pb.Invitation{Name: store.InvitationName(parent, "i"), ExpireTime: stampOf(noon + day)}, hash, at(0))
			return err
		}))
		explainAll(b.T, b.s, func() {
			b.read(func(tx *store.Tx) error { _, err := tx.Invited(hash, noon); return err })
		})
	})
}

// With a collection go its grants and its invitations, and only those.
func TestPurgeOfWhatIsShared(t *testing.T) {
	each(t, func(b bed) {
		b.society("s1", "g2")
		for _, id := range []string{"c1", "c2"} {
			b.write(within(id, func(c *store.Collection) error {
				for n, to := range []string{"growers/g2", "societies/s1"} {
					if _, err := c.CreateGrant(granting(id, []string{"a", "b"}[n], to, pb.Grant_VIEWER), at(0)); err != nil {
						return err
					}
				}
				return invite(c.Invitations(), store.CollectionName(id), "i", "", at(0))
			}))
		}
		before := b.counts("c2")
		b.goes(noon+1000*day, map[string]int64{}) // what lasts
		b.in(func(c *store.Collection) error { _, err := c.Delete(at(0), noon+purgeAfter, agree); return err })
		b.goes(noon+purgeAfter-1, map[string]int64{})
		b.goes(noon+purgeAfter, map[string]int64{"collections": 1, "grants": 2, "collection_audits": 3, "collection_invitations": 1, "revisions": 4})
		tells(b, "rows of the other collection", b.counts("c2"), before)
		for hash, want := range map[string]error{"collections/c1/invitations/i": store.ErrNotFound, "collections/c2/invitations/i": nil} {
			b.read(func(tx *store.Tx) error {
				if _, err := tx.Invited([]byte(hash), noon); !errors.Is(err, want) {
					b.Errorf("%s: %v", hash, err)
				}
				return nil
			})
		}
		tells(b, "societies", b.societiesOf("g2"), []string{"societies/s1"})
		b.read(func(tx *store.Tx) error {
			all, _, err := tx.Collections("g1", store.List{Limit: big, Deleted: true})
			if len(all) > 0 {
				b.Errorf("g1 still has %v", all)
			}
			return err
		})
	})
}
