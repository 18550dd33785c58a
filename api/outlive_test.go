package api

import (
	"context"
	"testing"

	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// What rights leave behind when they are taken away: nothing that gives them back.

const outliveOther = "dwb_OOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOOO"

// openOutlive serves a database with the usual grower and another one.
func openOutlive(t *testing.T, engine store.Engine) (d *doors, own, other *bearing) {
	t.Helper()
	d = openStore(t, storetest.New(t, engine), service.Config{})
	if err := addGrower(t.Context(), d.store, "grower-o", outliveOther, service.Scopes...); err != nil {
		t.Fatal(err)
	}
	plain := d.conn.(*bearing).ClientConnInterface
	return d, WithToken(plain, testSecret).(*bearing), WithToken(plain, outliveOther).(*bearing)
}

func sharedWithOther(t *testing.T, own, other *bearing, role pb.Invitation_Role) *pb.Collection {
	t.Helper()
	ctx := t.Context()
	c, err := pb.NewCollectionServiceClient(own).CreateCollection(ctx, &pb.CreateCollectionRequest{
		Collection: &pb.Collection{DisplayName: "Shared", TimeZone: "Europe/Berlin", Visibility: pb.Collection_SHARED},
	})
	if err != nil {
		t.Fatal(err)
	}
	i, err := pb.NewInvitationServiceClient(own).CreateInvitation(ctx, &pb.CreateInvitationRequest{Parent: c.GetName(), Invitation: &pb.Invitation{Role: role}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := pb.NewInvitationServiceClient(other).AcceptInvitation(ctx, &pb.AcceptInvitationRequest{Secret: i.GetSecret()}); err != nil {
		t.Fatal(err)
	}
	return c
}

// A manager who is made a keeper undoes no more what takes a manager.
func TestUndoTakesTheRoleOfTheCall(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		ctx := t.Context()
		_, own, other := openOutlive(t, engine)
		c := sharedWithOther(t, own, other, pb.Invitation_MANAGER)
		plants, sessions := pb.NewPlantServiceClient(other), pb.NewSessionServiceClient(other)
		p, err := plants.CreatePlant(ctx, &pb.CreatePlantRequest{Parent: c.GetName(), RequestId: "made", Plant: &pb.Plant{Tag: "S1", Taxon: "taxa/drosera-spatulata"}})
		if err != nil {
			t.Fatal(err)
		}
		gone, err := plants.CreatePlant(ctx, &pb.CreatePlantRequest{Parent: c.GetName(), Plant: &pb.Plant{Tag: "S2", Taxon: "taxa/drosera-spatulata"}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := plants.DeletePlant(ctx, &pb.DeletePlantRequest{Name: gone.GetName(), RequestId: "deleted"}); err != nil {
			t.Fatal(err)
		}
		grants := pb.NewGrantServiceClient(own)
		list, err := grants.ListGrants(ctx, &pb.ListGrantsRequest{Parent: c.GetName()})
		if err != nil || len(list.GetGrants()) != 1 {
			t.Fatal(list, err)
		}
		if _, err := grants.UpdateGrant(ctx, &pb.UpdateGrantRequest{Grant: &pb.Grant{Name: list.GetGrants()[0].GetName(), Role: pb.Grant_KEEPER}}); err != nil {
			t.Fatal(err)
		}
		for _, id := range []string{"made", "deleted"} {
			_, err = sessions.Undo(ctx, &pb.UndoRequest{Name: c.GetName(), RequestId: id})
			if got := reasonOf(status.Convert(err)); got != service.RoleMissing {
				t.Errorf("a keeper undoes what took a manager, %s: %v", id, err)
			}
		}
		// What takes a keeper they undo.
		if _, err := sessions.DividePlant(ctx, &pb.DividePlantRequest{Name: p.GetName(), Tags: []string{"S3"}, RequestId: "divided"}); err != nil {
			t.Fatal(err)
		}
		if _, err := sessions.Undo(ctx, &pb.UndoRequest{Name: c.GetName(), RequestId: "divided"}); err != nil {
			t.Errorf("a keeper cannot undo a division: %v", err)
		}
	})
}

// An invitation opens nothing while who made it is suspended, and never after all their
// tokens were reset: who had one may have made it.
func TestInvitationEndsWithInviter(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		ctx := t.Context()
		d, own, other := openOutlive(t, engine)
		change := func(f func(*store.Grower) error) {
			t.Helper()
			if err := d.store.Write(ctx, func(tx *store.Tx) error { return f(tx.Grower("grower-a")) }); err != nil {
				t.Fatal(err)
			}
		}
		society, err := pb.NewSocietyServiceClient(own).CreateSociety(ctx, &pb.CreateSocietyRequest{Society: &pb.Society{DisplayName: "Club"}})
		if err != nil {
			t.Fatal(err)
		}
		c, err := pb.NewCollectionServiceClient(own).CreateCollection(ctx, &pb.CreateCollectionRequest{
			Collection: &pb.Collection{DisplayName: "Own", TimeZone: "Europe/Berlin", Visibility: pb.Collection_SHARED},
		})
		if err != nil {
			t.Fatal(err)
		}
		var secrets []string
		for parent, role := range map[string]pb.Invitation_Role{society.GetName(): pb.Invitation_ORGANISER, c.GetName(): pb.Invitation_OWNER} {
			i, err := pb.NewInvitationServiceClient(own).CreateInvitation(ctx, &pb.CreateInvitationRequest{Parent: parent, Invitation: &pb.Invitation{Role: role}})
			if err != nil {
				t.Fatal(err)
			}
			secrets = append(secrets, i.GetSecret())
		}
		opensNothing := func(what string) {
			t.Helper()
			for _, secret := range secrets {
				_, err := pb.NewInvitationServiceClient(other).AcceptInvitation(context.Background(), &pb.AcceptInvitationRequest{Secret: secret})
				if got := reasonOf(status.Convert(err)); got != service.InvitationNotFound {
					t.Errorf("%s: %v", what, err)
				}
			}
		}
		us := int64(9)
		change(func(g *store.Grower) error { return g.Suspend(&us, us) })
		opensNothing("who made it is suspended")
		change(func(g *store.Grower) error { return g.Suspend(nil, us) })
		change(func(g *store.Grower) error { _, err := g.RevokeAll(us); return err })
		opensNothing("the tokens of who made it were reset")
	})
}

// A keeper makes no bench by a table, whatever their token may: benches are settings.
func TestImportMakesBenchesForManagers(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		ctx := t.Context()
		_, own, other := openOutlive(t, engine)
		c := sharedWithOther(t, own, other, pb.Invitation_KEEPER)
		_, err := pb.NewPlantServiceClient(own).CreatePlant(ctx, &pb.CreatePlantRequest{Parent: c.GetName(), Plant: &pb.Plant{Tag: "S1", Taxon: "taxa/drosera-spatulata"}})
		if err != nil {
			t.Fatal(err)
		}
		for want, who := range []*bearing{other, own} {
			answer, err := pb.NewExchangeServiceClient(who).ImportObservations(ctx, &pb.ImportObservationsRequest{
				Parent: c.GetName(), Csv: []byte("Tag,Date,Kind,Bench\nS1,2026-05-01,move,North shelf\n"), GoodRowsOnly: true,
			})
			list, listErr := pb.NewBenchServiceClient(own).ListBenches(ctx, &pb.ListBenchesRequest{Parent: c.GetName()})
			if listErr != nil || len(list.GetBenches()) != want {
				t.Errorf("benches: %v, %v; want %d: %v, %v", list, listErr, want, answer, err)
			}
			if want == 0 {
				continue
			}
			if err != nil {
				t.Error(err)
			}
		}
	})
}
