package accounts

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"throwline/alerting"
)

// provider is a small OpenID provider with real keys. It lets in whom a test says.
type provider struct {
	*httptest.Server
	t   *testing.T
	key *rsa.PrivateKey

	mu     sync.Mutex
	grants map[string]url.Values   // by code: what was asked for
	claims func(m map[string]any)  // changes what the ID token says
	sign   func(claims any) string // nil: with the key
	now    func() time.Time
}

func newProvider(t *testing.T) *provider {
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	p := &provider{t: t, key: key, grants: map[string]url.Values{}, claims: func(map[string]any) {}}
	answer := func(w http.ResponseWriter, v any) {
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(v)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, map[string]any{
			"issuer": p.URL, "authorization_endpoint": p.URL + "/authorize", "token_endpoint": p.URL + "/token", "jwks_uri": p.URL + "/keys",
			"id_token_signing_alg_values_supported": []string{"RS256"}, "response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"},
		})
	})
	mux.HandleFunc("GET /keys", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &key.PublicKey, KeyID: "k1", Algorithm: "RS256", Use: "sig"}}})
	})
	// The person has said yes already: back with a code.
	mux.HandleFunc("GET /authorize", func(w http.ResponseWriter, r *http.Request) {
		q := r.URL.Query()
		if q.Get("client_id") != "throwline" || q.Get("response_type") != "code" || q.Get("code_challenge_method") != "S256" || q.Get("nonce") == "" || !strings.Contains(q.Get("scope"), "openid") {
			t.Errorf("asked with %v", q)
		}
		code := base64.RawURLEncoding.EncodeToString(random(16))
		p.mu.Lock()
		p.grants[code] = q
		p.mu.Unlock()
		http.Redirect(w, r, q.Get("redirect_uri")+"?"+url.Values{"code": {code}, "state": {q.Get("state")}}.Encode(), http.StatusFound)
	})
	mux.HandleFunc("POST /token", func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		defer p.mu.Unlock()
		asked, known := p.grants[r.FormValue("code")]
		delete(p.grants, r.FormValue("code"))
		sum := sha256.Sum256([]byte(r.FormValue("code_verifier")))
		id, secret, _ := r.BasicAuth()
		if !known || asked.Get("code_challenge") != base64.RawURLEncoding.EncodeToString(sum[:]) || asked.Get("redirect_uri") != r.FormValue("redirect_uri") || id != "throwline" || secret != "s3" {
			w.WriteHeader(http.StatusBadRequest)
			answer(w, map[string]string{"error": "invalid_grant"})
			return
		}
		claims := map[string]any{
			"iss": p.URL, "sub": "4711", "aud": "throwline", "nonce": asked.Get("nonce"), "iat": p.now().Unix(), "exp": p.now().Add(time.Hour).Unix(),
			"preferred_username": "Signal.Person", "name": "A Signal Person", "groups": []string{"everyone", "signallers"},
		}
		p.claims(claims)
		token := ""
		if p.sign != nil {
			token = p.sign(claims)
		} else {
			token = p.signWith(p.key, "k1", claims)
		}
		answer(w, map[string]any{"access_token": "a", "token_type": "Bearer", "id_token": token, "expires_in": 60})
	})
	p.Server = httptest.NewServer(mux)
	t.Cleanup(p.Close)
	return p
}

func (p *provider) signWith(key *rsa.PrivateKey, id string, claims any) string {
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: key}, (&jose.SignerOptions{}).WithHeader("kid", id))
	if err != nil {
		p.t.Fatal(err)
	}
	s, err := jwt.Signed(signer).Claims(claims).Serialize()
	if err != nil {
		p.t.Fatal(err)
	}
	return s
}

