package due

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"

	"dewbench/service/civil"
)

// Records and decisions are kept as bytes: numbers as varints (base 128, low groups
// first; signed ones folded by zigzag), days and instants as differences. The first
// byte tells the form. They are read by the program that wrote them, or one with the
// same form; any other makes them anew.

const (
	recordForm   = 1
	decisionForm = 1
)

// ErrForm is of bytes that are not of the form that this program writes.
var ErrForm = errors.New("not a form that this program writes")

// AppendRecord appends the events of f to b: its moves, feedings and observations,
// which must be in their order. The rest of f is not kept.
func AppendRecord(b []byte, f *Facts) []byte {
	p := packer{append(b, recordForm)}
	p.uint(uint64(len(f.Moves)))
	p.uint(uint64(len(f.Feedings)))
	p.uint(uint64(len(f.Observations)))
	day := civil.Day(0)
	for i := range f.Moves {
		m := &f.Moves[i]
		day = p.moment(day, m.Day, m.Time)
		p.byte(byte(m.Exposure))
	}
	day = 0
	for i := range f.Feedings {
		fd := &f.Feedings[i]
		day = p.moment(day, fd.Day, fd.Time)
		p.byte(byte(fd.Outcome))
		p.int(int64(fd.Traps))
		p.uint(uint64(fd.Target))
		if fd.Outcome != Unknown {
			p.int(int64(fd.OutcomeDay) - int64(fd.Day))
			p.int(fd.OutcomeTime - fd.Time)
		}
	}
	day = 0
	for i := range f.Observations {
		o := &f.Observations[i]
		day = p.moment(day, o.Day, o.Time)
		p.byte(byte(o.Kind))
		switch o.Kind {
		case Measured:
			p.float(o.DiameterMM)
			p.float(o.WidthMM)
			p.int(int64(o.WorkingTraps))
		case Counted:
			p.uint(uint64(o.Quantity))
		case Surveyed:
			p.uint(uint64(o.Prey))
			p.uint(uint64(o.Examined))
		case Held, Treated:
			p.int(int64(o.Until) - int64(o.Day))
		case Stalk:
			p.bool(o.StalkUp)
		}
	}
	return p.b
}

// ReadRecord puts the events that AppendRecord wrote into f, in the memory that its
// slices have. dayOf tells the civil day of an instant (microseconds since 1970 UTC);
// nil: the days are those that were kept. f is not changed if b is not a record.
func ReadRecord(b []byte, f *Facts, dayOf func(us int64) civil.Day) error {
	p := unpacker{b: b}
	if p.byte() != recordForm {
		return fmt.Errorf("record: %w", ErrForm)
	}
	moves, feedings, observations := p.count(), p.count(), p.count()
	out := Facts{Moves: f.Moves[:0], Feedings: f.Feedings[:0], Observations: f.Observations[:0]}
	if dayOf == nil {
		dayOf = func(int64) civil.Day { return civil.None }
	}
	of := func(kept civil.Day, us int64) civil.Day {
		if day := dayOf(us); day != civil.None {
			return day
		}
		return kept
	}
	day := civil.Day(0)
	for ; moves > 0 && !p.bad; moves-- {
		m := Move{}
		day, m.Time = p.moment(day)
		m.Day, m.Exposure = of(day, m.Time), Exposure(p.byte())
		out.Moves = append(out.Moves, m)
	}
	day = 0
	for ; feedings > 0 && !p.bad; feedings-- {
		fd := Feeding{OutcomeDay: civil.None}
		day, fd.Time = p.moment(day)
		fd.Day, fd.Outcome, fd.Traps, fd.Target = of(day, fd.Time), Outcome(p.byte()), p.number(), int(p.uint(math.MaxInt32))
		if fd.Outcome != Unknown {
			kept := p.day(day)
			fd.OutcomeTime = fd.Time + p.int()
			fd.OutcomeDay = of(kept, fd.OutcomeTime)
		}
		out.Feedings = append(out.Feedings, fd)
	}
	day = 0
	for ; observations > 0 && !p.bad; observations-- {
		o := Observation{WorkingTraps: NotCounted}
		day, o.Time = p.moment(day)
		o.Day, o.Kind = of(day, o.Time), Kind(p.byte())
		switch o.Kind {
		case Measured:
			o.DiameterMM, o.WidthMM, o.WorkingTraps = p.float(), p.float(), p.number()
		case Counted:
			o.Quantity = int(p.uint(math.MaxInt32))
		case Surveyed:
			o.Prey, o.Examined = int(p.uint(math.MaxInt32)), int(p.uint(math.MaxInt32))
		case Held, Treated:
			o.Until = p.day(day)
		case Stalk:
			o.StalkUp = p.byte() == 1
		}
		out.Observations = append(out.Observations, o)
	}
	if p.bad || len(p.b) > 0 {
		return fmt.Errorf("record: %w", ErrForm)
	}
	f.Moves, f.Feedings, f.Observations = out.Moves, out.Feedings, out.Observations
	return nil
}

