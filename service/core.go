package service

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/table"
	"dewbench/store"
)

// Core is what the calls share.
type Core struct {
	store     *store.Store
	catalogue *catalogue.Catalogue
	pages     *Pages
	due       *Due
	version   string           // of what decisions depend on beside records: the program and the catalogue
	now       func() time.Time // the clock
	newID     func() string    // ids in the order in which they are made
	tokens    recent           // whom tokens stood for lately, by their hashes
	untrue    chan struct{}    // has one while what was written may want RefreshDue
	tookOver  atomic.Bool      // RefreshDue has taken over what other versions kept
	issuers   *issuers         // whose access tokens are taken
	zones     recent           // of collections by their ids, as they were lately
	blobs     *store.Blobs
	decodes   *decodes
}

// kept is how long a request id is remembered, undeleting how long what was deleted
// can be brought back.
const (
	kept       = 7 * 24 * time.Hour
	undeleting = 30 * 24 * time.Hour
)

// visit is a call in its transaction.
type visit struct {
	*Core
	ctx  context.Context
	tx   *store.Tx
	call *call
	at   time.Time // when the call came
	// request is the id of the request, where what is written is kept under it.
	request string
	// visitor tells that the list that is asked for is seen by one.
	visitor bool
	open    map[string]*collection
}

// collection is a collection that the visit has opened.
type collection struct {
	*store.Collection
	message *pb.Collection
	zone    *time.Location
	is      Relation             // what the caller is to it
	behind  bool                 // the day of a record that was dated ahead has come, and its plant's row does not tell yet
	benches map[string]*pb.Bench // all of them, by id; nil until they are needed
	living  *table.Tags          // the tags of living plants; nil until they are needed
}

func (c *collection) today(at time.Time) civil.Day { return civil.Of(at, c.zone) }

// dayOf is the civil day of the instant of a record.
func (c *collection) dayOf(us int64) civil.Day { return civilDay(time.UnixMicro(us), c.zone) }

// civilDay is the civil day of the instant of a record in a zone: one that can be written.
func civilDay(at time.Time, zone *time.Location) civil.Day {
	return min(max(civil.Of(at, zone), civil.Min), civil.Max)
}

// came tells whether the day of a record has come by a moment.
func (c *collection) came(us int64, at time.Time) bool {
	return civil.Of(time.UnixMicro(us), c.zone) <= c.today(at)
}

func (c *Core) visit(ctx context.Context, tx *store.Tx, at time.Time) *visit {
	return &visit{Core: c, ctx: ctx, tx: tx, call: callOf(ctx), at: at, open: map[string]*collection{}}
}

// by tells who writes, and when.
func (v *visit) by() store.By {
	return store.By{Us: v.at.UnixMicro(), Grower: v.call.caller.Grower, Token: v.call.caller.Token, Request: v.request}
}

// fromStore says in the words of the API what the store says.
func fromStore(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, store.ErrPhotos) && errors.Is(err, store.ErrFull):
		return &Error{Reason: StorageFull, Message: "the disk of the photos is full: nothing was written", cause: err}
	case errors.Is(err, store.ErrPhotos) && errors.Is(err, store.ErrUnavailable):
		return &Error{Reason: StorageUnavailable, Message: "the photos cannot be reached: call again in a moment", cause: err}
	case errors.Is(err, store.ErrFull):
		return &Error{Reason: StorageFull, Message: "the disk of the server is full: nothing was written", cause: err}
	case errors.Is(err, store.ErrUnavailable):
		return &Error{Reason: StorageUnavailable, Message: "the database cannot be reached, or is too busy: call again in a moment", cause: err}
	case errors.Is(err, store.ErrStale), errors.Is(err, store.ErrExists), errors.Is(err, store.ErrReference):
		return &Error{Reason: WriteConflict, Message: "another call changed the same at the same time: call again", cause: err}
	case errors.Is(err, store.ErrNewer):
		return &Error{Reason: NewerData, Message: "a newer version of the server wrote this: call that one", cause: err}
	}
	return err
}

