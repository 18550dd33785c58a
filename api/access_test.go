package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/photo"
	"dewbench/store"
	"dewbench/store/storetest"
)

// place is what the calls of the matrix name, be it there or not.
type place struct {
	grower, token, identity                     string
	calendar, own, secret                       string // of the collection, of the grower, and what opens the first
	collection, bench, empty                    string
	plant, other, feeding, observation, tag, id string
	photo                                       string // with a scale and a span
	sheet                                       string
	grant, invitation                           string // of the collection
	society, member, inSociety                  string // a society of the owner's, who is a plain member, an invitation to it
	invited                                     string // the secret of an invitation to another society
	social                                      bool   // the society is made: a grower can be in 100
}

// placeOf names a place by the ids of the grower and of the collection, and by a
// suffix of the ids in it.
func placeOf(grower, collection, suffix string) *place {
	x := &place{
		grower: store.GrowerName(grower), token: store.TokenName(grower, "t"+collection+suffix), collection: store.CollectionName(collection),
		bench: store.BenchName(collection, "south"+suffix), empty: store.BenchName(collection, "empty"+suffix),
		plant: store.PlantName(collection, "d1"+suffix), other: store.PlantName(collection, "d2"+suffix), tag: "D1" + suffix, id: "new" + suffix,
	}
	x.calendar, x.own = store.CalendarName(x.collection, "k"+collection+suffix), store.CalendarName(x.grower, "g"+collection+suffix)
	x.secret = "dwbcal_" + collection + suffix
	x.identity = store.IdentityName(grower, "i"+collection+suffix)
	x.sheet = store.SheetName(collection, 1)
	if suffix != "" {
		x.sheet = store.SheetName(collection, 9)
	}
	x.grant, x.invitation = store.GrantName(collection, "spare"+suffix), store.InvitationName(x.collection, "i1"+suffix)
	x.society = store.SocietyName("s-" + collection)
	x.member, x.inSociety = x.society+"/members/"+matrixMate, store.InvitationName(x.society, "i2"+suffix)
	x.invited = "dwbinv_" + collection + suffix
	x.feeding, x.observation, x.photo = x.plant+"/feedings/f1"+suffix, x.plant+"/observations/o1"+suffix, x.plant+"/photos/p1"+suffix
	return x
}

// request is the request id with which the feeding of a place was made.
func (x *place) request() string { return store.Segment(x.collection, "collections") }

// make makes a place of the grower's. Its token and calendars are made only if they are
// asked for, as a grower has 100 at most.
func (x *place) make(ctx context.Context, s *store.Store, by store.By, withToken bool) error {
	return s.Write(ctx, func(tx *store.Tx) error {
		if withToken {
			hash := sha256.Sum256([]byte(x.token)) // nobody knows the secret
			if _, err := tx.Grower(by.Grower).CreateToken(&pb.Token{Name: x.token, DisplayName: "Spare", Scopes: []string{"read"}}, hash[:], by.Us); err != nil {
				return err
			}
			if _, err := tx.Grower(by.Grower).CreateIdentity(&pb.Identity{Name: x.identity, Issuer: "https://id.example", Subject: x.collection}, by.Us); err != nil {
				return err
			}
		}
		c, err := tx.CreateCollection(store.Segment(x.collection, "collections"), by.Grower,
			&pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin", Visibility: pb.Collection_SHARED}, by)
		if err != nil {
			return err
		}
		if withToken {
			for name, secret := range map[string]string{x.calendar: x.secret, x.own: x.secret + "-own"} {
				if _, err := tx.Grower(by.Grower).CreateCalendar(&pb.Calendar{Name: name, DisplayName: "Telephone"}, service.HashSecret(secret), by.Us); err != nil {
					return err
				}
			}
		}
		for _, name := range []string{x.bench, x.empty} {
			if _, err := c.CreateBench(&pb.Bench{Name: name, DisplayName: "Bench"}, by); err != nil {
				return err
			}
		}
		plants := []store.NewPlant{
			{Message: &pb.Plant{Name: x.plant, Tag: x.tag, ScientificName: "Drosera capensis", Taxon: "taxa/drosera-capensis", Bench: x.bench}, Kin: store.Kin{Genus: "Drosera"}},
			{Message: &pb.Plant{Name: x.other, Tag: x.tag + "-other", ScientificName: "Drosera capensis", Taxon: "taxa/drosera-capensis"}, Kin: store.Kin{Genus: "Drosera"}},
		}
		if _, err := c.CreatePlants(plants, by); err != nil {
			return err
		}
		at := timestamppb.New(time.UnixMicro(by.Us).Add(-48 * time.Hour))
		kept := store.Request{Method: pb.FeedingService_CreateFeeding_FullMethodName, ID: x.request(), Digest: []byte("feed"), Us: by.Us, KeptUs: (7 * 24 * time.Hour).Microseconds()}
		if _, _, err := tx.Grower(by.Grower).Claim(kept); err != nil {
			return err
		}
		withID := by
		withID.Request = kept.ID
		if _, err := c.CreateFeedings([]*pb.Feeding{{Name: x.feeding, FedTime: at, TrapsFed: proto.Int32(2), TrapsTarget: proto.Int32(2)}}, withID); err != nil {
			return err
		}
		if err := tx.Grower(by.Grower).Fulfil(kept, []string{x.feeding}); err != nil {
			return err
		}
		if _, err := c.CreateSheet(&pb.Sheet{AsOfDate: "2026-06-01"}, by, by.Us+1); err != nil {
			return err
		}
		if err := x.open(tx, c, by); err != nil {
			return err
		}
		if err := x.show(c, by); err != nil {
			return err
		}
		_, err = c.CreateObservations([]*pb.Observation{{Name: x.observation, ObserveTime: at, Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}}}, by)
		return err
	})
}

// picture is the file of the photo of a place.
func (x *place) picture() []byte { return pictureOf(x.photo) }

// show adds the photo, without its file: hang brings that.
func (x *place) show(c *store.Collection, by store.By) error {
	at := func(y float64) *pb.Photo_Line {
		return &pb.Photo_Line{A: &pb.Photo_Point{X: 2, Y: y}, B: &pb.Photo_Point{X: 38, Y: y}, PointingErrorPx: proto.Float64(0.5)}
	}
	sum := sha256.Sum256(x.picture())
	_, err := c.CreatePhoto(&store.Photo{Format: int32(photo.PNG), Orientation: 1, Photo: &pb.Photo{
		Name: x.photo, TakenTime: timestamppb.New(time.UnixMicro(by.Us).Add(-48 * time.Hour)), TakenSource: pb.Photo_TOLD,
		Sha256: hex.EncodeToString(sum[:]), SizeBytes: int32(len(x.picture())), WidthPx: pictureSize, HeightPx: pictureSize,
		Scale: &pb.Photo_Scale{Line: at(39), LengthMm: 36}, Spans: []*pb.Photo_Span{{Kind: pb.Photo_Span_ROSETTE_DIAMETER, Line: at(20)}},
	}}, by)
	return err
}

// hang puts the file of the photo of a place into the bucket, and makes its renditions.
func (d *doors) hang(t *testing.T, x *place) {
	t.Helper()
	sum := sha256.Sum256(x.picture())
	job := store.Job{Collection: store.Segment(x.collection, "collections"), Args: hex.EncodeToString(sum[:])}
	if err := d.blobs.Of(job.Collection).Put(t.Context(), job.Args, bytes.NewReader(x.picture()), int64(len(x.picture()))); err != nil {
		t.Fatal(err)
	}
	if err := d.server.photos.MakeRenditions(t.Context(), job); err != nil {
		t.Fatal(err)
	}
}

// open lets others into a place.
func (x *place) open(tx *store.Tx, c *store.Collection, by store.By) error {
	if _, err := c.CreateGrant(&pb.Grant{Name: x.grant, Grantee: &pb.Grant_Grower{Grower: "growers/" + matrixSpare}, Role: pb.Grant_VIEWER}, by); err != nil {
		return err
	}
	expires := timestamppb.New(time.UnixMicro(by.Us).Add(30 * 24 * time.Hour))
	if _, err := c.Invitations().Create(&pb.Invitation{Name: x.invitation, Role: pb.Invitation_VIEWER, ExpireTime: expires}, service.HashSecret(x.invited+"-1"), by); err != nil {
		return err
	}
	if !x.social {
		return nil
	}
	s, err := tx.CreateSociety(store.Segment(x.society, "societies"), &pb.Society{DisplayName: "Club"}, by)
	if err != nil {
		return err
	}
	for grower, role := range map[string]pb.Member_Role{"organiser": pb.Member_ORGANISER, "member": pb.Member_MEMBER, matrixMate: pb.Member_MEMBER} {
		if _, err := s.AddMember(grower, role, by); err != nil {
			return err
		}
	}
	if _, err := s.Invitations().Create(&pb.Invitation{Name: x.inSociety, Role: pb.Invitation_MEMBER, ExpireTime: expires}, service.HashSecret(x.invited+"-2"), by); err != nil {
		return err
	}
	inviter := by
	inviter.Grower = matrixSpare
	other, err := tx.CreateSociety(store.Segment(x.society, "societies")+"-other", &pb.Society{DisplayName: "Other club"}, inviter)
	if err != nil {
		return err
	}
	_, err = other.Invitations().Create(&pb.Invitation{Name: x.society + "-other/invitations/i3", Role: pb.Invitation_MEMBER, ExpireTime: expires}, service.HashSecret(x.invited), inviter)
	return err
}

