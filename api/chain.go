package api

import (
	"context"
	"log/slog"
	"regexp"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/uuid"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/logging"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/recovery"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// requestIDHeader carries the request id: the caller's own, or one made here.
const requestIDHeader = "x-request-id"

var goodRequestID = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)

type (
	requestIDKey struct{}
	callerKey    struct{}
)

// requestID returns the id of the call that ctx belongs to, or "".
func requestID(ctx context.Context) string {
	id, _ := ctx.Value(requestIDKey{}).(string)
	return id
}

// caller is where a call leaves who makes it, once that is known, for the log.
type caller struct{ grower, token string } // ids

// logFields returns what each record about a call tells of it: its request id, and
// the ids of who makes it and with which token, if that is known by then.
func logFields(ctx context.Context) []any {
	fields := []any{"request_id", requestID(ctx)}
	if c, ok := ctx.Value(callerKey{}).(*caller); ok && c.token != "" {
		fields = append(fields, "grower", c.grower, "token", c.token)
	}
	return fields
}

// chosenRequestID returns the caller's request id if it is a good one, else a
// new one.
func chosenRequestID(asked string) string {
	if goodRequestID.MatchString(asked) {
		return asked
	}
	return uuid.NewString()
}

// identify gives the call its request id and tells the caller. It also makes the place
// where the call leaves who makes it.
func identify(ctx context.Context) context.Context {
	asked := ""
	if values := metadata.ValueFromIncomingContext(ctx, requestIDHeader); len(values) > 0 {
		asked = values[0]
	}
	id := chosenRequestID(asked)
	// It only fails once the headers are sent, which nothing before us does.
	_ = grpc.SetHeader(ctx, metadata.Pairs(requestIDHeader, id))
	return context.WithValue(context.WithValue(ctx, requestIDKey{}, id), callerKey{}, &caller{})
}

// admission lets a call in, with the context in which it runs, or tells why not.
// authorization are the values of the header of that name.
type admission func(ctx context.Context, method string, authorization []string) (context.Context, error)

