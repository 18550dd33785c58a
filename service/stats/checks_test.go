package stats

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// ownChecks is the file of checks whose methods all exist.
const ownChecks = "../../testdata/stats/stats.json"

// The checks of testdata/stats/stats.json and of the files that STATS_CHECKS
// names: published data sets, with values from R 4.2.2. Each check gives its
// source, its tolerance and the program that made its values.
func TestPublishedChecks(t *testing.T) {
	paths := []string{ownChecks}
	for _, p := range strings.Split(os.Getenv("STATS_CHECKS"), ":") {
		if p != "" {
			paths = append(paths, p)
		}
	}
	for _, path := range paths {
		t.Run(filepath.Base(path), func(t *testing.T) { runChecks(t, path, methods) })
	}
}

// method answers a check from its input: what it expects by name. An error says
// that the input is not estimable. With left it names leaves that the product
// does not compute, with the reason.
type method func(input json.RawMessage) (got map[string]any, left map[string]string, err error)

// methods are those that the product has.
var methods = map[string]method{
	"fisher22":         fisher22,
	"mann_kendall_sen": mannKendallSen,
	"p_adjust":         pAdjust,
}

type checkFile struct {
	Format string
	Checks []check
}

type check struct {
	ID, Method, Kind string
	Input            json.RawMessage
	Expected         map[string]any
	Tol              struct {
		tolerance
		ByKey map[string]tolerance `json:"by_key"`
	}
}

type tolerance struct{ Rel, Abs float64 }

func (t tolerance) allows(got, want float64) bool {
	if math.IsInf(want, 0) {
		return got == want
	}
	return math.Abs(got-want) <= max(t.Abs, t.Rel*math.Abs(want))
}

func runChecks(t *testing.T, path string, methods map[string]method) {
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var file checkFile
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	if file.Format != "plant-trial-stats-checks/1" || len(file.Checks) == 0 {
		t.Fatalf("format %q with %d checks", file.Format, len(file.Checks))
	}
	for _, c := range file.Checks {
		t.Run(c.ID, func(t *testing.T) {
			answer, ok := methods[c.Method]
			if !ok {
				if path == ownChecks {
					t.Errorf("there is no method %q", c.Method)
				}
				t.Logf("not run: the product has no method %q", c.Method)
				return
			}
			got, left, err := answer(c.Input)
			for _, fault := range c.faults(got, left, err) {
				t.Error(fault)
			}
			for key, reason := range left {
				if _, asked := c.Expected[key]; asked {
					t.Logf("not compared: %s: %s", key, reason)
				}
			}
		})
	}
}

// faults compares an answer with what the check expects.
func (c check) faults(got map[string]any, left map[string]string, err error) (faults []string) {
	if c.Kind == "not_estimable" {
		if !errors.Is(err, errNotEstimable) || len(got) > 0 {
			faults = append(faults, fmt.Sprintf("got %v, %v; want not estimable", got, err))
		}
		return faults
	}
	if err != nil {
		return []string{err.Error()}
	}
	for key, want := range c.Expected {
		if _, ok := left[key]; ok {
			continue
		}
		value, ok := got[key]
		if !ok {
			faults = append(faults, key+": no answer")
			continue
		}
		faults = append(faults, c.compare(key, key, value, want)...)
	}
	slices.Sort(faults)
	return faults
}

// compare compares one leaf, or the leaves of an array or object.
func (c check) compare(path, key string, got, want any) []string {
	fault := []string{fmt.Sprintf("%s = %v, want %v", path, got, want)}
	number, isNumber := got.(float64)
	if isNumber && (math.IsNaN(number) || math.IsInf(number, 0) && want != "Inf" && want != "-Inf") {
		return fault
	}
	switch want := want.(type) {
	case nil:
		return nil
	case float64:
		tol, ok := c.Tol.ByKey[key]
		if !ok {
			tol = c.Tol.tolerance
		}
		if !isNumber || !tol.allows(number, want) {
			return fault
		}
	case string:
		sign := map[string]int{"Inf": 1, "-Inf": -1}[want]
		if got != want && !(sign != 0 && isNumber && math.IsInf(number, sign)) {
			return fault
		}
	case bool:
		if got != want {
			return fault
		}
	case []any:
		list, ok := got.([]any)
		if !ok || len(list) != len(want) {
			return fault
		}
		var faults []string
		for i := range want {
			faults = append(faults, c.compare(fmt.Sprintf("%s[%d]", path, i), key, list[i], want[i])...)
		}
		return faults
	case map[string]any:
		object, ok := got.(map[string]any)
		if !ok {
			return fault
		}
		var faults []string
		for k := range want {
			faults = append(faults, c.compare(path+"."+k, k, object[k], want[k])...)
		}
		return faults
	}
	return nil
}

