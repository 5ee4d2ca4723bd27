package accounts

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"throwline/alerting"
)

// OpenIDOptions are how people log in at an OpenID provider. All but Client are needed.
type OpenIDOptions struct {
	Issuer       string // as the provider writes it
	ClientID     string
	ClientSecret string // "" for a public client: PKCE is always used
	Redirect     string // our own callback, in full
	Scopes       []string
	NameClaim    string // is the account's name
	RolesClaim   string // a text or a list of texts
	// Roles says which of the claim's values give which role; the highest holds.
	// "*" is everybody whom the provider lets in.
	Roles  map[alerting.Role][]string
	Client *http.Client // nil: one with time limits
}

const (
	flowFor      = 10 * time.Minute // from the first step of a login to the last
	mostFinished = 10_000           // logins that are remembered as over
	mostAsking   = 16               // requests to the provider at once
	mostAnswer   = 1 << 20          // bytes of an answer of the provider, and of its header
	mostHops     = 3                // redirects of what is only read
)

// flow is a login under way, good once. The browser that began it keeps it,
// sealed: whoever begins logins without end takes no room here.
type flow struct {
	State    string    `json:"s"`
	Nonce    string    `json:"n"`
	Verifier string    `json:"v"`
	Began    time.Time `json:"t"`
}

type openID struct {
	o   OpenIDOptions
	now func() time.Time

	seal   cipher.AEAD   // with a key of this process
	asking chan struct{} // one for each request to the provider

	mu       sync.Mutex
	provider *oidc.Provider       // once it was found
	finished map[string]time.Time // states of logins that are over, and until when one might come back
}

func newOpenID(o OpenIDOptions, now func() time.Time) *openID {
	if o.Client == nil {
		t := http.DefaultTransport.(*http.Transport).Clone()
		t.MaxResponseHeaderBytes = mostAnswer
		o.Client = &http.Client{Timeout: 10 * time.Second, Transport: t}
	}
	o.Client = bounded(o.Client)
	if !slices.Contains(o.Scopes, oidc.ScopeOpenID) {
		o.Scopes = append([]string{oidc.ScopeOpenID}, o.Scopes...)
	}
	block, err := aes.NewCipher(random(32))
	if err != nil {
		panic(err) // the key is 32 bytes
	}
	seal, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		panic(err) // AES has blocks of 16 bytes
	}
	return &openID{o: o, now: now, seal: seal, asking: make(chan struct{}, mostAsking), finished: map[string]time.Time{}}
}

// bounded returns a client like this one that reads no endless answers, and
// sends nothing on to another place: a code and the client's secret are in it.
func bounded(c *http.Client) *http.Client {
	out := *c
	if out.Transport == nil {
		out.Transport = http.DefaultTransport
	}
	out.Transport = &brief{out.Transport}
	out.CheckRedirect = func(next *http.Request, before []*http.Request) error {
		if before[0].Method != http.MethodGet || len(before) > mostHops {
			return http.ErrUseLastResponse
		}
		return nil
	}
	return &out
}

// brief cuts answers off.
type brief struct{ http.RoundTripper }

func (b *brief) RoundTrip(r *http.Request) (*http.Response, error) {
	answer, err := b.RoundTripper.RoundTrip(r)
	if err == nil {
		answer.Body = &cutOff{answer.Body, mostAnswer}
	}
	return answer, err
}

type cutOff struct {
	io.ReadCloser
	left int64
}

func (c *cutOff) Read(p []byte) (int, error) {
	if c.left <= 0 {
		return 0, fmt.Errorf("expected an answer of at most %d bytes, found a longer one", mostAnswer)
	}
	n, err := c.ReadCloser.Read(p[:min(int64(len(p)), c.left)])
	c.left -= int64(n)
	return n, err
}

// ask returns when the provider may be asked, with what to call afterwards.
func (p *openID) ask() (done func(), err error) {
	select {
	case p.asking <- struct{}{}:
		return func() { <-p.asking }, nil
	default:
		return nil, alerting.ErrBusy
	}
}

// keep seals a flow for the browser.
func (p *openID) keep(f flow) (string, error) {
	b, err := json.Marshal(f)
	if err != nil {
		return "", err
	}
	return base64.RawURLEncoding.EncodeToString(p.seal.Seal(nil, nil, b, nil)), nil
}

