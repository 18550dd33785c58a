package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// howToNamePhoto tells how commands take a photo.
const howToNamePhoto = `PHOTO is the id that dewbench photo list shows, or its beginning or the day on which the
photo was taken, if that fits no other; --plant looks among those of one plant alone. TAG
is what is on the label. Case does not matter.`

func photoCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "photo",
		Short: "Keep photos of plants, and measure on them",
		Long: `Keep photos of plants: JPEG, PNG or WebP, up to 25 MiB and 50 megapixels. Measure on
them by a ruler or a label of known length, and put those of a plant side by side at one
scale.`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(photoAddCommand(), photoListCommand(), photoGetCommand(), photoMeasureCommand(), photoStripCommand(),
		photoUpdateCommand(), photoDeleteCommand(), photoUndeleteCommand())
	return c
}

// onPhoto makes a command about one photo, which its first argument names. deleted tells
// whether it is about those that are deleted, or about the others.
func onPhoto(c *cobra.Command, deleted bool, run func(context.Context, *home, *shownPhoto, inOut) error) *cobra.Command {
	var plant string
	c.Flags().StringVar(&plant, "plant", "", "tag of the plant whose photo it is")
	c.Long += "\n\n" + howToNamePhoto
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		m, err := h.photo(ctx, args[0], plant, deleted)
		if err != nil {
			return err
		}
		of, err := pb.NewPlantServiceClient(h).GetPlant(ctx, &pb.GetPlantRequest{Name: m.GetPlant()})
		if err != nil {
			return h.said(err, nil)
		}
		return run(ctx, h, &shownPhoto{m, of}, in)
	})
}

// shownPhoto is a photo with its plant.
type shownPhoto struct {
	*pb.Photo
	of *pb.Plant
}

// words name the photo.
func (m *shownPhoto) words() string { return photoWords(m.Photo, m.of.GetTag()) }

func photoID(m *pb.Photo) string { return store.Segment(m.GetName(), "photos") }

// photoWords name a photo of the plant with a tag.
func photoWords(m *pb.Photo, tag string) string {
	return fmt.Sprintf("photo %s of %s", cmp.Or(photoID(m), "-"), printable(tag))
}

// pixelWords tell how large a picture is.
func pixelWords(m *pb.Photo) string {
	return fmt.Sprintf("%d x %d px", m.GetWidthPx(), m.GetHeightPx())
}

// photo finds the photo that text means: of the plant with a tag, or with "" of any. deleted
// tells whether to look among the deleted or among the others.
func (h *home) photo(ctx context.Context, text, tag string, deleted bool) (*pb.Photo, error) {
	if store.Segment(text, "photos") != "" {
		m, err := pb.NewPhotoServiceClient(h).GetPhoto(ctx, &pb.GetPhotoRequest{Name: text})
		if err != nil {
			return nil, h.said(err, fields(map[string]string{"name": "PHOTO"}))
		}
		return m, nil
	}
	parent := h.anyPlant()
	if tag != "" {
		plant, err := h.tagged(ctx, tag)
		if err != nil {
			return nil, fmt.Errorf("--plant: %w", err)
		}
		parent = plant.GetName()
	}
	var all []*pb.Photo
	var names []named
	err := h.eachPhoto(ctx, parent, deleted, func(m *pb.Photo) bool {
		if deleted == (m.GetDeleteTime() != nil) {
			all, names = append(all, m), append(names, named{m.GetName(), photoID(m), m.GetTakenDate()})
		}
		return true
	})
	if err != nil {
		return nil, err
	}
	what := "photo"
	if deleted {
		what = "deleted photo"
	}
	i, err := choose(what, text, "say which photo", names)
	switch {
	case err != nil && len(all) > 0 && tag == "":
		return nil, fmt.Errorf("%w\nTo look among those of one plant add --plant TAG", err)
	case err != nil:
		return nil, err
	}
	return all[i], nil
}