var errNotEstimable = errors.New("not estimable")

func mannKendallSen(input json.RawMessage) (map[string]any, map[string]string, error) {
	var in struct{ T, Y []float64 }
	if err := json.Unmarshal(input, &in); err != nil {
		return nil, nil, err
	}
	trend, err := MannKendall(in.Y)
	if err != nil {
		return nil, nil, err
	}
	slope, err := TheilSen(in.T, in.Y, 0.95)
	if err != nil {
		return nil, nil, err
	}
	if slope.Slopes == 0 {
		return nil, nil, errNotEstimable
	}
	got := map[string]any{
		"n": float64(trend.N), "s": float64(trend.S), "var_s": trend.VarS, "z": trend.Z,
		"p_normal": trend.PNormal, "tau_b": trend.TauB,
		"sen_slope": slope.Slope, "sen_intercept_median": slope.Intercept,
		"n_slopes": float64(slope.Slopes), "gilbert_m1": slope.RankLow, "gilbert_m2": slope.RankHigh,
		"ci_interp_low": any("not_estimable"), "ci_interp_high": any("not_estimable"),
	}
	if slope.HasInterval {
		got["ci_interp_low"], got["ci_interp_high"] = slope.Low, slope.High
	}
	const convention = "limits are interpolated between ranks, not rounded"
	left := map[string]string{"ci_rounded_low": convention, "ci_rounded_high": convention}
	switch {
	case trend.Exact:
		got["p_exact"] = trend.PTwoSided
	case !trend.Ties && trend.N <= maxOrders:
		fall, same, all := ordersAtMost(trend.N, trend.S)
		rise := all - fall + same
		got["p_exact"] = min(1, 2*float64(min(fall, rise))/float64(all))
	default:
		left["p_exact"] = "the exact law is for up to 20 values without ties"
	}
	return got, left, nil
}

// The loader itself must see a wrong value, a missing leaf and a number where
// there is none.
func TestCheckLoaderFindsFaults(t *testing.T) {
	c := check{Expected: map[string]any{
		"exact": 3.0, "near": 2.0, "list": []any{1.0, nil}, "median": "not_reached", "none": nil,
		"deep": map[string]any{"near": 2.0}, "gone": 1.0, "far": "Inf", "yes": true,
	}}
	c.Tol.Rel = 1e-3
	c.Tol.ByKey = map[string]tolerance{"exact": {}}
	good := map[string]any{
		"exact": 3.0, "near": 2.001, "list": []any{1.0, 5.0}, "median": "not_reached", "none": 7.0,
		"deep": map[string]any{"near": 1.999}, "gone": 1.0, "far": math.Inf(1), "yes": true,
	}
	if faults := c.faults(good, nil, nil); len(faults) > 0 {
		t.Errorf("a right answer has faults: %v", faults)
	}
	for key, wrong := range map[string]any{
		"exact": 3.0000001, "near": 2.003, "list": []any{1.01, 5.0}, "median": 4.0, "none": math.NaN(),
		"deep": map[string]any{"near": 1.9}, "gone": "x", "far": 1e300, "yes": false,
	} {
		bad := map[string]any{}
		for k, v := range good {
			bad[k] = v
		}
		bad[key] = wrong
		if faults := c.faults(bad, nil, nil); len(faults) != 1 {
			t.Errorf("%s = %v: faults %v", key, wrong, faults)
		}
		delete(bad, key)
		if faults := c.faults(bad, nil, nil); len(faults) != 1 {
			t.Errorf("%s missing: faults %v", key, faults)
		}
		if faults := c.faults(bad, map[string]string{key: "left"}, nil); len(faults) != 0 {
			t.Errorf("%s left: faults %v", key, faults)
		}
	}
	c.Kind = "not_estimable"
	if c.faults(nil, nil, errNotEstimable) != nil || c.faults(good, nil, nil) == nil || c.faults(nil, nil, errors.New("x")) == nil {
		t.Error("not_estimable is judged wrongly")
	}
}
