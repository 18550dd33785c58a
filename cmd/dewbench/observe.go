package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
	"dewbench/service/table"
)

// dated makes a command that records something of a day, with a flag for it.
func dated(c *cobra.Command, least, most int, run func(ctx context.Context, h *home, args []string, day *string, in inOut) error) *cobra.Command {
	var date dayFlags
	date.add(c)
	c.Long += "\n\n" + howToWalk
	return onServer(c, least, most, func(ctx context.Context, h *home, args []string, in inOut) error {
		day, err := date.day(h)
		if err != nil {
			return err
		}
		return run(ctx, h, args, day, in)
	})
}

// observing makes a command that records an observation of the plant with the tag in
// its first argument. read fills it in from the other arguments.
func observing(c *cobra.Command, least, most int, read func(args []string, o *pb.Observation) error) *cobra.Command {
	return dated(c, least, most, func(ctx context.Context, h *home, args []string, day *string, in inOut) error {
		o := &pb.Observation{ObserveDate: day}
		if err := read(args[1:], o); err != nil {
			return err
		}
		plant, err := h.tagged(ctx, args[0])
		if err != nil {
			return err
		}
		if most < 0 {
			if err := h.onlyWords(ctx, c, args); err != nil {
				return err
			}
		}
		return h.observe(ctx, in, plant, o)
	})
}

// onlyWords refuses words of a record that are tags: other plants were meant. Words
// behind -- are taken as they are.
func (h *home) onlyWords(ctx context.Context, c *cobra.Command, args []string) error {
	end := len(args)
	if dash := c.ArgsLenAtDash(); dash >= 0 {
		end = max(dash, 1)
	}
	for _, word := range args[1:end] {
		is, err := h.isTag(ctx, word)
		if err != nil {
			return err
		}
		if is {
			return fmt.Errorf("%s is a plant too: write one command for each plant. If the word is meant, put -- before the words: %s %s -- %s",
				word, c.CommandPath(), args[0], strings.Join(args[1:], " "))
		}
	}
	return nil
}

// isTag tells whether a plant that grows bears a tag.
func (h *home) isTag(ctx context.Context, word string) (bool, error) {
	if strings.ContainsAny(word, " \"\\") {
		return false, nil // words that were put in quotes
	}
	found, err := pb.NewPlantServiceClient(h).ListPlants(ctx, &pb.ListPlantsRequest{
		Parent: h.GetName(), Filter: fmt.Sprintf("tag = %q AND state = GROWING", word), PageSize: 1,
	})
	if err != nil {
		return false, h.said(err, nil)
	}
	return len(found.GetPlants()) > 0, nil
}

// endedWords tell how a plant left the collection.
var endedWords = map[pb.Plant_State]string{
	pb.Plant_DEAD: "died", pb.Plant_SOLD: "was sold", pb.Plant_GIVEN_AWAY: "was given away",
}