// eachPhoto calls do with the photos of a plant, or of all that a name with - stands for,
// the latest first, until it says no more.
func (h *home) eachPhoto(ctx context.Context, parent string, deleted bool, do func(*pb.Photo) bool) error {
	for token := ""; ; {
		page, err := pb.NewPhotoServiceClient(h).ListPhotos(ctx, &pb.ListPhotosRequest{
			Parent: parent, ShowDeleted: deleted, PageSize: service.MaxPageSize, PageToken: token,
		})
		if err != nil {
			return h.said(err, nil)
		}
		for _, m := range page.GetPhotos() {
			if !do(m) {
				return nil
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			return nil
		}
	}
}

func photoListCommand() *cobra.Command {
	var (
		asJSON, deleted bool
		most            int
	)
	c := &cobra.Command{
		Use:   "list [TAG]",
		Short: "List the photos of a plant, or of all",
		Long: `List the photos of a plant, or of all plants of the collection, the latest first: when
each was taken, how large it is upright, whether it has a scale, what is measured on it,
whom to name beside it and under which licence others may use it. Behind ± stands how far
the true length may be off, 95 times in 100.`,
		Example: "  dewbench photo list D12\n  dewbench photo list --most 20\n  dewbench photo list D12 --deleted",
	}
	c.Flags().BoolVar(&deleted, "deleted", false, "list deleted photos too: they can be undeleted for 30 days")
	c.Flags().IntVar(&most, "most", 100, "the most photos to list")
	c.Flags().BoolVar(&asJSON, "json", false, "print what the API answers")
	return onServer(c, 0, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		if most < 1 {
			return errors.New("--most: must be at least 1")
		}
		parent, whose := h.anyPlant(), ""
		tags := map[string]string{}
		if len(args) > 0 {
			plant, err := h.tagged(ctx, args[0])
			if err != nil {
				return err
			}
			parent, whose = plant.GetName(), " of "+printable(plant.GetTag())
		}
		var all []*pb.Photo
		more := false
		if err := h.eachPhoto(ctx, parent, deleted, func(m *pb.Photo) bool {
			if more = len(all) == most; !more {
				all = append(all, m)
			}
			return !more
		}); err != nil {
			return err
		}
		if asJSON {
			if err := writeAnswer(in.out, &pb.ListPhotosResponse{Photos: all}); err != nil {
				return err
			}
		} else {
			if len(all) == 0 {
				_, err := fmt.Fprintf(in.out, "There is no photo%s. Keep one: dewbench photo add %s FILE\n", whose, cmp.Or(strings.Join(args, ""), "TAG"))
				return err
			}
			var err error
			if len(args) == 0 {
				if tags, err = h.tags(ctx); err != nil {
					return err
				}
			}
			if err := writeTable(in.out, photoRows(all, tags, len(args) == 0)); err != nil {
				return err
			}
		}
		if more {
			fmt.Fprintf(in.notes, "note: there are more: --most lists more than %d\n", most)
		}
		return nil
	})
}

// tags returns the tags of all plants of the collection, by their names.
func (h *home) tags(ctx context.Context) (map[string]string, error) {
	tags := map[string]string{}
	for token := ""; ; {
		page, err := pb.NewPlantServiceClient(h).ListPlants(ctx, &pb.ListPlantsRequest{Parent: h.GetName(), PageSize: service.MaxPageSize, PageToken: token})
		if err != nil {
			return nil, h.said(err, nil)
		}
		for _, m := range page.GetPlants() {
			tags[m.GetName()] = m.GetTag()
		}
		if token = page.GetNextPageToken(); token == "" {
			return tags, nil
		}
	}
}

