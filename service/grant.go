package service

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Grants are the calls about with whom collections are shared.
type Grants struct{ *Core }

// mostGrants is how many grants a collection can have.
const mostGrants = 1000

// mayGrant refuses to give or take a role that the caller may not.
func (c *collection) mayGrant(role pb.Grant_Role) error {
	least := Owner
	if role < pb.Grant_MANAGER {
		least = Manager
	}
	return refuses(least, c.is, CollectionNotFound, store.CollectionName(c.ID()))
}

// checkOpen refuses to share a collection that is private.
func (c *collection) checkOpen() error {
	if c.message.GetVisibility() != pb.Collection_PRIVATE {
		return nil
	}
	return &Error{Reason: CollectionPrivate, Message: c.message.GetName() + " is PRIVATE: nobody but its owners would see it. Make its visibility SHARED first"}
}

// CreateGrant shares a collection.
func (s *Grants) CreateGrant(ctx context.Context, req *pb.CreateGrantRequest) (*pb.Grant, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Grant, error) {
		c, err := v.collection(store.Segment(req.GetParent(), "collections"))
		if err != nil {
			return nil, err
		}
		m := proto.CloneOf(req.GetGrant())
		var p problems
		refuseOutputOnly(&p, "grant.", m)
		if m.GetGrantee() == nil {
			p.refuse(InvalidFields, "grant", "exactly one of these must be given: grower, society")
		}
		if m.GetRole() == pb.Grant_ROLE_UNSPECIFIED {
			p.refuse(InvalidFields, "grant.role", "must be given: VIEWER, KEEPER or MANAGER")
		}
		if err := p.err(); err != nil {
			return nil, err
		}
		if err := c.mayGrant(m.GetRole()); err != nil {
			return nil, atField(err, "grant.role")
		}
		if err := c.checkOpen(); err != nil {
			return nil, err
		}
		if err := v.checkGrantee(c, m); err != nil {
			return nil, err
		}
		grower, society := store.Segment(m.GetGrower(), "growers"), store.Segment(m.GetSociety(), "societies")
		if there, err := c.GrantTo(grower, society); err == nil {
			return nil, &Error{Reason: GrantExists, Message: there.GetName() + " grants them " + there.GetRole().String() + " already: change that one"}
		} else if !errors.Is(err, store.ErrNotFound) {
			return nil, err
		}
		return v.grant(c, m)
	}, getGrant)
}

// checkGrantee refuses whom the caller has nothing to do with, as if they were not there.
func (v *visit) checkGrantee(c *collection, m *pb.Grant) error {
	if name := m.GetSociety(); name != "" {
		_, err := v.society(name, Viewer)
		return atField(err, "grant.society")
	}
	id := store.Segment(m.GetGrower(), "growers")
	if id == "me" || id == v.call.caller.Grower || id == c.Owner() {
		return Invalid(InvalidFields, []Violation{{"grant.grower", "must be another grower than the owner and you"}})
	}
	shares, err := v.tx.Grower(v.call.caller.Grower).Shares(id)
	if err == nil && !shares {
		err = Invalid(GrowerNotFound, []Violation{{"grant.grower", m.GetGrower() + " is in none of your societies: send an invitation instead"}})
	}
	return err
}

// grant gives a grower or a society a role in a collection, or makes theirs that one. It
// does not ask whether the caller may.
func (v *visit) grant(c *collection, m *pb.Grant) (*pb.Grant, error) {
	there, err := c.GrantTo(store.Segment(m.GetGrower(), "growers"), store.Segment(m.GetSociety(), "societies"))
	if err == nil {
		return c.UpdateGrant(store.Segment(there.GetName(), "grants"), v.by(), func(g *pb.Grant) error { g.Role = m.GetRole(); return nil })
	}
	if !errors.Is(err, store.ErrNotFound) {
		return nil, err
	}
	n, err := c.CountGrants()
	if err != nil {
		return nil, err
	}
	if n >= mostGrants {
		return nil, &Error{Reason: TooManyGrants, Message: fmt.Sprintf("the collection is shared with %d growers and societies, as many as it can be", n)}
	}
	m.Name = store.GrantName(c.ID(), v.newID())
	return c.CreateGrant(m, v.by())
}

// ungrant takes back what is granted to a grower or a society itself, if anything is.
func (v *visit) ungrant(c *collection, grower, society string) (*pb.Grant, error) {
	there, err := c.GrantTo(grower, society)
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return c.DeleteGrant(store.Segment(there.GetName(), "grants"), v.by(), func(*pb.Grant) error { return nil })
}

func getGrant(v *visit, name string) (*pb.Grant, error) {
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, err
	}
	m, err := c.Grant(store.Segment(name, "grants"))
	return m, missing(err, GrantNotFound, name)
}

// GetGrant gets a grant.
func (s *Grants) GetGrant(ctx context.Context, req *pb.GetGrantRequest) (m *pb.Grant, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getGrant(v, req.GetName())
		return err
	})
	return m, err
}

// ListGrants lists the grants of a collection.
func (s *Grants) ListGrants(ctx context.Context, req *pb.ListGrantsRequest) (*pb.ListGrantsResponse, error) {
	answer := &pb.ListGrantsResponse{}
	err := s.read(ctx, func(v *visit) error {
		c, err := v.oneCollection(req.GetParent())
		if err != nil {
			return err
		}
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		var next []any
		if answer.Grants, next, err = c.Grants(l.query); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// UpdateGrant changes the role of a grant.
func (s *Grants) UpdateGrant(ctx context.Context, req *pb.UpdateGrantRequest) (*pb.Grant, error) {
	body := req.GetGrant()
	if err := checkName("grant.name", body.GetName(), "collections", "grants"); err != nil {
		return nil, err
	}
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Grant, error) {
		c, err := v.collection(store.Segment(body.GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		m, err := c.UpdateGrant(store.Segment(body.GetName(), "grants"), v.by(), func(m *pb.Grant) error {
			if err := v.checkEtag(body.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			was := m.GetRole()
			if err := v.apply(req.GetUpdateMask(), m, body, ""); err != nil {
				return err
			}
			if m.GetRole() == pb.Grant_ROLE_UNSPECIFIED {
				return Invalid(InvalidFields, []Violation{{"grant.role", "must be given: VIEWER, KEEPER or MANAGER"}})
			}
			return atField(c.mayGrant(max(was, m.GetRole())), "grant.role")
		})
		return m, missing(err, GrantNotFound, body.GetName())
	}, getGrant)
}

// DeleteGrant takes a grant back, or gives it back.
func (s *Grants) DeleteGrant(ctx context.Context, req *pb.DeleteGrantRequest) (*pb.Grant, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Grant, error) {
		c, err := v.collection(store.Segment(req.GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		id := store.Segment(req.GetName(), "grants")
		if id == "me" {
			own, err := c.GrantTo(v.call.caller.Grower, "")
			if err != nil {
				return nil, missing(err, GrantNotFound, req.GetName())
			}
			id = store.Segment(own.GetName(), "grants")
		}
		m, err := c.DeleteGrant(id, v.by(), func(m *pb.Grant) error {
			own := m.GetGrower() == store.GrowerName(v.call.caller.Grower)
			if !own && c.is < Manager {
				return store.ErrNotFound // they do not see it
			}
			if !own {
				if err := c.mayGrant(m.GetRole()); err != nil {
					return err
				}
			}
			return v.checkEtag(req.GetEtag(), m.GetEtag())
		})
		return m, missing(err, GrantNotFound, req.GetName())
	}, func(_ *visit, name string) (*pb.Grant, error) { return &pb.Grant{Name: name}, nil })
}
