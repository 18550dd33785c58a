package service

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"unicode"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/measure"
	"dewbench/service/photo"
	"dewbench/store"
)

// Photos are the calls about photos.
type Photos struct {
	*Core
	observations *Observations
}

// mostPhotos is how many photos one plant can have, with those that can be undeleted.
const mostPhotos = 1000

// usualPointingErrorPx is how well places are pointed at where nothing is said of it.
const usualPointingErrorPx = 2

// findPhoto finds a photo, deleted or not, of a plant that is not deleted.
func (v *visit) findPhoto(name, tag string) (*collection, string, *store.Photo, error) {
	c, plant, err := v.livePlant(name, tag)
	if err != nil {
		return nil, "", nil, err
	}
	id := store.Segment(name, "photos")
	p, err := c.Photo(plant, id)
	if err == nil && v.purged(p) {
		err = store.ErrNotFound
	}
	return c, plant, p, missing(err, PhotoNotFound, store.PhotoName(c.ID(), plant, id))
}

// showPhoto returns a photo with what its row does not tell.
func (c *collection) showPhoto(p *store.Photo) (*pb.Photo, error) {
	m := p.Photo
	m.TakenDate = dayIn(m.GetTakenTime(), c.zone)
	m.ContentType = photo.Kind(p.Format).MediaType()
	if m.GetScale() == nil {
		return m, nil
	}
	for i, span := range m.GetSpans() {
		if err := measureSpan(m.GetScale(), span); err != nil {
			return nil, fmt.Errorf("span %d of %s: %w", i, m.GetName(), err)
		}
	}
	return m, nil
}

// measureSpan sets how long a span is by a scale.
func measureSpan(scale *pb.Photo_Scale, span *pb.Photo_Span) error {
	size, err := measure.Length(scaleValue(scale), lineValue(span.GetLine()))
	if err != nil {
		return err
	}
	span.LengthMm, span.UncertaintyMm = &size.Mm, &size.UncertaintyMm
	return nil
}

func scaleValue(s *pb.Photo_Scale) measure.Scale {
	return measure.Scale{Line: lineValue(s.GetLine()), LengthMm: s.GetLengthMm(), TiltDeg: s.GetTiltDeg()}
}

func lineValue(l *pb.Photo_Line) measure.Line {
	out := measure.Line{A: pointValue(l.GetA()), B: pointValue(l.GetB()), ErrorPx: usualPointingErrorPx}
	if l.PointingErrorPx != nil {
		out.ErrorPx = l.GetPointingErrorPx()
	}
	return out
}

func pointValue(p *pb.Photo_Point) measure.Point { return measure.Point{X: p.GetX(), Y: p.GetY()} }

// getPhoto gets a photo that a call wrote before.
func getPhoto(v *visit, name string) (*pb.Photo, error) { return getTaggedPhoto(v, name, "") }

func getTaggedPhoto(v *visit, name, tag string) (*pb.Photo, error) {
	c, _, p, err := v.findPhoto(name, tag)
	if err != nil {
		return nil, err
	}
	return c.showPhoto(p)
}

// GetPhoto gets a photo.
func (s *Photos) GetPhoto(ctx context.Context, req *pb.GetPhotoRequest) (m *pb.Photo, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getTaggedPhoto(v, req.GetName(), req.GetTag())
		return err
	})
	return m, err
}

var photoFields = Fields{
	"takenTime": TimeField,
	"license":   TextField,
}

// ListPhotos lists photos.
func (s *Photos) ListPhotos(ctx context.Context, req *pb.ListPhotosRequest) (*pb.ListPhotosResponse, error) {
	answer := &pb.ListPhotosResponse{}
	err := s.read(ctx, func(v *visit) error {
		l, err := v.list(req, photoFields, nil, []string{"takenTime", "name"})
		if err != nil {
			return err
		}
		if req.GetOrderBy() == "" {
			l.query.Desc = true // the latest first
		}
		plant, err := v.plantsOf(req.GetParent(), req.GetTag())
		if err != nil {
			return err
		}
		answer.Photos, answer.NextPageToken, err = inCollections(v, l, req.GetParent(), func(c *collection, q store.List) ([]*pb.Photo, []any, error) {
			some, next, err := c.Photos(plant, q)
			if err != nil {
				return nil, nil, err
			}
			out := make([]*pb.Photo, len(some))
			for i, p := range some {
				if out[i], err = c.showPhoto(p); err != nil {
					return nil, nil, err
				}
			}
			return out, next, nil
		})
		return err
	})
	return answer, err
}

