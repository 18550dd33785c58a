package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"sync"
	"syscall"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"
	"golang.org/x/sync/singleflight"
)

const (
	// keysFresh is how long the keys of an issuer are taken as they were fetched. One that
	// it withdraws is refused from then on at the latest.
	keysFresh = 15 * time.Minute
	// keysKept is how long they are taken while the issuer cannot be reached.
	keysKept = 24 * time.Hour
	// keysApart is how long it is between two fetches, whatever is asked for.
	keysApart = 30 * time.Second
	// keysWait is how long a fetch may take.
	keysWait = 10 * time.Second
	// keysPatience is how long a call waits for keys that only confirm those that are held.
	keysPatience = 2 * time.Second
	// mostKeyBytes is how much an issuer may answer, mostKeys how many keys it may have.
	mostKeyBytes = 1 << 20
	mostKeys     = 100
)

// keys are those of an issuer, as it last told them.
type keys struct {
	issuer string
	now    func() time.Time
	log    *slog.Logger
	once   singleflight.Group // one fetch at a time

	mu      sync.Mutex
	all     []jose.JSONWebKey
	fetched time.Time // when they were; zero: never
	tried   time.Time // when that was last tried; zero: never
	failed  bool      // the last try did
}

func newKeys(issuer string, now func() time.Time, log *slog.Logger) *keys {
	return &keys{issuer: issuer, now: now, log: log}
}

// find returns the keys that an id is of, or all for "". The issuer is asked if they were
// not fetched lately, or if none has the id (OpenID Connect Core 1.0, section 10.1.1), but
// not again and again. Errors: TokenInvalid if none has the id; IssuerUnavailable if that
// cannot be told.
func (k *keys) find(ctx context.Context, id string) ([]jose.JSONWebKey, error) {
	found, fresh := k.held(id)
	if len(found) > 0 && fresh {
		return found, nil
	}
	waiting := ctx
	if len(found) > 0 {
		short, cancel := context.WithTimeout(ctx, keysPatience)
		defer cancel()
		waiting = short
	}
	err := k.refresh(waiting)
	found, fresh = k.held(id)
	switch {
	case len(found) > 0:
		return found, nil // also those that the issuer could not confirm: for their time
	case err == nil && fresh:
		return nil, invalidToken("its issuer has no key with the id of its header")
	}
	wait, when := k.untilNext(), "in a moment"
	if wait > 0 {
		when = fmt.Sprintf("in %d s", (wait+time.Second-1)/time.Second)
	}
	return nil, &Error{Reason: IssuerUnavailable, Message: "the issuer of the access token does not tell its keys, so the token cannot be judged: call again " + when,
		RetryAfter: wait, cause: err}
}

// untilNext is how long it is until the issuer may be asked again; 0 if it may be now.
func (k *keys) untilNext() time.Duration {
	k.mu.Lock()
	defer k.mu.Unlock()
	age := k.now().Sub(k.tried)
	if k.tried.IsZero() || age < 0 { // the clock may jump
		return 0
	}
	return max(0, keysApart-age)
}

// held returns the keys with an id that are held and not too old, and whether they were
// fetched lately.
func (k *keys) held(id string) (found []jose.JSONWebKey, fresh bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	age := k.now().Sub(k.fetched)
	if k.fetched.IsZero() || age >= keysKept {
		return nil, false
	}
	for _, key := range k.all {
		if id == "" || key.KeyID == id {
			found = append(found, key)
		}
	}
	return found, age >= 0 && age < keysFresh // the clock may jump
}

