package service

import (
	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// placeOf is a walk order to sort by; what has none is last.
func placeOf(walkOrder *int32) int64 {
	if walkOrder == nil {
		return store.NoWalk
	}
	return int64(*walkOrder)
}

// benchPlace is the place of a bench, or of none, in the grower's round.
func benchPlace(b *pb.Bench) int64 {
	if b == nil {
		return store.NoWalk
	}
	return placeOf(b.WalkOrder)
}
