package api

import (
	"bufio"
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// Who is not let in over HTTP learns how to get in (RFC 6750, section 3). What was
// wrong with a token learns only who showed one (section 3.1).
func TestChallenges(t *testing.T) {
	rows := storetest.New(t, store.SQLite)
	d := openStore(t, rows, service.Config{})
	const reader = "dwb_reader0000000000000000000000000000000000000"
	if err := addGrower(t.Context(), rows, "grower-r", reader, service.ScopeRead); err != nil {
		t.Fatal(err)
	}
	const plain, invalid = `Bearer realm="dewbench"`, `Bearer realm="dewbench", error="invalid_token"`
	for _, c := range []struct {
		authorization []string
		status        int
		challenge     string
	}{
		{nil, 401, plain},
		{[]string{"Basic YTpi"}, 401, plain},
		{[]string{testSecret}, 401, plain},
		{[]string{"Bearer dwb_wrong"}, 401, invalid},
		{[]string{"bearer other"}, 401, invalid},
		{[]string{"Bearer"}, 401, invalid},
		{[]string{"Bearer " + testSecret, "Bearer " + testSecret}, 401, invalid},
		{[]string{"Basic YTpi", "Bearer " + testSecret}, 401, invalid},
		{[]string{"Bearer\tx", "Bearer " + testSecret}, 401, invalid},
		{[]string{"Bearer " + testSecret + "\xff"}, 401, invalid},
		{[]string{"Bearer " + testSecret + ", Bearer " + testSecret}, 401, invalid},
		{[]string{"Bearer " + reader}, 403, `Bearer realm="dewbench", error="insufficient_scope"`},
		{[]string{"Bearer " + testSecret}, 200, ""},
		{[]string{"bearer " + testSecret}, 200, ""},
		{[]string{"BEARER   " + testSecret + "  "}, 200, ""},
	} {
		header := http.Header{}
		header["Authorization"] = c.authorization
		w := serve(d.server.gateway, http.MethodPatch, "/v1/growers/me", header, []byte(`{"contact": "at the gate"}`))
		if w.Code != c.status || w.Header().Get("WWW-Authenticate") != c.challenge {
			t.Errorf("%q: status %d, challenge %q: %s", c.authorization, w.Code, w.Header().Get("WWW-Authenticate"), w.Body)
		}
		if c.status != 200 {
			checkError(t, w.Body.Bytes())
		}
		if strings.Contains(w.Body.String(), testSecret) {
			t.Errorf("%q: the answer repeats the token", c.authorization)
		}
	}
	// Open calls do not look at it.
	for _, target := range []string{"/healthz", "/openapi.json", "/v1/serverInfo"} {
		w := serve(d.server.gateway, http.MethodGet, target, http.Header{"Authorization": {"Bearer dwb_wrong"}}, nil)
		if w.Code != 200 || w.Header().Get("WWW-Authenticate") != "" {
			t.Errorf("%s: status %d", target, w.Code)
		}
	}
}

// Without the header, nothing of a body is waited for: the answer comes though none
// of it was sent.
func TestBodyWithoutTokenIsNotRead(t *testing.T) {
	d := open(t)
	for target, wanted := range map[string]int{
		"POST /v1/dueFeedings:compute":                       401,
		"POST /v1/collections":                               401,
		"PATCH /v1/collections/c/plants/p":                   401,
		"POST /v1/collections/c/plants:batchCreate":          401,
		"POST /v1/collections/c/plants/p:undelete?wrong=key": 401,
		"POST /v1/nothing":                                   404,
		"PUT /v1/taxa":                                       405,
	} {
		conn, err := net.Dial("tcp", d.httpAddr)
		if err != nil {
			t.Fatal(err)
		}
		if err := conn.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if _, err := fmt.Fprintf(conn, "%s HTTP/1.1\r\nHost: x\r\nContent-Length: %d\r\n\r\n", target, service.MaxRequestBytes); err != nil {
			t.Fatal(err)
		}
		answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
		if err != nil {
			t.Fatalf("%s: %v", target, err)
		}
		if answer.StatusCode != wanted || !answer.Close {
			t.Errorf("%s: status %d, connection closes: %v", target, answer.StatusCode, answer.Close)
		}
		answer.Body.Close()
		conn.Close()
	}
}
