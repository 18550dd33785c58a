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
type doors struct{ http, grpc door }

// door is one of them: its flag and variable, and whether the flag was used.
type door struct {
	address, flag, variable string
	flagged                 func() bool
}

// flags adds the flags for the addresses. The environment gives their defaults.
func (d *doors) flags(c *cobra.Command) {
	d.http.add(c, "http-addr", "DEWBENCH_HTTP_ADDR", "HTTP", usualHTTPAddress)
	d.grpc.add(c, "grpc-addr", "DEWBENCH_GRPC_ADDR", "gRPC", usualGRPCAddress)
}

func (d *door) add(c *cobra.Command, flag, variable, what, usual string) {
	d.flag, d.variable = "--"+flag, variable
	d.flagged = func() bool { return c.Flags().Changed(flag) }
	c.Flags().StringVar(&d.address, flag, cmp.Or(os.Getenv(variable), usual),
		fmt.Sprintf("address of the %s door; port 0 takes a free one (environment: %s)", what, variable))
}

// name says what gave the address: the flag or the environment.
func (d *door) name() string {
	if !d.flagged() && os.Getenv(d.variable) != "" {
		return d.variable
	}
	return d.flag
}

// open listens on both doors.
func (d *doors) open(ctx context.Context) (grpcListener, httpListener net.Listener, err error) {
	if d.one() {
		return nil, nil, fmt.Errorf("%s %s and %s %s are the same address: give each door a port of its own, or port 0 for a free one",
			d.http.name(), d.http.address, d.grpc.name(), d.grpc.address)
	}
	if grpcListener, err = d.grpc.listen(ctx); err != nil {
		return nil, nil, err
	}
	if httpListener, err = d.http.listen(ctx); err != nil {
		_ = grpcListener.Close() // nothing was served on it
		return nil, nil, err
	}
	return grpcListener, httpListener, nil
}

// one tells whether both doors would take the same port of the same address.
// Whether an address is one at all is told later.
func (d *doors) one() bool {
	a, errA := net.ResolveTCPAddr("tcp", d.http.address)
	b, errB := net.ResolveTCPAddr("tcp", d.grpc.address)
	if errA != nil || errB != nil || a.Port != b.Port || a.Port == 0 {
		return false
	}
	everywhere := func(ip net.IP) bool { return len(ip) == 0 || ip.IsUnspecified() }
	return a.IP.Equal(b.IP) || everywhere(a.IP) || everywhere(b.IP)
}

func (d *door) listen(ctx context.Context) (net.Listener, error) {
	if d.address == "" { // package net would take all addresses of the machine, and any port
		return nil, fmt.Errorf("%s: must not be empty; give host and port, such as 127.0.0.1:0", d.name())
	}
	var config net.ListenConfig
	l, err := config.Listen(ctx, "tcp", d.address)
	if err == nil {
		return l, nil
	}
	var of *net.OpError
	if errors.As(err, &of) {
		err = of.Err // without the address, which stands before it
	}
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, fmt.Errorf("%s %s: another program listens there; stop it, or take a free port with %s 127.0.0.1:0", d.name(), d.address, d.flag)
	}
	return nil, fmt.Errorf("%s %s: %w; give host and port, such as 127.0.0.1:0", d.name(), d.address, err)
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
