package store_test

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// ids are those that a method is asked for.
type ids struct {
	bench, plant, event string
	sheet               int64
	grower              string // a member, or to whom something is granted
	grant, invitation   string
}

var (
	shared = ids{"b", "p", "e", 1, "shared", "g", "i"} // both tenants have them
	theirs = ids{"xb", "xq", "xe", 2, "xm", "xg", "xi"}
)

// unknown is what a method says of ids that only another tenant has.
type unknown int

const (
	empty   unknown = iota // nothing, or of nothing
	missing                // ErrNotFound
	dangles                // ErrReference
)

// collectionMethods call each method of a collection.
var collectionMethods = map[string]struct {
	unknown unknown
	call    func(c *store.Collection, i ids) (any, error)
}{
	"Audits": {empty, func(c *store.Collection, _ ids) (any, error) {
		return both(c.Audits(store.List{Limit: big, Desc: true}))
	}},
	"Erase": {empty, func(c *store.Collection, _ ids) (any, error) {
		return nil, c.Erase(&store.Erasure{Grower: "g1", Code: "erased-1"})
	}},
	"ID":           {empty, func(c *store.Collection, _ ids) (any, error) { return c.ID(), nil }},
	"Owner":        {empty, func(c *store.Collection, _ ids) (any, error) { return c.Owner(), nil }},
	"OwnerSociety": {empty, func(c *store.Collection, _ ids) (any, error) { return c.OwnerSociety(), nil }},
	"Ties":         {empty, func(c *store.Collection, _ ids) (any, error) { return c.Ties(), nil }},
	"Deleted":      {empty, func(c *store.Collection, _ ids) (any, error) { return c.Deleted(), nil }},
	"PendingUs":    {empty, func(c *store.Collection, _ ids) (any, error) { return c.PendingUs(), nil }},
	"Pending":      {empty, func(c *store.Collection, _ ids) (any, error) { return c.Pending(big, big) }},
	"Recorded":     {empty, func(c *store.Collection, _ ids) (any, error) { return c.Recorded(0, big) }},
	"Sessions": {empty, func(c *store.Collection, i ids) (any, error) {
		all, err1 := c.Sessions(nil, 0, math.MaxInt64)
		some, err2 := c.Sessions([]string{i.plant}, 0, math.MaxInt64)
		return []any{all, some}, errors.Join(err1, err2)
	}},
	"Seen": {empty, func(c *store.Collection, i ids) (any, error) {
		all, err1 := c.Seen([]string{i.plant}, nil, 0, math.MaxInt64)
		some, err2 := c.Seen([]string{i.plant}, []store.FactKind{store.Repotting, store.Move}, 0, math.MaxInt64)
		return []any{all, some}, errors.Join(err1, err2)
	}},
	"Treatments":  {empty, func(c *store.Collection, _ ids) (any, error) { return c.Treatments("2026-05-11", 0, math.MaxInt64) }},
	"KeepPending": {empty, func(c *store.Collection, _ ids) (any, error) { return nil, c.KeepPending() }},
	"Settings":    {empty, func(c *store.Collection, _ ids) (any, error) { return c.Settings(), nil }},
	"Get":         {empty, func(c *store.Collection, _ ids) (any, error) { return c.Get() }},
	"Update": {empty, func(c *store.Collection, _ ids) (any, error) {
		return c.Update(at(1), func(m *pb.Collection) error { m.DisplayName = "changed"; return nil })
	}},
	"Delete":   {empty, func(c *store.Collection, _ ids) (any, error) { return c.Delete(at(1), noon, agree) }},
	"Undelete": {empty, func(c *store.Collection, _ ids) (any, error) { return c.Undelete(at(1), agree) }},
	"Transfer": {empty, func(c *store.Collection, _ ids) (any, error) { return c.Transfer("new", "", at(1), agree) }},
	"CreateGrant": {empty, func(c *store.Collection, _ ids) (any, error) {
		return c.CreateGrant(&pb.Grant{Name: store.GrantName(c.ID(), "new"), Grantee: &pb.Grant_Grower{Grower: "growers/new"}, Role: pb.Grant_KEEPER}, at(1))
	}},
	"Grant":       {missing, func(c *store.Collection, i ids) (any, error) { return c.Grant(i.grant) }},
	"GrantTo":     {missing, func(c *store.Collection, i ids) (any, error) { return c.GrantTo(i.grower, "") }},
	"Grants":      {empty, func(c *store.Collection, _ ids) (any, error) { return both(c.Grants(store.List{Limit: big})) }},
	"CountGrants": {empty, func(c *store.Collection, _ ids) (any, error) { return c.CountGrants() }},
	"UpdateGrant": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UpdateGrant(i.grant, at(1), func(m *pb.Grant) error { m.Role = pb.Grant_MANAGER; return nil })
	}},
	"DeleteGrant": {missing, func(c *store.Collection, i ids) (any, error) { return c.DeleteGrant(i.grant, at(1), agree) }},
	"Invitations": {missing, func(c *store.Collection, i ids) (any, error) { return c.Invitations().Get(i.invitation) }},
	"CreateBench": {empty, func(c *store.Collection, i ids) (any, error) {
		return c.CreateBench(&pb.Bench{Name: store.BenchName(c.ID(), i.bench+"2")}, at(1))
	}},
	"Bench": {missing, func(c *store.Collection, i ids) (any, error) { return c.Bench(i.bench) }},
	"Benches": {empty, func(c *store.Collection, _ ids) (any, error) {
		return both(c.Benches(store.List{Limit: big, Deleted: true}))
	}},
	"AllBenches": {empty, func(c *store.Collection, _ ids) (any, error) { return c.AllBenches() }},
	"UpdateBench": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UpdateBench(i.bench, at(1), func(m *pb.Bench) error { m.DisplayName = "changed"; return nil })
	}},
	"DeleteBench":   {missing, func(c *store.Collection, i ids) (any, error) { return c.DeleteBench(i.bench, at(1), noon, agree) }},
	"UndeleteBench": {missing, func(c *store.Collection, i ids) (any, error) { return c.UndeleteBench(i.bench, at(1), agree) }},
	"OnBench":       {empty, func(c *store.Collection, i ids) (any, error) { return c.OnBench(i.bench) }},
	"MovesTo":       {empty, func(c *store.Collection, i ids) (any, error) { return c.MovesTo(i.bench, 0) }},
	"CreatePlants": {dangles, func(c *store.Collection, i ids) (any, error) {
		m := &pb.Plant{Name: store.PlantName(c.ID(), "new"), Tag: "new", Bench: store.BenchName(c.ID(), i.bench)}
		return c.CreatePlants([]store.NewPlant{{Message: m}}, at(1))
	}},
	"PlantsByRef": {empty, func(c *store.Collection, i ids) (any, error) { return c.PlantsByRef([]string{i.plant + "-ref"}) }},
	"ReferPlant":  {missing, func(c *store.Collection, i ids) (any, error) { return nil, c.ReferPlant(i.plant, "changed") }},
	"EventsByRef": {empty, func(c *store.Collection, i ids) (any, error) {
		fed, err1 := c.EventsByRef(store.FeedingKind, []string{i.event + "-ref"})
		seen, err2 := c.EventsByRef(store.ObservationKind, []string{i.event + "-ref"})
		return append(fed, seen...), errors.Join(err1, err2)
	}},
	"TellPlant": {missing, func(c *store.Collection, i ids) (any, error) {
		return nil, c.TellPlant(i.plant, &store.Told{Quantity: 3})
	}},
	"FreeRefs": {empty, func(c *store.Collection, i ids) (any, error) { return nil, c.FreeRefs([]string{i.plant + "-ref"}, big) }},
	"ReferEvent": {missing, func(c *store.Collection, i ids) (any, error) {
		return nil, errors.Join(c.ReferEvent(store.FeedingKind, i.plant, i.event, "changed"), c.ReferEvent(store.ObservationKind, i.plant, i.event, "changed"))
	}},
	"ReferredFeedings": {empty, func(c *store.Collection, _ ids) (any, error) {
		all, refs, _, err := c.ReferredFeedings(store.List{Limit: big})
		return []any{all, refs}, err
	}},
	"ReferredObservations": {empty, func(c *store.Collection, _ ids) (any, error) {
		all, refs, _, err := c.ReferredObservations(store.List{Limit: big})
		return []any{all, refs}, err
	}},
	"Voided": {empty, func(c *store.Collection, i ids) (any, error) { return c.Voided([]string{i.plant}) }},
	"EventRefs": {empty, func(c *store.Collection, i ids) (any, error) {
		fed, err1 := c.EventRefs(store.FeedingKind, []string{i.plant})
		seen, err2 := c.EventRefs(store.ObservationKind, []string{i.plant})
		return append(fed, seen...), errors.Join(err1, err2)
	}},
	"CreateReferredFeedings": {dangles, func(c *store.Collection, i ids) (any, error) {
		return c.CreateReferredFeedings([]*pb.Feeding{{Name: store.FeedingName(c.ID(), i.plant, "new"), FedTime: stampOf(noon)}}, []string{"new"}, at(1))
	}},
	"CreateReferredObservations": {dangles, func(c *store.Collection, i ids) (any, error) {
		m := repotted()
		m.Name, m.ObserveTime = store.ObservationName(c.ID(), i.plant, "new"), stampOf(noon)
		return c.CreateReferredObservations([]*pb.Observation{m}, []string{"new"}, at(1))
	}},
	"Plant":      {missing, func(c *store.Collection, i ids) (any, error) { return c.Plant(i.plant) }},
	"PlantsByID": {empty, func(c *store.Collection, i ids) (any, error) { return c.PlantsByID([]string{i.plant}) }},
	"Plants": {empty, func(c *store.Collection, _ ids) (any, error) {
		return both(c.Plants(store.List{Limit: big, Deleted: true}))
	}},
	"PlantsOn":    {empty, func(c *store.Collection, i ids) (any, error) { return c.PlantsOn(i.bench) }},
	"CountLiving": {empty, func(c *store.Collection, _ ids) (any, error) { return c.CountLiving() }},
	"ArchivedFeedings": {empty, func(c *store.Collection, _ ids) (any, error) {
		all, refs, _, err := c.ArchivedFeedings(store.List{Limit: big})
		return []any{all, refs}, err
	}},
	"ArchivedObservations": {empty, func(c *store.Collection, _ ids) (any, error) {
		all, refs, _, err := c.ArchivedObservations(store.List{Limit: big})
		return []any{all, refs}, err
	}},
	"ArchivedPhotos": {empty, func(c *store.Collection, _ ids) (any, error) {
		return both(c.ArchivedPhotos(store.List{Limit: big}))
	}},
	"ArchivedFiles": {empty, func(c *store.Collection, _ ids) (any, error) { return c.ArchivedFiles("", big, noon) }},
	"CountArchivedFiles": {empty, func(c *store.Collection, _ ids) (any, error) {
		files, size, err := c.CountArchivedFiles(noon)
		return []int64{files, size}, err
	}},
	"ArchivedRevisions": {empty, func(c *store.Collection, _ ids) (any, error) {
		var all []store.Revised
		var errs []error
		for _, kind := range []store.Kind{store.CollectionKind, store.BenchKind, store.PlantKind, store.FeedingKind, store.ObservationKind, store.PhotoKind} {
			some, _, err := c.ArchivedRevisions(kind, store.List{Limit: big})
			all, errs = append(all, some...), append(errs, err)
		}
		return all, errors.Join(errs...)
	}},
	"TagHistory": {empty, func(c *store.Collection, i ids) (any, error) { return c.TagHistory([]string{i.plant}) }},
	"HistoryMark": {empty, func(c *store.Collection, _ ids) (any, error) {
		last, n, err := c.HistoryMark()
		return []int64{last, n}, err
	}},
	"Publish": {empty, func(c *store.Collection, _ ids) (any, error) { return nil, c.Publish("g1", &pb.Collection{}, at(1)) }},
	"RestoreBenches": {empty, func(c *store.Collection, _ ids) (any, error) {
		return nil, c.RestoreBenches([]*pb.Bench{{Name: store.BenchName(c.ID(), "new"), CreateTime: stampOf(noon)}})
	}},
	"RestorePlants": {empty, func(c *store.Collection, _ ids) (any, error) {
		return nil, c.RestorePlants([]store.RestoredPlant{{
			Plant:    &store.Plant{Plant: &pb.Plant{Name: store.PlantName(c.ID(), "new"), Tag: "new"}, ID: "new"},
			Standing: store.Standing{Quantity: 1, State: pb.Plant_GROWING}, Former: []store.FormerTag{{Tag: "old", UntilUs: noon}},
		}})
	}},
	"RestoreFeedings": {dangles, func(c *store.Collection, i ids) (any, error) {
		return nil, c.RestoreFeedings([]*pb.Feeding{{Name: store.FeedingName(c.ID(), i.plant, "new"), FedTime: stampOf(noon)}}, []string{"new"}, "g1")
	}},
	"RestoreObservations": {dangles, func(c *store.Collection, i ids) (any, error) {
		m := repotted()
		m.Name, m.ObserveTime = store.ObservationName(c.ID(), i.plant, "new"), stampOf(noon)
		return nil, c.RestoreObservations([]*pb.Observation{m}, []string{"new"}, "g1")
	}},
	"RestorePhotos": {dangles, func(c *store.Collection, i ids) (any, error) {
		return nil, c.RestorePhotos([]*store.Photo{{Photo: &pb.Photo{Name: store.PhotoName(c.ID(), i.plant, "new"), Sha256: "00", CreateTime: stampOf(noon)}}}, "g1")
	}},
	"RestoreRevisions": {empty, func(c *store.Collection, i ids) (any, error) {
		r := &pb.Revision{Number: 99, Action: pb.Revision_CREATED, CreateTime: stampOf(noon)}
		return nil, c.RestoreRevisions([]store.Revised{{Revision: r, Kind: store.PlantKind, ID: i.plant}}, "g1")
	}},
	"RestoreSheet": {empty, func(c *store.Collection, _ ids) (any, error) {
		return nil, c.RestoreSheet(&pb.Sheet{Name: store.SheetName(c.ID(), 99), AsOfDate: "2026-05-11", CreateTime: stampOf(noon), ExpireTime: stampOf(noon)})
	}},
	"LastChange": {empty, func(c *store.Collection, _ ids) (any, error) { return c.LastChange() }},
	"Tagged": {empty, func(c *store.Collection, i ids) (any, error) {
		return c.Tagged([]string{i.plant + "-tag", i.plant + "-former"})
	}},
	"LivingTags": {empty, func(c *store.Collection, _ ids) (any, error) { return c.LivingTags() }},
	"FormerTags": {empty, func(c *store.Collection, i ids) (any, error) { return c.FormerTags([]string{i.plant}) }},
	"UpdatePlant": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UpdatePlant(i.plant, at(1), func(p *store.Plant) error { p.Tag = "changed"; return nil })
	}},
	"FreeTags":      {empty, func(c *store.Collection, i ids) (any, error) { return nil, c.FreeTags([]string{i.plant}) }},
	"DeletePlant":   {missing, func(c *store.Collection, i ids) (any, error) { return c.DeletePlant(i.plant, at(1), noon, agree) }},
	"UndeletePlant": {missing, func(c *store.Collection, i ids) (any, error) { return c.UndeletePlant(i.plant, at(1), agree) }},
	"Settle":        {missing, func(c *store.Collection, i ids) (any, error) { return c.Settle(i.plant, dead, at(1)) }},
	"CreateFeedings": {dangles, func(c *store.Collection, i ids) (any, error) {
		return c.CreateFeedings([]*pb.Feeding{{Name: store.FeedingName(c.ID(), i.plant, "new"), FedTime: stampOf(noon)}}, at(1))
	}},
	"Feeding": {missing, func(c *store.Collection, i ids) (any, error) { return c.Feeding(i.plant, i.event) }},
	"Feedings": {empty, func(c *store.Collection, i ids) (any, error) {
		one, _, err1 := c.Feedings(i.plant, store.List{Limit: big, Deleted: true})
		all, _, err2 := c.Feedings("", store.List{Limit: big, Deleted: true})
		return append(one, all...), errors.Join(err1, err2)
	}},
	"UpdateFeeding": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UpdateFeeding(i.plant, i.event, at(1), func(m *pb.Feeding) error { m.Note = "changed"; return nil })
	}},
	"DeleteFeeding": {missing, func(c *store.Collection, i ids) (any, error) { return c.DeleteFeeding(i.plant, i.event, at(1), agree) }},
	"UndeleteFeeding": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UndeleteFeeding(i.plant, i.event, at(1), agree)
	}},
	"ReassignFeeding": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.ReassignFeeding(i.plant, i.event, "q", at(1), agree)
	}},
	"CreateObservations": {dangles, func(c *store.Collection, i ids) (any, error) {
		m := repotted()
		m.Name, m.ObserveTime = store.ObservationName(c.ID(), i.plant, "new"), stampOf(noon)
		return c.CreateObservations([]*pb.Observation{m}, at(1))
	}},
	"Observation": {missing, func(c *store.Collection, i ids) (any, error) { return c.Observation(i.plant, i.event) }},
	"Observations": {empty, func(c *store.Collection, i ids) (any, error) {
		one, _, err1 := c.Observations(i.plant, store.List{Limit: big, Deleted: true})
		all, _, err2 := c.Observations("", store.List{Limit: big, Deleted: true})
		return append(one, all...), errors.Join(err1, err2)
	}},
	"UpdateObservation": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UpdateObservation(i.plant, i.event, at(1), func(m *pb.Observation) error { m.Note = "changed"; return nil })
	}},
	"DeleteObservation": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.DeleteObservation(i.plant, i.event, at(1), agree)
	}},
	"UndeleteObservation": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UndeleteObservation(i.plant, i.event, at(1), agree)
	}},
	"ReassignObservation": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.ReassignObservation(i.plant, i.event, "q", at(1), agree)
	}},
	"FeedingsByName": {empty, func(c *store.Collection, i ids) (any, error) {
		return c.FeedingsByName([]string{store.FeedingName(c.ID(), i.plant, i.event)})
	}},
	"ObservationsByName": {empty, func(c *store.Collection, i ids) (any, error) {
		return c.ObservationsByName([]string{store.ObservationName(c.ID(), i.plant, i.event)})
	}},
	"ChangeFeedings": {missing, func(c *store.Collection, i ids) (any, error) {
		names := []string{store.FeedingName(c.ID(), i.plant, i.event)}
		return c.ChangeFeedings(names, at(1), pb.Revision_DELETED, agree)
	}},
	"ChangeObservations": {missing, func(c *store.Collection, i ids) (any, error) {
		names := []string{store.ObservationName(c.ID(), i.plant, i.event)}
		return c.ChangeObservations(names, at(1), pb.Revision_UPDATED, func(m *pb.Observation) error { m.Note = "changed"; return nil })
	}},
	"CreatePhoto": {dangles, func(c *store.Collection, i ids) (any, error) {
		return c.CreatePhoto(shot(c.ID(), i.plant, "new", digestOf("new")), at(1))
	}},
	"Photo":        {missing, func(c *store.Collection, i ids) (any, error) { return c.Photo(i.plant, i.event) }},
	"SamePhoto":    {missing, func(c *store.Collection, i ids) (any, error) { return c.SamePhoto(i.plant, digestOf(i.event)) }},
	"CountPhotos":  {empty, func(c *store.Collection, i ids) (any, error) { return c.CountPhotos(i.plant) }},
	"Photographed": {empty, func(c *store.Collection, i ids) (any, error) { return c.Photographed([]string{i.plant}) }},
	"PurgePhoto": {empty, func(c *store.Collection, i ids) (any, error) {
		gone, err := c.PurgePhoto(i.plant, i.event, noon)
		if gone == 0 {
			return nil, err
		}
		return gone, err
	}},
	"Photos": {empty, func(c *store.Collection, i ids) (any, error) {
		one, _, err1 := c.Photos(i.plant, store.List{Limit: big, Deleted: true})
		all, _, err2 := c.Photos("", store.List{Limit: big, Deleted: true})
		return append(one, all...), errors.Join(err1, err2)
	}},
	"ScaledPhotos": {empty, func(c *store.Collection, i ids) (any, error) { return c.ScaledPhotos(i.plant, big) }},
	"UpdatePhoto": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.UpdatePhoto(i.plant, i.event, at(1), func(p *store.Photo) error { p.Note = "changed"; return nil })
	}},
	"DeletePhoto": {missing, func(c *store.Collection, i ids) (any, error) {
		return c.DeletePhoto(i.plant, i.event, at(1), noon, agree)
	}},
	"UndeletePhoto": {missing, func(c *store.Collection, i ids) (any, error) { return c.UndeletePhoto(i.plant, i.event, at(1), agree) }},
	"PhotoFiles":    {empty, func(c *store.Collection, i ids) (any, error) { return c.PhotoFiles([]string{digestOf(i.event)}) }},
	"Rendered":      {empty, func(c *store.Collection, i ids) (any, error) { return nil, c.Rendered(digestOf(i.event), noon) }},
	"Unrendered":    {empty, func(c *store.Collection, i ids) (any, error) { return nil, c.Unrendered(digestOf(i.event)) }},
	"FileOf":        {missing, func(c *store.Collection, i ids) (any, error) { return c.FileOf(digestOf(i.event)) }},
	"RevisionsOf":   {empty, func(c *store.Collection, i ids) (any, error) { return c.RevisionsOf("g2", "r", 0) }},
	"Reassigned": {missing, func(c *store.Collection, i ids) (any, error) {
		if i == shared {
			if _, err := c.ReassignFeeding(i.plant, i.event, "q", at(1), agree); err != nil {
				return nil, err
			}
		}
		return c.Reassigned(store.FeedingKind, i.plant, i.event)
	}},
	"Revisions": {empty, func(c *store.Collection, i ids) (any, error) {
		var all []*pb.Revision
		var errs []error
		for kind, of := range map[store.Kind][2]string{
			store.BenchKind: {"", i.bench}, store.PlantKind: {"", i.plant}, store.FeedingKind: {i.plant, i.event}, store.ObservationKind: {i.plant, i.event},
			store.PhotoKind: {i.plant, i.event},
		} {
			some, _, err := c.Revisions(kind, of[0], of[1], store.List{Limit: big})
			all, errs = append(all, some...), append(errs, err)
		}
		return all, errors.Join(errs...)
	}},
	"KeepDue": {dangles, func(c *store.Collection, i ids) (any, error) {
		return nil, c.KeepDue("v1", map[string]*store.Due{i.plant: {}})
	}},
	"Changed": {empty, func(c *store.Collection, _ ids) (any, error) { return c.Changed(), nil }},
	"True": {empty, func(c *store.Collection, _ ids) (any, error) {
		return c.True(&store.Due{Settings: 1, Until: 9}, "v1", 3), nil
	}},
	"TakeOver": {empty, func(c *store.Collection, _ ids) (any, error) { return nil, c.TakeOver("v2") }},
	"Keeps":    {empty, func(c *store.Collection, _ ids) (any, error) { return c.Keeps("v1"), nil }},
	"Aged": {empty, func(c *store.Collection, _ ids) (any, error) {
		some, ok, err := c.Aged("v1", 30, big)
		return []any{some, ok}, err
	}},
	"AllTrue": {empty, func(c *store.Collection, _ ids) (any, error) { return c.AllTrue("v1", 3), nil }},
	"Untrue":  {empty, func(c *store.Collection, _ ids) (any, error) { return c.Untrue(30, "", big) }},
	"CountUntrue": {empty, func(c *store.Collection, _ ids) (any, error) {
		return c.CountUntrue("v1", 30)
	}},
	"NowTrue": {empty, func(c *store.Collection, _ ids) (any, error) { return nil, c.NowTrue() }},
	"DuePlants": {empty, func(c *store.Collection, _ ids) (any, error) {
		plants, all, err := c.DuePlants("v1", 3, noon, true)
		return []any{plants, all}, err
	}},
	"TimeZone": {empty, func(c *store.Collection, _ ids) (any, error) { return c.TimeZone(), nil }},
	"DuePage": {empty, func(c *store.Collection, i ids) (any, error) {
		var out []any
		for _, q := range dueQueries(i) {
			all, err := c.DuePage(q)
			if err != nil {
				return nil, err
			}
			for _, e := range all {
				out = append(out, e.Key.Plant, e.Tag, string(e.Decision))
			}
		}
		return out, nil
	}},
	"DueTotals": {empty, func(c *store.Collection, i ids) (any, error) {
		var out []any
		for _, q := range dueQueries(i) {
			all, err := c.DueTotals(q)
			if err != nil {
				return nil, err
			}
			out = append(out, all)
		}
		return out, nil
	}},
	"KeptDue": {empty, func(c *store.Collection, i ids) (any, error) { return c.KeptDue([]string{i.plant}) }},
	"Histories": {empty, func(c *store.Collection, i ids) (any, error) {
		some, err1 := c.Histories([]string{i.plant})
		all, err2 := c.Histories(nil)
		return []any{some, all}, errors.Join(err1, err2)
	}},
	"CreateSheet": {empty, func(c *store.Collection, _ ids) (any, error) { return c.CreateSheet(&pb.Sheet{}, at(1), noon) }},
	"Sheet":       {missing, func(c *store.Collection, i ids) (any, error) { return c.Sheet(i.sheet) }},
	"Sheets":      {empty, func(c *store.Collection, _ ids) (any, error) { return both(c.Sheets(store.List{Limit: big})) }},
	"Purge": {empty, func(c *store.Collection, i ids) (any, error) {
		if i == theirs {
			return 0, nil // it takes no ids
		}
		if _, err := c.DeletePlant(i.plant, at(1), noon, agree); err != nil {
			return nil, err
		}
		if _, _, err := c.Purge(noon, 9); err != nil {
			return nil, err
		}
		if _, err := c.Delete(at(1), noon, agree); err != nil {
			return nil, err
		}
		gone, _, err := c.Purge(noon, 9)
		return gone, err
	}},
}

