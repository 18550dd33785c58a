package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"

	pb "dewbench/proto/dewbench/v1"
)

// What is asked most goes to Postgres in one round trip: the statements of a reading
// transaction are sent together. So they cannot depend on each other's answers; the
// caller sees from the collection's row whether they were the right ones.

// DueAnswer is what DueNow read.
type DueAnswer struct {
	*Collection // without its transaction; nil if it is not there
	Bearer      *Bearer
	Entries     []DueEntry
	Totals      []DueTotal
}

// ErrLong is of what cannot be read in one round trip. Read does it.
var ErrLong = errors.New("to be read step by step")

// The arguments of header are the grower, those of granted, the grower for organised, and
// the collection.
const header = "SELECT c.owner_id, c.owner_society_id, c.visibility, c.time_zone, c.delete_us, c.settings_rev, c.pending_us, c.due_rev, c.due_version, c.due_day, c.due_until," +
	" CASE WHEN c.owner_id = ? THEN 0 ELSE (" + granted + ") END," +
	" CASE WHEN c.owner_society_id IS NULL THEN 0 ELSE (SELECT count(*) FROM members m WHERE m.society_id = c.owner_society_id AND m.grower_id = ? AND m.role = 2) END" +
	" FROM collections c WHERE c.collection_id = ?"

// bearing is what may have changed of a token since it was read.
const bearing = "SELECT t.revoke_us, t.expire_us, t.hash, t.old_hash, t.old_until_us, g.suspend_us FROM tokens t JOIN growers g ON g.grower_id = t.grower_id WHERE t.grower_id = ? AND t.token_id = ?"

// DueNow reads a page of a list of what is due and, if they are asked for, its totals;
// and how the caller's token stands, of which they showed a secret with the given hash.
// Whether the caller may see them, and whether they are true, tells what it returns: see
// Bearer, Ties and AllTrue. Errors: ErrNotFound if there is no such token, or the secret is
// none of it; ErrLong on SQLite, where many statements cost no more than one.
func (s *Store) DueNow(ctx context.Context, collection, grower, token string, hash []byte, q DueQuery, totals bool) (*DueAnswer, error) {
	if s.engine != Postgres {
		return nil, ErrLong
	}
	out, kept := &DueAnswer{}, secrets{}
	b := &pgx.Batch{}
	b.Queue("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
	err := s.queue(ctx, b, bearing, []any{grower, token}, func(rows pgx.Rows) error {
		var revoked, suspended *int64
		out.Bearer = &Bearer{Grower: grower, Token: token}
		err := rows.Scan(&revoked, &out.Bearer.ExpireUs, &kept.hash, &kept.old, &kept.oldUntilUs, &suspended)
		out.Bearer.Revoked, out.Bearer.Suspended = revoked != nil, suspended != nil
		return err
	})
	if err != nil {
		return nil, err
	}
	err = s.queue(ctx, b, header, []any{grower, collection, grower, grower, grower, collection}, func(rows pgx.Rows) error {
		out.Collection = &Collection{id: collection, row: collectionRow{CollectionID: collection}}
		r := &out.row
		var granted, organised int64
		defer func() {
			out.ties = r.ties(grower)
			out.ties.Granted, out.ties.Organises = pb.Grant_Role(granted), organised > 0
		}()
		return rows.Scan(&r.OwnerID, &r.OwnerSocietyID, &r.Visibility, &r.TimeZone, &r.DeleteUs, &r.SettingsRev, &r.PendingUs, &r.DueRev, &r.DueVersion, &r.DueDay, &r.DueUntil, &granted, &organised)
	})
	if err != nil {
		return nil, err
	}
	statement, args, err := q.page(collection)
	if err != nil {
		return nil, err
	}
	if statement != "" {
		out.Entries = make([]DueEntry, 0, max(0, q.Limit))
		err = s.queue(ctx, b, statement, args, func(rows pgx.Rows) error {
			var e DueEntry
			err := rows.Scan(e.into()...)
			if err == nil {
				out.Entries, err = take(out.Entries, e)
			}
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	if totals && len(q.Statuses) > 0 {
		if statement, args, err = q.totals(collection); err != nil {
			return nil, err
		}
		err = s.queue(ctx, b, statement, args, func(rows pgx.Rows) error {
			var t DueTotal
			err := rows.Scan(&t.Status, &t.Plants, &t.Traps)
			out.Totals = append(out.Totals, t)
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	b.Queue("COMMIT")
	if err := s.send(ctx, b); err != nil {
		return nil, err
	}
	if out.Bearer == nil {
		return nil, ErrNotFound
	}
	out.Bearer.ExpireUs, err = kept.ends(hash, out.Bearer.ExpireUs)
	return out, err
}

// TimeZone returns the name of the zone.
func (c *Collection) TimeZone() string { return c.row.TimeZone }

// queue adds a statement, with ? for its arguments, and what is done with each row.
func (s *Store) queue(ctx context.Context, b *pgx.Batch, statement string, args []any, each func(pgx.Rows) error) error {
	var text strings.Builder
	n := 0
	for i, part := range strings.Split(statement, "?") {
		if i > 0 {
			n++
			text.WriteString("$" + strconv.Itoa(n))
		}
		text.WriteString(part)
	}
	if s.guard {
		if err := guard(ctx, text.String()); err != nil {
			return err
		}
	}
	if s.record != nil {
		s.record(text.String(), args)
	}
	b.Queue(text.String(), args...).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			if err := each(rows); err != nil {
				return err
			}
		}
		return rows.Err()
	})
	return nil
}

// send sends what was queued. A connection on which it failed may still be in its
// transaction: it is thrown away.
func (s *Store) send(ctx context.Context, b *pgx.Batch) error {
	conn, err := s.reader.Conn(ctx)
	if err != nil {
		return ended(ctx, fmt.Errorf("find a connection: %w", err))
	}
	var failed error
	err = conn.Raw(func(raw any) error {
		c, ok := raw.(*stdlib.Conn)
		if !ok {
			return fmt.Errorf("a connection of kind %T", raw)
		}
		if failed = c.Conn().SendBatch(ctx, b).Close(); failed != nil {
			return driver.ErrBadConn
		}
		return nil
	})
	if failed != nil {
		return ended(ctx, errors.Join(failed, ignore(ignore(conn.Close(), driver.ErrBadConn), sql.ErrConnDone)))
	}
	return ended(ctx, errors.Join(err, conn.Close()))
}

// ignore returns err unless it is what is expected.
func ignore(err, expected error) error {
	if errors.Is(err, expected) {
		return nil
	}
	return err
}
