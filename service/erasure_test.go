package service

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// leaver is the grower who is erased in the tests, with a collection of 25 plants that is
// only theirs and records in one of another grower's.
const leaver = "0199a3c4-7e1d-7000-8000-00000000000a"

func makeLeaver(t *testing.T, s *store.Store) {
	t.Helper()
	makeCollections(t, s, 3, nil)
	by := store.By{Us: dawn.UnixMicro(), Grower: leaver, Token: "lt"}
	err := s.Write(t.Context(), func(tx *store.Tx) error {
		if _, err := tx.Grower(leaver).Create("Ottoline Sedgewick", dawn.UnixMicro()); err != nil {
			return err
		}
		own, err := tx.CreateCollection("own", leaver, &pb.Collection{DisplayName: "Own", TimeZone: "UTC"}, by)
		if err != nil {
			return err
		}
		var all []store.NewPlant
		for n := range 25 {
			name := store.PlantName("own", fmt.Sprint("p", n))
			all = append(all, store.NewPlant{Message: &pb.Plant{Name: name, Tag: fmt.Sprint("T", n)}})
		}
		if _, err := own.CreatePlants(all, by); err != nil {
			return err
		}
		for _, id := range []string{collectionID(0), collectionID(2)} {
			if err := recordAs(tx, id, "x", by); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// recordAs makes a plant with a feeding.
func recordAs(tx *store.Tx, collection, plant string, by store.By) error {
	c, err := tx.Collection(collection, "", anybody)
	if err != nil {
		return err
	}
	name := store.PlantName(collection, plant)
	if _, err := c.CreatePlants([]store.NewPlant{{Message: &pb.Plant{Name: name, Tag: plant}}}, by); err != nil {
		return err
	}
	_, err = c.CreateFeedings([]*pb.Feeding{{Name: name + "/feedings/f", FedTime: timestamppb.New(dawn)}}, by)
	return err
}

// recorders are the recorders of the feedings that makeLeaver and the tests make.
func recorders(t *testing.T, s *store.Store, collection string, plants ...string) (out []string) {
	t.Helper()
	err := s.Read(t.Context(), func(tx *store.Tx) error {
		c, err := tx.Collection(collection, "", anybody)
		if err != nil {
			return err
		}
		for _, plant := range plants {
			f, err := c.Feeding(plant, "f")
			if err != nil {
				return err
			}
			out = append(out, f.GetRecorder())
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func begin(t *testing.T, s *store.Store, id string, at time.Time, deleteShared bool) (code string, err error) {
	t.Helper()
	err = s.Write(t.Context(), func(tx *store.Tx) (err error) {
		code, err = BeginErasure(tx, id, at, deleteShared)
		return err
	})
	return code, err
}

func erasuresLeft(t *testing.T, s *store.Store) (all []store.Erasure) {
	t.Helper()
	err := s.Read(t.Context(), func(tx *store.Tx) (err error) {
		all, err = tx.Erasures("", 9)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestFinishErasures(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		makeLeaver(t, s)
		at := dawn.AddDate(0, 1, 0)
		code, err := begin(t, s, leaver, at, false)
		if err != nil {
			t.Fatal(err)
		}
		if err := FinishErasures(t.Context(), s, at.Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		if ids := left(t, s); ids["own"] || len(ids) != 3 {
			t.Errorf("collections %v are left", ids)
		}
		who := store.GrowerName(code)
		for _, id := range []string{collectionID(0), collectionID(2)} {
			if got := recorders(t, s, id, "x"); got[0] != who {
				t.Errorf("recorder in %s: %v", id, got)
			}
		}
		// A call that was let in before it began writes once more.
		err = s.Write(t.Context(), func(tx *store.Tx) error {
			return recordAs(tx, collectionID(1), "late", store.By{Us: at.UnixMicro(), Grower: leaver, Token: "lt"})
		})
		if err != nil {
			t.Fatal(err)
		}
		if n := len(erasuresLeft(t, s)); n != 1 {
			t.Errorf("%d erasures are known before the hour is over", n)
		}
		if err := FinishErasures(t.Context(), s, at.Add(erasureWatch)); err != nil {
			t.Fatal(err)
		}
		if got := recorders(t, s, collectionID(1), "late"); got[0] != who {
			t.Errorf("recorder of what came late: %v", got)
		}
		if all := erasuresLeft(t, s); len(all) != 0 {
			t.Errorf("erasures are left: %v", all)
		}
		if _, err := begin(t, s, leaver, at, false); ReasonOf(err) != GrowerNotFound {
			t.Errorf("erased again: %v", err)
		}
	})
}

// Wherever an erasure stops, the next call brings it to its end.
func TestErasureGoesOn(t *testing.T) {
	url := storetest.URL(t, store.SQLite)
	s := storetest.Open(t, url)
	makeLeaver(t, s)
	db, err := sql.Open("sqlite", strings.TrimPrefix(url, "sqlite:"))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	at := dawn.AddDate(0, 1, 0)
	if _, err := begin(t, s, leaver, at, false); err != nil {
		t.Fatal(err)
	}
	// Each stops another step, as a killed server would.
	for _, stuck := range []string{
		"BEFORE DELETE ON plants WHEN OLD.plant_id = 'p20'", "BEFORE DELETE ON collections",
		"BEFORE UPDATE ON feedings WHEN OLD.collection_id = 'c-002'", "BEFORE UPDATE ON collection_audits WHEN OLD.collection_id = 'c-002'",
		"BEFORE DELETE ON growers",
	} {
		if _, err := db.ExecContext(t.Context(), "CREATE TRIGGER stuck "+stuck+" BEGIN SELECT RAISE(ABORT, 'stuck'); END"); err != nil {
			t.Fatal(err)
		}
		if err := FinishErasures(t.Context(), s, at); err == nil || !strings.Contains(err.Error(), "stuck") {
			t.Errorf("%s: %v", stuck, err)
		}
		if len(erasuresLeft(t, s)) != 1 {
			t.Errorf("%s: the erasure is forgotten", stuck)
		}
		if _, err := db.ExecContext(t.Context(), "DROP TRIGGER stuck"); err != nil {
			t.Fatal(err)
		}
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if err := FinishErasures(ended, s, at); !errors.Is(err, context.Canceled) {
		t.Errorf("with a context that has ended: %v", err)
	}
	if err := FinishErasures(t.Context(), s, at.Add(erasureWatch)); err != nil {
		t.Fatal(err)
	}
	if got := recorders(t, s, collectionID(2), "x"); !strings.HasPrefix(got[0], "growers/"+store.ErasedPrefix) {
		t.Errorf("recorder: %v", got)
	}
	if ids := left(t, s); ids["own"] || len(erasuresLeft(t, s)) != 0 {
		t.Errorf("collections %v are left", ids)
	}
}

// The last organiser is refused, and whose collections others manage unless they say so.
func TestErasureRefuses(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		makeLeaver(t, s)
		by := store.By{Us: dawn.UnixMicro(), Grower: leaver, Token: "lt"}
		write := func(f func(tx *store.Tx) error) {
			t.Helper()
			if err := s.Write(t.Context(), f); err != nil {
				t.Fatal(err)
			}
		}
		write(func(tx *store.Tx) error {
			_, err := tx.CreateSociety("s1", &pb.Society{DisplayName: "Bog"}, by)
			return err
		})
		if _, err := begin(t, s, leaver, dawn, true); ReasonOf(err) != LastOrganiser || !strings.Contains(err.Error(), "societies/s1 (Bog)") {
			t.Errorf("the last organiser: %v", err)
		}
		write(func(tx *store.Tx) error {
			society, err := tx.Society("s1", leaver)
			if err != nil {
				return err
			}
			_, err = society.AddMember("g", pb.Member_ORGANISER, by)
			return err
		})
		write(func(tx *store.Tx) error {
			c, err := tx.Collection("own", "", anybody)
			if err != nil {
				return err
			}
			grant := &pb.Grant{Name: store.GrantName("own", "m"), Grantee: &pb.Grant_Grower{Grower: "growers/g"}, Role: pb.Grant_MANAGER}
			_, err = c.CreateGrant(grant, by)
			return err
		})
		if _, err := begin(t, s, leaver, dawn, false); ReasonOf(err) != CollectionsShared || !strings.Contains(err.Error(), "collections/own:") {
			t.Errorf("shared: %v", err)
		}
		if len(erasuresLeft(t, s)) != 0 {
			t.Error("it began all the same")
		}
		if _, err := begin(t, s, leaver, dawn, true); err != nil {
			t.Error(err)
		}
	})
}

func TestSharedErrorNamesSome(t *testing.T) {
	err := sharedError([]string{"a", "b", "c", "d", "e", "f", "g"})
	if !strings.Contains(err.Error(), "collections/e and 2 more") || strings.Contains(err.Error(), "collections/f") {
		t.Error(err)
	}
}

// What is kept for a time goes when that is over, and not before.
func TestRetention(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		makeCollections(t, s, 1, nil)
		us := dawn.UnixMicro()
		by := store.By{Us: us, Grower: "g", Token: "t"}
		err := s.Write(t.Context(), func(tx *store.Tx) error {
			g := tx.Grower("g")
			for name, expire := range map[string]*timestamppb.Timestamp{"revoked": nil, "expired": timestamppb.New(dawn), "good": nil} {
				m := &pb.Token{Name: store.TokenName("g", name), DisplayName: name, ExpireTime: expire}
				if _, err := g.CreateToken(m, []byte(name), us); err != nil {
					return err
				}
				m2 := &pb.Calendar{Name: store.CalendarName("growers/g", name), DisplayName: name}
				if _, err := g.CreateCalendar(m2, []byte(name), us); err != nil {
					return err
				}
			}
			if _, err := g.RevokeToken("revoked", us, func(*pb.Token) error { return nil }); err != nil {
				return err
			}
			if _, err := g.RevokeCalendar("growers/g/calendars/revoked", us, func(*pb.Calendar) error { return nil }); err != nil {
				return err
			}
			if _, _, err := g.Claim(store.Request{Method: "m", ID: "r", Digest: []byte("d"), Us: us}); err != nil {
				return err
			}
			society, err := tx.CreateSociety("s1", &pb.Society{DisplayName: "Bog"}, by)
			if err != nil {
				return err
			}
			c, err := tx.Collection(collectionID(0), "", anybody)
			if err != nil {
				return err
			}
			for parent, of := range map[string]*store.Invitations{"societies/s1": society.Invitations(), store.CollectionName(collectionID(0)): c.Invitations()} {
				for _, id := range []string{"accepted", "revoked", "expired", "open"} {
					until := dawn
					if id != "expired" {
						until = dawn.AddDate(9, 0, 0)
					}
					m := &pb.Invitation{Name: store.InvitationName(parent, id), ExpireTime: timestamppb.New(until)}
					if _, err := of.Create(m, []byte(parent+id), by); err != nil {
						return err
					}
				}
				if _, err := of.Accept("accepted", by); err != nil {
					return err
				}
				if _, err := of.Revoke("revoked", by, func(*pb.Invitation) error { return nil }); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		for _, step := range []struct {
			after time.Duration
			rows  int64
		}{{0, 0}, {kept, 0}, {kept + time.Microsecond, 1}, {invitationsKept - time.Microsecond, 0}, {invitationsKept, 6}, {secretsKept - time.Microsecond, 0}, {secretsKept, 3}, {10 * secretsKept, 2}} {
			if rows, err := Sweep(t.Context(), s, dawn.Add(step.after)); rows != step.rows || err != nil {
				t.Errorf("after %v: %d rows, %v, want %d", step.after, rows, err, step.rows)
			}
		}
		err = s.Read(t.Context(), func(tx *store.Tx) error {
			q := store.List{Limit: 9, Deleted: true}
			tokens, _, err := tx.Grower("g").Tokens(q)
			if err != nil {
				return err
			}
			calendars, _, err := tx.Grower("g").Calendars("", q)
			if err != nil {
				return err
			}
			if len(tokens) != 1 || tokens[0].GetDisplayName() != "good" || len(calendars) != 2 {
				t.Errorf("%v and %v are left", tokens, calendars)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	})
}

// The README has the table as the program keeps to it.
func TestReadmeHasTheRetention(t *testing.T) {
	readme, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(readme), RetentionTable()) {
		t.Errorf("README.md lacks this table:\n%s", RetentionTable())
	}
	if what := Retention(); !slices.ContainsFunc(what, func(r Retained) bool { return strings.Contains(r.Kept, "365 days") }) {
		t.Error(what)
	}
}