// What a call names, and what the caller must be to it at least.
const (
	nothing      = ""                // of anyone
	ownOnes      = "own"             // it lists what the caller owns or shares in, whatever else there is
	ofVisitor    = "1 of collection" // one, or something in it
	ofViewer     = "2 of collection"
	ofKeeper     = "3 of collection"
	ofManager    = "4 of collection"
	ofOwner      = "5 of collection"
	ofMember     = "2 of society"
	ofOrganiser  = "5 of society"
	aGrowersSelf = "grower"     // one, or a token
	aCalendar    = "calendar"   // of a collection or a grower, or where one is made
	anInvitation = "invitation" // to a collection or a society, or where one is made
	anInvited    = "invited"    // who has the secret
)

// aSecret is in place of a scope: no token is needed, but what the request holds.
const aSecret = "(secret)"

// asked is what a call asks of its caller.
type asked struct {
	scope    string // that the token must hold; "": no token is needed; or aSecret
	names    string
	requests func(x *place) []proto.Message // good ones; for each route at least one
}

func one[M proto.Message](make func(x *place) M) func(x *place) []proto.Message {
	return func(x *place) []proto.Message { return []proto.Message{make(x)} }
}

// matrix has every call. It is written by hand from the contract: reading needs the
// scope read, recording what happens to plants record, everything else manage. Visitors
// see what is public, viewers everything but localities, keepers record and divide,
// managers settle and share, owners delete and give away.
var matrix = map[string]asked{
	pb.ServerService_GetServerInfo_FullMethodName:      {"", nothing, one(func(*place) *pb.GetServerInfoRequest { return &pb.GetServerInfoRequest{} })},
	pb.ServerService_GetHealth_FullMethodName:          {"", nothing, one(func(*place) *pb.GetHealthRequest { return &pb.GetHealthRequest{} })},
	pb.ServerService_GetOpenApiDocument_FullMethodName: {"", nothing, one(func(*place) *pb.GetOpenApiDocumentRequest { return &pb.GetOpenApiDocumentRequest{} })},

	pb.TaxonService_GetTaxon_FullMethodName: {"read", nothing, one(func(*place) *pb.GetTaxonRequest { return &pb.GetTaxonRequest{Name: "taxa/drosera-capensis"} })},
	pb.TaxonService_ListTaxa_FullMethodName: {"read", nothing, one(func(*place) *pb.ListTaxaRequest { return &pb.ListTaxaRequest{PageSize: 1} })},
	pb.DueService_ComputeDue_FullMethodName: {"read", nothing, one(func(*place) *pb.ComputeDueRequest {
		return &pb.ComputeDueRequest{AsOfDate: "2026-05-11", Plants: []*pb.ComputeDueRequest_Plant{{Key: "a", TrapType: pb.Taxon_SNAP}}}
	})},
	pb.WatchService_GetWatchList_FullMethodName:  {"read", ofViewer, one(func(x *place) *pb.GetWatchListRequest { return &pb.GetWatchListRequest{Parent: x.collection} })},
	pb.DueService_ListDueFeedings_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.ListDueFeedingsRequest { return &pb.ListDueFeedingsRequest{Parent: x.collection} })},
	pb.PlanService_GetDayPlan_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.GetDayPlanRequest {
		return &pb.GetDayPlanRequest{Parent: x.collection, Benches: []string{x.bench}}
	})},
	pb.DueService_ExplainDue_FullMethodName: {"read", ofViewer, func(x *place) []proto.Message {
		return []proto.Message{&pb.ExplainDueRequest{Name: x.plant}, &pb.ExplainDueRequest{Name: x.collection + "/plants/-", Tag: x.tag}}
	}},

	pb.GrowerService_GetGrower_FullMethodName: {"read", aGrowersSelf, one(func(x *place) *pb.GetGrowerRequest { return &pb.GetGrowerRequest{Name: x.grower} })},
	pb.GrowerService_UpdateGrower_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.UpdateGrowerRequest {
		return &pb.UpdateGrowerRequest{Grower: &pb.Grower{Name: x.grower, Contact: "By the pond"}}
	})},
	// With the right name it would end the caller: TestErase does.
	pb.GrowerService_EraseGrower_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.EraseGrowerRequest {
		return &pb.EraseGrowerRequest{Name: x.grower, Confirm: "nobody's name"}
	})},
	pb.TokenService_CreateToken_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.CreateTokenRequest {
		return &pb.CreateTokenRequest{Parent: x.grower, Token: &pb.Token{DisplayName: "Script", Scopes: []string{"read"}}}
	})},
	pb.TokenService_GetToken_FullMethodName:    {"manage", aGrowersSelf, one(func(x *place) *pb.GetTokenRequest { return &pb.GetTokenRequest{Name: x.token} })},
	pb.TokenService_ListTokens_FullMethodName:  {"manage", aGrowersSelf, one(func(x *place) *pb.ListTokensRequest { return &pb.ListTokensRequest{Parent: x.grower} })},
	pb.TokenService_DeleteToken_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.DeleteTokenRequest { return &pb.DeleteTokenRequest{Name: x.token} })},
	pb.TokenService_RotateToken_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.RotateTokenRequest { return &pb.RotateTokenRequest{Name: x.token} })},

	pb.IdentityService_LinkIdentity_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.LinkIdentityRequest {
		k := sharedIssuer().access("new "+x.collection, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
		return &pb.LinkIdentityRequest{Parent: x.grower, AccessToken: k.with(jwt.MapClaims{"exp": 4e9}).sign()}
	})},
	pb.IdentityService_GetIdentity_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.GetIdentityRequest { return &pb.GetIdentityRequest{Name: x.identity} })},
	pb.IdentityService_ListIdentities_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.ListIdentitiesRequest {
		return &pb.ListIdentitiesRequest{Parent: x.grower}
	})},
	pb.IdentityService_DeleteIdentity_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.DeleteIdentityRequest { return &pb.DeleteIdentityRequest{Name: x.identity} })},

	pb.CalendarService_CreateCalendar_FullMethodName: {"manage", aCalendar, func(x *place) []proto.Message {
		m := &pb.Calendar{DisplayName: "Telephone"}
		return []proto.Message{&pb.CreateCalendarRequest{Parent: x.collection, Calendar: m}, &pb.CreateCalendarRequest{Parent: x.grower, Calendar: m}}
	}},
	pb.CalendarService_GetCalendar_FullMethodName: {"manage", aCalendar, func(x *place) []proto.Message {
		return []proto.Message{&pb.GetCalendarRequest{Name: x.calendar}, &pb.GetCalendarRequest{Name: x.own}}
	}},
	pb.CalendarService_ListCalendars_FullMethodName: {"manage", aCalendar, func(x *place) []proto.Message {
		return []proto.Message{&pb.ListCalendarsRequest{Parent: x.collection}, &pb.ListCalendarsRequest{Parent: x.grower}}
	}},
	pb.CalendarService_DeleteCalendar_FullMethodName: {"manage", aCalendar, func(x *place) []proto.Message {
		return []proto.Message{&pb.DeleteCalendarRequest{Name: x.calendar}, &pb.DeleteCalendarRequest{Name: x.own}}
	}},
	pb.CalendarService_GetDueCalendar_FullMethodName: {aSecret, aCalendar, one(func(x *place) *pb.GetDueCalendarRequest { return &pb.GetDueCalendarRequest{Secret: x.secret} })},

	pb.CollectionService_CreateCollection_FullMethodName: {"manage", nothing, one(func(*place) *pb.CreateCollectionRequest {
		return &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Sill", TimeZone: "UTC"}}
	})},
	pb.CollectionService_GetCollection_FullMethodName:   {"read", ofVisitor, one(func(x *place) *pb.GetCollectionRequest { return &pb.GetCollectionRequest{Name: x.collection} })},
	pb.CollectionService_ListCollections_FullMethodName: {"read", ownOnes, one(func(*place) *pb.ListCollectionsRequest { return &pb.ListCollectionsRequest{ShowDeleted: true} })},
	pb.CollectionService_UpdateCollection_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.UpdateCollectionRequest {
		return &pb.UpdateCollectionRequest{Collection: &pb.Collection{Name: x.collection, DisplayName: "Sill"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"display_name"}}}
	})},
	pb.CollectionService_DeleteCollection_FullMethodName:   {"manage", ofOwner, one(func(x *place) *pb.DeleteCollectionRequest { return &pb.DeleteCollectionRequest{Name: x.collection} })},
	pb.CollectionService_UndeleteCollection_FullMethodName: {"manage", ofOwner, one(func(x *place) *pb.UndeleteCollectionRequest { return &pb.UndeleteCollectionRequest{Name: x.collection} })},

	pb.CollectionService_TransferCollection_FullMethodName: {"manage", ofOwner, one(func(x *place) *pb.TransferCollectionRequest {
		return &pb.TransferCollectionRequest{Name: x.collection, Owner: x.society}
	})},

	pb.GrantService_CreateGrant_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.CreateGrantRequest {
		return &pb.CreateGrantRequest{Parent: x.collection, Grant: &pb.Grant{Grantee: &pb.Grant_Grower{Grower: "growers/" + matrixMate}, Role: pb.Grant_VIEWER}}
	})},
	pb.GrantService_GetGrant_FullMethodName:   {"read", ofManager, one(func(x *place) *pb.GetGrantRequest { return &pb.GetGrantRequest{Name: x.grant} })},
	pb.GrantService_ListGrants_FullMethodName: {"read", ofManager, one(func(x *place) *pb.ListGrantsRequest { return &pb.ListGrantsRequest{Parent: x.collection} })},
	pb.GrantService_UpdateGrant_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.UpdateGrantRequest {
		return &pb.UpdateGrantRequest{Grant: &pb.Grant{Name: x.grant, Grantee: &pb.Grant_Grower{Grower: "growers/" + matrixSpare}, Role: pb.Grant_KEEPER}}
	})},
	pb.GrantService_DeleteGrant_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.DeleteGrantRequest { return &pb.DeleteGrantRequest{Name: x.grant} })},

	pb.SocietyService_CreateSociety_FullMethodName: {"manage", nothing, one(func(*place) *pb.CreateSocietyRequest {
		return &pb.CreateSocietyRequest{Society: &pb.Society{DisplayName: "Bog club"}}
	})},
	pb.SocietyService_GetSociety_FullMethodName:    {"read", ofMember, one(func(x *place) *pb.GetSocietyRequest { return &pb.GetSocietyRequest{Name: x.society} })},
	pb.SocietyService_ListSocieties_FullMethodName: {"read", ownOnes, one(func(*place) *pb.ListSocietiesRequest { return &pb.ListSocietiesRequest{} })},
	pb.SocietyService_UpdateSociety_FullMethodName: {"manage", ofOrganiser, one(func(x *place) *pb.UpdateSocietyRequest {
		return &pb.UpdateSocietyRequest{Society: &pb.Society{Name: x.society, DisplayName: "Fen club"}}
	})},
	pb.SocietyService_DeleteSociety_FullMethodName: {"manage", ofOrganiser, one(func(x *place) *pb.DeleteSocietyRequest { return &pb.DeleteSocietyRequest{Name: x.society} })},
	pb.SocietyService_GetMember_FullMethodName:     {"read", ofMember, one(func(x *place) *pb.GetMemberRequest { return &pb.GetMemberRequest{Name: x.member} })},
	pb.SocietyService_ListMembers_FullMethodName:   {"read", ofMember, one(func(x *place) *pb.ListMembersRequest { return &pb.ListMembersRequest{Parent: x.society} })},
	pb.SocietyService_UpdateMember_FullMethodName: {"manage", ofOrganiser, one(func(x *place) *pb.UpdateMemberRequest {
		return &pb.UpdateMemberRequest{Member: &pb.Member{Name: x.member, Role: pb.Member_ORGANISER}}
	})},
	pb.SocietyService_DeleteMember_FullMethodName: {"manage", ofOrganiser, one(func(x *place) *pb.DeleteMemberRequest { return &pb.DeleteMemberRequest{Name: x.member} })},

	pb.InvitationService_CreateInvitation_FullMethodName: {"manage", anInvitation, func(x *place) []proto.Message {
		return []proto.Message{
			&pb.CreateInvitationRequest{Parent: x.collection, Invitation: &pb.Invitation{Role: pb.Invitation_KEEPER}},
			&pb.CreateInvitationRequest{Parent: x.society, Invitation: &pb.Invitation{Role: pb.Invitation_MEMBER}},
		}
	}},
	pb.AuditService_ListAuditEntries_FullMethodName: {"read", anInvitation, func(x *place) []proto.Message {
		return []proto.Message{&pb.ListAuditEntriesRequest{Parent: x.collection}, &pb.ListAuditEntriesRequest{Parent: x.society}}
	}},
	pb.InvitationService_GetInvitation_FullMethodName: {"read", anInvitation, func(x *place) []proto.Message {
		return []proto.Message{&pb.GetInvitationRequest{Name: x.invitation}, &pb.GetInvitationRequest{Name: x.inSociety}}
	}},
	pb.InvitationService_ListInvitations_FullMethodName: {"read", anInvitation, func(x *place) []proto.Message {
		return []proto.Message{&pb.ListInvitationsRequest{Parent: x.collection}, &pb.ListInvitationsRequest{Parent: x.society}}
	}},
	pb.InvitationService_DeleteInvitation_FullMethodName: {"manage", anInvitation, func(x *place) []proto.Message {
		return []proto.Message{&pb.DeleteInvitationRequest{Name: x.invitation}, &pb.DeleteInvitationRequest{Name: x.inSociety}}
	}},
	pb.InvitationService_AcceptInvitation_FullMethodName: {"manage", anInvited, one(func(x *place) *pb.AcceptInvitationRequest { return &pb.AcceptInvitationRequest{Secret: x.invited} })},

	pb.BenchService_CreateBench_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.CreateBenchRequest {
		return &pb.CreateBenchRequest{Parent: x.collection, BenchId: x.id, Bench: &pb.Bench{DisplayName: "North"}}
	})},
	pb.BenchService_GetBench_FullMethodName:    {"read", ofViewer, one(func(x *place) *pb.GetBenchRequest { return &pb.GetBenchRequest{Name: x.bench} })},
	pb.BenchService_ListBenches_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.ListBenchesRequest { return &pb.ListBenchesRequest{Parent: x.collection} })},
	pb.BenchService_UpdateBench_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.UpdateBenchRequest {
		return &pb.UpdateBenchRequest{Bench: &pb.Bench{Name: x.bench, DisplayName: "North"}}
	})},
	pb.BenchService_DeleteBench_FullMethodName:   {"manage", ofManager, one(func(x *place) *pb.DeleteBenchRequest { return &pb.DeleteBenchRequest{Name: x.empty} })},
	pb.BenchService_UndeleteBench_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.UndeleteBenchRequest { return &pb.UndeleteBenchRequest{Name: x.empty} })},

	pb.PlantService_CreatePlant_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.CreatePlantRequest {
		return &pb.CreatePlantRequest{Parent: x.collection, PlantId: x.id, Plant: &pb.Plant{Tag: x.id, Taxon: "taxa/drosera-capensis"}}
	})},
	pb.PlantService_BatchCreatePlants_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.BatchCreatePlantsRequest {
		return &pb.BatchCreatePlantsRequest{Parent: x.collection, Requests: []*pb.CreatePlantRequest{{PlantId: x.id, Plant: &pb.Plant{Tag: x.id, Taxon: "taxa/drosera-capensis", Bench: x.bench}}}}
	})},
	pb.PlantService_GetPlant_FullMethodName: {"read", ofVisitor, func(x *place) []proto.Message {
		return []proto.Message{&pb.GetPlantRequest{Name: x.plant}, &pb.GetPlantRequest{Name: x.collection + "/plants/-", Tag: x.tag}}
	}},
	pb.PlantService_ListPlants_FullMethodName: {"read", ofVisitor, one(func(x *place) *pb.ListPlantsRequest {
		return &pb.ListPlantsRequest{Parent: x.collection, Filter: `tag = "` + x.tag + `"`}
	})},
	pb.PlantService_UpdatePlant_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.UpdatePlantRequest {
		return &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: x.plant, Cultivar: "Alba", Bench: x.empty}}
	})},
	pb.PlantService_BatchUpdatePlants_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.BatchUpdatePlantsRequest {
		return &pb.BatchUpdatePlantsRequest{Parent: x.collection, Requests: []*pb.UpdatePlantRequest{{Plant: &pb.Plant{Name: x.plant, Cultivar: "Alba"}}}}
	})},
	pb.PlantService_DeletePlant_FullMethodName:   {"manage", ofManager, one(func(x *place) *pb.DeletePlantRequest { return &pb.DeletePlantRequest{Name: x.plant} })},
	pb.PlantService_UndeletePlant_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.UndeletePlantRequest { return &pb.UndeletePlantRequest{Name: x.plant} })},

	pb.FeedingService_CreateFeeding_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.CreateFeedingRequest {
		return &pb.CreateFeedingRequest{Parent: x.plant, FeedingId: x.id, Feeding: &pb.Feeding{FedDate: proto.String("2026-05-01")}}
	})},
	pb.FeedingService_BatchCreateFeedings_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.BatchCreateFeedingsRequest {
		return &pb.BatchCreateFeedingsRequest{Parent: x.collection + "/plants/-", Requests: []*pb.CreateFeedingRequest{
			{Tag: x.tag, Feeding: &pb.Feeding{}}, {Parent: x.other, Feeding: &pb.Feeding{}}}}
	})},
	pb.FeedingService_GetFeeding_FullMethodName: {"read", ofVisitor, one(func(x *place) *pb.GetFeedingRequest { return &pb.GetFeedingRequest{Name: x.feeding} })},
	pb.FeedingService_ListFeedings_FullMethodName: {"read", ofVisitor, func(x *place) []proto.Message {
		return []proto.Message{&pb.ListFeedingsRequest{Parent: x.plant}, &pb.ListFeedingsRequest{Parent: x.collection + "/plants/-"},
			&pb.ListFeedingsRequest{Parent: x.collection + "/plants/-", Tag: x.tag}}
	}},
	pb.FeedingService_UpdateFeeding_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.UpdateFeedingRequest {
		return &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: x.feeding, Outcome: pb.Feeding_CLEAN}}
	})},
	pb.FeedingService_BatchUpdateFeedings_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.BatchUpdateFeedingsRequest {
		return &pb.BatchUpdateFeedingsRequest{Parent: x.plant, Requests: []*pb.UpdateFeedingRequest{{Feeding: &pb.Feeding{Name: x.feeding, Note: "Ate well"}}}}
	})},
	pb.FeedingService_DeleteFeeding_FullMethodName:   {"record", ofKeeper, one(func(x *place) *pb.DeleteFeedingRequest { return &pb.DeleteFeedingRequest{Name: x.feeding} })},
	pb.FeedingService_UndeleteFeeding_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.UndeleteFeedingRequest { return &pb.UndeleteFeedingRequest{Name: x.feeding} })},
	pb.FeedingService_ReassignFeeding_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.ReassignFeedingRequest {
		return &pb.ReassignFeedingRequest{Name: x.feeding, Plant: x.other}
	})},

	pb.ArchiveService_ExportArchive_FullMethodName: {"read", aGrowersSelf, one(func(x *place) *pb.ExportArchiveRequest { return &pb.ExportArchiveRequest{Name: x.grower} })},
	pb.ArchiveService_ImportArchive_FullMethodName: {"manage", aGrowersSelf, one(func(x *place) *pb.ImportArchiveRequest {
		return &pb.ImportArchiveRequest{Name: x.grower, Archive: anArchive}
	})},

	pb.ExchangeService_ImportPlants_FullMethodName: {"manage", ofManager, one(func(x *place) *pb.ImportPlantsRequest {
		return &pb.ImportPlantsRequest{Parent: x.collection, Csv: []byte("Tag,Name,Bench\n" + x.tag + "-" + x.id + ",Drosera capensis,shelf\n")}
	})},
	pb.ExchangeService_ImportFeedings_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.ImportFeedingsRequest {
		return &pb.ImportFeedingsRequest{Parent: x.collection, Csv: []byte("Tag,Date,Traps\n" + x.tag + ",2026-05-01,2\n")}
	})},
	pb.ExchangeService_ImportObservations_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.ImportObservationsRequest {
		return &pb.ImportObservationsRequest{Parent: x.collection, Csv: []byte("Tag,Date,Diameter\n" + x.tag + ",2026-05-01,31.5\n")}
	})},
	pb.ExchangeService_ExportPlants_FullMethodName:   {"read", ofViewer, one(func(x *place) *pb.ExportPlantsRequest { return &pb.ExportPlantsRequest{Parent: x.collection} })},
	pb.ExchangeService_ExportFeedings_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.ExportFeedingsRequest { return &pb.ExportFeedingsRequest{Parent: x.collection} })},
	pb.ExchangeService_ExportObservations_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.ExportObservationsRequest {
		return &pb.ExportObservationsRequest{Parent: x.collection}
	})},

	pb.ObservationService_CreateObservation_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.CreateObservationRequest {
		return &pb.CreateObservationRequest{Parent: x.plant, ObservationId: x.id, Observation: &pb.Observation{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: x.empty}}}}
	})},
	pb.ObservationService_BatchCreateObservations_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.BatchCreateObservationsRequest {
		return &pb.BatchCreateObservationsRequest{Parent: x.plant, Requests: []*pb.CreateObservationRequest{
			{Observation: &pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 3}}}}}}
	})},
	pb.ObservationService_GetObservation_FullMethodName: {"read", ofVisitor, one(func(x *place) *pb.GetObservationRequest { return &pb.GetObservationRequest{Name: x.observation} })},
	pb.ObservationService_ListObservations_FullMethodName: {"read", ofVisitor, func(x *place) []proto.Message {
		return []proto.Message{&pb.ListObservationsRequest{Parent: x.plant}, &pb.ListObservationsRequest{Parent: x.collection + "/plants/-"}}
	}},
	pb.ObservationService_UpdateObservation_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.UpdateObservationRequest {
		return &pb.UpdateObservationRequest{Observation: &pb.Observation{Name: x.observation, Note: "Fresh peat"}}
	})},
	pb.ObservationService_BatchUpdateObservations_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.BatchUpdateObservationsRequest {
		return &pb.BatchUpdateObservationsRequest{Parent: x.plant, Requests: []*pb.UpdateObservationRequest{{Observation: &pb.Observation{Name: x.observation, Note: "Fresh peat"}}}}
	})},
	pb.ObservationService_DeleteObservation_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.DeleteObservationRequest { return &pb.DeleteObservationRequest{Name: x.observation} })},
	pb.ObservationService_UndeleteObservation_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.UndeleteObservationRequest {
		return &pb.UndeleteObservationRequest{Name: x.observation}
	})},
	pb.ObservationService_ReassignObservation_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.ReassignObservationRequest {
		return &pb.ReassignObservationRequest{Name: x.observation, Plant: x.other}
	})},

	pb.PhotoService_CreatePhoto_FullMethodName: {"record", ofKeeper, func(x *place) []proto.Message {
		return []proto.Message{&pb.CreatePhotoRequest{Parent: x.plant, PhotoId: x.id, Data: pictureOf(x.id)},
			&pb.CreatePhotoRequest{Parent: x.collection + "/plants/-", Tag: x.tag, PhotoId: x.id, Data: pictureOf(x.id)}}
	}},
	pb.PhotoService_UploadPhoto_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.UploadPhotoRequest {
		return &pb.UploadPhotoRequest{Create: &pb.CreatePhotoRequest{Parent: x.plant, PhotoId: x.id}, Data: pictureOf(x.id)}
	})},
	pb.PhotoService_GetPhoto_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.GetPhotoRequest { return &pb.GetPhotoRequest{Name: x.photo} })},
	pb.PhotoService_ListPhotos_FullMethodName: {"read", ofViewer, func(x *place) []proto.Message {
		return []proto.Message{&pb.ListPhotosRequest{Parent: x.plant}, &pb.ListPhotosRequest{Parent: x.collection + "/plants/-"},
			&pb.ListPhotosRequest{Parent: x.collection + "/plants/-", Tag: x.tag}}
	}},
	pb.PhotoService_UpdatePhoto_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.UpdatePhotoRequest {
		return &pb.UpdatePhotoRequest{Photo: &pb.Photo{Name: x.photo, Note: "In flower"}}
	})},
	pb.PhotoService_DeletePhoto_FullMethodName:   {"record", ofKeeper, one(func(x *place) *pb.DeletePhotoRequest { return &pb.DeletePhotoRequest{Name: x.photo} })},
	pb.PhotoService_UndeletePhoto_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.UndeletePhotoRequest { return &pb.UndeletePhotoRequest{Name: x.photo} })},
	// The original is for managers: see but in relation_test.go.
	pb.PhotoService_GetPhotoContent_FullMethodName: {"read", ofViewer, func(x *place) []proto.Message {
		return []proto.Message{&pb.GetPhotoContentRequest{Name: x.photo}, &pb.GetPhotoContentRequest{Name: x.photo, Rendition: pb.Photo_SMALL},
			&pb.GetPhotoContentRequest{Name: x.photo, Rendition: pb.Photo_ORIGINAL}}
	}},
	pb.PhotoService_MeasureRosette_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.MeasureRosetteRequest { return &pb.MeasureRosetteRequest{Name: x.photo} })},
	pb.PhotoService_RecordMeasurement_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.RecordMeasurementRequest {
		return &pb.RecordMeasurementRequest{Name: x.photo, ObservationId: x.id}
	})},
	pb.PhotoService_GetPhotoStrip_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.GetPhotoStripRequest { return &pb.GetPhotoStripRequest{Parent: x.plant} })},

	pb.SessionService_RecordSession_FullMethodName: {"record", ofKeeper, func(x *place) []proto.Message {
		return []proto.Message{
			&pb.RecordSessionRequest{Name: x.bench, Except: []*pb.RecordSessionRequest_Exception{{Tag: x.tag, TrapsFed: proto.Int32(1)}}},
			&pb.RecordSessionRequest{Name: x.collection, Sheet: x.sheet},
		}
	}},
	pb.SessionService_RecordOutcomes_FullMethodName: {"record", ofKeeper, func(x *place) []proto.Message {
		return []proto.Message{&pb.RecordOutcomesRequest{Name: x.bench}, &pb.RecordOutcomesRequest{Name: x.collection, Sheet: x.sheet}}
	}},
	pb.SessionService_DividePlant_FullMethodName: {"manage", ofKeeper, func(x *place) []proto.Message {
		return []proto.Message{&pb.DividePlantRequest{Name: x.plant, Tags: []string{x.id}}, &pb.DividePlantRequest{Name: x.collection + "/plants/-", Tag: x.tag, Tags: []string{x.id}}}
	}},
	pb.SessionService_MovePlants_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.MovePlantsRequest { return &pb.MovePlantsRequest{Name: x.bench, ToBench: x.empty} })},
	pb.SessionService_HoldPlants_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.HoldPlantsRequest {
		return &pb.HoldPlantsRequest{Name: x.bench, Reason: "New pots"}
	})},
	pb.SessionService_Undo_FullMethodName: {"record", ofKeeper, func(x *place) []proto.Message {
		return []proto.Message{&pb.UndoRequest{Name: x.collection, RequestId: x.request()}, &pb.UndoRequest{Name: x.bench, RequestId: x.request()},
			&pb.UndoRequest{Name: x.plant, RequestId: x.request()}}
	}},

	pb.SheetService_CreateSheet_FullMethodName: {"record", ofKeeper, one(func(x *place) *pb.CreateSheetRequest {
		return &pb.CreateSheetRequest{Parent: x.collection, Benches: []string{x.bench}}
	})},
	pb.SheetService_GetSheet_FullMethodName:   {"read", ofViewer, one(func(x *place) *pb.GetSheetRequest { return &pb.GetSheetRequest{Name: x.sheet} })},
	pb.SheetService_ListSheets_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.ListSheetsRequest { return &pb.ListSheetsRequest{Parent: x.collection} })},
	pb.SheetService_PrintSheet_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.PrintSheetRequest { return &pb.PrintSheetRequest{Name: x.sheet} })},
	pb.SheetService_PrintLabels_FullMethodName: {"read", ofViewer, one(func(x *place) *pb.PrintLabelsRequest {
		return &pb.PrintLabelsRequest{Parent: x.collection, Benches: []string{x.bench}}
	})},

	pb.RevisionService_ListRevisions_FullMethodName: {"read", ofViewer, func(x *place) []proto.Message {
		var out []proto.Message
		for _, name := range []string{x.collection, x.bench, x.plant, x.feeding, x.observation, x.photo} {
			out = append(out, &pb.ListRevisionsRequest{Parent: name})
		}
		return append(out, &pb.ListRevisionsRequest{Parent: x.collection + "/plants/-", Tag: x.tag})
	}},
}

