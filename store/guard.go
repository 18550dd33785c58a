package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// The guard refuses a statement that could reach rows of any tenant. Each table that
// a statement reads, updates or deletes from must be compared with its tenant: by =,
// by IN, or in a row value with =; against a value, or against the column of a table
// that is. What is inserted must set the tenant.
//
// It reads SQL only as far as this needs. Where it cannot tell, it refuses; a column
// that it cannot attribute to a table needs the table's name before it. It is on in
// tests and off in a server, as what it reads is written here and not by users.

// errUnscoped is a defect in this package.
var errUnscoped = errors.New("statement without its tenant")

// tenantColumns bound what a statement reaches, in every table that has them.
var tenantColumns = []string{"collection_id", "grower_id", "society_id"}

// moreColumns bound a table too.
var moreColumns = map[string]struct {
	columns []string
	reason  string
}{
	"collections": {[]string{"owner_id", "owner_society_id"}, "the collections of one grower or society"},
	"tokens":      {[]string{"hash", "old_hash"}, "a call shows its secret before it is known whose it is"},
	"identities":  {[]string{"subject"}, "a call shows who it comes from before it is known which grower that is"},
	"calendars":   {[]string{"hash"}, "a call shows its secret before it is known whose it is"},

	"society_invitations":    {[]string{"hash"}, "likewise"},
	"collection_invitations": {[]string{"hash"}, "likewise"},
}

// publicRows are everybody's: a condition that a column has the value bounds the table.
var publicRows = map[string]struct{ column, value, reason string }{
	"collections": {"visibility", "3", "public collections are listed for all"},
}

// exemptTables have no tenant.
var exemptTables = map[string]string{
	"server_keys":   "secrets of the server itself",
	versionTable:    "the steps that the schema has taken",
	"sqlite_master": "what tables there are",
	"pg_class":      "what tables there are",
}

// exemptStatements reach all tenants on purpose. They are given from their table on,
// as normal writes them.
var exemptStatements = map[string]string{
	"growers where grower_id > ? order by grower_id limit ?":             "the operator lists all growers",
	"societies where society_id > ? order by society_id limit ?":         "likewise",
	"erasures where grower_id > ? order by grower_id limit ?":            "the server brings erasures of all growers to their end",
	"collections where collection_id > ? order by collection_id limit ?": "the sweep of what is to be purged visits all collections",
	"collections where ( due_rev <> settings_rev or due_version not in ( ? , ? ) or due_day > ? or due_until <= ? ) and ( due_version in ( ? , ? ) or ? = ? ) and delete_us is null and collection_id > ? order by collection_id limit ?": "what is due is kept in all collections",
	"collections where pending_us is not null and collection_id > ? order by collection_id limit ?":                                                                                                                                       "records dated ahead come true in all collections",
}

// unguarded are statements that reach no rows.
var unguarded = []string{"savepoint", "release", "rollback", "set", "explain", "analyze"}

var judged sync.Map // statement to error or nil: tests repeat few statements

// guard returns errUnscoped for a statement that does not name its tenant.
func guard(_ context.Context, statement string) error {
	if known, ok := judged.Load(statement); ok {
		err, _ := known.(error)
		return err
	}
	err := judge(statement)
	if err != nil {
		err = fmt.Errorf("%w: %w: %s", errUnscoped, err, statement)
	}
	judged.Store(statement, err)
	return err
}

func judge(statement string) error {
	tokens, err := scan(statement)
	if err != nil {
		return err
	}
	for len(tokens) > 0 && tokens[len(tokens)-1].is(";") {
		tokens = tokens[:len(tokens)-1]
	}
	if len(tokens) == 0 {
		return nil
	}
	if slices.Contains(unguarded, tokens[0].word()) {
		return nil
	}
	if i := slices.IndexFunc(tokens, func(t token) bool { return t.is("from") }); i >= 0 && tokens[0].is("select") {
		if _, ok := exemptStatements[normal(tokens[i+1:])]; ok {
			return nil
		}
	}
	return judgeQuery(tokens, nil)
}

// token is a word, a quoted name, a value, an operator, or what stands between
// parentheses.
type token struct {
	kind   tokenKind
	text   string // of a word in lower case, of a quoted name without the quotes
	digits string // of a number that stands in the statement
	sub    []token
}

type tokenKind int

const (
	wordToken  tokenKind = iota + 1
	nameToken            // quoted: never a keyword
	valueToken           // a literal or a placeholder
	operatorToken
	groupToken
)

