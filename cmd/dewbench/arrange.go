package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
)

// mostTags is how many tags a line names.
const mostTags = 12

func divideCommand() *cobra.Command {
	var (
		remaining int32
		onto      string
	)
	c := &cobra.Command{
		Use:   "divide TAG NEWTAG...",
		Short: "Record that a plant was divided, and add the new ones",
		Long: `Record that a plant was divided: each new tag is a new plant on record, with the
divided one as its parent, on the same bench. None of them is fed until they have
settled.`,
		Example: "  dewbench divide D12 D50 D51\n  dewbench divide D12 D50 --remaining 3 --bench \"North window\"",
	}
	c.Flags().Int32Var(&remaining, "remaining", 0, "plants that the divided pot holds then (default as many less, but at least one)")
	c.Flags().StringVar(&onto, "bench", "", "bench of the new plants (default that of the divided one)")
	return dated(c, 2, -1, func(ctx context.Context, h *home, args []string, day *string, in inOut) error {
		req := &pb.DividePlantRequest{Name: h.anyPlant(), Tag: args[0], Tags: args[1:], DivideDate: day, RequestId: newRequestID()}
		if c.Flags().Changed("remaining") {
			req.RemainingQuantity = &remaining
		}
		if onto != "" {
			bench, err := h.bench(ctx, onto)
			if err != nil {
				return err
			}
			req.Bench = bench.GetName()
		}
		answer, err := pb.NewSessionServiceClient(h).DividePlant(ctx, req)
		if err != nil {
			return h.said(err, func(field string) string {
				if strings.HasPrefix(field, "tags[") {
					return "NEWTAG"
				}
				return fields(dayWords)(field)
			})
		}
		tags := make([]string, len(answer.GetPlants()))
		name := ""
		for i, p := range answer.GetPlants() {
			tags[i], name = p.GetTag(), fullName(p)
		}
		on := ""
		for _, o := range answer.GetObservations() {
			on = " on " + o.GetObserveDate()
		}
		if _, err := fmt.Fprintf(in.out, "%s %s%s: divided into %s\n", args[0], name, on, strings.Join(tags, ", ")); err != nil {
			return err
		}
		return writeUndo(in.out, req.GetRequestId())
	})
}

// benchOrTag finds what text means: a bench, or the plant with that tag, or else the
// bench that begins so.
func (h *home) benchOrTag(ctx context.Context, text string) (*pb.Bench, *pb.Plant, error) {
	all, err := h.benches(ctx)
	if err != nil {
		return nil, nil, err
	}
	plant, err := pb.NewPlantServiceClient(h).GetPlant(ctx, &pb.GetPlantRequest{Name: h.anyPlant(), Tag: text})
	if code := status.Code(err); err != nil && code != codes.NotFound && code != codes.InvalidArgument {
		return nil, nil, h.said(err, fields(dayWords))
	}
	exact, _ := fits(text, benchNames(all))
	if err == nil {
		if len(exact) > 0 {
			return nil, nil, fmt.Errorf("%q is both a bench and a tag: give the bench by its id (%s)", text, benchNames(all)[exact[0]].id)
		}
		return nil, plant, nil
	}
	i, notBench := choose("bench", text, "say which bench", benchNames(all))
	if notBench != nil {
		return nil, nil, fmt.Errorf("%w\n%w", h.said(err, fields(dayWords)), notBench)
	}
	return all[i], nil, nil
}

func moveCommand() *cobra.Command {
	var except []string
	c := &cobra.Command{
		Use:   "move FROM... TOBENCH",
		Short: "Record that the plants of benches, or single plants, moved to another bench",
		Long: `Record that all plants of a bench moved to another bench, or that one plant did: each
FROM is a bench, or the tag of a plant.`,
		Example: "  dewbench move \"South window\" Bog --date 2026-05-15\n  dewbench move south north bog --except D12,D40\n  dewbench move D12 D13 bog",
	}
	c.Flags().StringSliceVarP(&except, "except", "e", nil, "tags of plants that stay, as D12,D40")
	return dated(c, 2, -1, func(ctx context.Context, h *home, args []string, day *string, in inOut) error {
		to, err := h.bench(ctx, args[len(args)-1])
		if err != nil {
			return err
		}
		fact := &pb.Observation{ObserveDate: day, Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: to.GetName()}}}
		return h.arrange(ctx, in, args[:len(args)-1], except, fact, []*pb.Bench{to}, func(b *pb.Bench, except []string, id string, only bool) ([]*pb.Observation, error) {
			req := &pb.MovePlantsRequest{Name: b.GetName(), ToBench: to.GetName(), MoveDate: day, ExceptTags: except, RequestId: id, ValidateOnly: only}
			answer, err := pb.NewSessionServiceClient(h).MovePlants(ctx, req)
			return answer.GetObservations(), err
		})
	})
}

