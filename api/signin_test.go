package api

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// signing is a server that takes access tokens of a local issuer.
type signing struct {
	*doors
	*testing.T
	issuer *localIssuer
	clock  *clock
}

var signingTime = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// openSigning serves a fresh database, as in says where it is not nil.
func openSigning(t *testing.T, engine store.Engine, in func(*service.SignIn)) *signing {
	t.Helper()
	s := &signing{T: t, issuer: newLocalIssuer(t), clock: newClock(signingTime)}
	takes := takes(s.issuer)
	if in != nil {
		in(&takes)
	}
	s.doors = openStore(t, storetest.New(t, engine), service.Config{Now: s.clock.now, SignIn: takes})
	return s
}

// who tells whom a token is, and why it is refused, if it is: the same at both doors.
func (s *signing) who(token string) (grower, reason, message string) {
	s.Helper()
	answer := s.sendRaw(s, http.MethodGet, "/v1/growers/me", [][2]string{{"Authorization", "Bearer " + token}}, nil)
	me := &pb.Grower{}
	err := s.conn.Invoke(metadata.NewOutgoingContext(s.Context(), metadata.Pairs("authorization", "Bearer "+token)),
		pb.GrowerService_GetGrower_FullMethodName, &pb.GetGrowerRequest{Name: "growers/me"}, me)
	if err == nil {
		if answer.status != http.StatusOK || !strings.Contains(string(answer.body), me.GetName()) {
			s.Errorf("gRPC takes what HTTP does not: %s", answer.body)
		}
		return me.GetName(), "", ""
	}
	if reason, message = string(reasonOf(status.Convert(err))), status.Convert(err).Message(); !strings.Contains(string(answer.body), `"`+reason+`"`) {
		s.Errorf("gRPC says %s, HTTP %s", reason, answer.body)
	}
	if strings.Contains(message, token) && token != "" {
		s.Errorf("the error repeats the token")
	}
	return "", reason, message
}

// refuses fails the test unless a token is refused for a reason.
func (s *signing) refuses(what, token, reason, says string) {
	s.Helper()
	if grower, got, message := s.who(token); got != reason || !strings.Contains(message, says) {
		s.Errorf("%s: %s %s: %q, want %s: %q", what, grower, got, message, reason, says)
	}
}

// takesAs fails the test unless a token is a grower's.
func (s *signing) takesAs(what, token, want string) {
	s.Helper()
	if grower, reason, message := s.who(token); grower != want {
		s.Errorf("%s: %s %s: %q, want %s", what, grower, reason, message, want)
	}
}

// as is a connection with a token.
func (s *signing) as(token string) *bearing {
	return WithToken(s.conn.(*bearing).ClientConnInterface, token).(*bearing)
}

// link links the subject of an access token to the grower of a token.
func (s *signing) link(by, token string) (*pb.Identity, error) {
	return pb.NewIdentityServiceClient(s.as(by)).LinkIdentity(s.Context(), &pb.LinkIdentityRequest{Parent: "growers/me", AccessToken: token})
}

func (s *signing) mustLink(by, token string) *pb.Identity {
	s.Helper()
	m, err := s.link(by, token)
	if err != nil {
		s.Fatal(err)
	}
	return m
}

// wants fails the test unless an error has a reason.
func (s *signing) wants(what string, err error, want service.Reason) {
	s.Helper()
	if got := reasonOf(status.Convert(err)); got != want {
		s.Errorf("%s: %v (%s), want %s", what, err, got, want)
	}
}

// forged signs claims with HMAC and the public key as the shared secret (RFC 8725, section
// 2.1).
func forged(k *ticket) string {
	der, err := x509.MarshalPKIXPublicKey(&rsaKeys()[0].PublicKey)
	if err != nil {
		panic(err)
	}
	return k.signAs(jwt.SigningMethodHS256, pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}))
}

