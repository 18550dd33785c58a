package store_test

import (
	"errors"
	"strings"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// token makes a token of g1 without more than its id.
func (b bed) token(id string) *pb.Token {
	b.Helper()
	return b.makeToken("g1", &pb.Token{Name: store.TokenName("g1", id)}, id)
}

func (b bed) makeToken(grower string, m *pb.Token, hash string) (made *pb.Token) {
	b.Helper()
	b.write(func(tx *store.Tx) (err error) {
		made, err = tx.Grower(grower).CreateToken(m, []byte(hash), noon)
		return err
	})
	return made
}

func (b bed) readToken(grower, id string) (m *pb.Token) {
	b.Helper()
	b.read(func(tx *store.Tx) (err error) {
		m, err = tx.Grower(grower).Token(id)
		return err
	})
	return m
}

func TestToken(t *testing.T) {
	each(t, func(b bed) {
		for _, want := range []*pb.Token{
			{Name: "growers/g1/tokens/t1", DisplayName: "Bench tablet", Scopes: []string{"read"}},
			{Name: "growers/g1/tokens/t2", DisplayName: strings.Repeat("☘", 200), Scopes: []string{"manage", "stock", "read", "record"}, ExpireTime: stampOf(noon + 1)},
			{Name: "growers/g1/tokens/t3", ExpireTime: stampOf(253402300799999999)},
			{Name: "growers/g2/tokens/t1", DisplayName: "'", ExpireTime: stampOf(-62135596800000000)},
		} {
			grower, id := store.Segment(want.GetName(), "growers"), store.Segment(want.GetName(), "tokens")
			sent := proto.CloneOf(want)
			sent.Secret = proto.String("dwb_secret") // is never kept
			made := b.makeToken(grower, sent, want.GetName())
			want.CreateTime, want.Etag = stampOf(noon), made.GetEtag()
			if made.GetEtag() == "" {
				b.Error("no etag")
			}
			tells(b, "the answer", made, want)
			tells(b, "what is read", b.readToken(grower, id), want)
		}
	})
}

func TestTokenErrors(t *testing.T) {
	each(t, func(b bed) {
		b.token("a")
		make := func(grower, id, hash string) func(tx *store.Tx) error {
			return func(tx *store.Tx) error {
				_, err := tx.Grower(grower).CreateToken(&pb.Token{Name: store.TokenName(grower, id)}, []byte(hash), noon)
				return err
			}
		}
		b.refused(store.ErrExists, make("g1", "a", "other"))
		b.refused(store.ErrExists, make("g1", "b", "a")) // the same secret
		b.refused(store.ErrExists, make("g2", "b", "a"))
		b.refused(store.ErrReference, make("g3", "a", "third"))
		for _, foreign := range []struct{ grower, id string }{{"g2", "a"}, {"g1", "b"}, {"g3", "a"}, {"g1", ""}} {
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				_, err := tx.Grower(foreign.grower).Token(foreign.id)
				return err
			})
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				_, err := tx.Grower(foreign.grower).RevokeToken(foreign.id, noon, agree)
				return err
			})
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				return tx.Grower(foreign.grower).UseToken(foreign.id, noon)
			})
		}
		b.newer("tokens", "grower_id = ? AND token_id = ?", "g1", "a")
		b.refused(store.ErrNewer, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeToken("a", noon, agree)
			return err
		})
	})
}