// arrange does the same to all plants of benches, by a call for each, and to single
// plants, of each of which it records the observation. benches are those that it names.
func (h *home) arrange(ctx context.Context, in inOut, args, except []string, one *pb.Observation, named []*pb.Bench,
	call func(b *pb.Bench, except []string, id string, only bool) ([]*pb.Observation, error),
) error {
	var benches []*pb.Bench
	var plants []*pb.Plant
	if len(args) == 1 && table.Fold(args[0]) == everyBench {
		all, err := h.benchesOf(ctx, args, "")
		if err != nil {
			return err
		}
		benches = slices.DeleteFunc(all, func(b *pb.Bench) bool {
			return slices.ContainsFunc(named, func(to *pb.Bench) bool { return to.GetName() == b.GetName() })
		})
		args = nil
	}
	for _, text := range args {
		bench, plant, err := h.benchOrTag(ctx, text)
		switch {
		case err != nil:
			return err
		case plant != nil:
			plants = append(plants, plant)
		case !slices.ContainsFunc(benches, func(b *pb.Bench) bool { return b.GetName() == bench.GetName() }):
			benches = append(benches, bench)
		}
	}
	if len(benches) == 0 && len(except) > 0 {
		return errors.New("--except goes with a bench, not with single plants")
	}
	for _, p := range plants {
		if err := h.stillThere(ctx, p, one.ObserveDate, false); err != nil {
			return err
		}
	}
	if len(benches) > 0 {
		err := h.round(ctx, in, benches, except, nil, false, func(b *pb.Bench, some []int, id string, only bool) (bool, func() error, error) {
			all, err := call(b, of(except, some), id, only)
			if err != nil {
				return false, nil, h.said(err, (&exceptions{of(except, some)}).inWords(dayWords))
			}
			return len(all) > 0, func() error { return h.writeArranged(ctx, in, all, b, named) }, nil
		})
		if err != nil {
			return err
		}
	}
	for _, p := range plants {
		if err := h.observe(ctx, in, p, proto.CloneOf(one)); err != nil {
			return err
		}
	}
	return nil
}

// writeArranged tells what was recorded of the plants of a bench: of all of them the same.
func (h *home) writeArranged(ctx context.Context, in inOut, all []*pb.Observation, bench *pb.Bench, named []*pb.Bench) error {
	if len(all) == 0 {
		_, err := fmt.Fprintf(in.out, "Nothing to record: no plant stands on %s then\n", bench.GetDisplayName())
		return err
	}
	known, err := h.on(ctx, bench)
	if err != nil {
		return err
	}
	var tags []string
	for _, o := range all[:min(len(all), mostTags)] {
		m, err := known.plant(ctx, o.GetPlant())
		if err != nil {
			return err
		}
		tags = append(tags, m.GetTag())
	}
	if more := len(all) - mostTags; more > 0 {
		tags = append(tags, fmt.Sprintf("and %d more", more))
	}
	_, err = fmt.Fprintf(in.out, "%s of %s on %s: %s\n%s\n",
		count(len(all), "plant"), bench.GetDisplayName(), all[0].GetObserveDate(), observationWords(all[0], named), strings.Join(tags, ", "))
	return err
}

