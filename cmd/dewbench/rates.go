package main

import (
	"errors"
	"fmt"
	"net/netip"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dewbench/service"
)

// The usual rates: more than a script needs that goes through a large collection plant
// by plant, and than a society's hall full of telephones.
const (
	usualCallsPerToken      = 3000
	usualCallsPerAddress    = 6000
	usualFailuresPerAddress = 30
)

// rateFlags are the flags for how many calls are taken. The environment gives their
// defaults.
type rateFlags struct {
	command               *cobra.Command
	token, address, wrong perMinute
	proxies               networks
	variables             [][2]string // each behind its flag
}

func (r *rateFlags) flags(c *cobra.Command) {
	r.command = c
	r.token, r.address, r.wrong = usualCallsPerToken, usualCallsPerAddress, usualFailuresPerAddress
	add := func(value pflag.Value, flag, variable, what string) {
		r.variables = append(r.variables, [2]string{flag, variable})
		c.Flags().Var(value, flag, fmt.Sprintf("%s (environment: %s)", what, variable))
	}
	add(&r.token, "calls-per-token", "DEWBENCH_CALLS_PER_TOKEN", "calls a minute of one token; 0 is no limit")
	add(&r.address, "calls-per-address", "DEWBENCH_CALLS_PER_ADDRESS", "calls a minute from one address; 0 is no limit")
	add(&r.wrong, "failures-per-address", "DEWBENCH_FAILURES_PER_ADDRESS", "calls a minute from one address that may fail for a wrong token; 0 is no limit")
	add(&r.proxies, "trusted-proxies", "DEWBENCH_TRUSTED_PROXIES",
		"networks of proxies that are believed for whom they call, such as 10.0.0.0/8,::1")
}

// read returns the rates.
func (r *rateFlags) read() (service.Rates, error) {
	for _, pair := range r.variables {
		flag, variable := pair[0], pair[1]
		if given := os.Getenv(variable); given != "" && !r.command.Flags().Changed(flag) {
			if err := r.command.Flags().Lookup(flag).Value.Set(given); err != nil {
				return service.Rates{}, fmt.Errorf("%s %s: %w", variable, given, err)
			}
		}
	}
	return service.Rates{
		CallsPerToken: int(r.token), CallsPerAddress: int(r.address), FailuresPerAddress: int(r.wrong), TrustedProxies: r.proxies,
	}, nil
}

// perMinute is the value of a flag: how many calls are taken in a minute.
type perMinute int

const mostPerMinute = 1_000_000

// Set reads it.
func (p *perMinute) Set(text string) error {
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err != nil || n < 0 || n > mostPerMinute {
		return fmt.Errorf("must be calls a minute, 0 to %d; 0 is no limit", mostPerMinute)
	}
	*p = perMinute(n)
	return nil
}

// String writes it.
func (p *perMinute) String() string { return strconv.Itoa(int(*p)) }

// Type names its kind in the help.
func (p *perMinute) Type() string { return "number" }

// networks is the value of a flag: networks by CIDR (RFC 4632), or addresses, with commas
// between them.
type networks []netip.Prefix

// Set reads it.
func (n *networks) Set(text string) error {
	var read networks
	for part := range strings.SplitSeq(text, ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		p, err := netip.ParsePrefix(part)
		if err != nil {
			var a netip.Addr
			if a, err = netip.ParseAddr(part); err == nil {
				p, err = a.Prefix(a.BitLen())
			}
		}
		if err != nil || p.Addr().Zone() != "" || p.Addr().Is4In6() {
			return errors.New("must be addresses or networks with commas between them, such as 10.0.0.0/8,2001:db8::1")
		}
		read = append(read, p.Masked())
	}
	*n = read
	return nil
}

// String writes it.
func (n *networks) String() string {
	parts := make([]string, len(*n))
	for i, p := range *n {
		parts[i] = p.String()
	}
	return strings.Join(parts, ",")
}

// Type names its kind in the help.
func (n *networks) Type() string { return "networks" }
