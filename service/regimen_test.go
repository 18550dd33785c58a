package service

import (
	"testing"

	rules "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/due"
)

// The contract has the ranges of the engine.
func TestRegimenRanges(t *testing.T) {
	fields := (&pb.Regimen{}).ProtoReflect().Descriptor().Fields()
	for i, want := range due.Ranges {
		field := fields.Get(i)
		set, ok := proto.GetExtension(field.Options(), rules.E_Field).(*rules.FieldRules)
		if !ok {
			t.Fatalf("%s has no rules", field.Name())
		}
		if r := set.GetInt32(); int(r.GetGte()) != want.Min || int(r.GetLte()) != want.Max {
			t.Errorf("%s: %d to %d, want %d to %d", field.Name(), r.GetGte(), r.GetLte(), want.Min, want.Max)
		}
	}
}

// A regimen comes back from its message as it went in, number by number.
func TestRegimenRoundTrip(t *testing.T) {
	for i := range due.Ranges {
		var r due.Regimen
		v := due.Ranges[i].Max
		*r.Numbers()[i] = &v
		back := regimenValue(RegimenMessage(&r))
		for k, got := range back.Numbers() {
			if (*got != nil) != (k == i) || k == i && **got != v {
				t.Errorf("field %d came back in field %d", i, k)
			}
		}
	}
	if RegimenMessage(&due.Regimen{}) != nil {
		t.Error("a regimen that sets nothing has a message")
	}
}
