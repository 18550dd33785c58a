// Package api is what is the same for every call: the gRPC server, the HTTP
// gateway, the chain of interceptors that both doors share, and the table of
// errors.
package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	protocodec "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/grpc/tap"

	"dewbench/proto"
	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// drainTime is how long calls under way may take when the server stops: as long
// as a call may take at all.
const drainTime = service.MaxCallSeconds*time.Second + 2*time.Second

// waiting is how long the doors wait for callers that are slow.
type waiting struct {
	greeting time.Duration // until a connection says what it speaks
	header   time.Duration // until the headers of a request are there
	body     time.Duration // until all of it is there
	answer   time.Duration // until an answer is taken
	stream   time.Duration // until a gRPC call ends, with all of these
	file     time.Duration // until a file has come or gone, which may be larger than a request
	idle     time.Duration // until a connection without a call is closed
}

var usualWaits = waiting{
	greeting: 10 * time.Second, header: 10 * time.Second, body: 60 * time.Second, answer: 60 * time.Second,
	stream: maxCall + 2*time.Minute, file: 15 * time.Minute, idle: 15 * time.Minute,
}

// mostHeaderBytes is how large the headers of a request may be.
const mostHeaderBytes = 64 << 10

// Server is both doors with the services behind them.
type Server struct {
	log     *slog.Logger
	grpc    *grpc.Server
	gateway *gateway
	conn    *inProcess
	health  *healthServer
	itself  *service.Server
	plants  *service.Plants
	photos  *service.Photos
	jobs    *service.Jobs
	waits   waiting
	stop    context.CancelFunc // ends the streams that only wait
}

// New returns a server. The document of its HTTP calls is its own.
func New(ctx context.Context, config service.Config) (*Server, error) {
	return newServerThatWaits(ctx, config, usualWaits)
}

func newServerThatWaits(ctx context.Context, config service.Config, waits waiting) (*Server, error) {
	config.OpenAPI = proto.OpenAPI
	services, err := service.New(ctx, config)
	if err != nil {
		return nil, err
	}
	log := config.Log
	validator, err := protovalidate.New()
	if err != nil {
		return nil, fmt.Errorf("validation rules: %w", err)
	}
	stopping, stop := context.WithCancel(context.Background())
	rates := newMeter(config.Rates, config.Now, log)
	unary, guard, stream := chain(stopping, log, validator, services.Access.Admit, maxCall, rates)
	s := &Server{
		log:   log,
		waits: waits,
		stop:  stop,
		conn:  &inProcess{chain: unary, guard: guard, methods: map[string]inProcessMethod{}},
		grpc: grpc.NewServer(
			grpc.UnaryInterceptor(unary),
			grpc.StreamInterceptor(stream),
			grpc.UnknownServiceHandler(refuseUnknown),
			grpc.ForceServerCodecV2(requestCodec{encoding.GetCodecV2(protocodec.Name)}),
			// The codec refuses what is over the limit, and says so as other errors
			// do; what is far over it the transport refuses.
			grpc.MaxRecvMsgSize(2*service.MaxRequestBytes),
			grpc.MaxHeaderListSize(mostHeaderBytes),
			grpc.MaxConcurrentStreams(256),
			grpc.ConnectionTimeout(waits.greeting),
			grpc.InTapHandle(waits.endStream),
			grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: waits.idle}),
			grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 30 * time.Second, PermitWithoutStream: true}),
		),
		health: &healthServer{health.NewServer(), services.Server, log},
		itself: services.Server,
		plants: services.Plants,
		photos: services.Photos,
		jobs:   services.Jobs,
	}
	for _, registered := range []struct {
		desc   *grpc.ServiceDesc
		server any
	}{
		{&pb.AuditService_ServiceDesc, services.Audits},
		{&pb.ArchiveService_ServiceDesc, services.Archives},
		{&pb.BenchService_ServiceDesc, services.Benches},
		{&pb.CalendarService_ServiceDesc, services.Calendars},
		{&pb.CollectionService_ServiceDesc, services.Collections},
		{&pb.DueService_ServiceDesc, services.Due},
		{&pb.ExchangeService_ServiceDesc, services.Exchange},
		{&pb.FeedingService_ServiceDesc, services.Feedings},
		{&pb.GrantService_ServiceDesc, services.Grants},
		{&pb.GrowerService_ServiceDesc, services.Growers},
		{&pb.IdentityService_ServiceDesc, services.Identities},
		{&pb.InvitationService_ServiceDesc, services.Invitations},
		{&pb.ObservationService_ServiceDesc, services.Observations},
		{&pb.PhotoService_ServiceDesc, &photoDoor{services.Photos, s, validator}},
		{&pb.PlanService_ServiceDesc, services.Plans},
		{&pb.PlantService_ServiceDesc, services.Plants},
		{&pb.RevisionService_ServiceDesc, services.Revisions},
		{&pb.ServerService_ServiceDesc, services.Server},
		{&pb.SessionService_ServiceDesc, services.Sessions},
		{&pb.SheetService_ServiceDesc, services.Sheets},
		{&pb.SocietyService_ServiceDesc, services.Societies},
		{&pb.TaxonService_ServiceDesc, services.Taxa},
		{&pb.TokenService_ServiceDesc, services.Tokens},
		{&pb.WatchService_ServiceDesc, services.Watch},
	} {
		s.grpc.RegisterService(throughChain(registered.desc), registered.server)
		s.health.SetServingStatus(registered.desc.ServiceName, healthpb.HealthCheckResponse_SERVING)
		s.conn.register(registered.desc, registered.server)
	}
	healthpb.RegisterHealthServer(s.grpc, s.health)
	reflection.Register(s.grpc)
	if s.gateway, err = newGateway(s.conn, log); err != nil {
		return nil, err
	}
	s.gateway.meter, s.gateway.fileTime = rates, waits.file
	return s, nil
}

