package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
)

// measuring are the flags of dewbench photo measure.
type measuring struct {
	scale        string
	spans        []string
	tilt, errorP decimal
	on           string
	clear        bool

	rosette, keep bool
	index         string

	record, note string
	asJSON       bool
}

// recordAll is the value of --record without one.
const recordAll = "all"

func photoMeasureCommand() *cobra.Command {
	o := measuring{
		tilt:   decimal{rule: "must be degrees such as 5 or 7,5"},
		errorP: decimal{rule: "must be pixels such as 2 or 1,5"},
	}
	c := &cobra.Command{
		Use:   "measure PHOTO",
		Short: "Measure on a photo by a known length, and record it",
		Long: `Measure on a photo. Point at both ends of a known length, of a ruler or a label that lies
in the plane of what you measure and as far from the camera, and say how long it is
(--scale); point at both ends of what you measure (--span). Both are kept with the photo.
Without flags it shows what is.

Places are X,Y in pixels of the upright picture as it was sent: to the right and down from
its upper left corner, so that the middle of the first pixel is at 0.5,0.5. If you point
at the large or small form of it, say so with --on, and give places in its pixels.

Behind ± stands how far the true length may be off, 95 times in 100 (the expanded
uncertainty of JCGM 100:2008): from pointing at both ends of the span and of the scale,
each as well as --error tells, and from a camera that did not look squarely at the plane,
by up to --tilt degrees. It is not about a scale that lies nearer or farther than the
plant, the perspective of a near camera, or a ruler that is wrong.

A span of a kind replaces those of its kind. --rosette proposes the rosette's diameter: it
looks for the plant by its colour, so look whether that is right before you --keep it. It
fails where something of the same colour touches the plant, as moss does, in deep shade,
and where a red plant stands on red ground.

--record takes the diameter, the width and the height over as a measurement of the day on
which the photo was taken; of several of a kind name those to take by the numbers that are
shown, --record=1,3.`,
		Example: "  dewbench photo measure 0198c2f0 --scale 210,1480,1890,1466=150\n" +
			"  dewbench photo measure 0198c2f0 --span rosette=420,700,1610,820 --span other:stalk=900,100,930,690\n" +
			"  dewbench photo measure 0198c2f0 --rosette --keep --record",
	}
	f := c.Flags()
	f.StringVar(&o.scale, "scale", "", "a known length, as X1,Y1,X2,Y2=MM")
	f.Var(&o.tilt, "tilt", "how far the camera may have been from looking squarely at the plane of the scale, degrees, 0 to 45 (default what is kept, else 0: none)")
	f.StringArrayVar(&o.spans, "span", nil, "what to measure, as KIND=X1,Y1,X2,Y2; KIND is rosette, trap, height or other:WORDS. May be repeated")
	f.Var(&o.errorP, "error", "how well you point: standard deviation of each X and Y, pixels (default 2)")
	f.StringVar(&o.on, "on", "original", "in whose pixels places and --error are: "+strings.Join(renditions, ", "))
	f.BoolVar(&o.clear, "clear", false, "take away the scale and the spans that are there")
	f.BoolVar(&o.rosette, "rosette", false, "propose where the rosette is, and how wide")
	f.StringVar(&o.index, "index", "", "by which excess of colour to look for it: green or red (default the one that tells it better)")
	f.BoolVar(&o.keep, "keep", false, "keep what --rosette proposes")
	f.StringVar(&o.record, "record", "", "record a measurement of the plant from the spans, or from those with these `NUMBERS`")
	f.Lookup("record").NoOptDefVal = recordAll
	f.StringVar(&o.note, "note", "", "a note for the record")
	f.BoolVar(&o.asJSON, "json", false, "print what the API answers")
	return onPhoto(c, false, o.run)
}

// check refuses flags that do not go together.
func (o *measuring) check() error {
	switch {
	case !o.rosette && o.keep:
		return errors.New("--keep: is for what --rosette proposes; spans that you give are kept anyway")
	case !o.rosette && o.index != "":
		return errors.New("--index: is for --rosette")
	case o.rosette && o.record != "" && !o.keep:
		return errors.New("--record: what --rosette proposes is recorded only if you --keep it")
	case o.record == "" && o.note != "":
		return errors.New("--note: is for --record; dewbench photo update notes something of the photo")
	case o.errorP.value != nil && o.scale == "" && len(o.spans) == 0:
		return errors.New("--error: is for places that you give with --scale and --span")
	case o.asJSON && o.record != "":
		return errors.New("--json: shows the photo or the proposal, and does not go with --record")
	}
	return nil
}