// UpdatePhoto changes what is said of a photo.
func (s *Photos) UpdatePhoto(ctx context.Context, req *pb.UpdatePhotoRequest) (*pb.Photo, error) {
	body := req.GetPhoto()
	if err := checkName("photo.name", body.GetName(), "collections", "plants", "photos"); err != nil {
		return nil, err
	}
	return s.change(ctx, req, body.GetName(), req.GetTag(), func(v *visit, c *collection, plant, id string) (*store.Photo, error) {
		return c.UpdatePhoto(plant, id, v.by(), func(p *store.Photo) error {
			if err := v.checkEtag(body.GetEtag(), p.GetEtag()); err != nil {
				return err
			}
			if p.GetDeleteTime() != nil {
				return deleted(p.GetName())
			}
			shown, err := c.showPhoto(&store.Photo{Photo: proto.CloneOf(p.Photo), Format: p.Format})
			if err != nil {
				return err
			}
			mask, err := v.mask(req.GetUpdateMask(), shown, body, "")
			if err != nil {
				return err
			}
			m := p.Photo
			m.TakenDate = dayIn(m.GetTakenTime(), c.zone)
			Apply(mask, m, body)
			chooseDate(mask, "taken", &m.TakenTime, &m.TakenDate)
			return v.checkPhoto(c, p, mask.Has("taken_time") || mask.Has("taken_date"))
		})
	})
}

// checkPhoto refuses what does not fit in a photo, and completes when it was taken, if that
// is being changed.
func (v *visit) checkPhoto(c *collection, p *store.Photo, takenChanges bool) error {
	k := v.photoReader(c)
	m := p.Photo
	if takenChanges {
		v.readTaken(k, c, "photo", p)
	}
	m.TakenDate = nil
	m.Credit = checkCredit(&k.problems, "photo.credit", m.GetCredit())
	m.License = checkLicense(&k.problems, "photo.license", m.GetLicense())
	checkSpans(&k.problems, m)
	return k.err()
}

// photoReader returns a reader for the days of a photo.
func (v *visit) photoReader(c *collection) *reader {
	r := v.due.reader()
	r.stored, r.zone = true, c.zone
	return r
}

// readTaken settles when a photo was taken: as its message tells, or else as the camera
// did, or else when it was sent.
func (v *visit) readTaken(r *reader, c *collection, place string, p *store.Photo) {
	m := p.Photo
	byTime := m.GetTakenTime() != nil
	here := at{prefix: place, plant: inRequest}
	day, us, told := r.moment(here, "taken", m.GetTakenTime(), m.GetTakenDate())
	switch {
	case told:
		m.TakenTime, m.TakenSource = instantOfMicros(us), pb.Photo_TOLD
		// A photo shows what was; a clock may run fast, and where the plant is it may be
		// tomorrow already.
		if last := c.today(v.at) + 1; day.Given() && (day < earliest || day > last) {
			field := "takenDate"
			if byTime {
				field = "takenTime"
			}
			r.refuse(here, field, "must lie from %s to %s, tomorrow", earliest, last)
		}
	case p.CameraUs != nil:
		m.TakenTime, m.TakenSource = instantOfMicros(*p.CameraUs), p.CameraSource
	case m.GetCreateTime() != nil:
		m.TakenTime, m.TakenSource = m.GetCreateTime(), pb.Photo_SENT
	default:
		m.TakenTime, m.TakenSource = instantOf(v.at), pb.Photo_SENT
	}
	m.TakenDate = nil
}

// firstCameras is before all cameras that tell when a photo was taken: Exif is of 1995. An
// earlier time is that of a clock that nobody set.
var firstCameras = civil.Date(1995, 1, 1)

// checkCredit returns whom to name, and refuses what cannot stand beside a photo.
func checkCredit(p *problems, field, credit string) string {
	credit = strings.TrimSpace(credit)
	if strings.ContainsFunc(credit, unicode.IsControl) {
		p.refuse(InvalidFields, field, "must stand in one line, without tabs")
	}
	return photo.Legible(credit, photo.MaxCredit)
}