// growerMethods call each method of a grower; both growers have the token shared.
var growerMethods = map[string]struct {
	unknown unknown
	call    func(g *store.Grower, token string) (any, error)
}{
	"Get":                {empty, func(g *store.Grower, _ string) (any, error) { return g.Get() }},
	"SharedCollections":  {empty, func(g *store.Grower, _ string) (any, error) { return g.SharedCollections() }},
	"OrganisedSocieties": {empty, func(g *store.Grower, _ string) (any, error) { return g.OrganisedSocieties() }},
	"Erasure":            {empty, func(g *store.Grower, _ string) (any, error) { return g.Erasure() }},
	"OwnCollections":     {empty, func(g *store.Grower, _ string) (any, error) { return g.OwnCollections(big) }},
	"ActedInCollections": {empty, func(g *store.Grower, _ string) (any, error) { return g.ActedInCollections("", big) }},
	"ActedInSocieties":   {empty, func(g *store.Grower, _ string) (any, error) { return g.ActedInSocieties("", big) }},
	"BeginErasure":       {empty, func(g *store.Grower, _ string) (any, error) { return nil, g.BeginErasure(erasing()) }},
	"Leave":              {empty, func(g *store.Grower, _ string) (any, error) { return nil, g.Leave(erasing(), noon) }},
	"EndErasure": {empty, func(g *store.Grower, _ string) (any, error) {
		return nil, errors.Join(g.Leave(erasing(), noon), g.EndErasure(true))
	}},
	"Create": {empty, func(*store.Grower, string) (any, error) { return nil, nil }}, // it is there already
	"Update": {empty, func(g *store.Grower, _ string) (any, error) {
		return g.Update(noon, func(m *pb.Grower) error { m.DisplayName = "changed"; return nil })
	}},
	"Suspend": {empty, func(g *store.Grower, _ string) (any, error) { return nil, g.Suspend(proto.Int64(noon), noon) }},
	"CreateToken": {empty, func(g *store.Grower, token string) (any, error) {
		return g.CreateToken(&pb.Token{Name: store.TokenName("g1", token+"-2")}, []byte("new"), noon)
	}},
	"Lock":   {empty, func(g *store.Grower, _ string) (any, error) { return nil, g.Lock() }},
	"Bearer": {missing, func(g *store.Grower, token string) (any, error) { return g.Bearer(token, []byte("c1"+token)) }},
	"Token":  {missing, func(g *store.Grower, token string) (any, error) { return g.Token(token) }},
	"Tokens": {empty, func(g *store.Grower, _ string) (any, error) {
		return both(g.Tokens(store.List{Limit: big, Deleted: true}))
	}},
	"LiveTokens":  {empty, func(g *store.Grower, _ string) (any, error) { return g.LiveTokens(noon) }},
	"RevokeToken": {missing, func(g *store.Grower, token string) (any, error) { return g.RevokeToken(token, noon, agree) }},
	"ArchivedIDs": {empty, func(g *store.Grower, _ string) (any, error) { return g.ArchivedIDs(noon) }},
	"RotateToken": {missing, func(g *store.Grower, token string) (any, error) {
		return g.RotateToken(token, []byte("rotated"), noon, noon, agree)
	}},
	"CreateIdentity": {empty, func(g *store.Grower, token string) (any, error) {
		return g.CreateIdentity(&pb.Identity{Name: store.IdentityName("g1", token+"-2"), Issuer: "https://id.example", Subject: "new"}, noon)
	}},
	"Identified": {missing, func(g *store.Grower, token string) (any, error) { return g.Identified(token) }},
	"Identity":   {missing, func(g *store.Grower, token string) (any, error) { return g.Identity(token) }},
	"Identities": {empty, func(g *store.Grower, _ string) (any, error) {
		return both(g.Identities(store.List{Limit: big}))
	}},
	"CountIdentities": {empty, func(g *store.Grower, _ string) (any, error) { return g.CountIdentities() }},
	"DeleteIdentity":  {missing, func(g *store.Grower, token string) (any, error) { return g.DeleteIdentity(token) }},
	"UseIdentity":     {missing, func(g *store.Grower, token string) (any, error) { return nil, g.UseIdentity(token, noon) }},
	"RevokeAll":       {empty, func(g *store.Grower, _ string) (any, error) { return g.RevokeAll(noon) }},
	"UseToken":        {missing, func(g *store.Grower, token string) (any, error) { return nil, g.UseToken(token, noon) }},
	"CreateCalendar": {empty, func(g *store.Grower, token string) (any, error) {
		return g.CreateCalendar(&pb.Calendar{Name: store.CalendarName("growers/g1", token+"-2")}, []byte("new"), noon)
	}},
	"Calendar": {missing, func(g *store.Grower, token string) (any, error) {
		return g.Calendar(store.CalendarName("growers/g1", token))
	}},
	"Calendars": {empty, func(g *store.Grower, _ string) (any, error) {
		own, _, err1 := g.Calendars("", store.List{Limit: big, Deleted: true})
		of, _, err2 := g.Calendars("c2", store.List{Limit: big, Deleted: true})
		return append(own, of...), errors.Join(err1, err2)
	}},
	"LiveCalendars": {empty, func(g *store.Grower, _ string) (any, error) { return g.LiveCalendars() }},
	"RevokeCalendar": {missing, func(g *store.Grower, token string) (any, error) {
		return g.RevokeCalendar(store.CalendarName("growers/g1", token), noon, agree)
	}},
	"UseCalendar":    {missing, func(g *store.Grower, token string) (any, error) { return nil, g.UseCalendar(token, noon) }},
	"Societies":      {empty, func(g *store.Grower, _ string) (any, error) { return both(g.Societies(store.List{Limit: big})) }},
	"CountSocieties": {empty, func(g *store.Grower, _ string) (any, error) { return g.CountSocieties() }},
	"Shares": {empty, func(g *store.Grower, token string) (any, error) {
		shares, err := g.Shares(map[string]string{"shared": shared.grower, "xt": theirs.grower}[token])
		if shares != (token == "shared") {
			err = errors.Join(err, fmt.Errorf("shares a society: %v", shares))
		}
		return shares, err
	}},
	"Claim": {empty, func(g *store.Grower, token string) (any, error) {
		names, before, err := g.Claim(asked("m", token, "body", 0))
		if before != (token == "shared") {
			err = errors.Join(err, fmt.Errorf("claimed before: %v", before))
		}
		return names, err
	}},
	"Requests": {empty, func(g *store.Grower, token string) (any, error) { return g.Requests(token, 0) }},
	"Fulfil": {missing, func(g *store.Grower, token string) (any, error) {
		return nil, g.Fulfil(asked("m", token, "body", 0), []string{"changed"})
	}},
}

