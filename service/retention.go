package service

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewbench/store"
)

// How long what has ended is kept, beside kept, undeleting and sheetKept.
const (
	// invitationsKept is for invitations that were accepted, taken back, or expired.
	invitationsKept = 30 * 24 * time.Hour
	// secretsKept is for tokens and calendars that were revoked, or expired: their names
	// tell what did something in the meantime. Of their secrets only hashes are kept.
	secretsKept = 365 * 24 * time.Hour
)

// Retained is what is kept, and how long.
type Retained struct{ What, Kept string }

// Retention tells how long what is kept, for the docs. What stands nowhere in it is kept
// until it is deleted.
func Retention() []Retained {
	return []Retained{
		{"deleted collections, with all that is in them; deleted plants, with their records and history", days(undeleting) + " after they were deleted"},
		{"deleted benches", days(undeleting) + " after they were deleted, longer where history refers to them"},
		{"deleted photos, with their files", days(undeleting) + " after they were deleted"},
		{"files that no photo names: of uploads that broke off", days(unnamedKept) + " after they came"},
		{"voided feedings and observations, histories", "as long as their plant"},
		{"who changed what (the audit)", "as long as the collection or society"},
		{"bench sheets", days(sheetKept) + " after they were made; the latest of a collection as long as the collection"},
		{"request ids, with the names of what was written", days(kept)},
		{"invitations that were accepted, taken back or have expired", days(invitationsKept) + " after that"},
		{"tokens and calendars that were revoked or have expired", days(secretsKept) + " after that"},
		{"last use of a token or calendar", "the latest, to " + fmt.Sprint(int(lastUseStep.Minutes())) + " minutes"},
		{"a grower who was erased", "not at all; which code stands for them " + fmt.Sprint(int(erasureWatch.Minutes())) + " minutes"},
		{"logs", "not kept by the program: it writes them to standard error"},
	}
}

// RetentionTable is Retention as the README has it.
func RetentionTable() string {
	var b strings.Builder
	b.WriteString("| what | how long it is kept |\n|---|---|\n")
	for _, r := range Retention() {
		fmt.Fprintf(&b, "| %s | %s |\n", r.What, r.Kept)
	}
	return b.String()
}

func days(d time.Duration) string {
	if n := d / (24 * time.Hour); n != 1 {
		return fmt.Sprintf("%d days", n)
	}
	return "a day"
}

// sweepGrowers removes what has ended of what is growers' alone.
func sweepGrowers(ctx context.Context, s *store.Store, now time.Time) (rows int64, err error) {
	err = inBatches(ctx, s, func(tx *store.Tx, after string, limit int) ([]string, error) {
		some, err := tx.Growers(after, limit)
		ids := make([]string, len(some))
		for i, g := range some {
			ids[i] = g.ID
		}
		return ids, err
	}, func(ids []string) error {
		var gone int64
		err := s.Write(ctx, func(tx *store.Tx) (err error) {
			gone, err = tx.ForgetOfGrowers(ids, now.Add(-kept).UnixMicro(), now.Add(-secretsKept).UnixMicro())
			return err
		})
		rows += gone
		return err
	})
	return rows, err
}

// sweepSocieties removes invitations to societies that ended long ago.
func sweepSocieties(ctx context.Context, s *store.Store, now time.Time) (rows int64, err error) {
	err = inBatches(ctx, s, (*store.Tx).SocietyIDs, func(ids []string) error {
		for _, id := range ids {
			var gone int64
			err := s.Write(ctx, func(tx *store.Tx) error {
				society, err := tx.Society(id, "")
				if err == nil {
					gone, err = society.Invitations().Forget(now.Add(-invitationsKept).UnixMicro())
				}
				return err
			})
			if err != nil && !errors.Is(err, store.ErrNotFound) { // it was ended meanwhile
				return fmt.Errorf("%s: %w", store.SocietyName(id), err)
			}
			rows += gone
		}
		return nil
	})
	return rows, err
}

// inBatches calls do with the ids that list returns, a batch at a time.
func inBatches(ctx context.Context, s *store.Store, list func(*store.Tx, string, int) ([]string, error), do func([]string) error) error {
	for after := ""; ; {
		var ids []string
		err := s.Read(ctx, func(tx *store.Tx) (err error) {
			ids, err = list(tx, after, sweepBatch)
			return err
		})
		if err != nil || len(ids) == 0 {
			return err
		}
		if err := do(ids); err != nil {
			return err
		}
		if len(ids) < sweepBatch {
			return nil
		}
		after = ids[len(ids)-1]
	}
}
