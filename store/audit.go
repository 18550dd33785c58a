package store

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// audit is what entries about collections and about societies have in common. Rows are
// added and never changed; they go with what they are about.
type audit struct {
	AuditNumber int64 `gorm:"primaryKey;autoIncrement:false"` // of the collection or society, from 1 without gaps
	CreateUs    int64
	GrowerID    string // "": the server itself
	TokenID     string
	RequestID   *string
	Action      int32
	Names       string // JSON list, without the name of the collection or society, which is ""
	Stamp       int32
}

type collectionAuditRow struct {
	CollectionID string `gorm:"primaryKey"`
	Is           audit  `gorm:"embedded"`
}

func (collectionAuditRow) TableName() string { return "collection_audits" }

type societyAuditRow struct {
	SocietyID string `gorm:"primaryKey"`
	Is        audit  `gorm:"embedded"`
}

func (societyAuditRow) TableName() string { return "society_audits" }

var auditList = listing{
	fields: map[string]column{
		"createTime": {name: "create_us"},
		"grower":     {name: "grower_id"},
		"action":     {name: "action"},
	},
	orders: map[string][]string{"number": {"audit_number"}},
	usual:  "number",
}

// mostAudited is how many names one entry has at most.
const mostAudited = 1000

// audited is what is put on record about: a collection or a society.
type audited struct{ table, column, id string }

func ofCollection(id string) audited { return audited{"collection_audits", "collection_id", id} }

func ofSociety(id string) audited { return audited{"society_audits", "society_id", id} }

// auditKey is what the names of one entry have in common.
type auditKey struct {
	of     audited
	by     By
	action pb.AuditEntry_Action
}

// audits is what a transaction is to put on record at its end.
type audits struct {
	order []auditKey
	names map[auditKey][]string
	seen  map[auditKey]map[string]bool
}

// note puts a change on record when the transaction ends. name is without that of the
// collection or society. The transaction has locked what it is about, so its entries are
// counted without gaps.
func (t *Tx) note(of audited, by By, action pb.AuditEntry_Action, name string) {
	a, k := &t.audits, auditKey{of, by, action}
	if a.names == nil {
		a.names, a.seen = map[auditKey][]string{}, map[auditKey]map[string]bool{}
	}
	if a.seen[k] == nil {
		a.order, a.seen[k] = append(a.order, k), map[string]bool{}
	}
	if !a.seen[k][name] {
		a.seen[k][name], a.names[k] = true, append(a.names[k], name)
	}
}

// forget keeps what was noted about something that is gone itself from being put on record.
func (a *audits) forget(of audited) {
	a.order = slices.DeleteFunc(a.order, func(k auditKey) bool { return k.of == of })
}

// mostEntries is how many entries one statement writes: the engines take some 30,000
// arguments. Who leaves may have been granted thousands of collections.
const mostEntries = 1000

// writeAudits puts on record what was noted, by one statement for collections and one for
// societies, or more if there is much.
func (t *Tx) writeAudits() error {
	statements := map[string]*strings.Builder{}
	args := map[string][]any{}
	rows := map[string]map[audited]int{} // of the statement of a table, about each
	written := func(table string) error {
		b := statements[table]
		if b == nil {
			return nil
		}
		if err := t.q().Exec(b.String(), args[table]...).Error; err != nil {
			return fmt.Errorf("put changes on record: %w", err)
		}
		delete(statements, table)
		return nil
	}
	for _, k := range t.audits.order {
		for some := range slices.Chunk(t.audits.names[k], mostAudited) {
			names, err := json.Marshal(some)
			if err != nil {
				return fmt.Errorf("write names of an audit entry: %w", err)
			}
			b := statements[k.of.table]
			if b == nil {
				b = &strings.Builder{}
				fmt.Fprintf(b, "INSERT INTO %s (%s, audit_number, create_us, grower_id, token_id, request_id, action, names, stamp) VALUES ", k.of.table, k.of.column)
				statements[k.of.table], args[k.of.table], rows[k.of.table] = b, nil, map[audited]int{}
			} else {
				b.WriteString(", ")
			}
			rows[k.of.table][k.of]++
			fmt.Fprintf(b, "(?, (SELECT coalesce(max(a.audit_number), 0) FROM %s a WHERE a.%s = ?) + %d, ?, ?, ?, ?, ?, ?, ?)", k.of.table, k.of.column, rows[k.of.table][k.of])
			args[k.of.table] = append(args[k.of.table], k.of.id, k.of.id, k.by.Us, k.by.Grower, k.by.Token, orNil(k.by.Request), int32(k.action), string(names), stamp())
			if len(args[k.of.table]) >= 9*mostEntries {
				if err := written(k.of.table); err != nil {
					return err
				}
			}
		}
	}
	for _, table := range []string{"collection_audits", "society_audits"} {
		if err := written(table); err != nil {
			return err
		}
	}
	return nil
}

