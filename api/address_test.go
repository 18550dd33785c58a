package api

import (
	"log/slog"
	"net/netip"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dewbench/service"
)

// trusting returns a meter that trusts some proxies.
func trusting(networks ...string) *meter {
	var rates service.Rates
	rates.CallsPerAddress = 1
	for _, n := range networks {
		rates.TrustedProxies = append(rates.TrustedProxies, netip.MustParsePrefix(n))
	}
	return newMeter(rates, nil, slog.New(slog.DiscardHandler))
}

func TestWhence(t *testing.T) {
	m := trusting("10.0.0.0/8", "2001:db8:1::/48")
	for name, c := range map[string]struct {
		from           string
		usual, rfc7239 []string
		want           string
	}{
		"no proxy":                             {"192.0.2.1", nil, nil, "192.0.2.1"},
		"IPv4 in IPv6":                         {"::ffff:192.0.2.1", nil, nil, "192.0.2.1"},
		"IPv6 by /64":                          {"2001:db8:2:3:4:5:6:7", nil, nil, "2001:db8:2:3::"},
		"zone":                                 {"fe80::1%eth0", nil, nil, "fe80::"},
		"who is not trusted is not believed":   {"192.0.2.1", []string{"198.51.100.1"}, []string{"for=198.51.100.1"}, "192.0.2.1"},
		"proxy that does not say for whom":     {"10.0.0.1", nil, nil, "10.0.0.1"},
		"one proxy":                            {"10.0.0.1", []string{"192.0.2.1"}, nil, "192.0.2.1"},
		"IPv6 through a proxy":                 {"10.0.0.1", []string{"2001:db8:2:3::4"}, nil, "2001:db8:2:3::"},
		"two proxies":                          {"10.0.0.1", []string{"192.0.2.1, 10.9.9.9"}, nil, "192.0.2.1"},
		"two header lines":                     {"10.0.0.1", []string{"192.0.2.1", "2001:db8:1::9"}, nil, "192.0.2.1"},
		"what the caller wrote is not read":    {"10.0.0.1", []string{"198.51.100.1, garbage, 192.0.2.1"}, nil, "192.0.2.1"},
		"caller plays a trusted proxy":         {"10.0.0.1", []string{"198.51.100.1, 10.1.1.1, 192.0.2.1"}, nil, "192.0.2.1"},
		"only proxies":                         {"10.0.0.1", []string{"10.0.0.3,10.0.0.2"}, nil, "10.0.0.3"},
		"garbage from a proxy":                 {"10.0.0.1", []string{"192.0.2.1, unknown"}, nil, "10.0.0.1"},
		"garbage behind a proxy":               {"10.0.0.1", []string{"what, 10.0.0.2"}, nil, "10.0.0.2"},
		"with ports":                           {"10.0.0.1", []string{"192.0.2.1:4711"}, nil, "192.0.2.1"},
		"IPv6 with port":                       {"10.0.0.1", []string{"[2001:db8:2:3::4]:80"}, nil, "2001:db8:2:3::"},
		"IPv6 in brackets":                     {"10.0.0.1", []string{"[2001:db8:2:3::4]"}, nil, "2001:db8:2:3::"},
		"empty header":                         {"10.0.0.1", []string{""}, nil, "10.0.0.1"},
		"Forwarded":                            {"10.0.0.1", nil, []string{`for=192.0.2.1`}, "192.0.2.1"},
		"Forwarded with more":                  {"10.0.0.1", nil, []string{`proto=https;For="[2001:db8:2:3::4]:4711" ; by=_secret, for=10.4.4.4;host="a,b;c"`}, "2001:db8:2:3::"},
		"Forwarded by two":                     {"2001:db8:1::1", nil, []string{`for=192.0.2.1`, `for=10.4.4.4`}, "192.0.2.1"},
		"Forwarded does not say for whom":      {"10.0.0.1", nil, []string{`for=192.0.2.1, proto=http`}, "10.0.0.1"},
		"obfuscated":                           {"10.0.0.1", nil, []string{`for=_hidden, for="_SEVKISEK"`}, "10.0.0.1"},
		"open quote swallows what follows":     {"10.0.0.1", nil, []string{`for="198.51.100.1`, `for=192.0.2.1`}, "10.0.0.1"},
		"quote closed by the proxy's":          {"10.0.0.1", nil, []string{`for=198.51.100.1;by="`, `for="[2001:db8:2:3::4]"`}, "10.0.0.1"},
		"twice in an element":                  {"10.0.0.1", nil, []string{`for=192.0.2.1;for=198.51.100.1`}, "10.0.0.1"},
		"no equals sign":                       {"10.0.0.1", nil, []string{`for`}, "10.0.0.1"},
		"both say the same":                    {"10.0.0.1", []string{"192.0.2.1"}, []string{"for=192.0.2.1"}, "192.0.2.1"},
		"the other header is the caller's own": {"10.0.0.1", []string{"192.0.2.1"}, []string{"for=198.51.100.1"}, "10.0.0.1"},
		"and the other way round":              {"10.0.0.1", []string{"198.51.100.1"}, []string{"for=192.0.2.1"}, "10.0.0.1"},
	} {
		t.Run(name, func(t *testing.T) {
			if got := m.whence(netip.MustParseAddr(c.from), c.usual, c.rfc7239); got.String() != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

// The examples of RFC 7239, sections 4, 6.3 and 7.1.
func TestForwardedOfTheStandard(t *testing.T) {
	for text, want := range map[string][]string{
		`for="_gazonk"`:                                        {"_gazonk"},
		`For="[2001:db8:cafe::17]:4711"`:                       {"[2001:db8:cafe::17]:4711"},
		`for=192.0.2.60;proto=http;by=203.0.113.43`:            {"192.0.2.60"},
		`for=192.0.2.43, for=198.51.100.17`:                    {"192.0.2.43", "198.51.100.17"},
		`for=_hidden, for=_SEVKISEK`:                           {"_hidden", "_SEVKISEK"},
		`for=192.0.2.43, for="[2001:db8:cafe::17]"`:            {"192.0.2.43", "[2001:db8:cafe::17]"},
		`for=192.0.2.43,for="[2001:db8:cafe::17]",for=unknown`: {"192.0.2.43", "[2001:db8:cafe::17]", "unknown"},
	} {
		got, err := forwardedHops(text)
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("%s: %v %s", text, err, diff)
		}
	}
}

// Whatever a caller writes before what its proxy adds, the call counts for the caller's
// own address or for the proxy's.
func FuzzWhence(f *testing.F) {
	for _, seed := range []string{"", "198.51.100.1", `for=198.51.100.1`, `for="`, `for="\`, `a="b";`, "10.1.1.1,", "[::1]:80", "=", ";;,", `for=198.51.100.1;by="`} {
		f.Add(seed, seed)
	}
	m := trusting("10.0.0.0/8")
	proxy, caller := netip.MustParseAddr("10.0.0.1"), "192.0.2.1"
	f.Fuzz(func(t *testing.T, usual, standard string) {
		allowed := func(what string, got netip.Addr) {
			if s := got.String(); s != caller && s != proxy.String() {
				t.Errorf("%s: %q and %q made it %s", what, usual, standard, s)
			}
		}
		// As usual in proxies: what they add follows in the same line.
		join := func(before, added string) []string {
			if before == "" {
				return []string{added}
			}
			return []string{before + ", " + added}
		}
		added := []string{"for=" + caller, `for="` + caller + `:4711";proto="https"`}
		allowed("one header", m.whence(proxy, join(usual, caller), nil))
		allowed("the caller's other one", m.whence(proxy, join(usual, caller), []string{standard}))
		for _, a := range added {
			allowed("the standard one", m.whence(proxy, nil, join(standard, a)))
			allowed("and the usual one of the caller", m.whence(proxy, []string{usual}, join(standard, a)))
			allowed("both", m.whence(proxy, join(usual, caller), join(standard, a)))
		}
		if hops, err := forwardedHops(standard); err == nil && len(hops) > 1+strings.Count(standard, ",") {
			t.Errorf("%q: %q", standard, hops)
		}
	})
}