// checkSpans refuses a scale and spans that lie outside of the photo, or tell no length.
func checkSpans(p *problems, m *pb.Photo) {
	inside := func(field string, l *pb.Photo_Line) bool {
		refused := p.refused
		for _, end := range []struct {
			name  string
			point *pb.Photo_Point
		}{{"a", l.GetA()}, {"b", l.GetB()}} {
			if end.point.GetX() > float64(m.GetWidthPx()) {
				p.refuse(InvalidFields, field+"."+end.name+".x", "must lie on the photo, which is %d pixels wide", m.GetWidthPx())
			}
			if end.point.GetY() > float64(m.GetHeightPx()) {
				p.refuse(InvalidFields, field+"."+end.name+".y", "must lie on the photo, which is %d pixels high", m.GetHeightPx())
			}
		}
		return p.refused == refused
	}
	if scale := m.GetScale(); scale != nil { // a mask may have made one of a part
		switch {
		case scale.GetLine().GetA() == nil || scale.GetLine().GetB() == nil:
			p.refuse(InvalidFields, "photo.scale.line", "must be given, with both its ends")
			return
		case scale.GetLengthMm() <= 0:
			p.refuse(InvalidFields, "photo.scale.lengthMm", "must be given")
			return
		}
	}
	if scale := m.GetScale(); scale != nil && inside("photo.scale.line", scale.GetLine()) {
		if rule := unmeasured(scaleValue(scale), scaleValue(scale).Line, measure.ShortestScale); rule != "" {
			p.refuse(InvalidFields, "photo.scale.line", "%s", rule)
			return
		}
	}
	for i, span := range m.GetSpans() {
		field := fmt.Sprintf("photo.spans[%d]", i)
		if span.GetKind() == pb.Photo_Span_OTHER && strings.TrimSpace(span.GetLabel()) == "" {
			p.refuse(InvalidFields, field+".label", "must say what it is, for kind OTHER")
		}
		if !inside(field+".line", span.GetLine()) {
			continue
		}
		line, rule := lineValue(span.GetLine()), ""
		switch {
		case line.A == line.B:
			rule = "must have its ends at two places"
		case m.GetScale() != nil:
			rule = unmeasured(scaleValue(m.GetScale()), line, measure.ShortestSpan)
		case line.LengthPx() < measure.ShortestSpan*line.ErrorPx:
			rule = tooShort(measure.ShortestSpan, line)
		}
		if rule != "" {
			p.refuse(InvalidFields, field+".line", "%s", rule)
		}
		span.LengthMm, span.UncertaintyMm = nil, nil
	}
}

// unmeasured tells why a line is not measured by a scale, in the words of the contract; ""
// if it is. A line is shortest errors of pointing long at least.
func unmeasured(scale measure.Scale, line measure.Line, shortest int) string {
	_, err := measure.Length(scale, line)
	switch {
	case err == nil:
		return ""
	case line.A == line.B:
		return "must have its ends at two places"
	case errors.Is(err, measure.ErrShort):
		return tooShort(shortest, line)
	}
	return onOneLine(err)
}

func tooShort(shortest int, line measure.Line) string {
	return fmt.Sprintf("must be at least %d times as long as its pointingErrorPx, %v pixels", shortest, float64(shortest)*line.ErrorPx)
}

// onOneLine is what errors say that were joined.
func onOneLine(err error) string { return strings.ReplaceAll(err.Error(), "\n", "; ") }

// DeletePhoto deletes a photo.
func (s *Photos) DeletePhoto(ctx context.Context, req *pb.DeletePhotoRequest) (*pb.Photo, error) {
	return s.change(ctx, req, req.GetName(), req.GetTag(), func(v *visit, c *collection, plant, id string) (*store.Photo, error) {
		p, err := c.Photo(plant, id)
		if err != nil {
			return nil, err
		}
		if p.GetDeleteTime() != nil {
			return nil, store.ErrNotFound
		}
		return c.DeletePhoto(plant, id, v.by(), v.at.Add(undeleting).UnixMicro(), func(p *store.Photo) error {
			return v.checkEtag(req.GetEtag(), p.GetEtag())
		})
	})
}

// UndeletePhoto brings a deleted photo back.
func (s *Photos) UndeletePhoto(ctx context.Context, req *pb.UndeletePhotoRequest) (*pb.Photo, error) {
	return s.change(ctx, req, req.GetName(), req.GetTag(), func(v *visit, c *collection, plant, id string) (*store.Photo, error) {
		p, err := c.Photo(plant, id)
		switch {
		case err != nil:
			return nil, err
		case v.purged(p):
			return nil, store.ErrNotFound
		case p.GetDeleteTime() == nil:
			return p, v.checkEtag(req.GetEtag(), p.GetEtag())
		}
		return c.UndeletePhoto(plant, id, v.by(), func(p *store.Photo) error { return v.checkEtag(req.GetEtag(), p.GetEtag()) })
	})
}

// checkPhotoRoom refuses one more photo of a plant that has as many as it can have.
func (v *visit) checkPhotoRoom(c *collection, plant string) error {
	n, err := c.CountPhotos(plant)
	if err == nil && n >= mostPhotos {
		err = &Error{Reason: TooManyPhotos, Message: fmt.Sprintf("%s has %d photos with those deleted within 30 days, as many as one plant can have", store.PlantName(c.ID(), plant), n)}
	}
	return err
}

// change runs do with the collection, the plant and the id of a photo.
func (s *Photos) change(
	ctx context.Context, req writing, name, tag string, do func(v *visit, c *collection, plant, id string) (*store.Photo, error),
) (*pb.Photo, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Photo, error) {
		c, plant, err := v.livePlant(name, tag)
		if err != nil {
			return nil, err
		}
		id := store.Segment(name, "photos")
		p, err := do(v, c, plant, id)
		if err != nil {
			return nil, missing(err, PhotoNotFound, store.PhotoName(c.ID(), plant, id))
		}
		return c.showPhoto(p)
	}, getPhoto)
}

