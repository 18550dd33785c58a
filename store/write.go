package store

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	pb "dewbench/proto/dewbench/v1"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"gorm.io/gorm"
	"gorm.io/gorm/clause"
)

// By is who writes, and when.
type By struct {
	Us            int64 // microseconds since 1970 UTC
	Grower, Token string
	Request       string // id of the request, by which it can be undone; "" for none
}

// versioned is what rows have that users change.
type versioned struct {
	Version int64
	Stamp   int32 // schema of the writer
}

// stamp is what this program writes into rows.
func stamp() int32 { return int32(LatestSchema()) }

// etag covers what users set: the version counts their changes.
func etag(createUs, version int64) string {
	return `"` + strconv.FormatInt(createUs, 36) + "-" + strconv.FormatInt(version, 10) + `"`
}

// LastRevision returns the number of the last change of a resource with this etag; 0
// if it is none.
func LastRevision(etag string) int64 {
	n, err := strconv.ParseInt(strings.TrimSuffix(etag[strings.LastIndexByte(etag, '-')+1:], `"`), 10, 64)
	if err != nil {
		return 0
	}
	return n
}

// locked makes a statement lock the rows that it reads, as an update of them does:
// rows that refer to them may be added meanwhile, which keeps two calls of a grower
// from waiting for each other. SQLite has one writer, who needs no lock.
func (t *Tx) locked(db *gorm.DB) *gorm.DB {
	if t.engine == Postgres {
		return db.Clauses(clause.Locking{Strength: "NO KEY UPDATE"})
	}
	return db
}

// update writes the columns of a row where it still has the version that was read.
// Rows of a newer writer are refused: their columns that this program does not know
// would keep values that no longer fit. key finds the row.
func (t *Tx) update(row any, read versioned, key *gorm.DB, but ...string) error {
	if read.Stamp > stamp() {
		return newerRow(read.Stamp)
	}
	columns, err := settable(row, but...)
	if err != nil {
		return err
	}
	result := key.Where("version = ?", read.Version).Select(columns).Updates(row)
	switch {
	case result.Error != nil:
		return result.Error
	case result.RowsAffected == 0:
		return ErrStale
	}
	return nil
}

func newerRow(schema int32) error { return fmt.Errorf("a row of schema %d: %w", schema, ErrNewer) }

// hit is the error of a write, which is ErrNotFound if there was no row to write.
func hit(result *gorm.DB) error {
	if result.Error == nil && result.RowsAffected == 0 {
		return ErrNotFound
	}
	return result.Error
}

// same tells whether an update changes nothing. Then nothing is written: the etag
// and the history stay. A row of a newer writer may have more than the messages say.
func same(action pb.Revision_Action, writer int32, before, after proto.Message) bool {
	return action == pb.Revision_UPDATED && writer <= stamp() && proto.Equal(before, after)
}

// insert adds rows. With a key, those that are there already are
// overwritten.
func insert[R any](t *Tx, rows []R, key ...string) error {
	if len(rows) == 0 {
		return nil
	}
	if t.engine == Postgres && len(rows) > 1 {
		return insertArrays(t, rows, key)
	}
	db := t.q()
	if len(key) > 0 {
		c := clause.OnConflict{UpdateAll: true}
		for _, name := range key {
			c.Columns = append(c.Columns, clause.Column{Name: name})
		}
		db = db.Clauses(c)
	}
	return db.Create(&rows).Error
}

