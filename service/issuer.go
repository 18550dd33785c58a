package service

import (
	"cmp"
	"context"
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/coreos/go-oidc/v3/oidc"
	"github.com/go-jose/go-jose/v4"
)

// Access tokens of issuers are judged here: JSON Web Tokens (RFC 7519) of the profile for
// access tokens (RFC 9068), with what is said of their dangers (RFC 8725). Signatures and
// discovery are go-oidc's; it is made for ID tokens, so what tells an access token from
// those, and whom it is for, is judged here.

// SignIn is whose access tokens the server takes.
type SignIn struct {
	Issuers []Issuer
	// DefaultScope is that of an access token which tells none; "": it opens nothing.
	DefaultScope string
	// Skew is how far the clocks of issuers may be off.
	Skew time.Duration
	// CreateGrowers makes a grower of every identity that is nobody's.
	CreateGrowers bool
}

// Issuer is whose access tokens are taken, and which of them.
type Issuer struct {
	URL       string   // as the tokens have it; discovery begins there
	Audiences []string // a token must be for one of these
	Parties   []string // if any, to whom a token must have been issued: its azp and client_id
	// Untyped takes tokens whose header does not say at+jwt (RFC 9068, section 2.1), if the
	// rest of them tells that they are access tokens.
	Untyped bool
	// ScopeClaim tells what a token may do: text with spaces between, or a list; "" is scope.
	ScopeClaim string
	// ScopeValues are what it must hold for each of our scopes; where it has none it is
	// dewbench. and the scope.
	ScopeValues map[string]string
}

const (
	// mostSkew is how far clocks may be off: more would undo that tokens end.
	mostSkew = 5 * time.Minute
	// mostToken is how long an access token may be, in bytes.
	mostToken = 16 << 10
	// mostSubject is how long a subject may be (OpenID Connect Core 1.0, section 2).
	mostSubject = 255
	// fewestBits are those of an RSA key (RFC 7518, section 3.3).
	fewestBits = 2048
)

// algorithms are those that are taken, each of a public key: never none, and never one of a
// shared secret (RFC 8725, sections 3.1 and 3.2).
var algorithms = []jose.SignatureAlgorithm{
	jose.RS256, jose.RS384, jose.RS512, jose.PS256, jose.PS384, jose.PS512, jose.ES256, jose.ES384, jose.ES512, jose.EdDSA,
}

// claimed is what a good access token says.
type claimed struct {
	id              string // of the token, for the log and the history
	issuer, subject string
	name            string // "" if it tells none
	scopes          []string
	expireUs        int64
	lateUs          int64 // when it is taken no more
}

// displayName is the name of a grower who is made of what an access token says.
func (c *claimed) displayName() string {
	for _, name := range []string{c.name, c.subject} {
		name = strings.TrimSpace(strings.Map(func(r rune) rune {
			if unicode.IsControl(r) || r == utf8.RuneError {
				return -1
			}
			return r
		}, name))
		if runes := []rune(name); len(runes) > 200 {
			name = strings.TrimSpace(string(runes[:200]))
		}
		if name != "" {
			return name
		}
	}
	return "Grower"
}

// issuers are those whose access tokens are taken.
type issuers struct {
	byURL        map[string]*issuer
	defaultScope string
	skew         time.Duration
	now          func() time.Time
}

type issuer struct {
	Issuer
	keys *keys
}

// any tells whether access tokens of some issuer are taken.
func (all *issuers) any() bool { return len(all.byURL) > 0 }

// CheckURL tells what is wrong with the address of an issuer, if anything.
func (i *Issuer) CheckURL() error {
	u, err := url.Parse(i.URL)
	switch {
	case err != nil || u.Host == "" || u.User != nil:
		return errors.New("must be the address of the issuer, as its tokens have it, such as https://id.example")
	case u.RawQuery != "" || u.Fragment != "" || strings.ContainsAny(i.URL, "?#"):
		return errors.New("must have no query and no fragment") // OpenID Connect Discovery 1.0, section 3
	case u.Scheme != "https" && (u.Scheme != "http" || !loopback(u.Hostname())):
		return errors.New("must begin with https://, or with http:// on this machine")
	}
	return nil
}