// standardServices are open to all: they tell how the server is, and the contract,
// which is public.
var standardServices = []string{"grpc.health.v1.Health", "grpc.reflection.v1.ServerReflection", "grpc.reflection.v1alpha.ServerReflection"}

// holds says which scopes hold which: manage holds record, which holds read; stock
// stands alone.
var holds = map[string][]string{"read": {"read", "record", "manage"}, "record": {"record", "manage"}, "manage": {"manage"}, "stock": {"stock"}}

// matrixCaller is a kind of caller.
type matrixCaller struct {
	name          string
	authorization []string // values of the header
	refused       service.Reason
	grower        string
	scopes        []string
}

const (
	matrixOwner    = "grower-a"
	matrixStranger = "grower-b"
	matrixMate     = "grower-m" // in the same societies as everybody
	matrixSpare    = "grower-s"
	matrixNobody   = "grower-z" // is not there
)

// asks tells what a request asks its caller to be at least, and to what: "collection",
// "society", "grower" or "".
func (a *asked) asks(req proto.Message) (least int, of string) {
	names := a.names
	text := fmt.Sprint(req)
	switch {
	case names == aCalendar && strings.Contains(text, "growers/"):
		names = aGrowersSelf
	case names == aCalendar:
		names = ofViewer
	case names == anInvitation && strings.Contains(text, "societies/"):
		names = ofOrganiser
	case names == anInvitation:
		names = ofManager
	}
	if number, of, found := strings.Cut(names, " of "); found {
		least, err := strconv.Atoi(number)
		if err != nil {
			panic(err)
		}
		return least, of
	}
	if names == aGrowersSelf {
		return int(service.Owner), "grower"
	}
	return 0, ""
}

