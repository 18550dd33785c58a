package service

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

type ifMatchKey struct{}

// entityTags reads a list of entity tags (RFC 9110, section 8.8.3), each with its
// quotes; "*" stands alone.
func entityTags(header string) ([]string, bool) {
	header = strings.TrimSpace(header)
	if header == "*" {
		return []string{"*"}, true
	}
	if !entityTagList.MatchString(header) {
		return nil, false
	}
	return entityTag.FindAllString(header, -1), true
}

var (
	entityTag     = regexp.MustCompile(`(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"`)
	entityTagList = regexp.MustCompile(`^(?:` + entityTag.String() + `)(?:[ \t]*,[ \t]*(?:` + entityTag.String() + `))*$`)
)

// WithIfMatch returns a context that tells which etags the caller of a write takes
// for the present one: the value of the header If-Match.
func WithIfMatch(ctx context.Context, header string) (context.Context, error) {
	tags, ok := entityTags(header)
	if !ok {
		return nil, Invalid(InvalidFields, []Violation{{"If-Match", fmt.Sprintf("%q must be * or etags in double quotes, joined by commas", short(header))}})
	}
	return context.WithValue(ctx, ifMatchKey{}, tags), nil
}

// IfMatch tells whether the present etag is one that the caller takes. A tag of the
// header ETag counts up to its dot: behind it stands a digest of the answer. Weak
// tags do not match (RFC 9110, section 13.1.1).
func IfMatch(ctx context.Context, present string) bool {
	tags, told := ctx.Value(ifMatchKey{}).([]string)
	return !told || slices.ContainsFunc(tags, func(tag string) bool {
		if before, _, found := strings.Cut(tag, "."); found {
			tag = before + `"`
		}
		return tag == "*" || tag == present
	})
}

// IfNoneMatch tells whether a header of that name names the entity tag, weakly
// compared (RFC 9110, section 13.1.2). A header that cannot be read names none.
func IfNoneMatch(header, tag string) bool {
	tags, ok := entityTags(header)
	return ok && slices.ContainsFunc(tags, func(t string) bool { return t == "*" || strings.TrimPrefix(t, "W/") == tag })
}