func TestAccessTokens(t *testing.T) {
	s := openSigning(t, store.SQLite, nil)
	at := s.clock.now()
	good := s.issuer.access("alder", at)
	s.mustLink(testSecret, good.sign())
	other, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	s.issuer.mu.Lock()
	s.issuer.signers["weak"], s.issuer.signers["never told"] = rsaKeys()[2], other
	s.issuer.mu.Unlock()

	me := "growers/grower-a"
	seconds := func(after time.Duration) int64 { return at.Add(after).Unix() }
	for what, k := range map[string]*ticket{
		"as it should be":                 good,
		"an elliptic key":                 good.by("ec"),
		"the whole media type":            good.headed(map[string]any{"typ": "application/at+jwt"}),
		"another case of it":              good.headed(map[string]any{"typ": "AT+JWT"}),
		"no id of the key":                good.headed(map[string]any{"kid": nil}),
		"several audiences":               good.with(jwt.MapClaims{"aud": []string{"x", "https://plants.example"}}),
		"the other audience":              good.with(jwt.MapClaims{"aud": []string{"https://other.example"}}),
		"what an access token may have":   good.with(jwt.MapClaims{"auth_time": 1, "acr": "1", "amr": []string{"pwd"}}),
		"no iat":                          good.with(jwt.MapClaims{"iat": nil}),
		"parts of seconds":                good.with(jwt.MapClaims{"exp": float64(seconds(0)) + 0.25}),
		"its end by the skew ago, nearly": good.with(jwt.MapClaims{"exp": seconds(-59 * time.Second)}),
		"good from the skew ahead":        good.with(jwt.MapClaims{"nbf": seconds(time.Minute)}),
		"made in the skew ahead":          good.with(jwt.MapClaims{"iat": seconds(time.Minute)}),
	} {
		s.takesAs(what, k.sign(), me)
	}

	const invalid, expired = "TOKEN_INVALID", "TOKEN_EXPIRED"
	for _, c := range []struct {
		what, token, reason, says string
	}{
		// RFC 7519, section 4.1.3.
		{"another audience", good.with(jwt.MapClaims{"aud": "https://else.example"}).sign(), invalid, "aud"},
		{"no audience", good.with(jwt.MapClaims{"aud": nil}).sign(), invalid, "aud"},
		{"a beginning of an audience", good.with(jwt.MapClaims{"aud": "https://plants.exampl"}).sign(), invalid, "aud"},
		// Sections 4.1.4 to 4.1.6.
		{"it ended by the skew ago", good.with(jwt.MapClaims{"exp": seconds(-time.Minute)}).sign(), expired, "expired"},
		{"it ended long ago", good.with(jwt.MapClaims{"exp": seconds(-time.Hour)}).sign(), expired, "expired"},
		{"no end", good.with(jwt.MapClaims{"exp": nil}).sign(), invalid, "exp"},
		{"an end that is text", good.with(jwt.MapClaims{"exp": "2030-01-01"}).sign(), invalid, ""},
		{"an end beyond all days", good.with(jwt.MapClaims{"exp": 1e18}).sign(), invalid, "exp"},
		{"not yet", good.with(jwt.MapClaims{"nbf": seconds(61 * time.Second)}).sign(), invalid, "nbf"},
		{"made later", good.with(jwt.MapClaims{"iat": seconds(61 * time.Second)}).sign(), invalid, "iat"},
		// Section 4.1.1: iss is compared byte by byte.
		{"another issuer", good.with(jwt.MapClaims{"iss": "https://id.example"}).sign(), invalid, "issuer"},
		{"nearly the issuer", good.with(jwt.MapClaims{"iss": s.issuer.URL + "/"}).sign(), invalid, "issuer"},
		{"no issuer", good.with(jwt.MapClaims{"iss": nil}).sign(), invalid, "issuer"},
		{"the issuer by a name of another case", good.with(jwt.MapClaims{"iss": nil, "ISS": s.issuer.URL}).sign(), invalid, "issuer"},
		{"no subject", good.with(jwt.MapClaims{"sub": nil}).sign(), invalid, "sub"},
		{"a long subject", good.with(jwt.MapClaims{"sub": strings.Repeat("s", 256)}).sign(), invalid, "sub"},
		{"a subject that is a number", good.with(jwt.MapClaims{"sub": 7}).sign(), invalid, ""},
		// RFC 8725, sections 2.1, 3.1 and 3.2.
		{"a wrong key", good.signAs(jwt.SigningMethodRS256, rsaKeys()[1]), invalid, "no key"},
		{"a wrong elliptic key", good.by("ec").signAs(jwt.SigningMethodES256, other), invalid, "no key"},
		{"the key of another id", good.by("ec").signAs(jwt.SigningMethodRS256, rsaKeys()[0]), invalid, "no key"},
		{"alg none", good.signAs(jwt.SigningMethodNone, jwt.UnsafeAllowNoneSignatureType), invalid, "alg"},
		{"a shared secret", forged(good), invalid, "alg"},
		{"crit", good.headed(map[string]any{"crit": []string{"b64"}, "b64": true}).sign(), invalid, "crit"},
		{"a key that was never told", good.by("never told").sign(), invalid, "no key"},
		{"a weak key", good.by("weak").sign(), invalid, "no key"},
		// RFC 9068, section 4; OpenID Connect Core 1.0, section 2.
		{"an ID token", good.headed(map[string]any{"typ": "JWT"}).with(jwt.MapClaims{"aud": "bench-app", "nonce": "n", "at_hash": "h"}).sign(), invalid, "ID token"},
		{"an ID token for this server", good.headed(map[string]any{"typ": nil}).with(jwt.MapClaims{"scope": nil}).sign(), invalid, "typ"},
		{"an ID token that says at+jwt", good.with(jwt.MapClaims{"nonce": "n"}).sign(), invalid, "ID token"},
		{"the hash of an access token", good.with(jwt.MapClaims{"at_hash": "h"}).sign(), invalid, "ID token"},
		{"a logout token", good.headed(map[string]any{"typ": "logout+jwt"}).with(jwt.MapClaims{"events": map[string]any{}}).sign(), invalid, "event"},
		{"no typ", good.headed(map[string]any{"typ": nil}).sign(), invalid, "typ"},
		{"the typ JWT", good.headed(map[string]any{"typ": "JWT"}).sign(), invalid, "typ"},
		{"a typ that is no text", good.headed(map[string]any{"typ": 1}).sign(), invalid, ""},
		// What is no token at all.
		{"two parts", "a.b", invalid, "Bearer dwb_"},
		{"three empty parts", "..", invalid, "JSON"},
		{"long", good.with(jwt.MapClaims{"x": strings.Repeat("x", 16<<10)}).sign(), invalid, "16384"},
	} {
		s.refuses(c.what, c.token, c.reason, c.says)
	}
	s.refuses("an identity that is nobody's", s.issuer.access("birch", at).sign(), "IDENTITY_UNKNOWN", "identities:link")
	s.takesAs("a token of this server", testSecret, me)
	if log := s.log.String(); strings.Contains(log, good.sign()) || strings.Contains(log, strings.Split(good.sign(), ".")[2]) {
		t.Error("the log has the token")
	}
}

