package api

import (
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/golang-jwt/jwt/v5"

	"dewbench/service"
)

// localIssuer is an issuer of access tokens on this machine (OpenID Connect Discovery 1.0).
// Its tokens are signed by golang-jwt, which is not what the server reads them with.
type localIssuer struct {
	*httptest.Server
	asked atomic.Int64 // how often its keys were
	down  atomic.Bool

	mu      sync.Mutex
	signers map[string]crypto.Signer // all keys that it ever had, by their ids
	told    []jose.JSONWebKey        // those that it tells
	keysAt  string                   // jwks_uri; "": its own
	claims  string                   // the issuer in its document; "": itself
	moved   string                   // where its keys redirect to; "": nowhere
}

// rsaKeys are those of all local issuers: to make one takes long.
var rsaKeys = sync.OnceValue(func() []*rsa.PrivateKey {
	all := make([]*rsa.PrivateKey, 3)
	for i, bits := range []int{2048, 2048, 1024} {
		var err error
		if all[i], err = rsa.GenerateKey(rand.Reader, bits); err != nil {
			panic(err)
		}
	}
	return all
})

// newLocalIssuer starts an issuer with an RSA key "rsa" and an elliptic one "ec".
func newLocalIssuer(t testing.TB) *localIssuer {
	t.Helper()
	i := startIssuer()
	t.Cleanup(i.Close)
	return i
}

func startIssuer() *localIssuer {
	i := &localIssuer{signers: map[string]crypto.Signer{}}
	curved, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		panic(err)
	}
	i.add("rsa", rsaKeys()[0])
	i.add("ec", curved)
	mux := http.NewServeMux()
	mux.HandleFunc("/.well-known/openid-configuration", i.answer(func(http.ResponseWriter, *http.Request) any {
		document := map[string]any{"issuer": i.URL, "jwks_uri": i.URL + "/keys", "id_token_signing_alg_values_supported": []string{"RS256", "HS256", "none"}}
		if i.keysAt != "" {
			document["jwks_uri"] = i.keysAt
		}
		if i.claims != "" {
			document["issuer"] = i.claims
		}
		return document
	}))
	mux.HandleFunc("/keys", i.answer(func(w http.ResponseWriter, r *http.Request) any {
		i.asked.Add(1)
		if i.moved != "" {
			http.Redirect(w, r, i.moved, http.StatusFound)
			return nil
		}
		return jose.JSONWebKeySet{Keys: i.told}
	}))
	i.Server = httptest.NewServer(mux)
	return i
}

func (i *localIssuer) answer(what func(http.ResponseWriter, *http.Request) any) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if i.down.Load() {
			http.Error(w, "down", http.StatusServiceUnavailable)
			return
		}
		i.mu.Lock()
		defer i.mu.Unlock()
		if document := what(w, r); document != nil {
			w.Header().Set("Content-Type", "application/json")
			_ = json.NewEncoder(w).Encode(document) // the test sees that it is not read
		}
	}
}

// add adds a key, which is told from now on.
func (i *localIssuer) add(id string, key crypto.Signer) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.signers[id] = key
	i.told = append(i.told, jose.JSONWebKey{Key: key.Public(), KeyID: id, Use: "sig"})
}

// remove stops telling a key.
func (i *localIssuer) remove(id string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	var rest []jose.JSONWebKey
	for _, key := range i.told {
		if key.KeyID != id {
			rest = append(rest, key)
		}
	}
	i.told = rest
}

// set changes what the issuer answers.
func (i *localIssuer) set(f func()) {
	i.mu.Lock()
	defer i.mu.Unlock()
	f()
}

// method is the algorithm that fits a key.
func method(key crypto.Signer) jwt.SigningMethod {
	if _, curved := key.(*ecdsa.PrivateKey); curved {
		return jwt.SigningMethodES256
	}
	return jwt.SigningMethodRS256
}

// ticket is a token that is about to be signed.
type ticket struct {
	issuer *localIssuer
	claims jwt.MapClaims
	header map[string]any
	key    string
}

// access is a good access token (RFC 9068, section 2) of a subject at a moment, for five
// minutes.
func (i *localIssuer) access(subject string, at time.Time) *ticket {
	return &ticket{issuer: i, key: "rsa", header: map[string]any{"typ": "at+jwt"}, claims: jwt.MapClaims{
		"iss": i.URL, "sub": subject, "aud": "https://plants.example", "client_id": "bench-app", "jti": "1",
		"iat": at.Unix(), "exp": at.Add(5 * time.Minute).Unix(), "scope": "dewbench.manage",
	}}
}

// with returns a copy with other claims; those that are nil are left out.
func (k *ticket) with(claims jwt.MapClaims) *ticket {
	c := &ticket{k.issuer, maps.Clone(k.claims), maps.Clone(k.header), k.key}
	for name, value := range claims {
		if c.claims[name] = value; value == nil {
			delete(c.claims, name)
		}
	}
	return c
}

// headed returns a copy with another header; what is nil is left out.
func (k *ticket) headed(header map[string]any) *ticket {
	c := k.with(nil)
	for name, value := range header {
		if c.header[name] = value; value == nil {
			delete(c.header, name)
		}
	}
	return c
}

// by returns a copy that another key of the issuer signs.
func (k *ticket) by(key string) *ticket {
	c := k.with(nil)
	c.key = key
	return c
}

// sign signs it, and panics where that cannot be.
func (k *ticket) sign() string {
	k.issuer.mu.Lock()
	key := k.issuer.signers[k.key]
	k.issuer.mu.Unlock()
	return k.signAs(method(key), key)
}

func (k *ticket) signAs(method jwt.SigningMethod, key any) string {
	t := jwt.NewWithClaims(method, k.claims)
	t.Header["kid"] = k.key
	delete(t.Header, "typ") // it would say JWT
	for name, value := range k.header {
		t.Header[name] = value
		if value == nil {
			delete(t.Header, name)
		}
	}
	text, err := t.SignedString(key)
	if err != nil {
		panic(fmt.Sprintf("sign: %v", err))
	}
	return text
}

// takes is a server that takes access tokens of issuers.
func takes(all ...*localIssuer) service.SignIn {
	in := service.SignIn{Skew: time.Minute, DefaultScope: service.ScopeRecord}
	for _, i := range all {
		in.Issuers = append(in.Issuers, service.Issuer{URL: i.URL, Audiences: []string{"https://other.example", "https://plants.example"}})
	}
	return in
}

// shared is an issuer for tests that need any. TestMain stops it.
var (
	sharedStarted atomic.Bool
	sharedIssuer  = sync.OnceValue(func() *localIssuer {
		sharedStarted.Store(true)
		return startIssuer()
	})
)

func closeSharedIssuer() {
	if sharedStarted.Load() {
		sharedIssuer().Close()
	}
}
