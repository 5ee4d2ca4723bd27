package screen

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
)

// doorman knows a session for every role, which is its own secret, and a token,
// "tl_" and the role. The real one is tested with the daemon.
type doorman struct {
	Accounts // whatever else is called fails the test
	left     atomic.Bool
}

func (d *doorman) visitor(role string, token int64) (alerting.Visitor, error) {
	r := alerting.Role(role)
	if !r.Known() || d.left.Load() {
		return alerting.Visitor{}, alerting.ErrNobody
	}
	return alerting.Visitor{Account: alerting.Account{Name: "p." + role, Role: r}, Role: r, Token: token}, nil
}

func (d *doorman) BySession(_ context.Context, secret string, _ bool) (alerting.Visitor, error) {
	return d.visitor(secret, 0)
}

func (d *doorman) ByToken(_ context.Context, secret string, _ bool) (alerting.Visitor, error) {
	return d.visitor(strings.TrimPrefix(secret, "tl_"), 7)
}

func (d *doorman) Still(v alerting.Visitor, least alerting.Role) bool {
	return !d.left.Load() && v.Role.Allows(least)
}
func (d *doorman) NeedsSetup() bool { return false }
func (d *doorman) HasOpenID() bool  { return false }

func newDoor(t *testing.T, f *fake, change ...func(*Options)) *server {
	t.Helper()
	hub := NewHub(HubOptions{Now: f.Now})
	t.Cleanup(hub.Close)
	o := Options{Archive: f, Yard: f, Hub: hub, Door: &Door{Accounts: &doorman{}}, Metrics: http.NotFoundHandler()}
	for _, c := range change {
		c(&o)
	}
	return newServer(o, embedded())
}

// who comes to the door.
type who struct {
	role  alerting.Role // "": nobody
	token bool
}

func (w who) ask(method, path string) *http.Request {
	r := httptest.NewRequest(method, "http://127.0.0.1"+path, nil)
	switch {
	case w.role == "":
	case w.token:
		r.Header.Set("Authorization", "Bearer tl_"+string(w.role))
	default:
		r.AddCookie(&http.Cookie{Name: "throwline", Value: string(w.role)})
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	return r
}

// split returns the method and a path that a pattern takes.
func split(pattern string) (method, path string) {
	method, path, ok := strings.Cut(pattern, " ")
	if !ok {
		method, path = http.MethodGet, pattern+"nothing"
	}
	path = strings.TrimSuffix(path, "{$}")
	for _, wild := range []string{"{turnout}", "{key}", "{id}", "{name}", "{rest...}"} {
		path = strings.ReplaceAll(path, wild, "1")
	}
	return method, path
}

// Every route that there is stands in the table, and lets in whom the table says.
func TestEveryRoute(t *testing.T) {
	s := newDoor(t, newFake())
	routes := slices.Clone(s.mux.patterns)
	for path, item := range s.api.OpenAPI().Paths {
		for method, op := range map[string]*huma.Operation{"GET": item.Get, "POST": item.Post, "PUT": item.Put, "PATCH": item.Patch, "DELETE": item.Delete} {
			if pattern := method + " " + path; op != nil && !slices.Contains(routes, pattern) {
				t.Errorf("%s: described and not registered", pattern)
			}
		}
	}
	for pattern := range needs {
		if !slices.Contains(routes, pattern) {
			t.Errorf("%s: in the table and not registered", pattern)
		}
	}
	let := s.door(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v, known := VisitorOf(r.Context())
		if known != (v.Account.Name != "") {
			t.Errorf("%s: known %v and %q", r.URL, known, v.Account.Name)
		}
		w.WriteHeader(299)
	}))
	all := s.handler()
	for _, pattern := range routes {
		want, listed := needs[pattern]
		if !listed {
			t.Errorf("%s: not in the table: say in routes.go who may", pattern)
			continue
		}
		method, path := split(pattern)
		if _, found := s.mux.ServeMux.Handler(httptest.NewRequest(method, path, nil)); found != pattern {
			t.Errorf("%s: the test asks for %s %s, which is %s", pattern, method, path, found)
		}
		for _, role := range append([]alerting.Role{"", "stranger"}, alerting.Roles...) {
			for _, token := range []bool{false, true} {
				w := httptest.NewRecorder()
				let.ServeHTTP(w, who{role, token}.ask(method, path))
				allowed := want == anyone || role.Allows(want.least) && !(want.person && token)
				if got := w.Code == 299; got != allowed {
					t.Errorf("%s for %q (token %v): expected allowed %v, found %d", pattern, role, token, allowed, w.Code)
				}
				if machine := strings.HasPrefix(path, "/api/") || path == "/metrics"; !allowed {
					expected := http.StatusForbidden
					if !role.Known() {
						expected = http.StatusUnauthorized
						if !machine {
							expected = http.StatusSeeOther
						}
					}
					if w.Code != expected {
						t.Errorf("%s for %q (token %v): expected %d, found %d", pattern, role, token, expected, w.Code)
					}
				}
			}
		}
		if want != anyone { // the door stands before the whole
			w := httptest.NewRecorder()
			all.ServeHTTP(w, httptest.NewRequest(method, "http://127.0.0.1"+path, nil))
			if w.Code != http.StatusUnauthorized && w.Code != http.StatusSeeOther {
				t.Errorf("%s: nobody is answered %d", pattern, w.Code)
			}
		}
	}
}