// visit goes to the provider as the browser does, and returns what it comes back with.
func (p *provider) visit(address string) (state, code string) {
	p.t.Helper()
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := c.Get(address)
	if err != nil {
		p.t.Fatal(err)
	}
	res.Body.Close()
	back, err := res.Location()
	if err != nil || !strings.HasPrefix(back.String(), "https://throwline.example/login/openid/return?") {
		p.t.Fatal(back, err)
	}
	return back.Query().Get("state"), back.Query().Get("code")
}

func newOpenIDRig(t *testing.T) (*rig, *provider) {
	p := newProvider(t)
	made := newRig(t, func(o *Options) {
		o.OpenID = &OpenIDOptions{
			Issuer: p.URL, ClientID: "throwline", ClientSecret: "s3", Redirect: "https://throwline.example/login/openid/return", NameClaim: "preferred_username", RolesClaim: "groups",
			Roles: map[alerting.Role][]string{alerting.Operator: {"signallers"}, alerting.Administrator: {"chiefs"}, alerting.Viewer: {"everyone"}},
		}
	})
	p.now = made.Accounts.o.Now
	return made, p
}

func (r *rig) through(p *provider) (string, alerting.Visitor, error) {
	r.Helper()
	address, browser, err := r.BeginOpenID(r.Context())
	if err != nil {
		r.Fatal(err)
	}
	state, code := p.visit(address)
	return r.FinishOpenID(r.Context(), browser, state, code, here)
}

func TestOpenID(t *testing.T) {
	r, p := newOpenIDRig(t)
	secret, v, err := r.through(p)
	if err != nil || v.Role != alerting.Operator || v.Account.Name != "signal.person" || v.Account.Display != "A Signal Person" || !r.in(secret) {
		t.Fatalf("found %+v, %v", v, err)
	}
	// The role follows the provider, the account stays the same whatever the name says now.
	p.claims = func(m map[string]any) { m["groups"], m["preferred_username"] = "chiefs", "renamed" }
	if _, v, err = r.through(p); err != nil || v.Role != alerting.Administrator || v.Account.Name != "signal.person" || len(r.List()) != 1 {
		t.Errorf("found %+v, %v", v, err)
	}
	if r.NeedsSetup() {
		t.Error("an administrator of the provider is none")
	}
	// It has no password here, and gets none.
	if _, err := r.login("signal.person", ""); !errors.Is(err, alerting.ErrWrongLogin) {
		t.Errorf("found %v", err)
	}
	if _, err := r.Reset(t.Context(), "chief", "signal.person"); err == nil {
		t.Error("a link for a password was made")
	}
}

func TestOpenIDDenied(t *testing.T) {
	for name, c := range map[string]struct {
		change func(p *provider, m map[string]any)
		want   string
	}{
		"wrong nonce":     {func(_ *provider, m map[string]any) { m["nonce"] = "other" }, "nonce"},
		"no nonce":        {func(_ *provider, m map[string]any) { delete(m, "nonce") }, "nonce"},
		"wrong audience":  {func(_ *provider, m map[string]any) { m["aud"] = "other" }, "audience"},
		"wrong issuer":    {func(_ *provider, m map[string]any) { m["iss"] = "https://other.example" }, "different provider"},
		"expired":         {func(p *provider, m map[string]any) { m["exp"] = p.now().Add(-time.Minute).Unix() }, "expired"},
		"no role":         {func(_ *provider, m map[string]any) { m["groups"] = []string{"visitors"} }, "no role"},
		"groups no list":  {func(_ *provider, m map[string]any) { m["groups"] = 7 }, "no role"},
		"no name":         {func(_ *provider, m map[string]any) { delete(m, "preferred_username") }, "expected a name"},
		"a name of none":  {func(_ *provider, m map[string]any) { m["preferred_username"] = "<b>" }, "expected a name"},
		"a name of ours":  {func(_ *provider, m map[string]any) { m["preferred_username"] = "CHIEF" }, "another account's"},
		"unsigned":        {func(p *provider, _ map[string]any) { p.sign = unsigned }, "does not hold"},
		"another's key":   {func(p *provider, _ map[string]any) { p.sign = p.strangersKey }, "does not hold"},
		"our key as HMAC": {func(p *provider, _ map[string]any) { p.sign = p.hmac }, "does not hold"},
		"no token":        {func(p *provider, _ map[string]any) { p.sign = func(any) string { return "" } }, "no ID token"},
		"changed after":   {func(p *provider, _ map[string]any) { p.sign = p.tampered }, "does not hold"},
	} {
		t.Run(name, func(t *testing.T) {
			r, p := newOpenIDRig(t)
			r.first()
			p.claims = func(m map[string]any) { c.change(p, m) }
			secret, _, err := r.through(p)
			if !errors.Is(err, alerting.ErrDenied) || !strings.Contains(err.Error(), c.want) || secret != "" {
				t.Errorf("expected %q, found %v", c.want, err)
			}
			if len(r.List()) != 1 {
				t.Errorf("an account was made: %+v", r.List())
			}
		})
	}
}