func TestBearer(t *testing.T) {
	each(t, func(b bed) {
		bearer := func(hash string) *store.Bearer {
			b.Helper()
			who, err := b.s.Bearer(b.Context(), []byte(hash))
			if err != nil {
				b.Fatal(err)
			}
			return who
		}
		hash := "\x00\xff\x80' " // any bytes
		b.makeToken("g2", &pb.Token{Name: "growers/g2/tokens/a", Scopes: []string{"record", "stock"}, ExpireTime: stampOf(noon + day)}, hash)
		b.makeToken("g1", &pb.Token{Name: "growers/g1/tokens/a"}, "other")
		want := &store.Bearer{Grower: "g2", Token: "a", Scopes: []string{"record", "stock"}, ExpireUs: proto.Int64(noon + day)}
		tells(b, "the bearer", bearer(hash), want)
		b.read(func(tx *store.Tx) error {
			byID, err := tx.Grower("g2").Bearer("a", []byte(hash))
			tells(b, "the bearer by the id of the token", byID, want)
			return err
		})

		b.write(func(tx *store.Tx) error { return tx.Grower("g2").UseToken("a", noon+7) })
		want.LastUseUs = proto.Int64(noon + 7)
		tells(b, "after use", bearer(hash), want)

		b.write(func(tx *store.Tx) error { return tx.Grower("g2").Suspend(proto.Int64(noon), noon) })
		want.Suspended = true
		tells(b, "suspended", bearer(hash), want)

		b.write(func(tx *store.Tx) error {
			_, err := tx.Grower("g2").RevokeToken("a", noon, agree)
			return err
		})
		want.Revoked = true
		tells(b, "revoked", bearer(hash), want)
		tells(b, "the other", bearer("other"), &store.Bearer{Grower: "g1", Token: "a", Scopes: []string{}})

		for _, unknown := range []string{"", "\x00\xff\x80'", hash + "x", "OTHER"} {
			if _, err := b.s.Bearer(b.Context(), []byte(unknown)); !errors.Is(err, store.ErrNotFound) {
				b.Errorf("%q: %v, want ErrNotFound", unknown, err)
			}
		}
	})
}

func TestRevokeToken(t *testing.T) {
	each(t, func(b bed) {
		made := b.token("a")
		b.refused(errMine, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeToken("a", noon, refuse)
			return err
		})
		tells(b, "after a refusal", b.readToken("g1", "a"), made)
		b.write(func(tx *store.Tx) error { return tx.Grower("g1").UseToken("a", noon+3) })
		made.LastUseTime = stampOf(noon + 3)
		tells(b, "after use, with the same etag", b.readToken("g1", "a"), made)

		var first, again *pb.Token
		b.write(func(tx *store.Tx) (err error) {
			first, err = tx.Grower("g1").RevokeToken("a", noon+4, func(m *pb.Token) error {
				tells(b, "what it is judged by", m, made)
				return nil
			})
			return err
		})
		if first.GetEtag() == made.GetEtag() {
			b.Error("the etag is the same")
		}
		made.RevokeTime, made.Etag = stampOf(noon+4), first.GetEtag()
		tells(b, "revoked", first, made)
		b.write(func(tx *store.Tx) (err error) {
			again, err = tx.Grower("g1").RevokeToken("a", noon+5, agree)
			return err
		})
		tells(b, "revoked again", again, made)
		tells(b, "what is read", b.readToken("g1", "a"), made)
	})
}

// What ends tokens and what makes them wait for each other: who comes second sees what
// the first did.
func TestTokensEndOneAfterTheOther(t *testing.T) {
	ends := map[string]func(g *store.Grower) error{
		"Suspend":   func(g *store.Grower) error { return g.Suspend(proto.Int64(noon), noon) },
		"RevokeAll": func(g *store.Grower) error { _, err := g.RevokeAll(noon); return err },
		"RevokeToken": func(g *store.Grower) error {
			_, err := g.RevokeToken("a", noon, agree)
			return err
		},
	}
	for name, end := range ends {
		t.Run(name, func(t *testing.T) {
			each(t, func(b bed) {
				b.token("a")
				judge := func(g *store.Grower) error {
					if err := g.Lock(); err != nil {
						return err
					}
					who, err := g.Bearer("a", []byte("a"))
					if err == nil && !who.Revoked && !who.Suspended {
						b.Error("the second does not see what the first did")
					}
					return err
				}
				b.inTurn(end, judge)
			})
		})
	}
	t.Run("a token made before all are revoked", func(t *testing.T) {
		each(t, func(b bed) {
			b.token("a")
			make := func(g *store.Grower) error {
				if err := g.Lock(); err != nil {
					return err
				}
				_, err := g.CreateToken(&pb.Token{Name: "growers/g1/tokens/b"}, []byte("b"), noon)
				return err
			}
			b.inTurn(make, ends["RevokeAll"])
			if b.readToken("g1", "b").GetRevokeTime() == nil {
				b.Error("it is good still")
			}
		})
	})
}

// inTurn runs two functions of g1 in transactions of which the second begins before
// the first ends, and has to wait for that.
func (b bed) inTurn(first, second func(*store.Grower) error) {
	b.Helper()
	done, finish, ended := make(chan struct{}), make(chan struct{}), make(chan error, 2)
	release := sync.OnceFunc(func() { close(finish) })
	defer release()
	write := func(f func(*store.Grower) error) {
		ended <- b.s.Write(b.Context(), func(tx *store.Tx) error { return f(tx.Grower("g1")) })
	}
	go write(func(g *store.Grower) error {
		err := first(g)
		close(done)
		<-finish
		return err
	})
	<-done
	go write(second)
	b.waiting()
	release()
	for range 2 {
		if err := <-ended; err != nil {
			b.Error(err)
		}
	}
}

