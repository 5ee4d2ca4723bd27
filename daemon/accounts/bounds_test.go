package accounts

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"throwline/alerting"
)

// There are so many accounts and no more, whoever makes them.
func TestAccountsAreBounded(t *testing.T) {
	const most = 5
	r, p := newOpenIDRig(t)
	r.o.Most = most
	r.first()
	for i := 1; i < most; i++ {
		r.person(fmt.Sprintf("p%d", i), alerting.Viewer)
	}
	_, _, err := r.Add(r.Context(), "chief", "another", "", alerting.Viewer)
	var full interface{ Full() bool }
	if !errors.As(err, &full) || !full.Full() || !strings.Contains(err.Error(), "at most 5 accounts") {
		t.Errorf("found %v", err)
	}
	if _, _, err := r.through(p); !errors.Is(err, alerting.ErrDenied) || !strings.Contains(err.Error(), "at most 5 accounts") {
		t.Errorf("through the provider: found %v", err)
	}
	if n := len(r.List()); n != most {
		t.Errorf("expected %d, found %d", most, n)
	}
}

// One account has so many sessions, of which the oldest end, and so many tokens.
func TestSessionsAndTokensAreBounded(t *testing.T) {
	r := newRig(t)
	oldest := r.first()
	for range mostOpen + 10 {
		r.pass(time.Second)
		if _, err := r.login("chief", good); err != nil {
			t.Fatal(err)
		}
	}
	if len(r.sessions) != mostOpen || r.in(oldest) {
		t.Errorf("found %d sessions, the oldest among them: %v", len(r.sessions), r.in(oldest))
	}
	v := alerting.Visitor{Account: r.List()[0], Role: alerting.Administrator}
	var err error
	for range mostTokens + 10 {
		_, _, err = r.AddToken(r.Context(), v, "script", alerting.Viewer, time.Hour)
	}
	var full interface{ Full() bool }
	if !errors.As(err, &full) || len(r.tokens) != mostTokens {
		t.Errorf("found %d tokens, %v", len(r.tokens), err)
	}
	for range 200 { // a link makes those before it void
		if _, err := r.Reset(r.Context(), "chief", "chief"); err != nil {
			t.Fatal(err)
		}
	}
	if len(r.links) != 1 {
		t.Errorf("found %d links", len(r.links))
	}
}

// A provider that answers without end, or that sends us on to elsewhere, costs
// what may be read of it and no more.
func TestOpenIDEndless(t *testing.T) {
	var sent atomic.Int64
	provider := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		for b := bytes.Repeat([]byte(" "), 64<<10); ; {
			n, err := w.Write(b)
			if sent.Add(int64(n)); err != nil {
				return
			}
		}
	}))
	defer provider.Close()
	r := newRig(t, func(o *Options) { o.OpenID = &OpenIDOptions{Issuer: provider.URL, ClientID: "c", NameClaim: "n"} })
	if _, _, err := r.BeginOpenID(r.Context()); err == nil || !strings.Contains(err.Error(), "at most 1048576 bytes") {
		t.Errorf("found %v", err)
	}
	provider.CloseClientConnections()
	if n := sent.Load(); n > 64<<20 {
		t.Errorf("%d bytes were taken", n)
	}

	elsewhere := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { t.Errorf("found %s there", r.Method) }))
	defer elsewhere.Close()
	moved := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/token" {
			http.Redirect(w, r, elsewhere.URL, http.StatusTemporaryRedirect)
			return
		}
		http.Redirect(w, r, "/again", http.StatusFound)
	}))
	defer moved.Close()
	c := bounded(&http.Client{Timeout: time.Minute})
	res, err := c.PostForm(moved.URL+"/token", url.Values{"client_secret": {"s3"}})
	if err != nil || res.StatusCode != http.StatusTemporaryRedirect {
		t.Fatalf("found %v, %v", res, err)
	}
	_ = res.Body.Close()
	if res, err = c.Get(moved.URL); err != nil || res.StatusCode != http.StatusFound {
		t.Fatalf("round and round: found %v, %v", res, err)
	}
	_ = res.Body.Close()
	c.CloseIdleConnections()
}
