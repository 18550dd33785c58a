package api

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// inProcess is a client connection that calls the server in the same process,
// through the same chain, without a socket and without encoding. Messages are
// shared, not copied: neither side changes one after handing it over.
type inProcess struct {
	chain   grpc.UnaryServerInterceptor
	guard   grpc.UnaryServerInterceptor // the part of the chain that lets a caller in
	methods map[string]inProcessMethod
}

type inProcessMethod struct {
	server any
	handle grpc.MethodHandler
}

func (c *inProcess) register(desc *grpc.ServiceDesc, server any) {
	for _, m := range desc.Methods {
		c.methods["/"+desc.ServiceName+"/"+m.MethodName] = inProcessMethod{server, m.Handler}
	}
}

// Invoke calls a unary method.
func (c *inProcess) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	m, ok := c.methods[method]
	if !ok {
		return newStatus("", unknownCall, "the server has no method "+method, nil).Err()
	}
	transport := &callTransport{method: method}
	sent, _ := metadata.FromOutgoingContext(ctx)
	ctx = grpc.NewContextWithServerTransportStream(metadata.NewIncomingContext(ctx, sent), transport)
	answer, err := m.handle(m.server, ctx, func(into any) error { return share(into, args) }, c.chain)
	for _, opt := range opts {
		switch o := opt.(type) {
		case grpc.HeaderCallOption:
			*o.HeaderAddr = transport.header
		case grpc.TrailerCallOption:
			*o.TrailerAddr = transport.trailer
		}
	}
	if err != nil {
		return err
	}
	return share(reply, answer)
}

// admit lets the caller of a method in before there is a request, or tells why not. A
// call in the context that it returns is not asked again.
func (c *inProcess) admit(ctx context.Context, method string, authorization []string) (context.Context, error) {
	asking := metadata.NewIncomingContext(ctx, metadata.MD{"authorization": authorization})
	admitted, err := c.guard(asking, nil, &grpc.UnaryServerInfo{FullMethod: method}, func(ctx context.Context, _ any) (any, error) { return ctx, nil })
	if err != nil {
		return nil, err
	}
	return context.WithValue(ctx, admittedKey{}, &admittedCall{method, authorization, admitted.(context.Context)}), nil
}

// NewStream is not offered: no call with a route is a stream.
func (c *inProcess) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, status.Error(codes.Unimplemented, "streams need a network connection")
}

// share makes into a shallow copy of from.
func share(into, from any) error {
	a, okA := into.(proto.Message)
	b, okB := from.(proto.Message)
	if !okA || !okB {
		return fmt.Errorf("share %T with %T: not messages", from, into)
	}
	dst, src := a.ProtoReflect(), b.ProtoReflect()
	if dst.Descriptor() != src.Descriptor() {
		return fmt.Errorf("share %s with %s: different messages", src.Descriptor().FullName(), dst.Descriptor().FullName())
	}
	src.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		dst.Set(field, value)
		return true
	})
	return nil
}

// callTransport gathers the headers that a call sets.
type callTransport struct {
	method          string
	header, trailer metadata.MD
}

func (t *callTransport) Method() string { return t.method }

func (t *callTransport) SetHeader(md metadata.MD) error {
	t.header = metadata.Join(t.header, md)
	return nil
}

func (t *callTransport) SendHeader(md metadata.MD) error { return t.SetHeader(md) }

func (t *callTransport) SetTrailer(md metadata.MD) error {
	t.trailer = metadata.Join(t.trailer, md)
	return nil
}

// WithToken returns a connection whose calls bear a token, unless they bear one already.
func WithToken(conn grpc.ClientConnInterface, token string) grpc.ClientConnInterface {
	return &bearing{conn, token}
}

type bearing struct {
	grpc.ClientConnInterface
	token string
}

func (b *bearing) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	return b.ClientConnInterface.Invoke(b.shown(ctx), method, args, reply, opts...)
}

func (b *bearing) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return b.ClientConnInterface.NewStream(b.shown(ctx), desc, method, opts...)
}

func (b *bearing) shown(ctx context.Context) context.Context {
	if sent, _ := metadata.FromOutgoingContext(ctx); len(sent.Get("authorization")) > 0 {
		return ctx
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+b.token)
}
