package main

import (
	"testing"

	pb "dewbench/proto/dewbench/v1"
)

// Each kind has a heading and each advice its words, in the order of the API.
func TestWatchListHasWords(t *testing.T) {
	kinds, codes := pb.WatchList_Entry_KIND_UNSPECIFIED.Descriptor().Values(), pb.WatchList_Advice_CODE_UNSPECIFIED.Descriptor().Values()
	if len(watchKinds) != kinds.Len()-1 || len(adviceWords) != codes.Len()-1 {
		t.Fatalf("%d headings, %d kinds; %d words, %d codes", len(watchKinds), kinds.Len()-1, len(adviceWords), codes.Len()-1)
	}
	for i, k := range watchKinds {
		if k.kind.Number() != kinds.Get(i+1).Number() || k.heading == "" || k.words == "" {
			t.Errorf("heading %d is %+v, the kind %s", i, k, kinds.Get(i+1).Name())
		}
	}
	for i, a := range adviceWords {
		if a.code.Number() != codes.Get(i+1).Number() || a.words == "" {
			t.Errorf("word %d is %+v, the code %s", i, a, codes.Get(i+1).Name())
		}
	}
}