func (o *measuring) run(ctx context.Context, h *home, m *shownPhoto, in inOut) error {
	if err := o.check(); err != nil {
		return err
	}
	index, err := indexOf(o.index)
	if err != nil {
		return err
	}
	to, err := o.measured(m.Photo)
	if err != nil {
		return err
	}
	numbers, err := spanNumbers(o.record)
	if err != nil {
		return err
	}
	kept := ""
	if !proto.Equal(to, m.Photo) {
		if m.Photo, err = h.putSpans(ctx, to); err != nil {
			return err
		}
		kept = "\nThe scale and the spans that you gave are kept."
	}
	var found *pb.MeasureRosetteResponse
	if o.rosette {
		if found, err = pb.NewPhotoServiceClient(h).MeasureRosette(ctx, &pb.MeasureRosetteRequest{Name: m.GetName(), Index: index}); err != nil {
			return fmt.Errorf("%w%s", h.said(err, nil), kept)
		}
		if o.keep {
			to := proto.CloneOf(m.Photo)
			to.Spans = replaced(to.GetSpans(), []*pb.Photo_Span{found.GetSpan()})
			if m.Photo, err = h.putSpans(ctx, to); err != nil {
				return fmt.Errorf("%w%s", err, kept)
			}
		}
	}
	switch {
	case o.asJSON && found != nil:
		return writeAnswer(in.out, found)
	case o.asJSON:
		return writeAnswer(in.out, m.Photo)
	}
	if found != nil {
		if err := writeRosette(in, found, o.keep); err != nil {
			return err
		}
	}
	if err := h.writeMeasured(in, m); err != nil || o.record == "" {
		return err
	}
	return h.recordSpans(ctx, in, m, numbers, o.note)
}

// putSpans puts scale and spans into a photo, if nobody else has changed it.
func (h *home) putSpans(ctx context.Context, to *pb.Photo) (*pb.Photo, error) {
	mask := &fieldmaskpb.FieldMask{Paths: []string{"scale", "spans"}}
	return h.updatePhoto(ctx, &pb.Photo{Name: to.GetName(), Etag: to.GetEtag(), Scale: to.GetScale(), Spans: to.GetSpans()}, mask, func(field string) string {
		switch {
		case strings.HasPrefix(field, "photo.scale.tiltDeg"):
			return "--tilt"
		case strings.HasSuffix(field, ".pointingErrorPx"):
			return "--error"
		case strings.HasPrefix(field, "photo.scale"):
			return "--scale" + endWords.Replace(strings.TrimPrefix(field, "photo.scale"))
		}
		n := 0
		if _, err := fmt.Sscanf(field, "photo.spans[%d]", &n); err == nil && n < len(to.GetSpans()) {
			return "--span " + typedKind(to.GetSpans()[n]) + endWords.Replace(field[strings.IndexByte(field, ']')+1:])
		}
		return field
	})
}

// endWords name the ends of a line as they are typed.
var endWords = strings.NewReplacer(".line.a.x", ", X1", ".line.a.y", ", Y1", ".line.b.x", ", X2", ".line.b.y", ", Y2", ".line", "", ".lengthMm", ", MM")

// indexOf reads an index.
func indexOf(text string) (pb.MeasureRosetteRequest_Index, error) {
	switch strings.ToLower(text) {
	case "":
		return pb.MeasureRosetteRequest_INDEX_UNSPECIFIED, nil
	case "green":
		return pb.MeasureRosetteRequest_EXCESS_GREEN, nil
	case "red":
		return pb.MeasureRosetteRequest_EXCESS_RED, nil
	}
	return 0, fmt.Errorf("--index %s: must be green or red", text)
}

// spanNumbers reads the numbers of --record; none for all.
func spanNumbers(text string) ([]int32, error) {
	if text == "" || text == recordAll {
		return nil, nil
	}
	var out []int32
	for part := range strings.SplitSeq(text, ",") {
		n, err := wholeNumber(strings.TrimSpace(part))
		if err != nil || n < 1 {
			return nil, fmt.Errorf("--record=%s: give the numbers of spans as they are shown, such as --record=1,3", text)
		}
		out = append(out, n-1)
	}
	return out, nil
}