// chain is what every call goes through, by whichever door it came, from the outside
// inwards:
//
//   - it gets its request id;
//   - its end is logged, whatever happened to it further in;
//   - errors become what the client may see of them;
//   - a panic becomes an error;
//   - it is counted for the address that it comes from, unless it comes from nowhere;
//   - it takes one of the places of the server, or is refused at once;
//   - it gets its deadline;
//   - its caller is let in, so that who may not call learns nothing more, and the call is
//     counted for the token;
//   - what is in its request is counted too;
//   - its request is validated.
//
// Over HTTP a call meets the guard too, before its body is read: the part of the chain
// that lets its caller in.
func chain(
	stopping context.Context, log *slog.Logger, validator protovalidate.Validator, admit admission, maxCall time.Duration, rates *meter,
) (unary, guard grpc.UnaryServerInterceptor, stream grpc.StreamServerInterceptor) {
	logger := logging.LoggerFunc(func(ctx context.Context, level logging.Level, message string, fields ...any) {
		for i := 0; i+1 < len(fields); i += 2 {
			if fields[i] == "grpc.error" { // it may quote what the caller sent; the reason is enough
				fields = slices.Delete(slices.Clone(fields), i, i+2)
				break
			}
		}
		if i := slices.Index(fields, any("reason")); i >= 0 && i+1 < len(fields) {
			switch fields[i+1] {
			case string(tooManyCalls):
				level = logging.LevelDebug // the meter tells of them once a minute
			case string(service.RenditionNotReady):
				level = logging.LevelInfo // nothing is wrong
			}
		}
		log.Log(ctx, slog.Level(level), message, fields...)
	})
	logOptions := []logging.Option{
		logging.WithLogOnEvents(logging.FinishCall),
		logging.WithFieldsFromContext(func(ctx context.Context) logging.Fields { return logFields(ctx) }), // at the end of a call
		logging.WithErrorFields(func(err error) logging.Fields {
			return logging.Fields{"reason", string(reasonOf(status.Convert(err)))}
		}),
		logging.WithLevels(level),
	}
	onPanic := recovery.WithRecoveryHandler(func(p any) error { return &panicError{value: p, stack: debug.Stack()} })

	places := make(chan struct{}, mostCalls)
	guard = chainUnary(
		recovery.UnaryServerInterceptor(onPanic),
		rates.byAddress,
		func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			if asksOfServer(info.FullMethod) {
				return next(ctx, req) // a busy server is healthy, and says so
			}
			select {
			case places <- struct{}{}:
				defer func() { <-places }()
				return next(ctx, req)
			default:
				return nil, &service.Error{Reason: tooBusy, Message: "the server answers as many calls as it takes at once: call again in a moment"}
			}
		},
		func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			most := maxCall
			if service.Rules[info.FullMethod].Long {
				most = longCall
			}
			ctx, cancel := context.WithTimeout(ctx, most)
			defer cancel()
			return next(ctx, req)
		},
		func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			if strings.HasPrefix(info.FullMethod, "/grpc.") {
				return next(ctx, req) // whether the server is well, anyone may ask
			}
			shown := metadata.ValueFromIncomingContext(ctx, "authorization")
			admitted, early := admittedBefore(ctx, info.FullMethod, shown)
			if !early {
				var err error
				if err = rates.mayTry(ctx, info.FullMethod, shown); err != nil {
					return nil, err
				}
				if admitted, err = admit(ctx, info.FullMethod, shown); err != nil {
					rates.forget(shown)
					return nil, err
				}
			}
			if note, ok := ctx.Value(callerKey{}).(*caller); ok {
				if known := service.CallerOf(admitted); known != nil {
					*note = caller{known.Grower, known.Token}
				}
			}
			if !early {
				if err := rates.spend(admitted, info.FullMethod, shown); err != nil {
					return nil, err
				}
			}
			return next(admitted, req)
		},
	)
	unary = chainUnary(
		func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			return next(identify(ctx), req)
		},
		logging.UnaryServerInterceptor(logger, logOptions...),
		func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			answer, err := next(ctx, req)
			switch _, isStatus := status.FromError(err); {
			case err == nil:
				return answer, nil
			case isStatus && !strings.HasPrefix(info.FullMethod, "/dewbench."):
				return nil, err // the standard services have statuses of their own
			}
			return nil, toStatus(ctx, log, err).Err()
		},
		guard,
		rates.byContent,
		func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			if message, ok := req.(proto.Message); ok {
				if err := validate(ctx, validator, message); err != nil {
					return nil, err
				}
			}
			return next(ctx, req)
		},
	)
	// The streams are those of the standard reflection and health services, which answer
	// with statuses of their own, and uploads, which let their callers in by the guard and
	// then make a call.
	logStream := logging.StreamServerInterceptor(logger, logOptions...)
	recoverStream := recovery.StreamServerInterceptor(onPanic)
	stream = func(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		// A stream that only waits, as Watch of the health service does, ends when
		// the server stops.
		ctx, cancel := context.WithCancel(identify(ss.Context()))
		defer cancel()
		named := &namedStream{ServerStream: ss, ctx: ctx, stopping: stopping}
		if named.ours = strings.HasPrefix(info.FullMethod, "/dewbench."); !named.ours {
			defer context.AfterFunc(stopping, cancel)()
		}
		return logStream(srv, named, info, func(srv any, ss grpc.ServerStream) error {
			var err error
			if named.ctx, err = rates.streamByAddress(ss.Context(), info.FullMethod); err == nil {
				err = recoverStream(srv, named, info, handler)
			}
			if _, standard := status.FromError(err); err != nil && !standard {
				return toStatus(ss.Context(), log, err).Err()
			}
			return err
		})
	}
	return unary, guard, stream
}

// admittedCall is a call whose caller was let in before its body was read. It stands in
// the context of the request, where only this package can put it.
type admittedCall struct {
	method        string
	authorization []string
	ctx           context.Context // as the guard left it
}

type admittedKey struct{}

// admittedBefore returns the context of a call that was let in already. It must be the
// same call with the same token: a call may make others.
func admittedBefore(ctx context.Context, method string, authorization []string) (context.Context, bool) {
	before, _ := ctx.Value(admittedKey{}).(*admittedCall)
	if before == nil || before.method != method || !slices.Equal(before.authorization, authorization) {
		return nil, false
	}
	return valuesOf{ctx, before.ctx}, true
}

// valuesOf is a context with the values of another, which may have ended.
type valuesOf struct {
	context.Context
	other context.Context
}

func (v valuesOf) Value(key any) any {
	if value := v.Context.Value(key); value != nil {
		return value
	}
	return v.other.Value(key)
}

// asksOfServer tells whether a call is about the server itself.
func asksOfServer(method string) bool {
	return strings.HasPrefix(method, "/grpc.") || strings.HasPrefix(method, "/"+pb.ServerService_ServiceDesc.ServiceName+"/")
}

