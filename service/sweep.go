package service

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewbench/store"
)

const (
	// sweepBatch is how many collections a sweep looks up at once.
	sweepBatch = 100
	// sweepPlants is how many plants of a collection go in one transaction, each with up
	// to 10,000 records.
	sweepPlants = 10
	// sweepTime is how long one transaction may take.
	sweepTime = time.Minute
	// sweepErrors is how many errors a sweep tells of.
	sweepErrors = 10
)

// Sweep removes for good what was kept as long as Retention says: a few plants of one
// collection in a transaction, so that no caller waits long. It tells how many rows went.
// Where one collection fails it goes on with the next, unless the database is out of reach
// or ctx has ended.
//
// Several servers of one database may sweep at once.
func Sweep(ctx context.Context, s *store.Store, now time.Time) (rows int64, err error) {
	var errs []error
	for _, sweep := range []func(context.Context, *store.Store, time.Time) (int64, error){sweepCollections, sweepSocieties, sweepGrowers} {
		gone, err := sweep(ctx, s, now)
		rows += gone
		if err != nil {
			errs = append(errs, err)
			if ctx.Err() != nil || errors.Is(err, store.ErrUnavailable) {
				break
			}
		}
	}
	return rows, errors.Join(errs...)
}

func sweepCollections(ctx context.Context, s *store.Store, now time.Time) (rows int64, err error) {
	var (
		errs   []error
		failed int
	)
	for after := ""; ; {
		var ids []string
		err := s.Read(ctx, func(tx *store.Tx) (err error) {
			ids, err = tx.CollectionIDs(after, sweepBatch)
			return err
		})
		if err != nil {
			return rows, errors.Join(append(errs, fmt.Errorf("list collections: %w", err))...)
		}
		for _, id := range ids {
			gone, err := sweepCollection(ctx, s, id, now)
			rows += gone
			if err == nil {
				continue
			}
			if failed++; failed <= sweepErrors {
				errs = append(errs, fmt.Errorf("%s: %w", store.CollectionName(id), err))
			}
			if ctx.Err() != nil || errors.Is(err, store.ErrUnavailable) {
				return rows, errors.Join(errs...)
			}
		}
		if len(ids) < sweepBatch {
			break
		}
		after = ids[len(ids)-1]
	}
	if failed > sweepErrors {
		errs = append(errs, fmt.Errorf("and %d more collections", failed-sweepErrors))
	}
	return rows, errors.Join(errs...)
}

func sweepCollection(ctx context.Context, s *store.Store, id string, now time.Time) (rows int64, err error) {
	for more := true; more; {
		var gone int64
		if gone, more, err = sweepSome(ctx, s, id, now); err != nil {
			return rows, err
		}
		rows += gone
	}
	return rows, nil
}

func sweepSome(ctx context.Context, s *store.Store, id string, now time.Time) (gone int64, more bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, sweepTime)
	defer cancel()
	err = s.Write(ctx, func(tx *store.Tx) error {
		c, err := tx.Collection(id, "", anybody)
		if errors.Is(err, store.ErrNotFound) { // another server swept it
			gone, more = 0, false
			return nil
		}
		if err != nil {
			return err
		}
		gone, more, err = c.Purge(now.UnixMicro(), sweepPlants)
		if err != nil || more {
			return err
		}
		ended, err := c.Invitations().Forget(now.Add(-invitationsKept).UnixMicro())
		gone += ended
		return err
	})
	return gone, more, err
}