// measured returns the photo as it is to be.
func (o *measuring) measured(m *pb.Photo) (*pb.Photo, error) {
	form, err := renditionOf("--on", o.on)
	if err != nil {
		return nil, err
	}
	to := proto.CloneOf(m)
	if o.clear {
		to.Scale, to.Spans = nil, nil
	}
	at := pointing{inPixels: pixelsOf(m, form), errorPx: o.errorP.value}
	if o.scale != "" {
		const like = "write it as X1,Y1,X2,Y2=MM, such as 210,1480,1890,1466=150"
		places, length, ok := strings.Cut(o.scale, "=")
		line, err := at.line(places)
		if !ok || err != nil {
			return nil, fmt.Errorf("--scale %s: %s", o.scale, like)
		}
		mm, err := readDecimal(strings.TrimSuffix(strings.TrimSpace(length), "mm"))
		if err != nil {
			return nil, fmt.Errorf("--scale %s: %q must be a number of millimetres; %s", o.scale, length, like)
		}
		// How the camera stood does not change with the length by which it is measured.
		to.Scale = &pb.Photo_Scale{Line: line, LengthMm: mm, TiltDeg: to.GetScale().GetTiltDeg()}
	}
	if o.tilt.value != nil {
		if to.GetScale() == nil {
			return nil, errors.New("--tilt: is of a scale: give one with --scale")
		}
		to.Scale.TiltDeg = *o.tilt.value
	}
	var spans []*pb.Photo_Span
	for _, text := range o.spans {
		span, err := at.span(text)
		if err != nil {
			return nil, err
		}
		spans = append(spans, span)
	}
	to.Spans = replaced(to.GetSpans(), spans)
	return to, nil
}

// replaced returns spans after others came that replace those of their kinds.
func replaced(there, come []*pb.Photo_Span) []*pb.Photo_Span {
	if len(come) == 0 {
		return there
	}
	return append(slices.DeleteFunc(slices.Clone(there), func(old *pb.Photo_Span) bool {
		return slices.ContainsFunc(come, func(s *pb.Photo_Span) bool { return typedKind(s) == typedKind(old) })
	}), come...)
}

// pointing reads places on a form of a photo.
type pointing struct {
	inPixels [2]float64 // of the original, one pixel of the form: its width and its height
	errorPx  *float64   // of the form; nil: the default
}

// usualErrorPx is how well one points, on whatever form.
const usualErrorPx = 2

// pixelsOf tells how large a pixel of a form is, in pixels of the upright original.
func pixelsOf(m *pb.Photo, form pb.Photo_Rendition) [2]float64 {
	longest := map[pb.Photo_Rendition]int32{pb.Photo_SMALL: 320, pb.Photo_LARGE: 1600}[form]
	w, h := m.GetWidthPx(), m.GetHeightPx()
	longer := max(w, h)
	if longest == 0 || longer <= longest {
		return [2]float64{1, 1}
	}
	// Sides of renditions are rounded to whole pixels.
	side := func(px int32) float64 { return max(1, math.Round(float64(px)*float64(longest)/float64(longer))) }
	return [2]float64{float64(w) / side(w), float64(h) / side(h)}
}

// line reads two places, X1,Y1,X2,Y2.
func (p *pointing) line(text string) (*pb.Photo_Line, error) {
	parts := strings.Split(text, ",")
	if len(parts) != 4 {
		return nil, errors.New("has not four numbers")
	}
	var v [4]float64
	for i, part := range parts {
		var err error
		if v[i], err = strconv.ParseFloat(strings.TrimSpace(part), 64); err != nil {
			return nil, err
		}
		v[i] *= p.inPixels[i%2]
	}
	l := &pb.Photo_Line{A: &pb.Photo_Point{X: v[0], Y: v[1]}, B: &pb.Photo_Point{X: v[2], Y: v[3]}}
	larger := max(p.inPixels[0], p.inPixels[1])
	switch {
	case p.errorPx != nil:
		l.PointingErrorPx = proto.Float64(*p.errorPx * larger)
	case larger != 1:
		l.PointingErrorPx = proto.Float64(usualErrorPx * larger)
	}
	return l, nil
}

// spanKinds are what can be measured, as it is typed.
var spanKinds = []struct {
	typed string
	kind  pb.Photo_Span_Kind
}{{"rosette", pb.Photo_Span_ROSETTE_DIAMETER}, {"trap", pb.Photo_Span_TRAP_WIDTH}, {"height", pb.Photo_Span_HEIGHT}, {"other", pb.Photo_Span_OTHER}}

