package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
	"dewbench/store"
)

func newCommand() *cobra.Command {
	var (
		r     remote
		place placeFlags
		again bool
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
	c.Flags().BoolVar(&again, "again", false, "make it although you have one of that name")
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
			all, err := conn.collections(ctx)
			if err != nil {
				return err
			}
			for _, other := range all {
				if table.Fold(other.GetDisplayName()) == table.Fold(args[0]) && !again {
					return fmt.Errorf("there is a collection %q already: to make another of that name add --again", other.GetDisplayName())
				}
			}
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
		change   bool
	)
	c := &cobra.Command{
		Use:   "bench [NAME]",
		Short: "Make or change a bench, or list the benches",
		Long: `Make a bench: a place whose plants share exposure. Its place in your round is behind
the others, unless you say so. With --change what you give is changed. Without a name,
the benches are listed.`,
		Example: "  dewbench bench \"South window\" --exposure windowsill\n  dewbench bench Bog --exposure outdoors --walk 3\n  dewbench bench Rack --exposure enclosed --lamp-hours 14\n  dewbench bench Rack --lamp-hours 12 --change\n  dewbench bench",
	}
	c.Flags().StringVar(&exposure, "exposure", "", "windowsill, greenhouse, outdoors or enclosed")
	c.Flags().Var(&lamps, "lamp-hours", "hours of lamp light a day, of an enclosed place")
	c.Flags().Int32Var(&walk, "walk", 0, "place in your round, from 0 (default behind the others)")
	c.Flags().BoolVar(&change, "change", false, "change a bench that is there")
	return onServer(c, 0, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		all, err := h.benches(ctx)
		if err != nil {
			return err
		}
		if len(args) == 0 {
			return writeBenches(in, all)
		}
		m := &pb.Bench{DisplayName: args[0], LampHours: lamps.value}
		if exposure != "" {
			what, err := table.Exposure(exposure)
			if err != nil {
				return fmt.Errorf("--exposure: %w", err)
			}
			m.Exposure = pb.Bench_Exposure(what)
		}
		if c.Flags().Changed("walk") {
			m.WalkOrder = &walk
		}
		inWords := fields(map[string]string{"displayName": "NAME", "lampHours": "--lamp-hours", "walkOrder": "--walk"})
		for _, b := range all {
			if table.Fold(b.GetDisplayName()) != table.Fold(args[0]) {
				continue
			}
			if !change {
				return fmt.Errorf("there is a bench %q already: to change it add --change", b.GetDisplayName())
			}
			return h.changeBench(ctx, in, b, m, inWords)
		}
		switch {
		case change:
			_, err := choose("bench", args[0], "say which bench", benchNames(all))
			if err == nil {
				err = fmt.Errorf("there is no bench %q: write its whole name", args[0])
			}
			return err
		case exposure == "":
			return errors.New("--exposure: say what its plants are exposed to: windowsill, greenhouse, outdoors or enclosed")
		case m.WalkOrder == nil:
			m.WalkOrder = behind(all)
		}
		made, err := pb.NewBenchServiceClient(h).CreateBench(ctx, &pb.CreateBenchRequest{Parent: h.GetName(), Bench: m, RequestId: newRequestID()})
		if err != nil {
			return h.said(err, inWords)
		}
		return writeBenches(in, []*pb.Bench{made})
	})
}

// lastWalk is the last place in a round.
const lastWalk = 1_000_000

// behind is the place in the round behind all benches. Where one has no place it goes
// behind those that have one, and the new one needs none either.
func behind(all []*pb.Bench) *int32 {
	next := int32(0)
	for _, b := range all {
		if b.WalkOrder == nil || b.GetWalkOrder() >= lastWalk {
			return nil
		}
		next = max(next, b.GetWalkOrder()+1)
	}
	return &next
}

// changeBench changes what is given of a bench.
func (h *home) changeBench(ctx context.Context, in inOut, b, m *pb.Bench, inWords func(string) string) error {
	m.Name, m.DisplayName = b.GetName(), ""
	var paths []string
	if m.GetExposure() != pb.Bench_EXPOSURE_UNSPECIFIED {
		paths = append(paths, "exposure")
	}
	if m.LampHours != nil {
		paths = append(paths, "lamp_hours")
	}
	if m.WalkOrder != nil {
		paths = append(paths, "walk_order")
	}
	if len(paths) == 0 {
		return errors.New("say what to change: --exposure, --lamp-hours or --walk")
	}
	now, err := pb.NewBenchServiceClient(h).UpdateBench(ctx, &pb.UpdateBenchRequest{
		Bench: m, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: newRequestID(),
	})
	if err != nil {
		return h.said(err, inWords)
	}
	if now.GetExposure() != b.GetExposure() && b.GetExposure() != pb.Bench_EXPOSURE_UNSPECIFIED {
		fmt.Fprintf(in.notes, "note: this counts for the past of %s too; where plants go out for the summer, use dewbench move\n", now.GetDisplayName())
	}
	return writeBenches(in, []*pb.Bench{now})
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
