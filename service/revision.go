package service

import (
	"context"
	"strings"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Revisions are the calls about the history of resources.
type Revisions struct{ *Core }

// ListRevisions lists the changes of a resource.
func (s *Revisions) ListRevisions(ctx context.Context, req *pb.ListRevisionsRequest) (*pb.ListRevisionsResponse, error) {
	answer := &pb.ListRevisionsResponse{}
	err := s.read(ctx, func(v *visit) error {
		name := req.GetParent()
		if req.GetTag() != "" && store.Segment(name, "plants") == "" {
			return Invalid(InvalidFields, []Violation{{"tag", "goes with a plant, and what belongs to one"}})
		}
		c, kind, plant, id, err := v.historied(name, req.GetTag())
		if err != nil {
			return err
		}
		format := int32(0)
		if kind == store.PhotoKind {
			p, err := c.Photo(plant, id)
			if err != nil {
				return err
			}
			format = p.Format
		}
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		l.query.Desc = true
		all, next, err := c.Revisions(kind, plant, id, l.query)
		if err != nil {
			return err
		}
		for _, r := range all {
			if p := r.GetPlant(); p != nil {
				v.show(c.is, p)
			}
			c.dateRevision(r)
			if p := r.GetPhoto(); p != nil { // its format is that of the photo as it stands
				if _, err := c.showPhoto(&store.Photo{Photo: p, Format: format}); err != nil {
					return err
				}
			}
		}
		answer.Revisions = all
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// historied finds a resource, deleted or not, whose history is asked for.
func (v *visit) historied(name, tag string) (c *collection, kind store.Kind, plant, id string, err error) {
	parts := strings.Split(name, "/")
	kindName := parts[len(parts)-2]
	switch kindName {
	case "collections":
		c, err = v.anyCollection(parts[1])
		return c, store.CollectionKind, "", parts[1], err
	case "benches":
		if c, err = v.collection(parts[1]); err != nil {
			return nil, 0, "", "", err
		}
		_, err = c.Bench(parts[3])
		return c, store.BenchKind, "", parts[3], missing(err, BenchNotFound, name)
	}
	c, plant, err = v.plantOf(name, tag)
	if err != nil {
		return nil, 0, "", "", err
	}
	plantName := store.PlantName(c.ID(), plant)
	if _, err = c.Plant(plant); err != nil {
		return nil, 0, "", "", missing(err, PlantNotFound, plantName)
	}
	switch kindName {
	case "feedings":
		_, err = c.Feeding(plant, parts[5])
		return c, store.FeedingKind, plant, parts[5], missing(err, FeedingNotFound, name)
	case "observations":
		_, err = c.Observation(plant, parts[5])
		return c, store.ObservationKind, plant, parts[5], missing(err, ObservationNotFound, name)
	case "photos":
		_, err = c.Photo(plant, parts[5])
		return c, store.PhotoKind, plant, parts[5], missing(err, PhotoNotFound, name)
	}
	return c, store.PlantKind, "", plant, nil
}