// societyMethods call each method of a society.
var societyMethods = map[string]struct {
	unknown unknown
	call    func(s *store.Society, i ids) (any, error)
}{
	"ID":     {empty, func(s *store.Society, _ ids) (any, error) { return s.ID(), nil }},
	"Role":   {empty, func(s *store.Society, _ ids) (any, error) { return s.Role(), nil }},
	"Get":    {empty, func(s *store.Society, _ ids) (any, error) { return s.Get(), nil }},
	"Audits": {empty, func(s *store.Society, _ ids) (any, error) { return both(s.Audits(store.List{Limit: big})) }},
	"Erase": {empty, func(s *store.Society, _ ids) (any, error) {
		return nil, s.Erase(&store.Erasure{Grower: "g1", Code: "erased-1"})
	}},
	"Update": {empty, func(s *store.Society, _ ids) (any, error) {
		return s.Update(at(1), func(m *pb.Society) error { m.DisplayName = "changed"; return nil })
	}},
	"Delete": {empty, func(s *store.Society, _ ids) (any, error) { return nil, s.Delete(at(1)) }},
	"Owns": {empty, func(s *store.Society, _ ids) (any, error) {
		owns, err := s.Owns()
		if owns {
			err = errors.Join(err, errors.New("it owns what is another's"))
		}
		return owns, err
	}},
	"AddMember":  {empty, func(s *store.Society, _ ids) (any, error) { return s.AddMember("new", pb.Member_MEMBER, at(1)) }},
	"Member":     {missing, func(s *store.Society, i ids) (any, error) { return s.Member(i.grower) }},
	"Members":    {empty, func(s *store.Society, _ ids) (any, error) { return both(s.Members(store.List{Limit: big})) }},
	"Organisers": {empty, func(s *store.Society, _ ids) (any, error) { return s.Organisers() }},
	"UpdateMember": {missing, func(s *store.Society, i ids) (any, error) {
		return s.UpdateMember(i.grower, at(1), func(m *pb.Member) error { m.Role = pb.Member_ORGANISER; return nil })
	}},
	"RemoveMember": {missing, func(s *store.Society, i ids) (any, error) { return s.RemoveMember(i.grower, at(1), agree) }},
	"Invitations":  {missing, func(s *store.Society, i ids) (any, error) { return s.Invitations().Get(i.invitation) }},
}