// photoRows are photos as they are listed, with the tags of their plants if asked for.
func photoRows(all []*pb.Photo, tags map[string]string, tagged bool) [][]string {
	heads := []string{"PHOTO", "TAG", "TAKEN", "PIXELS", "SCALE", "SPANS", "CREDIT", "LICENCE"}
	rows := [][]string{heads}
	for _, m := range all {
		taken := m.GetTakenDate()
		if m.GetDeleteTime() != nil {
			taken += ", deleted"
		}
		scale := "no"
		if m.GetScale() != nil {
			scale = "yes"
		}
		var spans []string
		for _, s := range m.GetSpans() {
			spans = append(spans, strings.TrimSpace(spanWords(s)+" "+lengthWords(s)))
		}
		rows = append(rows, []string{
			photoID(m), cmp.Or(printable(tags[m.GetPlant()]), "-"), taken, fmt.Sprintf("%d x %d", m.GetWidthPx(), m.GetHeightPx()), scale,
			dash(strings.Join(spans, ", ")), dash(printable(m.GetCredit())), dash(m.GetLicense()),
		})
	}
	if !tagged {
		for i, cells := range rows {
			rows[i] = append(cells[:1:1], cells[2:]...)
		}
	}
	return rows
}

// photoFlags are what is said of a photo.
type photoFlags struct{ taken, credit, license, note string }

func (f *photoFlags) add(c *cobra.Command) {
	c.Flags().StringVar(&f.taken, "taken", "", "day on which it was taken, or an instant: 2026-05-10, \"2026-05-10 18:30\", 2026-05-10T18:30:00+02:00")
	c.Flags().StringVar(&f.credit, "credit", "", "whom to name beside it")
	c.Flags().StringVar(&f.license, "license", "", "under which licence others may use it: the SPDX identifier of one of Creative Commons, such as CC-BY-4.0")
	c.Flags().StringVar(&f.note, "note", "", "a note")
}

// photoFlagWords name the fields of a photo as they are typed.
var photoFlagWords = map[string]string{
	"takenTime": "--taken", "takenDate": "--taken", "credit": "--credit", "license": "--license", "note": "--note", "name": "PHOTO",
}

// when reads the day or the instant of --taken; both nil for none. Without an offset an
// instant is one of the collection's time zone.
func (f *photoFlags) when(h *home) (*timestamppb.Timestamp, *string, error) {
	text := strings.TrimSpace(f.taken)
	if !strings.Contains(text, ":") {
		day, err := h.day("--taken", f.taken)
		return nil, day, err
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return timestamppb.New(t), nil, nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		t, err := time.ParseInLocation(layout, text, h.zone)
		switch {
		case err != nil:
		case t.Format(layout) != text:
			return nil, nil, fmt.Errorf("--taken %s: clocks in %s leapt over that hour", f.taken, h.GetTimeZone())
		default:
			return timestamppb.New(t), nil, nil
		}
	}
	return nil, nil, fmt.Errorf("--taken %s: give a day or an instant, such as 2026-05-10, \"2026-05-10 18:30\" or 2026-05-10T18:30:00+02:00", f.taken)
}

func photoUpdateCommand() *cobra.Command {
	var f photoFlags
	c := &cobra.Command{
		Use:   "update PHOTO",
		Short: "Change what is said of a photo",
		Long: `Change what is said of a photo: when it was taken, whom to name beside it, under which
licence others may use it, a note. An empty text takes away what is said, --taken '' what
was told: then it is what the camera told, or when it was sent.`,
		Example: "  dewbench photo update 0198c2f0 --credit \"Fern Hollow\" --license CC-BY-4.0\n  dewbench photo update 2026-05-10 --plant D12 --taken 2026-05-09",
	}
	f.add(c)
	return onPhoto(c, false, func(ctx context.Context, h *home, m *shownPhoto, in inOut) error {
		to := &pb.Photo{Name: m.GetName(), Etag: m.GetEtag(), Credit: f.credit, License: f.license, Note: f.note}
		mask := &fieldmaskpb.FieldMask{}
		for _, field := range []string{"credit", "license", "note"} {
			if c.Flags().Changed(field) {
				mask.Paths = append(mask.Paths, field)
			}
		}
		if c.Flags().Changed("taken") {
			var err error
			if to.TakenTime, to.TakenDate, err = f.when(h); err != nil {
				return err
			}
			if to.TakenDate != nil {
				mask.Paths = append(mask.Paths, "taken_date")
			} else {
				mask.Paths = append(mask.Paths, "taken_time")
			}
		}
		if len(mask.GetPaths()) == 0 {
			return errors.New("say what to change: --taken, --credit, --license or --note")
		}
		now, err := h.updatePhoto(ctx, to, mask, fields(photoFlagWords))
		if err != nil {
			return err
		}
		text := fmt.Sprintf("%s: taken %s", m.words(), h.takenWords(now))
		for _, part := range [][2]string{{"credit", printable(now.GetCredit())}, {"licence", now.GetLicense()}, {"note", printable(now.GetNote())}} {
			if part[1] != "" {
				text += ", " + part[0] + " " + part[1]
			}
		}
		_, err = fmt.Fprintln(in.out, text)
		return err
	})
}

