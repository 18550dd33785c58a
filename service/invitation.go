package service

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Invitations are the calls about ways into societies and collections.
type Invitations struct{ *Core }

const (
	// mostInvitations is how many invitations of a society or a collection are open at
	// once.
	mostInvitations = 100
	// invitedFor is how long an invitation is open that does not say, longestInvited how
	// long it can be.
	invitedFor     = 7 * 24 * time.Hour
	longestInvited = 30 * 24 * time.Hour
	// InvitationPrefix begins the secret of every invitation.
	InvitationPrefix = "dwbinv_"
)

// inviting is what an invitation is to.
type inviting struct {
	*store.Invitations
	collection *collection // nil for a society
}

// inviting opens the society or collection of a name, to which the caller may invite.
func (v *visit) inviting(name string) (*inviting, error) {
	if id := store.Segment(name, "collections"); id != "" {
		if isDash(id) {
			return nil, notFound(CollectionNotFound, store.CollectionName(id))
		}
		c, err := v.collection(id)
		if err != nil {
			return nil, err
		}
		return &inviting{c.Invitations(), c}, nil
	}
	s, err := v.society(name, v.call.rule.Least)
	if err != nil {
		return nil, err
	}
	return &inviting{s.Invitations(), nil}, nil
}

// grantRole is the role of the grant that an invitation gives; 0 for none.
func grantRole(r pb.Invitation_Role) pb.Grant_Role {
	switch r {
	case pb.Invitation_VIEWER:
		return pb.Grant_VIEWER
	case pb.Invitation_KEEPER:
		return pb.Grant_KEEPER
	case pb.Invitation_MANAGER:
		return pb.Grant_MANAGER
	}
	return pb.Grant_ROLE_UNSPECIFIED
}

// mayInvite refuses to invite somebody to a role that the caller may not give.
func (to *inviting) mayInvite(role pb.Invitation_Role) error {
	if to.collection == nil {
		return nil // who may invite may give both
	}
	if role == pb.Invitation_OWNER {
		return refuses(Owner, to.collection.is, CollectionNotFound, store.CollectionName(to.collection.ID()))
	}
	return to.collection.mayGrant(grantRole(role))
}

// CreateInvitation makes an invitation.
func (s *Invitations) CreateInvitation(ctx context.Context, req *pb.CreateInvitationRequest) (*pb.Invitation, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Invitation, error) {
		if err := v.readmit(); err != nil { // else one made by a thief outlives the reset of all tokens
			return nil, err
		}
		to, err := v.inviting(req.GetParent())
		if err != nil {
			return nil, err
		}
		m := proto.CloneOf(req.GetInvitation())
		var p problems
		refuseOutputOnly(&p, "invitation.", m)
		social := m.GetRole() == pb.Invitation_MEMBER || m.GetRole() == pb.Invitation_ORGANISER
		switch {
		case to.collection == nil && !social:
			p.refuse(InvalidFields, "invitation.role", "must be MEMBER or ORGANISER for a society")
		case to.collection != nil && (social || m.GetRole() == pb.Invitation_ROLE_UNSPECIFIED):
			p.refuse(InvalidFields, "invitation.role", "must be VIEWER, KEEPER, MANAGER or OWNER for a collection")
		}
		switch until := m.GetExpireTime(); {
		case until == nil:
			m.ExpireTime = timestamppb.New(v.at.Add(invitedFor))
		case !until.AsTime().After(v.at) || until.AsTime().After(v.at.Add(longestInvited)):
			p.refuse(InvalidFields, "invitation.expireTime", "must be later than now, and at most %d days from now", longestInvited/(24*time.Hour))
		}
		if err := p.err(); err != nil {
			return nil, err
		}
		if err := to.mayInvite(m.GetRole()); err != nil {
			return nil, atField(err, "invitation.role")
		}
		if to.collection != nil && m.GetRole() != pb.Invitation_OWNER {
			if err := to.collection.checkOpen(); err != nil {
				return nil, err
			}
		}
		n, err := to.Open(v.at.UnixMicro())
		if err != nil {
			return nil, err
		}
		if n >= mostInvitations {
			return nil, &Error{Reason: TooManyInvitations, Message: fmt.Sprintf("%d invitations are open already: take some back", n)}
		}
		secret := newSecret(InvitationPrefix)
		m.Name = store.InvitationName(req.GetParent(), v.newID())
		if m, err = to.Create(m, HashSecret(secret), v.by()); err != nil {
			return nil, err
		}
		m.Secret = &secret
		return m, nil
	}, getInvitation)
}

