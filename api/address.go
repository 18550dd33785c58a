package api

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
)

// The headers by which proxies tell for whom they call: the usual one, and that of RFC
// 7239. Metadata of gRPC has them in lower case.
const (
	forwardedForHeader = "X-Forwarded-For"
	forwardedHeader    = "Forwarded"
)

// arrival is a call with where it came from, and what was counted of it. A call that is
// made in the process has none: it came from nowhere.
type arrival struct {
	address netip.Addr // zero: one that is none of the internet
	counted bool       // for the address
	spent   bool       // for the token
}

type arrivalKey struct{}

func arrivalOf(ctx context.Context) *arrival {
	a, _ := ctx.Value(arrivalKey{}).(*arrival)
	return a
}

// arriveByHTTP tells where a request came from.
func (m *meter) arriveByHTTP(r *http.Request) *arrival {
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return &arrival{}
	}
	return &arrival{address: m.whence(from.Addr(), r.Header.Values(forwardedForHeader), r.Header.Values(forwardedHeader))}
}

// arriveByGRPC tells where a call came from; nil if it was made in the process.
func (m *meter) arriveByGRPC(ctx context.Context) *arrival {
	from, ok := peer.FromContext(ctx)
	if !ok {
		return nil
	}
	tcp, ok := from.Addr.(*net.TCPAddr)
	if !ok {
		return &arrival{}
	}
	return &arrival{address: m.whence(tcp.AddrPort().Addr(),
		metadata.ValueFromIncomingContext(ctx, strings.ToLower(forwardedForHeader)),
		metadata.ValueFromIncomingContext(ctx, strings.ToLower(forwardedHeader)))}
}

// whence returns the address that a call counts for: of whoever called the outermost of
// the proxies that are trusted, or else of who is at the other end of the connection.
// Who can call from one address of IPv6 can call from all of its /64, so these are one.
func (m *meter) whence(from netip.Addr, forwardedFor, forwarded []string) netip.Addr {
	if m == nil {
		return netip.Addr{}
	}
	from = plainAddress(from)
	if len(forwardedFor) > 0 || len(forwarded) > 0 {
		if m.trusts(from) {
			from = m.behind(from, forwardedFor, forwarded)
		} else {
			m.strangeProxy.Do(func() {
				m.log.Warn("a proxy forwards calls that --trusted-proxies does not name, or a caller plays one: "+
					"all calls through it count as of one address", "address", from.String())
			})
		}
	}
	if from.Is6() {
		return netip.PrefixFrom(from, 64).Masked().Addr()
	}
	return from
}

// plainAddress writes an address in its one form: without a zone, and IPv4 as such.
func plainAddress(a netip.Addr) netip.Addr { return a.Unmap().WithZone("") }

// trusts tells whether an address is that of a trusted proxy.
func (m *meter) trusts(a netip.Addr) bool {
	for _, p := range m.proxies {
		if p.Contains(a) {
			return true
		}
	}
	return false
}

// behind returns for whom a trusted proxy calls. What a proxy adds stands rightmost; what
// is to the left of the first address that is no trusted proxy anybody may have written.
// A proxy sets one of the two headers and may let the other pass as its caller sent it,
// so where both are there and differ, neither is believed: all such calls count as the
// proxy's own, and nobody gains by it.
func (m *meter) behind(proxy netip.Addr, forwardedFor, forwarded []string) netip.Addr {
	usual := m.outermost(proxy, strings.Split(strings.Join(forwardedFor, ","), ","))
	if len(forwarded) == 0 {
		return usual
	}
	hops, err := forwardedHops(strings.Join(forwarded, ","))
	if err != nil {
		return proxy
	}
	standard := m.outermost(proxy, hops)
	if len(forwardedFor) > 0 && usual != standard {
		return proxy
	}
	return standard
}

// outermost walks from a trusted proxy to the left, as long as there are trusted
// proxies. Where a hop is not told by an address it is the last one that was.
func (m *meter) outermost(last netip.Addr, hops []string) netip.Addr {
	for i := len(hops) - 1; i >= 0; i-- {
		hop, ok := hopAddress(strings.Trim(hops[i], " \t"))
		if !ok {
			return last
		}
		if last = hop; !m.trusts(hop) {
			return last
		}
	}
	return last
}

// hopAddress reads an address that may have a port: 192.0.2.1, 192.0.2.1:80, 2001:db8::1,
// [2001:db8::1] or [2001:db8::1]:80.
func hopAddress(text string) (netip.Addr, bool) {
	if len(text) > 64 {
		return netip.Addr{}, false
	}
	if inner, closed := strings.CutSuffix(text, "]"); closed && strings.HasPrefix(inner, "[") {
		a, err := netip.ParseAddr(inner[1:])
		return plainAddress(a), err == nil && a.Is6()
	}
	if a, err := netip.ParseAddr(text); err == nil {
		return plainAddress(a), true
	}
	a, err := netip.ParseAddrPort(text)
	return plainAddress(a.Addr()), err == nil
}

var errForwarded = errors.New("not the header Forwarded of RFC 7239")

// forwardedHops returns what the header Forwarded says in each element for whom it is, ""
// where it does not (RFC 7239, section 4). If any of it is malformed all of it is: a
// quote that a caller leaves open would swallow what the proxy adds.
func forwardedHops(text string) ([]string, error) {
	var hops []string
	hop, named := "", false
	for {
		text = strings.TrimLeft(text, " \t")
		name := leadingToken(text)
		if text = text[len(name):]; name != "" {
			value, rest, err := forwardedValue(text)
			if err != nil {
				return nil, err
			}
			text = strings.TrimLeft(rest, " \t")
			if strings.EqualFold(name, "for") {
				if named { // "Each parameter MUST NOT occur more than once per field-value."
					return nil, errForwarded
				}
				hop, named = value, true
			}
		}
		switch {
		case text == "":
			return append(hops, hop), nil
		case text[0] == ',':
			hops, hop, named = append(hops, hop), "", false
		case text[0] != ';':
			return nil, errForwarded
		}
		text = text[1:]
	}
}

// forwardedValue reads "=" and a token or quoted string (RFC 9110, section 5.6.4).
// Addresses of IPv4 with a port must be quoted, but not all proxies do.
func forwardedValue(text string) (value, rest string, err error) {
	text, ok := strings.CutPrefix(text, "=")
	if !ok {
		return "", "", errForwarded
	}
	text, quoted := strings.CutPrefix(text, `"`)
	if !quoted {
		if value = leadingToken(text); value == "" {
			return "", "", errForwarded
		}
		return value, text[len(value):], nil
	}
	var out strings.Builder
	for i := 0; i < len(text); i++ {
		switch text[i] {
		case '"':
			return out.String(), text[i+1:], nil
		case '\\':
			if i++; i == len(text) {
				return "", "", errForwarded
			}
		}
		out.WriteByte(text[i])
	}
	return "", "", errForwarded
}

// leadingToken returns the token that text begins with (RFC 9110, section 5.6.2), with
// colons among it.
func leadingToken(text string) string {
	for i := range len(text) {
		c := text[i]
		if (c|0x20 < 'a' || c|0x20 > 'z') && (c < '0' || c > '9') && !strings.ContainsRune("!#$%&'*+-.^_`|~:", rune(c)) {
			return text[:i]
		}
	}
	return text
}