// read runs f in a transaction that sees one state of the database.
func (c *Core) read(ctx context.Context, f func(*visit) error) error {
	at := c.now()
	return fromStore(c.store.Read(ctx, func(tx *store.Tx) error { return f(c.visit(ctx, tx, at)) }))
}

// resource is a message with a name.
type resource interface {
	proto.Message
	GetName() string
}

// writing is a request that writes.
type writing interface {
	proto.Message
	GetRequestId() string
}

// errOnlyChecked ends the transaction of a call that only checks.
var errOnlyChecked = errors.New("only checked")

// write runs do in a transaction and returns what it wrote. A call with a request id
// that was made before writes nothing: it gets what was written then as it now
// stands, from again. A call that only validates writes nothing either.
func write[M resource](ctx context.Context, c *Core, req writing, do func(*visit) ([]M, error), again func(*visit, []string) ([]M, error)) ([]M, error) {
	var out []M
	only, _ := req.(interface{ GetValidateOnly() bool })
	onlyValidate := only != nil && only.GetValidateOnly()
	changed := false
	err := c.store.Write(ctx, func(tx *store.Tx) error {
		at := c.now() // not before other writers of SQLite have ended
		v := c.visit(ctx, tx, at)
		defer func() {
			changed = false
			for _, of := range v.open {
				changed = changed || of.Changed()
			}
		}()
		err := v.enter()
		if err != nil {
			return err
		}
		if req.GetRequestId() == "" || onlyValidate {
			if out, err = do(v); err == nil && onlyValidate {
				return errOnlyChecked
			}
			return err
		}
		v.request = req.GetRequestId()
		digest, err := digestOf(ctx, req)
		if err != nil {
			return err
		}
		asked := store.Request{Method: v.call.method, ID: req.GetRequestId(), Digest: digest, Us: at.UnixMicro(), KeptUs: kept.Microseconds()}
		grower := tx.Grower(v.call.caller.Grower)
		names, before, err := grower.Claim(asked)
		switch {
		case errors.Is(err, store.ErrExists):
			return &Error{Reason: RequestIDReused, Message: fmt.Sprintf("requestId %s was used for another request of this call", req.GetRequestId())}
		case err != nil:
			return err
		case before:
			out, err = again(v, names)
			return err
		}
		if out, err = do(v); err != nil {
			return err
		}
		names = nil
		for _, m := range out {
			names = append(names, m.GetName())
		}
		return grower.Fulfil(asked, names)
	})
	if errors.Is(err, errOnlyChecked) {
		err = nil
	}
	if err != nil {
		return nil, fromStore(err)
	}
	if changed {
		select {
		case c.untrue <- struct{}{}:
		default: // it waits already
		}
	}
	return out, nil
}

// Untrue tells when a call has changed what is due of many plants at once, so that it is
// time for RefreshDue.
func (c *Core) Untrue() <-chan struct{} { return c.untrue }

// writeOne is write for a call with one resource. again gets its name.
func writeOne[M resource](ctx context.Context, c *Core, req writing, do func(*visit) (M, error), again func(*visit, string) (M, error)) (M, error) {
	var none M
	out, err := write(ctx, c, req,
		func(v *visit) ([]M, error) {
			m, err := do(v)
			return []M{m}, err
		},
		func(v *visit, names []string) ([]M, error) { return each(v, names, again) })
	if err != nil {
		return none, err
	}
	if len(out) != 1 {
		return none, fmt.Errorf("%s wrote %d resources before", callOf(ctx).method, len(out))
	}
	return out[0], nil
}

