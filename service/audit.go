package service

import (
	"context"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// Audits are the calls about who changed what.
type Audits struct{ *Core }

// auditFields are what the list of entries can be filtered by.
var auditFields = Fields{
	"createTime": TimeField,
	"grower":     NameField,
	"action":     EnumField(pb.AuditEntry_ACTION_UNSPECIFIED),
}

// ListAuditEntries lists what was done in a collection or with a society.
func (s *Audits) ListAuditEntries(ctx context.Context, req *pb.ListAuditEntriesRequest) (*pb.ListAuditEntriesResponse, error) {
	answer := &pb.ListAuditEntriesResponse{}
	err := s.read(ctx, func(v *visit) error {
		entries, err := v.audited(req.GetParent())
		if err != nil {
			return err
		}
		l, err := v.list(req, auditFields, map[string]func(any) (any, error){"grower": v.growerNamed}, nil)
		if err != nil {
			return err
		}
		l.query.Desc = true
		var next []any
		if answer.AuditEntries, next, err = entries(l.query); err != nil {
			return err
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// audited finds the entries of a collection, deleted or not, that the caller manages, or of
// a society that they organise.
func (v *visit) audited(name string) (func(store.List) ([]*pb.AuditEntry, []any, error), error) {
	if id := store.Segment(name, "collections"); id != "" {
		if isDash(id) {
			return nil, notFound(CollectionNotFound, name)
		}
		c, err := v.anyCollection(id)
		if err != nil {
			return nil, err
		}
		return c.Audits, nil
	}
	society, err := v.society(name, v.call.rule.Least)
	if err != nil {
		return nil, err
	}
	return society.Audits, nil
}

// growerNamed turns the name of a grower into the id; what is no such name finds nothing.
func (v *visit) growerNamed(value any) (any, error) {
	name, _ := value.(string)
	if name == "growers/me" {
		return v.call.caller.Grower, nil
	}
	return store.Segment(name, "growers"), nil
}