// endStream gives a gRPC call an end, from when its headers are there, so that one whose
// message never comes, or whose answer is never taken, holds nothing for long. (The chain
// only begins when the message is there.) The standard services may stream for longer.
func (w waiting) endStream(ctx context.Context, info *tap.Info) (context.Context, error) {
	if strings.HasPrefix(info.FullMethodName, "/grpc.") {
		return ctx, nil
	}
	most := w.stream
	switch {
	case info.FullMethodName == pb.PhotoService_UploadPhoto_FullMethodName:
		most += w.file
	case service.Rules[info.FullMethodName].Long:
		most += longCall
	}
	ctx, cancel := context.WithTimeout(ctx, most)
	_ = cancel // the end of the stream does so
	return ctx, nil
}

// Conn returns a connection that calls the server in the same process, through
// the same chain as both doors.
func (s *Server) Conn() grpc.ClientConnInterface { return s.conn }

// SettlePending brings up to date what records that were dated ahead have changed by
// now.
func (s *Server) SettlePending(ctx context.Context) error { return s.plants.SettlePending(ctx) }

// RefreshDue keeps anew what is due, where what is kept is not true any more.
func (s *Server) RefreshDue(ctx context.Context) error { return s.plants.RefreshDue(ctx) }

// Work runs what calls have left to be done, such as the renditions of photos, until ctx
// ends.
func (s *Server) Work(ctx context.Context) error { return s.jobs.Work(ctx) }

// SweepPhotos removes files of photos that are gone.
func (s *Server) SweepPhotos(ctx context.Context) error {
	swept, err := s.jobs.SweepPhotos(ctx)
	if swept.Removed+swept.Temporary > 0 {
		s.log.InfoContext(ctx, "removed files of photos that are gone", "files", swept.Removed, "bytes", swept.Bytes, "broken off", swept.Temporary)
	}
	return err
}

// Untrue tells when it is time for RefreshDue before the next minute is.
func (s *Server) Untrue() <-chan struct{} { return s.plants.Untrue() }

// Serve answers on both listeners until ctx ends, then lets calls under way
// finish, and closes the listeners. It may be called once.
func (s *Server) Serve(ctx context.Context, grpcListener, httpListener net.Listener) error {
	door := &http.Server{
		Handler:           s.gateway,
		ReadHeaderTimeout: s.waits.header,
		ReadTimeout:       s.waits.body,
		WriteTimeout:      maxCall + s.waits.answer,
		IdleTimeout:       min(s.waits.idle, 2*time.Minute),
		MaxHeaderBytes:    mostHeaderBytes,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelInfo),
	}
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error {
		if err := s.grpc.Serve(grpcListener); err != nil && !errors.Is(err, grpc.ErrServerStopped) {
			return fmt.Errorf("gRPC on %s: %w", grpcListener.Addr(), err)
		}
		return nil
	})
	group.Go(func() error {
		if err := door.Serve(httpListener); err != nil && !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("HTTP on %s: %w", httpListener.Addr(), err)
		}
		return nil
	})
	group.Go(func() error {
		<-ctx.Done()
		s.log.Info("stopping")
		s.itself.Stop()
		s.health.Shutdown()
		s.stop()
		drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainTime)
		defer cancel()
		// Both doors close at once. What has not ended by then is cut off.
		stopped := context.AfterFunc(drain, s.grpc.Stop)
		defer stopped()
		closed := make(chan error, 1)
		go func() {
			err := door.Shutdown(drain)
			if err != nil {
				err = errors.Join(fmt.Errorf("stop HTTP: %w", err), door.Close())
			}
			closed <- err
		}()
		s.grpc.GracefulStop()
		return <-closed
	})
	return group.Wait()
}