func holdCommand() *cobra.Command {
	var (
		except        []string
		until, reason string
	)
	c := &cobra.Command{
		Use:   "hold WHAT...",
		Short: "Put the plants of benches, or single plants, on hold: they are not fed",
		Long: `Put all plants of a bench on hold, or one plant: each WHAT is a bench, the tag of a
plant, or all for all benches. They are not fed until a day, or until it is undone.`,
		Example: "  dewbench hold \"South window\" --until 2026-06-01 --reason \"aphids\"\n  dewbench hold D12",
	}
	c.Flags().StringVar(&until, "until", "", "first day on which they are fed again (default open)")
	c.Flags().StringVar(&reason, "reason", "", "why")
	c.Flags().StringSliceVarP(&except, "except", "e", nil, "tags of plants that are not held, as D12,D40")
	return dated(c, 1, -1, func(ctx context.Context, h *home, args []string, day *string, in inOut) error {
		untilDay, err := h.day("--until", until)
		if err != nil {
			return err
		}
		fact := &pb.Observation{ObserveDate: day, Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: reason, UntilDate: untilDay}}}
		return h.arrange(ctx, in, args, except, fact, nil, func(b *pb.Bench, except []string, id string, only bool) ([]*pb.Observation, error) {
			req := &pb.HoldPlantsRequest{
				Name: b.GetName(), HoldDate: day, UntilDate: untilDay, Reason: reason, ExceptTags: except, RequestId: id, ValidateOnly: only,
			}
			answer, err := pb.NewSessionServiceClient(h).HoldPlants(ctx, req)
			return answer.GetObservations(), err
		})
	})
}

func awayCommand() *cobra.Command {
	var cancel bool
	c := &cobra.Command{
		Use:   "away FROM BACK",
		Short: "Say when you are away and do not feed",
		Long: `Say when you are away: FROM is the first day on which you do not feed, BACK the day
on which you are back and feed again. Without both, the days on record are listed.`,
		Example: "  dewbench away 2026-07-04 2026-07-19\n  dewbench away\n  dewbench away 2026-07-04 2026-07-19 --cancel",
	}
	c.Flags().BoolVar(&cancel, "cancel", false, "take these days away again")
	return onServer(c, 0, 2, func(ctx context.Context, h *home, args []string, in inOut) error {
		switch {
		case len(args) < 2 && cancel:
			return errors.New("say which days, as dewbench away lists them: dewbench away FROM BACK --cancel")
		case len(args) == 0:
			return h.writeAbsences(in, h.Collection)
		case len(args) == 1:
			return fmt.Errorf("say on which day you are back too: dewbench away %s BACK", args[0])
		}
		from, err := h.day("FROM", args[0])
		if err != nil {
			return err
		}
		back, err := h.day("BACK", args[1])
		if err != nil {
			return err
		}
		if today, err := h.day("", "today"); err == nil && *back <= *today && !cancel {
			fmt.Fprintf(in.notes, "note: these days are over: is the year right?\n")
		}
		if *back <= *from {
			return fmt.Errorf("BACK %s: must be after FROM, %s: it is the day on which you feed again", *back, *from)
		}
		asked := &pb.Absence{FromDate: *from, UntilDate: *back}
		same := func(a *pb.Absence) bool { return proto.Equal(a, asked) }
		change := &pb.Collection{Name: h.GetName(), Etag: h.GetEtag(), Absences: slices.Clone(h.GetAbsences())}
		there := slices.ContainsFunc(change.GetAbsences(), same)
		switch {
		case cancel && !there:
			return fmt.Errorf("%s to %s is not on record: dewbench away lists what is", *from, *back)
		case cancel:
			change.Absences = slices.DeleteFunc(change.GetAbsences(), same)
		case !there:
			change.Absences = append(change.Absences, asked)
		}
		now, err := pb.NewCollectionServiceClient(h).UpdateCollection(ctx, &pb.UpdateCollectionRequest{
			Collection: change, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"absences"}}, RequestId: newRequestID(),
		})
		if err != nil {
			return h.said(err, fields(map[string]string{"fromDate": "FROM", "untilDate": "BACK"}))
		}
		return h.writeAbsences(in, now)
	})
}

func (h *home) writeAbsences(in inOut, c *pb.Collection) error {
	if len(c.GetAbsences()) == 0 {
		_, err := fmt.Fprintln(in.out, "You are never away")
		return err
	}
	for _, a := range c.GetAbsences() {
		if _, err := fmt.Fprintf(in.out, "Away from %s, back on %s\n", a.GetFromDate(), a.GetUntilDate()); err != nil {
			return err
		}
	}
	return nil
}