// expect tells how a call must answer a caller, who is that much to the collection and to
// the society that it names; "" is a good answer.
func (a *asked) expect(c *matrixCaller, req proto.Message, toCollection, toSociety int) service.Reason {
	least, of := a.asks(req)
	is := map[string]int{"collection": toCollection, "society": toSociety}[of]
	if of == "grower" && c.grower == matrixOwner {
		is = least
	}
	switch {
	case a.scope == "", a.scope == aSecret:
		return ""
	case c.refused != "":
		return c.refused
	case !slices.ContainsFunc(holds[a.scope], func(wider string) bool { return slices.Contains(c.scopes, wider) }):
		return "SCOPE_MISSING"
	case is >= least:
		return ""
	case is >= 2: // they see that it is there
		return "ROLE_MISSING"
	}
	return map[string]service.Reason{"collection": "COLLECTION_NOT_FOUND", "society": "SOCIETY_NOT_FOUND", "grower": "GROWER_NOT_FOUND"}[of]
}

// owns tells what a caller is to a place that is the owner's.
func (c *matrixCaller) owns() int {
	if c.grower == matrixOwner {
		return 5
	}
	return 0
}

var matrixCodes = map[service.Reason]codes.Code{
	"": codes.OK, "TOKEN_MISSING": codes.Unauthenticated, "TOKEN_INVALID": codes.Unauthenticated, "TOKEN_EXPIRED": codes.Unauthenticated,
	"SCOPE_MISSING": codes.PermissionDenied, "ROLE_MISSING": codes.PermissionDenied,
	"COLLECTION_NOT_FOUND": codes.NotFound, "SOCIETY_NOT_FOUND": codes.NotFound, "GROWER_NOT_FOUND": codes.NotFound,
}