// stillThere refuses a record of a plant that was not there any more. Without a day it is
// of now. A plant leaves once a day.
func (h *home) stillThere(ctx context.Context, plant *pb.Plant, day *string, leaves bool) error {
	ended, gone := endedWords[plant.GetState()]
	if !gone {
		return nil
	}
	last, at := "", int64(0)
	for token := ""; ; {
		page, err := pb.NewObservationServiceClient(h).ListObservations(ctx, &pb.ListObservationsRequest{
			Parent: plant.GetName(), PageSize: service.MaxPageSize, PageToken: token,
		})
		if err != nil {
			return h.said(err, nil)
		}
		for _, o := range page.GetObservations() {
			if t := o.GetObserveTime().AsTime().UnixMicro(); o.GetEnd() != nil && t >= at {
				last, at = o.GetObserveDate(), t
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if day != nil && (*day < last || *day == last && !leaves) {
		return nil
	}
	return fmt.Errorf("%s %s on %s: for a day before that give --date; if it is still there, undo that with the dewbench undo ID that was printed with it",
		plant.GetTag(), ended, last)
}

// tagged finds the plant with a tag.
func (h *home) tagged(ctx context.Context, tag string) (*pb.Plant, error) {
	p, err := pb.NewPlantServiceClient(h).GetPlant(ctx, &pb.GetPlantRequest{Name: h.anyPlant(), Tag: tag})
	if err != nil {
		return nil, h.said(err, fields(dayWords))
	}
	return p, nil
}

// observe records an observation of a plant and tells so.
func (h *home) observe(ctx context.Context, in inOut, plant *pb.Plant, o *pb.Observation) error {
	if err := h.stillThere(ctx, plant, o.ObserveDate, o.GetEnd() != nil); err != nil {
		return err
	}
	req := &pb.CreateObservationRequest{Parent: plant.GetName(), Observation: o, RequestId: newRequestID()}
	made, err := pb.NewObservationServiceClient(h).CreateObservation(ctx, req)
	if err != nil {
		return h.said(err, fields(dayWords))
	}
	benches, err := h.benches(ctx)
	if err != nil {
		return err
	}
	return recorded(in, plant, made.GetObserveDate(), observationWords(made, benches), req.GetRequestId())
}

// recorded tells what was recorded of a plant on a day.
func recorded(in inOut, p *pb.Plant, day, words, id string) error {
	if _, err := fmt.Fprintf(in.out, "%s on %s: %s\n", strings.TrimSpace(p.GetTag()+" "+fullName(p)), day, words); err != nil {
		return err
	}
	return writeUndo(in.out, id)
}

func feedCommand() *cobra.Command {
	var food, note string
	c := &cobra.Command{
		Use:     "feed TAG [TRAPS]",
		Short:   "Record that one plant was fed",
		Long:    `Record that one plant was fed: as many traps of its pot, or those that were planned.`,
		Example: "  dewbench feed D12\n  dewbench feed D12 1 --food bloodworm-frozen --date yesterday",
	}
	c.Flags().StringVar(&food, "food", "", "kind of food, such as bloodworm-frozen")
	c.Flags().StringVar(&note, "note", "", "a note")
	return dated(c, 1, 2, func(ctx context.Context, h *home, args []string, day *string, in inOut) error {
		plant, err := h.tagged(ctx, args[0])
		if err != nil {
			return err
		}
		if err := h.stillThere(ctx, plant, day, false); err != nil {
			return err
		}
		fed := &pb.Feeding{FedDate: day, Note: note}
		if fed.Food, err = foodName(food); err != nil {
			return err
		}
		if len(args) > 1 {
			n, err := wholeNumber(args[1])
			switch other, tagErr := h.isTag(ctx, args[1]); {
			case err != nil && tagErr != nil:
				return tagErr
			case err != nil && other:
				return fmt.Errorf("%s is a plant too: write one command for each plant, or dewbench session for a bench", args[1])
			case err != nil:
				return fmt.Errorf("TRAPS: %w", err)
			case n == 0:
				return errors.New("TRAPS 0: must be more than 0; what was not fed is not recorded")
			}
			fed.TrapsFed = &n
		}
		req := &pb.CreateFeedingRequest{Parent: plant.GetName(), RequestId: newRequestID(), Feeding: fed}
		made, err := pb.NewFeedingServiceClient(h).CreateFeeding(ctx, req)
		if err != nil {
			return h.said(err, fields(dayWords))
		}
		if last := plant.GetLastFeedTime(); last != nil && civil.Of(last.AsTime(), h.zone).String() == made.GetFedDate() {
			fmt.Fprintf(in.notes, "note: %s was fed on %s already\n", plant.GetTag(), made.GetFedDate())
		}
		if d := plant.GetDue(); d.GetStatus() == pb.DueFeeding_HELD && made.GetFedDate() == d.GetAsOfDate() {
			for _, r := range d.GetReasons() {
				if r.GetCode() >= pb.DueFeeding_Reason_SETTLING {
					fmt.Fprintf(in.notes, "note: %s is held. %s (%s)\n", plant.GetTag(), strings.TrimSuffix(r.GetMessage(), "."), r.GetCode())
				}
			}
		}
		return recorded(in, plant, made.GetFedDate(), feedingWords(made), req.GetRequestId())
	})
}

func measureCommand() *cobra.Command {
	var height, width string
	var traps, leaves int32
	c := &cobra.Command{
		Use:     "measure TAG [MM]",
		Short:   "Record sizes and counts of a plant",
		Long:    `Record sizes and counts of a plant: the diameter of its rosette in mm, and others.`,
		Example: "  dewbench measure D12 31.5\n  dewbench measure D12 31,5 --traps 9 --date 2026-05-11\n  dewbench measure N3 --height 240 --width 18",
	}
	f := c.Flags()
	f.StringVar(&height, "height", "", "its height, mm")
	f.StringVar(&width, "width", "", "width of a typical trap, mm")
	f.Int32Var(&traps, "traps", 0, "traps of the pot that work")
	f.Int32Var(&leaves, "leaves", 0, "leaves of the pot")
	return observing(c, 1, 2, func(args []string, o *pb.Observation) (err error) {
		m := &pb.Observation_Measurement{}
		if m.RosetteDiameterMm, err = millimetres("MM", strings.Join(args, "")); err != nil {
			return err
		}
		if m.HeightMm, err = millimetres("--height", height); err != nil {
			return err
		}
		if m.TrapWidthMm, err = millimetres("--width", width); err != nil {
			return err
		}
		if f.Changed("traps") {
			m.WorkingTraps = &traps
		}
		if f.Changed("leaves") {
			m.LeafCount = &leaves
		}
		if proto.Size(m) == 0 {
			return errors.New("give a size or a count: dewbench measure TAG 31.5, or --height, --width, --traps, --leaves")
		}
		o.Fact = &pb.Observation_Measurement_{Measurement: m}
		return nil
	})
}

// millimetres reads a length; nil for none.
func millimetres(what, text string) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	v, err := readDecimal(strings.TrimSuffix(text, "mm"))
	if err != nil {
		return nil, fmt.Errorf("%s: %q must be a number of millimetres, such as 31.5", what, text)
	}
	return &v, nil
}

func noteCommand() *cobra.Command {
	return observing(&cobra.Command{
		Use:     "note TAG WORDS...",
		Short:   "Record what you saw of a plant, in your own words",
		Long:    `Record what you saw of a plant, in your own words.`,
		Example: "  dewbench note D12 aphids on the youngest leaf",
	}, 2, -1, func(args []string, o *pb.Observation) error {
		text := strings.Join(args, " ")
		o.Fact = &pb.Observation_Health_{Health: &pb.Observation_Health{Text: text}}
		return nil
	})
}

func stalkCommand() *cobra.Command {
	return observing(&cobra.Command{
		Use:     "stalk TAG STAGE",
		Short:   "Record a flower stalk and what became of it",
		Long:    `Record a flower stalk: emerged, cut, flowered, seed ripe or seed taken.`,
		Example: "  dewbench stalk D12 cut",
	}, 2, -1, func(args []string, o *pb.Observation) error {
		s, err := table.StalkStage(strings.Join(args, " "))
		if err != nil {
			return err
		}
		stage := pb.Observation_Stalk(s)
		o.Fact = &pb.Observation_Stalk_{Stalk: stage}
		return nil
	})
}

func countCommand() *cobra.Command {
	return observing(&cobra.Command{
		Use:     "count TAG PLANTS",
		Short:   "Record how many plants a pot holds",
		Long:    `Record how many plants a pot holds from that day on.`,
		Example: "  dewbench count D12 3",
	}, 2, 2, func(args []string, o *pb.Observation) error {
		n, err := wholeNumber(args[0])
		if n == 0 && err == nil {
			err = errors.New("a pot with no plant has died: dewbench died TAG")
		}
		if err != nil {
			return fmt.Errorf("PLANTS: %w", err)
		}
		o.Fact = &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: n}}
		return nil
	})
}