// Issuers that set no typ: an ID token never passes for an access token.
func TestUntypedAccessTokens(t *testing.T) {
	s := openSigning(t, store.SQLite, func(in *service.SignIn) { in.Issuers[0].Untyped = true })
	good := s.issuer.access("alder", s.clock.now()).headed(map[string]any{"typ": nil})
	s.mustLink(testSecret, good.sign())
	me := "growers/grower-a"
	s.takesAs("no typ", good.sign(), me)
	s.takesAs("the typ JWT", good.headed(map[string]any{"typ": "JWT"}).sign(), me)
	s.takesAs("the typ at+jwt", good.headed(map[string]any{"typ": "at+jwt"}).with(jwt.MapClaims{"scope": nil, "client_id": nil}).sign(), me)
	s.takesAs("azp and scp", good.with(jwt.MapClaims{"scope": nil, "scp": []string{"x"}, "client_id": nil, "azp": "bench-app"}).sign(), me)
	for what, k := range map[string]*ticket{
		"an ID token":                      good.with(jwt.MapClaims{"aud": []string{"bench-app", "https://plants.example"}, "client_id": nil, "azp": "bench-app", "scope": nil}),
		"an ID token with the least":       good.with(jwt.MapClaims{"client_id": nil, "scope": nil}),
		"an ID token that tells its scope": good.with(jwt.MapClaims{"client_id": nil}),
		"for its own client":               good.with(jwt.MapClaims{"client_id": "https://plants.example"}),
		"for its own party":                good.with(jwt.MapClaims{"azp": "https://plants.example"}),
		"without a scope":                  good.with(jwt.MapClaims{"scope": nil}),
		"with nonce":                       good.with(jwt.MapClaims{"nonce": "n"}),
		"with at_hash":                     good.with(jwt.MapClaims{"at_hash": "h"}),
		"with c_hash":                      good.with(jwt.MapClaims{"c_hash": "h"}),
		"that says so":                     good.with(jwt.MapClaims{"typ": "ID"}),
		"that says so elsewhere":           good.with(jwt.MapClaims{"token_use": "id"}),
		"a logout token":                   good.headed(map[string]any{"typ": "logout+jwt"}),
		"something else":                   good.headed(map[string]any{"typ": "secevent+jwt"}),
	} {
		s.refuses(what, k.sign(), "TOKEN_INVALID", "")
	}
}

func TestParties(t *testing.T) {
	s := openSigning(t, store.SQLite, func(in *service.SignIn) { in.Issuers[0].Parties = []string{"tablet", "bench-app"} })
	good := s.issuer.access("alder", s.clock.now())
	s.mustLink(testSecret, good.sign())
	s.takesAs("the client", good.sign(), "growers/grower-a")
	s.takesAs("the party", good.with(jwt.MapClaims{"client_id": nil, "azp": "tablet"}).sign(), "growers/grower-a")
	s.refuses("another party", good.with(jwt.MapClaims{"azp": "else"}).sign(), "TOKEN_INVALID", "azp")
	s.refuses("another client", good.with(jwt.MapClaims{"azp": "tablet", "client_id": "else"}).sign(), "TOKEN_INVALID", "client_id")
	s.refuses("a list of parties", good.with(jwt.MapClaims{"azp": []string{"tablet"}}).sign(), "TOKEN_INVALID", "azp")
	s.refuses("none", good.with(jwt.MapClaims{"client_id": nil}).sign(), "TOKEN_INVALID", "azp")
}

// What a token may do is told by a claim; what it may not is refused.
func TestScopesOfAccessTokens(t *testing.T) {
	for _, c := range []struct {
		in     service.Issuer
		usual  string
		claims jwt.MapClaims
		want   string // the widest of read, record and manage; "": none
	}{
		{service.Issuer{}, "record", jwt.MapClaims{"scope": "openid dewbench.read profile"}, "read"},
		{service.Issuer{}, "record", jwt.MapClaims{"scope": "dewbench.read dewbench.manage"}, "manage"},
		{service.Issuer{}, "record", jwt.MapClaims{"scope": []string{"dewbench.read"}}, "read"},
		{service.Issuer{}, "record", jwt.MapClaims{"scope": "openid"}, "record"},
		{service.Issuer{}, "record", jwt.MapClaims{"scope": nil}, "record"},
		{service.Issuer{}, "", jwt.MapClaims{"scope": "openid"}, ""},
		{service.Issuer{}, "", jwt.MapClaims{"scope": "DEWBENCH.MANAGE manage dewbench.managed"}, ""},
		{service.Issuer{}, "", jwt.MapClaims{"scope": "dewbench.stock"}, ""},
		{service.Issuer{ScopeClaim: "roles", ScopeValues: map[string]string{"read": "looker"}}, "", jwt.MapClaims{"roles": []string{"looker", "x"}, "scope": "dewbench.manage"}, "read"},
		{service.Issuer{ScopeClaim: "roles", ScopeValues: map[string]string{"read": "looker"}}, "", jwt.MapClaims{"roles": "dewbench.record dewbench.read"}, "record"},
		{service.Issuer{ScopeClaim: "roles"}, "", jwt.MapClaims{"roles": 7}, ""},
	} {
		t.Run(fmt.Sprint(c.in.ScopeClaim, c.claims), func(t *testing.T) {
			s := openSigning(t, store.SQLite, func(in *service.SignIn) {
				in.DefaultScope = c.usual
				in.Issuers[0].ScopeClaim, in.Issuers[0].ScopeValues = c.in.ScopeClaim, c.in.ScopeValues
			})
			token := s.issuer.access("alder", s.clock.now()).with(c.claims).sign()
			s.mustLink(testSecret, token)
			got := ""
			for _, call := range []struct {
				scope string
				err   error
			}{
				{"read", invoke(s, token, pb.GrowerService_GetGrower_FullMethodName, &pb.GetGrowerRequest{Name: "growers/me"}, &pb.Grower{})},
				{"record", invoke(s, token, pb.FeedingService_DeleteFeeding_FullMethodName, &pb.DeleteFeedingRequest{Name: "collections/none/plants/a/feedings/b"}, &pb.Feeding{})},
				{"manage", invoke(s, token, pb.TokenService_ListTokens_FullMethodName, &pb.ListTokensRequest{Parent: "growers/me"}, &pb.ListTokensResponse{})},
			} {
				switch reasonOf(status.Convert(call.err)) {
				case "", service.CollectionNotFound:
					got = call.scope
				case service.ScopeMissing:
				default:
					t.Error(call.err)
				}
			}
			if got != c.want {
				t.Errorf("it may %q, want %q", got, c.want)
			}
		})
	}
}

