// Command printer writes the third-party .proto files that the contract imports
// into the folder named by its argument.
//
// No module that the Go proxy serves holds these files whole, but the generated Go
// code of each carries its descriptor. So they are printed from the very versions
// that go.mod pins, and no network is needed beyond the one that Go itself uses.
package main

import (
	"errors"
	"fmt"
	"os"
	"strings"

	_ "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/jhump/protoreflect/v2/protoprint"
	_ "google.golang.org/genproto/googleapis/api/annotations"
	_ "google.golang.org/genproto/googleapis/api/httpbody"
	_ "google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
)

// roots are the files that the contract may import. What they import is printed
// too. A new one needs its Go package among the imports above.
var roots = []string{
	"buf/validate/validate.proto",
	"google/api/annotations.proto",
	"google/api/client.proto",
	"google/api/field_behavior.proto",
	"google/api/httpbody.proto",
	"google/api/resource.proto",
	"google/type/dayofweek.proto",
}

// wellKnown files are built into buf.
const wellKnown = "google/protobuf/"

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "printer:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 1 {
		return errors.New("usage: printer FOLDER")
	}
	var files []protoreflect.FileDescriptor
	seen := map[string]bool{}
	var add func(protoreflect.FileDescriptor)
	add = func(f protoreflect.FileDescriptor) {
		if seen[f.Path()] || strings.HasPrefix(f.Path(), wellKnown) {
			return
		}
		seen[f.Path()] = true
		files = append(files, f)
		imports := f.Imports()
		for i := range imports.Len() {
			add(imports.Get(i).FileDescriptor)
		}
	}
	for _, path := range roots {
		f, err := protoregistry.GlobalFiles.FindFileByPath(path)
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		add(f)
	}
	// What an older version left behind must not be found by an import.
	if err := os.RemoveAll(args[0]); err != nil {
		return err
	}
	p := protoprint.Printer{SortElements: true}
	return p.PrintProtosToFileSystem(files, args[0])
}