// A route that is in no table lets nobody in.
func TestUnlistedRoute(t *testing.T) {
	s := newDoor(t, newFake())
	s.mux.HandleFunc("GET /api/v1/forgotten", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(299) })
	for _, role := range append([]alerting.Role{""}, alerting.Roles...) {
		w := httptest.NewRecorder()
		s.handler().ServeHTTP(w, who{role: role}.ask("GET", "/api/v1/forgotten"))
		if w.Code == 299 {
			t.Errorf("%q was let in", role)
		}
	}
}

// With a cookie only our own pages change anything; a token asks from anywhere
// but a foreign page.
func TestSameOrigin(t *testing.T) {
	s := newDoor(t, newFake(), func(o *Options) { o.Door.PublicURL = "https://throwline.example" })
	let := s.handler()
	for _, c := range []struct {
		what    string
		token   bool
		headers []string
		allowed bool
	}{
		{"our page", false, []string{"Sec-Fetch-Site", "same-origin"}, true},
		{"our page, an older browser", false, []string{"Origin", "http://127.0.0.1"}, true},
		{"our page behind a proxy", false, []string{"Origin", "https://throwline.example", "Host", "throwline.example"}, true},
		{"a page of a sister site", false, []string{"Sec-Fetch-Site", "same-site"}, false},
		{"a foreign page", false, []string{"Sec-Fetch-Site", "cross-site"}, false},
		{"a foreign page, an older browser", false, []string{"Origin", "https://other.example"}, false},
		{"a page in a box", false, []string{"Origin", "null"}, false},
		{"nothing said", false, nil, false},
		{"typed in", false, []string{"Sec-Fetch-Site", "none"}, false},
		{"a program", true, nil, true},
		{"a foreign page with a token", true, []string{"Sec-Fetch-Site", "cross-site"}, false},
	} {
		r := httptest.NewRequest("POST", "http://127.0.0.1/api/v1/turnouts/ORR-W07/work", strings.NewReader(`{"work":"cleaned"}`))
		r.Header.Set("Content-Type", "application/json")
		if c.token {
			r.Header.Set("Authorization", "Bearer tl_maintainer")
		} else {
			r.AddCookie(&http.Cookie{Name: "__Host-throwline", Value: "maintainer"})
		}
		for i := 0; i < len(c.headers); i += 2 {
			if c.headers[i] == "Host" {
				r.Host = c.headers[i+1]
				continue
			}
			r.Header.Set(c.headers[i], c.headers[i+1])
		}
		w := httptest.NewRecorder()
		let.ServeHTTP(w, r)
		if got := w.Code != http.StatusForbidden; got != c.allowed {
			t.Errorf("%s: expected allowed %v, found %d %s", c.what, c.allowed, w.Code, w.Body)
		}
	}
}

