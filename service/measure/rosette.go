package measure

import (
	"errors"
	"fmt"
	"image"
)

// Index is a number of colour by which plants stand out.
type Index int

const (
	// Auto takes excess green or excess red, whichever tells the plant better.
	Auto Index = iota
	// ExcessGreen is for green plants.
	ExcessGreen
	// ExcessRed is for red plants.
	ExcessRed
)

func (i Index) String() string {
	switch i {
	case Auto:
		return "AUTO"
	case ExcessGreen:
		return "EXCESS_GREEN"
	case ExcessRed:
		return "EXCESS_RED"
	}
	return fmt.Sprintf("Index(%d)", int(i))
}

// Warning is a reason to look closely at a rosette that was found.
type Warning string

const (
	// TouchesEdge: the region touches the edge of the picture, so it may go on beyond.
	TouchesEdge Warning = "TOUCHES_EDGE"
	// LowContrast: the index separates the plant no better than it would values that are
	// spread evenly.
	LowContrast Warning = "LOW_CONTRAST"
	// SeveralRegions: another region is at least a fifth as large.
	SeveralRegions Warning = "SEVERAL_REGIONS"
	// SmallRegion: the region is under one hundredth of the picture, so the threshold may
	// be that of something else.
	SmallRegion Warning = "SMALL_REGION"
	// SimilarGround: what first stood out reached three sides of the picture, or was not
	// of the colour, and only a second threshold parted the region from it. It may be a
	// part of a plant that fills the picture.
	SimilarGround Warning = "SIMILAR_GROUND"
)

// What FindRosette returns, wrapped with what was found.
var (
	// ErrEmpty: a picture has no pixels.
	ErrEmpty = errors.New("must have pixels")
	// ErrIndex: an index is none of the constants.
	ErrIndex = errors.New("must be AUTO, EXCESS_GREEN or EXCESS_RED")
	// ErrNoRosette: nothing of the colour stands out.
	ErrNoRosette = errors.New("no rosette was found")
)

// Rosette is what was found of a plant seen from above. Lengths are in pixels of the
// picture.
type Rosette struct {
	Index        Index   // by which it was found
	Threshold    float64 // from which on the index is the plant's
	Separability float64 // Otsu's eta: 1 where plant and ground have one value each

	// The smallest circle around the region.
	Center     Point
	DiameterPx float64
	// Span is that diameter of the circle which runs in the direction of the region's
	// farthest points, as if it had been pointed out. It is turned as little as makes both
	// ends lie on the picture; where the circle is too large for that, one lies beyond.
	Span Line

	AreaPx       float64 // of the region alone, holes left out
	RegionPixels int     // the same in pixels of the copy that was worked on
	Step         int     // a pixel of the copy is the mean of Step x Step of the picture
	Regions      int     // how many there are, of at least 9 pixels of the copy each

	Warnings []Warning
}

const (
	// longestSide is the most pixels that the copy has across or down.
	longestSide = 1600

	// dark is the sum of red, green and blue, of 765, under which a pixel counts as grey:
	// of so small numbers the noise and the rounding alone make colours.
	dark = 60

	// A plant's index is above that of grey, and above that of the ground, by at least so
	// much, on average. With less, light and the camera make the difference.
	leastExcess, leastContrast = 0.05, 0.04

	// A region has at least this share of the picture, and so many pixels of the copy.
	leastShare, leastPixels = 0.0005, 60

	// evenly is the separability of values that are spread evenly.
	evenly = 0.75

	// A region that touches so many sides of the picture may be ground.
	groundSides = 3

	smallShare, otherShare = 0.01, 0.2

	// The error of an end of the span: a share of a pixel of the copy, and of the
	// diameter. See FindRosette.
	errorOfPixel, errorOfDiameter = 1.25, 0.005
)