// insertArrays is insert for Postgres: each column goes as one array. The statement is
// then the same for any number of rows, so that Postgres reads and plans it once.
func insertArrays[R any](t *Tx, rows []R, key []string) error {
	db := t.q()
	if err := db.Statement.Parse(&rows); err != nil {
		return err
	}
	var names, arrays, overwritten []string
	var args []any
	all := reflect.ValueOf(rows)
	for _, f := range db.Statement.Schema.Fields {
		if f.DBName == "" {
			continue
		}
		kind, plain, err := arrayOf(f.IndirectFieldType)
		if err != nil {
			return fmt.Errorf("column %s: %w", f.DBName, err)
		}
		if f.FieldType.Kind() == reflect.Pointer { // NULL for nil
			plain = reflect.PointerTo(plain)
		}
		column := reflect.MakeSlice(reflect.SliceOf(plain), len(rows), len(rows))
		for i := range rows {
			column.Index(i).Set(f.ReflectValueOf(db.Statement.Context, all.Index(i)).Convert(plain))
		}
		names, args = append(names, f.DBName), append(args, column.Interface())
		arrays = append(arrays, fmt.Sprintf("$%d::%s[]", len(args), kind))
		if !slices.Contains(key, f.DBName) {
			overwritten = append(overwritten, f.DBName+" = excluded."+f.DBName)
		}
	}
	statement := "INSERT INTO " + db.Statement.Schema.Table + " (" + strings.Join(names, ", ") + ") SELECT * FROM unnest(" + strings.Join(arrays, ", ") + ")"
	if len(key) > 0 {
		statement += " ON CONFLICT (" + strings.Join(key, ", ") + ") DO UPDATE SET " + strings.Join(overwritten, ", ")
	}
	// GORM would make a list of each array.
	_, err := db.Statement.ConnPool.ExecContext(db.Statement.Context, statement, args...)
	return translate(err)
}

// arrayOf is the type of Postgres for the values of a column, and the one of Go that the
// driver knows by itself: where a URL keeps it from preparing statements, as for a pooler,
// it does not see through types of ours.
func arrayOf(t reflect.Type) (kind string, plain reflect.Type, err error) {
	switch t.Kind() {
	case reflect.String:
		return "text", reflect.TypeFor[string](), nil
	case reflect.Int64:
		return "bigint", reflect.TypeFor[int64](), nil
	case reflect.Int32:
		return "integer", reflect.TypeFor[int32](), nil
	case reflect.Float64:
		return "double precision", reflect.TypeFor[float64](), nil
	case reflect.Slice:
		if t.Elem().Kind() == reflect.Uint8 {
			return "bytea", reflect.TypeFor[[]byte](), nil
		}
	}
	return "", nil, fmt.Errorf("a value of type %s", t)
}

// instant reads microseconds.
func instant(us int64) *timestamppb.Timestamp {
	t := &timestamppb.Timestamp{Seconds: us / 1e6, Nanos: int32(us%1e6) * 1000}
	if t.Nanos < 0 {
		t.Seconds, t.Nanos = t.Seconds-1, t.Nanos+1e9
	}
	return t
}

// maybe reads microseconds that may be absent.
func maybe(us *int64) *timestamppb.Timestamp {
	if us == nil {
		return nil
	}
	return instant(*us)
}

// Micros writes an instant as microseconds since 1970 UTC, cut to them.
func Micros(t *timestamppb.Timestamp) int64 {
	return t.GetSeconds()*1e6 + int64(t.GetNanos())/1000
}

// maybeMicros writes an instant that may be absent.
func maybeMicros(t *timestamppb.Timestamp) *int64 {
	if t == nil {
		return nil
	}
	us := Micros(t)
	return &us
}

// text writes a message as JSON, for lists that SQL never looks into. An empty
// message is {}.
func text(m proto.Message) (string, error) {
	b, err := protojson.Marshal(m)
	if err != nil {
		return "", fmt.Errorf("write %s: %w", m.ProtoReflect().Descriptor().FullName(), err)
	}
	return string(b), nil
}

// maybeText writes a message that may be absent.
func maybeText(m proto.Message) (*string, error) {
	if v := reflect.ValueOf(m); !v.IsValid() || v.IsNil() {
		return nil, nil
	}
	s, err := text(m)
	return &s, err
}

// readText reads what text wrote. Fields of a newer writer are left out: the stamp
// keeps them from being lost.
func readText(s string, into proto.Message) error {
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal([]byte(s), into); err != nil {
		return fmt.Errorf("read %s: %w", into.ProtoReflect().Descriptor().FullName(), err)
	}
	return nil
}

// orNil is nil for the empty text: no reference.
func orNil(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func deref[V any](p *V) V {
	var zero V
	if p == nil {
		return zero
	}
	return *p
}