func newIssuers(config SignIn, now func() time.Time, log *slog.Logger) (*issuers, error) {
	all := &issuers{byURL: map[string]*issuer{}, defaultScope: config.DefaultScope, skew: config.Skew, now: now}
	if config.Skew < 0 || config.Skew > mostSkew {
		return nil, fmt.Errorf("skew of clocks: must be 0 to %s", mostSkew)
	}
	if config.DefaultScope != "" && !slices.Contains(Scopes, config.DefaultScope) {
		return nil, fmt.Errorf("default scope %s: must be one of %s", config.DefaultScope, strings.Join(Scopes, ", "))
	}
	for _, i := range config.Issuers {
		if err := i.CheckURL(); err != nil {
			return nil, fmt.Errorf("issuer %s: %w", i.URL, err)
		}
		if len(i.Audiences) == 0 || slices.Contains(i.Audiences, "") {
			return nil, fmt.Errorf("issuer %s: needs an audience: whom its tokens must be for", i.URL)
		}
		if all.byURL[i.URL] != nil {
			return nil, fmt.Errorf("issuer %s: is given twice", i.URL)
		}
		all.byURL[i.URL] = &issuer{i, newKeys(i.URL, now, log)}
	}
	return all, nil
}

func invalidToken(format string, args ...any) *Error {
	return &Error{Reason: TokenInvalid, Message: "the access token is refused: " + fmt.Sprintf(format, args...)}
}

// judge tells what an access token says, or why it is refused. No error repeats it.
func (all *issuers) judge(ctx context.Context, token string) (*claimed, error) {
	if !all.any() {
		return nil, invalidToken("this server takes those of no issuer")
	}
	header, unproven, err := takeApart(token)
	if err != nil {
		return nil, err
	}
	algorithm, _ := header.text("alg")
	if !slices.Contains(algorithms, jose.SignatureAlgorithm(algorithm)) {
		return nil, invalidToken("its alg must be that of a public key, such as RS256 or ES256")
	}
	if header.has("crit") { // nothing that could stand there is known here (RFC 7515, section 4.1.11)
		return nil, invalidToken("its header asks by crit for what this server does not know")
	}
	// iss is compared byte by byte (RFC 7519, section 4.1.1; OpenID Connect Core 1.0, section
	// 3.1.3.7). It only chooses whose keys to try; the proven one is looked at again.
	from, _ := unproven.text("iss")
	i := all.byURL[from]
	if i == nil {
		return nil, invalidToken("this server takes none of its issuer")
	}
	says, err := i.prove(ctx, token)
	if err != nil {
		return nil, err
	}
	return all.read(i, token, header, says)
}

// prove returns the claims of a token if a key of the issuer signed it.
func (i *issuer) prove(ctx context.Context, token string) (claims, error) {
	names := make([]string, len(algorithms))
	for n, a := range algorithms {
		names[n] = string(a)
	}
	proof := &proof{keys: i.keys}
	verifier := oidc.NewVerifier(i.URL, proof, &oidc.Config{
		SupportedSigningAlgs: names,
		SkipClientIDCheck:    true, // of one client; audiences are judged by read
		SkipExpiryCheck:      true, // without skew; read has it
	})
	proven, err := verifier.Verify(ctx, token)
	switch {
	case proof.err != nil:
		return nil, proof.err
	case err != nil:
		return nil, invalidToken("it cannot be read")
	}
	var says claims
	if err := proven.Claims(&says); err != nil {
		return nil, invalidToken("its claims are no JSON object")
	}
	return says, nil
}