// finish takes a flow back from the browser; not ok where it is none of ours,
// of another state, too old, or was taken back before.
func (p *openID) finish(browser, state string) (f flow, ok bool) {
	b, err := base64.RawURLEncoding.DecodeString(browser)
	if err != nil {
		return f, false
	}
	if b, err = p.seal.Open(nil, nil, b, nil); err != nil || json.Unmarshal(b, &f) != nil {
		return f, false
	}
	now := p.now()
	if subtle.ConstantTimeCompare([]byte(f.State), []byte(state)) != 1 || now.Sub(f.Began) > flowFor {
		return f, false
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, before := p.finished[state]; before {
		return f, false
	}
	if len(p.finished) >= mostFinished {
		maps.DeleteFunc(p.finished, func(_ string, until time.Time) bool { return now.After(until) })
		for s := range p.finished { // any: the provider takes a code once, whatever we remember
			if len(p.finished) < mostFinished {
				break
			}
			delete(p.finished, s)
		}
	}
	p.finished[state] = f.Began.Add(flowFor)
	return f, true
}

// discover asks the provider about itself; a provider that is away is asked
// again at the next login. What it says is kept until the program ends, its
// keys are read anew as they change.
func (p *openID) discover(ctx context.Context) (*oidc.Provider, *oauth2.Config, error) {
	p.mu.Lock()
	found := p.provider
	p.mu.Unlock()
	if found == nil {
		// The keys are fetched later with this context: it must not end with the request.
		long := oidc.ClientContext(context.WithoutCancel(ctx), p.o.Client)
		var err error
		if found, err = oidc.NewProvider(long, p.o.Issuer); err != nil {
			return nil, nil, fmt.Errorf("OpenID provider %s: %w", p.o.Issuer, err)
		}
		p.mu.Lock()
		p.provider = found
		p.mu.Unlock()
	}
	return found, &oauth2.Config{
		ClientID: p.o.ClientID, ClientSecret: p.o.ClientSecret, RedirectURL: p.o.Redirect, Endpoint: found.Endpoint(), Scopes: p.o.Scopes,
	}, nil
}

// HasOpenID reports whether one can log in at an OpenID provider.
func (a *Accounts) HasOpenID() bool { return a.openID != nil }

// BeginOpenID begins a login at the provider: the browser is sent to the
// address and keeps the secret until it comes back.
func (a *Accounts) BeginOpenID(ctx context.Context) (address, browser string, err error) {
	p := a.openID
	if p == nil {
		return "", "", alerting.ErrNobody
	}
	done, err := p.ask()
	if err != nil {
		return "", "", err
	}
	defer done()
	_, config, err := p.discover(ctx)
	if err != nil {
		return "", "", err
	}
	f := flow{Verifier: oauth2.GenerateVerifier(), Began: p.now()}
	f.State, _ = newSecret("")
	f.Nonce, _ = newSecret("")
	if browser, err = p.keep(f); err != nil {
		return "", "", err
	}
	return config.AuthCodeURL(f.State, oidc.Nonce(f.Nonce), oauth2.S256ChallengeOption(f.Verifier)), browser, nil
}

// FinishOpenID ends a login with what the provider sent the browser back with,
// and opens a session. Errors: [alerting.ErrLink] where the login was not begun here or
// is over, [alerting.ErrDenied] with the reason.
func (a *Accounts) FinishOpenID(ctx context.Context, browser, state, code, address string) (string, alerting.Visitor, error) {
	var v alerting.Visitor
	p := a.openID
	if p == nil {
		return "", v, alerting.ErrNobody
	}
	done, err := p.ask()
	if err != nil {
		return "", v, err
	}
	defer done()
	f, ok := p.finish(browser, state) // good once, whatever comes of it
	if !ok {
		return "", v, alerting.ErrLink
	}
	who, err := p.exchange(ctx, f, code)
	if err != nil {
		if who.subject != "" && errors.Is(err, alerting.ErrDenied) {
			err = errors.Join(err, a.forget(ctx, who.subject))
		}
		return "", v, err
	}
	return a.admit(ctx, who, address)
}

// forget ends the sessions and tokens of someone to whom the provider gives no
// role any more.
func (a *Accounts) forget(ctx context.Context, subject string) error {
	a.change.Lock()
	defer a.change.Unlock()
	for _, u := range a.List() {
		if u.Subject != subject {
			continue
		}
		var c alerting.AccountsChange
		a.endSessions(&c, u.Name)
		a.endTokens(&c, u.Name)
		c.Audit = append(c.Audit, a.audit(u.Name, "sessions and tokens ended", "the OpenID provider gives no role any more"))
		return a.enter(ctx, &c)
	}
	return nil
}

// person is whom a provider vouches for.
type person struct {
	subject, name, display string
	role                   alerting.Role
}

// exchange turns the code into who it is for.
func (p *openID) exchange(ctx context.Context, f flow, code string) (who person, err error) {
	provider, config, err := p.discover(ctx)
	if err != nil {
		return who, err
	}
	ctx = oidc.ClientContext(ctx, p.o.Client)
	token, err := config.Exchange(ctx, code, oauth2.VerifierOption(f.Verifier))
	if err != nil {
		return who, fmt.Errorf("OpenID provider %s: exchange the code: %w", p.o.Issuer, err)
	}
	raw, _ := token.Extra("id_token").(string)
	if raw == "" {
		return who, fmt.Errorf("%w: the provider sent no ID token", alerting.ErrDenied)
	}
	id, err := provider.Verifier(&oidc.Config{ClientID: p.o.ClientID, Now: p.now}).Verify(ctx, raw)
	if err != nil {
		return who, fmt.Errorf("%w: the provider's ID token does not hold: %w", alerting.ErrDenied, err)
	}
	if subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(f.Nonce)) != 1 {
		return who, fmt.Errorf("%w: the provider's ID token is of another login (nonce)", alerting.ErrDenied)
	}
	claims := map[string]json.RawMessage{}
	if err := id.Claims(&claims); err != nil {
		return who, fmt.Errorf("%w: the provider's claims cannot be read: %w", alerting.ErrDenied, err)
	}
	who.subject = id.Issuer + " " + id.Subject
	who.name = CleanName(texts(claims[p.o.NameClaim]).first())
	who.display = texts(claims["name"]).first()
	if displayFaults(who.display) != nil {
		who.display = ""
	}
	who.role = p.role(texts(claims[p.o.RolesClaim]))
	switch {
	case nameFaults(who.name) != nil:
		return who, fmt.Errorf("%w: the claim %q: expected a name of 1 to 64 of a-z 0-9 . _ @ + -, found %.80q", alerting.ErrDenied, p.o.NameClaim, who.name)
	case who.role == "":
		return who, fmt.Errorf("%w: the provider gives %q no role here", alerting.ErrDenied, who.name)
	}
	return who, nil
}