// refresh fetches the keys, unless that was tried just now. Many calls share one fetch,
// which goes on when the call that began it ends.
func (k *keys) refresh(ctx context.Context) error {
	if wait, err := k.justTried(); wait {
		return err
	}
	done := k.once.DoChan("", func() (any, error) {
		if wait, err := k.justTried(); wait {
			return nil, err
		}
		background, cancel := context.WithTimeout(context.WithoutCancel(ctx), keysWait)
		defer cancel()
		all, err := fetchKeys(background, k.issuer)
		k.mu.Lock()
		defer k.mu.Unlock()
		k.tried, k.failed = k.now(), err != nil
		if err == nil {
			k.all, k.fetched = all, k.tried
		} else {
			k.log.WarnContext(ctx, "cannot fetch the keys of an issuer", "issuer", k.issuer, "error", err)
		}
		return nil, err
	})
	select {
	case result := <-done:
		return result.Err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// justTried tells whether it is too early for another fetch, and then how the last ended.
func (k *keys) justTried() (bool, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	age := k.now().Sub(k.tried)
	if k.tried.IsZero() || age >= keysApart || age < 0 {
		return false, nil
	}
	if k.failed {
		return true, errors.New("the last fetch failed")
	}
	return true, nil
}

// fetchKeys asks an issuer where its keys are, and for them (OpenID Connect Discovery 1.0,
// section 4; RFC 7517).
func fetchKeys(ctx context.Context, issuer string) ([]jose.JSONWebKey, error) {
	own := newFetcher(false)
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, own), issuer) // refuses a document of another issuer
	if err != nil {
		return nil, fmt.Errorf("discovery: %w", err)
	}
	var told struct {
		Keys string `json:"jwks_uri"`
	}
	if err := provider.Claims(&told); err != nil {
		return nil, fmt.Errorf("discovery: %w", err)
	}
	at, err := checkKeysAddress(issuer, told.Keys)
	if err != nil {
		return nil, err
	}
	from, err := url.Parse(issuer)
	if err != nil {
		return nil, err
	}
	client := own
	if at.Hostname() != from.Hostname() {
		client = newFetcher(true)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, told.Keys, nil)
	if err != nil {
		return nil, err
	}
	answer, err := client.Do(request)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("keys: the issuer answers %s", answer.Status)
	}
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	return readKeys(text)
}

// readKeys reads a set of keys. Those that cannot prove tokens here are passed over (RFC
// 7517, section 5).
func readKeys(text []byte) ([]jose.JSONWebKey, error) {
	var set struct {
		Keys []json.RawMessage `json:"keys"`
	}
	if err := json.Unmarshal(text, &set); err != nil {
		return nil, fmt.Errorf("keys: %w", err)
	}
	var all []jose.JSONWebKey
	for _, raw := range set.Keys {
		var key jose.JSONWebKey
		if json.Unmarshal(raw, &key) == nil && usable(&key) && len(all) < mostKeys {
			all = append(all, key)
		}
	}
	if len(all) == 0 {
		return nil, errors.New("keys: there is none that proves tokens")
	}
	return all, nil
}

// checkKeysAddress refuses an address of keys that anyone on the way could answer.
func checkKeysAddress(issuer, address string) (*url.URL, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" {
		return nil, errors.New("discovery: jwks_uri is no address")
	}
	if from, err := url.Parse(issuer); err == nil && from.Scheme == "http" && u.Scheme == "http" && loopback(u.Hostname()) {
		return u, nil // the issuer is on this machine
	}
	if u.Scheme != "https" {
		return nil, errors.New("discovery: jwks_uri must begin with https://")
	}
	return u, nil
}

// loopback tells whether a host is this machine.
func loopback(host string) bool {
	address, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && address.Unmap().IsLoopback()
}

// newFetcher returns a client for issuers. It follows no redirect to another host, and reads
// no more than an issuer has to say. With publicOnly it asks no private address: the issuer
// was chosen by who runs the server, but what it points to was not.
func newFetcher(publicOnly bool) *http.Client {
	dialer := &net.Dialer{Timeout: keysWait}
	transport := &http.Transport{
		Proxy: http.ProxyFromEnvironment, TLSHandshakeTimeout: keysWait, ResponseHeaderTimeout: keysWait,
		DisableKeepAlives: true, // it is asked again in minutes
		ForceAttemptHTTP2: true,
	}
	if publicOnly {
		transport.Proxy = nil // which could reach what this must not
		dialer.Control = func(_, address string, _ syscall.RawConn) error { return checkPublic(address) }
	}
	transport.DialContext = dialer.DialContext
	return &http.Client{
		Transport: bounded{transport},
		CheckRedirect: func(next *http.Request, before []*http.Request) error {
			if first := before[0].URL; next.URL.Scheme != first.Scheme || next.URL.Host != first.Host {
				return errors.New("the issuer points to another host")
			}
			if len(before) >= 5 {
				return errors.New("the issuer points on and on")
			}
			return nil
		},
	}
}

// checkPublic refuses an address that the world cannot reach.
func checkPublic(address string) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil {
		return fmt.Errorf("%s: is no address", address)
	}
	if ip := at.Addr().Unmap(); !ip.IsGlobalUnicast() || ip.IsPrivate() {
		return errors.New("the issuer points to a private address")
	}
	return nil
}

// bounded reads no more of an answer than an issuer has to say.
type bounded struct{ http.RoundTripper }

// RoundTrip sends a request.
func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	answer, err := b.RoundTripper.RoundTrip(r)
	if err == nil {
		answer.Body = http.MaxBytesReader(nil, answer.Body, mostKeyBytes)
	}
	return answer, err
}
