package api

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// together makes calls at the same moment, and returns how each was refused; "" if it was not.
func together(calls ...func() error) []service.Reason {
	var ready, done sync.WaitGroup
	ready.Add(len(calls))
	out := make([]service.Reason, len(calls))
	for i, call := range calls {
		done.Go(func() {
			ready.Done()
			ready.Wait()
			if err := call(); err != nil {
				out[i] = reasonOf(status.Convert(err))
			}
		})
	}
	done.Wait()
	return out
}

func tally(all []service.Reason) map[service.Reason]int {
	out := map[service.Reason]int{}
	for _, r := range all {
		out[r]++
	}
	return out
}

// Calls about people at the same time: an invitation opens once, or was taken back; and a
// society keeps an organiser.
func TestPeopleAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		ctx := t.Context()
		d := openStore(t, storetest.New(t, engine), service.Config{})
		plain := d.conn.(*bearing).ClientConnInterface
		own := WithToken(plain, testSecret)
		others := make([]*bearing, 4)
		for i := range others {
			secret := service.SecretPrefix + strings.Repeat(fmt.Sprint(i), 43)
			if err := addGrower(ctx, d.store, fmt.Sprint("grower-", i), secret, service.Scopes...); err != nil {
				t.Fatal(err)
			}
			others[i] = WithToken(plain, secret).(*bearing)
		}
		invite := func(parent string, role pb.Invitation_Role) *pb.Invitation {
			t.Helper()
			m, err := pb.NewInvitationServiceClient(own).CreateInvitation(ctx, &pb.CreateInvitationRequest{Parent: parent, Invitation: &pb.Invitation{Role: role}})
			if err != nil {
				t.Fatal(err)
			}
			return m
		}
		accepts := func(by *bearing, m *pb.Invitation) func() error {
			return func() error {
				_, err := pb.NewInvitationServiceClient(by).AcceptInvitation(ctx, &pb.AcceptInvitationRequest{Secret: m.GetSecret()})
				return err
			}
		}
		for round := range 8 {
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
			for parent, role := range map[string]pb.Invitation_Role{society.GetName(): pb.Invitation_MEMBER, c.GetName(): pb.Invitation_KEEPER} {
				m := invite(parent, role)
				got := tally(together(accepts(others[0], m), accepts(others[1], m), accepts(others[2], m), accepts(others[3], m)))
				if got[""] != 1 || got[service.InvitationNotFound] != 3 {
					t.Errorf("round %d: one invitation to %s accepted at once: %v", round, parent, got)
				}
				m = invite(parent, role+1)
				got = tally(together(accepts(others[round%4], m), func() error {
					_, err := pb.NewInvitationServiceClient(own).DeleteInvitation(ctx, &pb.DeleteInvitationRequest{Name: m.GetName()})
					return err
				}))
				if got[""] != 1 || got[service.InvitationNotFound] != 1 {
					t.Errorf("round %d: an invitation to %s accepted and taken back: %v", round, parent, got)
				}
			}
			// One of the two organisers goes while the other steps back.
			m := invite(society.GetName(), pb.Invitation_ORGANISER)
			if err := accepts(others[0], m)(); err != nil {
				t.Fatal(err)
			}
			for _, by := range others[1:] {
				_, err := pb.NewSocietyServiceClient(by).DeleteMember(ctx, &pb.DeleteMemberRequest{Name: society.GetName() + "/members/me"})
				if why := reasonOf(status.Convert(err)); err != nil && why != service.SocietyNotFound { // one was the member
					t.Fatal(err)
				}
			}
			got := tally(together(func() error {
				_, err := pb.NewSocietyServiceClient(own).DeleteMember(ctx, &pb.DeleteMemberRequest{Name: society.GetName() + "/members/me"})
				return err
			}, func() error {
				_, err := pb.NewSocietyServiceClient(others[0]).UpdateMember(ctx, &pb.UpdateMemberRequest{
					Member: &pb.Member{Name: society.GetName() + "/members/grower-0", Role: pb.Member_MEMBER},
				})
				return err
			}))
			if got[""] != 1 || got[service.LastOrganiser] != 1 {
				t.Errorf("round %d: the last two organisers go at once: %v", round, got)
			}
			// A collection that two take over at once has one owner.
			first, second := invite(c.GetName(), pb.Invitation_OWNER), invite(c.GetName(), pb.Invitation_OWNER)
			got = tally(together(accepts(others[1], first), accepts(others[2], second)))
			if got[""] != 1 || got[service.InvitationNotFound] != 1 {
				t.Errorf("round %d: two become the owner at once: %v", round, got)
			}
		}
	})
}
