package service

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// mask reads which fields a change sets. place is "" or the item of a batch: there
// the fields of the body are those that are set. ignored are fields that only the
// server tells and that change by themselves: a body that has them is taken as it
// is.
func (v *visit) mask(asked *fieldmaskpb.FieldMask, present, body proto.Message, place string, ignored ...string) (Mask, error) {
	return ReadMask(v.ctx, asked, present, body, place, ignored...)
}

// apply changes a message by the fields of a body that are to be set.
func (v *visit) apply(asked *fieldmaskpb.FieldMask, present, body proto.Message, place string, ignored ...string) error {
	mask, err := v.mask(asked, present, body, place, ignored...)
	if err != nil {
		return err
	}
	Apply(mask, present, body)
	return nil
}
