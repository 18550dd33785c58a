package api

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// auditors are growers with tokens of all scopes, and a collection and a society of the
// first with which each has something else to do.
type auditors struct {
	*doors
	collection, society string
	conns               map[string]grpc.ClientConnInterface // by grower
}

func openAuditors(t *testing.T, s *store.Store, now *clock) *auditors {
	t.Helper()
	a := &auditors{doors: openStore(t, s, service.Config{Now: now.now}), conns: map[string]grpc.ClientConnInterface{}}
	a.conns["owner"] = a.conn
	for _, who := range []string{"manager", "keeper", "viewer", "stranger"} {
		secret := service.SecretPrefix + who + strings.Repeat("-", 43-len(who))
		if err := addGrower(t.Context(), s, who, secret, service.Scopes...); err != nil {
			t.Fatal(err)
		}
		a.conns[who] = WithToken(a.server.Conn(), secret)
	}
	c, err := pb.NewCollectionServiceClient(a.conn).CreateCollection(t.Context(), &pb.CreateCollectionRequest{
		Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "UTC", Visibility: pb.Collection_SHARED}})
	if err != nil {
		t.Fatal(err)
	}
	m, err := pb.NewSocietyServiceClient(a.conn).CreateSociety(t.Context(), &pb.CreateSocietyRequest{Society: &pb.Society{DisplayName: "Bog"}})
	if err != nil {
		t.Fatal(err)
	}
	a.collection, a.society = c.GetName(), m.GetName()
	for who, role := range map[string]pb.Invitation_Role{"manager": pb.Invitation_MANAGER, "keeper": pb.Invitation_KEEPER, "viewer": pb.Invitation_VIEWER} {
		a.invite(t, a.collection, who, role)
	}
	a.invite(t, a.society, "manager", pb.Invitation_ORGANISER)
	a.invite(t, a.society, "keeper", pb.Invitation_MEMBER)
	return a
}

// invite lets a grower in, by an invitation of the owner's.
func (a *auditors) invite(t *testing.T, parent, who string, role pb.Invitation_Role) {
	t.Helper()
	i, err := pb.NewInvitationServiceClient(a.conn).CreateInvitation(t.Context(), &pb.CreateInvitationRequest{Parent: parent, Invitation: &pb.Invitation{Role: role}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pb.NewInvitationServiceClient(a.conns[who]).AcceptInvitation(t.Context(), &pb.AcceptInvitationRequest{Secret: i.GetSecret()}); err != nil {
		t.Fatal(err)
	}
}

func (a *auditors) entries(t *testing.T, who, parent, filter string) ([]*pb.AuditEntry, error) {
	t.Helper()
	page, err := pb.NewAuditServiceClient(a.conns[who]).ListAuditEntries(t.Context(), &pb.ListAuditEntriesRequest{Parent: parent, Filter: filter, PageSize: 1000})
	return page.GetAuditEntries(), err
}

// Managers read the audit of a collection, organisers that of a society; who sees the one or
// the other is told what it takes, and others that nothing is there.
func TestWhoReadsTheAudit(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAuditors(t, storetest.New(t, engine), newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)))
		for who, want := range map[string][2]codes.Code{
			"owner": {codes.OK, codes.OK}, "manager": {codes.OK, codes.OK}, "keeper": {codes.PermissionDenied, codes.PermissionDenied},
			"viewer": {codes.PermissionDenied, codes.NotFound}, "stranger": {codes.NotFound, codes.NotFound},
		} {
			for i, parent := range []string{a.collection, a.society} {
				if _, err := a.entries(t, who, parent, ""); status.Code(err) != want[i] {
					t.Errorf("%s of %s: %v, want %v", who, parent, err, want[i])
				}
			}
		}
		accepted, err := a.entries(t, "manager", a.collection, `action = "ACCEPTED" AND grower = "growers/keeper"`)
		if err != nil || len(accepted) != 1 || !strings.HasPrefix(accepted[0].GetResources()[0], a.collection+"/invitations/") {
			t.Errorf("%v, %v", accepted, err)
		}
		// A transfer is one, and managers of before read on.
		if _, err := pb.NewCollectionServiceClient(a.conn).TransferCollection(t.Context(), &pb.TransferCollectionRequest{Name: a.collection, Owner: a.society}); err != nil {
			t.Fatal(err)
		}
		moved, err := a.entries(t, "manager", a.collection, `action = "TRANSFERRED"`)
		if err != nil || len(moved) != 1 || moved[0].GetGrower() != "growers/grower-a" || moved[0].GetResources()[0] != a.collection {
			t.Errorf("%v, %v", moved, err)
		}
	})
}

