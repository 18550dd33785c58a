package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5/pgconn"
	"gorm.io/gorm"
	"modernc.org/sqlite"
)

// What callers may look for with errors.Is. Anything else that a store returns is a
// defect, or a context's error.
var (
	ErrNotFound    = errors.New("not found")
	ErrExists      = errors.New("already exists")
	ErrStale       = errors.New("changed since it was read")
	ErrReference   = errors.New("refers to what is not there, or is still referred to")
	ErrFull        = errors.New("the disk of the database is full or failing")
	ErrUnavailable = errors.New("the database cannot be reached or is too busy")
	ErrNewer       = errors.New("written by a newer version of this program")
	ErrOlderSchema = errors.New("the schema of the database is older than this program")

	ErrOtherDatabase = errors.New("the photos are of another database")
	// ErrPhotos tells, beside the kind of an error, that it is of the bucket of the photos,
	// not of the database.
	ErrPhotos = errors.New("the photos")
)

var kinds = []error{
	ErrNotFound, ErrExists, ErrStale, ErrReference, ErrFull, ErrUnavailable, ErrNewer, ErrOlderSchema, errUnscoped,
}

// translate gives an error the kind that callers look for. It goes by codes, never
// by text. The cause stays in the chain, for the log. It is idempotent; context
// errors and unknown ones stay as they are.
func translate(err error) error {
	if err == nil || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	for _, kind := range kinds {
		if errors.Is(err, kind) {
			return err
		}
	}
	if kind := kindOf(err); kind != nil {
		return fmt.Errorf("%w: %w", kind, err)
	}
	return err
}

func kindOf(err error) error {
	var (
		lite *sqlite.Error
		pg   *pgconn.PgError
	)
	switch {
	case errors.Is(err, gorm.ErrRecordNotFound), errors.Is(err, sql.ErrNoRows):
		return ErrNotFound
	case errors.Is(err, gorm.ErrDuplicatedKey):
		return ErrExists
	case errors.Is(err, gorm.ErrForeignKeyViolated):
		return ErrReference
	case errors.As(err, &lite):
		return sqliteKind(lite)
	case errors.As(err, &pg):
		return postgresKind(pg)
	case errors.Is(err, driver.ErrBadConn), errors.Is(err, sql.ErrConnDone), broken(err):
		return ErrUnavailable
	}
	return nil
}

// translateEach makes every statement return translated errors, so that a function
// inside a transaction can tell them apart.
func translateEach(db *gorm.DB) error {
	do := func(db *gorm.DB) { db.Error = translate(db.Error) }
	const name = "store:errors"
	c := db.Callback()
	return errors.Join(
		c.Create().After("*").Register(name, do),
		c.Query().After("*").Register(name, do),
		c.Update().After("*").Register(name, do),
		c.Delete().After("*").Register(name, do),
		c.Row().After("*").Register(name, do),
		c.Raw().After("*").Register(name, do),
	)
}
