package service

import (
	"context"
	"errors"
	"fmt"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Identities are the calls about who growers are elsewhere.
type Identities struct{ *Core }

// mostIdentities is how many identities a grower may have.
const mostIdentities = 20

// LinkIdentity makes the subject of an access token the caller's.
func (s *Identities) LinkIdentity(ctx context.Context, req *pb.LinkIdentityRequest) (*pb.Identity, error) {
	// Keys may have to be fetched: not in a transaction. What is wrong with the token is told
	// in it, as a repeated call may come when the token has ended.
	says, wrong := s.issuers.judge(ctx, req.GetAccessToken())
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Identity, error) {
		id, err := v.self(req.GetParent())
		if err != nil {
			return nil, err
		}
		if err := v.readmit(); err != nil { // else one linked by a thief outlives the reset of all tokens
			return nil, err
		}
		if own := v.call.caller; own.identity == "" && own.ExpireUs != nil {
			// As for CreateToken: what the identity opens would outlive it.
			return nil, Invalid(InvalidFields, []Violation{{"accessToken", fmt.Sprintf(
				"is of an identity that stays, and the token of this call expires at %s: link it with a token that does not expire, or with another identity", own.end())}})
		}
		if wrong != nil {
			return nil, refusedToken(wrong)
		}
		grower := v.tx.Grower(id)
		switch found, err := v.tx.Identified(says.issuer, says.subject); {
		case err == nil && found.Grower == id:
			return grower.Identity(found.Identity)
		case err == nil:
			return nil, &Error{Reason: IdentityInUse, Message: "the identity of the accessToken is another grower's"}
		case !errors.Is(err, store.ErrNotFound):
			return nil, err
		}
		n, err := grower.CountIdentities() // readmit has locked the grower
		if err != nil {
			return nil, err
		}
		if n >= mostIdentities {
			return nil, &Error{Reason: TooManyIdentities, Message: fmt.Sprintf("%d identities are linked already: delete some", n)}
		}
		return grower.CreateIdentity(&pb.Identity{Name: store.IdentityName(id, v.newID()), Issuer: says.issuer, Subject: says.subject}, v.at.UnixMicro())
	}, getIdentity)
}

// refusedToken says of a field what is wrong with the access token in it. The caller is
// signed in by another one.
func refusedToken(wrong error) error {
	var known *Error
	if errors.As(wrong, &known) && (known.Reason == TokenInvalid || known.Reason == TokenExpired) {
		return Invalid(InvalidFields, []Violation{{"accessToken", known.Message}})
	}
	return wrong
}

func getIdentity(v *visit, name string) (*pb.Identity, error) {
	id, err := v.self(name)
	if err != nil {
		return nil, err
	}
	identity := store.Segment(name, "identities")
	m, err := v.tx.Grower(id).Identity(identity)
	return m, missing(err, IdentityNotFound, store.IdentityName(id, identity))
}

// GetIdentity gets an identity.
func (s *Identities) GetIdentity(ctx context.Context, req *pb.GetIdentityRequest) (m *pb.Identity, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getIdentity(v, req.GetName())
		return err
	})
	return m, err
}

// ListIdentities lists a grower's identities.
func (s *Identities) ListIdentities(ctx context.Context, req *pb.ListIdentitiesRequest) (*pb.ListIdentitiesResponse, error) {
	answer := &pb.ListIdentitiesResponse{}
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
		if answer.Identities, next, err = v.tx.Grower(id).Identities(l.query); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// DeleteIdentity takes an identity from its grower.
func (s *Identities) DeleteIdentity(ctx context.Context, req *pb.DeleteIdentityRequest) (*pb.Identity, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Identity, error) {
		id, err := v.self(req.GetName())
		if err != nil {
			return nil, err
		}
		identity := store.Segment(req.GetName(), "identities")
		m, err := v.tx.Grower(id).DeleteIdentity(identity)
		if err != nil {
			return nil, missing(err, IdentityNotFound, store.IdentityName(id, identity))
		}
		return &pb.Identity{Name: m.GetName()}, nil // all that a repeated call can tell
	}, func(_ *visit, name string) (*pb.Identity, error) { return &pb.Identity{Name: name}, nil })
}