// A grower who is erased cannot call from then on; others keep what they recorded, under a
// code.
func TestEraseOverTheDoors(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		s := storetest.New(t, engine)
		a := openAuditors(t, s, now)
		keeper := a.conns["keeper"]
		plant, err := pb.NewPlantServiceClient(a.conn).CreatePlant(t.Context(), &pb.CreatePlantRequest{
			Parent: a.collection, PlantId: "p", Plant: &pb.Plant{Tag: "P", Taxon: "taxa/drosera-capensis"}})
		if err != nil {
			t.Fatal(err)
		}
		fed, err := pb.NewFeedingServiceClient(keeper).CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: plant.GetName(), Feeding: &pb.Feeding{}})
		if err != nil {
			t.Fatal(err)
		}
		_, err = pb.NewFeedingServiceClient(a.conn).UpdateFeeding(t.Context(), &pb.UpdateFeedingRequest{
			Feeding: &pb.Feeding{Name: fed.GetName(), Note: "all of it"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"note"}}})
		if err != nil {
			t.Fatal(err)
		}
		own, err := pb.NewCollectionServiceClient(keeper).CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Own", TimeZone: "UTC"}})
		if err != nil {
			t.Fatal(err)
		}
		calendar, err := pb.NewCalendarServiceClient(keeper).CreateCalendar(t.Context(), &pb.CreateCalendarRequest{Parent: "growers/me", Calendar: &pb.Calendar{DisplayName: "K"}})
		if err != nil {
			t.Fatal(err)
		}
		me, err := pb.NewGrowerServiceClient(keeper).GetGrower(t.Context(), &pb.GetGrowerRequest{Name: "growers/me"})
		if err != nil {
			t.Fatal(err)
		}
		// Lists due feedings recall whom a token stood for: this one must not.
		due := func() error {
			_, err := pb.NewDueServiceClient(keeper).ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: a.collection})
			return err
		}
		if err := due(); err != nil {
			t.Fatal(err)
		}
		answer, err := pb.NewGrowerServiceClient(keeper).EraseGrower(t.Context(), &pb.EraseGrowerRequest{Name: "growers/me", Confirm: me.GetDisplayName()})
		if err != nil {
			t.Fatal(err)
		}
		code := answer.GetCode()
		if err := due(); status.Code(err) != codes.Unauthenticated {
			t.Errorf("the token afterwards: %v", err)
		}
		if _, err := pb.NewCalendarServiceClient(a.conn).GetDueCalendar(t.Context(), &pb.GetDueCalendarRequest{Secret: calendar.GetSecret()}); status.Code(err) != codes.NotFound {
			t.Errorf("the calendar afterwards: %v", err)
		}
		members, err := pb.NewSocietyServiceClient(a.conn).ListMembers(t.Context(), &pb.ListMembersRequest{Parent: a.society})
		if err != nil || len(members.GetMembers()) != 2 {
			t.Errorf("members: %v, %v", members, err)
		}
		now.set(now.now().Add(2 * time.Hour))
		if err := service.FinishErasures(t.Context(), s, now.now()); err != nil {
			t.Fatal(err)
		}
		m, err := pb.NewFeedingServiceClient(a.conn).GetFeeding(t.Context(), &pb.GetFeedingRequest{Name: fed.GetName()})
		if err != nil || m.GetRecorder() != code || m.GetNote() != "all of it" {
			t.Errorf("%v, %v", m, err)
		}
		history, err := pb.NewRevisionServiceClient(a.conn).ListRevisions(t.Context(), &pb.ListRevisionsRequest{Parent: fed.GetName()})
		if err != nil {
			t.Fatal(err)
		}
		if r := history.GetRevisions(); len(r) != 2 || r[0].GetFeeding().GetRecorder() != code || r[1].GetGrower() != code || r[1].GetToken() != "" {
			t.Errorf("history: %v", r)
		}
		byCode, err := a.entries(t, "owner", a.collection, `grower = "`+code+`"`)
		if err != nil || len(byCode) != 4 { // accepted, granted, fed, and the grant that went
			t.Errorf("%d entries of %s, %v: %v", len(byCode), code, err, byCode)
		}
		for _, parent := range []string{a.collection, a.society} {
			all, err := a.entries(t, "owner", parent, "")
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range all {
				if strings.Contains(e.String(), "growers/keeper") || strings.Contains(e.String(), "members/keeper") {
					t.Errorf("it tells who it was: %v", e)
				}
			}
		}
		err = s.Read(t.Context(), func(tx *store.Tx) error {
			ids, err := tx.CollectionIDs("", 9)
			for _, id := range ids {
				if store.CollectionName(id) == own.GetName() {
					t.Error("the own collection is left")
				}
			}
			return err
		})
		if err != nil {
			t.Error(err)
		}
	})
}
