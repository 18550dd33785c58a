package service

import (
	"context"
	"testing"
)

// A grower has one place at a time, however many ask, so that another gets the other; and
// who asks for too much at once is refused.
func TestDecodesAreShared(t *testing.T) {
	c := &Core{decodes: newDecodes()}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	first, err := c.decoding(ctx, "a")
	if err != nil {
		t.Fatal(err)
	}
	waiting := make(chan func(), mostDecodesOfOne)
	for range mostDecodesOfOne - 1 {
		go func() {
			release, err := c.decoding(ctx, "a")
			if err == nil {
				waiting <- release
			}
		}()
	}
	asked := func() int {
		c.decodes.mu.Lock()
		defer c.decodes.mu.Unlock()
		return c.decodes.of["a"].asked
	}
	for asked() < mostDecodesOfOne { // until all wait
		if t.Context().Err() != nil {
			t.Fatal("they do not wait")
		}
	}
	if _, err := c.decoding(ctx, "a"); ReasonOf(err) != TooBusy {
		t.Errorf("one more: %v", err)
	}
	for _, who := range []string{"b", ""} { // they would wait for ever behind those of a
		release, err := c.decoding(ctx, who)
		if err != nil {
			t.Fatal(err)
		}
		release()
	}
	first()
	(<-waiting)() // the next comes to its turn
	cancel()      // the rest give up
	for {
		c.decodes.mu.Lock()
		left := len(c.decodes.of)
		c.decodes.mu.Unlock()
		select {
		case release := <-waiting:
			release()
		default:
		}
		if left == 0 {
			break
		}
	}
}
