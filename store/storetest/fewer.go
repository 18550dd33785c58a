package storetest

// Fewer is how many of its cases a test runs: all, or under the race detector, which
// makes each several times as slow, some. For cases that do the same in other ways
// only, of which no more than some can show a race.
func Fewer(all, some int) int {
	if Race {
		return some
	}
	return all
}
