package main

import (
	"context"
	"fmt"
	"strings"
	"unicode"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
)

func plantCommand() *cobra.Command {
	var onto, acquired string
	c := &cobra.Command{
		Use:   "plant TAG NAME...",
		Short: "Add one plant",
		Long: `Add one plant: TAG is what is on its label, NAME its scientific name, with a cultivar
if it has one. Many plants are brought in with dewbench import plants.`,
		Example: "  dewbench plant D12 Drosera capensis --bench south\n  dewbench plant D13 \"D. capensis 'Alba'\" --acquired 2026-05-01",
	}
	c.Flags().StringVar(&onto, "bench", "", "bench on which it stands")
	c.Flags().StringVar(&acquired, "acquired", "", "day on which you got it")
	c.Long += "\n\n" + howToWalk
	return onServer(c, 2, -1, func(ctx context.Context, h *home, args []string, in inOut) error {
		known, err := readNames(ctx, h)
		if err != nil {
			return h.said(err, nil)
		}
		words := args[1:]
		text := strings.Join(words, " ")
		name, err := table.ParseName(text)
		if err != nil {
			return fmt.Errorf("NAME %q: %w", text, err)
		}
		found := known.Find(name.Scientific)
		if last := len(words) - 1; last > 0 && !found.Exact && name.Cultivar == "" {
			// The shell has taken the quotes of a cultivar away.
			species := strings.Join(words[:last], " ")
			if f := known.Find(species); f.Exact && unicode.IsUpper([]rune(words[last] + " ")[0]) {
				name, found = table.ComposeName(species, words[last]), f
			}
		}
		if !found.OK {
			fault := "is not in the catalogue, nor is its genus"
			if found.Maybe != "" {
				fault += "; " + found.Maybe
			}
			return fmt.Errorf("NAME %q: %s", text, fault)
		}
		m := &pb.Plant{Tag: args[0], ScientificName: found.Name, Taxon: found.Taxon.GetName(), Cultivar: name.Cultivar}
		if found.Exact {
			m.ScientificName = "" // the taxon tells it
		}
		if m.AcquireDate, err = h.day("--acquired", acquired); err != nil {
			return err
		}
		if onto != "" {
			b, err := h.bench(ctx, onto)
			if err != nil {
				return fmt.Errorf("--bench: %w", err)
			}
			m.Bench = b.GetName()
		}
		req := &pb.CreatePlantRequest{Parent: h.GetName(), Plant: m, RequestId: newRequestID()}
		made, err := pb.NewPlantServiceClient(h).CreatePlant(ctx, req)
		if err != nil {
			return h.said(err, fields(map[string]string{"tag": "TAG", "scientificName": "NAME", "acquireDate": "--acquired"}))
		}
		if note := found.Note(found.Taxon.GetScientificName(), false); note != "" {
			fmt.Fprintf(in.notes, "note: %q %s\n", text, note)
		}
		label := strings.TrimSpace(made.GetTag() + " " + fullName(made))
		if _, err := fmt.Fprintf(in.out, "%s: added\n", label); err != nil {
			return err
		}
		return writeUndo(in.out, req.GetRequestId())
	})
}

func retagCommand() *cobra.Command {
	return onServer(&cobra.Command{
		Use:     "retag OLD NEW",
		Short:   "Give a plant another tag",
		Long:    "Give a plant another tag. By the old one it is still found, until another plant bears it.",
		Example: "  dewbench retag D12 D112",
	}, 2, 2, func(ctx context.Context, h *home, args []string, in inOut) error {
		now, err := pb.NewPlantServiceClient(h).UpdatePlant(ctx, &pb.UpdatePlantRequest{
			Plant: &pb.Plant{Name: h.anyPlant(), Tag: args[1]}, Tag: args[0], UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tag"}}, RequestId: newRequestID(),
		})
		if err != nil {
			return h.said(err, func(field string) string {
				return map[string]string{"tag": "OLD", "plant.tag": "NEW"}[field]
			})
		}
		_, err = fmt.Fprintf(in.out, "%s is now %s\nto change it back: dewbench retag %s %s\n", args[0], strings.TrimSpace(now.GetTag()+" "+fullName(now)), now.GetTag(), args[0])
		return err
	})
}
