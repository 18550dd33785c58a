package store_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// makeCalendar makes a calendar whose hash is its name.
func (b bed) makeCalendar(grower, name string) *pb.Calendar {
	b.Helper()
	return b.makeCalendarOf(grower, &pb.Calendar{Name: name})
}

func (b bed) makeCalendarOf(grower string, m *pb.Calendar) (made *pb.Calendar) {
	b.Helper()
	b.write(func(tx *store.Tx) (err error) {
		made, err = tx.Grower(grower).CreateCalendar(m, []byte(m.GetName()), noon)
		return err
	})
	return made
}

func (b bed) readCalendar(grower, name string) (m *pb.Calendar) {
	b.Helper()
	b.read(func(tx *store.Tx) (err error) {
		m, err = tx.Grower(grower).Calendar(name)
		return err
	})
	return m
}

func (b bed) subscription(hash string) (found *store.Subscription) {
	b.Helper()
	b.read(func(tx *store.Tx) (err error) {
		found, err = tx.Subscription([]byte(hash))
		return err
	})
	return found
}

func TestCalendar(t *testing.T) {
	each(t, func(b bed) {
		for _, want := range []*pb.Calendar{
			{Name: "growers/g1/calendars/a", DisplayName: "Telephone"},
			{Name: "collections/c1/calendars/b", DisplayName: strings.Repeat("☘", 200)},
			{Name: "collections/c2/calendars/c", DisplayName: "of what is another's by now"},
		} {
			sent := proto.CloneOf(want)
			sent.Secret, sent.Path = proto.String("dwbcal_secret"), proto.String("/secret") // are never kept
			made := b.makeCalendarOf("g1", sent)
			if made.GetEtag() == "" {
				b.Error("no etag")
			}
			want.CreateTime, want.Etag = stampOf(noon), made.GetEtag()
			tells(b, "the answer", made, want)
			tells(b, "what is read", b.readCalendar("g1", want.GetName()), want)
		}
		list := func(grower, collection string, deleted bool) (names []string) {
			b.Helper()
			b.read(func(tx *store.Tx) error {
				all, _, err := tx.Grower(grower).Calendars(collection, store.List{Limit: big, Deleted: deleted})
				for _, m := range all {
					names = append(names, m.GetName())
				}
				return err
			})
			return names
		}
		b.makeCalendar("g1", "collections/c1/calendars/d")
		b.makeCalendar("g2", "growers/g2/calendars/a")
		b.write(func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeCalendar("collections/c1/calendars/b", noon, agree)
			return err
		})
		tells(b, "those of all", list("g1", "", false), []string{"growers/g1/calendars/a"})
		tells(b, "those of a collection", list("g1", "c1", false), []string{"collections/c1/calendars/d"})
		tells(b, "with what was revoked", list("g1", "c1", true), []string{"collections/c1/calendars/b", "collections/c1/calendars/d"})
		tells(b, "those of another grower", list("g2", "c1", true), []string(nil))
		for grower, want := range map[string]int64{"g1": 3, "g2": 1, "g3": 0} {
			b.read(func(tx *store.Tx) error {
				n, err := tx.Grower(grower).LiveCalendars()
				if n != want {
					b.Errorf("%d live calendars of %s, want %d", n, grower, want)
				}
				return err
			})
		}
	})
}