// RecordMeasurement takes spans of a photo over as an observation.
func (s *Photos) RecordMeasurement(ctx context.Context, req *pb.RecordMeasurementRequest) (*pb.Observation, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Observation, error) {
		c, plant, p, err := v.findPhoto(req.GetName(), req.GetTag())
		if err != nil {
			return nil, err
		}
		if p.GetDeleteTime() != nil {
			return nil, deleted(p.GetName())
		}
		m, err := c.showPhoto(p)
		if err != nil {
			return nil, err
		}
		sizes, err := measured(m, req.GetSpans())
		if err != nil {
			return nil, err
		}
		out, err := s.observations.createAll(v, store.PlantName(c.ID(), plant), []newEvent[*pb.Observation]{{
			parent: store.PlantName(c.ID(), plant), id: req.GetObservationId(), photo: m.GetName(),
			message: &pb.Observation{
				ObserveTime: m.GetTakenTime(), Note: req.GetNote(), Fact: &pb.Observation_Measurement_{Measurement: sizes},
			},
		}})
		if err != nil {
			return nil, err
		}
		return out[0], nil
	}, s.observations.getByName)
}

// mostMm is how long what a measurement has may be, as the contract says.
var mostMm = map[pb.Photo_Span_Kind]float64{pb.Photo_Span_ROSETTE_DIAMETER: 10_000, pb.Photo_Span_TRAP_WIDTH: 1000, pb.Photo_Span_HEIGHT: 10_000}

// measured returns what spans of a photo say as a measurement; none named are all that fit.
func measured(m *pb.Photo, named []int32) (*pb.Observation_Measurement, error) {
	if m.GetScale() == nil {
		return nil, &Error{Reason: NothingMeasured, Message: m.GetName() + " has no scale: tell two points and how far they are apart first"}
	}
	var p problems
	out := &pb.Observation_Measurement{}
	first := map[pb.Photo_Span_Kind]int{}
	take := func(field string, i int) {
		span := m.GetSpans()[i]
		if before, twice := first[span.GetKind()]; twice {
			p.refuse(InvalidFields, field, "spans[%d] and spans[%d] of the photo are both %s: name the one to take", before, i, span.GetKind())
			return
		}
		first[span.GetKind()] = i
		mm := span.LengthMm
		if most := mostMm[span.GetKind()]; *mm > most {
			p.refuse(InvalidFields, field, "is %.0f mm long, and a measurement takes %.0f mm at most: is the scale right?", *mm, most)
			return
		}
		switch span.GetKind() {
		case pb.Photo_Span_ROSETTE_DIAMETER:
			out.RosetteDiameterMm = mm
		case pb.Photo_Span_TRAP_WIDTH:
			out.TrapWidthMm = mm
		case pb.Photo_Span_HEIGHT:
			out.HeightMm = mm
		}
	}
	for i, at := range named {
		field := fmt.Sprintf("spans[%d]", i)
		switch {
		case int(at) >= len(m.GetSpans()):
			p.refuse(InvalidFields, field, "is no place in the photo's list of %d spans, which begins with 0", len(m.GetSpans()))
		case m.GetSpans()[at].GetKind() == pb.Photo_Span_OTHER:
			p.refuse(InvalidFields, field, "is of kind OTHER, which no measurement has")
		default:
			take(field, int(at))
		}
	}
	if len(named) == 0 {
		for i, span := range m.GetSpans() {
			if span.GetKind() != pb.Photo_Span_OTHER {
				take("spans", i)
			}
		}
	}
	if err := p.err(); err != nil {
		return nil, err
	}
	if len(first) == 0 {
		return nil, &Error{Reason: NothingMeasured, Message: m.GetName() + " has no span of a kind that a measurement has: ROSETTE_DIAMETER, TRAP_WIDTH or HEIGHT"}
	}
	return out, nil
}

// cameraTime returns when the camera says that a photo was taken, and how it knows; nil if
// it does not say, or its clock was wrong.
func (v *visit) cameraTime(c *collection, taken *photo.Taken) (*int64, pb.Photo_TimeSource) {
	if taken == nil {
		return nil, 0
	}
	source := pb.Photo_CAMERA
	if taken.Offset != nil {
		source = pb.Photo_CAMERA_WITH_OFFSET
	}
	t := taken.At(c.zone)
	if day := civilDay(t, c.zone); day < firstCameras || day > c.today(v.at)+1 {
		return nil, 0
	}
	us := t.UnixMicro()
	return &us, source
}