// read judges the claims of a token that is proven to be the issuer's.
func (all *issuers) read(i *issuer, token string, header, says claims) (*claimed, error) {
	if iss, _ := says.text("iss"); iss != i.URL {
		return nil, invalidToken("it is of another issuer")
	}
	if err := i.checkAccess(header, says); err != nil {
		return nil, err
	}
	subject, _ := says.text("sub")
	if subject == "" || utf8.RuneCountInString(subject) > mostSubject || strings.ContainsRune(subject, 0) {
		return nil, invalidToken("its sub must have 1 to %d characters", mostSubject)
	}
	// RFC 7519, section 4.1.3: who is not among those it is for refuses it.
	audiences, ok := says.texts("aud")
	if !ok || !slices.ContainsFunc(audiences, func(a string) bool { return slices.Contains(i.Audiences, a) }) {
		return nil, invalidToken("its aud holds no audience of this server")
	}
	if err := i.checkParty(says); err != nil {
		return nil, err
	}
	now := all.now().UnixMicro()
	skew := all.skew.Microseconds()
	expire, ok := says.instant("exp") // RFC 7519, section 4.1.4: not on it or after
	if !ok {
		return nil, invalidToken("it needs exp, a number of seconds")
	}
	if expire+skew <= now {
		return nil, &Error{Reason: TokenExpired, Message: "the access token has expired: get a new one from its issuer"}
	}
	for _, claim := range []string{"nbf", "iat"} { // sections 4.1.5 and 4.1.6
		switch from, ok := says.instant(claim); {
		case says.has(claim) && !ok:
			return nil, invalidToken("its %s must be a number of seconds", claim)
		case ok && from-skew > now:
			return nil, invalidToken("its %s lies ahead: it is not good yet", claim)
		}
	}
	name, _ := says.text("name")
	hash := sha256.Sum256([]byte(token))
	return &claimed{
		id: "oidc-" + hex.EncodeToString(hash[:8]), issuer: i.URL, subject: subject, name: name,
		scopes: all.scopes(i, says), expireUs: expire, lateUs: expire + skew,
	}, nil
}

// checkAccess refuses what is not an access token: above all ID tokens, which tell a client
// who its user is, and which any client could show here.
//
// The type says so (RFC 9068, section 4; RFC 8725, section 3.11). Where an issuer sets none,
// an access token is told from an ID token by three marks, all of them needed. An ID token
// is for the client that asked for it (OpenID Connect Core 1.0, section 2: aud must hold the
// client_id, and azp if present is that); an access token for another party than the client
// that it names. An access token tells its scope, which no ID token does. And it has none of
// the claims that only ID tokens have (sections 2, 3.1.3.6 and 3.3.2.11), whatever its type.
func (i *issuer) checkAccess(header, says claims) error {
	for _, claim := range []string{"nonce", "at_hash", "c_hash", "s_hash"} {
		if says.has(claim) {
			return invalidToken("it is an ID token, as it has %s: show an access token", claim)
		}
	}
	for _, claim := range []string{"typ", "token_use"} { // by which some issuers tell them apart
		if use, _ := says.text(claim); strings.EqualFold(use, "id") {
			return invalidToken("it is an ID token, as its claim %s says: show an access token", claim)
		}
	}
	if says.has("events") { // of a logout token (OpenID Connect Back-Channel Logout 1.0, section 2.4) or another event
		return invalidToken("it tells of an event: show an access token")
	}
	kind, _ := header.text("typ") // a media type: its case does not matter, application/ may be left out (RFC 7515, section 4.1.9)
	kind = strings.TrimPrefix(strings.ToLower(kind), "application/")
	if kind == "at+jwt" {
		return nil
	}
	if !i.Untyped {
		return invalidToken("the typ of its header must be at+jwt, which tells an access token")
	}
	if header.has("typ") && kind != "jwt" {
		return invalidToken("the typ of its header must be at+jwt or JWT")
	}
	azp, _ := says.text("azp")
	client, _ := says.text("client_id")
	audiences, _ := says.texts("aud")
	switch {
	case azp == "" && client == "":
		return invalidToken("nothing tells it from an ID token: it needs azp or client_id")
	case azp != "" && slices.Contains(audiences, azp), client != "" && slices.Contains(audiences, client):
		return invalidToken("it may be an ID token, as it is for the client that asked for it")
	case !says.has("scope") && !says.has("scp") && !says.has(i.scopeClaim()):
		return invalidToken("nothing tells it from an ID token: it needs scope")
	}
	return nil
}

// checkParty refuses a token that was issued to a party which is not among those that were
// configured, if any were (OpenID Connect Core 1.0, section 3.1.3.7, of azp; RFC 9068,
// section 2.2, of client_id).
func (i *issuer) checkParty(says claims) error {
	if len(i.Parties) == 0 {
		return nil
	}
	told := false
	for _, claim := range []string{"azp", "client_id"} {
		if !says.has(claim) {
			continue
		}
		if party, _ := says.text(claim); !slices.Contains(i.Parties, party) {
			return invalidToken("its %s is no party that this server takes", claim)
		}
		told = true
	}
	if !told {
		return invalidToken("it needs azp or client_id: this server takes certain parties only")
	}
	return nil
}

