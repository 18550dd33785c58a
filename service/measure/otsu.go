package measure

// levels is the number of classes of the histogram that a threshold is sought in.
const levels = 256

// split is how Otsu's threshold parts values in two.
type split struct {
	low, width float64 // of the histogram: its lower end and the width of a class
	bin        int     // the last class that lies below the threshold

	eta          float64 // separability, from 0 to 1
	below, above float64 // means of both parts
}

// threshold is the value from which on values belong to the upper part.
func (s split) threshold() float64 { return s.low + float64(s.bin+1)*s.width }

// isAbove tells whether a value belongs to the upper part.
func (s split) isAbove(v float32) bool { return s.binOf(v) > s.bin }

func (s split) binOf(v float32) int { return min(int((float64(v)-s.low)/s.width), levels-1) }

// otsu returns the threshold that parts the values into two classes with the largest
// variance between them, and how well it does.
//
// The values go into 256 classes of equal width, from the smallest to the largest. With
// w0, w1 the shares of both parts, m0, m1 their means (of the middles of classes), m and
// s^2 the mean and variance of all:
//
//	between(k) = w0(k) w1(k) (m1(k) - m0(k))^2
//	eta        = max over k of between(k) / s^2
//
// Eta is what is called separability: 1 for two values; 3/4 where values are spread
// evenly, and 2/pi where they follow a normal law, so about that much says nothing.
// Where several k are best, as where classes between are empty, the middle of them is
// taken.
//
// Of no values, or where all are the same, there is no threshold, and ok is false.
//
// Source: Otsu N. (1979), IEEE Trans. Syst. Man Cybern. 9: 62-66,
// doi:10.1109/TSMC.1979.4310076. The middle is a choice of ours.
func otsu(values []float32) (s split, ok bool) {
	if len(values) == 0 {
		return s, false
	}
	low, high := values[0], values[0]
	for _, v := range values {
		low, high = min(low, v), max(high, v)
	}
	s.low, s.width = float64(low), (float64(high)-float64(low))/levels
	if !(s.width > 0) {
		return s, false
	}
	var count [levels]int
	for _, v := range values {
		count[s.binOf(v)]++
	}
	// In numbers of classes, which are whole, so that sums are exact: 256 x 2^32 values
	// at most.
	var all, sum, squares int
	for k, n := range count {
		all += n
		sum += k * n
		squares += k * k * n
	}
	best, first, last := 0., 0, 0
	var lower, lowerSum int
	for k := range levels - 1 {
		lower += count[k]
		lowerSum += k * count[k]
		between := 0.
		if upper := all - lower; lower > 0 && upper > 0 {
			apart := float64(sum-lowerSum)/float64(upper) - float64(lowerSum)/float64(lower)
			between = float64(lower) * float64(upper) * apart * apart
		}
		switch {
		case between > best:
			best, first, last = between, k, k
		case between == best && k == last+1:
			last = k
		}
	}
	s.bin = (first + last) / 2
	n := float64(all)
	variance := float64(squares)/n - float64(sum)/n*(float64(sum)/n)
	s.eta = min(1, best/(n*n)/variance)
	lower, lowerSum = 0, 0
	for k := range s.bin + 1 {
		lower += count[k]
		lowerSum += k * count[k]
	}
	middle := func(sum, n int) float64 { return s.low + s.width*(float64(sum)/float64(n)+0.5) }
	s.below, s.above = middle(lowerSum, lower), middle(sum-lowerSum, all-lower)
	return s, true
}
