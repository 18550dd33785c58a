package store_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dewbench/store"
	"dewbench/store/storetest"
)

// sent is a statement with its arguments, as it went to the database.
type sent struct {
	statement string
	args      []any
}

// record returns the statements that the store sends while f runs, each once,
// whatever its arguments, but for those that begin and end transactions.
func record(s *store.Store, f func()) []sent {
	var all []sent
	s.Record(func(statement string, args []any) {
		if strings.HasPrefix(statement, "BEGIN") || statement == "COMMIT" {
			return
		}
		if !slices.ContainsFunc(all, func(x sent) bool { return x.statement == statement }) {
			all = append(all, sent{statement, args})
		}
	})
	defer s.Record(nil)
	f()
	return all
}

// explainAll fails the test for each query, update or delete of the store during f
// that goes through a whole table or index, or sorts. It returns the plans.
func explainAll(t *testing.T, s *store.Store, f func()) []string {
	t.Helper()
	var plans []string
	for _, x := range record(s, f) {
		verb, _, _ := strings.Cut(strings.ToUpper(strings.TrimSpace(x.statement)), " ")
		if !slices.Contains([]string{"SELECT", "WITH", "UPDATE", "DELETE"}, verb) {
			continue
		}
		plan, err := explain(t, s, x.statement, x.args...)
		if err != nil {
			t.Errorf("%v\n%s\n%s", err, x.statement, plan)
		}
		plans = append(plans, plan)
	}
	if len(plans) == 0 {
		t.Error("nothing was sent that could be explained")
	}
	return plans
}

