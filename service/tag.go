package service

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"dewbench/service/table"
	"dewbench/store"
)

// livingBearer returns the living plant that bears a tag now, or "".
func livingBearer(all []store.Bearing) string {
	for _, b := range all {
		if b.Living && !b.Former {
			return b.Plant
		}
	}
	return ""
}

// checkTag returns what is on a label, and refuses what cannot be. before is what is
// there already.
func checkTag(p *problems, field, tag, before string) string {
	if tag = strings.TrimSpace(tag); tag == "" {
		p.refuse(InvalidFields, field, "must be given: what is on the label, 1 to 100 characters")
	} else if tag != before && strings.ContainsFunc(tag, unicode.IsControl) {
		p.refuse(InvalidFields, field, "must stand in one line, without tabs")
	}
	return tag
}

// newTags are the tags that plants of a request are to bear.
type newTags struct {
	c     *collection
	borne map[string][]store.Bearing
	first map[string]string // by folded tag: where it stands first
}

func (c *collection) newTags(tags []string) (*newTags, error) {
	borne, err := c.Tagged(tags)
	return &newTags{c, borne, map[string]string{}}, err
}

// check refuses a tag that an other plant of the request is to bear, or that a living
// plant bears. place is what says so in the request.
func (n *newTags) check(p *problems, field, place, tag, id string) {
	key := store.Fold(tag)
	if first, twice := n.first[key]; twice && key != "" {
		p.refuse(TagInUse, field, "%q is the tag of %s already", tag, first)
	} else if bearer := livingBearer(n.borne[key]); bearer != "" && bearer != id {
		p.refuse(TagInUse, field, "%q is the tag of %s", tag, store.PlantName(n.c.ID(), bearer))
	}
	n.first[key] = place
}

// plantOf returns the collection of a plant, and its id, which may be found by its
// tag.
func (v *visit) plantOf(name, tag string) (*collection, string, error) {
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, "", err
	}
	id := store.Segment(name, "plants")
	var p problems
	if !checkTagOrID(&p, "", id, tag) {
		return nil, "", p.err()
	}
	if !isDash(id) {
		return c, id, nil
	}
	if c.is < Viewer { // for whom there are no tags, nor any that are like it
		return nil, "", Invalid(PlantNotFound, []Violation{{"tag", fmt.Sprintf("no plant of the collection bears or bore the tag %q", short(tag))}})
	}
	borne, err := c.Tagged([]string{tag})
	if err != nil {
		return nil, "", err
	}
	if id, err = c.resolveTag(&p, "tag", tag, borne[store.Fold(tag)]); err != nil {
		return nil, "", err
	}
	return c, id, p.err()
}

// checkTagOrID refuses a plant that is named by both its id and its tag, or by
// none.
func checkTagOrID(p *problems, place, id, tag string) bool {
	switch {
	case isDash(id) && strings.TrimSpace(tag) == "":
		p.refuse(InvalidFields, pathAt(place, "tag"), "must be given where the id of the plant is -")
	case !isDash(id) && tag != "":
		p.refuse(InvalidFields, pathAt(place, "tag"), "goes with the id -: name the plant by its id or by its tag")
	default:
		return true
	}
	return false
}

// resolveTag returns the plant that a tag stands for: the living one that bears it;
// else the living one that bore it; else the one that bears it and lives no more;
// else the one that bore it. Where several do, it is ambiguous. What is wrong goes
// into p, and the id is "".
func (c *collection) resolveTag(p *problems, field, tag string, all []store.Bearing) (id string, err error) {
	for _, kind := range []struct{ living, former bool }{{true, false}, {true, true}, {false, false}, {false, true}} {
		var found []string
		for _, b := range all {
			if !b.Deleted && b.Living == kind.living && b.Former == kind.former {
				found = append(found, b.Plant)
			}
		}
		if len(found) == 1 {
			return found[0], nil
		}
		if len(found) > 1 {
			p.refuse(TagAmbiguous, field, "%q stands for %d plants, %s among them: name the plant by its id", short(tag), len(found), found[0])
			return "", nil
		}
	}
	if len(all) > 0 {
		p.refuse(PlantNotFound, field, "%q is the tag of the plant %s, which is deleted: undelete it by its id first", short(tag), all[0].Plant)
		return "", nil
	}
	if c.living == nil {
		tags, err := c.LivingTags()
		if err != nil {
			return "", err
		}
		c.living = table.NewTags(tags)
	}
	p.refuse(PlantNotFound, field, "no plant of the collection bears or bore the tag %q%s", short(tag), c.living.Near(tag))
	return "", nil
}

