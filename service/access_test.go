package service

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "dewbench/proto/dewbench/v1"
)

var update = flag.Bool("update", false, "write the table of access")

// accessHead explains the table of access.
const accessHead = `# Who may call what

Written by ` + "`go test ./service -run TestAccessTable -update`" + ` from ` + "`Rules`" + ` and ` + "`shownToVisitors`" + `, by which the server
decides. A call must pass two questions: does the token hold the scope, and is the caller
enough to what the call names?

## Scopes

` + "`read`, `record` and `manage`" + ` each hold those before them; ` + "`stock`" + ` stands alone. A token
without the scope is told so (PERMISSION_DENIED, ` + "`SCOPE_MISSING`" + `), whatever the call names.

## What a caller can be

Each has the rights of those before it.

| to a collection | who | sees |
|---|---|---|
| stranger | everybody else; also those to whom it is granted while it is PRIVATE or deleted | nothing: it is not there |
| visitor | everybody with a token, if it is PUBLIC | of what is not deleted or voided, only the fields below |
| viewer | to whom VIEWER is granted, also as a member of a society | all but ` + "`locality`" + ` of plants, grants and invitations |
| keeper | likewise KEEPER | localities too |
| manager | likewise MANAGER | grants and invitations too |
| owner | the grower who owns it, or the organisers of the society that does; also while it is PRIVATE or deleted | all |

To a society a member is a viewer and an organiser an owner. To a grower only the grower is
anything: an owner.

Who is a visitor or a stranger to what a call names, and not enough, is told that it is not
there (NOT_FOUND), in the same words as for what never was. Who is a viewer or more, and not
enough, is told so (PERMISSION_DENIED, ` + "`ROLE_MISSING`" + `).

## What visitors see

`

// accessNotes are what the table cannot say.
var accessNotes = map[string]string{
	pb.CollectionService_GetCollection_FullMethodName:      "a deleted one: its owners",
	pb.CollectionService_ListCollections_FullMethodName:    "with `visibility = PUBLIC`: all public ones",
	pb.CollectionService_UpdateCollection_FullMethodName:   "`visibility`: owners",
	pb.CollectionService_TransferCollection_FullMethodName: "to a society: also its organiser",
	pb.GrantService_CreateGrant_FullMethodName:             "MANAGER: owners; to growers with whom the caller shares a society, or to a society of the caller's",
	pb.GrantService_UpdateGrant_FullMethodName:             "to or from MANAGER: owners",
	pb.GrantService_DeleteGrant_FullMethodName:             "one's own; others: managers, MANAGER: owners",
	pb.SocietyService_DeleteMember_FullMethodName:          "oneself; others: organisers",
	pb.InvitationService_CreateInvitation_FullMethodName:   "to a collection: VIEWER and KEEPER managers, others owners; to a society: organisers",
	pb.InvitationService_DeleteInvitation_FullMethodName:   "as for making it",
	pb.InvitationService_AcceptInvitation_FullMethodName:   "who has the secret, while who made it still may",
	pb.CalendarService_CreateCalendar_FullMethodName:       "of a grower: the grower",
	pb.CalendarService_GetCalendar_FullMethodName:          "who made it",
	pb.CalendarService_ListCalendars_FullMethodName:        "one's own",
	pb.CalendarService_DeleteCalendar_FullMethodName:       "who made it",
	pb.CalendarService_GetDueCalendar_FullMethodName:       "who has the secret; it shows what its maker may see",
	pb.TokenService_CreateToken_FullMethodName:             "none that may do more, or longer, than the caller's",
	pb.SessionService_Undo_FullMethodName:                  "one's own calls; `manage` where plants are deleted",
	pb.PlantService_ListPlants_FullMethodName:              "in `collections/-`: viewer",
	pb.FeedingService_ListFeedings_FullMethodName:          "in `collections/-`: viewer",
	pb.ObservationService_ListObservations_FullMethodName:  "in `collections/-`: viewer",
}

