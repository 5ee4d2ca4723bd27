package screen

import (
	"compress/gzip"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
	"time"
)

func TestPages(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/", "/turnouts", "/turnouts/W1", "/throws/W1~a%2Fb", "/quarantine", "/quarantine/7", "/cabinets", "/?wall"} {
		w := r.do("GET", path, "")
		if w.Code != 200 || w.Header().Get("Content-Type") != "text/html; charset=utf-8" || !strings.Contains(w.Body.String(), "<title>pages") {
			t.Errorf("%s: found %d %s", path, w.Code, w.Body)
		}
		if c := w.Header().Get("Cache-Control"); c != "no-cache" {
			t.Errorf("%s: Cache-Control %q", path, c)
		}
		if again := r.do("GET", path, "", "If-None-Match", w.Header().Get("Etag")); again.Code != 304 {
			t.Errorf("%s: expected 304, found %d", path, again.Code)
		}
	}
	w := r.do("GET", "/assets/main-AB12CD34.js", "", "Accept-Encoding", "gzip")
	if w.Code != 200 || w.Header().Get("Content-Encoding") != "gzip" || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") || w.Header().Get("Content-Type") != "text/javascript; charset=utf-8" {
		t.Fatalf("found %d %v", w.Code, w.Header())
	}
	z, err := gzip.NewReader(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(z); err != nil || string(b) != string(dist["assets/main-AB12CD34.js"].Data) {
		t.Errorf("found %.40q, %v", b, err)
	}
	if w := r.do("GET", "/favicon.svg", ""); w.Header().Get("Cache-Control") != "no-cache" || w.Header().Get("Content-Type") != "image/svg+xml" {
		t.Errorf("found %v", w.Header())
	}
	for _, path := range []string{"/.keep", "/nothing", "/assets/", "/assets", "/turnouts/W1/x", "/index.htm"} {
		w := r.do("GET", path, "")
		if w.Code != 404 || !strings.Contains(w.Body.String(), "Throwline advises.") || w.Header().Get("Content-Type") != "text/html; charset=utf-8" {
			t.Errorf("%s: found %d %s", path, w.Code, w.Body)
		}
	}
	if w := r.do("POST", "/", "x"); w.Code != 405 || w.Header().Get("Allow") == "" {
		t.Errorf("found %d", w.Code)
	}
}

func TestPagesNotBuilt(t *testing.T) {
	r := newRig(t)
	h := newServer(r.s.o, fstest.MapFS{".keep": {}}).handler()
	r.h = h
	for _, path := range []string{"/", "/turnouts/W1"} {
		w := r.do("GET", path, "")
		body := w.Body.String()
		if w.Code != 503 || !strings.Contains(body, "make pages") || !strings.Contains(body, "/api/v1/status") || !strings.Contains(body, "Throwline advises.") {
			t.Errorf("%s: found %d %s", path, w.Code, body)
		}
	}
	if w := r.do("GET", "/api/v1/status", ""); w.Code != 200 {
		t.Errorf("the API does not answer: %d", w.Code)
	}
}

// What is embedded in this build is served, be it pages or the notice.
func TestEmbedded(t *testing.T) {
	r := newRig(t)
	r.h = New(r.s.o)
	if w := r.do("GET", "/", ""); w.Code != 200 && w.Code != 503 || !strings.Contains(w.Body.String(), "<html") {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
}

func TestProbes(t *testing.T) {
	r := newRig(t)
	for _, c := range []struct {
		path, want string
		status     int
		notReady   error
	}{
		{"/livez", "alive\n", 200, nil},
		{"/livez", "alive\n", 200, errors.New("no broker")},
		{"/readyz", "ready\n", 200, nil},
		{"/readyz", "no broker\n", 503, errors.New("no broker")},
		{"/metrics", "metric 1\n", 200, nil},
	} {
		r.notReady = c.notReady
		if w := r.do("GET", c.path, ""); w.Code != c.status || w.Body.String() != c.want {
			t.Errorf("%s: expected %d %q, found %d %q", c.path, c.status, c.want, w.Code, w.Body)
		}
	}
	o := r.s.o
	o.Metrics = nil
	r.h = newServer(o, dist).handler()
	if w := r.do("GET", "/metrics", ""); w.Code != 404 {
		t.Errorf("no metrics: found %d", w.Code)
	}
}

// Every answer keeps a browser from doing what is not ours.
func TestHeaders(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/", "/nothing", "/assets/main-AB12CD34.js", "/api/v1/alerts", "/api/v1/none", "/livez", "/api/openapi.json"} {
		h := r.do("GET", path, "").Header()
		csp := h.Get("Content-Security-Policy")
		if !strings.Contains(csp, "default-src 'none'") || !strings.Contains(csp, "frame-ancestors 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: %v", path, h)
		}
	}
}

func TestServerLimits(t *testing.T) {
	r := newRig(t)
	s := Server(r.h, r.hub, nil)
	for what, d := range map[string]time.Duration{"ReadHeaderTimeout": s.ReadHeaderTimeout, "ReadTimeout": s.ReadTimeout, "WriteTimeout": s.WriteTimeout, "IdleTimeout": s.IdleTimeout} {
		if d <= 0 {
			t.Errorf("%s is not set", what)
		}
	}
}

// A handler that panics is answered for, and logged.
func TestMended(t *testing.T) {
	r := newRig(t)
	h := r.s.mended(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic("a fault of ours") }))
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/api/v1/alerts", nil))
	if w.Code != 500 || w.Header().Get("Content-Type") != "application/problem+json" || strings.Contains(w.Body.String(), "fault of ours") {
		t.Errorf("found %d %v %s", w.Code, w.Header(), w.Body)
	}
}
