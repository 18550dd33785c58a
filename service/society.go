package service

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Societies are the calls about societies and their members.
type Societies struct{ *Core }

// mostSocieties is of how many societies a grower can be a member.
const mostSocieties = 100

// society opens a society to which the caller must have a relation at least.
func (v *visit) society(name string, least Relation) (*store.Society, error) {
	s, err := v.tx.Society(store.Segment(name, "societies"), v.call.caller.Grower)
	if err == nil {
		err = refuses(least, relationTo(s.Role()), SocietyNotFound, store.SocietyName(s.ID()))
	}
	return s, missing(err, SocietyNotFound, store.SocietyName(store.Segment(name, "societies")))
}

func getSociety(v *visit, name string) (*pb.Society, error) {
	s, err := v.society(name, Viewer)
	if err != nil {
		return nil, err
	}
	return s.Get(), nil
}

// CreateSociety makes a society.
func (s *Societies) CreateSociety(ctx context.Context, req *pb.CreateSocietyRequest) (*pb.Society, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Society, error) {
		m := proto.CloneOf(req.GetSociety())
		var p problems
		refuseOutputOnly(&p, "society.", m)
		checkDisplayName(&p, "society.displayName", &m.DisplayName)
		if err := p.err(); err != nil {
			return nil, err
		}
		if err := v.mayJoin(v.call.caller.Grower); err != nil {
			return nil, err
		}
		out, err := v.tx.CreateSociety(v.newID(), m, v.by())
		if err != nil {
			return nil, err
		}
		return out.Get(), nil
	}, getSociety)
}

// mayJoin refuses one more society of a grower who is in as many as one can be.
func (v *visit) mayJoin(grower string) error {
	n, err := v.tx.Grower(grower).CountSocieties()
	if err == nil && n >= mostSocieties {
		err = &Error{Reason: TooManySocieties, Message: fmt.Sprintf("you are in %d societies, as many as one grower can be", n)}
	}
	return err
}

// GetSociety gets a society.
func (s *Societies) GetSociety(ctx context.Context, req *pb.GetSocietyRequest) (m *pb.Society, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getSociety(v, req.GetName())
		return err
	})
	return m, err
}

// ListSocieties lists the societies of which the caller is a member.
func (s *Societies) ListSocieties(ctx context.Context, req *pb.ListSocietiesRequest) (*pb.ListSocietiesResponse, error) {
	answer := &pb.ListSocietiesResponse{}
	err := s.read(ctx, func(v *visit) error {
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		var next []any
		if answer.Societies, next, err = v.tx.Grower(v.call.caller.Grower).Societies(l.query); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// UpdateSociety changes a society.
func (s *Societies) UpdateSociety(ctx context.Context, req *pb.UpdateSocietyRequest) (*pb.Society, error) {
	body := req.GetSociety()
	if err := checkName("society.name", body.GetName(), "societies"); err != nil {
		return nil, err
	}
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Society, error) {
		one, err := v.society(body.GetName(), Owner)
		if err != nil {
			return nil, err
		}
		return one.Update(v.by(), func(m *pb.Society) error {
			if err := v.checkEtag(body.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			if err := v.apply(req.GetUpdateMask(), m, body, ""); err != nil {
				return err
			}
			var p problems
			checkDisplayName(&p, "society.displayName", &m.DisplayName)
			return p.err()
		})
	}, getSociety)
}

// DeleteSociety ends a society.
func (s *Societies) DeleteSociety(ctx context.Context, req *pb.DeleteSocietyRequest) (*pb.Society, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Society, error) {
		one, err := v.society(req.GetName(), Owner)
		if err != nil {
			return nil, err
		}
		if err := v.checkEtag(req.GetEtag(), one.Get().GetEtag()); err != nil {
			return nil, err
		}
		owns, err := one.Owns()
		if err != nil {
			return nil, err
		}
		if owns {
			return nil, &Error{Reason: SocietyOwnsCollections, Message: one.Get().GetName() + " owns collections: transfer or delete them first; what was deleted counts until it is purged"}
		}
		return one.Get(), one.Delete(v.by())
	}, func(v *visit, name string) (*pb.Society, error) {
		m, err := getSociety(v, name)
		if ReasonOf(err) == SocietyNotFound {
			return &pb.Society{Name: name}, nil // ended, as was asked
		}
		return m, err
	})
}

