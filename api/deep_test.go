package api

import (
	"bytes"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	rules "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// Every text and list of a request has a rule that says how long it may be.
func TestEveryTextHasALength(t *testing.T) {
	// Names are checked one by one (checkName), masks and secrets are looked up, tables,
	// archives and photos are as long as a request may be.
	free := map[protoreflect.FullName]bool{
		"google.protobuf.FieldMask.paths":          true,
		"dewbench.v1.GetDueCalendarRequest.secret": true,
		"dewbench.v1.ImportFeedingsRequest.csv":    true, "dewbench.v1.ImportObservationsRequest.csv": true, "dewbench.v1.ImportPlantsRequest.csv": true,
		"dewbench.v1.ImportArchiveRequest.archive": true, "dewbench.v1.CreatePhotoRequest.data": true,
	}
	seen := map[protoreflect.FullName]bool{}
	var walk func(protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			behaviours, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
			if slices.Contains(behaviours, annotations.FieldBehavior_OUTPUT_ONLY) || slices.Contains(behaviours, annotations.FieldBehavior_IDENTIFIER) || free[f.FullName()] {
				continue
			}
			rule, _ := proto.GetExtension(f.Options(), rules.E_Field).(*rules.FieldRules)
			if f.IsList() {
				if rule.GetRepeated().GetMaxItems() == 0 {
					t.Errorf("%s has no rule of how many there may be", f.FullName())
				}
				rule = rule.GetRepeated().GetItems()
			}
			switch f.Kind() {
			case protoreflect.StringKind:
				if s := rule.GetString(); s.GetMaxLen()+s.GetMaxBytes()+s.GetLen() == 0 && s.GetPattern() == "" && len(s.GetIn()) == 0 {
					t.Errorf("%s has no rule of how long it may be", f.FullName())
				}
			case protoreflect.BytesKind:
				if rule.GetBytes().GetMaxLen() > 0 {
					continue
				}
				t.Errorf("%s has no rule of how long it may be", f.FullName())
			case protoreflect.MessageKind:
				walk(f.Message())
			}
		}
	}
	for _, method := range slices.Sorted(maps.Keys(service.Rules)) {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(strings.ReplaceAll(method[1:], "/", ".")))
		if err != nil {
			t.Fatal(err)
		}
		walk(d.(protoreflect.MethodDescriptor).Input())
	}
	if !seen["dewbench.v1.Feeding"] || !seen["dewbench.v1.Regimen"] {
		t.Error("not all messages were looked at")
	}
}

// What is deep, long or many is refused as the caller's mistake, over HTTP.
func TestDeepAndLongOverHTTP(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	keys := url.Values{}
	for i := range 4000 {
		keys.Set(fmt.Sprint("k", i), "1")
	}
	long := strings.Repeat("a", 30_000)
	for name, target := range map[string]string{
		"deep filter":       "/v1/taxa?filter=" + strings.Repeat("(", 1900),
		"long filter":       "/v1/taxa?filter=" + url.QueryEscape(strings.Repeat("genus=a AND ", 160)+"genus=a"),
		"too long a filter": "/v1/taxa?filter=" + url.QueryEscape(strings.Repeat("genus=a AND ", 1500)+"genus=a"),
		"page token":        "/v1/taxa?pageToken=" + long,
		"order":             "/v1/taxa?orderBy=" + strings.Repeat("genus,", 4000),
		"many keys":         "/v1/taxa?" + keys.Encode(),
		"one key often":     "/v1/taxa?" + strings.Repeat("filter=a&", 4000),
		"long key":          "/v1/taxa?" + long + "=1",
		"many escapes":      "/v1/taxa?filter=" + strings.Repeat("%28", 10_000),
		"long name":         "/v1/collections/" + long,
		"long mask":         "/v1/taxa?pageSize=" + strings.Repeat("9", 10_000),
	} {
		t.Run(name, func(t *testing.T) {
			a := d.sendRaw(t, http.MethodGet, target, nil, nil)
			if a.status < 400 || a.status >= 500 || len(a.body) > maxErrorBytes {
				t.Errorf("status %d, %d bytes: %.300s", a.status, len(a.body), a.body)
			}
			checkErrorOf(t, a.body)
		})
	}
	const most = 8 << 20
	for name, body := range map[string]string{
		"deep lists":            strings.Repeat("[", most),
		"deep lists in a field": `{"plants":` + strings.Repeat("[", most),
		"lists closed again":    `{"plants":` + strings.Repeat("[", most/2) + strings.Repeat("]", most/2) + `}`,
		"deep objects":          strings.Repeat(`{"plants":[`, 60_000) + strings.Repeat("]}", 60_000),
		"unknown and deep":      `{"x":` + strings.Repeat(`{"x":`, 100_000) + `1` + strings.Repeat("}", 100_000) + `}`,
		"objects without end":   strings.Repeat("{", most),
		"one field often":       `{` + strings.Repeat(`"asOfDate":"2026-05-11",`, most/24) + `"asOfDate":"2026-05-11"}`,
		"long number":           `{"horizonDays":` + strings.Repeat("9", most) + `}`,
		"long exponent":         `{"latitudeDeg":1e` + strings.Repeat("9", most) + `}`,
		"many escapes":          `{"asOfDate":"` + strings.Repeat(`\u0000`, most/6) + `"}`,
		"blanks":                strings.Repeat(" ", most) + "[",
	} {
		t.Run(name, func(t *testing.T) {
			code, answer := d.post(t, "/v1/dueFeedings:compute", []byte(body))
			if code < 400 || code >= 500 || len(answer) > maxErrorBytes {
				t.Errorf("status %d, %d bytes: %.300s", code, len(answer), answer)
			}
			checkError(t, answer)
		})
	}
}

// So it is over gRPC, where nothing bounds a filter but its rule.
func TestDeepAndLongOverGRPC(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	taxa := pb.NewTaxonServiceClient(d.conn)
	const most = 8 << 20
	for name, req := range map[string]*pb.ListTaxaRequest{
		"deep filter": {Filter: strings.Repeat("(", most)},
		"long filter": {Filter: strings.Repeat("genus = a AND ", most/14) + "genus = a"},
		"page token":  {PageToken: strings.Repeat("A", most)},
		"order":       {OrderBy: strings.Repeat("genus,", most/6)},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := taxa.ListTaxa(t.Context(), req)
			code := status.Code(err) // brackets look like fields, of which there are too many
			if code != codes.InvalidArgument && code != codes.ResourceExhausted || len(err.Error()) > maxErrorBytes {
				t.Errorf("%.300v", err)
			}
		})
	}
	// Groups within groups of a field that no message has, and lengths of more than there
	// is.
	groups := bytes.Repeat(protowire.AppendTag(nil, 999, protowire.StartGroupType), most/2)
	length := protowire.AppendVarint(protowire.AppendTag(nil, 1, protowire.BytesType), 1<<62)
	for name, message := range map[string][]byte{"groups": groups, "length": length} {
		t.Run(name, func(t *testing.T) {
			if _, _, err := d.callRaw(t.Context(), pb.DueService_ComputeDue_FullMethodName, message); status.Code(err) != codes.InvalidArgument {
				t.Errorf("%.300v", err)
			}
		})
	}
	if _, err := pb.NewServerServiceClient(d.conn).GetHealth(t.Context(), &pb.GetHealthRequest{}); err != nil {
		t.Errorf("afterwards: %v", err)
	}
}
