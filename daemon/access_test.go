package daemon

import (
	"bufio"
	"io"
	"net/http"
	"strings"
	"testing"
)

// asker asks the daemon over HTTP, with a cookie or a token.
type asker struct {
	d       *running
	cookie  string
	headers []string
}

func (a *asker) ask(method, path, body string) *http.Response {
	a.d.t.Helper()
	r, err := http.NewRequestWithContext(a.d.t.Context(), method, "http://"+a.d.Addr()+path, strings.NewReader(body))
	if err != nil {
		a.d.t.Fatal(err)
	}
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	if a.cookie != "" {
		r.Header.Set("Cookie", a.cookie)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	for i := 0; i < len(a.headers); i += 2 {
		r.Header.Set(a.headers[i], a.headers[i+1])
	}
	r.Close = true
	res, err := http.DefaultTransport.RoundTrip(r)
	if err != nil {
		a.d.t.Fatal(err)
	}
	return res
}

func (a *asker) status(method, path, body string) int {
	a.d.t.Helper()
	res := a.ask(method, path, body)
	defer res.Body.Close()
	_, _ = io.Copy(io.Discard, res.Body)
	for _, c := range res.Cookies() {
		if strings.HasSuffix(c.Name, "-device") {
			continue
		}
		a.cookie = c.Name + "=" + c.Value
		if c.MaxAge < 0 {
			a.cookie = ""
		}
	}
	return res.StatusCode
}

func TestAccess(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	c.Access.Mode = AccessAccounts
	d := serving(t, c)
	expect := func(what string, found, expected int) {
		t.Helper()
		if found != expected {
			t.Errorf("%s: expected %d, found %d", what, expected, found)
		}
	}
	nobody, chief := &asker{d: d}, &asker{d: d}
	for path, expected := range map[string]int{
		"/livez": 200, "/readyz": 200, "/metrics": 401, "/api/v1/status": 401, "/api/v1/events": 401, "/api/openapi.json": 401, "/": 303, "/people": 303, "/api/v1/session": 200, "/api/v1/users": 401,
	} {
		expect(path, nobody.status("GET", path, ""), expected)
	}
	_, link, _ := strings.Cut(d.SetupPath(), "#")
	expect("a wrong link", nobody.status("POST", "/api/v1/session/redeem", `{"link":"x","name":"chief","password":"correct horse battery"}`), 403)
	expect("the link", chief.status("POST", "/api/v1/session/redeem", `{"link":"`+link+`","name":"chief","password":"correct horse battery"}`), 200)
	if d.SetupPath() != "" || !strings.HasPrefix(chief.cookie, "throwline=") {
		t.Fatalf("found %q and %q", d.SetupPath(), chief.cookie)
	}
	expect("the chief", chief.status("GET", "/api/v1/status", ""), 200)
	expect("the chief's metrics", chief.status("GET", "/metrics", ""), 200)
	from := &asker{d: d, cookie: chief.cookie, headers: []string{"Sec-Fetch-Site", "cross-site"}}
	expect("from a foreign page", from.status("POST", "/api/v1/users", `{"name":"w","role":"viewer"}`), 403)

	// An open event stream ends with its session.
	other := &asker{d: d}
	expect("a login", other.status("POST", "/api/v1/session", `{"name":"Chief","password":"correct horse battery"}`), 200)
	stream := other.ask("GET", "/api/v1/events", "")
	defer stream.Body.Close()
	lines := bufio.NewScanner(stream.Body)
	for lines.Scan() && !strings.HasPrefix(lines.Text(), "event: hello") {
	}
	expect("a logout", other.status("POST", "/api/v1/session/logout", `{}`), 200)
	if other.cookie != "" {
		t.Errorf("the cookie stays: %s", other.cookie)
	}
	for lines.Scan() { // ends, or the test does in the end
	}

	// A restart forgets nobody.
	d.halt()
	d = serving(t, c)
	chief.d, nobody.d = d, &running{Daemon: d.Daemon, t: t}
	expect("the chief after a restart", chief.status("GET", "/api/v1/users", ""), 200)
	if d.SetupPath() != "" {
		t.Error("a restart asks for another first administrator")
	}

	// Who guesses has to wait, and is told how long.
	for i := range 8 {
		res := nobody.ask("POST", "/api/v1/session", `{"name":"chief","password":"not this one, surely"}`)
		res.Body.Close()
		if res.StatusCode == http.StatusTooManyRequests && res.Header.Get("Retry-After") != "" {
			break
		}
		if i == 7 || res.StatusCode != http.StatusUnauthorized {
			t.Fatalf("attempt %d: found %d, %v", i, res.StatusCode, res.Header)
		}
	}

	log := d.log.String()
	for _, secret := range []string{link, "correct horse battery", "not this one, surely", strings.TrimPrefix(chief.cookie, "throwline=")} {
		if strings.Contains(log, secret) {
			t.Error("a secret stands in the log")
		}
	}
}

// A foreign name that was made to point here is refused, whoever asks.
func TestForeignHost(t *testing.T) {
	m := startMosquitto(t)
	d := serving(t, configOf(m, t.TempDir()))
	r, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+d.Addr()+"/api/v1/status", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Host, r.Close = "rebound.example", true
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("found %d", res.StatusCode)
	}
	if status := d.get("/api/v1/session", nil); status != http.StatusOK {
		t.Errorf("found %d", status)
	}
}
