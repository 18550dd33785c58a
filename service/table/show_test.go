package table

import (
	"fmt"
	"reflect"
	"strings"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// show writes the fields of a record that are given.
func show(v any) string {
	var parts []string
	rv := reflect.ValueOf(v)
	for i := range rv.NumField() {
		f, name := rv.Field(i), rv.Type().Field(i).Name
		if f.IsZero() || f.Interface() == civil.None {
			continue
		}
		for f.Kind() == reflect.Pointer {
			f = f.Elem()
		}
		switch x := f.Interface().(type) {
		case due.Regimen, Sizes, Survey, Pause, Treatment:
			parts = append(parts, name+"{"+show(x)+"}")
		case Name:
			parts = append(parts, fmt.Sprintf("%s{%q -> %q + %q + %q}", name, x.Original, x.Scientific, x.Cultivar, x.Rest))
		case string:
			parts = append(parts, fmt.Sprintf("%s:%q", name, x))
		default:
			parts = append(parts, fmt.Sprintf("%s:%v", name, x))
		}
	}
	return strings.Join(parts, " ")
}