// span reads a span, KIND=X1,Y1,X2,Y2.
func (p *pointing) span(text string) (*pb.Photo_Span, error) {
	const like = "write it as KIND=X1,Y1,X2,Y2, such as rosette=420,700,1610,820"
	kind, places, ok := cutLast(text, "=")
	line, err := p.line(places)
	if !ok || err != nil {
		return nil, fmt.Errorf("--span %s: %s", text, like)
	}
	typed, label, labelled := strings.Cut(kind, ":")
	for _, k := range spanKinds {
		if !strings.EqualFold(strings.TrimSpace(typed), k.typed) {
			continue
		}
		label = strings.TrimSpace(label)
		if k.kind == pb.Photo_Span_OTHER && label == "" {
			return nil, fmt.Errorf("--span %s: say what it is, such as other:stalk", text)
		}
		if k.kind != pb.Photo_Span_OTHER && labelled {
			return nil, fmt.Errorf("--span %s: only what is other has words behind a colon", text)
		}
		return &pb.Photo_Span{Kind: k.kind, Label: label, Line: line}, nil
	}
	return nil, fmt.Errorf("--span %s: the kind must be rosette, trap, height or other:WORDS", text)
}

// cutLast cuts a text around the last of a separator.
func cutLast(text, separator string) (before, after string, found bool) {
	i := strings.LastIndex(text, separator)
	if i < 0 {
		return text, "", false
	}
	return text[:i], text[i+len(separator):], true
}

// typedKind is the kind of a span as it is typed.
func typedKind(s *pb.Photo_Span) string {
	for _, k := range spanKinds {
		if k.kind == s.GetKind() {
			if s.GetKind() == pb.Photo_Span_OTHER {
				return k.typed + ":" + s.GetLabel()
			}
			return k.typed
		}
	}
	return strings.ToLower(s.GetKind().String())
}

// spanWords tell what a span is.
func spanWords(s *pb.Photo_Span) string {
	if s.GetKind() == pb.Photo_Span_OTHER {
		return printable(s.GetLabel())
	}
	return enumWords(s.GetKind())
}

// lengthWords tell how long a span is; "" where the photo has no scale.
func lengthWords(s *pb.Photo_Span) string {
	if s.LengthMm == nil {
		return ""
	}
	return withUncertainty(s.GetLengthMm(), s.GetUncertaintyMm()) + " mm"
}

// withUncertainty writes a value with its expanded uncertainty: that with two significant
// digits, the value rounded to the same place (JCGM 100:2008, 7.2.6). What is no positive
// number is written as it is.
func withUncertainty(value, uncertainty float64) string {
	if !(uncertainty > 0) || math.IsInf(uncertainty, 0) {
		return fmt.Sprintf("%g ± %g", value, uncertainty)
	}
	digits := strconv.FormatFloat(uncertainty, 'e', 1, 64)
	_, exponent, _ := strings.Cut(digits, "e")
	place, err := strconv.Atoi(exponent)
	if err != nil {
		return fmt.Sprintf("%g ± %g", value, uncertainty)
	}
	rounded, err := strconv.ParseFloat(digits, 64)
	if err != nil {
		return fmt.Sprintf("%g ± %g", value, uncertainty)
	}
	decimals := 1 - place
	if decimals < 0 {
		step := math.Pow10(-decimals)
		value, decimals = math.Round(value/step)*step, 0
	}
	return strconv.FormatFloat(value, 'f', decimals, 64) + " ± " + strconv.FormatFloat(rounded, 'f', decimals, 64)
}

// pixelText writes a number of pixels, to a tenth.
func pixelText(v float64) string { return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) }

func pointText(p *pb.Photo_Point) string { return pixelText(p.GetX()) + "," + pixelText(p.GetY()) }

// lengthPx is how long a line is on the picture.
func lengthPx(l *pb.Photo_Line) float64 {
	return math.Hypot(l.GetB().GetX()-l.GetA().GetX(), l.GetB().GetY()-l.GetA().GetY())
}

// writeMeasured shows the scale and the spans of a photo.
func (h *home) writeMeasured(in inOut, m *shownPhoto) error {
	if _, err := fmt.Fprintf(in.out, "%s, taken %s, %s\n", m.words(), h.takenWords(m.Photo), pixelWords(m.Photo)); err != nil {
		return err
	}
	if err := writeScale(in.out, m.GetScale()); err != nil {
		return err
	}
	if len(m.GetSpans()) == 0 {
		_, err := fmt.Fprintln(in.out, "no spans: --span KIND=X1,Y1,X2,Y2, or --rosette")
		return err
	}
	rows := [][]string{{"NO", "WHAT", "FROM", "TO", "PIXELS", "LENGTH"}}
	for i, s := range m.GetSpans() {
		rows = append(rows, []string{
			strconv.Itoa(i + 1), spanWords(s), pointText(s.GetLine().GetA()), pointText(s.GetLine().GetB()),
			pixelText(lengthPx(s.GetLine())), dash(lengthWords(s)),
		})
	}
	return writeTable(in.out, rows)
}

