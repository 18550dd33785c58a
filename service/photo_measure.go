package service

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/png"
	"math"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/measure"
	"dewbench/service/photo"
	"dewbench/store"
)

// StripType is the media type of strips.
const StripType = "image/png"

const (
	// usualStrip is how many photos a strip has at most, unless asked otherwise.
	usualStrip = 12
	// stripMargin is how much more of a photo than its rosette a strip shows.
	stripMargin = 1.25
)

// MeasureRosette proposes where a rosette is.
func (s *Photos) MeasureRosette(ctx context.Context, req *pb.MeasureRosetteRequest) (*pb.MeasureRosetteResponse, error) {
	p, inside, err := s.livePhoto(ctx, req.GetName(), req.GetTag())
	if err != nil {
		return nil, err
	}
	release, err := s.decoding(ctx, callerID(ctx))
	if err != nil {
		return nil, err
	}
	defer release()
	stored, err := s.picture(ctx, s.blobs.Of(inside), p.GetSha256())
	if err != nil {
		return nil, fromStore(err)
	}
	// It is found on the picture as it is stored, as turning a large one takes much memory.
	found, err := measure.FindRosette(stored, measure.Index(req.GetIndex()))
	if errors.Is(err, measure.ErrNoRosette) {
		return nil, &Error{Reason: RosetteNotFound, Message: fmt.Sprintf("%s: %s: point at the rosette yourself", p.GetName(), onOneLine(err))}
	}
	if err != nil {
		return nil, err
	}
	upright := func(at measure.Point) *pb.Photo_Point {
		x, y := photo.UprightPoint(at.X, at.Y, stored.Bounds().Dx(), stored.Bounds().Dy(), int(p.Orientation))
		return &pb.Photo_Point{X: x, Y: y}
	}
	answer := &pb.MeasureRosetteResponse{
		Span: &pb.Photo_Span{Kind: pb.Photo_Span_ROSETTE_DIAMETER, Line: &pb.Photo_Line{
			A: upright(found.Span.A), B: upright(found.Span.B), PointingErrorPx: &found.Span.ErrorPx,
		}},
		Center: upright(found.Center), DiameterPx: found.DiameterPx, AreaPx: found.AreaPx,
		Index: pb.MeasureRosetteRequest_Index(found.Index), Threshold: found.Threshold, Separability: found.Separability,
	}
	for _, w := range found.Warnings {
		answer.Warnings = append(answer.Warnings, pb.MeasureRosetteResponse_Warning(pb.MeasureRosetteResponse_Warning_value[string(w)]))
	}
	if scale := p.GetScale(); scale != nil {
		// A rosette so small that nothing can be told of its size is proposed nevertheless.
		if err := measureSpan(scale, answer.Span); err == nil {
			mm := scaleValue(scale).MmPerPx()
			answer.AreaMm2 = proto.Float64(found.AreaPx * mm * mm)
		}
	}
	return answer, nil
}

// livePhoto returns a photo that is not deleted, and the id of its collection.
func (s *Photos) livePhoto(ctx context.Context, name, tag string) (p *store.Photo, inside string, err error) {
	err = s.read(ctx, func(v *visit) error {
		c, _, found, err := v.findPhoto(name, tag)
		if err != nil {
			return err
		}
		p, inside = found, c.ID()
		if p.GetDeleteTime() != nil {
			return deleted(p.GetName())
		}
		return nil
	})
	return p, inside, err
}

// GetPhotoStrip puts photos of a plant side by side.
func (s *Photos) GetPhotoStrip(ctx context.Context, req *pb.GetPhotoStripRequest) (*httpbody.HttpBody, error) {
	var (
		all      []*store.Photo
		captions []string
		inside   string
	)
	err := s.read(ctx, func(v *visit) error {
		c, plant, err := v.livePlant(req.GetParent(), req.GetTag())
		if err != nil {
			return err
		}
		r := v.photoReader(c)
		from, until := r.day(inBody, "fromDate", req.GetFromDate()), r.day(inBody, "untilDate", req.GetUntilDate())
		if err := r.err(); err != nil {
			return err
		}
		if all, err = c.ScaledPhotos(plant, mostPhotos); err != nil {
			return err
		}
		all = slices.DeleteFunc(all, func(p *store.Photo) bool {
			day := c.dayOf(store.Micros(p.GetTakenTime()))
			return day < from || until.Given() && day >= until // civil.None is before all days
		})
		if len(all) == 0 {
			return &Error{Reason: NothingMeasured, Message: store.PlantName(c.ID(), plant) + " has no photos with a scale, or none from the days that were asked for"}
		}
		inside, all = c.ID(), evenly(all, int(req.GetMost()))
		for _, p := range all {
			day := c.dayOf(store.Micros(p.GetTakenTime())).String()
			captions = append(captions, strings.Join(strings.Fields(day+" "+p.GetCredit()+" "+p.GetLicense()), " "))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	frames := make([]measure.Frame, len(all))
	for i, p := range all {
		frames[i] = s.frame(ctx, inside, p, captions[i])
	}
	strip, err := measure.Strip(frames, measure.StripOptions{})
	if err != nil {
		return nil, fromStore(err)
	}
	var out bytes.Buffer
	if err := png.Encode(&out, strip); err != nil {
		return nil, fmt.Errorf("write a strip: %w", err)
	}
	return &httpbody.HttpBody{ContentType: StripType, Data: out.Bytes()}, nil
}

// evenly returns at most so many of some, the first and the last among them.
func evenly[V any](all []V, most int) []V {
	if most == 0 {
		most = usualStrip
	}
	if len(all) <= most {
		return all
	}
	if most == 1 {
		return all[len(all)-1:]
	}
	out := make([]V, most)
	for i := range out {
		out[i] = all[i*(len(all)-1)/(most-1)]
	}
	return out
}

// frame is a photo in a strip, from its larger rendition if that is there. It is centred on
// its rosette, where that was measured.
func (s *Photos) frame(ctx context.Context, inside string, p *store.Photo, caption string) measure.Frame {
	f := measure.Frame{
		Caption: caption, Size: image.Pt(int(p.GetWidthPx()), int(p.GetHeightPx())), MmPerPx: scaleValue(p.GetScale()).MmPerPx(),
		Load: func() (image.Image, error) {
			release, err := s.decoding(ctx, callerID(ctx))
			if err != nil {
				return nil, err
			}
			defer release()
			bucket := s.blobs.Of(inside)
			if p.GetRenditionsReady() {
				return s.picture(ctx, bucket, p.GetSha256()+largeSuffix)
			}
			stored, err := s.picture(ctx, bucket, p.GetSha256())
			if err != nil {
				return nil, err
			}
			return photo.Upright(photo.Fit(stored, largeRendition), int(p.Orientation)), nil
		},
	}
	for _, span := range p.GetSpans() {
		if span.GetKind() == pb.Photo_Span_ROSETTE_DIAMETER {
			a, b := pointValue(span.GetLine().GetA()), pointValue(span.GetLine().GetB())
			f.Center = &measure.Point{X: (a.X + b.X) / 2, Y: (a.Y + b.Y) / 2}
			f.ExtentMm = stripMargin * math.Hypot(b.X-a.X, b.Y-a.Y) * f.MmPerPx
			break
		}
	}
	return f
}
