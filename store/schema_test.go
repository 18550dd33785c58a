package store_test

import (
	"cmp"
	"database/sql"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	gormschema "gorm.io/gorm/schema"

	"dewbench/store"
	"dewbench/store/storetest"
)

var update = flag.Bool("update", false, "write the dumps of the schema")

// table is what the catalogue of a database says of a table.
type table struct {
	name    string
	columns []column
	primary []string
	foreign []string // sorted
	indexes []string // sorted, without those of keys
}

type column struct {
	name, kind, collation string
	notNull               bool
	fallback              string // DEFAULT; "" for none
}

// dump reads the schema from the catalogue, so that it tells what a migrated
// database is and not what the migrations say.
func dump(t *testing.T, s *store.Store) []table {
	t.Helper()
	var tables []table
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		c := catalogue{t, tx.SQL()}
		if s.Engine() == store.SQLite {
			tables = c.sqlite()
		} else {
			tables = c.postgres()
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	slices.SortFunc(tables, func(a, b table) int { return cmp.Compare(a.name, b.name) })
	for _, x := range tables {
		slices.Sort(x.foreign)
		slices.Sort(x.indexes)
	}
	return tables
}

type catalogue struct {
	t  *testing.T
	tx *sql.Tx
}

// query calls f for each row, with its values as texts; "" for NULL.
func (c catalogue) query(statement string, f func(v []string), args ...any) {
	c.t.Helper()
	rows, err := c.tx.QueryContext(c.t.Context(), statement, args...)
	if err != nil {
		c.t.Fatalf("%s: %v", statement, err)
	}
	// Texts first: SQLite reads one query at a time on a connection only if it was
	// read to its end.
	var all [][]string
	names, err := rows.Columns()
	for err == nil && rows.Next() {
		values := make([]sql.NullString, len(names))
		into := make([]any, len(names))
		for i := range values {
			into[i] = &values[i]
		}
		err = rows.Scan(into...)
		texts := make([]string, len(names))
		for i, v := range values {
			texts[i] = v.String
		}
		all = append(all, texts)
	}
	if err = cmp.Or(err, rows.Err(), rows.Close()); err != nil {
		c.t.Fatalf("%s: %v", statement, err)
	}
	for _, v := range all {
		f(v)
	}
}

func (c catalogue) sqlite() (tables []table) {
	c.query("SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'", func(v []string) {
		tables = append(tables, table{name: v[0]})
	})
	for i := range tables {
		x := &tables[i]
		primary := map[string]string{}
		c.query("SELECT name, type, \"notnull\", dflt_value, pk FROM pragma_table_xinfo(?)", func(v []string) {
			x.columns = append(x.columns, column{name: v[0], kind: v[1], notNull: v[2] == "1", fallback: v[3]})
			if v[4] != "0" {
				primary[v[4]] = v[0]
			}
		}, x.name)
		for n := range len(primary) {
			x.primary = append(x.primary, primary[fmt.Sprint(n+1)])
		}
		type reference struct{ from, to []string }
		references := map[string]*reference{}
		c.query("SELECT id, \"table\", \"from\", \"to\", on_delete, on_update FROM pragma_foreign_key_list(?) ORDER BY id, seq", func(v []string) {
			key := v[0] + " " + v[1]
			if v[4] != "NO ACTION" || v[5] != "NO ACTION" {
				key += " ON DELETE " + v[4] + " ON UPDATE " + v[5]
			}
			if references[key] == nil {
				references[key] = &reference{}
			}
			references[key].from = append(references[key].from, v[2])
			references[key].to = append(references[key].to, v[3])
		}, x.name)
		for key, r := range references {
			_, rest, _ := strings.Cut(key, " ")
			target, action, _ := strings.Cut(rest, " ")
			x.foreign = append(x.foreign, strings.TrimSpace(
				fmt.Sprintf("(%s) REFERENCES %s (%s) %s", strings.Join(r.from, ", "), target, strings.Join(r.to, ", "), action)))
		}
		c.query("SELECT l.name, l.\"unique\", l.origin, m.sql FROM pragma_index_list(?) AS l"+
			" LEFT JOIN sqlite_master AS m ON m.type = 'index' AND m.name = l.name", func(v []string) {
			if v[2] == "pk" {
				return
			}
			var columns []string
			c.query("SELECT name, \"desc\", coll FROM pragma_index_xinfo(?) WHERE key = 1 ORDER BY seqno", func(w []string) {
				columns = append(columns, indexColumn(w[0], w[1] == "1"))
				if w[2] != "BINARY" {
					c.t.Errorf("index %s compares %s by %s, not by bytes", v[0], w[0], w[2])
				}
			}, v[0])
			_, where, _ := strings.Cut(v[3], " WHERE ")
			x.indexes = append(x.indexes, index(v[0], x.name, v[1] == "1", columns, where))
		}, x.name)
	}
	return tables
}

func (c catalogue) postgres() (tables []table) {
	ids := map[string]string{}
	c.query("SELECT relname, oid FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace", func(v []string) {
		tables = append(tables, table{name: v[0]})
		ids[v[0]] = v[1]
	})
	for i := range tables {
		x := &tables[i]
		id := ids[x.name]
		names := map[string]string{}
		c.query("SELECT a.attnum, a.attname, upper(format_type(a.atttypid, a.atttypmod)), a.attnotnull,"+
			" CASE WHEN a.attcollation = 0 THEN NULL ELSE c.collname END, coalesce(pg_get_expr(d.adbin, d.adrelid), a.attidentity::text)"+
			" FROM pg_attribute AS a LEFT JOIN pg_collation AS c ON c.oid = a.attcollation"+
			" LEFT JOIN pg_attrdef AS d ON d.adrelid = a.attrelid AND d.adnum = a.attnum"+
			" WHERE a.attrelid = $1 AND a.attnum > 0 AND NOT a.attisdropped ORDER BY a.attnum", func(v []string) {
			names[v[0]] = v[1]
			x.columns = append(x.columns, column{name: v[1], kind: v[2], notNull: v[3] == "true", collation: v[4], fallback: v[5]})
		}, id)
		list := func(numbers string) (columns []string) {
			for _, n := range strings.Fields(numbers) {
				columns = append(columns, cmp.Or(names[n], "an expression"))
			}
			return columns
		}
		c.query("SELECT contype, array_to_string(conkey, ' '), pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = $1", func(v []string) {
			switch v[0] {
			case "p":
				x.primary = list(v[1])
			case "f":
				x.foreign = append(x.foreign, strings.Replace(strings.TrimPrefix(v[2], "FOREIGN KEY "), "(", " (", 2)[1:])
			default:
				x.foreign = append(x.foreign, v[2])
			}
		}, id)
		c.query("SELECT c.relname, i.indisunique, array_to_string(i.indkey, ' '), array_to_string(i.indoption, ' '),"+
			" pg_get_expr(i.indpred, i.indrelid) FROM pg_index AS i JOIN pg_class AS c ON c.oid = i.indexrelid"+
			" WHERE i.indrelid = $1 AND NOT i.indisprimary", func(v []string) {
			columns, options := list(v[2]), strings.Fields(v[3])
			for i := range columns {
				columns[i] = indexColumn(columns[i], options[i] == "3") // DESC NULLS FIRST, the usual DESC
			}
			x.indexes = append(x.indexes, index(v[0], x.name, v[1] == "true", columns, strings.TrimSuffix(strings.TrimPrefix(v[4], "("), ")")))
		}, id)
	}
	return tables
}

func indexColumn(name string, desc bool) string {
	if desc {
		return name + " DESC"
	}
	return name
}

func index(name, table string, unique bool, columns []string, where string) string {
	kind := "INDEX"
	if unique {
		kind = "UNIQUE INDEX"
	}
	out := fmt.Sprintf("CREATE %s %s ON %s (%s)", kind, name, table, strings.Join(columns, ", "))
	if where != "" {
		out += " WHERE " + where
	}
	return out
}

// asSQL writes tables as SQL, one column a line.
func asSQL(tables []table) string {
	var b strings.Builder
	for _, x := range tables {
		var lines []string
		for _, c := range x.columns {
			line := c.name + " " + c.kind
			if c.collation != "" {
				line += " COLLATE \"" + c.collation + "\""
			}
			if c.notNull {
				line += " NOT NULL"
			}
			if c.fallback != "" {
				line += " DEFAULT " + c.fallback
			}
			lines = append(lines, line)
		}
		lines = append(lines, "PRIMARY KEY ("+strings.Join(x.primary, ", ")+")")
		for _, f := range x.foreign {
			lines = append(lines, "FOREIGN KEY "+f)
		}
		fmt.Fprintf(&b, "CREATE TABLE %s (\n  %s\n);\n", x.name, strings.Join(lines, ",\n  "))
		for _, i := range x.indexes {
			fmt.Fprintf(&b, "%s;\n", i)
		}
		b.WriteString("\n")
	}
	return strings.TrimSuffix(b.String(), "\n")
}

func TestSchema(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		const head = "-- What the migrations make, as the database tells it. Written by go test ./store -run TestSchema -update.\n\n"
		got := head + asSQL(dump(t, s))
		name := filepath.Join("..", "testdata", "schema", string(s.Engine())+".sql")
		if *update {
			if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if diff := gocmp.Diff(strings.Split(string(want), "\n"), strings.Split(got, "\n")); diff != "" {
			t.Errorf("the schema is another one than %s; if it is meant, run go test ./store -run TestSchema -update (- file, + database):\n%s", name, diff)
		}
	})
}