// is compares keywords and operators.
func (t token) is(any ...string) bool {
	return (t.kind == wordToken || t.kind == operatorToken) && slices.Contains(any, t.text)
}

// word is the text of what may be a keyword.
func (t token) word() string {
	if t.kind == wordToken {
		return t.text
	}
	return ""
}

// named tells whether the token may be the name of a table or column.
func (t token) named() bool {
	return t.kind == nameToken || t.kind == wordToken && !slices.Contains(keywords, t.text)
}

// query tells whether a group is a query and not an expression or a list.
func (t token) query() bool {
	return t.kind == groupToken && len(t.sub) > 0 && t.sub[0].is("select", "with", "values")
}

// keywords end the name or alias of a table, or begin what is no name.
var keywords = []string{
	"and", "as", "between", "by", "case", "collate", "conflict", "cross", "default", "delete", "distinct", "do", "else", "end",
	"except", "exists", "for", "from", "full", "group", "having", "in", "indexed", "inner", "insert", "intersect", "into", "is",
	"join", "lateral", "left", "like", "limit", "natural", "not", "null", "offset", "on", "only", "or", "order", "outer",
	"returning", "right", "select", "set", "then", "union", "update", "using", "values", "when", "where", "window", "with",
}

// scan splits SQL into tokens.
func scan(s string) ([]token, error) {
	rest := s
	tokens, closed := scanGroup(&rest)
	if closed || rest != "" {
		return nil, errors.New("parentheses do not match, or a quote is open")
	}
	return tokens, nil
}

// scanGroup reads up to the closing parenthesis, or to the end. What cannot be read
// is left in s.
func scanGroup(s *string) (tokens []token, closed bool) {
	for *s != "" {
		c := (*s)[0]
		switch {
		case strings.IndexByte(" \t\r\n", c) >= 0:
			*s = (*s)[1:]
		case strings.HasPrefix(*s, "--"):
			_, *s, _ = strings.Cut(*s, "\n")
		case strings.HasPrefix(*s, "/*"):
			_, *s, _ = strings.Cut(*s, "*/")
		case c == '(':
			inner := (*s)[1:]
			sub, ok := scanGroup(&inner)
			if !ok {
				return nil, false
			}
			tokens, *s = append(tokens, token{kind: groupToken, sub: sub}), inner
		case c == ')':
			*s = (*s)[1:]
			return tokens, true
		case c == '\'' || c == '"' || c == '`':
			text, rest, ok := quoted(*s, c)
			if !ok {
				return nil, false
			}
			kind := nameToken
			if c == '\'' {
				kind, text = valueToken, "?"
			}
			tokens, *s = append(tokens, token{kind: kind, text: text}), rest
		case c == '?' || c == '$' || c >= '0' && c <= '9':
			n := 1
			for n < len(*s) && wordByte((*s)[n]) {
				n++
			}
			t := token{kind: valueToken, text: "?"}
			if c != '?' && c != '$' {
				t.digits = (*s)[:n]
			}
			tokens, *s = append(tokens, t), (*s)[n:]
		case wordByte(c):
			n := 1
			for n < len(*s) && wordByte((*s)[n]) {
				n++
			}
			tokens, *s = append(tokens, token{kind: wordToken, text: strings.ToLower((*s)[:n])}), (*s)[n:]
		default:
			n := 1
			if len(*s) > 1 && slices.Contains([]string{"<=", ">=", "<>", "!=", "||", "::", "->", "=="}, (*s)[:2]) {
				n = 2
			}
			tokens, *s = append(tokens, token{kind: operatorToken, text: (*s)[:n]}), (*s)[n:]
		}
	}
	return tokens, false
}

func wordByte(c byte) bool {
	return c == '_' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= 0x80
}

// quoted reads what stands between quotes, in which a doubled quote is one.
func quoted(s string, quote byte) (text, rest string, ok bool) {
	var b strings.Builder
	for i := 1; i < len(s); i++ {
		switch {
		case s[i] != quote:
			b.WriteByte(s[i])
		case i+1 < len(s) && s[i+1] == quote:
			b.WriteByte(quote)
			i++
		default:
			return b.String(), s[i+1:], true
		}
	}
	return "", "", false
}

// normal writes tokens in one way: lower case, no quotes, ? for every value.
func normal(tokens []token) string {
	var words []string
	for _, t := range tokens {
		if t.kind == groupToken {
			words = append(words, "( "+normal(t.sub)+" )")
			continue
		}
		words = append(words, t.text)
	}
	return strings.Join(words, " ")
}

// source is a table of a query, or a query in place of one.
type source struct {
	name  string // by which columns refer to it
	table string // "" for a query: it is judged by itself
	bound bool   // to a tenant
}

