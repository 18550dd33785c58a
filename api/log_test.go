package api

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/metadata"
)

// The log tells each call once, by its request id, and holds nothing of what
// stood in it: keys, notes and names are the caller's.
func TestLogHoldsNoBodies(t *testing.T) {
	const mark = "zebra"
	body := func(asOf, extra string) string {
		return `{"asOfDate":"` + asOf + `","plants":[{"key":"zebra","feedings":[{"fedDate":"2026-05-01","note":"zebra","feeder":"zebra","food":"zebra"}],
			"observations":[{"observeDate":"2026-05-01","health":{"text":"zebra"}},{"observeDate":"2026-05-01","hold":{"reason":"zebra"}}]}` + extra + `]}`
	}
	d := open(t)
	for i, c := range []struct {
		name, method, target, body string
		finished                   bool // by a call, not before one
	}{
		{"a call", "POST", "/v1/dueFeedings:compute", body("2026-05-11", ""), true},
		{"two of a key", "POST", "/v1/dueFeedings:compute", body("2026-05-11", `,{"key":"zebra"}`), true},
		{"an unknown taxon", "POST", "/v1/dueFeedings:compute", body("2026-05-11", `,{"key":"b","taxon":"taxa/zebra"}`), true},
		{"an unknown zone", "POST", "/v1/dueFeedings:compute", `{"asOfDate":"2026-05-11","timeZone":"zebra"}`, true},
		{"no day", "POST", "/v1/dueFeedings:compute", body("zebra", ""), true},
		{"an unknown field", "POST", "/v1/dueFeedings:compute", body("2026-05-11", `,{"zebra":1}`), false},
		{"no JSON", "POST", "/v1/dueFeedings:compute", "zebra", false},
		{"a filter", "GET", "/v1/taxa?filter=scientificName%3Azebra", "", true},
		{"a bad filter", "GET", "/v1/taxa?filter=zebra%3Dzebra", "", true},
		{"a bad page token", "GET", "/v1/taxa?pageToken=zebra", "", true},
		{"an unknown key", "GET", "/v1/taxa?zebra=zebra", "", false},
		{"no such path", "GET", "/v1/zebra", "", false},
		{"another method", "PUT", "/v1/taxa/zebra", "zebra", false},
		{"not packed", "POST", "/v1/dueFeedings:compute", "zebra", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			id := fmt.Sprintf("log-%d", i)
			header := [][2]string{{"X-Request-Id", id}, {"Authorization", "Bearer zebra"}, {"Cookie", "zebra"}}
			if c.name == "not packed" {
				header = append(header, [2]string{"Content-Encoding", "gzip"})
			}
			before := len(d.log.String())
			d.sendRaw(t, c.method, c.target, header, []byte(c.body))
			written := d.log.String()[before:]
			if strings.Contains(written, mark) {
				t.Errorf("the log tells what was sent: %s", written)
			}
			records := d.log.of(t, id)
			if len(records) != 1 || (records[0]["msg"] == "finished call") != c.finished {
				t.Errorf("log: %v", records)
			}
			if strings.Count(written, "\n") != len(records) {
				t.Errorf("a line without the request id: %s", written)
			}
		})
	}
}

// Over gRPC, too, each call has one line with its id, its method and its code.
func TestLogOfGRPC(t *testing.T) {
	d := open(t)
	for method, code := range map[string]string{
		"/dewbench.v1.ServerService/GetHealth": "OK",
		"/dewbench.v1.TaxonService/GetTaxon":   "InvalidArgument",
		"/dewbench.v1.TaxonService/Nothing":    "Unimplemented",
	} {
		id := "log-" + method[len(method)-6:]
		ctx := metadata.AppendToOutgoingContext(context.Background(), requestIDHeader, id)
		_, _, err := d.callRaw(ctx, method, nil)
		if (err == nil) != (code == "OK") {
			t.Errorf("%s: %v", method, err)
		}
		records := d.log.of(t, id)
		if len(records) != 1 || records[0]["grpc.code"] != code || records[0]["level"] != "INFO" ||
			!strings.HasSuffix(method, fmt.Sprint("/", records[0]["grpc.method"])) {
			t.Errorf("%s: %v", method, records)
		}
	}
}