// invitationMethods call each method of the invitations to a society or a collection.
var invitationMethods = map[string]struct {
	unknown unknown
	call    func(in *store.Invitations, i ids) (any, error)
}{
	"Create": {empty, func(in *store.Invitations, _ ids) (any, error) {
		return in.Create(&pb.Invitation{Name: "societies/s1/invitations/new", ExpireTime: stampOf(noon + day)}, []byte("new"), at(1))
	}},
	"Get": {missing, func(in *store.Invitations, i ids) (any, error) { return in.Get(i.invitation) }},
	"List": {empty, func(in *store.Invitations, _ ids) (any, error) {
		return both(in.List(store.List{Limit: big, Deleted: true}, noon))
	}},
	"Forget": {empty, func(in *store.Invitations, _ ids) (any, error) { return in.Forget(noon + 9*day) }},
	"Open":   {empty, func(in *store.Invitations, _ ids) (any, error) { return in.Open(noon) }},
	"Revoke": {missing, func(in *store.Invitations, i ids) (any, error) { return in.Revoke(i.invitation, at(0), agree) }},
	"Accept": {missing, func(in *store.Invitations, i ids) (any, error) { return in.Accept(i.invitation, at(0)) }},
}

// erasing is the erasure of g1.
func erasing() *store.Erasure { return &store.Erasure{Grower: "g1", Code: "erased-1", Us: noon} }