// bind says that a source is bound if another one is; to is nil for a value.
type bind struct{ of, to *source }

func (s *source) tenant(column string) bool {
	return slices.Contains(tenantColumns, column) || slices.Contains(moreColumns[s.table].columns, column)
}

// scope is what names mean inside a query.
type scope struct {
	sources []*source
	with    []string // names of queries before it
	outer   *scope
}

func (s *scope) isQuery(name string) bool {
	return s != nil && (slices.Contains(s.with, name) || s.outer.isQuery(name))
}

func (s *scope) find(name string) *source {
	if s == nil {
		return nil
	}
	for _, source := range s.sources {
		if source.name == name {
			return source
		}
	}
	return s.outer.find(name)
}

// judgeQuery judges a statement, or a query inside one.
func judgeQuery(tokens []token, outer *scope) error {
	sc := &scope{outer: outer}
	if tokens[0].is("with") {
		var err error
		if tokens, err = judgeWith(tokens[1:], sc); err != nil {
			return err
		}
	}
	for _, part := range split(tokens, "union", "intersect", "except") {
		if len(part) > 0 && part[0].is("all") {
			part = part[1:]
		}
		if err := judgeOne(part, &scope{outer: sc}); err != nil {
			return err
		}
	}
	return nil
}

// judgeWith judges the queries of WITH and returns the rest.
func judgeWith(tokens []token, sc *scope) ([]token, error) {
	for i := 0; i < len(tokens); i++ {
		t := tokens[i]
		switch {
		case t.is("recursive", "materialized", "as", "not", ","):
		case t.query():
			if err := judgeQuery(t.sub, sc); err != nil {
				return nil, err
			}
		case t.kind == groupToken: // its columns
		case t.is("select", "insert", "update", "delete", "values"):
			return tokens[i:], nil
		case t.named():
			sc.with = append(sc.with, t.text)
		default:
			return nil, fmt.Errorf("unexpected %q in WITH", t.text)
		}
	}
	return nil, errors.New("WITH without a query")
}

// judgeOne judges one SELECT, INSERT, UPDATE or DELETE.
func judgeOne(tokens []token, sc *scope) error {
	if len(tokens) == 0 {
		return errors.New("empty query")
	}
	switch verb, rest := tokens[0], tokens[1:]; {
	case verb.is("select", "values"):
	case verb.is("update"):
		// The table is read as that of a FROM.
		tokens = append([]token{{kind: wordToken, text: "from"}}, rest...)
	case verb.is("delete"):
		// USING names further tables.
		tokens = slices.Clone(rest)
		for i := range tokens {
			if tokens[i].is("using") {
				tokens[i] = token{kind: operatorToken, text: ","}
			}
		}
	case verb.is("insert"):
		return judgeInsert(rest, sc)
	default:
		return fmt.Errorf("the guard does not know %q", verb.text)
	}
	return judgeSelect(tokens, sc)
}

func judgeInsert(tokens []token, sc *scope) error {
	if len(tokens) < 3 || !tokens[0].is("into") || !tokens[1].named() {
		return errors.New("give INSERT INTO a table, without OR")
	}
	table, columns, rest := tokens[1].text, tokens[2], tokens[3:]
	if columns.kind != groupToken {
		return errors.New("name the columns of INSERT")
	}
	target := &source{name: table, table: table}
	if !exempt(target) && !holdsTenant(target, columns.sub) {
		return fmt.Errorf("%s is inserted into without its tenant", table)
	}
	// What is there already is updated only within the tenant.
	for i, t := range rest {
		if !t.is("conflict") {
			continue
		}
		after := rest[i+1:]
		nothing := slices.ContainsFunc(after, func(t token) bool { return t.is("nothing") })
		scoped := len(after) > 0 && after[0].kind == groupToken && holdsTenant(target, after[0].sub)
		if !nothing && !scoped && !exempt(target) {
			return fmt.Errorf("a row of %s that is there already is updated whatever its tenant", table)
		}
		rest = rest[:i]
		if err := judgeInner(after, &scope{sources: []*source{target}, outer: sc}); err != nil {
			return err
		}
		break
	}
	if i := slices.IndexFunc(rest, func(t token) bool { return t.is("select", "with") }); i >= 0 {
		body := rest[i:]
		if j := len(body) - 1; body[j].is("on") { // of ON CONFLICT
			body = body[:j]
		}
		return judgeQuery(body, sc)
	}
	return judgeInner(rest, sc)
}