// ours leaves out what goose and River keep, which they make as they like.
func ours(tables []table) []table {
	return slices.DeleteFunc(tables, func(x table) bool {
		return x.name == "schema_versions" || strings.HasPrefix(x.name, "river_")
	})
}

func TestEnginesHaveTheSameSchema(t *testing.T) {
	onSQLite := map[string]string{"BIGINT": "INTEGER", "DOUBLE PRECISION": "REAL", "BYTEA": "BLOB"}
	var texts []string
	for _, engine := range storetest.Engines() {
		tables := ours(dump(t, storetest.New(t, engine)))
		for i := range tables {
			for j := range tables[i].columns {
				c := &tables[i].columns[j]
				if engine == store.Postgres {
					if c.kind == "TEXT" && c.collation != "C" {
						t.Errorf("%s.%s is compared by %q on Postgres, on SQLite by bytes", tables[i].name, c.name, c.collation)
					}
					c.collation, c.fallback = "", strings.TrimSuffix(c.fallback, "::text")
					if kind, ok := onSQLite[c.kind]; ok {
						c.kind = kind
					}
				}
			}
		}
		texts = append(texts, asSQL(tables))
	}
	if diff := gocmp.Diff(strings.Split(texts[0], "\n"), strings.Split(texts[1], "\n")); diff != "" {
		t.Errorf("the engines differ (- SQLite, + Postgres):\n%s", diff)
	}
}