// both leaves out the key of the next page.
func both[V any](all []V, _ []any, err error) ([]V, error) { return all, err }

// twins fills two tenants with the same ids, and the second with more.
func (b bed) twins() {
	b.Helper()
	b.write(func(tx *store.Tx) error {
		for _, id := range []string{shared.grower, theirs.grower, "new"} {
			if _, err := tx.Grower(id).Create("Another grower", noon); err != nil {
				return err
			}
		}
		for n, id := range []string{"c1", "c2"} {
			grower, whose := []string{"g1", "g2"}[n], []string{"mine", "theirs"}[n]
			by := store.By{Us: noon, Grower: grower, Token: "shared", Request: "r"}
			tokens, all := []string{"shared"}, []ids{shared}
			if n == 1 {
				tokens, all = append(tokens, "xt"), append(all, theirs)
			}
			for _, token := range tokens {
				m := &pb.Token{Name: store.TokenName(grower, token), DisplayName: whose}
				g := tx.Grower(grower)
				if _, err := g.CreateToken(m, []byte(id+token), noon); err != nil {
					return err
				}
				for _, name := range []string{store.CalendarName(store.GrowerName(grower), token), store.CalendarName(store.CollectionName(id), token+"-of")} {
					if _, err := g.CreateCalendar(&pb.Calendar{Name: name, DisplayName: whose}, []byte(name), noon); err != nil {
						return err
					}
				}
				if _, err := g.CreateIdentity(&pb.Identity{Name: store.IdentityName(grower, token), Issuer: "https://id.example", Subject: whose + token}, noon); err != nil {
					return err
				}
				r := asked("m", token, "body", 0)
				if _, _, err := g.Claim(r); err != nil {
					return err
				}
				if err := g.Fulfil(r, []string{whose}); err != nil {
					return err
				}
			}
			society, err := tx.CreateSociety([]string{"s1", "s2"}[n], &pb.Society{DisplayName: whose}, by)
			if err != nil {
				return err
			}
			for _, i := range all {
				if _, err := society.AddMember(i.grower, pb.Member_MEMBER, by); err != nil {
					return err
				}
				if err := invite(society.Invitations(), society.Get().GetName(), i.invitation, whose, by); err != nil {
					return err
				}
			}
			err = within(id, func(c *store.Collection) error {
				for _, i := range all {
					m := &pb.Grant{Name: store.GrantName(id, i.grant), Grantee: &pb.Grant_Grower{Grower: store.GrowerName(i.grower)}, Role: pb.Grant_VIEWER}
					if _, err := c.CreateGrant(m, by); err != nil {
						return err
					}
					if err := invite(c.Invitations(), store.CollectionName(id), i.invitation, whose, by); err != nil {
						return err
					}
				}
				if _, err := c.CreatePlants([]store.NewPlant{pot(id, "q", "q")}, by); err != nil {
					return err
				}
				for _, i := range all {
					if _, err := c.CreateBench(&pb.Bench{Name: store.BenchName(id, i.bench), DisplayName: whose}, by); err != nil {
						return err
					}
					m := &pb.Plant{Name: store.PlantName(id, i.plant), Tag: i.plant + "-former", Bench: store.BenchName(id, i.bench), Source: whose}
					if _, err := c.CreatePlants([]store.NewPlant{{Message: m, Kin: store.Kin{Genus: whose}, Ref: i.plant + "-ref"}}, by); err != nil {
						return err
					}
					if _, err := c.UpdatePlant(i.plant, by, func(p *store.Plant) error {
						p.Tag = i.plant + "-tag"
						p.Genus = whose
						return nil
					}); err != nil {
						return err
					}
					f := &pb.Feeding{Name: store.FeedingName(id, i.plant, i.event), FedTime: stampOf(noon), Note: whose}
					if _, err := c.CreateReferredFeedings([]*pb.Feeding{f}, []string{i.event + "-ref"}, by); err != nil {
						return err
					}
					o := &pb.Observation{
						Name: store.ObservationName(id, i.plant, i.event), ObserveTime: stampOf(noon), Note: whose,
						Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: store.BenchName(id, i.bench)}},
					}
					if _, err := c.CreateReferredObservations([]*pb.Observation{o}, []string{i.event + "-ref"}, by); err != nil {
						return err
					}
					p := shot(id, i.plant, i.event, digestOf(i.event))
					p.Note, p.Scale = whose, scaled()
					if _, err := c.CreatePhoto(p, by); err != nil {
						return err
					}
					sheet := &pb.Sheet{AsOfDate: "2026-05-11", Rows: []*pb.Sheet_Row{{Row: 1, Tag: whose}}}
					if _, err := c.CreateSheet(sheet, by, noon); err != nil {
						return err
					}
					d := &store.Due{Until: 9, Class: store.DueOpen, TagKey: whose, Decision: []byte(whose), Record: []byte(whose)}
					if err := c.KeepDue("v1", map[string]*store.Due{i.plant: d}); err != nil {
						return err
					}
				}
				return nil
			})(tx)
			if err != nil {
				return err
			}
		}
		c, err := tx.CreateCollection("c3", "g2", &pb.Collection{}, store.By{Us: noon, Grower: "g2"})
		if err == nil {
			_, err = c.Transfer("", "s2", store.By{Us: noon, Grower: "g2"}, agree)
		}
		return err
	})
}

