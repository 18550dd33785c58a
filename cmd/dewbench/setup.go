package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
	"dewbench/store"
)

func newCommand() *cobra.Command {
	var (
		r     remote
		place placeFlags
	)
	c := &cobra.Command{
		Use:   "new NAME",
		Short: "Make a collection",
		Long: `Make a collection of yours. Its time zone tells on which day something happened, its
latitude when plants rest.`,
		Example: "  dewbench new \"Home\" --time-zone Europe/Berlin --latitude 52\n  dewbench new \"Shed\" --time-zone Australia/Hobart --latitude -43 --weekdays wed,sat",
		Args:    argumentsOf(1, 1),
	}
	r.add(c)
	place.add(c, "for the days of records")
	c.RunE = func(c *cobra.Command, args []string) error {
		w, err := place.read()
		if err != nil {
			return err
		}
		if w.zone == nil {
			return errors.New("--time-zone: say where the plants are, such as Europe/Berlin")
		}
		m := &pb.Collection{
			DisplayName: args[0], TimeZone: w.zone.String(), LatitudeDeg: w.latitude, Hemisphere: w.hemisphere, FeedingWeekdays: w.weekdays,
		}
		return r.connected(c, func(ctx context.Context, conn *client, in inOut) error {
			made, err := pb.NewCollectionServiceClient(conn).CreateCollection(ctx, &pb.CreateCollectionRequest{Collection: m, RequestId: newRequestID()})
			if err != nil {
				return conn.said(err, fields(map[string]string{"timeZone": "--time-zone", "latitudeDeg": "--latitude", "displayName": "NAME"}))
			}
			_, err = fmt.Fprintf(in.out, "%s: %s, %s\n", made.GetName(), made.GetDisplayName(), made.GetTimeZone())
			return err
		})
	}
	return c
}

func benchCommand() *cobra.Command {
	var (
		exposure string
		lamps    = decimal{rule: "must be hours such as 14 or 14,5"}
		walk     int32
	)
	c := &cobra.Command{
		Use:   "bench [NAME]",
		Short: "Make a bench, or list the benches",
		Long: `Make a bench: a place whose plants share exposure. Its place in your round is behind
the others, unless you say so. Without a name, the benches are listed.`,
		Example: "  dewbench bench \"South window\" --exposure windowsill\n  dewbench bench Bog --exposure outdoors --walk 3\n  dewbench bench Rack --exposure enclosed --lamp-hours 14\n  dewbench bench",
	}
	c.Flags().StringVar(&exposure, "exposure", "", "windowsill, greenhouse, outdoors or enclosed")
	c.Flags().Var(&lamps, "lamp-hours", "hours of lamp light a day, of an enclosed place")
	c.Flags().Int32Var(&walk, "walk", 0, "place in your round, from 0 (default behind the others)")
	return onServer(c, 0, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		all, err := h.benches(ctx)
		if err != nil {
			return err
		}
		if len(args) == 0 {
			return writeBenches(in, all)
		}
		for _, b := range all {
			if table.Fold(b.GetDisplayName()) == table.Fold(args[0]) {
				return fmt.Errorf("there is a bench %q already", b.GetDisplayName())
			}
		}
		if exposure == "" {
			return errors.New("--exposure: say what its plants are exposed to: windowsill, greenhouse, outdoors or enclosed")
		}
		what, err := table.Exposure(exposure)
		if err != nil {
			return fmt.Errorf("--exposure: %w", err)
		}
		m := &pb.Bench{DisplayName: args[0], Exposure: pb.Bench_Exposure(what), LampHours: lamps.value}
		if c.Flags().Changed("walk") {
			m.WalkOrder = &walk
		}
		made, err := pb.NewBenchServiceClient(h).CreateBench(ctx, &pb.CreateBenchRequest{Parent: h.GetName(), Bench: m, RequestId: newRequestID()})
		if err != nil {
			return h.said(err, fields(map[string]string{"displayName": "NAME", "lampHours": "--lamp-hours", "walkOrder": "--walk"}))
		}
		return writeBenches(in, []*pb.Bench{made})
	})
}

func writeBenches(in inOut, all []*pb.Bench) error {
	rows := [][]string{{"BENCH", "EXPOSURE", "ID"}}
	for _, b := range all {
		rows = append(rows, []string{printable(b.GetDisplayName()), exposureWords(b.GetExposure()), store.Segment(b.GetName(), "benches")})
	}
	return writeTable(in.out, rows)
}

func exposureWords(e pb.Bench_Exposure) string {
	if e == pb.Bench_EXPOSURE_UNSPECIFIED {
		return "-"
	}
	return enumWords(e)
}