func invoke(s *signing, token, method string, req, answer proto.Message) error {
	return s.as(token).Invoke(s.Context(), method, req, answer)
}

// An issuer changes its keys: a new one is found, an old one goes on as long as it is told,
// and one that was withdrawn is refused.
func TestKeysOfIssuers(t *testing.T) {
	s := openSigning(t, store.SQLite, nil)
	at := func() *ticket { return s.issuer.access("alder", s.clock.now()) }
	s.mustLink(testSecret, at().sign())
	me := "growers/grower-a"
	pass := func(d time.Duration) { s.clock.set(s.clock.now().Add(d)) }
	if n := s.issuer.asked.Load(); n != 1 {
		t.Fatalf("the keys were asked for %d times", n)
	}
	pass(time.Minute)
	for range 5 {
		s.takesAs("a key that is known", at().sign(), me)
	}
	if n := s.issuer.asked.Load(); n != 1 {
		t.Errorf("keys that are known were asked for again: %d times", n)
	}

	s.issuer.add("new", rsaKeys()[1])
	s.takesAs("a new key", at().by("new").sign(), me)
	s.takesAs("the old one beside it", at().sign(), me)
	asked := s.issuer.asked.Load()
	for n := range 20 {
		s.refuses("a key that is not there", at().headed(map[string]any{"kid": fmt.Sprint(n)}).sign(), "TOKEN_INVALID", "no key")
	}
	if n := s.issuer.asked.Load(); n != asked {
		t.Errorf("keys that are not there were asked for %d times at once", n-asked)
	}
	pass(31 * time.Second)
	s.refuses("a key that is not there", at().headed(map[string]any{"kid": "x"}).sign(), "TOKEN_INVALID", "no key")
	if n := s.issuer.asked.Load(); n != asked+1 {
		t.Errorf("keys that are not there were asked for %d times", n-asked)
	}

	s.issuer.remove("rsa")
	pass(16 * time.Minute)
	s.refuses("a key that was withdrawn", at().sign(), "TOKEN_INVALID", "no key")
	s.takesAs("the one after it", at().by("new").sign(), me)

	// The issuer is down.
	s.issuer.down.Store(true)
	pass(20 * time.Minute)
	s.takesAs("a key that is known, of an issuer that is down", at().by("new").sign(), me)
	s.refuses("a key that is not known", at().by("ec").headed(map[string]any{"kid": "later"}).sign(), "ISSUER_UNAVAILABLE", "")
	s.refuses("what needs no key to be refused", at().with(jwt.MapClaims{"iss": "x"}).sign(), "TOKEN_INVALID", "")
	pass(24 * time.Hour)
	s.refuses("a key that is too old", at().by("new").sign(), "ISSUER_UNAVAILABLE", "")
	answer := s.sendRaw(t, http.MethodGet, "/v1/growers/me", [][2]string{{"Authorization", "Bearer " + at().by("new").sign()}}, nil)
	if answer.status != http.StatusServiceUnavailable || answer.header.Get("Retry-After") != "30" { // no sooner is the issuer asked again
		t.Errorf("HTTP %d, Retry-After %q", answer.status, answer.header.Get("Retry-After"))
	}
	s.takesAs("a token of this server", testSecret, me)
	s.issuer.down.Store(false)
	pass(31 * time.Second)
	s.takesAs("the issuer is back", at().by("new").sign(), me)
}

// Keys are fetched from where they must be, and nowhere else.
func TestWhereKeysAre(t *testing.T) {
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("another host is asked") }))
	t.Cleanup(elsewhere.Close)
	address := strings.TrimPrefix(elsewhere.URL, "http://")
	for what, change := range map[string]func(*localIssuer){
		"the document of another issuer": func(i *localIssuer) { i.claims = "https://id.example" },
		"keys in clear on another host":  func(i *localIssuer) { i.keysAt = "http://keys.example/keys" },
		"keys on a private address":      func(i *localIssuer) { i.keysAt = "https://10.0.0.1/keys" },
		"keys on this machine by TLS":    func(i *localIssuer) { i.keysAt = "https://localhost:" + address[strings.LastIndex(address, ":")+1:] },
		"a redirect to another host":     func(i *localIssuer) { i.moved = elsewhere.URL },
		"no address":                     func(i *localIssuer) { i.keysAt = "keys" },
		"no keys":                        func(i *localIssuer) { i.told = nil },
	} {
		t.Run(what, func(t *testing.T) {
			s := openSigning(t, store.SQLite, nil)
			s.issuer.set(func() { change(s.issuer) })
			s.refuses(what, s.issuer.access("alder", s.clock.now()).sign(), "ISSUER_UNAVAILABLE", "")
		})
	}
}

// Many calls at once share one fetch.
func TestKeysAreFetchedOnce(t *testing.T) {
	s := openSigning(t, store.SQLite, nil)
	token := s.issuer.access("alder", s.clock.now()).sign()
	var work sync.WaitGroup
	for range 20 {
		work.Go(func() {
			err := invoke(s, token, pb.GrowerService_GetGrower_FullMethodName, &pb.GetGrowerRequest{Name: "growers/me"}, &pb.Grower{})
			if reasonOf(status.Convert(err)) != service.IdentityUnknown {
				t.Error(err)
			}
		})
	}
	work.Wait()
	if n := s.issuer.asked.Load(); n != 1 {
		t.Errorf("the keys were asked for %d times", n)
	}
}