func unsigned(claims any) string {
	b, _ := json.Marshal(claims)
	return base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none","typ":"JWT"}`)) + "." + base64.RawURLEncoding.EncodeToString(b) + "."
}

func (p *provider) strangersKey(claims any) string {
	key, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		p.t.Fatal(err)
	}
	return p.signWith(key, "k1", claims)
}

func (p *provider) hmac(claims any) string {
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.HS256, Key: p.key.N.Bytes()}, (&jose.SignerOptions{}).WithHeader("kid", "k1"))
	if err != nil {
		p.t.Fatal(err)
	}
	s, err := jwt.Signed(signer).Claims(claims).Serialize()
	if err != nil {
		p.t.Fatal(err)
	}
	return s
}

func (p *provider) tampered(claims any) string {
	part := strings.Split(p.signWith(p.key, "k1", claims), ".")
	m := claims.(map[string]any)
	m["groups"] = "chiefs"
	b, _ := json.Marshal(m)
	return part[0] + "." + base64.RawURLEncoding.EncodeToString(b) + "." + part[2]
}

// A login is good once, in the browser that began it, and for some minutes.
func TestOpenIDFlow(t *testing.T) {
	r, p := newOpenIDRig(t)
	begin := func() (browser, state, code string) {
		address, browser, err := r.BeginOpenID(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		state, code = p.visit(address)
		return browser, state, code
	}
	finish := func(browser, state, code string) error {
		_, _, err := r.FinishOpenID(t.Context(), browser, state, code, here)
		return err
	}
	browser, state, code := begin()
	if err := finish(browser, state, code); err != nil {
		t.Fatal(err)
	}
	if err := finish(browser, state, code); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("replayed: %v", err)
	}
	_, state, code = begin()
	if err := finish(browser, state, code); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("in another browser: %v", err)
	}
	browser, _, code = begin()
	if err := finish(browser, "other", code); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("another state: %v", err)
	}
	browser, state, _ = begin()
	_, _, other := begin()
	if err := finish(browser, state, other); err == nil || errors.Is(err, alerting.ErrLink) {
		t.Errorf("another login's code passed PKCE: %v", err)
	}
	browser, state, code = begin()
	r.pass(flowFor + time.Second)
	if err := finish(browser, state, code); !errors.Is(err, alerting.ErrLink) {
		t.Errorf("too late: %v", err)
	}
	yes := true
	if _, err := r.Change(t.Context(), "chief", "signal.person", nil, nil, &yes); err != nil {
		t.Fatal(err)
	}
	if _, _, err := r.through(p); !errors.Is(err, alerting.ErrDenied) {
		t.Errorf("disabled: %v", err)
	}
}