func getInvitation(v *visit, name string) (*pb.Invitation, error) {
	to, err := v.inviting(name)
	if err != nil {
		return nil, err
	}
	m, err := to.Get(store.Segment(name, "invitations"))
	return m, missing(err, InvitationNotFound, name)
}

// GetInvitation gets an invitation.
func (s *Invitations) GetInvitation(ctx context.Context, req *pb.GetInvitationRequest) (m *pb.Invitation, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getInvitation(v, req.GetName())
		return err
	})
	return m, err
}

// ListInvitations lists invitations.
func (s *Invitations) ListInvitations(ctx context.Context, req *pb.ListInvitationsRequest) (*pb.ListInvitationsResponse, error) {
	answer := &pb.ListInvitationsResponse{}
	err := s.read(ctx, func(v *visit) error {
		to, err := v.inviting(req.GetParent())
		if err != nil {
			return err
		}
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		var next []any
		if answer.Invitations, next, err = to.List(l.query, v.at.UnixMicro()); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// DeleteInvitation takes an invitation back.
func (s *Invitations) DeleteInvitation(ctx context.Context, req *pb.DeleteInvitationRequest) (*pb.Invitation, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Invitation, error) {
		to, err := v.inviting(req.GetName())
		if err != nil {
			return nil, err
		}
		m, err := to.Revoke(store.Segment(req.GetName(), "invitations"), v.by(), func(m *pb.Invitation) error {
			if m.GetRevokeTime() != nil || m.GetAcceptTime() != nil {
				return store.ErrNotFound
			}
			if err := to.mayInvite(m.GetRole()); err != nil {
				return err
			}
			return v.checkEtag(req.GetEtag(), m.GetEtag())
		})
		return m, missing(err, InvitationNotFound, req.GetName())
	}, getInvitation)
}

// noInvitation is the error for a secret that opens nothing, whatever the cause.
func noInvitation() *Error {
	return &Error{Reason: InvitationNotFound, Message: "there is no such invitation: the secret is wrong, was used or taken back, or has expired"}
}

// accepted is what an accepted invitation opened, with the name that a repeated call finds
// it by.
type accepted struct{ *pb.AcceptInvitationResponse }

// GetName returns the name of what was opened.
func (a accepted) GetName() string {
	switch o := a.GetOpened().(type) {
	case *pb.AcceptInvitationResponse_Member:
		return o.Member.GetName()
	case *pb.AcceptInvitationResponse_Grant:
		return o.Grant.GetName()
	case *pb.AcceptInvitationResponse_Collection:
		return o.Collection
	}
	return ""
}

// AcceptInvitation accepts an invitation.
func (s *Invitations) AcceptInvitation(ctx context.Context, req *pb.AcceptInvitationRequest) (*pb.AcceptInvitationResponse, error) {
	out, err := writeOne(ctx, s.Core, req, func(v *visit) (accepted, error) {
		m, err := v.accept(req.GetSecret())
		return accepted{m}, err
	}, func(v *visit, name string) (accepted, error) {
		m, err := v.acceptedBefore(name)
		return accepted{m}, err
	})
	if err != nil {
		return nil, err
	}
	return out.AcceptInvitationResponse, nil
}

// accept lets the caller in by the secret of an invitation. Who made it must still be one
// who may.
func (v *visit) accept(secret string) (*pb.AcceptInvitationResponse, error) {
	invited, err := v.tx.Invited(HashSecret(secret), v.at.UnixMicro())
	if err != nil {
		return nil, gone(err)
	}
	if invited.Suspended {
		return nil, noInvitation()
	}
	return v.letIn(invited)
}

func (v *visit) letIn(invited *store.Invited) (*pb.AcceptInvitationResponse, error) {
	me := v.call.caller.Grower
	if invited.Society != "" {
		s, err := v.tx.Society(invited.Society, invited.Inviter)
		if err != nil {
			return nil, gone(err)
		}
		if relationTo(s.Role()) < Owner {
			return nil, noInvitation()
		}
		m, changed, err := v.join(s, me, pb.Member_Role(invited.Role))
		if err != nil {
			return nil, err
		}
		if changed {
			if _, err := s.Invitations().Accept(invited.Invitation, v.by()); err != nil {
				return nil, gone(err)
			}
		}
		return &pb.AcceptInvitationResponse{Opened: &pb.AcceptInvitationResponse_Member{Member: m}}, nil
	}
	// The collection is opened for the inviter, who must still be one who may invite.
	handle, err := v.load(invited.Collection, invited.Inviter, func(t store.Ties) bool { return !t.Deleted && relation(t) >= Manager })
	if err != nil {
		return nil, gone(err)
	}
	to := &inviting{handle.Invitations(), handle}
	if to.mayInvite(invited.Role) != nil {
		return nil, noInvitation()
	}
	if invited.Role == pb.Invitation_OWNER {
		if handle.Owner() != me {
			if _, err := to.Accept(invited.Invitation, v.by()); err != nil {
				return nil, gone(err)
			}
			if _, err := v.transfer(handle, me, "", func(*pb.Collection) error { return nil }); err != nil {
				return nil, err
			}
		}
		return &pb.AcceptInvitationResponse{Opened: &pb.AcceptInvitationResponse_Collection{Collection: store.CollectionName(handle.ID())}}, nil
	}
	if handle.message.GetVisibility() == pb.Collection_PRIVATE {
		return nil, noInvitation()
	}
	if handle.Owner() == me {
		return &pb.AcceptInvitationResponse{Opened: &pb.AcceptInvitationResponse_Collection{Collection: store.CollectionName(handle.ID())}}, nil
	}
	role := grantRole(invited.Role)
	g, err := handle.GrantTo(me, "")
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return nil, err
	}
	if err != nil || g.GetRole() < role {
		if g, err = v.grant(handle, &pb.Grant{Grantee: &pb.Grant_Grower{Grower: store.GrowerName(me)}, Role: role}); err != nil {
			return nil, err
		}
		if _, err := to.Accept(invited.Invitation, v.by()); err != nil {
			return nil, gone(err)
		}
	}
	return &pb.AcceptInvitationResponse{Opened: &pb.AcceptInvitationResponse_Grant{Grant: g}}, nil
}

// gone is the error for an invitation to what is not there any more.
func gone(err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return noInvitation()
	}
	return err
}

// acceptedBefore returns what an invitation opened that the caller accepted before, as it
// stands now.
func (v *visit) acceptedBefore(name string) (*pb.AcceptInvitationResponse, error) {
	if store.Segment(name, "societies") != "" {
		m, err := getMember(v, name)
		return &pb.AcceptInvitationResponse{Opened: &pb.AcceptInvitationResponse_Member{Member: m}}, err
	}
	least := Viewer
	if store.Segment(name, "grants") == "" {
		least = Owner
	}
	c, err := v.collectionFor(store.Segment(name, "collections"), least)
	if err != nil {
		return nil, err
	}
	if least == Owner {
		return &pb.AcceptInvitationResponse{Opened: &pb.AcceptInvitationResponse_Collection{Collection: name}}, nil
	}
	g, err := c.GrantTo(v.call.caller.Grower, "")
	return &pb.AcceptInvitationResponse{Opened: &pb.AcceptInvitationResponse_Grant{Grant: g}}, missing(err, GrantNotFound, name)
}