func TestLiveTokens(t *testing.T) {
	each(t, func(b bed) {
		count := func(grower string, us, want int64) {
			b.Helper()
			b.read(func(tx *store.Tx) error {
				n, err := tx.Grower(grower).LiveTokens(us)
				if n != want {
					b.Errorf("%d live tokens of %s, want %d", n, grower, want)
				}
				return err
			})
		}
		count("g1", noon, 0)
		b.token("never-ends")
		b.makeToken("g1", &pb.Token{Name: "growers/g1/tokens/ends", ExpireTime: stampOf(noon + 10)}, "1")
		b.token("revoked")
		b.write(func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeToken("revoked", noon, agree)
			return err
		})
		count("g1", noon+9, 2)
		count("g1", noon+10, 1) // it ends at its instant
		count("g2", noon, 0)
		count("g3", noon, 0)
	})
}

// After a rotation both secrets are good, the first until its overlap is over; after another
// one the first is no more.
func TestRotateToken(t *testing.T) {
	each(t, func(b bed) {
		made := b.makeToken("g1", &pb.Token{Name: "growers/g1/tokens/a", DisplayName: "Tablet", Scopes: []string{"record"}, ExpireTime: stampOf(noon + 10*day)}, "first")
		b.token("b")
		b.write(func(tx *store.Tx) error { return tx.Grower("g1").UseToken("a", noon+1) })
		rotate := func(hash string, us, until int64) (m *pb.Token) {
			b.Helper()
			b.write(func(tx *store.Tx) (err error) {
				m, err = tx.Grower("g1").RotateToken("a", []byte(hash), us, until, agree)
				return err
			})
			return m
		}
		ends := func(hash string, want int64) {
			b.Helper()
			who, err := b.s.Bearer(b.Context(), []byte(hash))
			if err != nil || who.Token != "a" || *who.ExpireUs != want {
				b.Errorf("%s: %v, %v; want an end %d after noon", hash, who, err, want-noon)
			}
			b.read(func(tx *store.Tx) error {
				byID, err := tx.Grower("g1").Bearer("a", []byte(hash))
				tells(b, "the bearer by the id of the token", byID, who)
				return err
			})
		}
		gone := func(hash string) {
			b.Helper()
			if _, err := b.s.Bearer(b.Context(), []byte(hash)); !errors.Is(err, store.ErrNotFound) {
				b.Errorf("%s: %v, want ErrNotFound", hash, err)
			}
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				_, err := tx.Grower("g1").Bearer("a", []byte(hash))
				return err
			})
		}
		b.refused(errMine, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RotateToken("a", []byte("second"), noon, noon, refuse)
			return err
		})
		gone("second")
		second := rotate("second", noon+2, noon+day)
		if second.GetEtag() == made.GetEtag() {
			b.Error("the etag is the same")
		}
		made.Etag, made.LastUseTime, made.RotateTime, made.OldSecretExpireTime = second.GetEtag(), stampOf(noon+1), stampOf(noon+2), stampOf(noon+day)
		tells(b, "the answer", second, made)
		tells(b, "what is read", b.readToken("g1", "a"), made)
		ends("first", noon+day)
		ends("second", noon+10*day)

		rotate("third", noon+3, noon+20*day)
		gone("first")
		ends("second", noon+10*day) // with its token
		ends("third", noon+10*day)

		b.refused(store.ErrExists, func(tx *store.Tx) error { // the secret of another token
			_, err := tx.Grower("g1").RotateToken("a", []byte("b"), noon, noon, agree)
			return err
		})
		b.refused(store.ErrNotFound, func(tx *store.Tx) error {
			_, err := tx.Grower("g2").RotateToken("a", []byte("x"), noon, noon, agree)
			return err
		})
		b.write(func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeToken("a", noon+4, agree)
			return err
		})
		for _, hash := range []string{"second", "third"} {
			if who, err := b.s.Bearer(b.Context(), []byte(hash)); err != nil || !who.Revoked {
				b.Errorf("%s is good after the token was revoked: %v", hash, err)
			}
		}
	})
}
