package service

import (
	"fmt"
	"strings"

	"dewbench/store"
)

// natural returns a text by which tags are sorted as people count: L2 before L10. Numbers
// are written behind how many digits they have, at most 99; case does not count.
func natural(tag string) string {
	var b strings.Builder
	for rest := store.Fold(tag); rest != ""; {
		n := 0
		for n < len(rest) && '0' <= rest[n] && rest[n] <= '9' {
			n++
		}
		if n == 0 {
			b.WriteByte(rest[0])
			rest = rest[1:]
			continue
		}
		number := strings.TrimLeft(rest[:min(n, 99)], "0")
		fmt.Fprintf(&b, "%02d%s", len(number), number)
		rest = rest[min(n, 99):]
	}
	return b.String()
}
