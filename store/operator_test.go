package store_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

func TestRevokeAll(t *testing.T) {
	each(t, func(b bed) {
		b.token("a")
		b.token("revoked")
		b.makeToken("g1", &pb.Token{Name: "growers/g1/tokens/expired", ExpireTime: stampOf(noon - 1)}, "expired")
		other := b.makeToken("g2", &pb.Token{Name: "growers/g2/tokens/a"}, "other")
		b.token("newer")
		b.newer("tokens", "grower_id = ? AND token_id = ?", "g1", "newer")
		b.write(func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeToken("revoked", noon+1, agree)
			return err
		})
		before := b.readToken("g1", "a")
		b.makeCalendar("g1", "growers/g1/calendars/a")
		b.makeCalendar("g1", "collections/c1/calendars/newer")
		b.newer("calendars", "grower_id = ? AND calendar_id = ?", "g1", "newer")
		b.makeCalendar("g2", "growers/g2/calendars/a")

		b.identity("g1", "a", "one")
		b.identity("g2", "a", "two")

		all := func(grower string, us, want int64) {
			t.Helper()
			b.write(func(tx *store.Tx) error {
				n, err := tx.Grower(grower).RevokeAll(us)
				if n != want {
					b.Errorf("%d tokens of %s are revoked, want %d", n, grower, want)
				}
				return err
			})
		}
		b.refused(store.ErrNotFound, func(tx *store.Tx) error {
			_, err := tx.Grower("g3").RevokeAll(noon + 2)
			return err
		})
		all("g1", noon+2, 3)
		for id, us := range map[string]int64{"a": noon + 2, "expired": noon + 2, "newer": noon + 2, "revoked": noon + 1} {
			tells(b, id+" is revoked", b.readToken("g1", id).GetRevokeTime(), stampOf(us))
		}
		if b.readToken("g1", "a").GetEtag() == before.GetEtag() {
			b.Error("the etag of a token that is revoked stays")
		}
		tells(b, "the token of another grower", b.readToken("g2", "a"), other)
		for name, us := range map[string]*int64{"growers/g1/calendars/a": proto.Int64(noon + 2), "collections/c1/calendars/newer": proto.Int64(noon + 2), "growers/g2/calendars/a": nil} {
			ended := b.subscription(name).Revoked
			if ended != (us != nil) || us != nil && store.Micros(b.readCalendar("g1", name).GetRevokeTime()) != *us {
				b.Errorf("%s is revoked: %v", name, ended)
			}
		}
		if b.identified("one") != nil || b.identified("two") == nil {
			b.Error("an identity is still linked, or that of another grower is not")
		}
		all("g1", noon+3, 0)
	})
}