// accessTable writes the table of access.
func accessTable(t *testing.T) string {
	t.Helper()
	var out strings.Builder
	out.WriteString(accessHead)
	out.WriteString("| of | fields | a list can be filtered by |\n|---|---|---|\n")
	for _, of := range []struct {
		name   protoreflect.FullName
		fields Fields
	}{
		{"dewbench.v1.Collection", visitorCollections}, {"dewbench.v1.Plant", visitorPlants},
		{"dewbench.v1.Feeding", visitorFeedings}, {"dewbench.v1.Observation", visitorFacts},
	} {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(of.name)
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, field := range shownToVisitors[of.name] {
			f := d.(protoreflect.MessageDescriptor).Fields().ByName(field)
			if f == nil {
				t.Fatalf("%s has no field %s", of.name, field)
			}
			names = append(names, "`"+f.JSONName()+"`")
		}
		fmt.Fprintf(&out, "| %s | %s | `%s` |\n", of.name.Name(), strings.Join(names, ", "), strings.ReplaceAll(of.fields.names(), ", ", "`, `"))
	}
	fmt.Fprintf(&out, `
Lists of theirs are in the order of %s. Tags name no plants for them, a scientific name is that
of the catalogue, and observations of other kinds are not there.

## Calls

"least" is what the caller must be to what the call names; a dash: it names nothing that is
anybody's.

| call | routes | scope | least | note |
|---|---|---|---|---|
`, "`"+strings.Join(visitorOrders, "`, `")+"`")
	left := map[string]bool{}
	for method := range Rules {
		left[method] = true
	}
	for _, file := range accessFiles {
		services := file.Services()
		for i := range services.Len() {
			methods := services.Get(i).Methods()
			for j := range methods.Len() {
				m := methods.Get(j)
				method := fmt.Sprintf("/%s/%s", services.Get(i).FullName(), m.Name())
				rule, ok := Rules[method]
				if !ok {
					t.Errorf("%s has no rule", method)
				}
				delete(left, method)
				scope, least := "`"+rule.Scope+"`", strings.TrimPrefix(strings.TrimPrefix(rule.Least.String(), "an "), "a ")
				switch {
				case rule.Open:
					scope = "no token"
				case rule.Secret:
					scope = "no token, but a secret"
				}
				switch services.Get(i).Name() {
				case "SocietyService":
					least = map[Relation]string{Viewer: "member", Owner: "organiser"}[rule.Least]
				case "ArchiveService", "GrowerService", "TokenService", "IdentityService":
					least = "the grower"
				}
				if rule.Least == Stranger {
					least = "-"
				}
				fmt.Fprintf(&out, "| %s | %s | %s | %s | %s |\n", m.Name(), strings.Join(routesOf(m), "<br>"), scope, least, accessNotes[method])
			}
		}
	}
	for method := range left {
		t.Errorf("%s has a rule and is in no file", method)
	}
	for method := range accessNotes {
		if _, ok := Rules[method]; !ok {
			t.Errorf("there is a note about %s, which has no rule", method)
		}
	}
	return out.String()
}

// accessFiles are the files of calls, in the order in which the table has them.
var accessFiles = func() (files []protoreflect.FileDescriptor) {
	protoregistry.GlobalFiles.RangeFilesByPackage("dewbench.v1", func(f protoreflect.FileDescriptor) bool {
		if f.Services().Len() > 0 {
			files = append(files, f)
		}
		return true
	})
	slices.SortFunc(files, func(a, b protoreflect.FileDescriptor) int { return strings.Compare(a.Path(), b.Path()) })
	return files
}()

// routesOf returns the routes of a call as users write them.
func routesOf(m protoreflect.MethodDescriptor) (routes []string) {
	rule, ok := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	if !ok || rule == nil {
		return nil
	}
	for _, r := range append([]*annotations.HttpRule{rule}, rule.GetAdditionalBindings()...) {
		verb, path := "GET", r.GetGet()
		for v, p := range map[string]string{"POST": r.GetPost(), "PATCH": r.GetPatch(), "DELETE": r.GetDelete(), "PUT": r.GetPut()} {
			if p != "" {
				verb, path = v, p
			}
		}
		routes = append(routes, "`"+verb+" "+path+"`")
	}
	return routes
}

// TestAccessTable compares the table of access with the rules that decide.
func TestAccessTable(t *testing.T) {
	const name = "ACCESS.md"
	got := accessTable(t)
	if *update {
		if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	there, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(there), got); diff != "" {
		t.Errorf("%s is stale; look at what changed, and run go test ./service -run TestAccessTable -update (- file, + rules):\n%s", name, diff)
	}
}