// matrixCallers adds the growers and tokens of all kinds of callers to a database
// that has the owner.
func matrixCallers(t *testing.T, s *store.Store, now time.Time) []matrixCaller {
	t.Helper()
	secret := func(name string) string { return "dwb_" + strings.Repeat("x", 43-len(name)) + name }
	us := now.UnixMicro()
	token := func(name, grower string, refused service.Reason, scopes ...string) matrixCaller {
		return matrixCaller{name: name, authorization: []string{"Bearer " + secret(name)}, refused: refused, grower: grower, scopes: scopes}
	}
	all := []matrixCaller{
		{name: "nobody", refused: "TOKEN_MISSING"},
		{name: "malformed header", authorization: []string{"Basic " + testSecret}, refused: "TOKEN_INVALID"},
		{name: "unknown", authorization: []string{"Bearer " + secret("unknown")}, refused: "TOKEN_INVALID"},
		token("expired", matrixOwner, "TOKEN_EXPIRED", service.Scopes...),
		token("revoked", matrixOwner, "TOKEN_INVALID", service.Scopes...),
		token("suspended", "grower-c", "TOKEN_INVALID", service.Scopes...),
		token("stranger", matrixStranger, "", service.Scopes...),
		token("read", matrixOwner, "", "read"),
		token("record", matrixOwner, "", "record"),
		token("manage", matrixOwner, "", "manage"),
		token("stock", matrixOwner, "", "stock"),
		token("full", matrixOwner, "", service.Scopes...),
	}
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		for _, id := range []string{matrixStranger, "grower-c", matrixMate, matrixSpare, "organiser", "member"} {
			if _, err := tx.Grower(id).Create(id, us); err != nil {
				return err
			}
		}
		for _, c := range all {
			if c.grower == "" {
				continue
			}
			m := &pb.Token{Name: store.TokenName(c.grower, c.name), DisplayName: c.name, Scopes: c.scopes}
			if c.name == "expired" { // at its end it is over
				m.ExpireTime = timestamppb.New(now)
			}
			if _, err := tx.Grower(c.grower).CreateToken(m, service.HashSecret(secret(c.name)), us); err != nil {
				return err
			}
			if err := tx.Grower(c.grower).UseToken(c.name, us); err != nil {
				return err
			}
		}
		if _, err := tx.Grower(matrixOwner).RevokeToken("revoked", us, func(*pb.Token) error { return nil }); err != nil {
			return err
		}
		return tx.Grower("grower-c").Suspend(&us, us)
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// matrixAnswer is an answer by either door, without what differs from call to call.
type matrixAnswer struct {
	code   codes.Code
	reason service.Reason
	whole  string
}

// matrixDoors are both doors without a token of their own.
type matrixDoors struct {
	*doors
	plain  grpc.ClientConnInterface
	client *http.Client
}

func openMatrix(t *testing.T, d *doors) *matrixDoors {
	t.Helper()
	m := &matrixDoors{doors: d, plain: d.conn.(*bearing).ClientConnInterface, client: &http.Client{Transport: &http.Transport{DisableCompression: true}}}
	t.Cleanup(m.client.CloseIdleConnections)
	return m
}

func (d *matrixDoors) call(t *testing.T, c *matrixCaller, method string, req proto.Message) matrixAnswer {
	t.Helper()
	md := metadata.Pairs(requestIDHeader, "matrix")
	md.Append("authorization", c.authorization...)
	answer := newAnswer(t, method)
	var header metadata.MD
	err := d.plain.Invoke(metadata.NewOutgoingContext(t.Context(), md), method, req, answer, grpc.Header(&header))
	if err == nil {
		return matrixAnswer{whole: string(messageJSON(t, answer))}
	}
	text, err2 := json.Marshal(statusJSON(t, err))
	if err2 != nil {
		t.Fatal(err2)
	}
	s := status.Convert(err)
	return matrixAnswer{s.Code(), reasonOf(s), fmt.Sprintf("%s %v", text, header)}
}

// newAnswer returns an empty answer of a call.
func newAnswer(t *testing.T, method string) proto.Message {
	t.Helper()
	d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(method, "/"), "/", ".")))
	if err != nil {
		t.Fatal(err)
	}
	kind, err := protoregistry.GlobalTypes.FindMessageByName(d.(protoreflect.MethodDescriptor).Output().FullName())
	if err != nil {
		t.Fatal(err)
	}
	return kind.New().Interface()
}

