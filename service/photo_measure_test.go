package service

import (
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/measure"
)

// Warnings and indexes go by their names and numbers.
func TestRosetteWords(t *testing.T) {
	for _, w := range []measure.Warning{measure.TouchesEdge, measure.LowContrast, measure.SeveralRegions, measure.SmallRegion, measure.SimilarGround} {
		if pb.MeasureRosetteResponse_Warning_value[string(w)] == 0 {
			t.Errorf("the API has no warning %s", w)
		}
	}
	for index, of := range map[measure.Index]pb.MeasureRosetteRequest_Index{
		measure.Auto: pb.MeasureRosetteRequest_INDEX_UNSPECIFIED, measure.ExcessGreen: pb.MeasureRosetteRequest_EXCESS_GREEN, measure.ExcessRed: pb.MeasureRosetteRequest_EXCESS_RED,
	} {
		if int(index) != int(of) {
			t.Errorf("%s is %d, and %s in the API", index, index, of)
		}
	}
}
