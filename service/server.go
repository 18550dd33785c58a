package service

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"google.golang.org/genproto/googleapis/api/httpbody"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/photo"
	"dewbench/store"
)

// The sizes that the server takes. The proto files say the same.
const (
	MaxRequestBytes          = 16 << 20
	MaxComputePlants         = 1000
	MaxComputeEventsPerPlant = 2000
	MaxPageSize              = 1000
	UsualPageSize            = 50
	MaxHorizonDays           = 366
	UsualHorizonDays         = 7
	MaxCallSeconds           = 30
	LongCallSeconds          = 600 // of a call whose rule says Long
)

// healthWait is how long GetHealth waits for the database. The proto file says the
// same.
const healthWait = 2 * time.Second

// Server tells about the server itself.
type Server struct {
	store     *store.Store
	version   string
	catalogue *catalogue.Catalogue
	openAPI   []byte
	stopping  atomic.Bool
}

// NewServer returns the calls about the server itself. openAPI is the document
// of the HTTP calls.
func NewServer(s *store.Store, version string, c *catalogue.Catalogue, openAPI []byte) *Server {
	return &Server{store: s, version: version, catalogue: c, openAPI: openAPI}
}

// Stop makes GetHealth fail from now on.
func (s *Server) Stop() { s.stopping.Store(true) }

// GetServerInfo tells the server's version and limits.
func (s *Server) GetServerInfo(context.Context, *pb.GetServerInfoRequest) (*pb.ServerInfo, error) {
	return &pb.ServerInfo{
		Version:          s.version,
		CatalogueVersion: s.catalogue.Version(),
		Limits: &pb.ServerInfo_Limits{
			MaxRequestBytes:          MaxRequestBytes,
			MaxComputePlants:         MaxComputePlants,
			MaxComputeEventsPerPlant: MaxComputeEventsPerPlant,
			MaxPageSize:              MaxPageSize,
			MaxHorizonDays:           MaxHorizonDays,
			MaxCallSeconds:           MaxCallSeconds,
			MaxPhotoBytes:            MaxPhotoBytes,
			MaxPhotoPixels:           photo.MaxPixels,
		},
	}, nil
}

// GetHealth tells whether the server takes calls and its database answers.
func (s *Server) GetHealth(ctx context.Context, _ *pb.GetHealthRequest) (*pb.Health, error) {
	if s.stopping.Load() {
		return nil, &Error{Reason: ShuttingDown, Message: "the server is stopping: call again in a moment"}
	}
	short, cancel := context.WithTimeout(ctx, healthWait)
	defer cancel()
	if err := s.store.Ping(short); err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, fromStore(fmt.Errorf("%w: %w", store.ErrUnavailable, err))
	}
	return &pb.Health{Status: pb.Health_SERVING}, nil
}

// GetOpenApiDocument returns the OpenAPI document of the HTTP calls.
func (s *Server) GetOpenApiDocument(context.Context, *pb.GetOpenApiDocumentRequest) (*httpbody.HttpBody, error) {
	return &httpbody.HttpBody{ContentType: "application/json", Data: s.openAPI}, nil
}