func holdsTenant(s *source, columns []token) bool {
	return slices.ContainsFunc(columns, func(t token) bool { return t.named() && s.tenant(t.text) })
}

func exempt(s *source) bool {
	if s.table == "" {
		return true
	}
	_, ok := exemptTables[s.table]
	return ok
}

// judgeSelect judges what has FROM and WHERE.
func judgeSelect(tokens []token, sc *scope) error {
	var (
		binds     []bind
		condition []token // being read
		joined    *source // whose ON that is; nil in WHERE and HAVING
		join      string  // how it is joined
		state     string  // the clause
	)
	flush := func() {
		for _, b := range sc.facts(condition) {
			// ON of an outer join keeps the rows of one side whatever it says.
			if joined != nil && (join == "left" && b.of != joined || join == "right" || join == "full") {
				continue
			}
			binds = append(binds, b)
		}
		condition = nil
	}
	for i := 0; i < len(tokens); i++ {
		t := tokens[i]
		switch {
		case t.is("from") && !(i > 0 && tokens[i-1].is("distinct")), // IS DISTINCT FROM
			t.is("join"), t.is(",") && (state == "from" || state == "on"):
			flush()
			if t.is("from") || t.is(",") {
				join = ""
			} else {
				join = joinKind(tokens[:i])
			}
			state = "from"
			var (
				n   int
				err error
			)
			if joined, n, err = sc.readSource(tokens[i+1:]); err != nil {
				return err
			}
			i += n
		case t.is("select"):
			state = "select"
		case t.is("on") && state == "from":
			flush()
			state = "on"
		case t.is("using") && state == "from":
			if i+1 == len(tokens) || tokens[i+1].kind != groupToken {
				return errors.New("USING without columns")
			}
			for _, column := range tokens[i+1].sub {
				if !joined.tenant(column.text) {
					continue
				}
				for _, other := range sc.sources[:len(sc.sources)-1] {
					if join == "right" || join == "full" {
						continue
					}
					binds = append(binds, bind{joined, other})
					if join != "left" {
						binds = append(binds, bind{other, joined})
					}
				}
			}
			i++
		case t.is("where", "having"):
			flush()
			state, joined = "where", nil
		case t.is("left", "right", "full", "inner", "cross", "natural", "outer") && (state == "from" || state == "on"):
			flush()
			state = "from"
		case t.is("group", "order", "limit", "offset", "window", "returning", "set", "for"):
			flush()
			state = t.text
		case state == "where" || state == "on":
			condition = append(condition, t)
		}
	}
	flush()
	sc.settle(binds)
	for _, s := range sc.sources {
		if !s.bound && !exempt(s) {
			return fmt.Errorf("%s is not bound to a tenant", s.name)
		}
	}
	return judgeInner(tokens, sc)
}

// joinKind is left, right, full, or "" for a join that keeps only what matches.
func joinKind(before []token) string {
	for i := len(before) - 1; i >= 0 && before[i].kind == wordToken; i-- {
		switch w := before[i].text; w {
		case "left", "right", "full":
			return w
		case "outer":
			continue
		}
		break
	}
	return ""
}

// readSource reads a table or what stands for one, and says how many tokens it took.
func (s *scope) readSource(tokens []token) (*source, int, error) {
	n := 0
	for n < len(tokens) && tokens[n].is("only", "lateral") {
		n++
	}
	if n == len(tokens) {
		return nil, 0, errors.New("FROM without a table")
	}
	found := &source{}
	switch t := tokens[n]; {
	case t.query():
		// It is judged with the other queries inside.
	case t.named():
		found.name = t.text
		found.table = t.text
		for n+2 < len(tokens) && tokens[n+1].is(".") {
			n += 2
			found.name, found.table = tokens[n].text, tokens[n].text
		}
		if n+1 < len(tokens) && tokens[n+1].kind == groupToken { // a function
			n++
			found.table = ""
		} else if s.isQuery(found.table) {
			found.table = ""
		}
	default:
		return nil, 0, errors.New("the guard cannot read FROM")
	}
	n++
	if n < len(tokens) && tokens[n].is("as") {
		n++
	}
	if n < len(tokens) && tokens[n].named() {
		found.name = tokens[n].text
		n++
	}
	s.sources = append(s.sources, found)
	return found, n, nil
}

// settle marks the sources that are bound. A query in place of a table is: it is
// judged by itself.
func (s *scope) settle(binds []bind) {
	for _, source := range s.sources {
		source.bound = source.table == ""
	}
	for changed := true; changed; {
		changed = false
		for _, b := range binds {
			if !b.of.bound && (b.to == nil || b.to.bound) {
				b.of.bound, changed = true, true
			}
		}
	}
}

