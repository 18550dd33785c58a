package service

import (
	"context"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Growers are the calls about growers.
type Growers struct{ *Core }

func getGrower(v *visit, name string) (*pb.Grower, error) {
	id, err := v.self(name)
	if err != nil {
		return nil, err
	}
	m, err := v.tx.Grower(id).Get()
	return m, missing(err, GrowerNotFound, store.GrowerName(id))
}

// GetGrower gets a grower.
func (s *Growers) GetGrower(ctx context.Context, req *pb.GetGrowerRequest) (m *pb.Grower, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getGrower(v, req.GetName())
		return err
	})
	return m, err
}

// UpdateGrower changes what a grower says of themselves.
func (s *Growers) UpdateGrower(ctx context.Context, req *pb.UpdateGrowerRequest) (*pb.Grower, error) {
	body := req.GetGrower()
	if err := checkName("grower.name", body.GetName(), "growers"); err != nil {
		return nil, err
	}
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Grower, error) {
		id, err := v.self(body.GetName())
		if err != nil {
			return nil, err
		}
		m, err := v.tx.Grower(id).Update(v.at.UnixMicro(), func(m *pb.Grower) error {
			if err := v.checkEtag(body.GetEtag(), m.GetEtag()); err != nil {
				return err
			}
			if err := v.apply(req.GetUpdateMask(), m, body, ""); err != nil {
				return err
			}
			var p problems
			checkDisplayName(&p, "grower.displayName", &m.DisplayName)
			return p.err()
		})
		return m, missing(err, GrowerNotFound, store.GrowerName(id))
	}, getGrower)
}