// A good token of which any byte is another one is refused.
func TestTamperedAccessTokens(t *testing.T) {
	s := openSigning(t, store.SQLite, nil)
	good := s.issuer.access("alder", s.clock.now())
	s.mustLink(testSecret, good.sign())
	tokens := []string{good.sign(), good.by("ec").sign()}
	refused := func(token string) error {
		err := invoke(s, token, pb.GrowerService_GetGrower_FullMethodName, &pb.GetGrowerRequest{Name: "growers/me"}, &pb.Grower{})
		if status.Code(err) != codes.Unauthenticated {
			return fmt.Errorf("%q: %w", token, err)
		}
		return nil
	}
	// The last bytes of each part have bits that decoding may not look at.
	for _, token := range tokens {
		for at := range token {
			if end := at+2 >= len(token) || strings.ContainsRune(token[at:min(at+3, len(token))], '.'); !end {
				continue
			}
			for _, other := range "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.=" {
				if changed := token[:at] + string(other) + token[at+1:]; changed != token {
					if err := refused(changed); err != nil {
						t.Error(err)
					}
				}
			}
		}
	}
	rapid.Check(t, func(r *rapid.T) {
		token := rapid.SampledFrom(tokens).Draw(r, "token")
		at := rapid.IntRange(0, len(token)-1).Draw(r, "at")
		to := rapid.Byte().Filter(func(b byte) bool { return b > 32 && b < 127 && b != token[at] }).Draw(r, "to")
		if err := refused(token[:at] + string(rune(to)) + token[at+1:]); err != nil {
			r.Error(err)
		}
	})
}

// Members that a decoder could take for others (RFC 7519, section 7.3) do not count.
func TestOddClaims(t *testing.T) {
	s := openSigning(t, store.SQLite, nil)
	good := s.issuer.access("alder", s.clock.now())
	s.mustLink(testSecret, good.sign())
	raw := func(claims string) string {
		header := `{"alg":"RS256","kid":"rsa","typ":"at+jwt"}`
		text := base64.RawURLEncoding.EncodeToString([]byte(header)) + "." + base64.RawURLEncoding.EncodeToString([]byte(claims))
		signature, err := jwt.SigningMethodRS256.Sign(text, rsaKeys()[0])
		if err != nil {
			t.Fatal(err)
		}
		return text + "." + base64.RawURLEncoding.EncodeToString(signature)
	}
	claims, err := json.Marshal(good.claims)
	if err != nil {
		t.Fatal(err)
	}
	s.takesAs("as it is", raw(string(claims)), "growers/grower-a")
	for _, odd := range []string{"", "null", "[]", `"x"`, "{", string(claims) + "x", "\xff", strings.Repeat("[", 20000)} {
		s.refuses(fmt.Sprintf("%.20q", odd), raw(odd), "TOKEN_INVALID", "")
	}
	s.refuses("another subject by another case", raw(strings.Replace(string(claims), `"sub":"alder"`, `"sub":"birch","SUB":"alder"`, 1)), "IDENTITY_UNKNOWN", "")
}

// Each issuer's subjects are its own.
func TestTwoIssuersWithOneSubject(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		second := newLocalIssuer(t)
		s := openSigning(t, engine, func(in *service.SignIn) { in.Issuers = append(in.Issuers, takes(second).Issuers...) })
		const secret = "dwb_BBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBB"
		if err := addGrower(t.Context(), s.store, "grower-b", secret, service.Scopes...); err != nil {
			t.Fatal(err)
		}
		first, other := s.issuer.access("alder", s.clock.now()).sign(), second.access("alder", s.clock.now()).sign()
		s.mustLink(testSecret, first)
		s.refuses("the subject of the other issuer", other, "IDENTITY_UNKNOWN", "")
		s.mustLink(secret, other)
		s.takesAs("the first", first, "growers/grower-a")
		s.takesAs("the second", other, "growers/grower-b")
		// One cannot sign for the other.
		s.refuses("the second in the name of the first", second.access("alder", s.clock.now()).by("ec").with(jwt.MapClaims{"iss": s.issuer.URL}).sign(), "TOKEN_INVALID", "no key")
	})
}