func (i *issuer) scopeClaim() string { return cmp.Or(i.ScopeClaim, "scope") }

// scopes are what a token may do here.
func (all *issuers) scopes(i *issuer, says claims) []string {
	told, _ := says.texts(i.scopeClaim())
	if len(told) == 1 { // RFC 8693, section 4.2: with spaces between
		told = strings.Fields(told[0])
	}
	var out []string
	for _, scope := range Scopes {
		if slices.Contains(told, cmp.Or(i.ScopeValues[scope], "dewbench."+scope)) {
			out = append(out, scope)
		}
	}
	if len(out) == 0 && all.defaultScope != "" {
		out = []string{all.defaultScope}
	}
	return out
}

// claims are the members of a header or of the claims. Their names are compared byte by
// byte (RFC 7519, section 7.3), which decoding into a struct would not do.
type claims map[string]json.RawMessage

func (c claims) has(name string) bool { return len(c[name]) > 0 && string(c[name]) != "null" }

// text returns a member that is text.
func (c claims) text(name string) (string, bool) {
	var s string
	if !c.has(name) || json.Unmarshal(c[name], &s) != nil {
		return "", false
	}
	return s, true
}

// texts returns a member that is text or a list of texts.
func (c claims) texts(name string) ([]string, bool) {
	if s, ok := c.text(name); ok {
		return []string{s}, true
	}
	var all []string
	if !c.has(name) || json.Unmarshal(c[name], &all) != nil {
		return nil, false
	}
	return all, true
}

// instant returns a member that is an instant (NumericDate, RFC 7519, section 2), in
// microseconds. What lies beyond the years that an instant may have is none.
func (c claims) instant(name string) (int64, bool) {
	var seconds float64
	if !c.has(name) || json.Unmarshal(c[name], &seconds) != nil || math.Abs(seconds) > 253402300799 {
		return 0, false
	}
	return int64(math.Floor(seconds * 1e6)), true
}

// takeApart returns the header and the claims of a token, which nobody has proven yet. It
// refuses what could be written in another way: each token has one form.
func takeApart(token string) (header, says claims, err error) {
	parts := strings.Split(token, ".")
	if len(token) > mostToken || len(parts) != 3 {
		return nil, nil, invalidToken("it is no JSON Web Token of at most %d bytes", mostToken)
	}
	var decoded [3][]byte
	for i, part := range parts {
		// Strict still passes over line ends.
		if decoded[i], err = base64.RawURLEncoding.Strict().DecodeString(part); err != nil || base64.RawURLEncoding.EncodeToString(decoded[i]) != part {
			return nil, nil, invalidToken("it is no JSON Web Token: its parts must be base64url")
		}
	}
	if json.Unmarshal(decoded[0], &header) != nil || json.Unmarshal(decoded[1], &says) != nil {
		return nil, nil, invalidToken("it is no JSON Web Token: its header and claims must be JSON")
	}
	return header, says, nil
}

// proof is a token that is being proven, and why it was not.
type proof struct {
	keys *keys
	err  error
}

// VerifySignature returns the claims of a token if a key of the issuer signed it.
func (p *proof) VerifySignature(ctx context.Context, token string) ([]byte, error) {
	signed, err := jose.ParseSignedCompact(token, algorithms)
	if err != nil {
		p.err = invalidToken("it cannot be read")
		return nil, p.err
	}
	head := signed.Signatures[0].Header
	candidates, err := p.keys.find(ctx, head.KeyID)
	if err != nil {
		p.err = err
		return nil, err
	}
	for _, key := range candidates {
		if key.Algorithm != "" && key.Algorithm != head.Algorithm { // RFC 8725, section 3.1
			continue
		}
		if payload, err := signed.Verify(key.Key); err == nil {
			return payload, nil
		}
	}
	p.err = invalidToken("no key of its issuer has signed it")
	return nil, p.err
}

// usable tells whether a key may prove tokens.
func usable(key *jose.JSONWebKey) bool {
	if key.Use != "" && key.Use != "sig" || !key.Valid() {
		return false
	}
	switch k := key.Key.(type) {
	case *rsa.PublicKey:
		return k.N.BitLen() >= fewestBits
	case *ecdsa.PublicKey, ed25519.PublicKey:
		return true
	}
	return false
}
