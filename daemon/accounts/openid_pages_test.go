package accounts

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"throwline/alerting/screen"
)

// The whole login at a provider, as a browser goes through it.
func TestOpenIDPages(t *testing.T) {
	r, p := newOpenIDRig(t)
	hub := screen.NewHub(screen.HubOptions{Now: r.o.Now})
	defer hub.Close()
	pages := screen.New(screen.Options{Hub: hub, Door: &screen.Door{Accounts: r.Accounts, PublicURL: "https://throwline.example"}})
	get := func(path string, cookies ...*http.Cookie) *http.Response {
		q := httptest.NewRequest("GET", path, nil)
		for _, c := range cookies {
			q.AddCookie(c)
		}
		w := httptest.NewRecorder()
		pages.ServeHTTP(w, q)
		return w.Result()
	}
	begin := func(next string) (*http.Cookie, string) {
		res := get("/login/openid?next=" + next)
		if res.StatusCode != http.StatusSeeOther || len(res.Cookies()) != 1 {
			t.Fatalf("found %d %v", res.StatusCode, res.Header)
		}
		c := res.Cookies()[0]
		if c.Name != "__Host-throwline-login" || !c.Secure || !c.HttpOnly || c.SameSite != http.SameSiteLaxMode {
			t.Errorf("found %s", c)
		}
		state, code := p.visit(res.Header.Get("Location"))
		return c, "/login/openid/return?state=" + state + "&code=" + code
	}
	for next, to := range map[string]string{"%2Fturnouts%3Fq%3D1": "/turnouts?q=1", "%2F%2Fother.example": "/", "": "/"} {
		c, back := begin(next)
		res := get(back, c)
		if res.StatusCode != http.StatusSeeOther || res.Header.Get("Location") != to {
			t.Fatalf("%s: found %d to %q", next, res.StatusCode, res.Header.Get("Location"))
		}
		var session *http.Cookie
		for _, c := range res.Cookies() {
			if c.Name == "__Host-throwline" {
				session = c
			} else if c.MaxAge >= 0 {
				t.Errorf("%s is not taken back", c.Name)
			}
		}
		if session == nil || !session.Secure || !session.HttpOnly || get("/account", session).StatusCode == http.StatusSeeOther {
			t.Fatalf("found %v", session)
		}
		if res := get(back, c); res.StatusCode != http.StatusForbidden {
			t.Errorf("replayed: found %d", res.StatusCode)
		}
	}
	c, back := begin("")
	if res := get(back); res.StatusCode != http.StatusForbidden {
		t.Errorf("in another browser: found %d", res.StatusCode)
	}
	if res := get("/login/openid/return?error=access_denied&error_description=%3Cb%3E", c); res.StatusCode != http.StatusForbidden || strings.Contains(res.Header.Get("Location"), "error") {
		t.Errorf("the provider says no: found %d", res.StatusCode)
	}
	p.claims = func(m map[string]any) { m["groups"] = "visitors" }
	c, back = begin("")
	if res := get(back, c); res.StatusCode != http.StatusForbidden || len(res.Cookies()) != 1 {
		t.Errorf("no role: found %d %v", res.StatusCode, res.Cookies())
	}
}