func TestLinkIdentity(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openSigning(t, engine, nil)
		const secret = "dwb_BBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBBB"
		if err := addGrower(t.Context(), s.store, "grower-b", secret, service.Scopes...); err != nil {
			t.Fatal(err)
		}
		at := s.clock.now()
		alder, birch := s.issuer.access("alder", at), s.issuer.access("birch", at)
		calls := pb.NewIdentityServiceClient(s.as(testSecret))

		made := s.mustLink(testSecret, alder.sign())
		if made.GetIssuer() != s.issuer.URL || made.GetSubject() != "alder" || !strings.HasPrefix(made.GetName(), "growers/grower-a/identities/") {
			t.Errorf("linked %v", made)
		}
		if again := s.mustLink(testSecret, alder.by("ec").sign()); again.GetName() != made.GetName() {
			t.Errorf("linked again: %v", again)
		}
		_, err := s.link(secret, alder.sign())
		s.wants("of another grower", err, service.IdentityInUse)
		_, err = s.link(birch.sign(), birch.sign())
		s.wants("by itself", err, service.IdentityUnknown)
		// By another identity of the grower.
		s.mustLink(alder.sign(), birch.sign())
		s.takesAs("the second identity", birch.sign(), "growers/grower-a")
		// Wrong tokens are faults of the field: the caller is signed in.
		for what, token := range map[string]string{
			"ended": alder.with(jwt.MapClaims{"exp": at.Add(-time.Hour).Unix()}).sign(), "forged": alder.signAs(jwt.SigningMethodRS256, rsaKeys()[1]), "a token of ours": testSecret,
		} {
			_, err := s.link(testSecret, token)
			s.wants(what, err, service.InvalidFields)
			if message := status.Convert(err).Message(); !strings.HasPrefix(message, "accessToken: ") || strings.Contains(message, token) {
				t.Errorf("%s: %s", what, message)
			}
		}
		_, err = s.link(s.issuer.access("alder", at).with(jwt.MapClaims{"scope": "dewbench.record"}).sign(), s.issuer.access("cedar", at).sign())
		s.wants("by one who may only record", err, service.ScopeMissing)
		// What expires links nothing that stays: neither a token nor, after a rotation, its
		// old secret.
		tokens := pb.NewTokenServiceClient(s.as(secret))
		ending, err := tokens.CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{
			DisplayName: "ending", Scopes: service.Scopes, ExpireTime: timestamppb.New(at.Add(time.Hour)),
		}})
		if err != nil {
			t.Fatal(err)
		}
		lasting, err := tokens.CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: "lasting", Scopes: service.Scopes}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := tokens.RotateToken(t.Context(), &pb.RotateTokenRequest{Name: lasting.GetName()}); err != nil {
			t.Fatal(err)
		}
		for what, by := range map[string]string{"a token that ends": ending.GetSecret(), "an old secret": lasting.GetSecret()} {
			_, err = s.link(by, s.issuer.access("dogwood", at).sign())
			s.wants("by "+what, err, service.InvalidFields)
		}

		list, err := calls.ListIdentities(t.Context(), &pb.ListIdentitiesRequest{Parent: "growers/me"})
		if err != nil || len(list.GetIdentities()) != 2 {
			t.Errorf("%v, %v", list, err)
		}
		if got, err := calls.GetIdentity(t.Context(), &pb.GetIdentityRequest{Name: made.GetName()}); err != nil || got.GetLastUseTime() == nil {
			t.Errorf("%v, %v", got, err)
		}
		// A repeated call is answered, also when its token has ended by then.
		req := &pb.LinkIdentityRequest{Parent: "growers/me", AccessToken: s.issuer.access("cedar", at).sign(), RequestId: "link"}
		first, err := calls.LinkIdentity(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		s.clock.set(at.Add(time.Hour))
		if again, err := calls.LinkIdentity(t.Context(), req); err != nil || again.GetName() != first.GetName() {
			t.Errorf("repeated: %v, %v", again, err)
		}
		s.clock.set(at)

		// Foreign ones and missing ones look alike.
		others := pb.NewIdentityServiceClient(s.as(secret))
		_, err = others.GetIdentity(t.Context(), &pb.GetIdentityRequest{Name: made.GetName()})
		s.wants("of another grower", err, service.GrowerNotFound)
		_, err = others.DeleteIdentity(t.Context(), &pb.DeleteIdentityRequest{Name: made.GetName()})
		s.wants("of another grower", err, service.GrowerNotFound)
		_, err = others.GetIdentity(t.Context(), &pb.GetIdentityRequest{Name: strings.Replace(made.GetName(), "grower-a", "me", 1)})
		s.wants("of another grower under one's own name", err, service.IdentityNotFound)

		gone, err := calls.DeleteIdentity(t.Context(), &pb.DeleteIdentityRequest{Name: made.GetName()})
		if err != nil || gone.GetName() != made.GetName() {
			t.Errorf("%v, %v", gone, err)
		}
		s.refuses("an identity that was taken back", alder.sign(), "IDENTITY_UNKNOWN", "")
		s.mustLink(secret, alder.sign()) // it is free
		s.takesAs("of another grower now", alder.sign(), "growers/grower-b")

		for n := range 20 {
			_, err = s.link(secret, s.issuer.access(fmt.Sprint("many", n), at).sign())
		}
		s.wants("one too many", err, service.TooManyIdentities)
	})
}

// The grower of an identity is suspended, or all that is theirs is reset.
func TestSuspendedIdentity(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openSigning(t, engine, nil)
		token := s.issuer.access("alder", s.clock.now()).sign()
		s.mustLink(testSecret, token)
		us := s.clock.now().UnixMicro()
		change := func(f func(*store.Grower) error) {
			t.Helper()
			if err := s.store.Write(t.Context(), func(tx *store.Tx) error { return f(tx.Grower("grower-a")) }); err != nil {
				t.Fatal(err)
			}
		}
		change(func(g *store.Grower) error { return g.Suspend(&us, us) })
		s.refuses("suspended", token, "TOKEN_INVALID", "suspended")
		change(func(g *store.Grower) error { return g.Suspend(nil, us) })
		s.takesAs("again", token, "growers/grower-a")
		change(func(g *store.Grower) error { _, err := g.RevokeAll(us); return err })
		s.refuses("reset", token, "IDENTITY_UNKNOWN", "")
	})
}

// A token that is made with an access token can do no more, and lives no longer.
func TestTokensOfIdentities(t *testing.T) {
	s := openSigning(t, store.SQLite, nil)
	at := s.clock.now()
	k := s.issuer.access("alder", at)
	s.mustLink(testSecret, k.sign())
	calls := pb.NewTokenServiceClient(s.as(k.sign()))
	create := func(end *timestamppb.Timestamp, scopes ...string) (*pb.Token, error) {
		return calls.CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: "Script", Scopes: scopes, ExpireTime: end}})
	}
	_, err := create(nil, "read")
	s.wants("without an end", err, service.InvalidFields)
	_, err = create(timestamppb.New(at.Add(5*time.Minute+time.Second)), "read")
	s.wants("with a later end", err, service.InvalidFields)
	_, err = create(timestamppb.New(at.Add(5*time.Minute)), "stock")
	s.wants("with another scope", err, service.ScopeMissing)
	made, err := create(timestamppb.New(at.Add(5*time.Minute)), "manage")
	if err != nil {
		t.Fatal(err)
	}
	_, err = calls.RotateToken(t.Context(), &pb.RotateTokenRequest{Name: "growers/me/tokens/all"})
	s.wants("another secret for a token that may do more", err, service.ScopeMissing)
	if _, err = calls.RotateToken(t.Context(), &pb.RotateTokenRequest{Name: made.GetName()}); err != nil {
		t.Error(err)
	}
	s.clock.set(at.Add(5*time.Minute + 30*time.Second)) // in the skew
	s.takesAs("the access token", k.sign(), "growers/grower-a")
	s.refuses("the token that was made with it", made.GetSecret(), "TOKEN_EXPIRED", "")
}

