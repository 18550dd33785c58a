package service

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/store"
)

// Collections are the calls about collections.
type Collections struct{ *Core }

// CreateCollection makes a collection of the caller's.
func (s *Collections) CreateCollection(ctx context.Context, req *pb.CreateCollectionRequest) (*pb.Collection, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Collection, error) {
		m := proto.CloneOf(req.GetCollection())
		var p problems
		refuseOutputOnly(&p, "collection.", m)
		v.checkCollection(&p, m)
		if err := p.err(); err != nil {
			return nil, err
		}
		if m.GetVisibility() == pb.Collection_VISIBILITY_UNSPECIFIED {
			m.Visibility = pb.Collection_PRIVATE
		}
		c, err := v.tx.CreateCollection(v.newID(), v.call.caller.Grower, m, v.by())
		if err != nil {
			return nil, err
		}
		return c.Get()
	}, func(v *visit, name string) (*pb.Collection, error) {
		c, err := v.collectionFor(store.Segment(name, "collections"), Owner)
		if err != nil {
			return nil, err
		}
		return c.message, nil
	})
}

func getCollection(v *visit, name string) (*pb.Collection, error) {
	c, err := v.anyCollection(store.Segment(name, "collections"))
	if err != nil {
		return nil, err
	}
	m := proto.CloneOf(c.message)
	v.show(c.is, m)
	return m, nil
}

// GetCollection gets a collection.
func (s *Collections) GetCollection(ctx context.Context, req *pb.GetCollectionRequest) (m *pb.Collection, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getCollection(v, req.GetName())
		return err
	})
	return m, err
}

var collectionFields = Fields{
	"displayName": SearchField,
	"timeZone":    TextField,
	"createTime":  TimeField,
	"visibility":  EnumField(pb.Collection_VISIBILITY_UNSPECIFIED),
}

