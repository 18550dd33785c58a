package service

import (
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service/civil"
	"dewbench/store"
)

// listing is a page of a list that is asked for.
type listing struct {
	query store.List
	after string // with collections/-: the id of the collection that the page begins in
	pages *Pages
	bound []string // what the page token is bound to
}

// listRequest is a request for a page.
type listRequest interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// list reads a request for a page. Values of some fields of the filter are turned
// into what is stored by stored; orders are those of the list, its own first.
func (v *visit) list(req listRequest, fields Fields, stored map[string]func(any) (any, error), orders []string) (*listing, error) {
	l := &listing{pages: v.pages}
	l.query.Limit = pageSize(req.GetPageSize())
	if r, ok := req.(interface{ GetShowDeleted() bool }); ok {
		l.query.Deleted, l.query.GoneUs = r.GetShowDeleted(), v.at.UnixMicro()
	}
	if r, ok := req.(interface{ GetFilter() string }); ok {
		conditions, err := ParseFilter(r.GetFilter(), fields)
		if err != nil {
			return nil, err
		}
		for _, c := range conditions {
			value := storedValue(c.Value)
			if to, ok := stored[c.Field]; ok {
				if value, err = to(c.Value); err != nil {
					return nil, Invalid(InvalidFilter, []Violation{{"filter", err.Error()}})
				}
			}
			l.query.Where = append(l.query.Where, store.Condition{Field: c.Field, Op: c.Op, Value: value})
		}
	}
	if r, ok := req.(interface{ GetOrderBy() string }); ok {
		order, err := ParseOrder(r.GetOrderBy(), orders...)
		if err != nil {
			return nil, err
		}
		l.query.Order, l.query.Desc = order.Field, order.Desc
	}
	if err := l.begin(v, req); err != nil {
		return nil, err
	}
	if isDash(parentCollection(req)) && l.query.After != nil {
		var ok bool
		if l.after, ok = l.query.After[0].(string); !ok {
			return nil, badPageToken()
		}
		l.query.After = l.query.After[1:]
		if len(l.query.After) == 0 {
			l.query.After = nil // from the start of the collection
		}
	}
	return l, nil
}

// begin binds the page token to the caller, the call and its arguments, and reads
// where the page begins.
func (l *listing) begin(v *visit, req listRequest) error {
	plain := proto.Clone(req)
	m := plain.ProtoReflect()
	for _, name := range []protoreflect.Name{"page_size", "page_token"} {
		m.Clear(m.Descriptor().Fields().ByName(name))
	}
	asked, err := proto.MarshalOptions{Deterministic: true}.Marshal(plain)
	if err != nil {
		return fmt.Errorf("bind page token: %w", err)
	}
	l.bound = []string{v.call.caller.Grower, v.call.method, string(asked)}
	if v.visitor { // their lists have another order
		l.bound = append(l.bound, "visitor")
	}
	cursor, err := l.pages.Cursor(req.GetPageToken(), l.bound...)
	if err != nil || cursor == "" {
		return err
	}
	key, err := DecodeCursor(cursor)
	if err != nil {
		return fmt.Errorf("read the cursor of a page: %w", err)
	}
	l.query.After = key
	return nil
}

// from reads what the page token of a list that is worked out keeps: of when the first page
// was, and into key the place of the row after which the page begins. ok is false on the
// first page.
func (l *listing) from(key ...any) (first int64, ok bool, err error) {
	kept := l.query.After
	if kept == nil {
		return 0, false, nil
	}
	if len(kept) != 1+len(key) {
		return 0, false, badPageToken()
	}
	first, ok = kept[0].(int64)
	for i, to := range key {
		if !ok {
			break
		}
		switch to := to.(type) {
		case *int64:
			*to, ok = kept[1+i].(int64)
		case *string:
			*to, ok = kept[1+i].(string)
		default:
			return 0, false, fmt.Errorf("a page token keeps no %T", to)
		}
	}
	if !ok { // another version wrote it
		return 0, false, badPageToken()
	}
	return first, true, nil
}

// afterRow returns what from reads.
func afterRow(first int64, key ...any) []any {
	kept := []any{first}
	for _, of := range key {
		switch of := of.(type) {
		case *int64:
			kept = append(kept, *of)
		case *string:
			kept = append(kept, *of)
		}
	}
	return kept
}

// parentCollection returns the id of the collection that a list asks for, or "".
func parentCollection(req any) string {
	if r, ok := req.(interface{ GetParent() string }); ok {
		return store.Segment(r.GetParent(), "collections")
	}
	return ""
}

// token returns the token of the page after the row with the sort key next; "" if
// there is none.
func (l *listing) token(next []any) (string, error) {
	if next == nil {
		return "", nil
	}
	cursor, err := EncodeCursor(next)
	if err != nil {
		return "", err
	}
	return l.pages.Token(cursor, l.bound...), nil
}

// storedValue turns the value of a condition into what is stored.
func storedValue(value any) any {
	if day, ok := value.(civil.Day); ok {
		return day.String()
	}
	return value
}

// inCollections lists in one collection, or with collections/- in all of the
// caller's, one after another.
func inCollections[M any](v *visit, l *listing, parent string, list func(*collection, store.List) ([]M, []any, error)) ([]M, string, error) {
	id := store.Segment(parent, "collections")
	if !isDash(id) {
		c, err := v.collection(id)
		if err != nil {
			return nil, "", err
		}
		out, next, err := list(c, l.query)
		if err != nil {
			return nil, "", err
		}
		token, err := l.token(next)
		return out, token, err
	}
	ids, err := v.ownCollections()
	if err != nil {
		return nil, "", err
	}
	var out []M
	q := l.query
	for i, id := range ids {
		if id < l.after {
			continue
		}
		if id > l.after {
			q.After = nil
		}
		c, err := v.collection(id)
		if err != nil {
			return nil, "", err
		}
		q.Limit = l.query.Limit - len(out)
		some, next, err := list(c, q)
		if err != nil {
			return nil, "", err
		}
		out = append(out, some...)
		switch {
		case next != nil:
			token, err := l.token(append([]any{id}, next...))
			return out, token, err
		case len(out) == l.query.Limit && i+1 < len(ids):
			// The page ends with the collection: the next one begins the next page.
			token, err := l.token([]any{ids[i+1]})
			return out, token, err
		}
	}
	return out, "", nil
}

// ownCollections returns the ids of the caller's collections in their order.
func (v *visit) ownCollections() ([]string, error) {
	var ids []string
	q := store.List{Limit: MaxPageSize}
	for {
		some, next, err := v.tx.Collections(v.call.caller.Grower, q)
		if err != nil {
			return nil, err
		}
		for _, m := range some {
			ids = append(ids, store.Segment(m.GetName(), "collections"))
		}
		if next == nil {
			return ids, nil
		}
		q.After = next
	}
}