func (d *matrixDoors) request(t *testing.T, c *matrixCaller, method, target string, body []byte) matrixAnswer {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, d.url(target), bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set(requestIDHeader, "matrix")
	if body != nil { // else what comes to photos:upload is taken for a picture
		r.Header.Set("Content-Type", "application/json")
	}
	for _, value := range c.authorization {
		r.Header.Add("Authorization", value)
	}
	answer, err := d.client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	answer.Header.Del("Date")
	if answer.StatusCode < 300 {
		return matrixAnswer{whole: string(text)}
	}
	out := matrixAnswer{whole: fmt.Sprintf("%d %v %s", answer.StatusCode, answer.Header, text)}
	out.reason = service.Reason(errorReason(errorOf(t, text)))
	for code, http := range map[codes.Code]int{codes.Unauthenticated: 401, codes.PermissionDenied: 403, codes.NotFound: 404, codes.Internal: 500} {
		if answer.StatusCode == http {
			out.code = code
		}
	}
	if out.code == codes.OK {
		out.code = codes.Unknown
	}
	// A token that may not do it is challenged too (RFC 6750, section 3); another one of a
	// grower who may not would not do either.
	if refused := out.code == codes.Unauthenticated || out.reason == "SCOPE_MISSING"; refused != (answer.Header.Get("WWW-Authenticate") != "") {
		t.Errorf("%s %s: status %d with WWW-Authenticate %q", method, target, answer.StatusCode, answer.Header.Get("WWW-Authenticate"))
	}
	return out
}

var pathVariable = regexp.MustCompile(`\{([a-z_.]+)=([^}]*)\}`)

// overHTTP writes a request as the route takes it. It is false for one whose names
// do not fit the path.
func overHTTP(t *testing.T, path, in string, req proto.Message) (target string, body []byte, fits bool) {
	t.Helper()
	rest := proto.Clone(req)
	fits = true
	target = pathVariable.ReplaceAllStringFunc(path, func(variable string) string {
		parts := pathVariable.FindStringSubmatch(variable)
		m, steps := rest.ProtoReflect(), strings.Split(parts[1], ".")
		for _, step := range steps[:len(steps)-1] {
			m = m.Mutable(m.Descriptor().Fields().ByName(protoreflect.Name(step))).Message()
		}
		f := m.Descriptor().Fields().ByName(protoreflect.Name(steps[len(steps)-1]))
		name := m.Get(f).String()
		pattern := "^" + strings.ReplaceAll(parts[2], "*", "[^/]+") + "$"
		fits = fits && regexp.MustCompile(pattern).MatchString(name)
		m.Clear(f)
		return name
	})
	m := rest.ProtoReflect()
	marshal := func(m proto.Message) []byte {
		text, err := protojson.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		return text
	}
	switch in {
	case "":
	case "*":
		return target, marshal(rest), fits
	default:
		f := m.Descriptor().Fields().ByName(protoreflect.Name(in))
		body = marshal(m.Get(f).Message().Interface())
		m.Clear(f)
	}
	query := url.Values{}
	for key, value := range parseJSON(t, marshal(rest)).(map[string]any) {
		all, isList := value.([]any)
		if !isList {
			all = []any{value}
		}
		for _, one := range all {
			query.Add(key, fmt.Sprint(one))
		}
	}
	if len(query) > 0 {
		target += "?" + query.Encode()
	}
	return target, body, fits
}

// contents returns a digest of the rows of each table.
func contents(t *testing.T, db *sql.DB, engine store.Engine) map[string]string {
	t.Helper()
	out := map[string]string{}
	for table, columns := range tableColumns(t, db, engine) {
		lines := allRows(t, db, "SELECT "+columns+" FROM "+table)
		slices.Sort(lines)
		out[table] = fmt.Sprintf("%d rows, %x", len(lines), sha256.Sum256([]byte(strings.Join(lines, "\n"))))
	}
	if len(out) < 8 {
		t.Fatalf("tables %v", slices.Collect(maps.Keys(out)))
	}
	return out
}

// tableColumns returns the tables, each with the columns that only calls that write change.
func tableColumns(t *testing.T, db *sql.DB, engine store.Engine) map[string]string {
	t.Helper()
	find := "SELECT name FROM sqlite_master WHERE type = 'table'"
	if engine == store.Postgres {
		find = "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public'"
	}
	out := map[string]string{}
	for _, table := range allRows(t, db, find) {
		if table == "sqlite_sequence" { // SQLite's own count of rows that came, whose ever they were
			continue
		}
		out[table] = "*"
		if table == "tokens" { // without their last use, which every call may note
			out[table] = "grower_id, token_id, hash, display_name, scopes, expire_us, create_us, revoke_us, version"
		}
	}
	return out
}

// allRows returns the rows of a query, each as a text; a single column as it is.
func allRows(t *testing.T, db *sql.DB, query string) []string {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), query)
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for rows.Next() {
		values, into := make([]any, len(columns)), make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		if err := rows.Scan(into...); err != nil {
			t.Fatal(err)
		}
		if text, ok := values[0].(string); ok && len(values) == 1 {
			out = append(out, text)
			continue
		}
		var line []byte
		for _, v := range values {
			switch v := v.(type) { // the usual ones quickly
			case string:
				line = strconv.AppendQuote(line, v)
			case int64:
				line = strconv.AppendInt(line, v, 10)
			case []byte:
				line = append(line, v...)
			default:
				line = fmt.Append(line, v)
			}
			line = append(line, '|')
		}
		out = append(out, string(line))
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

// openRaw opens a database beside the store, to look at its rows.
func openRaw(t *testing.T, engine store.Engine, url string) *sql.DB {
	t.Helper()
	driver, source := "pgx", url
	if engine == store.SQLite {
		driver, source = "sqlite", strings.TrimPrefix(url, "sqlite:")
	}
	db, err := sql.Open(driver, source)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := db.Close(); err != nil {
			t.Error(err)
		}
	})
	return db
}

// TestAccess calls every call and every route as every kind of caller.
func TestAccess(t *testing.T) {
	onEngines(t, testAccess)
}

// onEngines runs a test on all engines at the same time, which share nothing.
func onEngines(t *testing.T, f func(t *testing.T, engine store.Engine)) {
	t.Helper()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			f(t, engine)
		})
	}
}

func testAccess(t *testing.T, engine store.Engine) {
	now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	url := storetest.URL(t, engine)
	s := storetest.Open(t, url)
	d := openMatrix(t, openStore(t, s, service.Config{Now: func() time.Time { return now }, SignIn: takes(sharedIssuer())}))
	raw := openRaw(t, engine, url)
	callers := matrixCallers(t, s, now)
	by := store.By{Us: now.Add(-time.Hour).UnixMicro(), Grower: matrixOwner, Token: "full"}
	places := 0
	newPlace := func(method string) *place {
		places++
		x := placeOf(matrixOwner, fmt.Sprintf("c-%03d", places), "")
		x.social = amongPeople.MatchString(method)
		if err := x.make(t.Context(), s, by, keepsSecrets.MatchString(method)); err != nil {
			t.Fatal(err)
		}
		return x
	}
	shared := newPlace("Token and Society")
	d.hang(t, shared)
	id := store.Segment(shared.collection, "collections")
	// The same, where the collection and the grower are not there, and where all else
	// is not there.
	const gone = "c-xyz"
	missing := placeOf(matrixNobody, gone, "")
	hollow := placeOf(matrixOwner, id, "-none")
	same := strings.NewReplacer(matrixNobody, matrixOwner, gone, id, "-none", "")

	// First the calls that are refused, while there is little that they could change.
	before := contents(t, raw, engine)
	for _, method := range slices.Sorted(maps.Keys(matrix)) {
		a, fitting := matrix[method], map[string]int{}
		attempts := d.attempts(t, method)
		for i, req := range a.requests(shared) {
			for _, try := range attempts {
				if !try.fits(req) {
					continue
				}
				fitting[try.name]++
				for _, c := range callers {
					want := a.expect(&c, req, c.owns(), c.owns())
					if want == "" {
						continue
					}
					got := try.do(&c, req)
					if got.reason != want || got.code != matrixCodes[want] {
						t.Errorf("%s as %s: %s %s, want %s: %.300s", try.name, c.name, got.code, got.reason, want, got.whole)
					}
					if c.refused != "" && c.name != "nobody" || want == "SCOPE_MISSING" && c.name != "stock" {
						continue // it was judged before anything else, as of those
					}
					// What is refused looks like what is not there.
					for _, other := range []*place{missing, hollow} {
						if elsewhere := try.do(&c, a.requests(other)[i]); same.Replace(elsewhere.whole) != same.Replace(got.whole) {
							t.Errorf("%s as %s differs by what is there:\n%s\n%s", try.name, c.name, got.whole, elsewhere.whole)
						}
					}
				}
			}
		}
		for _, try := range attempts {
			if fitting[try.name] == 0 {
				t.Errorf("%s: no request of the matrix fits it", try.name)
			}
		}
		after := contents(t, raw, engine)
		if diff := cmp.Diff(before, after); diff != "" {
			t.Errorf("%s: calls that were refused wrote (-before +after):\n%s", method, diff)
		}
		before = after
	}
	for _, method := range slices.Sorted(maps.Keys(matrix)) {
		a, x, news := matrix[method], shared, 0
		if a.scope == "record" || a.scope == "manage" {
			x = newPlace(method)
		}
		for i, req := range a.requests(shared) {
			for _, try := range d.attempts(t, method) {
				if !try.fits(req) {
					continue
				}
				for _, c := range callers {
					if a.expect(&c, req, c.owns(), c.owns()) != "" {
						continue
					}
					if last.MatchString(method) && news > 0 {
						x = newPlace(method)
					}
					news++
					x.id = fmt.Sprintf("new-%d", news)
					got := try.do(&c, a.requests(x)[i])
					// See the row of EraseGrower.
					if erases := method == pb.GrowerService_EraseGrower_FullMethodName; erases && got.reason != "INVALID_FIELDS" || !erases && got.code != codes.OK {
						t.Errorf("%s as %s: %s %s: %.500s", try.name, c.name, got.code, got.reason, got.whole)
					}
					if c.grower != matrixOwner && a.names != anInvited && (strings.Contains(got.whole, "collections/c-") || strings.Contains(got.whole, matrixOwner)) {
						t.Errorf("%s shows %s what is another's: %.500s", try.name, c.name, got.whole)
					}
				}
			}
		}
	}
}

