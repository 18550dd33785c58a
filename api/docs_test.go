package api

import (
	"fmt"
	"os"
	"regexp"
	"strconv"
	"testing"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"

	"dewbench/service"
)

// The README lists the reasons of errors as the table has them.
func TestReadmeListsTheErrors(t *testing.T) {
	readme, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	listed := map[service.Reason]string{}
	for _, m := range regexp.MustCompile("(?m)^\\| `([A-Z_]+)` (\\| [A-Z_]+ \\| \\d+ \\| .* \\|)$").FindAllStringSubmatch(string(readme), -1) {
		listed[service.Reason(m[1])] = m[2]
	}
	for reason, k := range table {
		code := k.http
		if code == 0 {
			code = runtime.HTTPStatusFromCode(k.code)
		}
		if want := fmt.Sprintf("| %s | %s | %s |", codeName(k.code), strconv.Itoa(code), k.help); listed[reason] != want {
			t.Errorf("README.md has for %s\n%q, want\n%q", reason, listed[reason], want)
		}
		delete(listed, reason)
	}
	for reason := range listed {
		t.Errorf("README.md lists %s, which no error has", reason)
	}
}
