package main

import (
	"fmt"
	"io"
	"log/slog"
	"net"
	"time"

	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
)

// demoRows is how many plants of each status the demo lists.
const demoRows = 8

func demoCommand() *cobra.Command {
	var d doors
	var once bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "List what is due today in an invented collection, then answer calls",
		Long: "List what is due today in an invented collection of some four hundred pots, print calls to try,\n" +
			"and answer over gRPC and HTTP until stopped. Nothing is stored.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			level := slog.LevelWarn
			server, err := newServer(c.ErrOrStderr(), false, level)
			if err != nil {
				return err
			}
			known, err := readNames(c.Context(), server.Conn())
			if err != nil {
				return err
			}
			today := civil.Of(time.Now(), time.Local)
			collection, pots, err := scenario(today, known)
			if err != nil {
				return err
			}
			rows, err := compute(c.Context(), server.Conn(), collection, pots)
			if err != nil {
				return plain(err)
			}
			out := c.OutOrStdout()
			if _, err := fmt.Fprintf(out, "Feeding list of an invented collection for %s: %d pots on %d benches\n",
				today, len(pots), len(stands)); err != nil {
				return err
			}
			if err := print(out, rows, demoRows, func(pb.DueFeeding_Status) bool { return true }); err != nil {
				return err
			}
			if once {
				return nil
			}
			grpcListener, httpListener, err := d.open(c.Context())
			if err != nil {
				return err
			}
			if err := tryThese(out, today, httpListener.Addr(), grpcListener.Addr()); err != nil {
				return err
			}
			return serve(c.Context(), out, server, grpcListener, httpListener)
		},
	}
	d.flags(c)
	c.Flags().BoolVar(&once, "once", false, "list and exit, without answering calls")
	return c
}

// tryThese prints calls that work as they stand.
func tryThese(w io.Writer, today civil.Day, httpAddress, grpcAddress net.Addr) error {
	request := fmt.Sprintf(`{"asOfDate":%q,"plants":[{"key":"D12","taxon":"taxa/drosera-spatulata",`+
		`"exposure":"WINDOWSILL","feedings":[{"fedDate":%q,"trapsFed":2,"outcome":"CLEAN"}]}]}`, today, today-11)
	_, err := fmt.Fprintf(w, `
Try, in another window:

  curl -s http://%[1]s/v1/serverInfo
  curl -s --get http://%[1]s/v1/taxa --data-urlencode 'filter=trapType = SNAP'
  curl -s http://%[1]s/v1/dueFeedings:compute -H 'Content-Type: application/json' -d '%[3]s'
  grpcurl -plaintext %[2]s list
  grpcurl -plaintext -d '%[3]s' %[2]s dewbench.v1.DueService/ComputeDue

Stop with Ctrl-C.

`, httpAddress, grpcAddress, request)
	return err
}
