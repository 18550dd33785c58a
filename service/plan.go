package service

import (
	"context"
	"errors"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
)

// Plans tell what there is to do on a day.
type Plans struct{ *Core }

// GetDayPlan tells what there is to do in a collection on a day.
func (s *Plans) GetDayPlan(ctx context.Context, req *pb.GetDayPlanRequest) (*pb.DayPlan, error) {
	return nil, errors.New("not yet")
}

// dayPlan tells all that there is to do in a collection on a day, in one page. benches
// are the ids of those to look at; none: all.
func (v *visit) dayPlan(c *collection, day civil.Day, benches []string) (*pb.DayPlan, error) {
	return nil, errors.New("not yet")
}