// Each table begins its keys and indexes with the tenant, so that the tables can be
// spread over servers by it, and a query that names the tenant finds its rows
// together.
func TestTenantLeads(t *testing.T) {
	exceptions := map[string]string{
		"server_keys":        "secrets of the server itself",
		"tokens_hash":        "a call shows its secret before it is known whose it is",
		"tokens_old_hash":    "likewise",
		"identities_subject": "a call shows who it comes from before it is known which grower that is",
		"calendars_hash":     "a call shows its secret before it is known whose it is",
		"collections_owner":  "the collections of a grower",

		"collections_owner_society":       "the collections of a society",
		"collections_public":              "what is public is everybody's",
		"collections_public_display_name": "what is public is everybody's",
		"society_invitations_hash":        "the secret is shown before it is known what it is for",
		"collection_invitations_hash":     "the secret is shown before it is known what it is for",
		"collections_display_name":        "the collections of a grower",
	}
	used := map[string]bool{}
	leads := func(t *testing.T, what string, columns string) {
		if first, _, _ := strings.Cut(columns, ","); first == "collection_id" || first == "grower_id" || first == "society_id" {
			return
		}
		if _, ok := exceptions[what]; !ok {
			t.Errorf("%s (%s) does not begin with the tenant", what, columns)
		}
		used[what] = true
	}
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		for _, x := range ours(dump(t, s)) {
			leads(t, x.name, strings.Join(x.primary, ","))
			for _, i := range x.indexes {
				head, rest, _ := strings.Cut(i, " ON ")
				_, rest, _ = strings.Cut(rest, "(")
				columns, _, _ := strings.Cut(rest, ")")
				leads(t, head[strings.LastIndex(head, " ")+1:], columns)
			}
		}
	})
	for name := range exceptions {
		if !used[name] {
			t.Errorf("%s needs no exception", name)
		}
	}
}

