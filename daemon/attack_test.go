package daemon

import (
	"bufio"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/alerting/screen"
)

const chiefs = "correct horse battery"

// accounted starts a daemon with a first administrator.
func accounted(t *testing.T, change func(*Config)) (*running, *asker) {
	t.Helper()
	c := configOf(startMosquitto(t), t.TempDir())
	c.Access.Mode = AccessAccounts
	if change != nil {
		change(&c)
	}
	d := serving(t, c)
	_, link, _ := strings.Cut(d.SetupPath(), "#")
	chief := &asker{d: d}
	if got := chief.status("POST", "/api/v1/session/redeem", `{"link":"`+link+`","name":"chief","password":"`+chiefs+`"}`); got != 200 {
		t.Fatalf("found %d", got)
	}
	return d, chief
}

// An open event stream ends with what it stands on: the session, the password,
// the role, the account, all sessions, a token.
func TestStreamEnds(t *testing.T) {
	d, chief := accounted(t, nil)
	person := func(name string) *asker {
		res := chief.ask("POST", "/api/v1/users", `{"name":"`+name+`","role":"operator"}`)
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		_, link, _ := strings.Cut(string(b), "#")
		link, _, _ = strings.Cut(link, `"`)
		a := &asker{d: d}
		if got := a.status("POST", "/api/v1/session/redeem", `{"link":"`+link+`","password":"`+chiefs+`"}`); got != 200 {
			t.Fatalf("%s: found %d for %s", name, got, b)
		}
		a.cookie, _, _ = strings.Cut(a.cookie, ";")
		return a
	}
	for what, end := range map[string]func(a *asker, name string) int{
		"logout":     func(a *asker, _ string) int { return a.status("POST", "/api/v1/session/logout", `{}`) },
		"everywhere": func(a *asker, _ string) int { return a.status("POST", "/api/v1/session/logout", `{"everywhere":true}`) },
		"password": func(a *asker, _ string) int {
			return a.status("POST", "/api/v1/session/password", `{"old":"`+chiefs+`","password":"another horse entirely"}`)
		},
		"role": func(_ *asker, name string) int {
			return chief.status("POST", "/api/v1/users/"+name, `{"role":"viewer"}`)
		},
		"disabled": func(_ *asker, name string) int {
			return chief.status("POST", "/api/v1/users/"+name, `{"disabled":true}`)
		},
		"ended": func(_ *asker, name string) int { return chief.status("POST", "/api/v1/users/"+name+"/logout", `{}`) },
	} {
		t.Run(what, func(t *testing.T) {
			a := person("p." + what)
			res := a.ask("GET", "/api/v1/events", "")
			defer res.Body.Close()
			lines := bufio.NewScanner(res.Body)
			for lines.Scan() && !strings.HasPrefix(lines.Text(), "event: hello") {
			}
			if got := end(a, "p."+what); got < 200 || got > 299 {
				t.Fatalf("found %d", got)
			}
			ended := make(chan struct{})
			go func() {
				defer close(ended)
				for lines.Scan() {
				}
			}()
			select {
			case <-ended:
			case <-time.After(time.Minute):
				t.Error("the stream goes on")
			}
		})
	}
}

// Very many guesses from very many addresses, at once, with the real cost of a
// password: they are held up or told that the program is busy, nobody gets in,
// and its owner does, from the browser that he used before.
func TestBruteForce(t *testing.T) {
	d, _ := accounted(t, func(c *Config) { c.Access.Proxies = []string{"127.0.0.1"} })
	at := func(from, cookie, password string) *http.Response {
		a := &asker{d: d, headers: []string{"X-Forwarded-For", from}, cookie: cookie}
		return a.ask("POST", "/api/v1/session", `{"name":"chief","password":"`+password+`"}`)
	}
	res := at("192.0.2.1", "", chiefs)
	res.Body.Close()
	device := ""
	for _, c := range res.Cookies() {
		if c.Name == "throwline-device" {
			device = c.Name + "=" + c.Value
		}
	}
	if res.StatusCode != 200 || device == "" {
		t.Fatalf("found %d and %v", res.StatusCode, res.Cookies())
	}
	var mu sync.Mutex
	answers := map[int]int{}
	var wg sync.WaitGroup
	begin := make(chan struct{})
	for i := range 200 {
		wg.Go(func() {
			<-begin
			res := at(fmt.Sprintf("198.51.100.%d", i), "", fmt.Sprintf("guess number %d", i))
			res.Body.Close()
			mu.Lock()
			defer mu.Unlock()
			answers[res.StatusCode]++
			if (res.StatusCode == 429 || res.StatusCode == 503) && res.Header.Get("Retry-After") == "" {
				t.Errorf("%d without Retry-After", res.StatusCode)
			}
		})
	}
	owner := make(chan int, 1)
	go func() {
		<-begin
		res := at("203.0.113.1", device, chiefs)
		res.Body.Close()
		owner <- res.StatusCode
	}()
	close(begin)
	wg.Wait()
	if got := <-owner; got != 200 {
		t.Errorf("its owner meanwhile: %d", got)
	}
	if n := answers[401] + answers[429] + answers[503]; n != 200 || answers[401] > 101 || answers[429]+answers[503] == 0 {
		t.Errorf("found %v", answers)
	}
	// One address alone is held up after a few.
	few := 0
	for range 20 {
		res := at("198.51.100.250", "", "not this one, surely")
		res.Body.Close()
		if res.StatusCode == 401 {
			few++
		}
	}
	if few > 6 {
		t.Errorf("%d guesses of one address were looked at", few)
	}
	if i, err := os.Stat(filepath.Join(d.c.DataDir, deviceKeyName)); err != nil || i.Mode().Perm() != 0o600 {
		t.Errorf("the key: %v, %v", i, err)
	}
}

