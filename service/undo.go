package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Undo undoes what the caller did with a request id. It needs no request id of its own:
// what stands as before the call already is left so.
func (s *Sessions) Undo(ctx context.Context, req *pb.UndoRequest) (*pb.UndoResponse, error) {
	var answer *pb.UndoResponse
	at := s.now()
	err := s.store.Write(ctx, func(tx *store.Tx) (err error) {
		answer, err = s.undo(s.visit(ctx, tx, at), req)
		if err == nil && req.GetValidateOnly() {
			err = errOnlyChecked
		}
		return err
	})
	if err != nil && !errors.Is(err, errOnlyChecked) {
		return nil, fromStore(err)
	}
	return answer, nil
}

// undoing is a call that is being undone.
type undoing struct {
	*visit
	c       *collection
	made    map[string]bool // ids of the plants that the call made: their records go with them
	changed []string        // names of what was changed since
	plants  []string        // ids of those to be brought up to date
}

// past is a resource that the call changed, with its changes in their order.
type past struct {
	name, plant, id string
	changes         []store.Revised
}

// touched tells whether others changed a resource between the changes of the call, or
// after them, so that it is not as the call left it. now is the present one; of is what
// a change of its kind had before.
func (u *undoing) touched(p *past, now proto.Message, etag string, of func(*pb.Revision) proto.Message) (bool, error) {
	first, last := p.changes[0], p.changes[len(p.changes)-1]
	switch {
	case int(last.GetNumber()-first.GetNumber())+1 != len(p.changes):
		return true, nil
	case store.LastRevision(etag) == int64(last.GetNumber()):
		return false, nil
	}
	next, _, err := u.c.Revisions(last.Kind, p.plant, p.id, store.List{After: []any{int64(last.GetNumber())}, Limit: 1})
	if err != nil || len(next) == 0 {
		return true, err
	}
	return !proto.Equal(state(of(next[0])), state(now)), nil
}

// state is a resource without what tells that it was changed.
func state(m proto.Message) proto.Message { return without(m, "etag", "update_time") }

// without returns a message without some of its fields, as far as it has them.
func without(m proto.Message, fields ...protoreflect.Name) proto.Message {
	out := proto.Clone(m)
	r := out.ProtoReflect()
	for _, name := range fields {
		if f := r.Descriptor().Fields().ByName(name); f != nil {
			r.Clear(f)
		}
	}
	return out
}

