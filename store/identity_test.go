package store_test

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

const testIssuer = "https://id.example"

func (b bed) identity(grower, id, subject string) (made *pb.Identity) {
	b.Helper()
	b.write(func(tx *store.Tx) (err error) {
		made, err = tx.Grower(grower).CreateIdentity(&pb.Identity{Name: store.IdentityName(grower, id), Issuer: testIssuer, Subject: subject}, noon)
		return err
	})
	return made
}

// identified returns whom a subject is; nil for nobody.
func (b bed) identified(subject string) *store.Identified {
	b.Helper()
	found, err := b.s.Identified(b.Context(), testIssuer, subject)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		b.Fatal(err)
	}
	return found
}

func TestIdentity(t *testing.T) {
	each(t, func(b bed) {
		odd := strings.Repeat("☘", 255)
		made := b.identity("g1", "a", odd)
		want := &pb.Identity{Name: "growers/g1/identities/a", Issuer: testIssuer, Subject: odd, CreateTime: stampOf(noon)}
		tells(b, "the answer", made, want)
		read := func() (m *pb.Identity) {
			b.read(func(tx *store.Tx) (err error) {
				m, err = tx.Grower("g1").Identity("a")
				return err
			})
			return m
		}
		tells(b, "what is read", read(), want)
		who := &store.Identified{Grower: "g1", Identity: "a"}
		tells(b, "whose it is", b.identified(odd), who)

		// An issuer's subject is one grower's; another's is another one.
		create := func(grower, id, issuer, subject string) func(tx *store.Tx) error {
			return func(tx *store.Tx) error {
				_, err := tx.Grower(grower).CreateIdentity(&pb.Identity{Name: store.IdentityName(grower, id), Issuer: issuer, Subject: subject}, noon)
				return err
			}
		}
		b.refused(store.ErrExists, create("g1", "b", testIssuer, odd))
		b.refused(store.ErrExists, create("g2", "a", testIssuer, odd))
		b.refused(store.ErrExists, create("g1", "a", testIssuer, "other"))
		b.refused(store.ErrReference, create("g3", "a", testIssuer, "other"))
		b.write(create("g2", "a", testIssuer+"/", odd))
		b.write(create("g2", "b", testIssuer, "Case"))
		for _, unknown := range []string{"", "case", odd + "x", "CASE", "Case "} {
			if found := b.identified(unknown); found != nil {
				b.Errorf("%q is %v", unknown, found)
			}
		}

		b.write(func(tx *store.Tx) error { return tx.Grower("g1").UseIdentity("a", noon+7) })
		want.LastUseTime, who.LastUseUs = stampOf(noon+7), proto.Int64(noon+7)
		tells(b, "after use", read(), want)
		b.write(func(tx *store.Tx) error { return tx.Grower("g1").Suspend(proto.Int64(noon), noon) })
		who.Suspended = true
		tells(b, "suspended", b.identified(odd), who)

		var deleted *pb.Identity
		b.write(func(tx *store.Tx) (err error) {
			deleted, err = tx.Grower("g1").DeleteIdentity("a")
			return err
		})
		tells(b, "deleted", deleted, want)
		if b.identified(odd) != nil {
			b.Error("it is somebody's still")
		}
		b.refused(store.ErrNotFound, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").DeleteIdentity("a")
			return err
		})
		b.write(create("g2", "c", testIssuer, odd)) // it is free again
	})
}
