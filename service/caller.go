package service

import "context"

// CallerOf returns who made the call that ctx belongs to; nil for an open call, and
// for one that was not admitted.
func CallerOf(ctx context.Context) *Caller {
	if c, ok := ctx.Value(callKey{}).(*call); ok {
		return c.caller
	}
	return nil
}
