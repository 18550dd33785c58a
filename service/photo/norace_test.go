//go:build !race

package photo

// raced tells that the race detector is on.
const raced = false
