package service

import (
	"fmt"
	"slices"
	"time"

	"dewbench/service/civil"
	"dewbench/store"
)

// bearers tell which plants bear and bore tags, and on which days.
type bearers struct {
	c      *collection
	all    map[string][]store.Bearing // by folded tag; without those that are deleted, if others are there
	plants map[string]*store.Plant    // by id
	ended  map[string]civil.Day       // by id; of tags that several bear or bore
}

// bearers finds who bears and bore tags.
func (v *visit) bearers(c *collection, tags []string) (*bearers, error) {
	all, err := c.Tagged(tags)
	if err != nil {
		return nil, err
	}
	b := &bearers{c: c, all: all, ended: map[string]civil.Day{}}
	var ids, ended []string
	for key, some := range all {
		if there := slices.DeleteFunc(slices.Clone(some), func(x store.Bearing) bool { return x.Deleted }); len(there) > 0 {
			b.all[key] = there
		}
		for _, x := range b.all[key] {
			ids = append(ids, x.Plant)
			if !x.Living && len(b.all[key]) > 1 {
				ended = append(ended, x.Plant)
			}
		}
	}
	if b.plants, err = c.PlantsByID(ids); err != nil || len(ended) == 0 {
		return b, err
	}
	histories, err := c.Histories(ended)
	if err != nil {
		return nil, err
	}
	for id, h := range histories {
		if day := v.endDay(c, h); day.Given() {
			b.ended[id] = day
		}
	}
	return b, nil
}

// endDay returns the day on which a plant ended, or civil.None. h may be nil.
func (v *visit) endDay(c *collection, h *store.History) civil.Day {
	day := civil.None
	if h == nil {
		return day
	}
	for _, o := range h.Observations {
		if us := store.Micros(o.GetObserveTime()); o.GetEnd() != nil && c.came(us, v.at) {
			day, _ = c.clockIn(us)
		}
	}
	return day
}

// of returns who bears or bore a tag.
func (b *bearers) of(tag string) []store.Bearing { return b.all[store.Fold(tag)] }

// living returns the living plant that bears a tag, or nil.
func (b *bearers) living(tag string) *store.Plant { return b.plants[livingBearer(b.of(tag))] }

// span tells when a plant bore a tag: both days are in it. told tells whether its begin
// is that on record.
func (b *bearers) span(x store.Bearing) (first, last civil.Day, told bool) {
	p := b.plants[x.Plant]
	first, last = civil.Min, civil.Max
	if day, err := civil.Parse(p.GetAcquireDate()); err == nil {
		first, told = day, true
	}
	if day, ended := b.ended[x.Plant]; ended {
		last = day
	}
	if x.Former {
		last = min(last, civil.Of(time.UnixMicro(x.UntilUs), b.c.zone))
		if !told {
			first = civil.Of(p.GetCreateTime().AsTime(), b.c.zone)
		}
	}
	return first, last, told
}

// on returns the plant that a tag stood for on a day: the living one that bears it, from
// the day it was acquired; else the one that bore it then; else as resolveTag has it.
func (b *bearers) on(p *problems, field, tag string, day civil.Day) (id string, err error) {
	all := b.of(tag)
	if len(all) < 2 {
		return b.c.resolveTag(p, field, tag, all)
	}
	bears := livingBearer(all)
	type bearing struct {
		id   string
		last civil.Day
		told bool
	}
	var found []bearing
	anyTold := false
	for _, x := range all {
		first, last, told := b.span(x)
		if day < first || day > last {
			continue
		}
		if x.Plant == bears && !x.Former && told {
			return bears, nil
		}
		if !slices.ContainsFunc(found, func(f bearing) bool { return f.id == x.Plant }) {
			found, anyTold = append(found, bearing{x.Plant, last, told}), anyTold || told
		}
	}
	if anyTold {
		found = slices.DeleteFunc(found, func(f bearing) bool { return !f.told })
	} else if len(found) > 1 { // one bears a tag at a time: the next had it when this one had ended
		first := slices.MinFunc(found, func(a, c bearing) int { return int(a.last - c.last) }).last
		found = slices.DeleteFunc(found, func(f bearing) bool { return f.last > first })
	}
	switch len(found) {
	case 0:
		return b.c.resolveTag(p, field, tag, all)
	case 1:
		return found[0].id, nil
	}
	p.refuse(TagAmbiguous, field, "was the tag of %d plants on %s, %s among them: add a column organismID with the ref or the name of the plant",
		len(found), day, store.PlantName(b.c.ID(), found[0].id))
	return "", nil
}

// unknownRef returns what is wrong with a row that names a plant by a ref that none has,
// and by a tag; "" if the tag will do, as its plant has no ref yet or the table is that
// of another collection.
func (b *bearers) unknownRef(ref, plant string) (rule string) {
	own := b.c.ownName(ref, "collections", "plants") != ""
	switch p := b.plants[plant]; {
	case own:
		return "is not there: leave the cell empty to go by the tag"
	case p == nil || p.Ref == "" || shape(ref, "collections", "plants"):
		return ""
	default:
		return fmt.Sprintf("is the ref of no plant, and that of the plant with the tag, %s, is %q", p.GetName(), p.Ref)
	}
}