// keepsSecrets matches calls about what has a secret.
var keepsSecrets = regexp.MustCompile("Token|Calendar|Identit")

// amongPeople matches calls that may name a society.
var amongPeople = regexp.MustCompile("Societ|Member|Invitation|Transfer|Grant")

// last matches calls that can be made only once on the same.
var last = regexp.MustCompile("/(Delete|UndeleteCollection|Reassign|Transfer|CreateGrant|AcceptInvitation)")

// attempt is a way to make a call.
type attempt struct {
	name string
	do   func(c *matrixCaller, req proto.Message) matrixAnswer
	fits func(req proto.Message) bool // whether it can send such a request
}

// attempts returns the ways to make a call: through gRPC, and by each of its routes.
func (d *matrixDoors) attempts(t *testing.T, method string) []attempt {
	all := []attempt{{method,
		func(c *matrixCaller, req proto.Message) matrixAnswer { return d.call(t, c, method, req) },
		func(proto.Message) bool { return true }}}
	for _, rt := range d.server.gateway.routes {
		if "/"+string(rt.call.Parent().FullName())+"/"+string(rt.call.Name()) != method {
			continue
		}
		all = append(all, attempt{rt.method + " " + rt.path,
			func(c *matrixCaller, req proto.Message) matrixAnswer {
				target, body, _ := overHTTP(t, rt.path, rt.body, req)
				return d.request(t, c, rt.method, target, body)
			},
			func(req proto.Message) bool {
				_, _, fits := overHTTP(t, rt.path, rt.body, req)
				return fits
			}})
	}
	return all
}

// longCalls may take minutes: they read or decode what may be large.
var longCalls = map[string]bool{
	pb.ArchiveService_ImportArchive_FullMethodName: true, pb.PhotoService_CreatePhoto_FullMethodName: true, pb.PhotoService_UploadPhoto_FullMethodName: true,
	pb.PhotoService_MeasureRosette_FullMethodName: true, pb.PhotoService_GetPhotoStrip_FullMethodName: true,
}

// TestMatrixIsWhole tells whether the matrix has every call that the server offers,
// and says the same as the table that decides.
func TestMatrixIsWhole(t *testing.T) {
	d := open(t)
	offered := map[string]bool{}
	for name, info := range d.server.grpc.GetServiceInfo() {
		if !strings.HasPrefix(name, "dewbench.") {
			if !slices.Contains(standardServices, name) {
				t.Errorf("nothing is said about who may call %s", name)
			}
			continue
		}
		for _, m := range info.Methods {
			method := "/" + name + "/" + m.Name
			offered[method] = true
			if _, ok := matrix[method]; !ok {
				t.Errorf("%s has no row in the matrix", method)
			}
		}
	}
	for method, a := range matrix {
		if !offered[method] {
			t.Errorf("%s has a row in the matrix, and is not offered", method)
		}
		want := service.Rule{Open: a.scope == "", Secret: a.scope == aSecret, Recalls: method == pb.DueService_ListDueFeedings_FullMethodName,
			Enters: method == pb.InvitationService_AcceptInvitation_FullMethodName, Long: longCalls[method]}
		if !want.Secret {
			want.Scope = a.scope
		}
		switch a.names {
		case nothing, anInvited:
		case ownOnes, aCalendar:
			want.Least = service.Viewer
		case aGrowersSelf:
			want.Least = service.Owner
		case anInvitation:
			want.Least = service.Manager
		default:
			want.Least = service.Relation(a.names[0] - '0')
		}
		if strings.HasSuffix(method, "/DeleteGrant") || strings.HasSuffix(method, "/DeleteMember") {
			want.Least = service.Viewer // who goes needs no more; the rows are about others
		}
		if diff := cmp.Diff(want, service.Rules[method]); diff != "" {
			t.Errorf("%s: the matrix and service.Rules differ (-matrix +rules):\n%s", method, diff)
		}
	}
	if len(service.Rules) != len(matrix) {
		t.Errorf("%d rules, %d rows in the matrix", len(service.Rules), len(matrix))
	}
	// Whatever hangs on the mux is a route of a call, and so in the matrix.
	routes := map[string]int{}
	for _, rt := range d.server.gateway.routes {
		routes[rt.method]++
		if _, ok := matrix["/"+string(rt.call.Parent().FullName())+"/"+string(rt.call.Name())]; !ok {
			t.Errorf("%s %s leads to %s, which has no row in the matrix", rt.method, rt.path, rt.call.FullName())
		}
	}
	hung := map[string]int{}
	handlers := reflect.ValueOf(d.server.gateway.mux).Elem().FieldByName("handlers")
	for _, method := range handlers.MapKeys() {
		hung[method.String()] = handlers.MapIndex(method).Len()
	}
	if diff := cmp.Diff(routes, hung); diff != "" {
		t.Errorf("routes and what hangs on the mux differ (-routes +mux):\n%s", diff)
	}
}

// TestMalformedAuthorization sends headers that hold no token as the server takes it.
func TestMalformedAuthorization(t *testing.T) {
	d := openMatrix(t, open(t))
	if got := d.call(t, &matrixCaller{authorization: []string{"bearer  " + testSecret + " "}}, pb.TaxonService_ListTaxa_FullMethodName, &pb.ListTaxaRequest{}); got.code != codes.OK {
		t.Errorf("a scheme in small letters (RFC 9110, section 11.1): %s", got.whole)
	}
	for _, values := range [][]string{
		{""}, {"Bearer"}, {"Bearer "}, {testSecret}, {"Basic " + testSecret}, {"Bearer dwb_"}, {"Bearer " + testSecret + " " + testSecret},
		{"Bearer " + strings.TrimPrefix(testSecret, "dwb_")}, {"Bearer " + testSecret, "Bearer " + testSecret}, {"Bearer " + testSecret[:len(testSecret)-1]},
		{"Bearer " + testSecret + "A"}, {"Bearer " + strings.Replace(testSecret, "A", "a", 1)},
	} {
		c := &matrixCaller{authorization: values}
		for _, got := range []matrixAnswer{
			d.call(t, c, pb.TaxonService_ListTaxa_FullMethodName, &pb.ListTaxaRequest{}),
			d.request(t, c, http.MethodGet, "/v1/taxa", nil),
		} {
			if got.code != codes.Unauthenticated || got.reason != "TOKEN_INVALID" {
				t.Errorf("%q: %s %.300s", values, got.code, got.whole)
			}
			if strings.Contains(got.whole, "AAAA") {
				t.Errorf("%q: the answer repeats the secret: %s", values, got.whole)
			}
		}
	}
}