// invite adds an invitation for a week, whose hash is its name.
func invite(in *store.Invitations, parent, id, whose string, by store.By) error {
	name := store.InvitationName(parent, id)
	m := &pb.Invitation{Name: name, DisplayName: whose, Role: pb.Invitation_MEMBER, ExpireTime: stampOf(by.Us + 7*day)}
	_, err := in.Create(m, []byte(name), by)
	return err
}

var dueStatuses = []pb.DueFeeding_Status{
	pb.DueFeeding_OVERDUE, pb.DueFeeding_DUE, pb.DueFeeding_UPCOMING, pb.DueFeeding_HELD, pb.DueFeeding_NOT_DUE, pb.DueFeeding_NOT_HAND_FED,
}

// dueQueries are lists of what is due, of every form.
func dueQueries(i ids) (all []store.DueQuery) {
	for _, where := range [][]store.Condition{nil, {{Field: "bench", Op: "=", Value: i.bench}}, {{Field: "tag", Op: "!=", Value: "x"}, {Field: "taxon", Op: "=", Value: ""}}} {
		for _, after := range []*store.DueKey{nil, {Status: pb.DueFeeding_DUE, Plant: "a"}} {
			all = append(all, store.DueQuery{Statuses: dueStatuses, Day: 3, Horizon: 7, Where: where, After: after, Limit: big})
		}
	}
	return append(all, store.DueQuery{Statuses: dueStatuses[5:], Limit: big}, store.DueQuery{})
}