// explain returns the plan of a statement, and what is wrong with it. The planner is
// told to scan and sort only where it has no other way, so the plan does not depend
// on how many rows there are.
func explain(t *testing.T, s *store.Store, statement string, args ...any) (plan string, wrong error) {
	t.Helper()
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		c := catalogue{t, tx.SQL()}
		if s.Engine() == store.SQLite {
			plan, wrong = c.explainSQLite(statement, args)
		} else {
			plan, wrong = c.explainPostgres(statement, args)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return plan, wrong
}

// explainSQLite reads the steps of the plan; their words are described in
// https://sqlite.org/eqp.html.
func (c catalogue) explainSQLite(statement string, args []any) (string, error) {
	var steps []string
	var wrong []error
	c.query("EXPLAIN QUERY PLAN "+statement, func(v []string) {
		step := v[3]
		steps = append(steps, step)
		switch {
		case strings.HasPrefix(step, "SCAN CONSTANT ROW"):
		case strings.HasPrefix(step, "SCAN ") && slices.Contains(steps, strings.Replace(step, "SCAN ", "CO-ROUTINE ", 1)): // what another step finds, as it finds it
		case strings.HasPrefix(step, "SCAN "), strings.Contains(step, "AUTOMATIC"):
			wrong = append(wrong, fmt.Errorf("goes through a whole table or index: %s", step))
		case strings.HasPrefix(step, "USE TEMP B-TREE"):
			wrong = append(wrong, fmt.Errorf("sorts: %s", step))
		}
	}, args...)
	return strings.Join(steps, "\n"), errors.Join(wrong...)
}

// node is a step of a plan of Postgres.
type node struct {
	Type     string `json:"Node Type"`
	Relation string `json:"Relation Name"`
	Index    string `json:"Index Name"`
	Cond     string `json:"Index Cond"`
	Filter   string `json:"Filter"`
	Plans    []node `json:"Plans"`
}

func (c catalogue) explainPostgres(statement string, args []any) (string, error) {
	for _, way := range []string{"enable_seqscan", "enable_bitmapscan", "enable_sort", "enable_incremental_sort", "enable_hashagg"} {
		if _, err := c.tx.ExecContext(c.t.Context(), "SET LOCAL "+way+" = off"); err != nil {
			c.t.Fatal(err)
		}
	}
	leading := map[string]string{} // first column by index
	c.query("SELECT i.indexrelid::regclass, a.attname FROM pg_index AS i"+
		" JOIN pg_attribute AS a ON a.attrelid = i.indexrelid AND a.attnum = 1", func(v []string) { leading[v[0]] = v[1] })
	public := map[string]bool{} // indexes of what is public, and so of nothing but what their lists are of
	c.query("SELECT indexrelid::regclass FROM pg_index WHERE pg_get_expr(indpred, indrelid) = '(visibility = 3)'", func(v []string) { public[v[0]] = true })
	var text strings.Builder
	c.query("EXPLAIN (FORMAT JSON) "+statement, func(v []string) { text.WriteString(v[0]) }, args...)
	var plans []struct{ Plan node }
	if err := json.Unmarshal([]byte(text.String()), &plans); err != nil {
		c.t.Fatal(err)
	}
	var (
		lines []string
		wrong []error
		walk  func(n node, depth int)
	)
	walk = func(n node, depth int) {
		step := strings.Join(strings.Fields(fmt.Sprint(n.Type, " ", n.Relation, " ", n.Index)), " ")
		if n.Cond != "" {
			step += " by " + n.Cond
		}
		if n.Filter != "" {
			step += " filter " + n.Filter
		}
		lines = append(lines, strings.Repeat("  ", depth)+step)
		switch n.Type {
		case "Seq Scan":
			wrong = append(wrong, fmt.Errorf("goes through a whole table: %s", step))
		case "Index Scan", "Index Only Scan", "Bitmap Index Scan":
			// A condition on later columns of an index goes through all of it.
			first := regexp.MustCompile(`(^|[^.\w])` + leading[n.Index] + `\b`)
			if public[n.Index] {
				break
			}
			if leading[n.Index] == "" || !first.MatchString(n.Cond) {
				wrong = append(wrong, fmt.Errorf("goes through a whole index: %s", step))
			}
		case "Sort", "Incremental Sort":
			wrong = append(wrong, fmt.Errorf("sorts: %s", step))
		}
		for _, inner := range n.Plans {
			walk(inner, depth+1)
		}
	}
	for _, p := range plans {
		walk(p.Plan, 0)
	}
	return strings.Join(lines, "\n"), errors.Join(wrong...)
}

func TestExplain(t *testing.T) {
	const some = "SELECT plant_id FROM plants WHERE collection_id = $1"
	good := []string{
		some + " ORDER BY plant_id LIMIT 5",
		some + " AND (tag_key, plant_id) > ('a', 'b') ORDER BY tag_key, plant_id LIMIT 5",
		some + " AND (tag_key, plant_id) < ('a', 'b') ORDER BY tag_key DESC, plant_id DESC LIMIT 5",
		some + " AND locality = 'x' AND delete_us IS NULL",
		some + " AND EXISTS (SELECT 1 FROM feedings f WHERE f.collection_id = plants.collection_id AND f.plant_id = plants.plant_id)",
		"UPDATE plants SET tag = '' WHERE collection_id = $1 AND plant_id = 'a'",
		"SELECT $1",
	}
	bad := []string{
		"SELECT plant_id FROM plants WHERE tag = $1",
		"SELECT plant_id FROM plants WHERE tag = $1 ORDER BY collection_id, plant_id", // a whole index
		some + " ORDER BY locality",
		some + " ORDER BY tag_key, plant_id DESC",
		some + " AND plant_id IN (SELECT plant_id FROM feedings WHERE note = 'x')",
		"SELECT DISTINCT locality FROM plants WHERE collection_id = $1 ORDER BY locality",
		"DELETE FROM plants WHERE tag = $1",
	}
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		for _, statement := range good {
			if plan, err := explain(t, s, statement, "c"); err != nil {
				t.Errorf("%v\n%s\n%s", err, statement, plan)
			}
		}
		for _, statement := range bad {
			if plan, err := explain(t, s, statement, "c"); err == nil {
				t.Errorf("nothing is wrong with\n%s\n%s", statement, plan)
			}
		}
	})
}

func TestRecord(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		add(t, s, "before")
		plans := explainAll(t, s, func() {
			has(t, s, "a")
			has(t, s, "b")
			add(t, s, "c") // an INSERT has no plan to look at
		})
		if len(plans) != 1 {
			t.Errorf("one query was sent, twice; there are %d plans: %q", len(plans), plans)
		}
		if all := record(s, func() { has(t, s, "x") }); len(all) != 1 || !slices.Contains(all[0].args, any("x")) {
			t.Errorf("recorded %v", all)
		}
	})
}