func TestCalendarErrors(t *testing.T) {
	each(t, func(b bed) {
		b.makeCalendar("g1", "growers/g1/calendars/a")
		b.makeCalendar("g1", "collections/c1/calendars/b")
		create := func(grower, name, hash string) func(tx *store.Tx) error {
			return func(tx *store.Tx) error {
				_, err := tx.Grower(grower).CreateCalendar(&pb.Calendar{Name: name}, []byte(hash), noon)
				return err
			}
		}
		b.refused(store.ErrExists, create("g1", "growers/g1/calendars/a", "other"))
		b.refused(store.ErrExists, create("g1", "collections/c1/calendars/a", "other"))
		b.refused(store.ErrExists, create("g2", "growers/g2/calendars/c", "growers/g1/calendars/a")) // the same secret
		b.refused(store.ErrReference, create("g3", "growers/g3/calendars/a", "third"))
		b.refused(store.ErrReference, create("g1", "collections/c3/calendars/c", "third"))
		for _, foreign := range []struct{ grower, name string }{
			{"g2", "growers/g2/calendars/a"}, {"g2", "collections/c1/calendars/b"}, {"g1", "collections/c1/calendars/a"}, {"g1", "growers/g1/calendars/b"},
			{"g1", "collections/c2/calendars/b"}, {"g1", "growers/g1/calendars/"}, {"g3", "growers/g3/calendars/a"},
		} {
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				_, err := tx.Grower(foreign.grower).Calendar(foreign.name)
				return err
			})
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				_, err := tx.Grower(foreign.grower).RevokeCalendar(foreign.name, noon, agree)
				return err
			})
		}
		for grower, id := range map[string]string{"g2": "a", "g1": "c"} {
			b.refused(store.ErrNotFound, func(tx *store.Tx) error { return tx.Grower(grower).UseCalendar(id, noon) })
		}
		b.newer("calendars", "grower_id = ? AND calendar_id = ?", "g1", "a")
		b.refused(store.ErrNewer, func(tx *store.Tx) error {
			_, err := tx.Grower("g1").RevokeCalendar("growers/g1/calendars/a", noon, agree)
			return err
		})
	})
}

func TestSubscription(t *testing.T) {
	each(t, func(b bed) {
		own, of := "growers/g2/calendars/a", "collections/c2/calendars/b"
		b.makeCalendarOf("g2", &pb.Calendar{Name: own, DisplayName: "All"})
		b.makeCalendarOf("g2", &pb.Calendar{Name: of, DisplayName: "One"})
		all := &store.Subscription{Grower: "g2", Calendar: "a", DisplayName: "All"}
		one := &store.Subscription{Grower: "g2", Calendar: "b", Collection: proto.String("c2"), DisplayName: "One"}
		check := func(what string) {
			b.Helper()
			tells(b, what+": of all", b.subscription(own), all)
			tells(b, what+": of one", b.subscription(of), one)
		}
		check("made")
		b.write(func(tx *store.Tx) error { return tx.Grower("g2").UseCalendar("b", noon+7) })
		one.LastUseUs = proto.Int64(noon + 7)
		check("used")
		tells(b, "last use", b.readCalendar("g2", of).GetLastUseTime(), stampOf(noon+7))
		b.write(func(tx *store.Tx) error { return tx.Grower("g2").Suspend(proto.Int64(noon), noon) })
		all.Suspended, one.Suspended = true, true
		check("suspended")
		b.write(func(tx *store.Tx) error { return tx.Grower("g2").Suspend(nil, noon) })
		all.Suspended, one.Suspended = false, false
		check("resumed")
		b.refused(errMine, func(tx *store.Tx) error {
			_, err := tx.Grower("g2").RevokeCalendar(own, noon, refuse)
			return err
		})
		check("a refusal")
		before := b.readCalendar("g2", own)
		var first, again *pb.Calendar
		b.write(func(tx *store.Tx) (err error) {
			first, err = tx.Grower("g2").RevokeCalendar(own, noon+4, agree)
			return err
		})
		all.Revoked = true
		check("revoked")
		if first.GetEtag() == before.GetEtag() {
			b.Error("the etag is the same")
		}
		tells(b, "when", first.GetRevokeTime(), stampOf(noon+4))
		b.write(func(tx *store.Tx) (err error) {
			again, err = tx.Grower("g2").RevokeCalendar(own, noon+5, agree)
			return err
		})
		tells(b, "revoked again", again, first)
		for _, unknown := range []string{"", own + "x", strings.ToUpper(own)} {
			b.refused(store.ErrNotFound, func(tx *store.Tx) error {
				_, err := tx.Subscription([]byte(unknown))
				return err
			})
		}
	})
}