// Over TLS only the cookie that no other host can set is looked at.
func TestCookieName(t *testing.T) {
	for _, c := range []struct {
		public, name string
		in           bool
	}{
		{"", "throwline", true}, {"", "__Host-throwline", false},
		{"https://throwline.example", "__Host-throwline", true}, {"https://throwline.example", "throwline", false},
	} {
		s := newDoor(t, newFake(), func(o *Options) { o.Door.PublicURL = c.public })
		r := httptest.NewRequest("GET", "http://127.0.0.1/api/v1/status", nil)
		r.AddCookie(&http.Cookie{Name: c.name, Value: "viewer"})
		w := httptest.NewRecorder()
		s.handler().ServeHTTP(w, r)
		if (w.Code == http.StatusOK) != c.in {
			t.Errorf("%q with %s: found %d", c.public, c.name, w.Code)
		}
	}
	for _, secure := range []bool{true, false} {
		c := cookie(sessionCookie(secure), "x", secure, sessionFor)
		if err := c.Valid(); err != nil || !c.HttpOnly || c.Secure != secure || c.SameSite != http.SameSiteLaxMode || c.Path != "/" || c.Domain != "" {
			t.Errorf("secure %v: %v %s", secure, err, c.String())
		}
	}
}

// Who has logged in stands under what he does, whatever he claims.
func TestByIsWhoLoggedIn(t *testing.T) {
	for _, c := range []struct{ door, expected string }{{"maintainer", "p.maintainer"}, {"", "someone else"}} {
		f := newFake()
		f.work = nil
		s := newDoor(t, f, func(o *Options) {
			if c.door == "" {
				o.Door = nil
			}
		})
		for _, post := range [][2]string{{"work", `{"work":"cleaned","by":"someone else"}`}, {"rebaseline", `{"reason":"new chairs","by":"someone else"}`}} {
			r := httptest.NewRequest("POST", "http://127.0.0.1/api/v1/turnouts/W1/"+post[0], strings.NewReader(post[1]))
			r.Header.Set("Content-Type", "application/json")
			if c.door != "" {
				r.Header.Set("Authorization", "Bearer tl_"+c.door)
			}
			w := httptest.NewRecorder()
			s.handler().ServeHTTP(w, r)
			if w.Code != http.StatusCreated {
				t.Fatalf("%d %s", w.Code, w.Body)
			}
		}
		for _, w := range f.work {
			if w.By != c.expected {
				t.Errorf("expected by %q, found %q", c.expected, w.By)
			}
		}
		if len(f.work) != 2 {
			t.Errorf("expected two visits, found %d", len(f.work))
		}
	}
}

// The event stream of a session that ends is closed within seconds.
func TestStreamEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFake()
		d := &doorman{}
		s := newDoor(t, f, func(o *Options) { o.Door.Accounts = d })
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			s.handler().ServeHTTP(httptest.NewRecorder(), who{role: alerting.Viewer}.ask("GET", "/api/v1/events"))
		}()
		synctest.Wait()
		if s.o.Hub.Readers() != 1 {
			t.Fatalf("expected one reader, found %d", s.o.Hub.Readers())
		}
		d.left.Store(true)
		<-ended // synctest's clock runs: a stream that does not end is a deadlock
		if s.o.Hub.Readers() != 0 {
			t.Errorf("expected no reader, found %d", s.o.Hub.Readers())
		}
		s.o.Hub.Close()
	})
}

func TestHosts(t *testing.T) {
	f := newFake()
	s := newDoor(t, f, func(o *Options) { o.Door, o.Hosts = nil, []string{"throwline.example"} })
	for host, expected := range map[string]int{
		"127.0.0.1:8080": 200, "localhost:8080": 200, "LOCALHOST": 200, "[::1]:8080": 200, "x.localhost": 200, "127.9.9.9": 200, "throwline.example": 200, "Throwline.Example:443": 200,
		"rebound.example": 421, "127.0.0.1.rebound.example": 421, "10.0.0.1:8080": 421, "": 421, "localhost.rebound.example": 421, "[::ffff:10.0.0.1]": 421,
	} {
		r := httptest.NewRequest("GET", "/api/v1/status", nil)
		r.Host = host
		w := httptest.NewRecorder()
		s.handler().ServeHTTP(w, r)
		if w.Code != expected {
			t.Errorf("%q: expected %d, found %d", host, expected, w.Code)
		}
	}
}