// Clients that send nothing, half a header, too long a header or too long a
// body are sent away, and nobody waits for them.
func TestSlowAndLong(t *testing.T) {
	d := serving(t, configOf(startMosquitto(t), t.TempDir()))
	dial := func(say string) net.Conn {
		c, err := net.Dial("tcp", d.Addr())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		if _, err := io.WriteString(c, say); err != nil {
			t.Fatal(err)
		}
		return c
	}
	var slow []net.Conn
	for range 50 {
		slow = append(slow, dial(""), dial("GET /api/v1/status HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "))
	}
	// Meanwhile everyone else is answered.
	if got := d.get("/api/v1/status", nil); got != 200 {
		t.Errorf("found %d", got)
	}
	for say, want := range map[string]string{
		"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + strings.Repeat("x", 64<<10) + "\r\n\r\n":                                                                          " 431 ",
		"POST /api/v1/turnouts/W1/work HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 99999999\r\n\r\n" + strings.Repeat(" ", 1<<20): " 413 ",
	} {
		c, err := net.Dial("tcp", d.Addr())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		go func() { _, _ = io.WriteString(c, say) }() // cut off in the middle, perhaps
		_ = c.SetReadDeadline(time.Now().Add(time.Minute))
		if line, err := bufio.NewReader(c).ReadString('\n'); err != nil || !strings.Contains(line, want) {
			t.Errorf("expected%s, found %q, %v", want, line, err)
		}
	}
	for _, c := range slow {
		_ = c.SetReadDeadline(time.Now().Add(time.Minute))
		if _, err := io.Copy(io.Discard, c); err != nil { // its end, after an answer or none
			if timeout, ok := err.(net.Error); ok && timeout.Timeout() {
				t.Fatal("a slow client stays")
			}
		}
	}
}

// One address does not take the connections of all, and who leaves makes room.
func TestCrowd(t *testing.T) {
	var refused screen.Refusals
	var log logged
	c := newCrowd(nil, []netip.Prefix{netip.MustParsePrefix("10.0.0.0/8")}, &refused, slog.New(slog.NewTextHandler(&log, nil)))
	place := netip.MustParsePrefix("192.0.2.1/32")
	for range mostConnsOfPlace {
		if !c.enter(place, true) {
			t.Fatal("refused too early")
		}
	}
	if c.enter(place, true) || !c.enter(netip.MustParsePrefix("192.0.2.2/32"), true) {
		t.Error("expected one address to be full, and another not")
	}
	c.leave(place, true)
	if !c.enter(place, true) {
		t.Error("who left made no room")
	}
	for c.enter(netip.Prefix{}, false) {
	}
	if c.all != mostConns {
		t.Errorf("%d are in", c.all)
	}
	for ip, free := range map[string]bool{"127.0.0.1": true, "::1": true, "10.1.2.3": true, "192.0.2.1": false} {
		if c.free(netip.MustParseAddr(ip)) != free {
			t.Errorf("%s: expected free %v", ip, free)
		}
	}
	// Over a real listener: each connection is counted once, and leaves once.
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if got := refused.Count(screen.RefusedOfAddress); got != 1 {
		t.Errorf("expected 1 of an address counted, found %d", got)
	}
	if got := refused.Count(screen.RefusedConnections); got != 1 {
		t.Errorf("expected 1 of all counted, found %d", got)
	}
	if lines := strings.Count(log.String(), "\n"); lines != 1 {
		t.Errorf("expected one line in the log, found %d: %s", lines, log.String())
	}
	c = newCrowd(l, nil, &refused, slog.New(slog.DiscardHandler))
	c.free = func(netip.Addr) bool { return false }
	out, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	in, err := c.Accept()
	if err != nil || c.all != 1 || len(c.of) != 1 {
		t.Fatalf("found %d, %v, %v", c.all, c.of, err)
	}
	_ = in.Close()
	_ = in.Close()
	if c.all != 0 || len(c.of) != 0 {
		t.Errorf("found %d, %v", c.all, c.of)
	}
}

// What an administrator does about an account with one button: the body says nothing.
func TestButtonsWithoutWords(t *testing.T) {
	_, chief := accounted(t, nil)
	if got := chief.status("POST", "/api/v1/users", `{"name":"w","role":"viewer"}`); got != 201 {
		t.Fatalf("found %d", got)
	}
	for path, want := range map[string]int{"/api/v1/users/w/link": 201, "/api/v1/users/w/logout": 204, "/api/v1/tokens/1/revoke": 404} {
		if got := chief.status("POST", path, `{}`); got != want {
			t.Errorf("%s: expected %d, found %d", path, want, got)
		}
	}
}
