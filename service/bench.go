package service

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Benches are the calls about benches.
type Benches struct{ *Core }

// CreateBench makes a bench.
func (s *Benches) CreateBench(ctx context.Context, req *pb.CreateBenchRequest) (*pb.Bench, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Bench, error) {
		c, err := v.collection(store.Segment(req.GetParent(), "collections"))
		if err != nil {
			return nil, err
		}
		m := proto.CloneOf(req.GetBench())
		var p problems
		refuseOutputOnly(&p, "bench.", m)
		checkDisplayName(&p, "bench.displayName", &m.DisplayName)
		if err := p.err(); err != nil {
			return nil, err
		}
		m.Name = store.BenchName(c.ID(), v.idOr(req.GetBenchId()))
		switch before, err := c.Bench(store.Segment(m.GetName(), "benches")); {
		case err == nil:
			return nil, Invalid(BenchExists, []Violation{{"benchId", v.taken(before)}})
		case !errors.Is(err, store.ErrNotFound):
			return nil, err
		}
		return c.CreateBench(m, v.by())
	}, getBench)
}

func getBench(v *visit, name string) (*pb.Bench, error) {
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, err
	}
	m, err := c.Bench(store.Segment(name, "benches"))
	if err == nil && v.purged(m) {
		err = store.ErrNotFound
	}
	return m, missing(err, BenchNotFound, name)
}

// GetBench gets a bench.
func (s *Benches) GetBench(ctx context.Context, req *pb.GetBenchRequest) (m *pb.Bench, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getBench(v, req.GetName())
		return err
	})
	return m, err
}

var benchFields = Fields{
	"displayName": SearchField,
	"exposure":    EnumField(pb.Bench_EXPOSURE_UNSPECIFIED),
}

// benchField is the name of a bench in the filter of a list.
var benchField = Field{ops: equality, read: func(field string, value any) (any, string) {
	if name, ok := value.(string); ok && shape(name, "collections", "benches") {
		return name, ""
	}
	return nil, field + " is compared with the name of a bench, \"collections/{collection}/benches/{bench}\""
}}

// onBenches compares with the ids of benches of a collection where the conditions
// have names. none tells that no plant of the collection can meet them.
func onBenches(collection string, where []store.Condition) (of []store.Condition, none bool) {
	for _, c := range where {
		if c.Field == "bench" {
			name := fmt.Sprint(c.Value)
			if store.Segment(name, "collections") != collection {
				none = none || c.Op == "="
				continue
			}
			c.Value = store.Segment(name, "benches")
		}
		of = append(of, c)
	}
	return of, none
}

// ListBenches lists benches.
func (s *Benches) ListBenches(ctx context.Context, req *pb.ListBenchesRequest) (*pb.ListBenchesResponse, error) {
	answer := &pb.ListBenchesResponse{}
	err := s.read(ctx, func(v *visit) error {
		l, err := v.list(req, benchFields, nil, []string{"name", "walkOrder", "displayName"})
		if err != nil {
			return err
		}
		answer.Benches, answer.NextPageToken, err = inCollections(v, l, req.GetParent(), func(c *collection, q store.List) ([]*pb.Bench, []any, error) {
			return c.Benches(q)
		})
		return err
	})
	return answer, err
}

// UpdateBench changes a bench.
func (s *Benches) UpdateBench(ctx context.Context, req *pb.UpdateBenchRequest) (*pb.Bench, error) {
	body := req.GetBench()
	if err := checkName("bench.name", body.GetName(), "collections", "benches"); err != nil {
		return nil, err
	}
	return changeBench(ctx, s.Core, req, body.GetName(), func(v *visit, c *collection, id string) (*pb.Bench, error) {
		return c.UpdateBench(id, v.by(), func(m *pb.Bench) error {
			if err := v.checkEtag(body.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			if m.GetDeleteTime() != nil {
				return deleted(m.GetName())
			}
			if err := v.apply(req.GetUpdateMask(), m, body, ""); err != nil {
				return err
			}
			var p problems
			checkDisplayName(&p, "bench.displayName", &m.DisplayName)
			return p.err()
		})
	})
}

// DeleteBench deletes a bench on which no plant stands.
func (s *Benches) DeleteBench(ctx context.Context, req *pb.DeleteBenchRequest) (*pb.Bench, error) {
	return changeBench(ctx, s.Core, req, req.GetName(), func(v *visit, c *collection, id string) (*pb.Bench, error) {
		m, err := c.Bench(id)
		if err != nil {
			return nil, err
		}
		if m.GetDeleteTime() != nil {
			return nil, store.ErrNotFound
		}
		n, err := c.OnBench(id)
		if err != nil {
			return nil, err
		}
		if n > 0 {
			return nil, &Error{Reason: BenchInUse, Message: fmt.Sprintf("%s: %d living plants stand on it: move them first", req.GetName(), n)}
		}
		ahead, err := c.MovesTo(id, v.at.UnixMicro())
		if err != nil {
			return nil, err
		}
		if ahead > 0 {
			return nil, &Error{Reason: BenchInUse, Message: fmt.Sprintf("%s: %d moves to it are dated ahead: void them first", req.GetName(), ahead)}
		}
		return c.DeleteBench(id, v.by(), v.at.Add(undeleting).UnixMicro(), func(m *pb.Bench) error {
			return v.checkEtag(req.GetEtag(), m.GetEtag())
		})
	})
}

// UndeleteBench brings a deleted bench back.
func (s *Benches) UndeleteBench(ctx context.Context, req *pb.UndeleteBenchRequest) (*pb.Bench, error) {
	return changeBench(ctx, s.Core, req, req.GetName(), func(v *visit, c *collection, id string) (*pb.Bench, error) {
		m, err := c.Bench(id)
		if err != nil {
			return nil, err
		}
		if m.GetDeleteTime() == nil {
			return m, v.checkEtag(req.GetEtag(), m.GetEtag())
		}
		if v.purged(m) {
			return nil, store.ErrNotFound
		}
		return c.UndeleteBench(id, v.by(), func(m *pb.Bench) error { return v.checkEtag(req.GetEtag(), m.GetEtag()) })
	})
}

// changeBench runs do with the collection of a bench and its id.
func changeBench(ctx context.Context, c *Core, req writing, name string, do func(*visit, *collection, string) (*pb.Bench, error)) (*pb.Bench, error) {
	return writeOne(ctx, c, req, func(v *visit) (*pb.Bench, error) {
		c, err := v.collection(store.Segment(name, "collections"))
		if err != nil {
			return nil, err
		}
		m, err := do(v, c, store.Segment(name, "benches"))
		return m, missing(err, BenchNotFound, name)
	}, getBench)
}

// deleted is the error for a change of what is deleted.
func deleted(name string) *Error {
	return &Error{Reason: ResourceDeleted, Message: name + " is deleted: undelete it first"}
}

// voided is deleted for a feeding or an observation.
func voided(name string) *Error {
	return &Error{Reason: ResourceDeleted, Message: name + " is voided: undelete it first"}
}