// level tells how loud an outcome is: callers' mistakes are news, ours are
// errors.
func level(code codes.Code) logging.Level {
	switch code {
	case codes.Internal, codes.Unknown, codes.DataLoss:
		return logging.LevelError
	case codes.DeadlineExceeded, codes.Unavailable, codes.ResourceExhausted:
		return logging.LevelWarn
	}
	return logging.LevelInfo
}

type namedStream struct {
	grpc.ServerStream
	ctx      context.Context
	ours     bool            // not of a standard service
	stopping context.Context // ends when the server stops
}

// RecvMsg receives a message, unless the server stops: who sends slowly does not hold it up.
// gRPC would answer a message that cannot be decoded by itself.
func (s *namedStream) RecvMsg(m any) error {
	if !s.ours {
		return s.ServerStream.RecvMsg(m)
	}
	e := &envelope{message: m}
	received := make(chan error, 1)
	go func() { received <- s.ServerStream.RecvMsg(e) }() // it ends with the stream
	select {
	case err := <-received:
		if err == nil && e.broken != nil {
			err = e.broken
		}
		return err
	case <-s.stopping.Done():
		return &service.Error{Reason: service.ShuttingDown, Message: "the server is stopping: call again in a moment"}
	}
}

func (s *namedStream) Context() context.Context { return s.ctx }

// chainUnary makes one interceptor of many. grpc.ChainUnaryInterceptor does the
// same, but only inside a grpc.Server.
func chainUnary(all ...grpc.UnaryServerInterceptor) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
		for i := len(all) - 1; i >= 0; i-- {
			interceptor, next := all[i], handler
			handler = func(ctx context.Context, req any) (any, error) { return interceptor(ctx, req, info, next) }
		}
		return handler(ctx, req)
	}
}

// throughChain returns the description of a service whose requests go through
// the chain even if they cannot be decoded. gRPC would answer those by itself, as
// internal errors, unlogged.
func throughChain(desc *grpc.ServiceDesc) *grpc.ServiceDesc {
	out := *desc
	out.Methods = make([]grpc.MethodDesc, len(desc.Methods))
	for i, m := range desc.Methods {
		handle := m.Handler
		out.Methods[i] = grpc.MethodDesc{MethodName: m.MethodName, Handler: func(
			srv any, ctx context.Context, decode func(any) error, interceptor grpc.UnaryServerInterceptor,
		) (any, error) {
			var e envelope
			return handle(srv, ctx,
				func(message any) error {
					e.message = message
					return decode(&e)
				},
				func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
					if e.broken != nil {
						req, handler = nil, func(context.Context, any) (any, error) { return nil, e.broken }
					}
					return interceptor(ctx, req, info, handler)
				})
		}}
	}
	return &out
}

// envelope is a request to be decoded, and what was wrong with it.
type envelope struct {
	message any
	broken  *service.Error
}

// requestCodec is the codec of protobuf, but what is wrong with a request goes
// into its envelope.
type requestCodec struct{ encoding.CodecV2 }

// Unmarshal decodes a message.
func (c requestCodec) Unmarshal(data mem.BufferSlice, v any) error {
	e, ok := v.(*envelope)
	if !ok { // of the standard services
		return c.CodecV2.Unmarshal(data, v)
	}
	switch {
	case data.Len() > service.MaxRequestBytes:
		e.broken = errTooLarge
	case data.Len() > mostFields && fields(data.Materialize(), depthOf(e.message)) > mostFields: // a field has a byte at least
		e.broken = errTooMany
	default:
		if err := c.CodecV2.Unmarshal(data, e.message); err != nil {
			e.broken = &service.Error{Reason: malformedRequest,
				Message: "the request is not a message of the type that the call takes, or its text is not UTF-8"}
		}
	}
	return nil
}

// refuseUnknown answers calls of methods that the server lacks.
func refuseUnknown(_ any, stream grpc.ServerStream) error {
	name, _ := grpc.MethodFromServerStream(stream)
	return newStatus(requestID(stream.Context()), unknownCall, "the server has no method "+name, nil).Err()
}

const (
	maxCall  = service.MaxCallSeconds * time.Second
	longCall = service.LongCallSeconds * time.Second
	// mostCalls is how many calls are under way at once. A call is a computation,
	// so more would only wait for each other.
	mostCalls = 64
)