var tenantTables = map[string][]string{
	"collection_id": {"benches", "plants", "plant_tags", "plant_due", "feedings", "observations", "photos", "revisions", "calendars", "sheets", "collection_audits", "collections", "grants", "collection_invitations"},
	"grower_id":     {"growers", "tokens", "calendars", "requests", "members", "grants"},
	"society_id":    {"societies", "society_audits", "members", "society_invitations", "grants"},
}

// rows are all rows of a tenant, as text.
func rows(tx *store.Tx, column, id string) (string, error) {
	var out strings.Builder
	for _, table := range tenantTables[column] {
		var all []map[string]any
		if err := tx.Q().Table(table).Where(column+" = ?", id).Find(&all).Error; err != nil {
			return "", err
		}
		var lines []string
		for _, row := range all {
			lines = append(lines, fmt.Sprint(row)) // in the order of its columns
		}
		slices.Sort(lines)
		fmt.Fprintln(&out, table, strings.Join(lines, "\n"))
	}
	return out.String(), nil
}

// words are all that a result says.
func words(v any) string {
	switch m := v.(type) {
	case *store.Plant: // before messages, as it holds one
		return words(m.Plant) + fmt.Sprint(m.ID, m.Genus, m.FirstBench)
	case *store.Photo:
		return words(m.Photo)
	case proto.Message:
		return prototext.Format(m)
	case *store.Due:
		if m == nil {
			return ""
		}
		return string(m.Decision) + string(m.Record) + m.TagKey
	case *store.History:
		return words(m.Feedings) + words(m.Observations)
	}
	r := reflect.ValueOf(v)
	var all []string
	switch r.Kind() {
	case reflect.Slice:
		for i := range r.Len() {
			all = append(all, words(r.Index(i).Interface()))
		}
	case reflect.Map:
		for _, key := range r.MapKeys() {
			all = append(all, fmt.Sprint(key), words(r.MapIndex(key).Interface()))
		}
	default:
		all = append(all, fmt.Sprint(v))
	}
	return strings.Join(all, "\n")
}

