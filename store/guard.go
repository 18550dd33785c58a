package store

import (
	"context"
	"errors"
)

// errUnscoped is a defect: a statement that could reach rows of any tenant.
var errUnscoped = errors.New("statement without its tenant")

func guard(context.Context, string) error { return nil }
