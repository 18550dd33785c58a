package proto

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	dewbenchv1 "dewbench/proto/dewbench/v1"
)

// A rule that does not compile shows only when a message of its type comes in.
func TestRulesCompile(t *testing.T) {
	var all []protoreflect.MessageDescriptor
	var add func(protoreflect.MessageDescriptors)
	add = func(ms protoreflect.MessageDescriptors) {
		for i := range ms.Len() {
			all = append(all, ms.Get(i))
			add(ms.Get(i).Messages())
		}
	}
	contract := dewbenchv1.File_dewbench_v1_server_proto.Package()
	protoregistry.GlobalFiles.RangeFilesByPackage(contract, func(f protoreflect.FileDescriptor) bool {
		add(f.Messages())
		return true
	})
	if len(all) == 0 {
		t.Fatal("no messages")
	}
	if _, err := protovalidate.New(protovalidate.WithMessageDescriptors(all...), protovalidate.WithDisableLazy()); err != nil {
		t.Error(err)
	}
}

// The generators never delete: what a removed .proto file or service left behind
// would still be served.
func TestNothingLeftBehind(t *testing.T) {
	files, err := filepath.Glob("dewbench/v1/*.pb*.go")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, file := range files {
		stem, service := strings.CutSuffix(file, ".pb.gw.go")
		if !service {
			stem, service = strings.CutSuffix(file, "_grpc.pb.go")
		}
		source := strings.TrimSuffix(stem, ".pb.go") + ".proto"
		text, err := os.ReadFile(source)
		if err != nil {
			t.Errorf("%s: %v", file, err)
		} else if service && !strings.Contains(string(text), "\nservice ") {
			t.Errorf("%s: %s has no service", file, source)
		}
	}
}

// What the server answers with, and how the paths are to read.
func TestDocument(t *testing.T) {
	var d struct {
		Paths map[string]map[string]struct {
			Responses map[string]struct {
				Schema struct {
					Ref string `json:"$ref"`
				}
			}
		}
		Definitions map[string]json.RawMessage
	}
	if err := json.Unmarshal(OpenAPI, &d); err != nil {
		t.Fatal(err)
	}
	if d.Paths["/v1/taxa/{taxon}"]["get"].Responses == nil {
		t.Error("no GET /v1/taxa/{taxon}")
	}
	for path, verbs := range d.Paths {
		for verb, op := range verbs {
			if got, want := op.Responses["default"].Schema.Ref, "#/definitions/ErrorResponse"; got != want {
				t.Errorf("%s %s: error is %q, want %q", verb, path, got, want)
			}
		}
	}
	for _, name := range []string{"Status", "HttpBody"} {
		if _, ok := d.Definitions[name]; ok {
			t.Errorf("%s is defined, but nothing answers with it", name)
		}
	}
}
