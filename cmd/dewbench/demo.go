package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
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
			"and answer over gRPC and HTTP until stopped. Nothing is stored.",
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error {
			server, err := newServer(c.ErrOrStderr(), false, slog.LevelWarn)
			if err != nil {
				return err
			}
			today := civil.Of(time.Now(), time.Local)
			if once {
				return listToday(c.Context(), c.OutOrStdout(), server.Conn(), today)
			}
			grpcListener, httpListener, err := d.open(c.Context()) // before the list, to say at once if it cannot
			if err != nil {
				return err
			}
			out := c.OutOrStdout()
			if err := listToday(c.Context(), out, server.Conn(), today); err != nil {
				return err
			}
			if err := tryThese(out, today, reachable(httpListener.Addr()), reachable(grpcListener.Addr())); err != nil {
				return err
			}
			return serve(c.Context(), out, server, grpcListener, httpListener)
		},
	}
	d.flags(c)
	c.Flags().BoolVar(&once, "once", false, "list and exit, without answering calls")
	return c
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
func tryThese(w io.Writer, today civil.Day, httpAddress, grpcAddress string) error {
	request := fmt.Sprintf(`{"asOfDate":%q,"plants":[{"key":"D12","taxon":"taxa/drosera-spatulata",`+
		`"exposure":"WINDOWSILL","feedings":[{"fedDate":%q,"trapsFed":2,"outcome":"CLEAN"}]}]}`, today, today-11)
	_, err := fmt.Fprintf(w, `
Try, in another window:

  curl -s 'http://%[1]s/v1/serverInfo'
  curl -s --get 'http://%[1]s/v1/taxa' --data-urlencode 'filter=trapType = SNAP'
  curl -s 'http://%[1]s/v1/dueFeedings:compute' -H 'Content-Type: application/json' -d '%[3]s'

These need grpcurl, a program of its own:

  grpcurl -plaintext %[2]s list
  grpcurl -plaintext -d '%[3]s' %[2]s dewbench.v1.DueService/ComputeDue

Stop with Ctrl-C.

`, httpAddress, grpcAddress, request)
	return err
}