func (s *Sessions) undo(v *visit, req *pb.UndoRequest) (*pb.UndoResponse, error) {
	c, err := v.collection(store.Segment(req.GetName(), "collections"))
	if err != nil {
		return nil, err
	}
	since := v.at.Add(-kept).UnixMicro()
	calls, err := v.tx.Grower(v.call.caller.Grower).Requests(req.GetRequestId(), since)
	if err != nil {
		return nil, err
	}
	names, since, err := v.undoable(c, req.GetRequestId(), calls)
	if err != nil {
		return nil, err
	}
	revised, err := c.RevisionsOf(v.call.caller.Grower, req.GetRequestId(), since)
	if err != nil {
		return nil, err
	}
	all := map[store.Kind][]*past{}
	u := &undoing{visit: v, c: c, made: map[string]bool{}}
	for _, r := range revised {
		of := all[r.Kind]
		if len(of) == 0 || of[len(of)-1].plant != r.Plant || of[len(of)-1].id != r.ID {
			of = append(of, &past{nameOf(c.ID(), r), r.Plant, r.ID, nil})
			all[r.Kind] = of
		}
		of[len(of)-1].changes = append(of[len(of)-1].changes, r)
		if r.Kind == store.PlantKind && r.GetAction() == pb.Revision_CREATED {
			u.made[r.ID] = true
		}
	}
	if len(all[store.PlantKind]) > 0 && !Holds(v.call.caller.Scopes, ScopeManage) {
		return nil, &Error{Reason: ScopeMissing, Message: fmt.Sprintf("the token has not the scope %s that undoing this needs", ScopeManage)}
	}
	plants, err := u.judgePlants(all[store.PlantKind], all)
	if err != nil {
		return nil, err
	}
	feedings, err := judgeEvents(u, &s.feedings.events, all[store.FeedingKind])
	if err != nil {
		return nil, err
	}
	observations, err := judgeEvents(u, &s.observations.events, all[store.ObservationKind])
	if err != nil {
		return nil, err
	}
	if len(u.changed) > 0 {
		return nil, u.changedSince()
	}

	place := map[string]int{}
	for i, name := range names {
		place[name] = i - len(names) // what the call did not answer comes last
	}
	inOrder := func(a, b resource) int {
		return cmp.Or(cmp.Compare(place[a.GetName()], place[b.GetName()]), cmp.Compare(a.GetName(), b.GetName()))
	}
	answer := &pb.UndoResponse{}
	if err := u.undoPlants(plants); err != nil {
		return nil, err
	}
	if answer.Feedings, err = restore(u, &s.feedings.events, feedings); err != nil {
		return nil, err
	}
	if answer.Observations, err = restore(u, &s.observations.events, observations); err != nil {
		return nil, err
	}
	slices.Sort(u.plants)
	if _, err := v.settle(c, slices.Compact(u.plants)); err != nil {
		return nil, err
	}
	plantNames := make([]string, len(plants))
	for i, p := range plants {
		plantNames[i] = p.name
	}
	if answer.Plants, err = getPlants(v, plantNames); err != nil {
		return nil, err
	}
	slices.SortFunc(answer.Feedings, func(a, b *pb.Feeding) int { return inOrder(a, b) })
	slices.SortFunc(answer.Observations, func(a, b *pb.Observation) int { return inOrder(a, b) })
	slices.SortFunc(answer.Plants, func(a, b *pb.Plant) int { return inOrder(a, b) })
	return answer, nil
}

// undoable returns the names of what calls answered that wrote in the collection, or
// wrote nothing, and when the first of them came. To undo a call asks of its caller what
// the call did: a manager of before who is a keeper by now does not delete plants so.
func (v *visit) undoable(c *collection, id string, calls []store.Kept) (names []string, since int64, err error) {
	within := store.CollectionName(c.ID())
	found, fixed, elsewhere := false, "", "" // fixed is what cannot be undone
	for _, call := range calls {
		here := len(call.Names) == 0
		for _, name := range call.Names {
			switch {
			case name == within || strings.HasPrefix(name, within+"/"):
				here = true
				least := Manager
				if rule, known := Rules[call.Method]; known { // else another version made it
					least = max(rule.Least, Keeper)
				}
				if err := refuses(least, c.is, CollectionNotFound, within); err != nil {
					return nil, 0, err
				}
				if store.Segment(name, "plants") == "" || store.Segment(name, "photos") != "" {
					fixed = name
				}
			case !strings.HasPrefix(name, "collections/"):
				elsewhere = name
			}
		}
		if here {
			if !found || call.Us < since {
				since = call.Us
			}
			found, names = true, append(names, call.Names...)
		}
	}
	if !found {
		fixed = elsewhere
	}
	if fixed != "" {
		return nil, 0, &Error{Reason: NotUndoable, Message: fixed + " was made or changed by the call, and only plants, feedings and observations can be undone"}
	}
	if !found {
		return nil, 0, &Error{Reason: RequestNotFound, Message: fmt.Sprintf(
			"no call of yours with the requestId %s wrote in %s within 7 days", id, within)}
	}
	return names, since, nil
}

// nameOf is the name of what was changed.
func nameOf(collection string, r store.Revised) string {
	switch r.Kind {
	case store.CollectionKind:
		return store.CollectionName(collection)
	case store.BenchKind:
		return store.BenchName(collection, r.ID)
	case store.PlantKind:
		return store.PlantName(collection, r.ID)
	case store.FeedingKind:
		return store.FeedingName(collection, r.Plant, r.ID)
	}
	return store.ObservationName(collection, r.Plant, r.ID)
}