// Columns have the types of the fields, so that nothing is cut, and are nullable
// where a field may be absent.
func TestRowsMatchTheSchema(t *testing.T) {
	kinds := map[reflect.Kind][]string{ // on SQLite, on Postgres
		reflect.String:  {"TEXT", "TEXT"},
		reflect.Int32:   {"INTEGER", "INTEGER"},
		reflect.Int64:   {"INTEGER", "BIGINT"},
		reflect.Float64: {"REAL", "DOUBLE PRECISION"},
		reflect.Slice:   {"BLOB", "BYTEA"},
	}
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		tables := map[string]table{}
		for _, x := range ours(dump(t, s)) {
			tables[x.name] = x
		}
		for _, row := range store.Rows {
			parsed, err := gormschema.Parse(row, &sync.Map{}, gormschema.NamingStrategy{})
			if err != nil {
				t.Fatal(err)
			}
			x, ok := tables[parsed.Table]
			if !ok {
				t.Errorf("%s: there is no table %s, or two rows of it", parsed.Name, parsed.Table)
				continue
			}
			delete(tables, parsed.Table)
			columns := map[string]column{}
			for _, c := range x.columns {
				columns[c.name] = c
			}
			for _, f := range parsed.Fields {
				c, ok := columns[f.DBName]
				if !ok {
					t.Errorf("%s.%s: the table has no column %q", parsed.Name, f.Name, f.DBName)
					continue
				}
				delete(columns, f.DBName)
				want, ok := kinds[f.IndirectFieldType.Kind()]
				if !ok {
					t.Errorf("%s.%s: %s is no type of rows", parsed.Name, f.Name, f.FieldType)
					continue
				}
				n := slices.Index(storetest.Engines(), s.Engine())
				if c.kind != want[n] {
					t.Errorf("%s.%s: the column is %s, a %s needs %s", parsed.Name, f.Name, c.kind, f.FieldType, want[n])
				}
				if kind := f.FieldType.Kind(); kind != reflect.Slice && (kind == reflect.Pointer) == c.notNull { // nil bytes are NULL
					t.Errorf("%s.%s: the column is NOT NULL %v, the field is %s", parsed.Name, f.Name, c.notNull, f.FieldType)
				}
				// GORM would put the default in place of false, 0 and "".
				if f.HasDefaultValue {
					t.Errorf("%s.%s: rows have no defaults, and keys are not counted by the database", parsed.Name, f.Name)
				}
			}
			for name := range columns {
				t.Errorf("%s has no field for the column %s", parsed.Name, name)
			}
			var primary []string
			for _, f := range parsed.PrimaryFields {
				primary = append(primary, f.DBName)
			}
			if !slices.Equal(primary, x.primary) {
				t.Errorf("%s has the key %v, the table %v", parsed.Name, primary, x.primary)
			}
			if len(parsed.Relationships.Relations) > 0 {
				t.Errorf("%s has fields that GORM would save by itself", parsed.Name)
			}
		}
		for name := range tables {
			t.Errorf("there is no row of the table %s", name)
		}
	})
}
