package store

import (
	"context"
	"database/sql"
	"errors"
	"slices"

	"gorm.io/gorm"
)

// watch stands between GORM and the connection and looks at each statement before
// it is sent. It is a connection and not a callback of GORM, as callbacks come to
// see the SQL only after it has run.
type watch struct {
	gorm.ConnPool
	check  func(ctx context.Context, statement string) error // may be nil
	record func(statement string, args []any)                // may be nil
	failed error                                             // the first that was refused
}

// violation is what was refused, whatever was made of the error since.
func (w *watch) violation() error {
	if w == nil {
		return nil
	}
	return w.failed
}

func (w *watch) look(ctx context.Context, statement string, args []any) error {
	if w.check != nil {
		if err := w.check(ctx, statement); err != nil {
			if w.failed == nil {
				w.failed = err
			}
			return err
		}
	}
	if w.record != nil {
		w.record(statement, slices.Clone(args))
	}
	return nil
}

// ExecContext implements gorm.ConnPool.
func (w *watch) ExecContext(ctx context.Context, statement string, args ...any) (sql.Result, error) {
	if err := w.look(ctx, statement, args); err != nil {
		return nil, err
	}
	return w.ConnPool.ExecContext(ctx, statement, args...)
}

// QueryContext implements gorm.ConnPool.
func (w *watch) QueryContext(ctx context.Context, statement string, args ...any) (*sql.Rows, error) {
	if err := w.look(ctx, statement, args); err != nil {
		return nil, err
	}
	return w.ConnPool.QueryContext(ctx, statement, args...)
}

// QueryRowContext implements gorm.ConnPool. A row has no place for our error, so
// it gets that of a context which has ended; the transaction fails with ours.
func (w *watch) QueryRowContext(ctx context.Context, statement string, args ...any) *sql.Row {
	if err := w.look(ctx, statement, args); err != nil {
		over, cancel := context.WithCancel(ctx)
		cancel()
		ctx = over
	}
	return w.ConnPool.QueryRowContext(ctx, statement, args...)
}

// PrepareContext implements gorm.ConnPool. Prepared statements would run unseen.
func (w *watch) PrepareContext(context.Context, string) (*sql.Stmt, error) {
	return nil, errors.New("statements are not prepared by hand")
}

var _ gorm.ConnPool = (*watch)(nil)