// The history tells by which token something was changed, and the log too.
func TestHistoryOfIdentities(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openSigning(t, engine, nil)
		token := s.issuer.access("alder", s.clock.now()).sign()
		s.mustLink(testSecret, token)
		made := &pb.Collection{}
		if err := invoke(s, token, pb.CollectionService_CreateCollection_FullMethodName,
			&pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin"}}, made); err != nil {
			t.Fatal(err)
		}
		list := &pb.ListRevisionsResponse{}
		if err := invoke(s, token, pb.RevisionService_ListRevisions_FullMethodName, &pb.ListRevisionsRequest{Parent: made.GetName()}, list); err != nil {
			t.Fatal(err)
		}
		first := list.GetRevisions()[0]
		id := store.Segment(first.GetToken(), "tokens")
		if !strings.HasPrefix(id, "oidc-") || len(id) != 21 || first.GetGrower() != "growers/grower-a" || !strings.Contains(s.log.String(), id) {
			t.Errorf("%v", first)
		}
		// What is due is listed too: it judges each time (store.DueNow knows only tokens).
		for range 3 {
			due := &pb.ListDueFeedingsResponse{}
			if err := invoke(s, token, pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: made.GetName()}, due); err != nil {
				t.Error(err)
			}
		}
		all, err := pb.NewIdentityServiceClient(s.as(testSecret)).ListIdentities(t.Context(), &pb.ListIdentitiesRequest{Parent: "growers/me"})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := pb.NewIdentityServiceClient(s.as(testSecret)).DeleteIdentity(t.Context(), &pb.DeleteIdentityRequest{Name: all.GetIdentities()[0].GetName()}); err != nil {
			t.Fatal(err)
		}
		err = invoke(s, token, pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: made.GetName()}, &pb.ListDueFeedingsResponse{})
		s.wants("after the identity is gone", err, service.IdentityUnknown)
	})
}

// growers returns how many growers there are.
func (s *signing) growers() int {
	s.Helper()
	var all []store.GrowerEntry
	if err := s.store.Read(s.Context(), func(tx *store.Tx) (err error) { all, err = tx.Growers("", 1000); return err }); err != nil {
		s.Fatal(err)
	}
	return len(all)
}

func TestCreateGrowers(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openSigning(t, engine, func(in *service.SignIn) { in.CreateGrowers, in.DefaultScope = true, "" })
		at := s.clock.now()
		token := s.issuer.access("alder", at).with(jwt.MapClaims{"name": " Alder\u0000 Grove "}).sign()
		s.refuses("one that may do nothing", s.issuer.access("alder", at).with(jwt.MapClaims{"scope": "x"}).sign(), "IDENTITY_UNKNOWN", "")
		before := s.growers()
		// Many first calls at once make one grower.
		var work sync.WaitGroup
		var mu sync.Mutex
		var names []string
		for range 8 {
			work.Go(func() {
				me := &pb.Grower{}
				err := invoke(s, token, pb.GrowerService_GetGrower_FullMethodName, &pb.GetGrowerRequest{Name: "growers/me"}, me)
				mu.Lock()
				defer mu.Unlock()
				if names = append(names, me.GetName()); err != nil || me.GetDisplayName() != "Alder Grove" {
					t.Errorf("%v, %v", me, err)
				}
			})
		}
		work.Wait()
		if slices.Sort(names); len(slices.Compact(names)) != 1 || s.growers() != before+1 {
			t.Errorf("%v; %d growers more", names, s.growers()-before)
		}
	})
}

