package main

import (
	"context"
	"errors"
	"regexp"
	"strings"

	pb "dewbench/proto/dewbench/v1"
)

// inCollection are names of resources in a collection.
var inCollection = regexp.MustCompile(`(collections/[a-z0-9-]+)(/(?:benches|plants)/[a-z0-9-]+)?(/(?:feedings|observations|photos)/[a-z0-9-]+)?`)

// ownWords are the command line's for those of the API.
var ownWords = strings.NewReplacer(
	"dateOrder, DAY_FIRST or MONTH_FIRST", "--date-order dmy or mdy",
	"give the charset WINDOWS_1252", "if a spreadsheet wrote it, try --encoding windows-1252",
	"Make its visibility SHARED first", "Open it first: dewbench share visibility shared", " is PRIVATE", " is private",
	"its pointingErrorPx", "its --error", "ROSETTE_DIAMETER, TRAP_WIDTH or HEIGHT", "rosette, trap or height",
	"foods/", "", " is DEAD", " is dead", " is SOLD", " is sold", " is GIVEN_AWAY", " is given away",
)

// plain puts an error into the grower's words.
func (h *home) plain(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	text, own := h.inWords(ctx, err.Error())
	if own != nil {
		return errors.Join(err, own)
	}
	if text == err.Error() {
		return err
	}
	return errors.New(text)
}

// inWords puts a text of the server into the grower's words: benches by their display
// names, plants by their tags. Others stay as they are.
func (h *home) inWords(ctx context.Context, text string) (_ string, err error) {
	var benches []*pb.Bench
	text = inCollection.ReplaceAllStringFunc(text, func(name string) string {
		parts := inCollection.FindStringSubmatch(name)
		words := name
		switch {
		case err != nil || parts[1] != h.GetName():
			return name
		case parts[2] == "":
			return h.GetDisplayName()
		case strings.HasPrefix(parts[2], "/benches/"):
			if benches == nil {
				if benches, err = h.benches(ctx); err != nil {
					return name
				}
			}
			for _, b := range benches {
				if b.GetName() == parts[1]+parts[2] {
					words = b.GetDisplayName()
				}
			}
			return words
		}
		p, lost := pb.NewPlantServiceClient(h).GetPlant(ctx, &pb.GetPlantRequest{Name: parts[1] + parts[2]})
		if lost != nil {
			return name // a plant that is not there has no tag
		}
		words = strings.TrimSpace(p.GetTag() + " " + fullName(p))
		switch {
		case strings.HasPrefix(parts[3], "/feedings/"):
			return "a feeding of " + words
		case strings.HasPrefix(parts[3], "/photos/"):
			return "photo " + strings.TrimPrefix(parts[3], "/photos/") + " of " + words
		case parts[3] != "":
			return "an observation of " + words
		}
		return words
	})
	return ownWords.Replace(text), err
}
