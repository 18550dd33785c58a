package store

import (
	"context"
	"database/sql/driver"
	"fmt"
	"iter"
	"reflect"
	"slices"
	"strings"
	"sync"

	"gorm.io/gorm"
	"gorm.io/gorm/schema"
)

// List is what a list asks for.
type List struct {
	// Where are conditions that must all hold.
	Where []Condition
	// Order is an order that the list has; "" is its own. Ties are broken by the key,
	// so that the order is always total.
	Order string
	Desc  bool
	// After is the sort key of the last row of the page before; nil is the first page.
	After []any
	// Limit is the most rows to return, at least 1.
	Limit int
	// Deleted lists what was deleted or voided too, but not what is to be purged by
	// GoneUs.
	Deleted bool
	GoneUs  int64
}

// Condition compares a field of the API with a value as it is stored: instants in
// microseconds, days as text, enums as numbers, references as ids. Op is one of
// = != < <= > >= and, for text that can be searched, : (has it as a part, without
// regard to case).
type Condition struct {
	Field, Op string
	Value     any
}

// listing says how the rows of a table are listed.
type listing struct {
	// fields are the columns of the fields that conditions may name. A field with a
	// folded column is searched by it.
	fields map[string]column
	// orders are the columns of each order, the rest of the key after the tenant at
	// their end. Each needs an index that begins with the tenant.
	orders map[string][]string
	// usual is the order of a list that names none.
	usual string
	// deletable: rows have delete_us; purged: purge_us too.
	deletable, purged bool
}

// column is where a field is kept. folded is the column with its text folded, if
// there is one; if folds, all comparisons go by it.
type column struct {
	name, folded string
	folds        bool
}

// list reads a page: at most q.Limit rows of those that base finds, and the sort key
// of the last of them if there are more.
func list[R any](t *Tx, l *listing, base *gorm.DB, q List) (rows []R, next []any, err error) {
	order := q.Order
	if order == "" {
		order = l.usual
	}
	columns, ok := l.orders[order]
	if !ok {
		return nil, nil, fmt.Errorf("list: there is no order %q", order)
	}
	if q.Limit < 1 {
		return nil, nil, fmt.Errorf("list: a page of %d rows", q.Limit)
	}
	db := base
	if l.deletable && !q.Deleted {
		db = db.Where("delete_us IS NULL")
	} else if l.purged && q.GoneUs != 0 {
		db = db.Where("(purge_us IS NULL OR purge_us > ?)", q.GoneUs)
	}
	for _, c := range q.Where {
		if db, err = t.where(db, l, c); err != nil {
			return nil, nil, err
		}
	}
	direction, beyond := "", ">"
	if q.Desc {
		direction, beyond = " DESC", "<"
	}
	if q.After != nil {
		if len(q.After) != len(columns) {
			return nil, nil, fmt.Errorf("list: a sort key of %d values for order %q of %d columns", len(q.After), order, len(columns))
		}
		// A row value: both engines go straight to its place in the index.
		marks := strings.TrimSuffix(strings.Repeat("?, ", len(columns)), ", ")
		db = db.Where("("+strings.Join(columns, ", ")+") "+beyond+" ("+marks+")", q.After...)
	}
	err = db.Order(strings.Join(columns, direction+", ") + direction).Limit(q.Limit + 1).Find(&rows).Error
	if err != nil {
		return nil, nil, err
	}
	if len(rows) > q.Limit {
		rows = rows[:q.Limit]
		if next, err = values(&rows[q.Limit-1], columns); err != nil {
			return nil, nil, err
		}
	}
	return rows, next, nil
}

func (t *Tx) where(db *gorm.DB, l *listing, c Condition) (*gorm.DB, error) {
	col, ok := l.fields[c.Field]
	if !ok {
		return nil, fmt.Errorf("list: no condition can name %q", c.Field)
	}
	name, value := col.name, c.Value
	if col.folds {
		name = col.folded
		if text, isText := value.(string); isText {
			value = Fold(text)
		}
	}
	switch c.Op {
	case "=":
		return db.Where(name+" = ?", value), nil
	case "!=":
		return db.Where(name+" IS DISTINCT FROM ?", value), nil
	case "<", "<=", ">", ">=":
		return db.Where(name+" "+c.Op+" ?", value), nil
	case ":":
		text, isText := value.(string)
		if !isText || col.folded == "" {
			return nil, fmt.Errorf("list: %s cannot be searched", c.Field)
		}
		find := "instr(" + col.folded + ", ?) > 0"
		if t.engine == Postgres {
			find = "strpos(" + col.folded + ", ?) > 0"
		}
		return db.Where(find, Fold(text)), nil
	}
	return nil, fmt.Errorf("list: there is no operator %q", c.Op)
}

var schemas sync.Map

// parsed returns how GORM sees a row.
func parsed(row any) (*schema.Schema, error) {
	return schema.Parse(row, &schemas, schema.NamingStrategy{})
}

// values returns the values of columns of a row.
func values(row any, columns []string) ([]any, error) {
	s, err := parsed(row)
	if err != nil {
		return nil, err
	}
	out := make([]any, len(columns))
	for i, name := range columns {
		f, ok := s.FieldsByDBName[name]
		if !ok {
			return nil, fmt.Errorf("%s has no column %s", s.Name, name)
		}
		out[i], _ = f.ValueOf(context.Background(), reflect.ValueOf(row))
	}
	return out, nil
}

// settable returns the columns of a row that an update writes: all but its key and
// what is set once.
func settable(row any, but ...string) ([]string, error) {
	s, err := parsed(row)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, f := range s.Fields {
		if !f.PrimaryKey && f.DBName != "create_us" && !slices.Contains(but, f.DBName) {
			out = append(out, f.DBName)
		}
	}
	return out, nil
}

// among asks for the rows of which a column has one of some texts.
//
// To Postgres they go as one array, which it joins: a list of many parameters it would
// compare with each row of the collection, one by one, once it has settled on a plan that
// does not depend on them.
func (t *Tx) among(db *gorm.DB, column string, some []string) *gorm.DB {
	if t.engine == Postgres {
		return db.Where(column+" IN (SELECT unnest(?::text[]))", textArray(some))
	}
	return db.Where(column+" IN ?", some)
}

// of asks for the rows of which the first column of an index, the tenant, has one of some
// texts. Other than with among, Postgres cannot choose to go through all tenants.
func (t *Tx) of(db *gorm.DB, column string, some []string) *gorm.DB {
	if t.engine == Postgres {
		return db.Where(column+" = ANY(?::text[])", textArray(some))
	}
	return db.Where(column+" IN ?", some)
}

// textArray is an array of texts of Postgres.
type textArray []string

// Value writes it as the manual of PostgreSQL 15, section 8.15.2 has it.
func (a textArray) Value() (driver.Value, error) {
	var b strings.Builder
	b.WriteByte('{')
	for i, text := range a {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteByte('"')
		b.WriteString(inTextArray.Replace(text))
		b.WriteByte('"')
	}
	b.WriteByte('}')
	return b.String(), nil
}

var inTextArray = strings.NewReplacer(`\`, `\\`, `"`, `\"`)

// chunk is how many ids stand in one list of a statement.
const chunk = 500

// chunks yields ids in pieces that fit into a statement, each id once: a row must
// not be found by two of them.
func chunks(ids []string) iter.Seq[[]string] {
	return slices.Chunk(slices.Compact(slices.Sorted(slices.Values(ids))), chunk)
}