// An invitation makes a grower of an identity that is nobody's, in one transaction.
func TestEnterByInvitation(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openSigning(t, engine, nil)
		at := s.clock.now()
		society := &pb.Society{}
		if err := invoke(s, testSecret, pb.SocietyService_CreateSociety_FullMethodName, &pb.CreateSocietyRequest{Society: &pb.Society{DisplayName: "Bog club"}}, society); err != nil {
			t.Fatal(err)
		}
		invite := func() *pb.Invitation {
			m := &pb.Invitation{}
			if err := invoke(s, testSecret, pb.InvitationService_CreateInvitation_FullMethodName,
				&pb.CreateInvitationRequest{Parent: society.GetName(), Invitation: &pb.Invitation{Role: pb.Invitation_MEMBER}}, m); err != nil {
				t.Fatal(err)
			}
			return m
		}
		accept := func(token, secret, requestID string) (*pb.AcceptInvitationResponse, error) {
			m := &pb.AcceptInvitationResponse{}
			return m, invoke(s, token, pb.InvitationService_AcceptInvitation_FullMethodName, &pb.AcceptInvitationRequest{Secret: secret, RequestId: requestID}, m)
		}
		before := s.growers()
		open := invite()
		alder := s.issuer.access("alder", at).sign()
		_, err := accept(alder, "dwbinv_"+strings.Repeat("x", 43), "wrong")
		s.wants("a wrong secret", err, service.InvitationNotFound)
		_, err = accept(s.issuer.access("alder", at).with(jwt.MapClaims{"scope": "dewbench.read"}).sign(), open.GetSecret(), "")
		s.wants("one that may only read", err, service.IdentityUnknown)
		s.refuses("after it", alder, "IDENTITY_UNKNOWN", "")
		if n := s.growers(); n != before {
			t.Errorf("%d growers were made in vain", n-before)
		}

		got, err := accept(alder, open.GetSecret(), "enter")
		if err != nil {
			t.Fatal(err)
		}
		grower, _, _ := s.who(alder)
		if grower == "" || got.GetMember().GetGrower() != grower || got.GetMember().GetDisplayName() != "alder" {
			t.Errorf("%s accepted %v", grower, got)
		}
		again, err := accept(alder, open.GetSecret(), "enter")
		if err != nil || again.GetMember().GetName() != got.GetMember().GetName() {
			t.Errorf("repeated: %v, %v", again, err)
		}
		if n := s.growers(); n != before+1 {
			t.Errorf("%d growers were made", n-before)
		}

		// Of two who come with one invitation, one is let in, and one grower is made.
		open = invite()
		var work sync.WaitGroup
		for n := range 2 {
			work.Go(func() { _, _ = accept(s.issuer.access(fmt.Sprint("race", n), at).sign(), open.GetSecret(), "") })
		}
		work.Wait()
		if n := s.growers(); n != before+2 {
			t.Errorf("%d growers were made by two", n-before-1)
		}
	})
}

// A rotated token has two secrets for a while.
func TestRotateToken(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		s := openSigning(t, engine, nil)
		at := s.clock.now()
		calls := pb.NewTokenServiceClient(s.as(testSecret))
		made, err := calls.CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: "Script", Scopes: []string{"manage"}}})
		if err != nil {
			t.Fatal(err)
		}
		first, me := made.GetSecret(), "growers/grower-a"
		plant := &pb.Collection{}
		if err := invoke(s, first, pb.CollectionService_CreateCollection_FullMethodName,
			&pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin"}}, plant); err != nil {
			t.Fatal(err)
		}
		due := func(secret string) error { // by the calls that recall whom a token stood for
			return invoke(s, secret, pb.DueService_ListDueFeedings_FullMethodName, &pb.ListDueFeedingsRequest{Parent: plant.GetName()}, &pb.ListDueFeedingsResponse{})
		}
		for range 3 {
			if err := due(first); err != nil {
				t.Fatal(err)
			}
		}
		// It rotates itself.
		req := &pb.RotateTokenRequest{Name: made.GetName(), Overlap: durationpb.New(time.Hour), RequestId: "r"}
		rotated, err := pb.NewTokenServiceClient(s.as(first)).RotateToken(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		second := rotated.GetSecret()
		if second == "" || second == first || rotated.GetOldSecretExpireTime().AsTime() != at.Add(time.Hour) || rotated.GetRotateTime().AsTime() != at {
			t.Errorf("%v", rotated)
		}
		again, err := pb.NewTokenServiceClient(s.as(second)).RotateToken(t.Context(), req)
		if err != nil || again.Secret != nil || again.GetEtag() != rotated.GetEtag() {
			t.Errorf("repeated: %v, %v", again, err)
		}
		for range 2 {
			for _, secret := range []string{first, second} {
				s.takesAs("a secret", secret, me)
				if err := due(secret); err != nil {
					t.Error(err)
				}
			}
		}
		// Who has the old secret cannot make it live on.
		_, err = pb.NewTokenServiceClient(s.as(first)).RotateToken(t.Context(), &pb.RotateTokenRequest{Name: made.GetName()})
		s.wants("by the old secret", err, service.InvalidFields)
		_, err = pb.NewTokenServiceClient(s.as(first)).CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: "x", Scopes: []string{"read"}}})
		s.wants("another token by the old secret", err, service.InvalidFields)
		_, err = calls.RotateToken(t.Context(), &pb.RotateTokenRequest{Name: made.GetName(), Etag: made.GetEtag()})
		s.wants("an old etag", err, service.EtagMismatch)

		s.clock.set(at.Add(time.Hour))
		s.refuses("the old secret after the overlap", first, "TOKEN_EXPIRED", "")
		s.wants("the same in a list", due(first), service.TokenExpired)
		s.takesAs("the new one", second, me)
		// Without an overlap the present one ends at once.
		rotated, err = calls.RotateToken(t.Context(), &pb.RotateTokenRequest{Name: made.GetName(), Overlap: durationpb.New(0)})
		if err != nil {
			t.Fatal(err)
		}
		s.refuses("the first", first, "TOKEN_INVALID", "")
		s.refuses("the second", second, "TOKEN_EXPIRED", "")
		s.wants("the same in a list", due(second), service.TokenExpired)
		third := rotated.GetSecret()
		rotated, err = calls.RotateToken(t.Context(), &pb.RotateTokenRequest{Name: made.GetName()})
		if err != nil || rotated.GetOldSecretExpireTime().AsTime() != s.clock.now().Add(24*time.Hour) {
			t.Errorf("%v, %v", rotated, err)
		}
		// Revoked with all its secrets.
		if _, err := calls.DeleteToken(t.Context(), &pb.DeleteTokenRequest{Name: made.GetName()}); err != nil {
			t.Fatal(err)
		}
		for _, secret := range []string{third, rotated.GetSecret()} {
			s.refuses("revoked", secret, "TOKEN_INVALID", "")
			s.wants("the same in a list", due(secret), service.TokenInvalid)
		}
		_, err = calls.RotateToken(t.Context(), &pb.RotateTokenRequest{Name: made.GetName()})
		s.wants("one that was revoked", err, service.TokenNotFound)
	})
}
