package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
)

// demoRows is how many plants of each status the demo lists.
const demoRows = 6

func demoCommand() *cobra.Command {
	var d doors
	var once bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "List what is due today in an invented collection, then answer calls",
		Long: "List what is due today in an invented collection of some four hundred pots, print calls to try,\n" +
			"and answer over gRPC and HTTP until stopped. What is recorded meanwhile is thrown away at the end.",
		Example: "  dewbench demo\n  dewbench demo --once",
		Args:    noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			return runDemo(c.Context(), c.OutOrStdout(), &d, once, newLog(c.ErrOrStderr(), false, slog.LevelWarn))
		},
	}
	d.flags(c)
	c.Flags().BoolVar(&once, "once", false, "list and exit, without answering calls")
	return c
}

func runDemo(ctx context.Context, out io.Writer, d *doors, once bool, log *slog.Logger) (err error) {
	var grpcListener, httpListener net.Listener
	if !once { // before the list, to say at once if it cannot
		if grpcListener, httpListener, err = d.open(ctx); err != nil {
			return err
		}
		defer grpcListener.Close() // for the second time, if it was served
		defer httpListener.Close()
	}
	s, err := newScratch(ctx, log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	today := civil.Of(time.Now(), time.Local)
	if err := listToday(ctx, out, s.conn(), today); err != nil || once {
		return err
	}
	if err := tryThese(out, today, reachable(httpListener.Addr()), reachable(grpcListener.Addr()), s.token); err != nil {
		return err
	}
	return serve(ctx, out, s.server, grpcListener, httpListener)
}

// listToday lists what is due today in the invented collection.
func listToday(ctx context.Context, out io.Writer, conn grpc.ClientConnInterface, today civil.Day) error {
	known, err := readNames(ctx, conn)
	if err != nil {
		return err
	}
	collection, pots, err := scenario(today, known)
	if err != nil {
		return err
	}
	rows, err := compute(ctx, conn, collection, pots)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(out, "Feeding list for %s of an invented collection: %s on %s\nYou are away from %s and back on %s.\n",
		today, count(len(pots), "pot"), fmt.Sprintf("%d benches", len(stands)), today+awayFrom, today+awayUntil); err != nil {
		return err
	}
	list := listing{most: demoRows, horizon: service.UsualHorizonDays, shown: func(pb.DueFeeding_Status) bool { return true }}
	written, err := list.write(out, rows)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "\nThe codes above:\n%s", legend(written))
	return err
}

// tryThese prints calls that work as they stand.
func tryThese(w io.Writer, today civil.Day, httpAddress, grpcAddress, token string) error {
	request := fmt.Sprintf(`{"asOfDate":%q,"plants":[{"key":"D12","taxon":"taxa/drosera-spatulata",`+
		`"exposure":"WINDOWSILL","feedings":[{"fedDate":%q,"trapsFed":2,"outcome":"CLEAN"}]}]}`, today, today-11)
	_, err := fmt.Fprintf(w, `
Try, in another window:

  curl -s 'http://%[1]s/v1/serverInfo'
  curl -s --get 'http://%[1]s/v1/taxa' -H '%[4]s' --data-urlencode 'filter=trapType = SNAP'
  curl -s 'http://%[1]s/v1/dueFeedings:compute' -H '%[4]s' -H 'Content-Type: application/json' -d '%[3]s'

These need grpcurl, a program of its own:

  grpcurl -plaintext %[2]s list
  grpcurl -plaintext -H '%[4]s' -d '%[3]s' %[2]s dewbench.v1.DueService/ComputeDue

Stop with Ctrl-C.

`, httpAddress, grpcAddress, request, "Authorization: Bearer "+token)
	return err
}