// FindRosette finds the plant on a picture that looks down on it, by its colour: the
// largest region in which the index is over its threshold. It proposes; the grower has
// to look.
//
//	r, g, b      = R/(R+G+B), G/(R+G+B), B/(R+G+B)
//	excess green = 2g - r - b
//	excess red   = 1.4r - g
//
// Step by step:
//
//  1. A copy of at most 1,600 pixels across and down is made, each pixel the mean of
//     Step x Step of the picture, Step the smallest whole number that does.
//  2. It is smoothed by a binomial filter of 5 x 5. So is an edge, by a pixel or two,
//     which moves it: mixed colours lean to the brighter side, so that a plant on white
//     looks smaller and one on black larger, by about a pixel of the copy on each side,
//     and by two where the picture is out of focus.
//  3. Where R+G+B is under 60 of 765 a pixel counts as grey. So dark leaves in deep
//     shade are lost.
//  4. Otsu's threshold parts plant from ground. Where the region of step 6 would touch
//     three sides of the picture, or is not of the colour, it may be ground that differs
//     from other ground: then what is above the threshold is parted once more, which
//     counts if its separability is at least 3/4 and the region touches fewer sides
//     (SimilarGround).
//  5. An opening of 3 x 3 takes away what is narrower than three pixels of the copy:
//     noise, hairs, stalks and the thin ends of leaves. What hangs together only by such
//     a stalk becomes regions of their own.
//  6. Of what hangs together by sides or corners the largest is the plant, and the
//     smallest circle around it has its diameter. The circle goes by the middles of
//     pixels: on drawn pictures, with a ground about as bright as the plant, that is
//     right to a pixel, as smoothing adds about what the outer halves of the pixels do.
//
// Auto takes of both the index whose region touches fewer sides of the picture, as the
// ground touches more than the plant, and of equals the one with the higher
// separability; of equals excess green.
//
// ErrNoRosette where the region's index is, on average, less than 0.05 over grey or less
// than 0.04 over the rest; where the region has under 0.05 % of the picture or under 60
// pixels of the copy. ErrEmpty for a picture without pixels, ErrIndex for an index that
// there is not.
//
// ErrorPx of the span is 1.25 pixels of the copy and 0.5 % of the diameter, so that Length
// tells an uncertainty of about 3.5 pixels of the copy and 1.4 %, without that of the
// scale. On the drawn pictures of the tests, with noise, blur and compression, 95 in 100
// diameters are within it. It does not cover what the colour does not tell. It fails where
//
//   - something of the colour touches the plant: moss, a label, another plant;
//   - ground and plant have one colour, as a red plant on red clay;
//   - deep shade hides leaves, or a hard shadow of the plant takes on colour;
//   - a red plant stands beside green moss, or a label, and the index is not told: of
//     green and red things Auto takes what stands out more clearly;
//   - leaves are parted by their stalks (SeveralRegions), or the picture's edge cuts
//     them (TouchesEdge);
//   - the camera is out of square: a rosette that is tilted by t looks up to 1 - cos t
//     smaller, where its leaves lie that way.
//
// The time goes with the pixels of the picture, the memory with those of the copy: up
// to about 60 MB.
//
// Sources: Woebbecke D. M. et al. (1995), Trans. ASAE 38: 259-269 (excess green); Meyer
// G. E. & Neto J. C. (2008), Comput. Electron. Agric. 63: 282-293,
// doi:10.1016/j.compag.2008.03.009 (excess red, and Otsu's threshold for these). Excess
// green is as later publications cite it, and excess red, 1.4r - g, as public programs
// have it; the papers' own text was not at hand. Otsu: see otsu. Steps 1 to 3, the second
// threshold, 5, Auto and all limits are choices of ours.
func FindRosette(img image.Image, index Index) (*Rosette, error) {
	size := img.Bounds().Size()
	if size.X <= 0 || size.Y <= 0 {
		return nil, fmt.Errorf("the picture %w", ErrEmpty)
	}
	indices := []Index{index}
	switch index {
	case Auto:
		indices = []Index{ExcessGreen, ExcessRed}
	case ExcessGreen, ExcessRed:
	default:
		return nil, fmt.Errorf("the index %w", ErrIndex)
	}
	step := ceilDiv(max(size.X, size.Y), longestSide)
	work := averaged(img, img.Bounds(), step).smoothed()
	var best *finding
	var faults []error
	for _, i := range indices {
		f, err := work.find(i)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		if best == nil || f.sides < best.sides || f.sides == best.sides && f.split.eta > best.split.eta {
			best = f
		}
	}
	if best == nil {
		return nil, errors.Join(faults...)
	}
	return best.rosette(work, size), nil
}

// finding is a region that may be the plant.
type finding struct {
	index  Index
	split  split
	plant  region
	others []region // smaller ones
	sides  int      // of the picture that the plant touches
	again  bool     // found by a second threshold
}