// changedSince is the error for a call of which something was changed since.
func (u *undoing) changedSince() error {
	more := ""
	if n := len(u.changed) - 1; n > 0 {
		more = fmt.Sprintf(", and %d more", n)
	}
	return &Error{Reason: ChangedSince, Message: fmt.Sprintf("%s was changed since%s: nothing was undone", u.changed[0], more)}
}

// plantPast is a plant that the call changed.
type plantPast struct {
	*past
	now *store.Plant
	act bool // whether it is not yet as it was
}

// judgePlants tells which plants are to be deleted or brought back.
func (u *undoing) judgePlants(of []*past, all map[store.Kind][]*past) ([]*plantPast, error) {
	ids := make([]string, len(of))
	for i, p := range of {
		ids[i] = p.id
	}
	now, err := u.c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	var out []*plantPast
	var going []string
	for _, p := range of {
		for _, r := range p.changes {
			if r.GetAction() == pb.Revision_UPDATED {
				return nil, &Error{Reason: NotUndoable, Message: p.name + " was changed by the call, and changes of plants are not undone: change it back"}
			}
		}
		m := now[p.id]
		if m == nil {
			continue // it was purged
		}
		gone := p.changes[0].GetPlant() == nil || p.changes[0].GetPlant().GetDeleteTime() != nil
		x := &plantPast{p, m, gone != (m.GetDeleteTime() != nil)}
		out = append(out, x)
		if !x.act {
			continue
		}
		touched, err := u.touched(p, m.Plant, m.GetEtag(), func(r *pb.Revision) proto.Message { return r.GetPlant() })
		if err != nil {
			return nil, err
		}
		if touched {
			u.changed = append(u.changed, p.name)
		} else if u.made[p.id] {
			going = append(going, p.id)
		}
	}
	own := map[string]int64{} // records that the call made, and their last change by it
	for _, kind := range []store.Kind{store.FeedingKind, store.ObservationKind} {
		for _, p := range all[kind] {
			if p.changes[0].GetAction() == pb.Revision_CREATED {
				own[p.name] = int64(p.changes[len(p.changes)-1].GetNumber())
			}
		}
	}
	for some := range slices.Chunk(going, MaxPageSize) {
		histories, err := u.c.Histories(some)
		if err != nil {
			return nil, err
		}
		photographed, err := u.c.Photographed(some)
		if err != nil {
			return nil, err
		}
		for _, id := range some {
			h := historyOf(histories, now[id])
			if photographed[id] || slices.ContainsFunc(h.Feedings, func(m *pb.Feeding) bool { return own[m.GetName()] != store.LastRevision(m.GetEtag()) }) ||
				slices.ContainsFunc(h.Observations, func(m *pb.Observation) bool { return own[m.GetName()] != store.LastRevision(m.GetEtag()) }) {
				u.changed = append(u.changed, now[id].GetName())
			}
		}
	}
	return out, nil
}

func (u *undoing) undoPlants(all []*plantPast) error {
	for _, p := range all {
		if !p.act {
			continue
		}
		u.plants = append(u.plants, p.id)
		if p.now.GetDeleteTime() == nil {
			_, err := u.c.DeletePlant(p.id, u.by(), u.at.Add(undeleting).UnixMicro(), func(*store.Plant) error { return nil })
			if err != nil {
				return err
			}
			continue
		}
		if err := u.checkComesBack(u.c, p.now); err != nil {
			return err
		}
		if _, err := u.c.UndeletePlant(p.id, u.by(), func(*store.Plant) error { return nil }); err != nil {
			return err
		}
	}
	return nil
}

// eventPast is a feeding or observation that the call changed.
type eventPast[M event] struct {
	*past
	now, was M    // was is nil if it was not there
	act      bool // whether it is not yet as it was
}