func TestAddress(t *testing.T) {
	d := &Door{Proxies: []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32"), netip.MustParsePrefix("10.0.0.0/8")}}
	for _, c := range []struct {
		remote, forwarded, expected string
	}{
		{"192.0.2.7:999", "", "192.0.2.7"},
		{"192.0.2.7:999", "198.51.100.1", "192.0.2.7"}, // no proxy of ours
		{"127.0.0.1:999", "198.51.100.1", "198.51.100.1"},
		{"127.0.0.1:999", "203.0.113.9, 198.51.100.1", "198.51.100.1"}, // the first is the asker's own word
		{"127.0.0.1:999", "198.51.100.1, 10.1.1.1", "198.51.100.1"},
		{"127.0.0.1:999", "nonsense", "127.0.0.1"},
		{"127.0.0.1:999", "", "127.0.0.1"},
		{"[2001:db8:1:2:3::4]:999", "", "2001:db8:1:2::/64"},
		{"[::ffff:127.0.0.1]:999", "2001:db8:1:2:3::4", "2001:db8:1:2::/64"},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = c.remote
		if c.forwarded != "" {
			r.Header.Set("X-Forwarded-For", c.forwarded)
		}
		if got := d.address(r); got != c.expected {
			t.Errorf("%s, %q: expected %s, found %s", c.remote, c.forwarded, c.expected, got)
		}
	}
}

func TestOwnPath(t *testing.T) {
	for path, expected := range map[string]string{"": "/", "/turnouts?q=1": "/turnouts?q=1", "//other.example": "/", "/\\other.example": "/", "https://other.example": "/", "/a\r\nb": "/"} {
		if got := ownPath(path); got != expected {
			t.Errorf("%q: expected %q, found %q", path, expected, got)
		}
	}
}

// A browser is led to the login and back; a program gets a problem.
func TestTurnedAway(t *testing.T) {
	s := newDoor(t, newFake())
	w := httptest.NewRecorder()
	s.handler().ServeHTTP(w, who{}.ask("GET", "/turnouts/A%2FB?x=1"))
	if got := w.Header().Get("Location"); w.Code != http.StatusSeeOther || got != "/login?next=%2Fturnouts%2FA%252FB%3Fx%3D1" {
		t.Errorf("found %d to %s", w.Code, got)
	}
	w = httptest.NewRecorder()
	s.handler().ServeHTTP(w, who{}.ask("GET", "/api/v1/alerts"))
	if w.Header().Get("WWW-Authenticate") == "" || w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("found %v %s", w.Header(), w.Body)
	}
	s = newDoor(t, newFake(), func(o *Options) { o.Door.OpenMetrics = true })
	w = httptest.NewRecorder()
	s.handler().ServeHTTP(w, who{}.ask("GET", "/metrics"))
	if w.Code == http.StatusUnauthorized {
		t.Error("metrics that are open are not")
	}
}

// What one has filled in is not done in the name of another who logged in
// meanwhile.
func TestPageOfAnother(t *testing.T) {
	s := newDoor(t, newFake())
	name := ""
	let := s.door(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v, _ := VisitorOf(r.Context())
		name = v.Account.Name
		w.WriteHeader(299)
	}))
	ask := func(as string) int {
		r := who{alerting.Maintainer, false}.ask("POST", "/api/v1/turnouts/1/work")
		if as != "" {
			r.Header.Set("X-Throwline-As", as)
		}
		w := httptest.NewRecorder()
		let.ServeHTTP(w, r)
		return w.Code
	}
	if got := ask(""); got != 299 || name == "" {
		t.Fatalf("found %d, %q", got, name)
	}
	if got := ask(name); got != 299 {
		t.Errorf("found %d", got)
	}
	if got := ask("someone else"); got != http.StatusUnauthorized {
		t.Errorf("found %d", got)
	}
}
