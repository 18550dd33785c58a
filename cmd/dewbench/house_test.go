package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// module is the path that our own imports begin with.
const module = "dewbench/"

// room says what the Go files of a folder may import, tests aside.
type room struct {
	ours   []string // folders of ours, with what lies below them
	banned []string // packages that are not for it
}

// anywhere is what no room may import, but store what is its own.
var anywhere = []string{
	"gorm.io",
	"gocloud.dev",
	"github.com/riverqueue",
	module + "store/storetest", // only for tests
}

// roomOf returns the rules of a folder. Arrows run one way: cmd > api > service >
// store > proto, and service > service/<topic>.
func roomOf(folder string) (room, bool) {
	switch first, rest, _ := strings.Cut(folder, "/"); {
	case first == "proto":
		return room{ours: []string{"proto"}, banned: anywhere}, true
	case first == "store":
		return room{ours: []string{"store", "proto"}, banned: []string{"net/http", "google.golang.org/grpc"}}, true
	case first == "service" && rest == "":
		return room{ours: []string{"store", "proto", "service"}, banned: anywhere}, true
	case first == "service":
		// Pure: no I/O, no context, no clock (TestTopicsReadNoClock).
		return room{ours: []string{"service/"}, banned: append([]string{
			"context", "net", "os", "database/sql", "log", "google.golang.org/protobuf", "google.golang.org/grpc",
		}, anywhere...)}, true
	case first == "api":
		return room{ours: []string{"service", "store", "proto"}, banned: anywhere}, true
	case first == "cmd":
		return room{ours: []string{"cmd", "api", "service", "service/", "store", "proto"}, banned: anywhere}, true
	}
	return room{}, false
}

func (r room) allows(imported string) bool {
	for _, b := range r.banned {
		if imported == b || strings.HasPrefix(imported, b+"/") {
			return false
		}
	}
	ours, isOurs := strings.CutPrefix(imported, module)
	if !isOurs {
		return true
	}
	return slices.ContainsFunc(r.ours, func(folder string) bool {
		if folder == "service" { // the room itself, not the topics below it
			return ours == folder
		}
		return ours == strings.TrimSuffix(folder, "/") && !strings.HasSuffix(folder, "/") ||
			strings.HasPrefix(ours, strings.TrimSuffix(folder, "/")+"/")
	})
}

// goFiles calls f for each Go file of the repository that is not a test.
func goFiles(t *testing.T, f func(file, folder string)) {
	t.Helper()
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		relative, err := filepath.Rel(root, name)
		if err != nil {
			return err
		}
		relative = filepath.ToSlash(relative)
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && relative != "." || d.Name() == "testdata") {
			return fs.SkipDir
		}
		if !d.IsDir() && strings.HasSuffix(relative, ".go") && !strings.HasSuffix(relative, "_test.go") {
			f(name, path.Dir(relative))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestArrowsRunOneWay(t *testing.T) {
	seen := 0
	goFiles(t, func(file, folder string) {
		rules, known := roomOf(folder)
		if !known {
			t.Errorf("%s stands in no room of the house", file)
			return
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range parsed.Imports {
			imported, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			seen++
			// service itself may use its topics.
			if folder == "service" && strings.HasPrefix(imported, module+"service/") {
				continue
			}
			if !rules.allows(imported) {
				t.Errorf("%s imports %s, which is not for its room", file, imported)
			}
		}
	})
	if seen == 0 {
		t.Error("no import was looked at")
	}
}

func TestTopicsReadNoClock(t *testing.T) {
	goFiles(t, func(file, folder string) {
		if !strings.HasPrefix(folder, "service/") {
			return
		}
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, clock := range []string{"time.Now(", "time.Since(", "time.Local"} {
			if strings.Contains(string(text), clock) {
				t.Errorf("%s uses %s: time comes in as an argument", file, clock)
			}
		}
	})
}