// ListCollections lists the collections that the caller may reach or, if they are asked
// for, the public ones.
func (s *Collections) ListCollections(ctx context.Context, req *pb.ListCollectionsRequest) (*pb.ListCollectionsResponse, error) {
	answer := &pb.ListCollectionsResponse{}
	err := s.read(ctx, func(v *visit) error {
		l, err := v.list(req, collectionFields, nil, []string{"name", "displayName"})
		if err != nil {
			return err
		}
		list := v.tx.Collections
		if slices.ContainsFunc(l.query.Where, func(c store.Condition) bool {
			return c.Field == "visibility" && c.Op == "=" && c.Value == int32(pb.Collection_PUBLIC)
		}) {
			if _, err := ParseFilter(req.GetFilter(), visitorCollections); err != nil {
				return err
			}
			if err := Visitor.checkShowDeleted(req); err != nil {
				return err
			}
			list = v.tx.PublicCollections
		}
		all, next, err := list(v.call.caller.Grower, l.query)
		if err != nil {
			return err
		}
		for _, one := range all {
			v.show(relation(one.Ties), one.Collection)
			answer.Collections = append(answer.Collections, one.Collection)
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// UpdateCollection changes a collection.
func (s *Collections) UpdateCollection(ctx context.Context, req *pb.UpdateCollectionRequest) (*pb.Collection, error) {
	body := req.GetCollection()
	if err := checkName("collection.name", body.GetName(), "collections"); err != nil {
		return nil, err
	}
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Collection, error) {
		c, err := v.anyCollection(store.Segment(body.GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		zone := c.zone
		out, err := c.Update(v.by(), func(m *pb.Collection) error {
			if err := v.checkEtag(body.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			if m.GetDeleteTime() != nil {
				return deleted(m.GetName())
			}
			was := m.GetVisibility()
			if err := v.apply(req.GetUpdateMask(), m, body, ""); err != nil {
				return err
			}
			if m.GetVisibility() == pb.Collection_VISIBILITY_UNSPECIFIED {
				m.Visibility = pb.Collection_PRIVATE
			}
			if m.GetVisibility() != was {
				if err := atField(refuses(Owner, c.is, CollectionNotFound, m.GetName()), "collection.visibility"); err != nil {
					return err
				}
			}
			var p problems
			v.checkCollection(&p, m)
			return p.err()
		})
		if err != nil {
			return nil, err
		}
		if c.zone, err = loadZone(out.GetTimeZone()); err != nil {
			return nil, err
		}
		c.message, c.benches = out, nil
		return out, v.rezone(c, zone)
	}, getCollection)
}

// DeleteCollection deletes a collection with all that is in it.
func (s *Collections) DeleteCollection(ctx context.Context, req *pb.DeleteCollectionRequest) (*pb.Collection, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Collection, error) {
		c, err := v.collection(store.Segment(req.GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		return c.Delete(v.by(), v.at.Add(undeleting).UnixMicro(), func(m *pb.Collection) error {
			return v.checkEtag(req.GetEtag(), m.GetEtag())
		})
	}, getCollection)
}

// UndeleteCollection brings a deleted collection back.
func (s *Collections) UndeleteCollection(ctx context.Context, req *pb.UndeleteCollectionRequest) (*pb.Collection, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Collection, error) {
		c, err := v.anyCollection(store.Segment(req.GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		if !c.Deleted() {
			return c.message, v.checkEtag(req.GetEtag(), c.message.GetEtag())
		}
		if v.purged(c.message) {
			return nil, notFound(CollectionNotFound, c.message.GetName())
		}
		return c.Undelete(v.by(), func(m *pb.Collection) error { return v.checkEtag(req.GetEtag(), m.GetEtag()) })
	}, getCollection)
}

// TransferCollection gives a collection to a society, or to the caller.
func (s *Collections) TransferCollection(ctx context.Context, req *pb.TransferCollectionRequest) (*pb.Collection, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Collection, error) {
		c, err := v.collection(store.Segment(req.GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		grower, society := v.call.caller.Grower, store.Segment(req.GetOwner(), "societies")
		if society != "" {
			to, err := v.tx.Society(society, grower)
			if err == nil {
				err = refuses(Owner, relationTo(to.Role()), SocietyNotFound, req.GetOwner())
			}
			if err != nil {
				return nil, atField(missing(err, SocietyNotFound, req.GetOwner()), "owner")
			}
			grower = ""
		} else if _, err := v.self(req.GetOwner()); err != nil {
			return nil, Invalid(InvalidFields, []Violation{{"owner", "must be societies/{society} or growers/me: send another grower an invitation to own it"}})
		}
		return v.transfer(c, grower, society, func(m *pb.Collection) error { return v.checkEtag(req.GetEtag(), m.GetEtag()) })
	}, getCollection)
}

// transfer gives a collection to a grower or a society. The grower who owned it becomes
// its manager, and what was granted to the new owner is part of that.
func (v *visit) transfer(c *collection, grower, society string, check func(*pb.Collection) error) (*pb.Collection, error) {
	was := c.Owner()
	if grower == was && society == c.OwnerSociety() {
		return c.message, check(c.message)
	}
	out, err := c.Transfer(grower, society, v.by(), check)
	if err != nil {
		return nil, err
	}
	if was != "" && was != grower {
		if _, err := v.grant(c, &pb.Grant{Grantee: &pb.Grant_Grower{Grower: store.GrowerName(was)}, Role: pb.Grant_MANAGER}); err != nil {
			return nil, err
		}
	}
	if grower != "" {
		if _, err := v.ungrant(c, grower, ""); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// rezone brings plants up to date whose records lay ahead where the collection was,
// and do not where it is, or the other way round.
func (v *visit) rezone(c *collection, was *time.Location) error {
	old := &collection{zone: was}
	if old.zone.String() == c.zone.String() {
		return nil
	}
	// The days of two zones differ by two at most.
	near, err := c.Recorded(v.at.Add(-72*time.Hour).UnixMicro(), v.at.Add(72*time.Hour).UnixMicro())
	if err != nil {
		return err
	}
	var ids []string
	for plant, all := range near {
		if slices.ContainsFunc(all, func(us int64) bool { return old.came(us, v.at) != c.came(us, v.at) }) {
			ids = append(ids, plant)
		}
	}
	slices.Sort(ids)
	for some := range slices.Chunk(ids, MaxPageSize) {
		if _, err := v.settle(c, some); err != nil {
			return atField(err, "collection.timeZone")
		}
	}
	return nil
}

// checkDisplayName trims a name to show and refuses an empty one.
func checkDisplayName(p *problems, field string, name *string) {
	if *name = strings.TrimSpace(*name); *name == "" {
		p.refuse(InvalidFields, field, "must be given: 1 to 200 characters")
	}
}

// checkCollection refuses what does not fit in a collection, and rounds its
// latitude.
func (v *visit) checkCollection(p *problems, m *pb.Collection) {
	checkDisplayName(p, "collection.displayName", &m.DisplayName)
	if m.GetTimeZone() == "" {
		p.refuse(InvalidFields, "collection.timeZone", "must be given, such as Europe/Berlin: it tells on which civil day an instant falls")
	} else if _, err := loadZone(m.GetTimeZone()); err != nil {
		p.refuse(InvalidFields, "collection.timeZone", "%q is not a time zone of the IANA database, such as Europe/Berlin", m.GetTimeZone())
	}
	if m.LatitudeDeg != nil {
		*m.LatitudeDeg = math.Round(*m.LatitudeDeg) + 0 // no negative zero
	}
	checkAbsences(p, "collection.", m.GetAbsences())
	seen := map[string]int{}
	for i, g := range m.GetRegimens() {
		at := func(field string) string { return fmt.Sprintf("collection.regimens[%d].%s", i, field) }
		key, field := "", ""
		switch of := g.GetGroup().(type) {
		case *pb.Collection_GroupRegimen_Taxon:
			key, field = of.Taxon, "taxon"
			if _, ok := v.catalogue.Taxon(strings.TrimPrefix(of.Taxon, taxonPrefix)); !ok {
				p.refuse(TaxonNotFound, at("taxon"), "%q is not in the catalogue", of.Taxon)
			}
		case *pb.Collection_GroupRegimen_Genus:
			key, field = "genus "+catalogue.Normalise(of.Genus), "genus"
		case *pb.Collection_GroupRegimen_TrapType:
			key, field = of.TrapType.String(), "trapType"
		}
		if first, twice := seen[key]; twice {
			p.refuse(InvalidFields, at(field), "is that of regimens[%d] already", first)
		}
		seen[key] = i
	}
}

// checkAbsences refuses days that are none, and absences that end before they
// begin.
func checkAbsences(p *problems, prefix string, absences []*pb.Absence) {
	for i, a := range absences {
		at := func(field string) string { return fmt.Sprintf("%sabsences[%d].%s", prefix, i, field) }
		from := checkDay(p, at("fromDate"), a.GetFromDate())
		until := checkDay(p, at("untilDate"), a.GetUntilDate())
		if from.Given() && until.Given() && until <= from {
			p.refuse(InvalidFields, at("untilDate"), "must be after fromDate: it is the day of being back")
		}
	}
}

// checkDay reads a civil day; "" is civil.None.
func checkDay(p *problems, field, text string) civil.Day {
	if text == "" {
		return civil.None
	}
	d, err := civil.Parse(text)
	if err != nil {
		p.refuse(InvalidFields, field, "%q %v", text, err)
	}
	return d
}