// retag refuses changes after which two living plants would bear one tag, and frees
// the tags that plants hand on to each other.
func (v *visit) retag(p *problems, c *collection, all []plantChange, known map[string]*store.Plant, next []*store.Plant) error {
	var tags, ids []string // of living plants that get other ones
	for _, n := range next {
		if n == nil {
			continue // refused already
		}
		now := known[store.Segment(n.GetName(), "plants")]
		if now.Living && store.Fold(n.GetTag()) != store.Fold(now.GetTag()) {
			tags, ids = append(tags, n.GetTag()), append(ids, now.ID)
		}
	}
	if len(tags) == 0 {
		return nil
	}
	borne, err := c.Tagged(tags)
	if err != nil {
		return err
	}
	retagged, first := slices.Sorted(slices.Values(ids)), map[string]int{}
	handedOn := false
	for i, n := range next {
		if n == nil {
			continue
		}
		id := store.Segment(n.GetName(), "plants")
		if _, of := slices.BinarySearch(retagged, id); !of {
			continue
		}
		key := store.Fold(n.GetTag())
		if before, twice := first[key]; twice {
			p.refuse(TagInUse, pathAt(all[i].path, "plant.tag"), "%q is the tag of requests[%d] already", n.GetTag(), before)
			continue
		}
		first[key] = i
		bearer := livingBearer(borne[key])
		if bearer == "" || bearer == id {
			continue
		}
		if _, of := slices.BinarySearch(retagged, bearer); of {
			handedOn = true
			continue
		}
		p.refuse(TagInUse, pathAt(all[i].path, "plant.tag"), "%q is the tag of %s", n.GetTag(), store.PlantName(c.ID(), bearer))
	}
	if p.refused > 0 || !handedOn {
		return nil
	}
	return c.FreeTags(ids)
}

// resolvePlants returns the ids of plants that a request names by id or tag. It
// refuses those that are not there or are deleted: their ids are "". With them come the
// plants, by id; there may be deleted ones among these.
func (v *visit) resolvePlants(p *problems, c *collection, n int, named func(i int) (place, field, id, tag string)) ([]string, map[string]*store.Plant, error) {
	ids, wanted := make([]string, n), make([]string, 0, n)
	var tags []string
	for i := range n {
		_, _, id, tag := named(i)
		if !checkTagOrID(&problems{}, "", id, tag) {
			continue
		}
		if isDash(id) {
			tags = append(tags, tag)
		} else {
			ids[i] = id
			wanted = append(wanted, id)
		}
	}
	borne, err := c.Tagged(tags)
	if err != nil {
		return nil, nil, err
	}
	known, err := c.PlantsByID(wanted)
	if err != nil {
		return nil, nil, err
	}
	for i := range n {
		place, field, id, tag := named(i)
		switch {
		case !checkTagOrID(p, place, id, tag):
		case isDash(id):
			if ids[i], err = c.resolveTag(p, pathAt(place, "tag"), tag, borne[store.Fold(tag)]); err != nil {
				return nil, nil, err
			}
			if own := store.Segment(bodyName(v.ctx), "plants"); place == "" && own != "" && !isDash(own) && ids[i] != "" && own != ids[i] {
				p.refuse(InvalidFields, field, "is another plant than %s, which bears the tag: leave it out", store.PlantName(c.ID(), ids[i]))
			}
		case known[id] == nil:
			p.refuse(PlantNotFound, field, "%s is not there", store.PlantName(c.ID(), id))
			ids[i] = ""
		case known[id].GetDeleteTime() != nil:
			e := deleted(known[id].GetName())
			p.refuse(e.Reason, field, "%s", e.Message)
			ids[i] = ""
		}
	}
	if len(tags) > 0 {
		if known, err = c.PlantsByID(slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return id == "" })); err != nil {
			return nil, nil, err
		}
	}
	return ids, known, nil
}
