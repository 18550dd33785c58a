package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
)

// BenchmarkDue lists 5,000 plants with 50,000 feedings from tables.
func BenchmarkDue(b *testing.B) {
	const plants, sessions = 5000, 10
	var plantRows, feedingRows strings.Builder
	plantRows.WriteString("Tag,Name,Bench,Exposure,Acquired\n")
	feedingRows.WriteString("Tag,Date,Traps,Outcome\n")
	last := civil.Date(2026, 5, 10)
	for i := range plants {
		fmt.Fprintf(&plantRows, "T%04d,Drosera spatulata,bench %d,greenhouse,2024-03-09\n", i, i%40)
		for k := range sessions {
			fmt.Fprintf(&feedingRows, "T%04d,%s,2,clean\n", i, last-civil.Day(11*k+i%14))
		}
	}
	o := dueOptions{
		plants: filepath.Join(b.TempDir(), "plants.csv"), feedings: filepath.Join(b.TempDir(), "feedings.csv"),
		asOf: "2026-05-11", place: placeFlags{hemisphere: "north"}, encoding: "utf-8", horizon: service.UsualHorizonDays,
	}
	for file, rows := range map[string]string{o.plants: plantRows.String(), o.feedings: feedingRows.String()} {
		if err := os.WriteFile(file, []byte(rows), 0o600); err != nil {
			b.Fatal(err)
		}
	}
	conn := scratchConn(b)
	connect := func(context.Context) (grpc.ClientConnInterface, error) { return conn, nil }
	for b.Loop() {
		if err := o.run(b.Context(), connect, inOut{strings.NewReader(""), io.Discard, b.Output()}); err != nil {
			b.Fatal(err)
		}
	}
}

// TestRefused turns an error of a call into words of the command line.
func TestRefused(t *testing.T) {
	bad := &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: "latitudeDeg", Description: "must be less"},
		{Field: "plants[1]", Description: "has too many events"},
		{Field: "plants[0].feedings[2].fedDate", Description: "is no day"},
		{Field: "plants[7].key", Description: "is unknown"},
		{Description: "is odd"},
	}}
	s, err := status.New(codes.InvalidArgument, "plants[1]: has too many events").WithDetails(bad)
	if err != nil {
		t.Fatal(err)
	}
	want := `--latitude: must be less
plant "B2": has too many events
plant "A1", feedings[2].fedDate: is no day
plants[7].key: is unknown
is odd`
	if got := refused(s.Err(), []pot{{tag: "A1"}, {tag: "B2"}}).Error(); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	if got := refused(status.Error(codes.Unavailable, "stopping"), nil).Error(); got != "stopping" {
		t.Errorf("got %q", got)
	}
	if got := refused(io.ErrUnexpectedEOF, nil); !errors.Is(got, io.ErrUnexpectedEOF) {
		t.Errorf("got %v", got)
	}
}

// TestAbsent names ten pots and counts the rest.
func TestAbsent(t *testing.T) {
	pots := make([]pot, 13)
	for i := range pots {
		pots[i].tag = fmt.Sprint("A", i)
	}
	var notes strings.Builder
	absent(&notes, pots, []row{{pot: &pots[1]}}, "2026-05-11")
	const want = "note: 12 pots are not there on 2026-05-11 (acquired later, or dead, sold or given away): " +
		"A0, A2, A3, A4, A5, A6, A7, A8, A9, A10 and 2 more\n"
	if notes.String() != want {
		t.Errorf("got %s want %s", notes.String(), want)
	}
}

// TestManyPlants asks about more plants than one call takes.
func TestManyPlants(t *testing.T) {
	pots := make([]pot, 2*service.MaxComputePlants+1)
	for i := range pots {
		pots[i].tag, pots[i].rowOrder, pots[i].plant = fmt.Sprint("P", i), i, &pb.ComputeDueRequest_Plant{}
	}
	rows, err := compute(t.Context(), scratchConn(t), &pb.ComputeDueRequest{AsOfDate: "2026-05-11"}, pots)
	if err != nil || len(rows) != len(pots) {
		t.Fatal(len(rows), err)
	}
	for i, r := range rows {
		if r.pot != &pots[i] || r.GetTag() != pots[i].tag {
			t.Fatalf("row %d is that of %s", i, r.GetTag())
		}
	}
}