// updatePhoto changes a photo, if nobody else has.
func (h *home) updatePhoto(ctx context.Context, to *pb.Photo, mask *fieldmaskpb.FieldMask, inWords func(string) string) (*pb.Photo, error) {
	now, err := pb.NewPhotoServiceClient(h).UpdatePhoto(ctx, &pb.UpdatePhotoRequest{Photo: to, UpdateMask: mask, RequestId: newRequestID()})
	if err != nil {
		return nil, h.said(err, inWords)
	}
	return now, nil
}

// takenSources say from where it is known when a photo was taken.
var takenSources = map[pb.Photo_TimeSource]string{
	pb.Photo_CAMERA_WITH_OFFSET: "by the camera",
	pb.Photo_CAMERA:             "by the camera, in the time of the collection",
	pb.Photo_TOLD:               "as was told",
	pb.Photo_SENT:               "which is when it was sent",
}

// takenWords tell when a photo was taken and from where that is known. Noon may be that of
// a day of which no more was told.
func (h *home) takenWords(m *pb.Photo) string {
	text := m.GetTakenDate()
	at := m.GetTakenTime().AsTime().In(h.zone)
	if m.GetTakenSource() != pb.Photo_TOLD || at.Hour() != 12 || at.Minute() != 0 {
		text += at.Format(" 15:04")
	}
	return fmt.Sprintf("%s (%s)", text, cmp.Or(takenSources[m.GetTakenSource()], enumWords(m.GetTakenSource())))
}

func photoDeleteCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "delete PHOTO",
		Short: "Delete a photo",
		Long: `Delete a photo. For 30 days dewbench photo undelete brings it back; then its files go
too. What was measured on it and recorded stays on record.`,
		Example: "  dewbench photo delete 0198c2f0\n  dewbench photo delete 2026-05-10 --plant D12",
	}
	return onPhoto(c, false, func(ctx context.Context, h *home, m *shownPhoto, in inOut) error {
		gone, err := pb.NewPhotoServiceClient(h).DeletePhoto(ctx, &pb.DeletePhotoRequest{Name: m.GetName(), RequestId: newRequestID()})
		if err != nil {
			return h.said(err, nil)
		}
		_, err = fmt.Fprintf(in.out, "%s, taken %s, is deleted; dewbench photo undelete %s brings it back until %s\n",
			m.words(), m.GetTakenDate(), photoID(m.Photo), timeText(gone.GetPurgeTime()))
		return err
	})
}

func photoUndeleteCommand() *cobra.Command {
	c := &cobra.Command{
		Use:     "undelete PHOTO",
		Short:   "Bring a deleted photo back",
		Long:    `Bring a deleted photo back, as it was: dewbench photo list --deleted lists which there are.`,
		Example: "  dewbench photo undelete 0198c2f0",
	}
	return onPhoto(c, true, func(ctx context.Context, h *home, m *shownPhoto, in inOut) error {
		if _, err := pb.NewPhotoServiceClient(h).UndeletePhoto(ctx, &pb.UndeletePhotoRequest{Name: m.GetName(), RequestId: newRequestID()}); err != nil {
			return h.said(err, nil)
		}
		_, err := fmt.Fprintf(in.out, "%s, taken %s, is back\n", m.words(), m.GetTakenDate())
		return err
	})
}