// judgeInner judges the queries inside the tokens.
func judgeInner(tokens []token, sc *scope) error {
	for _, t := range tokens {
		if t.kind != groupToken {
			continue
		}
		judge := judgeInner
		if t.query() {
			judge = judgeQuery
		}
		if err := judge(t.sub, sc); err != nil {
			return err
		}
	}
	return nil
}

// facts are what must hold of tenants where a condition is true.
func (s *scope) facts(condition []token) []bind {
	if len(condition) == 0 || slices.ContainsFunc(condition, func(t token) bool { return t.is("case") }) {
		return nil
	}
	if branches := split(condition, "or"); len(branches) > 1 {
		common := s.facts(branches[0])
		for _, branch := range branches[1:] {
			other := s.facts(branch)
			common = slices.DeleteFunc(common, func(b bind) bool { return !slices.Contains(other, b) })
		}
		return common
	}
	if parts := split(condition, "and"); len(parts) > 1 {
		var all []bind
		for _, part := range parts {
			all = append(all, s.facts(part)...)
		}
		return all
	}
	if len(condition) == 1 && condition[0].kind == groupToken && !condition[0].query() {
		return s.facts(condition[0].sub)
	}
	at := slices.IndexFunc(condition, func(t token) bool { return t.is("=", "==", "in") })
	if at < 1 || condition[0].is("not") {
		return nil
	}
	left, right := condition[:at], condition[at+1:]
	if len(right) == 0 || left[len(left)-1].is("not") {
		return nil
	}
	if condition[at].is("in") {
		return s.within(left)
	}
	if len(left) == 1 && len(right) == 1 && left[0].kind == groupToken && right[0].kind == groupToken {
		if left[0].query() || right[0].query() {
			return append(s.within(left), s.within(right)...)
		}
		var all []bind
		ls, rs := split(left[0].sub, ","), split(right[0].sub, ",")
		for i := range min(len(ls), len(rs)) {
			all = append(all, s.equal(ls[i], rs[i])...)
		}
		return all
	}
	return s.equal(left, right)
}

// within are the facts of a column, or a row of columns, that is one of some values.
func (s *scope) within(left []token) []bind {
	var all []bind
	columns := [][]token{left}
	if len(left) == 1 && left[0].kind == groupToken {
		columns = split(left[0].sub, ",")
	}
	for _, c := range columns {
		if of := s.tenantColumn(c); of != nil {
			all = append(all, bind{of, nil})
		}
	}
	return all
}

// equal are the facts of an equality.
func (s *scope) equal(left, right []token) []bind {
	var all []bind
	for range 2 {
		if of := s.public(left, right); of != nil {
			all = append(all, bind{of, nil})
		}
		if of := s.tenantColumn(left); of != nil {
			switch to, isColumn := s.column(right); {
			case !isColumn:
				all = append(all, bind{of, nil})
			case to != nil && to != of:
				all = append(all, bind{of, to})
			}
		}
		left, right = right, left
	}
	return all
}

// tenantColumn is the source whose tenant the tokens name, or nil.
func (s *scope) tenantColumn(tokens []token) *source {
	found, _ := s.column(tokens)
	if found == nil || !slices.Contains(s.sources, found) || !found.tenant(tokens[len(tokens)-1].text) {
		return nil
	}
	return found
}

// public is the source of which an equality leaves only what is everybody's, or nil.
func (s *scope) public(left, right []token) *source {
	found, _ := s.column(left)
	if found == nil || !slices.Contains(s.sources, found) || len(right) != 1 {
		return nil
	}
	if p, ok := publicRows[found.table]; ok && left[len(left)-1].text == p.column && right[0].digits == p.value {
		return found
	}
	return nil
}

// column tells whether the tokens name a column, and of which source; nil where that
// cannot be told.
func (s *scope) column(tokens []token) (*source, bool) {
	switch {
	case len(tokens) == 1 && tokens[0].named():
		if len(s.sources) == 1 {
			return s.sources[0], true
		}
		return nil, true
	case len(tokens) == 3 && tokens[0].named() && tokens[1].is(".") && tokens[2].named():
		return s.find(tokens[0].text), true
	}
	return nil, false
}

// split splits at words or operators.
func split(tokens []token, at ...string) [][]token {
	var parts [][]token
	start := 0
	for i, t := range tokens {
		if t.is(at...) {
			parts = append(parts, tokens[start:i])
			start = i + 1
		}
	}
	return append(parts, tokens[start:])
}