// judgeEvents tells which events are to be brought back to what they were.
func judgeEvents[M event](u *undoing, e *events[M], of []*past) ([]*eventPast[M], error) {
	of = slices.DeleteFunc(of, func(p *past) bool { return u.made[p.plant] })
	names := make([]string, len(of))
	for i, p := range of {
		names[i] = p.name
	}
	now, err := e.byName(u.c.Collection, names)
	if err != nil {
		return nil, err
	}
	var none M
	var out []*eventPast[M]
	for _, p := range of {
		x := &eventPast[M]{past: p, now: now[p.name], was: e.before(p.changes[0].Revision)}
		if x.now == none {
			continue // it was purged
		}
		out = append(out, x)
		gone, voided := x.was == none || x.was.GetDeleteTime() != nil, x.now.GetDeleteTime() != nil
		if gone && voided || !gone && !voided && x.was.GetPlant() == x.now.GetPlant() && proto.Equal(content(x.was), content(x.now)) {
			continue // it is as it was
		}
		touched, err := u.touched(p, x.now, x.now.GetEtag(), func(r *pb.Revision) proto.Message { return e.before(r) })
		switch {
		case err != nil:
			return nil, err
		case !touched:
			x.act = true
		case !gone && voided && p.changes[0].GetAction() != pb.Revision_DELETED:
			// It was voided since: what it says counts for nothing.
		default:
			u.changed = append(u.changed, p.name)
		}
		if !x.act || x.was == none || x.was.GetPlant() == x.now.GetPlant() {
			continue
		}
		from := store.Segment(x.was.GetPlant(), "plants")
		taken, err := e.byName(u.c.Collection, []string{x.was.GetPlant() + "/" + e.kinds[2] + "/" + p.id})
		if err != nil {
			return nil, err
		}
		there, err := u.c.PlantsByID([]string{from})
		if err != nil {
			return nil, err
		}
		if len(taken) > 0 || there[from] == nil || there[from].GetDeleteTime() != nil {
			u.changed = append(u.changed, p.name)
		}
	}
	return out, nil
}

// content is what a user can set of an event, and its target.
func content(m proto.Message) proto.Message {
	return without(m, "name", "plant", "etag", "create_time", "update_time", "delete_time", "recorder", "fed_date", "outcome_date", "observe_date")
}

// restore brings events back to what they were, and returns them as they stand.
func restore[M event](u *undoing, e *events[M], all []*eventPast[M]) ([]M, error) {
	var none M
	back := func(was M) func(M) error {
		return func(m M) error {
			proto.Reset(m)
			proto.Merge(m, was)
			return nil
		}
	}
	names := make([]string, len(all))
	before := map[string]M{}
	var change, void, undelete []string
	for i, x := range all {
		names[i] = x.name
		if !x.act {
			continue
		}
		u.plants = append(u.plants, x.plant)
		if x.was != none && x.was.GetPlant() != x.now.GetPlant() {
			from := store.Segment(x.was.GetPlant(), "plants")
			u.plants = append(u.plants, from)
			names[i] = x.was.GetName()
			if _, err := e.reassign(u.c.Collection, x.plant, x.id, from, u.by(), back(x.was)); err != nil {
				return nil, err
			}
		} else if x.was != none && !proto.Equal(content(x.was), content(x.now)) {
			before[x.name] = x.was
			change = append(change, x.name)
		}
		switch gone := x.was == none || x.was.GetDeleteTime() != nil; {
		case gone && x.now.GetDeleteTime() == nil:
			void = append(void, names[i])
		case !gone && x.now.GetDeleteTime() != nil:
			undelete = append(undelete, names[i])
		}
	}
	if _, err := e.many(u.c.Collection, change, u.by(), pb.Revision_UPDATED, func(m M) error { return back(before[m.GetName()])(m) }); err != nil {
		return nil, err
	}
	for action, some := range map[pb.Revision_Action][]string{pb.Revision_DELETED: void, pb.Revision_UNDELETED: undelete} {
		if _, err := e.many(u.c.Collection, some, u.by(), action, func(M) error { return nil }); err != nil {
			return nil, err
		}
	}
	stands, err := e.byName(u.c.Collection, names)
	if err != nil {
		return nil, err
	}
	out := make([]M, len(names))
	for i, name := range names {
		out[i] = stands[name]
		e.dates(out[i], u.c.zone)
	}
	return out, nil
}
