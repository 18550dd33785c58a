package service

import (
	"context"
	"slices"
)

type ifMatchKey struct{}

// WithIfMatch says which etags a call takes, for the HTTP door: those of its
// If-Match, each as a resource has it in its field, or "*" for any. With none of
// them nothing matches.
func WithIfMatch(ctx context.Context, etags ...string) context.Context {
	return context.WithValue(ctx, ifMatchKey{}, etags)
}

// IfMatch tells whether a call takes the present etag of a resource. One that does
// not say which it takes takes any.
func IfMatch(ctx context.Context, present string) bool {
	etags, given := ctx.Value(ifMatchKey{}).([]string)
	return !given || slices.Contains(etags, present) || slices.Contains(etags, "*")
}