// methodsOf are the names of all methods.
func methodsOf(v any) (names []string) {
	for i := range reflect.TypeOf(v).NumMethod() {
		names = append(names, reflect.TypeOf(v).Method(i).Name)
	}
	return names
}

// No method of a tenant sees or changes anything of another one that has the same
// ids, nor of one that has others.
func TestTenantsNeverMix(t *testing.T) {
	for _, name := range methodsOf(&store.Collection{}) {
		if _, ok := collectionMethods[name]; !ok {
			t.Errorf("add a case of Collection.%s", name)
		}
	}
	for _, name := range methodsOf(&store.Grower{}) {
		if _, ok := growerMethods[name]; !ok {
			t.Errorf("add a case of Grower.%s", name)
		}
	}
	for _, name := range methodsOf(&store.Society{}) {
		if _, ok := societyMethods[name]; !ok {
			t.Errorf("add a case of Society.%s", name)
		}
	}
	for _, name := range methodsOf(&store.Invitations{}) {
		if _, ok := invitationMethods[name]; !ok {
			t.Errorf("add a case of Invitations.%s", name)
		}
	}
	each(t, func(b bed) {
		b.twins()
		check := func(name, column, id string, unknown unknown, call func(tx *store.Tx, foreign bool) (any, error)) {
			b.Run(name, func(t *testing.T) {
				b := bed{t, b.s}
				// Each call is undone, so that the next one finds the same.
				b.refused(errMine, func(tx *store.Tx) error {
					before, err := rows(tx, column, id)
					if err != nil {
						return err
					}
					if !strings.Contains(before, "theirs") {
						b.Errorf("the other has nothing: %s", before)
					}
					v, err := call(tx, false)
					if err != nil {
						return err
					}
					if said := words(v); strings.Contains(said, "theirs") || strings.Contains(said, "c2") || strings.Contains(said, "g2") || strings.Contains(said, "s2") {
						b.Errorf("it tells what is another's:\n%s", said)
					}
					after, err := rows(tx, column, id)
					if err != nil {
						return err
					}
					tells(b, "rows of the other", after, before)
					return errMine
				})
				b.refused([]error{errMine, store.ErrNotFound, store.ErrReference}[unknown], func(tx *store.Tx) error {
					v, err := call(tx, true)
					if err != nil {
						return err
					}
					if said := words(v); strings.Contains(said, "theirs") || strings.Contains(said, theirs.plant) || strings.Contains(said, theirs.grower) {
						b.Errorf("it finds what is another's:\n%s", said)
					}
					return errMine
				})
			})
		}
		for name, m := range collectionMethods {
			check(name, "collection_id", "c2", m.unknown, func(tx *store.Tx, foreign bool) (any, error) {
				c, err := tx.Collection("c1", "", anyone)
				if err != nil {
					return nil, err
				}
				return m.call(c, idsOf(foreign))
			})
		}
		for name, m := range growerMethods {
			check("Grower."+name, "grower_id", "g2", m.unknown, func(tx *store.Tx, foreign bool) (any, error) {
				if foreign {
					return m.call(tx.Grower("g1"), "xt")
				}
				return m.call(tx.Grower("g1"), "shared")
			})
		}
		for name, m := range societyMethods {
			check("Society."+name, "society_id", "s2", m.unknown, func(tx *store.Tx, foreign bool) (any, error) {
				s, err := tx.Society("s1", "g1")
				if err != nil {
					return nil, err
				}
				return m.call(s, idsOf(foreign))
			})
		}
		for name, m := range invitationMethods {
			check("Society.Invitations."+name, "society_id", "s2", m.unknown, func(tx *store.Tx, foreign bool) (any, error) {
				s, err := tx.Society("s1", "g1")
				if err != nil {
					return nil, err
				}
				return m.call(s.Invitations(), idsOf(foreign))
			})
			check("Collection.Invitations."+name, "collection_id", "c2", m.unknown, func(tx *store.Tx, foreign bool) (any, error) {
				c, err := tx.Collection("c1", "", anyone)
				if err != nil {
					return nil, err
				}
				return m.call(c.Invitations(), idsOf(foreign))
			})
		}
	})
}

func idsOf(foreign bool) ids {
	if foreign {
		return theirs
	}
	return shared
}

// No method goes through a whole table or index, whatever it does.
func TestMethodsAreIndexed(t *testing.T) {
	each(t, func(b bed) {
		b.twins()
		explainAll(b.T, b.s, func() {
			for name, m := range collectionMethods {
				err := b.s.Write(b.Context(), within("c1", func(c *store.Collection) error {
					if _, err := m.call(c, shared); err != nil {
						return err
					}
					return errMine
				}))
				if !errors.Is(err, errMine) {
					b.Errorf("%s: %v", name, err)
				}
			}
			for name, m := range growerMethods {
				err := b.s.Write(b.Context(), func(tx *store.Tx) error {
					if _, err := m.call(tx.Grower("g1"), "shared"); err != nil {
						return err
					}
					return errMine
				})
				if !errors.Is(err, errMine) {
					b.Errorf("%s: %v", name, err)
				}
			}
			for name, m := range societyMethods {
				err := b.s.Write(b.Context(), func(tx *store.Tx) error {
					s, err := tx.Society("s1", "g1")
					if err != nil {
						return err
					}
					if _, err := m.call(s, shared); err != nil {
						return err
					}
					return errMine
				})
				if !errors.Is(err, errMine) {
					b.Errorf("Society.%s: %v", name, err)
				}
			}
			for name, m := range invitationMethods {
				for what, of := range map[string]func(tx *store.Tx) (*store.Invitations, error){
					"Society": func(tx *store.Tx) (*store.Invitations, error) {
						s, err := tx.Society("s1", "g1")
						return s.Invitations(), err
					},
					"Collection": func(tx *store.Tx) (*store.Invitations, error) {
						c, err := tx.Collection("c1", "", anyone)
						return c.Invitations(), err
					},
				} {
					err := b.s.Write(b.Context(), func(tx *store.Tx) error {
						in, err := of(tx)
						if err != nil {
							return err
						}
						if _, err := m.call(in, shared); err != nil {
							return err
						}
						return errMine
					})
					if !errors.Is(err, errMine) {
						b.Errorf("%s.Invitations.%s: %v", what, name, err)
					}
				}
			}
		})
	})
}
