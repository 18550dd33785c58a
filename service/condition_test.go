package service

import (
	"context"
	"testing"
)

func TestIfMatch(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		ctx  context.Context
		want bool
	}{
		{ctx, true},
		{WithIfMatch(ctx, `"k2"`), true},
		{WithIfMatch(ctx, `"k1"`, `"k2"`), true},
		{WithIfMatch(ctx, "*"), true},
		{WithIfMatch(ctx, `"k1"`), false},
		{WithIfMatch(ctx, "k2"), false},
		{WithIfMatch(ctx), false},
	} {
		if got := IfMatch(c.ctx, `"k2"`); got != c.want {
			t.Errorf("%v: %v", c.ctx.Value(ifMatchKey{}), got)
		}
	}
}
