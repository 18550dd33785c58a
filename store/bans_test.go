package store_test

import (
	"fmt"
	"go/ast"
	"go/types"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"golang.org/x/tools/go/packages"
)

// What GORM offers and this package does not use, each with its reason.
var banned = map[string]string{
	"Save":          "it makes a row that is missing, and writes every column whether it was read or not",
	"AutoMigrate":   "the schema changes by migrations only",
	"Migrator":      "the schema changes by migrations only",
	"FirstOrCreate": "it makes rows in passing",
	"FirstOrInit":   "it makes values in passing",
	"Attrs":         "it takes structs as conditions",
	"Assign":        "it takes structs as conditions",
	"Row":           "it has no place for an error: use Take or Rows",
	"Preload":       "joins are written out",
	"Joins":         "joins are written out, with the tenant of each table",
	"Association":   "rows have no associations",
	"Begin":         "transactions are begun by Write and Read",
	"Transaction":   "transactions are begun by Write and Read",
	"Debug":         "it prints what growers wrote",
}

// A struct or a map as a condition leaves out what is empty, so that an empty tenant
// finds the rows of all.
var (
	conditions = []string{"Where", "Or", "Not", "Having"}
	inline     = []string{"Find", "First", "Take", "Last", "Delete"} // after the first argument
)

func TestBans(t *testing.T) {
	found, calls := bans(t, ".")
	for _, f := range found {
		t.Error(f)
	}
	if calls < 10 {
		t.Errorf("only %d calls of GORM were found", calls)
	}
}

func TestBansAreCaught(t *testing.T) {
	text, err := os.ReadFile("testdata/banned/banned.go")
	if err != nil {
		t.Fatal(err)
	}
	var want []string
	for i, line := range strings.Split(string(text), "\n") {
		if strings.HasSuffix(line, "// bad") {
			want = append(want, strconv.Itoa(i+1))
		}
	}
	found, _ := bans(t, "./testdata/banned")
	var lines []string
	for _, f := range found {
		lines = append(lines, strings.Split(f, ":")[1])
	}
	if got := slices.Compact(lines); len(want) == 0 || !slices.Equal(got, want) {
		t.Errorf("caught lines %v, want %v: %q", got, want, found)
	}
}

// bans returns what of a package is banned, in order, and how many calls of GORM
// there are.
func bans(t *testing.T, folder string) (found []string, calls int) {
	t.Helper()
	config := &packages.Config{
		Context: t.Context(),
		Mode:    packages.NeedName | packages.NeedFiles | packages.NeedImports | packages.NeedTypes | packages.NeedTypesInfo | packages.NeedSyntax,
	}
	loaded, err := packages.Load(config, folder)
	if err != nil || len(loaded) != 1 {
		t.Fatalf("loaded %d packages: %v", len(loaded), err)
	}
	p := loaded[0]
	for _, e := range p.Errors {
		t.Fatal(e)
	}
	for _, file := range p.Syntax {
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			name, ok := gormMethod(p.TypesInfo, call)
			if !ok {
				return true
			}
			calls++
			position := p.Fset.Position(call.Pos())
			for _, why := range complaints(p.TypesInfo, call, name) {
				found = append(found, fmt.Sprintf("%s:%d: %s: %s", filepath.Base(position.Filename), position.Line, name, why))
			}
			return true
		})
	}
	return found, calls
}

func complaints(info *types.Info, call *ast.CallExpr, name string) (whys []string) {
	if why, ok := banned[name]; ok {
		whys = append(whys, why)
	}
	at := len(call.Args)
	switch {
	case slices.Contains(conditions, name):
		at = 0
	case slices.Contains(inline, name):
		at = 1
	}
	if at < len(call.Args) && !isString(info, call.Args[at]) {
		whys = append(whys, "a condition begins with SQL, as text")
	}
	if name == "Updates" || name == "UpdateColumns" {
		if isMap(info, call.Args[0]) {
			whys = append(whys, "a map skips how fields are written")
		}
		if !selects(info, call) {
			whys = append(whys, "without Select in the same chain it leaves out what is false, 0 or empty")
		}
	}
	return whys
}

// gormMethod returns the name of the method of *gorm.DB that is called.
func gormMethod(info *types.Info, call *ast.CallExpr) (string, bool) {
	selector, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return "", false
	}
	f, ok := info.Uses[selector.Sel].(*types.Func)
	if !ok || f.Signature().Recv() == nil {
		return "", false
	}
	return f.Name(), types.TypeString(f.Signature().Recv().Type(), nil) == "*gorm.io/gorm.DB"
}

func isString(info *types.Info, e ast.Expr) bool {
	basic, ok := info.TypeOf(e).Underlying().(*types.Basic)
	return ok && basic.Info()&types.IsString != 0
}

func isMap(info *types.Info, e ast.Expr) bool {
	t := info.TypeOf(e)
	if pointer, ok := t.Underlying().(*types.Pointer); ok {
		t = pointer.Elem()
	}
	_, ok := t.Underlying().(*types.Map)
	return ok
}

// selects tells whether the chain before a call has Select.
func selects(info *types.Info, call *ast.CallExpr) bool {
	for {
		selector, ok := call.Fun.(*ast.SelectorExpr)
		if !ok {
			return false
		}
		before, ok := selector.X.(*ast.CallExpr)
		if !ok {
			return false
		}
		if name, ok := gormMethod(info, before); ok && name == "Select" {
			return true
		}
		call = before
	}
}
