package api

import (
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service"
)

// nulTexts finds text that holds a NUL character, which Postgres does not keep.
func nulTexts(m protoreflect.Message, before *step, found *[]service.Violation) {
	all := m.Descriptor().Fields()
	for i := 0; i < all.Len() && len(*found) < enoughViolations; i++ {
		f := all.Get(i)
		if f.Kind() != protoreflect.StringKind && f.Message() == nil || !m.Has(f) {
			continue
		}
		here := step{before, f, -1}
		look := func(v protoreflect.Value) {
			if f.Message() != nil {
				nulTexts(v.Message(), &here, found)
			} else if strings.Contains(v.String(), "\x00") {
				*found = append(*found, service.Violation{Field: here.String(), Rule: "must not hold a NUL character"})
			}
		}
		if !f.IsList() {
			look(m.Get(f))
			continue
		}
		list := m.Get(f).List()
		for here.index = 0; here.index < list.Len(); here.index++ {
			look(list.Get(here.index))
		}
	}
}
