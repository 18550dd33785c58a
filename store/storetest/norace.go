//go:build !race

package storetest

// Race tells whether the race detector is on.
const Race = false