// relative is the name of a resource of a collection without that of the collection.
func (k Kind) relative(plant, id string) string {
	switch k {
	case BenchKind:
		return "benches/" + id
	case PlantKind:
		return "plants/" + id
	case FeedingKind:
		return "plants/" + plant + "/feedings/" + id
	case ObservationKind:
		return "plants/" + plant + "/observations/" + id
	case PhotoKind:
		return "plants/" + plant + "/photos/" + id
	case GrantKind:
		return "grants/" + id
	}
	return "" // the collection itself
}

func (r *audit) message(parent string) (*pb.AuditEntry, error) {
	m := &pb.AuditEntry{
		Name: parent + "/auditEntries/" + strconv.FormatInt(r.AuditNumber, 10), Action: pb.AuditEntry_Action(r.Action),
		CreateTime: instant(r.CreateUs), RequestId: deref(r.RequestID),
	}
	if r.GrowerID != "" {
		m.Grower = GrowerName(r.GrowerID)
	}
	if r.TokenID != "" {
		m.Token = TokenName(r.GrowerID, r.TokenID)
	}
	if err := json.Unmarshal([]byte(r.Names), &m.Resources); err != nil {
		return nil, fmt.Errorf("read names of an audit entry: %w", err)
	}
	for i, name := range m.Resources {
		m.Resources[i] = strings.TrimSuffix(parent+"/"+name, "/")
	}
	return m, nil
}

// Audits lists what was done in the collection and with it, the latest first with q.Desc;
// fewer than asked for where entries name much.
func (c *Collection) Audits(q List) ([]*pb.AuditEntry, []any, error) {
	return listAudits(c.tx, c.own, q, CollectionName(c.id), func(r *collectionAuditRow) *audit { return &r.Is })
}

// Audits lists what was done with the society, its members and its invitations, the latest
// first with q.Desc; fewer than asked for where entries name much.
func (s *Society) Audits(q List) ([]*pb.AuditEntry, []any, error) {
	return listAudits(s.tx, s.own, q, SocietyName(s.id), func(r *societyAuditRow) *audit { return &r.Is })
}

const (
	// auditsRead is how many entries are read at once: each may have 100 KB of names.
	auditsRead = 50
	// auditBytes is how long the names of a list are, or a little more: gRPC clients take
	// 4 MiB, and a few entries may name all that a large table brought.
	auditBytes = 1 << 20
)

func listAudits[R any](t *Tx, own func() *gorm.DB, q List, parent string, of func(*R) *audit) (out []*pb.AuditEntry, next []any, err error) {
	for size, left := 0, q.Limit; ; q.After = next {
		q.Limit = min(left, auditsRead)
		var rows []R
		if rows, next, err = list[R](t, &auditList, own(), q); err != nil {
			return nil, nil, err
		}
		for i := range rows {
			if size >= auditBytes {
				return out, []any{of(&rows[i-1]).AuditNumber}, nil
			}
			m, err := of(&rows[i]).message(parent)
			if err != nil {
				return nil, nil, err
			}
			for _, name := range m.GetResources() {
				size += len(name)
			}
			out = append(out, m)
		}
		if left -= len(rows); next == nil || left == 0 || size >= auditBytes {
			return out, next, nil
		}
	}
}

// lockCollections locks collections, in the order in which all do so.
func (t *Tx) lockCollections(ids []string) error {
	for some := range chunks(ids) {
		var locked []string
		if err := t.locked(t.among(t.q(), "collection_id", some)).Model(&collectionRow{}).Order("collection_id").Pluck("collection_id", &locked).Error; err != nil {
			return err
		}
	}
	return nil
}
