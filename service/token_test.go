package service

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// owner is a grower with a token that ends an hour after dawn.
type owner struct {
	*testing.T
	s      *store.Store
	calls  *Services
	id     string
	secret string
}

func newOwner(t *testing.T, s *store.Store, now func() time.Time) owner {
	t.Helper()
	calls, err := New(t.Context(), Config{Store: s, Log: slog.New(slog.DiscardHandler), Version: "1.2.3", Now: now})
	if err != nil {
		t.Fatal(err)
	}
	o := owner{t, s, calls, "g", NewSecret()}
	o.write(func(tx *store.Tx) error {
		if _, err := tx.Grower(o.id).Create("Grower", dawn.UnixMicro()); err != nil {
			return err
		}
		return o.add(tx, "first", o.secret)
	})
	return o
}

func (o owner) write(f func(*store.Tx) error) {
	o.Helper()
	if err := o.s.Write(o.Context(), f); err != nil {
		o.Fatal(err)
	}
}

// add adds a token as the operator does.
func (o owner) add(tx *store.Tx, id, secret string) error {
	m := &pb.Token{Name: store.TokenName(o.id, id), Scopes: []string{ScopeManage}, ExpireTime: timestamppb.New(dawn.Add(time.Hour))}
	_, err := AddToken(tx, m, secret, dawn.UnixMicro())
	return err
}

// admitted is a call that makes a token, let in.
func (o owner) admitted() context.Context {
	o.Helper()
	ctx, err := o.calls.Access.Admit(o.Context(), pb.TokenService_CreateToken_FullMethodName, []string{"Bearer " + o.secret})
	if err != nil {
		o.Fatal(err)
	}
	return ctx
}

// create makes a token that ends with the one that makes it.
func (o owner) create(ctx context.Context, requestID string) error {
	_, err := o.calls.Tokens.CreateToken(ctx, &pb.CreateTokenRequest{Parent: "growers/me", RequestId: requestID, Token: &pb.Token{
		DisplayName: "Script", Scopes: []string{ScopeRead}, ExpireTime: timestamppb.New(dawn.Add(time.Hour)),
	}})
	return err
}

// made is how many tokens there are, of all kinds.
func (o owner) made() int {
	o.Helper()
	var all []*pb.Token
	err := o.s.Read(o.Context(), func(tx *store.Tx) (err error) {
		all, _, err = tx.Grower(o.id).Tokens(store.List{Limit: 1000, Deleted: true})
		return err
	})
	if err != nil {
		o.Fatal(err)
	}
	return len(all)
}

// A token that ends after its call was let in makes no token, which would outlive it.
func TestTokenEndsBetweenAdmissionAndCall(t *testing.T) {
	us := dawn.UnixMicro()
	for _, c := range []struct {
		name string
		end  func(*store.Grower) error
		late time.Duration
		want Reason
	}{
		{"it is good", func(*store.Grower) error { return nil }, time.Hour - time.Microsecond, ""},
		{"it is revoked", func(g *store.Grower) error {
			_, err := g.RevokeToken("first", us, func(*pb.Token) error { return nil })
			return err
		}, 0, TokenInvalid},
		{"all are revoked", func(g *store.Grower) error { _, err := g.RevokeAll(us); return err }, 0, TokenInvalid},
		{"the grower is suspended", func(g *store.Grower) error { return g.Suspend(&us, us) }, 0, TokenInvalid},
		{"it expires", func(*store.Grower) error { return nil }, time.Hour, TokenExpired},
	} {
		t.Run(c.name, func(t *testing.T) {
			storetest.Each(t, func(t *testing.T, s *store.Store) {
				now := dawn
				o := newOwner(t, s, func() time.Time { return now })
				ctx, before := o.admitted(), o.made()
				o.write(func(tx *store.Tx) error { return c.end(tx.Grower(o.id)) })
				now = dawn.Add(c.late)
				err := o.create(ctx, "request")
				if ReasonOf(err) != c.want || (err == nil) != (c.want == "") {
					t.Errorf("%v, want the reason %q", err, c.want)
				}
				if n := o.made() - before; (n == 1) != (c.want == "") {
					t.Errorf("%d tokens were made", n)
				}
			})
		})
	}
}

// However many make tokens at the same time, over the API and as the operator, no
// more are made than a grower may have.
func TestMostTokensAtOnce(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		o := newOwner(t, s, func() time.Time { return dawn })
		o.write(func(tx *store.Tx) error {
			for n := 1; n < mostTokens-5; n++ {
				if err := o.add(tx, fmt.Sprint("t", n), NewSecret()); err != nil {
					return err
				}
			}
			return nil
		})
		if n := o.made(); n != 95 {
			t.Fatalf("%d tokens to begin with", n)
		}
		const creators = 8
		var ready, done sync.WaitGroup
		ready.Add(creators)
		errs := make([]error, creators)
		for n := range creators {
			ctx := o.admitted()
			done.Go(func() {
				ready.Done()
				ready.Wait()
				switch n % 3 {
				case 0:
					errs[n] = o.create(ctx, "")
				case 1:
					errs[n] = o.create(ctx, fmt.Sprint("request", n))
				default:
					secret := NewSecret()
					errs[n] = s.Write(t.Context(), func(tx *store.Tx) error { return o.add(tx, fmt.Sprint("operator", n), secret) })
				}
			})
		}
		done.Wait()
		refused := 0
		for _, err := range errs {
			if ReasonOf(err) == TooManyTokens {
				refused++
			} else if err != nil {
				t.Error(err)
			}
		}
		if n := o.made(); n != 100 || refused != 3 {
			t.Errorf("%d tokens, %d refused: %v", n, refused, errors.Join(errs...))
		}
	})
}

// Who adds the last token that a grower may have keeps others waiting until it counts.
func TestAddTokenWaits(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		o := newOwner(t, s, func() time.Time { return dawn })
		ctx := o.admitted()
		o.write(func(tx *store.Tx) error {
			if err := o.add(tx, "second", NewSecret()); err != nil {
				return err
			}
			for name, add := range map[string]func(context.Context) error{
				"the API": func(ctx context.Context) error { return o.create(ctx, "") },
				"the operator": func(ctx context.Context) error {
					return s.Write(ctx, func(tx *store.Tx) error { return o.add(tx, "third", NewSecret()) })
				},
			} {
				short, cancel := context.WithTimeout(ctx, 200*time.Millisecond)
				if err := add(short); !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("%s did not wait: %v", name, err)
				}
				cancel()
			}
			return nil
		})
		if n := o.made(); n != 2 {
			t.Errorf("%d tokens, want 2", n)
		}
	})
}
