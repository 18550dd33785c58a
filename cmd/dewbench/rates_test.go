package main

import (
	"net/netip"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/spf13/cobra"

	"dewbench/service"
)

// The flags come before the environment, and that before what is usual.
func TestRates(t *testing.T) {
	t.Setenv("DEWBENCH_CALLS_PER_ADDRESS", "0")
	t.Setenv("DEWBENCH_CALLS_PER_TOKEN", "7")
	t.Setenv("DEWBENCH_TRUSTED_PROXIES", " 10.1.2.3/8, ::1,")
	for name, c := range map[string]struct {
		args []string
		want service.Rates
	}{
		"environment": {nil, service.Rates{
			CallsPerToken: 7, FailuresPerAddress: usualFailuresPerAddress,
			TrustedProxies: []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("::1/128")},
		}},
		"flags": {
			[]string{"--calls-per-token=8", "--calls-per-address=9", "--failures-per-address=0", "--trusted-proxies="},
			service.Rates{CallsPerToken: 8, CallsPerAddress: 9},
		},
	} {
		t.Run(name, func(t *testing.T) {
			var r rateFlags
			command := &cobra.Command{}
			r.flags(command)
			if err := command.ParseFlags(c.args); err != nil {
				t.Fatal(err)
			}
			got, err := r.read()
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got, cmpopts.EquateComparable(netip.Prefix{}), cmpopts.EquateEmpty()); diff != "" {
				t.Error(diff)
			}
		})
	}
}
