package main

import (
	"context"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

const (
	// longestWait bounds each wait for a server that takes no more for now. What a token may
	// call is full again after a minute: a server that says more means something else.
	longestWait = time.Minute
	// sendings is how often a call is made whose connection breaks, or for which the server
	// has no place.
	sendings = 4
)

// toWait tells how long to wait until a call is made again that ended in err. Not again:
// that would end as this did. A call that is one of too many is made again as often as the
// server says when, as what it waits for comes with time; others only while tries are left,
// of which they take one.
func toWait(err error, tries *int) (wait time.Duration, again bool) {
	s, _ := status.FromError(err)
	wait, told := retryDelay(s)
	switch s.Code() {
	case codes.ResourceExhausted: // without a time it is too large
		return wait, told && wait <= longestWait
	case codes.Unavailable:
		if *tries <= 0 || wait > longestWait {
			return 0, false
		}
		*tries--
		return wait, true
	}
	return 0, false
}

// retryDelay is how long to wait before another call: as the server says, or a second.
func retryDelay(s *status.Status) (delay time.Duration, told bool) {
	for _, d := range s.Details() {
		if info, ok := d.(*errdetails.RetryInfo); ok {
			return info.GetRetryDelay().AsDuration(), true
		}
	}
	return time.Second, false
}

// pause waits, unless the command is stopped.
func pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
