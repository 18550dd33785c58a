package service

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Tokens are the calls about tokens.
type Tokens struct{ *Core }

// usualOverlap is how long a secret is good after a rotation that does not say.
const usualOverlap = 24 * time.Hour

// mostTokens is how many tokens of a grower may be good at once.
const mostTokens = 100

// NewSecret returns a new token.
func NewSecret() string { return newSecret(SecretPrefix) }

// newSecret returns a new secret: 256 random bits behind its prefix.
func newSecret(prefix string) string {
	var bits [32]byte
	_, _ = rand.Read(bits[:]) // it never fails: it ends the program instead
	return prefix + base64.RawURLEncoding.EncodeToString(bits[:])
}

// AddToken gives the grower of its name a token, unless they have too many.
func AddToken(tx *store.Tx, m *pb.Token, secret string, us int64) (*pb.Token, error) {
	grower := tx.Grower(store.Segment(m.GetName(), "growers"))
	if err := grower.Lock(); err != nil {
		return nil, err
	}
	n, err := grower.LiveTokens(us)
	if err != nil {
		return nil, err
	}
	if n >= mostTokens {
		return nil, &Error{Reason: TooManyTokens, Message: fmt.Sprintf("%d tokens are good already: revoke some that are not used", n)}
	}
	return grower.CreateToken(m, HashSecret(secret), us)
}

// CreateToken makes a token.
func (s *Tokens) CreateToken(ctx context.Context, req *pb.CreateTokenRequest) (*pb.Token, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Token, error) {
		id, err := v.self(req.GetParent())
		if err != nil {
			return nil, err
		}
		if err := v.readmit(); err != nil { // else one made by a thief outlives the reset of all tokens
			return nil, err
		}
		m := proto.CloneOf(req.GetToken())
		var p problems
		refuseOutputOnly(&p, "token.", m)
		checkDisplayName(&p, "token.displayName", &m.DisplayName)
		if len(m.GetScopes()) == 0 {
			p.refuse(InvalidFields, "token.scopes", "must be given: some of read, record, manage, stock")
		}
		own := v.call.caller
		for i, scope := range m.GetScopes() {
			if !Holds(own.Scopes, scope) {
				p.refuse(ScopeMissing, fmt.Sprintf("token.scopes[%d]", i), "the token of this call has not the scope %s itself", scope)
			}
		}
		if m.GetExpireTime() == nil && own.ExpireUs != nil {
			p.refuse(InvalidFields, "token.expireTime", "must be given, as the token of this call expires too: %s at the latest", own.end())
		} else if us := store.Micros(m.GetExpireTime()); m.GetExpireTime() != nil {
			switch {
			case us <= v.at.UnixMicro():
				p.refuse(InvalidFields, "token.expireTime", "must be later than now")
			case own.ExpireUs != nil && us > *own.ExpireUs:
				p.refuse(InvalidFields, "token.expireTime", "must be %s at the latest: then the token of this call expires", own.end())
			}
		}
		if err := p.err(); err != nil {
			return nil, err
		}
		secret := NewSecret()
		m.Name = store.TokenName(id, v.newID())
		if m, err = AddToken(v.tx, m, secret, v.at.UnixMicro()); err != nil {
			return nil, err
		}
		m.Secret = &secret
		return m, nil
	}, getToken)
}

func getToken(v *visit, name string) (*pb.Token, error) {
	id, err := v.self(name)
	if err != nil {
		return nil, err
	}
	token := store.Segment(name, "tokens")
	m, err := v.tx.Grower(id).Token(token)
	return m, missing(err, TokenNotFound, store.TokenName(id, token))
}

// GetToken gets a token.
func (s *Tokens) GetToken(ctx context.Context, req *pb.GetTokenRequest) (m *pb.Token, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getToken(v, req.GetName())
		return err
	})
	return m, err
}

// ListTokens lists a grower's tokens.
func (s *Tokens) ListTokens(ctx context.Context, req *pb.ListTokensRequest) (*pb.ListTokensResponse, error) {
	answer := &pb.ListTokensResponse{}
	err := s.read(ctx, func(v *visit) error {
		id, err := v.self(req.GetParent())
		if err != nil {
			return err
		}
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		var next []any
		if answer.Tokens, next, err = v.tx.Grower(id).Tokens(l.query); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// DeleteToken revokes a token.
func (s *Tokens) DeleteToken(ctx context.Context, req *pb.DeleteTokenRequest) (*pb.Token, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Token, error) {
		id, err := v.self(req.GetName())
		if err != nil {
			return nil, err
		}
		token := store.Segment(req.GetName(), "tokens")
		m, err := v.tx.Grower(id).RevokeToken(token, v.at.UnixMicro(), func(m *pb.Token) error {
			if m.GetRevokeTime() != nil {
				return store.ErrNotFound
			}
			return v.checkEtag(req.GetEtag(), m.GetEtag())
		})
		return m, missing(err, TokenNotFound, store.TokenName(id, token))
	}, getToken)
}

// RotateToken gives a token another secret.
func (s *Tokens) RotateToken(ctx context.Context, req *pb.RotateTokenRequest) (*pb.Token, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Token, error) {
		id, err := v.self(req.GetName())
		if err != nil {
			return nil, err
		}
		if err := v.readmit(); err != nil { // as for CreateToken
			return nil, err
		}
		overlap := usualOverlap
		if req.GetOverlap() != nil {
			overlap = req.GetOverlap().AsDuration()
		}
		token, secret := store.Segment(req.GetName(), "tokens"), NewSecret()
		m, err := RotateToken(v.tx, store.TokenName(id, token), secret, v.at, overlap, func(m *pb.Token) error {
			if err := v.checkEtag(req.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			return v.checkRotates(m)
		})
		if err != nil {
			return nil, missing(err, TokenNotFound, store.TokenName(id, token))
		}
		m.Secret = &secret
		return m, nil
	}, getToken)
}

// checkRotates refuses another secret for a token that may do more than that of the call,
// or lives longer. The secret before the last lives no longer than its overlap, so it gets
// none either.
func (v *visit) checkRotates(m *pb.Token) error {
	own := v.call.caller
	for _, scope := range m.GetScopes() {
		if !Holds(own.Scopes, scope) {
			return &Error{Reason: ScopeMissing, Message: fmt.Sprintf("%s has the scope %s, which the token of this call has not itself", m.GetName(), scope)}
		}
	}
	if own.ExpireUs != nil && (m.GetExpireTime() == nil || store.Micros(m.GetExpireTime()) > *own.ExpireUs) {
		return Invalid(InvalidFields, []Violation{{"name", fmt.Sprintf("must be that of a token that ends by %s: then what this call was made with expires", own.end())}})
	}
	return nil
}

// RotateToken gives the token of a name another secret, and lets the present one be good
// for a while. f may refuse it after a look at the present token. Errors: store.ErrNotFound
// also of one that was revoked.
func RotateToken(tx *store.Tx, name, secret string, at time.Time, overlap time.Duration, f func(*pb.Token) error) (*pb.Token, error) {
	grower := tx.Grower(store.Segment(name, "growers"))
	return grower.RotateToken(store.Segment(name, "tokens"), HashSecret(secret), at.UnixMicro(), at.Add(overlap).UnixMicro(), func(m *pb.Token) error {
		if m.GetRevokeTime() != nil {
			return store.ErrNotFound
		}
		if err := f(m); err != nil {
			return err
		}
		if end := m.GetExpireTime(); end != nil && !end.AsTime().After(at) {
			return Invalid(InvalidFields, []Violation{{"name", "must be that of a token that has not expired: make a new one"}})
		}
		return nil
	})
}