// TestForeignReferences names what is another grower's in requests about one's own.
// The answer is the same as for what is not there.
func TestForeignReferences(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := storetest.New(t, engine)
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		d := openMatrix(t, openStore(t, s, service.Config{Now: func() time.Time { return now }}))
		callers := matrixCallers(t, s, now)
		stranger := &callers[slices.IndexFunc(callers, func(c matrixCaller) bool { return c.name == "stranger" })]
		us := now.Add(-time.Hour).UnixMicro()
		foreign, own, none := placeOf(matrixOwner, "c-foreign", "-0"), placeOf(matrixStranger, "c-own", ""), placeOf(matrixNobody, "c-missing", "-0")
		for x, grower := range map[*place]string{foreign: matrixOwner, own: matrixStranger} {
			if err := x.make(t.Context(), s, store.By{Us: us, Grower: grower, Token: "full"}, true); err != nil {
				t.Fatal(err)
			}
		}
		same := strings.NewReplacer("c-missing", "c-foreign", matrixNobody, matrixOwner)
		move := func(bench string) *pb.Observation {
			return &pb.Observation{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: bench}}}
		}
		for name, c := range map[string]struct {
			method string
			make   func(x *place) proto.Message
		}{
			"bench of a new plant": {pb.PlantService_CreatePlant_FullMethodName, func(x *place) proto.Message {
				return &pb.CreatePlantRequest{Parent: own.collection, Plant: &pb.Plant{Tag: "N", Taxon: "taxa/drosera-capensis", Bench: x.bench}}
			}},
			"parent of a new plant": {pb.PlantService_CreatePlant_FullMethodName, func(x *place) proto.Message {
				return &pb.CreatePlantRequest{Parent: own.collection, Plant: &pb.Plant{Tag: "N", Taxon: "taxa/drosera-capensis", Parents: []string{x.plant}}}
			}},
			"bench of a plant": {pb.PlantService_UpdatePlant_FullMethodName, func(x *place) proto.Message {
				return &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: own.plant, Bench: x.bench}}
			}},
			"parent of a plant": {pb.PlantService_UpdatePlant_FullMethodName, func(x *place) proto.Message {
				return &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: own.plant, Parents: []string{x.plant}}}
			}},
			"collection of a new plant in a batch": {pb.PlantService_BatchCreatePlants_FullMethodName, func(x *place) proto.Message {
				return &pb.BatchCreatePlantsRequest{Parent: own.collection, Requests: []*pb.CreatePlantRequest{{Parent: x.collection, Plant: &pb.Plant{Tag: "N", Taxon: "taxa/drosera-capensis"}}}}
			}},
			"plant in a batch": {pb.PlantService_BatchUpdatePlants_FullMethodName, func(x *place) proto.Message {
				return &pb.BatchUpdatePlantsRequest{Parent: own.collection, Requests: []*pb.UpdatePlantRequest{{Plant: &pb.Plant{Name: x.plant, Clone: "X"}}}}
			}},
			"plant of a feeding in a batch": {pb.FeedingService_BatchCreateFeedings_FullMethodName, func(x *place) proto.Message {
				return &pb.BatchCreateFeedingsRequest{Parent: own.collection + "/plants/-", Requests: []*pb.CreateFeedingRequest{{Parent: x.plant, Feeding: &pb.Feeding{}}}}
			}},
			"tag of a feeding in a batch": {pb.FeedingService_BatchCreateFeedings_FullMethodName, func(x *place) proto.Message {
				return &pb.BatchCreateFeedingsRequest{Parent: own.collection + "/plants/-", Requests: []*pb.CreateFeedingRequest{{Tag: x.tag, Feeding: &pb.Feeding{}}}}
			}},
			"feeding in a batch": {pb.FeedingService_BatchUpdateFeedings_FullMethodName, func(x *place) proto.Message {
				return &pb.BatchUpdateFeedingsRequest{Parent: own.collection + "/plants/-", Requests: []*pb.UpdateFeedingRequest{{Feeding: &pb.Feeding{Name: x.feeding, Note: "X"}}}}
			}},
			"plant to which a feeding is moved": {pb.FeedingService_ReassignFeeding_FullMethodName, func(x *place) proto.Message {
				return &pb.ReassignFeedingRequest{Name: own.feeding, Plant: x.plant}
			}},
			"bench to which a plant is moved": {pb.ObservationService_CreateObservation_FullMethodName, func(x *place) proto.Message {
				return &pb.CreateObservationRequest{Parent: own.plant, Observation: move(x.bench)}
			}},
			"bench to which plants are moved": {pb.ObservationService_BatchCreateObservations_FullMethodName, func(x *place) proto.Message {
				return &pb.BatchCreateObservationsRequest{Parent: own.plant, Requests: []*pb.CreateObservationRequest{{Observation: move(x.bench)}}}
			}},
			"observation in a batch": {pb.ObservationService_BatchUpdateObservations_FullMethodName, func(x *place) proto.Message {
				return &pb.BatchUpdateObservationsRequest{Parent: own.plant, Requests: []*pb.UpdateObservationRequest{{Observation: &pb.Observation{Name: x.observation, Note: "X"}}}}
			}},
			"plant to which an observation is moved": {pb.ObservationService_ReassignObservation_FullMethodName, func(x *place) proto.Message {
				return &pb.ReassignObservationRequest{Name: own.observation, Plant: x.plant}
			}},
			"plant of a photo": {pb.PhotoService_CreatePhoto_FullMethodName, func(x *place) proto.Message {
				return &pb.CreatePhotoRequest{Parent: x.plant, Data: pictureOf("of another")}
			}},
			"plant of a photo, by its tag": {pb.PhotoService_CreatePhoto_FullMethodName, func(x *place) proto.Message {
				return &pb.CreatePhotoRequest{Parent: own.collection + "/plants/-", Tag: x.tag, Data: pictureOf("of another")}
			}},
			"plant of a photo that comes in pieces": {pb.PhotoService_UploadPhoto_FullMethodName, func(x *place) proto.Message {
				return &pb.UploadPhotoRequest{Create: &pb.CreatePhotoRequest{Parent: x.plant}, Data: pictureOf("of another")}
			}},
			// The same picture, which they have: nothing tells that it is known.
			"file of a photo": {pb.PhotoService_CreatePhoto_FullMethodName, func(x *place) proto.Message {
				return &pb.CreatePhotoRequest{Parent: x.plant, Data: foreign.picture()}
			}},
			"photo of a measurement": {pb.PhotoService_RecordMeasurement_FullMethodName, func(x *place) proto.Message {
				return &pb.RecordMeasurementRequest{Name: x.photo}
			}},
			"plant of a session": {pb.SessionService_RecordSession_FullMethodName, func(x *place) proto.Message {
				return &pb.RecordSessionRequest{Name: own.bench, Except: []*pb.RecordSessionRequest_Exception{{Plant: x.plant, Skip: true}}}
			}},
			"sheet of a session": {pb.SessionService_RecordSession_FullMethodName, func(x *place) proto.Message {
				return &pb.RecordSessionRequest{Name: own.bench, Sheet: x.sheet}
			}},
			"sheet of outcomes": {pb.SessionService_RecordOutcomes_FullMethodName, func(x *place) proto.Message {
				return &pb.RecordOutcomesRequest{Name: own.bench, Sheet: x.sheet}
			}},
			"bench of a sheet": {pb.SheetService_CreateSheet_FullMethodName, func(x *place) proto.Message {
				return &pb.CreateSheetRequest{Parent: own.collection, Benches: []string{x.bench}}
			}},
			"bench of labels": {pb.SheetService_PrintLabels_FullMethodName, func(x *place) proto.Message {
				return &pb.PrintLabelsRequest{Parent: own.collection, Benches: []string{x.bench}}
			}},
			"tag of labels": {pb.SheetService_PrintLabels_FullMethodName, func(x *place) proto.Message {
				return &pb.PrintLabelsRequest{Parent: own.collection, Tags: []string{x.tag}}
			}},
			"tag of outcomes": {pb.SessionService_RecordOutcomes_FullMethodName, func(x *place) proto.Message {
				return &pb.RecordOutcomesRequest{Name: own.bench, Except: []*pb.RecordOutcomesRequest_Exception{{Tag: x.tag, Skip: true}}}
			}},
			"bench to which a bench is moved": {pb.SessionService_MovePlants_FullMethodName, func(x *place) proto.Message {
				return &pb.MovePlantsRequest{Name: own.bench, ToBench: x.bench}
			}},
			"tag of a plant that is not held": {pb.SessionService_HoldPlants_FullMethodName, func(x *place) proto.Message {
				return &pb.HoldPlantsRequest{Name: own.bench, ExceptTags: []string{x.tag}}
			}},
			"bench of plants of a division": {pb.SessionService_DividePlant_FullMethodName, func(x *place) proto.Message {
				return &pb.DividePlantRequest{Name: own.plant, Tags: []string{"N"}, Bench: x.bench}
			}},
			"call that is undone": {pb.SessionService_Undo_FullMethodName, func(x *place) proto.Message {
				return &pb.UndoRequest{Name: own.collection, RequestId: x.request()}
			}},
			"token": {pb.TokenService_DeleteToken_FullMethodName, func(x *place) proto.Message { return &pb.DeleteTokenRequest{Name: x.token} }},
			"collection of a new calendar": {pb.CalendarService_CreateCalendar_FullMethodName, func(x *place) proto.Message {
				return &pb.CreateCalendarRequest{Parent: x.collection, Calendar: &pb.Calendar{DisplayName: "X"}}
			}},
			"calendar of a collection": {pb.CalendarService_DeleteCalendar_FullMethodName, func(x *place) proto.Message {
				return &pb.DeleteCalendarRequest{Name: x.calendar}
			}},
			"calendar": {pb.CalendarService_DeleteCalendar_FullMethodName, func(x *place) proto.Message { return &pb.DeleteCalendarRequest{Name: x.own} }},
		} {
			there, missing := d.call(t, stranger, c.method, c.make(foreign)), d.call(t, stranger, c.method, c.make(none))
			if there.code != codes.NotFound && there.code != codes.InvalidArgument {
				t.Errorf("%s: %s %.300s", name, there.code, there.whole)
			}
			if want := strings.ReplaceAll(same.Replace(missing.whole), "c-missing", "c-foreign"); there.whole != want {
				t.Errorf("%s: what is another's and what is not there differ:\n%s\n%s", name, there.whole, missing.whole)
			}
		}
	})
}
