package service

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

const (
	// erasureBatch is how many erasures, collections or societies are looked up at once.
	erasureBatch = 100
	// erasureWatch is how long after its start an erasure is gone over again: a call that
	// was let in before it began may still have written under the id of the grower. No call
	// runs so long. Until then it is known which code stands for whom.
	erasureWatch = time.Hour
)

// EraseGrower erases the caller. What is many rows is left to FinishErasures.
func (s *Growers) EraseGrower(ctx context.Context, req *pb.EraseGrowerRequest) (*pb.EraseGrowerResponse, error) {
	var code string
	err := s.store.Write(ctx, func(tx *store.Tx) error {
		v := s.visit(ctx, tx, s.now())
		id, err := v.self(req.GetName())
		if err != nil {
			return err
		}
		if err := v.readmit(); err != nil {
			return err
		}
		m, err := tx.Grower(id).Get()
		if err != nil {
			return missing(err, GrowerNotFound, store.GrowerName(id))
		}
		if req.GetConfirm() != m.GetDisplayName() {
			return Invalid(InvalidFields, []Violation{{"confirm", "must be your display name to the letter, as " + store.GrowerName("me") + " tells it"}})
		}
		code, err = BeginErasure(tx, id, v.at, req.GetDeleteShared())
		return err
	})
	if err != nil {
		return nil, fromStore(err)
	}
	return &pb.EraseGrowerResponse{Code: store.GrowerName(code)}, nil
}

// BeginErasure takes the first step of erasing a grower, after which nobody calls as them,
// and returns the code that stands for them from then on. It refuses who is the last
// organiser of a society and, unless deleteShared, whose collections others manage. With
// the transaction it cannot be undone.
func BeginErasure(tx *store.Tx, id string, at time.Time, deleteShared bool) (code string, err error) {
	g := tx.Grower(id)
	if err := g.Lock(); err != nil {
		return "", missing(err, GrowerNotFound, store.GrowerName(id))
	}
	societies, err := g.OrganisedSocieties()
	if err != nil {
		return "", err
	}
	for _, society := range societies {
		s, err := tx.Society(society, id)
		if err != nil {
			return "", err
		}
		if err := checkLastOrganiser(s); ReasonOf(err) == LastOrganiser {
			return "", &Error{Reason: LastOrganiser, Message: fmt.Sprintf("%s (%s) has no other organiser: make another member one first, or end the society",
				store.SocietyName(society), s.Get().GetDisplayName())}
		} else if err != nil {
			return "", err
		}
	}
	if !deleteShared {
		shared, err := g.SharedCollections()
		if err != nil {
			return "", err
		}
		if len(shared) > 0 {
			return "", sharedError(shared)
		}
	}
	random := make([]byte, 16)
	_, _ = rand.Read(random) // it never fails (its documentation)
	code = store.ErasedPrefix + hex.EncodeToString(random)
	return code, g.BeginErasure(&store.Erasure{Grower: id, Code: code, Us: at.UnixMicro()})
}

// sharedError tells which collections others manage, some of them.
func sharedError(ids []string) error {
	const told = 5
	names := make([]string, 0, told)
	for _, id := range ids[:min(len(ids), told)] {
		names = append(names, store.CollectionName(id))
	}
	more := ""
	if n := len(ids) - len(names); n > 0 {
		more = fmt.Sprintf(" and %d more", n)
	}
	return &Error{Reason: CollectionsShared, Message: "others are managers of " + strings.Join(names, ", ") + more +
		": transfer what they are to keep, or say deleteShared to delete all with everything in it"}
}

// FinishErasures brings all erasures that have begun as far as they go. Each of its steps
// is a transaction that may be the last: the next call goes on from there. Where one
// erasure fails it goes on with the next, unless the database is out of reach or ctx has
// ended. Several servers of one database may do it at once.
func FinishErasures(ctx context.Context, s *store.Store, now time.Time) error {
	var errs []error
	for after := ""; ; {
		var some []store.Erasure
		err := s.Read(ctx, func(tx *store.Tx) (err error) {
			some, err = tx.Erasures(after, erasureBatch)
			return err
		})
		if err != nil {
			return errors.Join(append(errs, fmt.Errorf("list erasures: %w", err))...)
		}
		for i := range some {
			if err := finishErasure(ctx, s, &some[i], now); err != nil {
				errs = append(errs, fmt.Errorf("erase %s: %w", store.GrowerName(some[i].Code), err))
				if ctx.Err() != nil || errors.Is(err, store.ErrUnavailable) {
					return errors.Join(errs...)
				}
			}
		}
		if len(some) < erasureBatch {
			return errors.Join(errs...)
		}
		after = some[len(some)-1].Grower
	}
}

func finishErasure(ctx context.Context, s *store.Store, e *store.Erasure, now time.Time) error {
	// What came since the first step, or since the last time.
	err := s.Write(ctx, func(tx *store.Tx) error { return tx.Grower(e.Grower).Leave(e, now.UnixMicro()) })
	if err != nil {
		return err
	}
	for last := ""; ; {
		var own []string
		err := s.Read(ctx, func(tx *store.Tx) (err error) {
			own, err = tx.Grower(e.Grower).OwnCollections(1)
			return err
		})
		if err != nil {
			return err
		}
		if len(own) == 0 {
			break
		}
		if own[0] == last {
			return fmt.Errorf("%s is not purged", store.CollectionName(last))
		}
		last = own[0]
		if _, err := sweepCollection(ctx, s, last, now); err != nil {
			return fmt.Errorf("%s: %w", store.CollectionName(last), err)
		}
	}
	err = eachActed(ctx, s, (*store.Grower).ActedInCollections, e, func(tx *store.Tx, id string) error {
		c, err := tx.Collection(id, "", anybody)
		if err != nil {
			return err
		}
		return c.Erase(e)
	})
	if err != nil {
		return err
	}
	err = eachActed(ctx, s, (*store.Grower).ActedInSocieties, e, func(tx *store.Tx, id string) error {
		society, err := tx.Society(id, "")
		if err != nil {
			return err
		}
		return society.Erase(e)
	})
	if err != nil {
		return err
	}
	return s.Write(ctx, func(tx *store.Tx) error {
		g := tx.Grower(e.Grower)
		if err := g.Leave(e, now.UnixMicro()); err != nil {
			return err
		}
		return g.EndErasure(now.UnixMicro()-e.Us >= erasureWatch.Microseconds())
	})
}

// eachActed calls f in a transaction for each collection or society in which a grower who is
// erased ever did something.
func eachActed(ctx context.Context, s *store.Store, find func(*store.Grower, string, int) ([]string, error), e *store.Erasure, f func(*store.Tx, string) error) error {
	for after := ""; ; {
		var ids []string
		err := s.Read(ctx, func(tx *store.Tx) (err error) {
			ids, err = find(tx.Grower(e.Grower), after, erasureBatch)
			return err
		})
		if err != nil {
			return err
		}
		for _, id := range ids {
			err := s.Write(ctx, func(tx *store.Tx) error { return f(tx, id) })
			if err != nil && !errors.Is(err, store.ErrNotFound) { // it was purged meanwhile
				return err
			}
		}
		if len(ids) < erasureBatch {
			return nil
		}
		after = slices.Max(ids)
	}
}