// find looks for a plant by one index.
func (p *planes) find(index Index) (*finding, error) {
	values := p.values(index)
	s, ok := otsu(values)
	if !ok {
		return nil, fmt.Errorf("%w by %v: the picture has one colour", ErrNoRosette, index)
	}
	f, err := p.regionOf(index, values, s)
	if err == nil && f.sides < groundSides {
		return f, nil
	}
	// Perhaps the ground is above other ground.
	above := make([]float32, 0, len(values))
	for _, v := range values {
		if s.isAbove(v) {
			above = append(above, v)
		}
	}
	if s, ok = otsu(above); ok && s.eta >= evenly {
		if again, errAgain := p.regionOf(index, values, s); errAgain == nil && (err != nil || again.sides < f.sides) {
			again.again = true
			return again, nil
		}
	}
	return f, err
}

// regionOf returns the largest region above a threshold.
func (p *planes) regionOf(index Index, values []float32, s split) (*finding, error) {
	none := func(format string, args ...any) error {
		return fmt.Errorf("%w by %v: %s", ErrNoRosette, index, fmt.Sprintf(format, args...))
	}
	switch grey := index.of(1, 1, 1); {
	case s.above-grey < leastExcess:
		return nil, none("what stands out is %.2f over grey, at least %v is needed", s.above-grey, leastExcess)
	case s.above-s.below < leastContrast:
		return nil, none("what stands out is %.2f over the rest, at least %v is needed", s.above-s.below, leastContrast)
	}
	m := mask{p.width, p.height, make([]bool, len(values))}
	for i, v := range values {
		m.in[i] = s.isAbove(v)
	}
	regions := m.opened().regions()
	least := max(leastPixels, leastShare*float64(len(values)))
	if len(regions) == 0 || float64(regions[0].pixels) < least {
		return nil, none("the largest region of the colour is smaller than %.0f pixels of a copy of %d x %d", least, p.width, p.height)
	}
	return &finding{
		index: index, split: s, plant: regions[0], others: regions[1:], sides: regions[0].sides(p.width, p.height),
	}, nil
}

// values returns the index of each pixel.
func (p *planes) values(index Index) []float32 {
	out := make([]float32, p.width*p.height)
	grey := float32(index.of(1, 1, 1))
	for i := range out {
		r, g, b := float64(p.rgb[3*i]), float64(p.rgb[3*i+1]), float64(p.rgb[3*i+2])
		if r+g+b < dark<<8 {
			out[i] = grey
			continue
		}
		out[i] = float32(index.of(r, g, b))
	}
	return out
}

// of returns the index of a colour that is not black.
func (i Index) of(r, g, b float64) float64 {
	sum := r + g + b
	if i == ExcessRed {
		return (1.4*r - g) / sum
	}
	return (2*g - r - b) / sum
}

// rosette tells the finding in pixels of the picture, which has the given size.
func (f *finding) rosette(work *planes, size image.Point) *Rosette {
	step := float64(work.step)
	out := &Rosette{
		Index: f.index, Threshold: f.split.threshold(), Separability: f.split.eta,
		RegionPixels: f.plant.pixels, Step: work.step, Regions: 1,
	}
	// Only the ends of runs can lie on the hull.
	points := make([]Point, 0, 2*len(f.plant.runs))
	for _, r := range f.plant.runs {
		points = append(points, Point{float64(r.from) + 0.5, float64(r.y) + 0.5}, Point{float64(r.to) - 0.5, float64(r.y) + 0.5})
		wide := min(r.to*work.step, size.X) - r.from*work.step
		high := min((r.y+1)*work.step, size.Y) - r.y*work.step
		out.AreaPx += float64(wide) * float64(high)
	}
	c := enclosing(points)
	a, b := c.diameter(float64(size.X)/step, float64(size.Y)/step)
	scaled := func(p Point) Point { return Point{step * p.X, step * p.Y} }
	out.Center, out.DiameterPx = scaled(c.center), 2*step*c.radius
	out.Span = Line{scaled(a), scaled(b), errorOfPixel*step + errorOfDiameter*out.DiameterPx}

	pixels := float64(work.width * work.height)
	for _, other := range f.others {
		if other.pixels >= 9 {
			out.Regions++
		}
	}
	warn := func(on bool, w Warning) {
		if on {
			out.Warnings = append(out.Warnings, w)
		}
	}
	warn(f.sides > 0, TouchesEdge)
	warn(f.split.eta < evenly, LowContrast)
	warn(len(f.others) > 0 && float64(f.others[0].pixels) >= otherShare*float64(f.plant.pixels), SeveralRegions)
	warn(float64(f.plant.pixels) < smallShare*pixels, SmallRegion)
	warn(f.again, SimilarGround)
	return out
}
