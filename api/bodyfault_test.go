package api

import (
	"net/http"
	"strings"
	"testing"
)

// What is wrong with JSON is told with its field, and with what to write there.
func TestFaultsInBodies(t *testing.T) {
	d := open(t)
	const plants, plant = "/v1/collections/c/plants", "/v1/collections/c/plants/p"
	for _, c := range []struct{ method, path, body, field, rule string }{
		{"POST", plants, `{"tga": "D1"}`, "plant.tga", "is not a field: did you mean tag?"},
		{"POST", plants, `{"requestId": "r", "tag": "D1"}`, "plant.requestId", "is not a field of the body: it is a query key, as in ?requestId="},
		{"POST", plants, "{\n \"tag\": \"Ä🪴\", \"wälkOrder\": 1}", "plant.wälkOrder", "is not a field: did you mean walkOrder?"},
		{"POST", plants, `{"walkOrder": "two"}`, "plant.walkOrder", "must be a whole number that fits in 32 bits"},
		{"POST", plants, `{"walk_order": 1e10}`, "plant.walkOrder", "must be a whole number that fits in 32 bits"},
		{"POST", plants, `{"tag": 7}`, "plant.tag", "must be a text, in double quotes"},
		{"POST", plants, `{"regimen": {"intervalDays": 9, "checkDays": [1, "x"]}}`, "plant.regimen.checkDays[1]", "must be a whole number that fits in 32 bits"},
		{"POST", plants, `{"regimen": {"cutStalks": "yes"}}`, "plant.regimen.cutStalks", "must be true or false"},
		{"POST", plants, `{"parents": ["a", {}]}`, "plant.parents[1]", "must be a text, in double quotes"},
		{"POST", plant + "/observations", `{"measurement": {"heightMm": "tall"}}`, "observation.measurement.heightMm", "must be a number"},
		{"POST", plant + "/observations", `{"observeTime": "yesterday"}`, "observation.observeTime", "must be an instant of the years 1 to 9999 in the form 2026-05-11T07:30:00Z, with its offset from UTC (RFC 3339)"},
		{"POST", plant + "/observations", `{"count": {"quantity": 1}, "repotting": {}}`, "observation.repotting", "only one of these can be given: measurement, stalk, catchSurvey, count, end, move, repotting, restStart, restEnd, hold, treatment, health"},
		{"POST", plant + "/feedings", `{"traps": [{}, {"watchedFor": "long"}]}`, "feeding.traps[1].watchedFor", `must be a number of seconds in the form "90s"`},
		{"POST", plant + "/feedings", `{"outcome": "GOOD"}`, "feeding.outcome", "must be one of CLEAN, RESIDUE, MOULD, REJECTED, in double quotes"},
		{"POST", plants + "/-/feedings:batchCreate", `{"requests": [{}, {"tag": "D1", "feeding": {"trapsfed": 1}}]}`, "requests[1].feeding.trapsfed", "is not a field: did you mean trapsFed?"},
		{"POST", plant + ":undelete?etag=x", `{}`, "etag", "is not a query key of this call: it is a field of the body"},
		{"GET", "/v1/collections/c/dueFeedings?statuses=due", "", "statuses", "must be one of OVERDUE, DUE, UPCOMING, HELD, NOT_DUE, NOT_HAND_FED; for several, the key stands several times"},
	} {
		answer := d.sendRaw(t, c.method, c.path, [][2]string{{"Authorization", "Bearer " + testSecret}, {"Content-Type", "application/json"}}, []byte(c.body))
		body := parseJSON(t, answer.body)
		details, _ := body.(map[string]any)["error"].(map[string]any)["details"].([]any)
		var field, rule any
		for _, detail := range details {
			if all, ok := detail.(map[string]any)["fieldViolations"].([]any); ok && len(all) == 1 {
				field, rule = all[0].(map[string]any)["field"], all[0].(map[string]any)["description"]
			}
		}
		if answer.status != http.StatusBadRequest || field != c.field || rule != c.rule {
			t.Errorf("%s %s\n%s: %d %v: %v\nwant %s: %s", c.method, c.path, c.body, answer.status, field, rule, c.field, c.rule)
		}
	}
	// What is no JSON has no fields: its place is told.
	answer := d.sendRaw(t, "POST", plants, [][2]string{{"Authorization", "Bearer " + testSecret}}, []byte("{\n\"tag\": D1}"))
	if answer.status != http.StatusBadRequest || !strings.Contains(string(answer.body), "line 2:") {
		t.Errorf("no JSON: %d %s", answer.status, answer.body)
	}
}
