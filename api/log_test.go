package api

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/grpc/metadata"

	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
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
		{"a wrong token", "POST", "/v1/dueFeedings:compute", body("2026-05-11", ""), false},
	} {
		t.Run(c.name, func(t *testing.T) {
			id := fmt.Sprintf("log-%d", i)
			header := [][2]string{{"X-Request-Id", id}, {"Cookie", "zebra"}}
			switch c.name {
			case "not packed":
				header = append(header, [2]string{"Content-Encoding", "gzip"})
			case "a wrong token":
				header = append(header, [2]string{"Authorization", "Bearer zebra"})
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

// The record of a call tells who made it and with which token, by their ids, and never
// the token itself. Whom the server did not let in it does not know.
func TestLogTellsTheCaller(t *testing.T) {
	d := open(t)
	for i, c := range []struct {
		name, method, target, body, authorization string
		known                                     bool
		record                                    string
	}{
		{"a call", "GET", "/v1/growers/me", "", "Bearer " + testSecret, true, "finished call"},
		{"one that fails", "GET", "/v1/collections/none", "", "Bearer " + testSecret, true, "finished call"},
		{"one that is refused", "POST", "/v1/dueFeedings:compute", `{"asOfDate":"x"}`, "Bearer " + testSecret, true, "finished call"},
		{"one that cannot be read", "POST", "/v1/dueFeedings:compute?key=x", `{}`, "Bearer " + testSecret, true, "request refused"},
		{"an open call", "GET", "/v1/serverInfo", "", "Bearer " + testSecret, false, "finished call"},
		{"a wrong token", "GET", "/v1/growers/me", "", "Bearer " + testSecret[:len(testSecret)-1] + "B", false, "request refused"},
		{"a token that is none", "GET", "/v1/growers/me", "", "Basic " + testSecret, false, "request refused"},
	} {
		id := fmt.Sprintf("caller-%d", i)
		d.sendRaw(t, c.method, c.target, [][2]string{{"X-Request-Id", id}, {"Authorization", c.authorization}}, []byte(c.body))
		records := d.log.of(t, id)
		if len(records) != 1 || records[0]["msg"] != c.record {
			t.Errorf("%s: %v", c.name, records)
			continue
		}
		grower, hasGrower := records[0]["grower"]
		token, hasToken := records[0]["token"]
		if hasGrower != c.known || hasToken != c.known || c.known && (grower != d.grower || token != "all") {
			t.Errorf("%s: %v", c.name, records[0])
		}
	}
	if text := d.log.String(); strings.Contains(text, "dwb_") || strings.Contains(text, "AAAA") {
		t.Errorf("the log holds a token: %s", text)
	}
}

// What is behind an error that the client can understand stands in the log only.
func TestLogTellsTheCause(t *testing.T) {
	url := storetest.URL(t, store.SQLite)
	d := openStore(t, storetest.Open(t, url), service.Config{})
	// A program of a later version has been here.
	rows, err := sql.Open("sqlite", strings.TrimPrefix(url, "sqlite:"))
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	if _, err := rows.ExecContext(t.Context(), "UPDATE growers SET stamp = 1000"); err != nil {
		t.Fatal(err)
	}
	answer := d.sendRaw(t, "PATCH", "/v1/growers/me", [][2]string{{"X-Request-Id", "cause"}}, []byte(`{"contact":"zebra"}`))
	checkError(t, answer.body)
	if reason := errorReason(errorOf(t, answer.body)); reason != string(service.NewerData) || strings.Contains(string(answer.body), store.ErrNewer.Error()) {
		t.Errorf("status %d: %s", answer.status, answer.body)
	}
	records := d.log.of(t, "cause")
	if len(records) != 2 || records[0]["msg"] != "call failed" || records[1]["msg"] != "finished call" {
		t.Fatalf("%v", records)
	}
	cause, _ := records[0]["cause"].(string)
	if !strings.Contains(cause, store.ErrNewer.Error()) || records[0]["level"] != "WARN" || records[0]["reason"] != "NEWER_DATA" ||
		records[0]["grower"] != d.grower || records[0]["token"] != "all" {
		t.Errorf("%v", records[0])
	}
	if strings.Contains(d.log.String(), "zebra") {
		t.Errorf("the log tells what was sent: %s", d.log)
	}
}