// AppendDecision appends d to b.
func AppendDecision(b []byte, d *Decision) []byte {
	p := packer{append(b, decisionForm, byte(d.Status))}
	for _, day := range [...]civil.Day{d.Cover, d.DueFrom, d.DueLast, d.FeedDate} {
		p.int(int64(day))
	}
	p.uint(uint64(d.Traps))
	p.int(int64(d.MaxItemTenths))
	p.uint(uint64(d.Instructions))
	p.uint(uint64(len(d.Foods)))
	for _, food := range d.Foods {
		p.uint(uint64(food))
	}
	p.uint(uint64(len(d.Reasons)))
	for _, r := range d.Reasons {
		p.byte(byte(r.Code))
		p.int(int64(r.From))
		p.int(int64(r.Until))
	}
	p.bool(d.Shrinking.NoPrey)
	p.bool(d.Shrinking.StalkUp)
	p.bool(d.Shrinking.NotFedLong)
	return p.b
}

// ReadDecision reads what AppendDecision wrote into d.
func ReadDecision(b []byte, d *Decision) error {
	p := unpacker{b: b}
	if p.byte() != decisionForm {
		return fmt.Errorf("decision: %w", ErrForm)
	}
	out := Decision{Status: Status(p.byte())}
	for _, day := range [...]*civil.Day{&out.Cover, &out.DueFrom, &out.DueLast, &out.FeedDate} {
		*day = p.day(0)
	}
	out.Traps, out.MaxItemTenths, out.Instructions = int(p.uint(math.MaxInt32)), int(p.int()), Instructions(p.uint(math.MaxUint16))
	if n := p.count(); n > 0 {
		out.Foods = make([]int, n)
		for i := range out.Foods {
			out.Foods[i] = int(p.uint(math.MaxInt32))
		}
	}
	if n := p.count(); n > 0 {
		out.Reasons = make([]Reason, n)
		for i := range out.Reasons {
			out.Reasons[i] = Reason{Code(p.byte()), p.day(0), p.day(0)}
		}
	}
	out.Shrinking = Evidence{NoPrey: p.byte() == 1, StalkUp: p.byte() == 1, NotFedLong: p.byte() == 1}
	if p.bad || len(p.b) > 0 {
		return fmt.Errorf("decision: %w", ErrForm)
	}
	*d = out
	return nil
}

const microsADay = 86_400_000_000

type packer struct{ b []byte }

func (p *packer) byte(v byte)   { p.b = append(p.b, v) }
func (p *packer) uint(v uint64) { p.b = binary.AppendUvarint(p.b, v) }
func (p *packer) int(v int64)   { p.b = binary.AppendVarint(p.b, v) }

func (p *packer) bool(v bool) {
	if v {
		p.byte(1)
	} else {
		p.byte(0)
	}
}

// float writes short what has few digits in base 2.
func (p *packer) float(v float64) { p.uint(bits.ReverseBytes64(math.Float64bits(v))) }

// moment writes a day as what it is after another, and an instant as what it is after
// the day's midnight UTC. It returns the day.
func (p *packer) moment(after, day civil.Day, us int64) civil.Day {
	p.int(int64(day) - int64(after))
	p.int(us - int64(day)*microsADay)
	return day
}

// unpacker reads what a packer wrote. Once something is bad all is.
type unpacker struct {
	b   []byte
	bad bool
}

func (p *unpacker) fail() { p.b, p.bad = nil, true }

func (p *unpacker) byte() byte {
	if len(p.b) == 0 {
		p.fail()
		return 0
	}
	v := p.b[0]
	p.b = p.b[1:]
	return v
}

// uint reads a number up to most.
func (p *unpacker) uint(most uint64) uint64 {
	v, n := binary.Uvarint(p.b)
	if n <= 0 || v > most {
		p.fail()
		return 0
	}
	p.b = p.b[n:]
	return v
}

func (p *unpacker) int() int64 {
	v, n := binary.Varint(p.b)
	if n <= 0 {
		p.fail()
		return 0
	}
	p.b = p.b[n:]
	return v
}

// number reads a number of 32 bits.
func (p *unpacker) number() int {
	v := p.int()
	if v < math.MinInt32 || v > math.MaxInt32 {
		p.fail()
		return 0
	}
	return int(v)
}

// count reads how many things follow. Each has a byte at least.
func (p *unpacker) count() int { return int(p.uint(uint64(len(p.b)))) }

func (p *unpacker) float() float64 {
	return math.Float64frombits(bits.ReverseBytes64(p.uint(math.MaxUint64)))
}

// day reads a day as what it is after another.
func (p *unpacker) day(after civil.Day) civil.Day {
	v := p.int() + int64(after)
	if v < math.MinInt32 || v > math.MaxInt32 {
		p.fail()
		return civil.None
	}
	return civil.Day(v)
}

func (p *unpacker) moment(after civil.Day) (day civil.Day, us int64) {
	day = p.day(after)
	return day, p.int() + int64(day)*microsADay
}
