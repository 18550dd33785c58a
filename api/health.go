package api

import (
	"context"
	"log/slog"

	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// healthServer is the standard health service. Its Check also asks the database, as
// GetHealth does.
type healthServer struct {
	*health.Server
	itself *service.Server
	log    *slog.Logger
}

// Check tells whether a service takes calls.
func (h *healthServer) Check(ctx context.Context, req *healthpb.HealthCheckRequest) (*healthpb.HealthCheckResponse, error) {
	answer, err := h.Server.Check(ctx, req)
	if err != nil || answer.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		return answer, err
	}
	if _, err := h.itself.GetHealth(ctx, &pb.GetHealthRequest{}); err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		toStatus(ctx, h.log, err) // logs why
		return &healthpb.HealthCheckResponse{Status: healthpb.HealthCheckResponse_NOT_SERVING}, nil
	}
	return answer, nil
}