// role returns the highest role that the values give.
func (p *openID) role(values list) alerting.Role {
	for _, r := range slices.Backward(alerting.Roles) {
		for _, want := range p.o.Roles[r] {
			if want == "*" || slices.Contains(values, want) {
				return r
			}
		}
	}
	return ""
}

type list []string

func (l list) first() string {
	if len(l) == 0 {
		return ""
	}
	return strings.TrimSpace(l[0])
}

// texts reads a claim that is a text or a list of texts.
func texts(raw json.RawMessage) (out list) {
	var one string
	if json.Unmarshal(raw, &one) == nil && one != "" {
		return list{one}
	}
	if json.Unmarshal(raw, &out) != nil {
		return nil
	}
	return out
}

// admit opens a session for whom the provider vouches for; an account is made
// at the first time, and its role and names follow the provider.
func (a *Accounts) admit(ctx context.Context, who person, address string) (string, alerting.Visitor, error) {
	a.change.Lock()
	defer a.change.Unlock()
	now := a.o.Now()
	var u alerting.Account
	for _, x := range a.List() {
		if x.Subject == who.subject {
			u = x
		}
	}
	var c alerting.AccountsChange
	switch {
	case u.Disabled:
		return "", alerting.Visitor{}, fmt.Errorf("%w: the account %q is disabled", alerting.ErrDenied, u.Name)
	case u.Name == "":
		// A name that someone here has is never taken over by one who is called so elsewhere.
		if _, taken := a.account(who.name); taken {
			return "", alerting.Visitor{}, fmt.Errorf("%w: the name %q is another account's here", alerting.ErrDenied, who.name)
		}
		if a.crowded() {
			return "", alerting.Visitor{}, fmt.Errorf("%w: expected at most %d accounts, found another", alerting.ErrDenied, a.o.Most)
		}
		u = alerting.Account{Name: who.name, Subject: who.subject, CreatedAt: now}
		c.Audit = append(c.Audit, a.audit(who.name, "account made", "by the OpenID provider"))
	}
	if u.Role != who.role {
		c.Audit = append(c.Audit, a.audit(u.Name, "account changed", fmt.Sprintf("role %s, by the OpenID provider", who.role)))
	}
	u.Role, u.Display = who.role, who.display
	c.Save.Accounts = []alerting.Account{u}
	c.Audit = append(c.Audit, a.audit(u.Name, "logged in", "through the OpenID provider, from "+address))
	secret, v := a.begin(&c, u, now)
	if err := a.enter(ctx, &c); err != nil {
		return "", alerting.Visitor{}, err
	}
	return secret, v, nil
}