// writeScale shows the scale of a photo.
func writeScale(out io.Writer, s *pb.Photo_Scale) error {
	if s == nil {
		_, err := fmt.Fprintln(out, "no scale: --scale X1,Y1,X2,Y2=MM")
		return err
	}
	text := fmt.Sprintf("scale: %g mm from %s to %s, %.3g mm a pixel", s.GetLengthMm(), pointText(s.GetLine().GetA()), pointText(s.GetLine().GetB()),
		s.GetLengthMm()/lengthPx(s.GetLine()))
	if s.GetTiltDeg() > 0 {
		text += fmt.Sprintf(", tilted by up to %g degrees", s.GetTiltDeg())
	}
	_, err := fmt.Fprintln(out, text)
	return err
}

// rosetteDoubts say why a proposal may be wrong.
var rosetteDoubts = map[pb.MeasureRosetteResponse_Warning]string{
	pb.MeasureRosetteResponse_TOUCHES_EDGE:    "it reaches the edge of the photo: it may be larger",
	pb.MeasureRosetteResponse_LOW_CONTRAST:    "plant and ground hardly differ",
	pb.MeasureRosetteResponse_SEVERAL_REGIONS: "there is another region at least a fifth as large: it may be the plant",
	pb.MeasureRosetteResponse_SMALL_REGION:    "it is less than a hundredth of the photo: it may be something else",
	pb.MeasureRosetteResponse_SIMILAR_GROUND:  "the ground has much of its colour: it may be a part of a plant that fills the photo",
}

// writeRosette shows where the rosette may be.
func writeRosette(in inOut, found *pb.MeasureRosetteResponse, kept bool) error {
	area := pixelText(found.GetAreaPx()) + " square pixels"
	if found.AreaMm2 != nil {
		area = fmt.Sprintf("%.4g mm²", found.GetAreaMm2())
	}
	size := pixelText(found.GetDiameterPx()) + " px"
	if mm := lengthWords(found.GetSpan()); mm != "" {
		size += ", " + mm
	}
	if _, err := fmt.Fprintf(in.out, "proposed by %s: a circle around %s, %s wide; area of the plant %s; parted at %.3g, separability %.2f\n",
		enumWords(found.GetIndex()), pointText(found.GetCenter()), size, area, found.GetThreshold(), found.GetSeparability()); err != nil {
		return err
	}
	for _, w := range found.GetWarnings() {
		words := rosetteDoubts[w]
		if words == "" {
			words = enumWords(w)
		}
		fmt.Fprintf(in.notes, "note: %s\n", words)
	}
	if !kept {
		fmt.Fprintln(in.notes, "note: the proposal is not kept: look whether it is right, and say --keep, or point at the rosette with --span")
	}
	return nil
}

// recordSpans takes spans over as a measurement.
func (h *home) recordSpans(ctx context.Context, in inOut, m *shownPhoto, numbers []int32, note string) error {
	for _, n := range numbers {
		if int(n) >= len(m.GetSpans()) {
			return fmt.Errorf("--record: there is no span %d", n+1)
		}
	}
	if numbers == nil {
		if err := oneOfEach(m.GetSpans()); err != nil {
			return err
		}
	}
	req := &pb.RecordMeasurementRequest{Name: m.GetName(), Spans: numbers, Note: note, RequestId: newRequestID()}
	made, err := pb.NewPhotoServiceClient(h).RecordMeasurement(ctx, req)
	if err != nil {
		return h.said(err, func(field string) string {
			n := 0
			if _, err := fmt.Sscanf(field, "spans[%d]", &n); err == nil && n < len(numbers) {
				return fmt.Sprintf("--record, span %d", numbers[n]+1)
			}
			return fields(map[string]string{"spans": "--record", "note": "--note"})(field)
		})
	}
	return recorded(in, m.of, made.GetObserveDate(), observationWords(made, nil), req.GetRequestId())
}

// oneOfEach refuses to take all spans where two are of a kind.
func oneOfEach(spans []*pb.Photo_Span) error {
	first := map[pb.Photo_Span_Kind]int{}
	for i, s := range spans {
		before, twice := first[s.GetKind()]
		if twice && s.GetKind() != pb.Photo_Span_OTHER {
			return fmt.Errorf("--record: spans %d and %d are both a %s: name those to take, such as --record=%d", before+1, i+1, spanWords(s), before+1)
		}
		first[s.GetKind()] = i
	}
	return nil
}
