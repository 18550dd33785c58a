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
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"dewbench/api"
	"dewbench/service"
	"dewbench/store"
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
	var (
		doors         doors
		d             database
		rates         rateFlags
		sign          signInFlags
		format, level string
	)
	c := &cobra.Command{
		Use:   "serve",
		Short: "Keep records and answer over gRPC and HTTP until stopped",
		Long: `Keep records and answer over gRPC and HTTP until stopped by an interrupt or SIGTERM.
Calls under way are finished first; a second signal ends it at once. It listens on
this machine only, unless told otherwise. The output says which database is used and
where the doors are; the log goes to standard error.

A SQLite file is made if it is not there, and its schema is brought up to date at
every start. On Postgres run dewbench migrate first, and after an update of the
program. A schema that is newer than the program is refused. To make growers and
their tokens see dewbench grower --help.

Once an hour what was deleted 30 days ago is removed for good, and what else has been
kept as long as the README says under "What is kept, and how long".

Who calls more often than is taken in a minute is refused for some seconds, by the
token and by the address, or if tokens are tried out. Behind a proxy all calls come
from its address: name it with --trusted-proxies, and have it set X-Forwarded-For or
Forwarded.

With --oidc-issuer it also takes access tokens of that issuer (OpenID Connect), if they
are for one of the audiences that you name: names of this server, never the id of a
client. It fetches the issuer's keys when it first needs them.

` + photosHelp + `

` + databaseHelp,
		Example: "  dewbench serve\n" +
			"  dewbench serve --database-url sqlite:/srv/dewbench.db --http-addr 127.0.0.1:9000 --log-format json\n" +
			"  dewbench serve --oidc-issuer https://id.example=https://plants.example --oidc-party https://id.example=bench-app",
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			var l slog.Level
			if err := l.UnmarshalText([]byte(level)); err != nil {
				return fmt.Errorf("--log-level %s: must be debug, info, warn or error", level)
			}
			if format != "text" && format != "json" {
				return fmt.Errorf("--log-format %s: must be text or json", format)
			}
			taken, err := rates.read()
			if err != nil {
				return err
			}
			takes, err := sign.read()
			if err != nil {
				return err
			}
			return serveRecords(c.Context(), c.OutOrStdout(), &doors, &d, taken, takes, newLog(c.ErrOrStderr(), format == "json", l))
		},
	}
	d.add(c)
	d.addPhotos(c)
	doors.flags(c)
	rates.flags(c)
	sign.add(c)
	c.Flags().StringVar(&format, "log-format", "text", "text or json")
	c.Flags().StringVar(&level, "log-level", "info", "debug, info, warn or error")
	return c
}

// serveRecords opens the doors and the database, and answers until ctx ends.
func serveRecords(ctx context.Context, out io.Writer, doors *doors, d *database, rates service.Rates, takes service.SignIn, log *slog.Logger) (err error) {
	// First the doors, so that the database is left alone if another server runs.
	grpcListener, httpListener, err := doors.open(ctx)
	if err != nil {
		return err
	}
	defer grpcListener.Close() // for the second time, if it was served
	defer httpListener.Close()
	s, err := d.openToServe(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	photos, err := d.openPhotos(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, photos.Close()) }()
	server, err := d.newServer(ctx, service.Config{Store: s, Blobs: photos, Log: log, Version: ownVersion(), Build: ownBuild(), Rates: rates, SignIn: takes})
	if err != nil {
		return err
	}
	if err := welcome(ctx, out, d, s, photos); err != nil {
		return err
	}
	return serveStore(ctx, out, server, s, log, grpcListener, httpListener)
}

// serveStore answers until ctx ends, and removes meanwhile what was deleted long ago.
func serveStore(ctx context.Context, out io.Writer, server *api.Server, s *store.Store, log *slog.Logger, grpcListener, httpListener net.Listener) error {
	sweeping, stop := context.WithCancel(ctx)
	var work sync.WaitGroup
	work.Go(func() {
		hourly := time.NewTicker(time.Hour)
		defer hourly.Stop()
		sweep(sweeping, s, log, time.Now, hourly.C)
	})
	// Two, as keeping what is due may take minutes.
	work.Go(func() {
		minutely := time.NewTicker(time.Minute)
		defer minutely.Stop()
		bringUpToDate(sweeping, log, plantsUpToDate, server.SettlePending, minutely.C, nil)
	})
	work.Go(func() {
		minutely := time.NewTicker(time.Minute)
		defer minutely.Stop()
		bringUpToDate(sweeping, log, plantsUpToDate, server.RefreshDue, minutely.C, server.Untrue())
	})
	work.Go(func() {
		minutely := time.NewTicker(time.Minute)
		defer minutely.Stop()
		bringUpToDate(sweeping, log, "bring all erasures of growers to their end", func(ctx context.Context) error {
			return service.FinishErasures(ctx, s, time.Now())
		}, minutely.C, nil)
	})
	work.Go(func() {
		hourly := time.NewTicker(time.Hour)
		defer hourly.Stop()
		bringUpToDate(sweeping, log, "remove all files of photos that are gone", server.SweepPhotos, hourly.C, nil)
	})
	work.Go(func() {
		if err := server.Work(sweeping); err != nil {
			log.ErrorContext(ctx, "jobs are no longer run: restart the server", "error", err)
		}
	})
	err := serve(ctx, out, server, grpcListener, httpListener)
	stop()
	work.Wait()
	return err
}

// welcome says which database and which bucket are used and, as long as there is no
// grower, how to make one.
func welcome(ctx context.Context, out io.Writer, d *database, s *store.Store, photos *store.Blobs) error {
	if _, err := fmt.Fprintf(out, "database: %s\nphotos: %s\n", d.shown(), photos); err != nil {
		return err
	}
	var first []store.GrowerEntry
	err := s.Read(ctx, func(tx *store.Tx) (err error) {
		first, err = tx.Growers("", 1)
		return err
	})
	if err != nil || len(first) > 0 {
		return err
	}
	flag, note := d.again()
	if note != "" {
		note = ", " + note
	}
	_, err = fmt.Fprintf(out, "There is no grower yet. Make the first in another window%s:\n\n  dewbench grower add \"YOUR NAME\" %s\n\n", note, flag)
	return err
}

// plantsUpToDate is what SettlePending and RefreshDue do.
const plantsUpToDate = "bring all plants up to date"

// bringUpToDate does so, at once, at every tick, and when a call has changed what many
// plants share, until ctx ends. what says so in words.
func bringUpToDate(ctx context.Context, log *slog.Logger, what string, do func(context.Context) error, ticks <-chan time.Time, untrue <-chan struct{}) {
	for {
		if err := do(ctx); err != nil && ctx.Err() == nil {
			log.ErrorContext(ctx, "cannot "+what+"; it is tried again at the next turn", "error", err)
		}
		select {
		case <-ticks:
		case <-untrue:
		case <-ctx.Done():
			return
		}
	}
}

// sweep removes what was deleted long ago: at once, and at every tick until ctx ends.
func sweep(ctx context.Context, s *store.Store, log *slog.Logger, now func() time.Time, ticks <-chan time.Time) {
	for {
		rows, err := service.Sweep(ctx, s, now())
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			log.ErrorContext(ctx, "cannot remove all that was deleted long ago; it is tried again in an hour", "error", err)
		}
		if rows > 0 {
			log.InfoContext(ctx, "removed what was deleted long ago", "rows", rows)
		}
		select {
		case <-ticks:
		case <-ctx.Done():
			return
		}
	}
}
