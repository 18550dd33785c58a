package api

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
)

// maxErrorBytes is how long an error may be, however long the request was: gRPC
// sends errors as trailers, and clients take no more than some kilobytes of
// them. (Each field of a violation stands twice in it, packed as base64.)
const maxErrorBytes = 16 << 10

// Long words are the caller's own: an error does not send them back whole.
func TestErrorsOfLongTextsAreShort(t *testing.T) {
	d := open(t)
	long := strings.Repeat("long ", 1<<18) // more than a megabyte
	longest := strings.Repeat("long ", 2<<20)
	for name, body := range map[string]string{
		"unknown field":      `{"` + longest + `":1}`,
		"unknown enum name":  `{"hemisphere":"` + long + `"}`,
		"number":             `{"horizonDays":"` + long + `"}`,
		"time":               `{"plants":[{"key":"a","feedings":[{"fedTime":"` + long + `"}]}]}`,
		"day":                `{"asOfDate":"` + long + `"}`,
		"zone":               `{"asOfDate":"2026-05-11","timeZone":"` + long + `"}`,
		"key":                `{"asOfDate":"2026-05-11","plants":[{"key":"` + long + `"}]}`,
		"note":               `{"asOfDate":"2026-05-11","plants":[{"key":"a","feedings":[{"fedDate":"2026-05-01","note":"` + longest + `"}]}]}`,
		"text without quote": `{"asOfDate":"` + long,
		"word":               long,
	} {
		t.Run(name, func(t *testing.T) {
			code, answer := d.post(t, "/v1/dueFeedings:compute", []byte(body))
			if code != http.StatusBadRequest || len(answer) > maxErrorBytes {
				t.Errorf("status %d, %d bytes: %.300s", code, len(answer), answer)
			}
			checkError(t, answer)
		})
	}
}

// Many mistakes make an error that a gRPC client can still read, and that says
// how many there are.
func TestErrorsOfManyMistakesAreShort(t *testing.T) {
	d := open(t)
	plants := func(n int, plant string) string {
		return `{"asOfDate":"2026-05-11","plants":[` + strings.Repeat(plant+",", n-1) + plant + `]}`
	}
	for name, body := range map[string]string{
		"empty feedings":    plants(1000, `{"key":"a","feedings":[`+strings.Repeat("{},", 19)+`{}]}`),
		"keys":              plants(1000, `{"key":""}`),
		"same keys":         plants(1000, `{"key":"a"}`),
		"unknown taxa":      plants(1000, `{"key":"a","taxon":"taxa/x"}`),
		"days of no month":  plants(1000, `{"key":"a","acquireDate":"2026-02-30","feedings":[`+strings.Repeat(`{"fedDate":"2026-02-30"},`, 19)+`{}]}`),
		"days of no form":   plants(1000, `{"key":"a","feedings":[`+strings.Repeat(`{"fedDate":"x"},`, 19)+`{}]}`),
		"too many absences": `{"asOfDate":"2026-05-11","absences":[` + strings.Repeat(`{},`, 5000) + `{}]}`,
	} {
		t.Run(name, func(t *testing.T) {
			code, answer := d.post(t, "/v1/dueFeedings:compute", []byte(body))
			if code != http.StatusBadRequest || len(answer) > maxErrorBytes {
				t.Errorf("status %d, %d bytes", code, len(answer))
			}
			checkError(t, answer)
			req := &pb.ComputeDueRequest{}
			if err := (&strictJSON{}).NewDecoder(strings.NewReader(body)).Decode(req); err != nil {
				t.Fatal(err)
			}
			_, err := pb.NewDueServiceClient(d.conn).ComputeDue(context.Background(), req)
			if status.Code(err) != codes.InvalidArgument {
				t.Errorf("over gRPC: %.300s", err)
			}
		})
	}
}

// A large request, of plants with as many events as may be, is answered.
func TestLargeRequest(t *testing.T) {
	const plants = 60
	d := open(t)
	var body bytes.Buffer
	body.WriteString(`{"asOfDate":"2026-05-11","plants":[`)
	for i := range plants {
		if i > 0 {
			body.WriteByte(',')
		}
		name, err := json.Marshal(strings.Repeat("k", 1+i))
		if err != nil {
			t.Fatal(err)
		}
		body.WriteString(`{"trapType":"SNAP","key":` + string(name) + `,"feedings":[`)
		body.WriteString(strings.Repeat(`{"fedDate":"2026-05-01"},`, 1999) + `{"fedDate":"2026-05-02"}]}`)
	}
	body.WriteString(`]}`)
	code, answer := d.post(t, "/v1/dueFeedings:compute", body.Bytes())
	if code != http.StatusOK || len(readRows(t, answer)) != plants {
		t.Errorf("status %d: %.300s", code, answer)
	}
}

// A message beyond the limit is refused over gRPC as over HTTP.
func TestTooLargeOverGRPC(t *testing.T) {
	d := open(t)
	ctx := metadata.AppendToOutgoingContext(context.Background(), requestIDHeader, exampleID)
	_, _, err := d.callRaw(ctx, "/dewbench.v1.DueService/ComputeDue", make([]byte, 16<<20+1))
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("%v", err)
	}
}
