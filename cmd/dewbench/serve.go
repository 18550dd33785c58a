package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"strconv"
	"syscall"

	"github.com/spf13/cobra"

	"dewbench/api"
)

const (
	usualHTTPAddress = "127.0.0.1:8480"
	usualGRPCAddress = "127.0.0.1:8490"
)

// doors are the addresses to listen on.
type doors struct{ http, grpc string }

// flags adds the flags for the addresses. The environment gives their defaults.
func (d *doors) flags(c *cobra.Command) {
	c.Flags().StringVar(&d.http, "http-addr", fromEnvironment("DEWBENCH_HTTP_ADDR", usualHTTPAddress),
		"address of the HTTP door; port 0 takes a free one (environment: DEWBENCH_HTTP_ADDR)")
	c.Flags().StringVar(&d.grpc, "grpc-addr", fromEnvironment("DEWBENCH_GRPC_ADDR", usualGRPCAddress),
		"address of the gRPC door; port 0 takes a free one (environment: DEWBENCH_GRPC_ADDR)")
}

func fromEnvironment(name, usual string) string {
	return cmp.Or(os.Getenv(name), usual)
}

// open listens on both doors.
func (d *doors) open(ctx context.Context) (grpcListener, httpListener net.Listener, err error) {
	if grpcListener, err = listen(ctx, "--grpc-addr", d.grpc); err != nil {
		return nil, nil, err
	}
	if httpListener, err = listen(ctx, "--http-addr", d.http); err != nil {
		_ = grpcListener.Close() // nothing was served on it
		return nil, nil, err
	}
	return grpcListener, httpListener, nil
}

func listen(ctx context.Context, flag, address string) (net.Listener, error) {
	if address == "" { // package net would take all addresses of the machine, and any port
		return nil, fmt.Errorf("%s: must not be empty; give host and port, such as 127.0.0.1:0", flag)
	}
	var config net.ListenConfig
	l, err := config.Listen(ctx, "tcp", address)
	if err == nil {
		return l, nil
	}
	var of *net.OpError
	if errors.As(err, &of) {
		err = of.Err // without the address, which stands before it
	}
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, fmt.Errorf("%s %s: another program listens there; stop it, or take a free port with %[1]s 127.0.0.1:0", flag, address)
	}
	return nil, fmt.Errorf("%s %s: %w; give host and port, such as 127.0.0.1:0", flag, address, err)
}

// reachable writes an address so that a client on this machine can use it: one
// that stands for all of the machine's addresses as the loopback one.
func reachable(a net.Addr) string {
	tcp, ok := a.(*net.TCPAddr)
	if !ok || !tcp.IP.IsUnspecified() {
		return a.String()
	}
	return net.JoinHostPort("127.0.0.1", strconv.Itoa(tcp.Port))
}

// serve prints where the doors are and answers until ctx ends.
func serve(ctx context.Context, out io.Writer, server *api.Server, grpcListener, httpListener net.Listener) error {
	if _, err := fmt.Fprintf(out, "http: http://%s\ngrpc: %s\n", reachable(httpListener.Addr()), reachable(grpcListener.Addr())); err != nil {
		return err
	}
	return server.Serve(ctx, grpcListener, httpListener)
}

func serveCommand() *cobra.Command {
	var d doors
	var format, level string
	c := &cobra.Command{
		Use:   "serve",
		Short: "Answer over gRPC and HTTP until stopped",
		Long: "Answer over gRPC and HTTP until stopped by an interrupt or SIGTERM. Calls under way are\n" +
			"finished first; a second signal ends it at once.\n" +
			"It listens on this machine only, unless told otherwise.",
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			var l slog.Level
			if err := l.UnmarshalText([]byte(level)); err != nil {
				return fmt.Errorf("--log-level %s: must be debug, info, warn or error", level)
			}
			if format != "text" && format != "json" {
				return fmt.Errorf("--log-format %s: must be text or json", format)
			}
			server, err := newServer(c.ErrOrStderr(), format == "json", l)
			if err != nil {
				return err
			}
			grpcListener, httpListener, err := d.open(c.Context())
			if err != nil {
				return err
			}
			return serve(c.Context(), c.OutOrStdout(), server, grpcListener, httpListener)
		},
	}
	d.flags(c)
	c.Flags().StringVar(&format, "log-format", "text", "text or json")
	c.Flags().StringVar(&level, "log-level", "info", "debug, info, warn or error")
	return c
}