// each gets resources by their names.
func each[M resource](v *visit, names []string, get func(*visit, string) (M, error)) ([]M, error) {
	out := make([]M, len(names))
	var err error
	for i, name := range names {
		if out[i], err = get(v, name); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// digestOf returns a digest of what a request asks, without its request id.
func digestOf(ctx context.Context, req writing) ([]byte, error) {
	plain := proto.Clone(req)
	m := plain.ProtoReflect()
	m.Clear(m.Descriptor().Fields().ByName("request_id"))
	spellMasks(ctx, m, "") // one change can be asked for in several spellings, and over both doors
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(plain)
	if err != nil {
		return nil, fmt.Errorf("digest of the request: %w", err)
	}
	digest := sha256.New()
	fmt.Fprintf(digest, "%s\n", m.Descriptor().FullName())
	digest.Write(b)
	return digest.Sum(nil), nil
}

// oneCollection opens the collection that a call names which looks at one only, by its
// parent.
func (v *visit) oneCollection(parent string) (*collection, error) {
	id := store.Segment(parent, "collections")
	if isDash(id) {
		return nil, Invalid(InvalidFields, []Violation{{"parent", "must name one collection: this call does not take - for all"}})
	}
	return v.collection(id)
}

// collection opens a collection that the caller may reach and that is not deleted.
func (v *visit) collection(id string) (*collection, error) {
	c, err := v.anyCollection(id)
	if err == nil && c.Deleted() {
		return nil, notFound(CollectionNotFound, store.CollectionName(id))
	}
	return c, err
}

// anyCollection opens a collection that the caller may reach, deleted or not.
func (v *visit) anyCollection(id string) (*collection, error) {
	return v.collectionFor(id, v.call.rule.Least)
}

// collectionFor opens a collection to which the caller must have a relation at least.
func (v *visit) collectionFor(id string, least Relation) (*collection, error) {
	if c, ok := v.open[id]; ok {
		return c, refuses(least, c.is, CollectionNotFound, store.CollectionName(id))
	}
	is := Stranger
	c, err := v.load(id, v.call.caller.Grower, func(t store.Ties) bool {
		is = relation(t)
		return refuses(least, is, CollectionNotFound, "") == nil
	})
	if errors.Is(err, store.ErrNotFound) {
		if refused := refuses(least, is, CollectionNotFound, store.CollectionName(id)); refused != nil {
			return nil, refused
		}
		return nil, notFound(CollectionNotFound, store.CollectionName(id))
	}
	if err != nil {
		return nil, err
	}
	v.open[id] = c
	if us := c.PendingUs(); us != nil && c.came(*us, v.at) {
		if c.behind = v.tx.ReadOnly(); !c.behind { // a reader reckons with it where it shows plants
			return c, v.settlePending(c)
		}
	}
	return c, nil
}

// load reads a collection for a grower, if may agrees to what they have to do with it, or
// returns store.ErrNotFound.
func (v *visit) load(id, grower string, may store.May) (*collection, error) {
	handle, err := v.tx.Collection(id, grower, may)
	if err != nil {
		return nil, err
	}
	message, err := handle.Get()
	if err != nil {
		return nil, err
	}
	zone, err := loadZone(message.GetTimeZone())
	if err != nil {
		return nil, fmt.Errorf("time zone of %s: %w", message.GetName(), err)
	}
	v.zones.Store(id, zone)
	return &collection{Collection: handle, message: message, zone: zone, is: relation(handle.Ties())}, nil
}

// allBenches returns the benches of a collection by id, deleted ones too: plants
// stood on them.
func (v *visit) allBenches(c *collection) (map[string]*pb.Bench, error) {
	if c.benches != nil {
		return c.benches, nil
	}
	all, err := c.AllBenches()
	if err != nil {
		return nil, err
	}
	c.benches = map[string]*pb.Bench{}
	for _, b := range all {
		c.benches[store.Segment(b.GetName(), "benches")] = b
	}
	return c.benches, nil
}

// self returns the id of the grower that a name stands for, if it is the caller.
func (v *visit) self(name string) (string, error) {
	id := store.Segment(name, "growers")
	if id == "me" {
		id = v.call.caller.Grower
	}
	if id != v.call.caller.Grower {
		return "", notFound(GrowerNotFound, store.GrowerName(id))
	}
	return id, nil
}

// notFound is the error for what is not there, or may not be seen.
func notFound(reason Reason, name string) *Error {
	return &Error{Reason: reason, Message: name + " is not there"}
}

// missing turns the store's error for what is not there into that of the API.
func missing(err error, reason Reason, name string) error {
	if errors.Is(err, store.ErrNotFound) {
		return notFound(reason, name)
	}
	return err
}

// deletable is a resource that is deleted for a while before it is purged.
type deletable interface {
	resource
	GetDeleteTime() *timestamppb.Timestamp
	GetPurgeTime() *timestamppb.Timestamp
}

// purged tells whether the time is over in which a resource could be undeleted: then
// it is as one that is not there, even if the sweep has not come to it yet.
func (v *visit) purged(m deletable) bool {
	return m.GetPurgeTime() != nil && !m.GetPurgeTime().AsTime().After(v.at)
}

// taken says that the id of a new resource is that of another one.
func (v *visit) taken(m deletable) string {
	if v.purged(m) {
		return m.GetName() + " was that of one that is gone, to which the history still refers: choose another id"
	}
	if m.GetDeleteTime() != nil {
		return m.GetName() + " is there already, but deleted: undelete it, or choose another id"
	}
	return m.GetName() + " is there already"
}

// checkEtag refuses a change of what has changed since the caller got it. asked is
// the etag of the request; "" asks for none.
func (v *visit) checkEtag(asked, present string) error {
	if asked != "" && asked != present || !IfMatch(v.ctx, present) {
		return &Error{Reason: EtagMismatch, Message: "the resource was changed since; get it again"}
	}
	return nil
}

// isDash tells whether a part of a name stands for any.
func isDash(segment string) bool { return segment == "-" }

// idOr returns the id that the caller chose, or a new one.
func (c *Core) idOr(chosen string) string {
	if chosen != "" {
		return chosen
	}
	return c.newID()
}

// shape tells whether a name has the given kinds of segments, with ids that may
// stand in names.
func shape(name string, kinds ...string) bool {
	parts := strings.Split(name, "/")
	if len(parts) != 2*len(kinds) {
		return false
	}
	for i, kind := range kinds {
		if parts[2*i] != kind || !goodID(parts[2*i+1]) {
			return false
		}
	}
	return true
}

// goodID tells whether text has the form of an id: 1 to 63 of a-z 0-9 -.
func goodID(text string) bool {
	if len(text) == 0 || len(text) > 63 {
		return false
	}
	for _, r := range text {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return true
}

// checkName refuses the name of a resource in a request that has not the form that
// the call takes.
func checkName(field, name string, kinds ...string) error {
	if shape(name, kinds...) {
		return nil
	}
	form := make([]string, len(kinds))
	for i, kind := range kinds {
		form[i] = kind + "/{" + singular[kind] + "}"
	}
	return Invalid(InvalidFields, []Violation{{field, fmt.Sprintf("must be the name of the resource, %s", strings.Join(form, "/"))}})
}

var singular = map[string]string{
	"growers": "grower", "tokens": "token", "identities": "identity", "collections": "collection", "benches": "bench", "plants": "plant",
	"feedings": "feeding", "observations": "observation", "photos": "photo",
	"societies": "society", "members": "member", "grants": "grant", "invitations": "invitation",
}

const toldBy = "is told by the server"

// whatTells is where the server has some fields from, for those who want to set them.
var whatTells = map[protoreflect.FullName]string{
	"dewbench.v1.Plant.state":          "; it follows from observations with end",
	"dewbench.v1.Plant.quantity":       "; it follows from observations with count",
	"dewbench.v1.Plant.last_sizes":     "; they follow from observations with measurement",
	"dewbench.v1.Plant.last_feed_time": "; it follows from feedings",
}

// refuseOutputOnly refuses fields of a new resource that only the server tells.
func refuseOutputOnly(p *problems, prefix string, m proto.Message, but ...protoreflect.Name) {
	r := m.ProtoReflect()
	fields := r.Descriptor().Fields()
	for i := range fields.Len() { // Range has no order
		if f := fields.Get(i); r.Has(f) && isOutputOnly(f) && !slices.Contains(but, f.Name()) {
			p.refuse(InvalidFields, prefix+f.JSONName(), "%s: leave it out%s", toldBy, whatTells[f.FullName()])
		}
	}
}