// Whoever begins logins without end, and never finishes one, shuts nobody out
// and takes no memory.
func TestOpenIDBegunWithoutEnd(t *testing.T) {
	r, p := newOpenIDRig(t)
	for i := range 1200 {
		if _, _, err := r.BeginOpenID(t.Context()); err != nil {
			t.Fatalf("login %d: %v", i, err)
		}
	}
	if n := len(r.openID.finished); n != 0 {
		t.Errorf("%d are remembered", n)
	}
	if _, _, err := r.through(p); err != nil {
		t.Errorf("shut out: %v", err)
	}
	for i := range mostFinished - 10 {
		r.openID.finished[fmt.Sprint(i)] = r.openID.now().Add(flowFor)
	}
	for range 20 {
		f := flow{Began: r.openID.now()}
		f.State, _ = newSecret("")
		browser, err := r.openID.keep(f)
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := r.openID.finish(browser, f.State); !ok {
			t.Fatal("one that was begun is not finished")
		}
	}
	if n := len(r.openID.finished); n > mostFinished {
		t.Errorf("%d are remembered", n)
	}
	// A provider that does not answer holds up so many requests, and the next is told at once.
	for range mostAsking {
		if _, err := r.openID.ask(); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := r.BeginOpenID(t.Context()); !errors.Is(err, alerting.ErrBusy) {
		t.Errorf("found %v", err)
	}
}

// What another process sealed, or nobody did, is no login.
func TestOpenIDForeignFlow(t *testing.T) {
	ours, _ := newOpenIDRig(t)
	theirs, _ := newOpenIDRig(t)
	f := flow{State: "s", Began: theirs.openID.now()}
	foreign, err := theirs.openID.keep(f)
	if err != nil {
		t.Fatal(err)
	}
	own, err := ours.openID.keep(f)
	if err != nil {
		t.Fatal(err)
	}
	for _, browser := range []string{foreign, "", "x", own[:len(own)-2] + "AA", base64.RawURLEncoding.EncodeToString([]byte(`{"s":"s"}`))} {
		if _, ok := ours.openID.finish(browser, "s"); ok {
			t.Errorf("took %q", browser)
		}
	}
	if _, ok := ours.openID.finish(own, "s"); !ok {
		t.Error("its own is none")
	}
}

// A provider that was away is found when it is back.
func TestOpenIDAway(t *testing.T) {
	r, p := newOpenIDRig(t)
	issuer := r.openID.o.Issuer
	r.openID.o.Issuer = "http://127.0.0.1:1"
	if _, _, err := r.BeginOpenID(t.Context()); err == nil {
		t.Error("found nobody, and no error")
	}
	r.openID.o.Issuer = issuer
	if _, _, err := r.through(p); err != nil {
		t.Error(err)
	}
}

// Whom the provider lets go is out, with what he had made for himself; and
// without a provider nobody of its comes in.
func TestOpenIDTakenBack(t *testing.T) {
	r, p := newOpenIDRig(t)
	p.claims = func(m map[string]any) { m["groups"] = "chiefs" }
	secret, v, err := r.through(p)
	if err != nil {
		t.Fatal(err)
	}
	token, _, err := r.AddToken(t.Context(), v, "x", alerting.Operator, 3000*24*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	byToken := func() bool { _, err := r.ByToken(t.Context(), token, false); return err == nil }
	if !r.in(secret) || !byToken() || r.NeedsSetup() {
		t.Fatal("expected both to hold")
	}
	r.open() // no provider in the configuration any more
	if r.in(secret) || byToken() || !r.NeedsSetup() {
		t.Error("one of a provider that is gone came in, or counts as an administrator")
	}

	r, p = newOpenIDRig(t)
	secret, v, err = r.through(p)
	if err != nil {
		t.Fatal(err)
	}
	if token, _, err = r.AddToken(t.Context(), v, "x", alerting.Viewer, 3000*24*time.Hour); err != nil {
		t.Fatal(err)
	}
	p.claims = func(m map[string]any) { m["groups"] = []string{} }
	if _, _, err := r.through(p); !errors.Is(err, alerting.ErrDenied) {
		t.Errorf("found %v", err)
	}
	if r.in(secret) || byToken() {
		t.Error("someone without a role came in")
	}
}