// memberOf returns the id of the grower whom the name of a member means.
func (v *visit) memberOf(name string) string {
	if id := store.Segment(name, "members"); id != "me" {
		return id
	}
	return v.call.caller.Grower
}

func getMember(v *visit, name string) (*pb.Member, error) {
	s, err := v.society(name, Viewer)
	if err != nil {
		return nil, err
	}
	m, err := s.Member(v.memberOf(name))
	return m, missing(err, MemberNotFound, store.MemberName(s.ID(), v.memberOf(name)))
}

// GetMember gets a member of a society.
func (s *Societies) GetMember(ctx context.Context, req *pb.GetMemberRequest) (m *pb.Member, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getMember(v, req.GetName())
		return err
	})
	return m, err
}

// ListMembers lists the members of a society.
func (s *Societies) ListMembers(ctx context.Context, req *pb.ListMembersRequest) (*pb.ListMembersResponse, error) {
	answer := &pb.ListMembersResponse{}
	err := s.read(ctx, func(v *visit) error {
		one, err := v.society(req.GetParent(), Viewer)
		if err != nil {
			return err
		}
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		var next []any
		if answer.Members, next, err = one.Members(l.query); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// UpdateMember changes the role of a member.
func (s *Societies) UpdateMember(ctx context.Context, req *pb.UpdateMemberRequest) (*pb.Member, error) {
	body := req.GetMember()
	if err := checkName("member.name", body.GetName(), "societies", "members"); err != nil {
		return nil, err
	}
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Member, error) {
		one, err := v.society(body.GetName(), Owner)
		if err != nil {
			return nil, err
		}
		grower := v.memberOf(body.GetName())
		out, err := one.UpdateMember(grower, v.by(), func(m *pb.Member) error {
			if err := v.checkEtag(body.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			was := m.GetRole()
			if err := v.apply(req.GetUpdateMask(), m, body, ""); err != nil {
				return err
			}
			if m.GetRole() == pb.Member_ROLE_UNSPECIFIED {
				return Invalid(InvalidFields, []Violation{{"member.role", "must be given: MEMBER or ORGANISER"}})
			}
			if was == pb.Member_ORGANISER && m.GetRole() != was {
				return checkLastOrganiser(one)
			}
			return nil
		})
		return out, missing(err, MemberNotFound, store.MemberName(one.ID(), grower))
	}, getMember)
}

// checkLastOrganiser refuses to let the only organiser of a society go.
func checkLastOrganiser(s *store.Society) error {
	n, err := s.Organisers()
	if err == nil && n < 2 {
		err = &Error{Reason: LastOrganiser, Message: "a society has an organiser: make another member one first, or end the society"}
	}
	return err
}

// DeleteMember takes a member out of a society.
func (s *Societies) DeleteMember(ctx context.Context, req *pb.DeleteMemberRequest) (*pb.Member, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Member, error) {
		grower, least := v.memberOf(req.GetName()), Owner
		if grower == v.call.caller.Grower {
			least = Viewer
		}
		one, err := v.society(req.GetName(), least)
		if err != nil {
			return nil, err
		}
		out, err := one.RemoveMember(grower, v.by(), func(m *pb.Member) error {
			if err := v.checkEtag(req.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			if m.GetRole() == pb.Member_ORGANISER {
				return checkLastOrganiser(one)
			}
			return nil
		})
		return out, missing(err, MemberNotFound, store.MemberName(one.ID(), grower))
	}, func(v *visit, name string) (*pb.Member, error) {
		m, err := getMember(v, name)
		if why := ReasonOf(err); why == SocietyNotFound || why == MemberNotFound {
			return &pb.Member{Name: name, Grower: store.GrowerName(v.memberOf(name))}, nil // gone, as was asked
		}
		return m, err
	})
}

// join makes a grower a member of a society, or one of a higher role. changed tells whether
// it did.
func (v *visit) join(s *store.Society, grower string, role pb.Member_Role) (m *pb.Member, changed bool, err error) {
	m, err = s.Member(grower)
	switch {
	case errors.Is(err, store.ErrNotFound):
		if err := v.mayJoin(grower); err != nil {
			return nil, false, err
		}
		m, err = s.AddMember(grower, role, v.by())
		return m, true, err
	case err != nil || m.GetRole() >= role:
		return m, false, err
	}
	m, err = s.UpdateMember(grower, v.by(), func(m *pb.Member) error { m.Role = role; return nil })
	return m, true, err
}