func surveyCommand() *cobra.Command {
	var examined int32
	c := &cobra.Command{
		Use:     "survey TAG PREY",
		Short:   "Record how much prey a plant caught by itself",
		Long:    `Record a look at what a plant caught by itself: how many prey were found.`,
		Example: "  dewbench survey K1 2 --of 9",
	}
	c.Flags().Int32Var(&examined, "of", 0, "traps that were looked at")
	return observing(c, 2, 2, func(args []string, o *pb.Observation) error {
		n, err := wholeNumber(args[0])
		if err != nil {
			return fmt.Errorf("PREY: %w", err)
		}
		o.Fact = &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{PreyFound: n, TrapsExamined: examined}}
		return nil
	})
}

func repotCommand() *cobra.Command {
	return observing(&cobra.Command{
		Use:     "repot TAG",
		Short:   "Record that a plant was repotted",
		Long:    `Record that a plant was repotted. It is not fed until it has settled.`,
		Example: "  dewbench repot D12 --date yesterday",
	}, 1, 1, func(_ []string, o *pb.Observation) error {
		o.Fact = &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}
		return nil
	})
}

// ending makes a command that records how a plant left the collection.
func ending(use, short, example string, state pb.Observation_End_State, fill func(e *pb.Observation_End, words string)) *cobra.Command {
	c := &cobra.Command{
		Use: use, Short: short, Example: example,
		Long: short + `. The plant stays on record with its history; its tag is free for
another.`,
	}
	return observing(c, 1, -1, func(args []string, o *pb.Observation) error {
		end := &pb.Observation_End{State: state}
		fill(end, strings.Join(args, " "))
		o.Fact = &pb.Observation_End_{End: end}
		return nil
	})
}

func diedCommand() *cobra.Command {
	return ending("died TAG [CAUSE...]", "Record that a plant died", "  dewbench died D12\n  dewbench died D12 root rot",
		pb.Observation_End_DEAD, func(e *pb.Observation_End, words string) { e.Cause = words })
}

func soldCommand() *cobra.Command {
	return ending("sold TAG [TO WHOM...]", "Record that a plant was sold", "  dewbench sold D12\n  dewbench sold D12 swap meet, stall 4",
		pb.Observation_End_SOLD, func(e *pb.Observation_End, words string) { e.Recipient = words })
}

func gaveCommand() *cobra.Command {
	return ending("gave TAG [TO WHOM...]", "Record that a plant was given away", "  dewbench gave D12 a neighbour",
		pb.Observation_End_GIVEN_AWAY, func(e *pb.Observation_End, words string) { e.Recipient = words })
}
