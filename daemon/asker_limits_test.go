package daemon

import (
	"bufio"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest/certtest"
)

// largerLimits multiplies what these tests do; 1 in CI.
func largerLimits(t *testing.T) int {
	s := os.Getenv("THROWLINE_LIMITS")
	if s == "" {
		return 1
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("THROWLINE_LIMITS: expected a whole number from 1, found %q", s)
	}
	return n
}

func openFiles(t *testing.T) int {
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(list)
}

func inUse() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// A thousand connections that say nothing, that send a header or a body a byte
// at a time and never to its end, or that never read what they asked for: a
// browser beside them is served, and once they are gone nothing is left of them.
func TestThousandWhoWait(t *testing.T) {
	d := serving(t, configOf(startMosquitto(t), t.TempDir()))
	if got := d.get("/api/v1/status", nil); got != 200 {
		t.Fatalf("found %d", got)
	}
	http.DefaultClient.CloseIdleConnections()
	files, routines, before := openFiles(t), runtime.NumGoroutine(), inUse()
	var conns []net.Conn
	dial := func(say string) net.Conn {
		c, err := net.Dial("tcp", d.Addr())
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, c)
		if _, err := io.WriteString(c, say); err != nil {
			t.Fatal(err)
		}
		return c
	}
	defer func() {
		for _, c := range conns {
			_ = c.Close()
		}
	}()
	const post = "POST /api/v1/turnouts/W1/work HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 20000\r\n\r\n{"
	var dripping, bodies, streams []net.Conn
	for i := range 1000 * min(largerLimits(t), 3) {
		switch i % 10 {
		case 0:
			bodies = append(bodies, dial(post))
		case 1:
			dripping = append(dripping, dial("GET /api/v1/status HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "))
		case 2:
			streams = append(streams, dial("GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"))
		case 3: // was served once, and stays
			c := dial("GET /livez HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
			if line, err := bufio.NewReader(c).ReadString('\n'); err != nil || !strings.Contains(line, " 200 ") {
				t.Fatalf("found %q, %v", line, err)
			}
		default:
			dial("")
		}
	}
	for range 3 {
		if got := d.get("/api/v1/status", nil); got != 200 {
			t.Errorf("a browser beside them: found %d", got)
		}
		for _, list := range [][]net.Conn{dripping, bodies} {
			for _, c := range list {
				_, _ = io.WriteString(c, " ") // it may have been sent away by now
			}
		}
	}
	if grown := inUse() - before; grown > 128<<20 {
		t.Errorf("%d bytes more in use", grown)
	}
	eventually(t, "the streams to be open", func() bool { return d.hub.Readers() == min(len(streams), 500) })
	// Those who drip are sent away, whatever they still send.
	ends := func(c net.Conn) (said string) {
		_ = c.SetReadDeadline(time.Now().Add(2 * time.Minute))
		b, err := io.ReadAll(c)
		if e, ok := err.(net.Error); ok && e.Timeout() {
			t.Fatal("who drips stays")
		}
		return string(b)
	}
	for _, c := range dripping {
		ends(c)
	}
	slow := 0
	for _, c := range bodies {
		if strings.Contains(ends(c), " 408 ") {
			slow++
		}
	}
	if slow == 0 {
		t.Error("expected 408 for a body that never ends, found none")
	}
	var text string
	d.get("/metrics", &text)
	if !strings.Contains(text, "throwline_http_refused_total{reason=\"slow_body\"}") || strings.Contains(text, "throwline_http_refused_total{reason=\"slow_body\"} 0") {
		t.Error("slow bodies are not counted")
	}
	for _, c := range conns {
		_ = c.Close()
	}
	http.DefaultClient.CloseIdleConnections()
	eventually(t, "descriptors and goroutines to come back", func() bool {
		return openFiles(t) <= files+10 && runtime.NumGoroutine() <= routines+20 && d.hub.Readers() == 0
	})
}

// What clients choose becomes no label, and their refusals are counted.
func TestLabelsOfClients(t *testing.T) {
	d, chief := accounted(t, nil)
	series := func() map[string]bool {
		list := map[string]bool{}
		res := chief.ask("GET", "/metrics", "")
		defer res.Body.Close()
		lines := bufio.NewScanner(res.Body)
		for lines.Scan() {
			if name, _, ok := strings.Cut(lines.Text(), "} "); ok && !strings.HasPrefix(name, "#") {
				list[name] = true
			}
		}
		return list
	}
	before := series()
	if len(before) < 40 {
		t.Fatalf("expected all series, found %d", len(before))
	}
	for i := range 50 {
		for _, path := range []string{"/x%d", "/api/v1/x%d", "/api/v1/turnouts/x%d", "/api/v1/alerts/x%d", "/api/v1/turnouts?q=x%d", "/api/v1/places/x%d"} {
			chief.status("GET", fmt.Sprintf(path, i), "")
		}
		other := &asker{d: d, headers: []string{"User-Agent", fmt.Sprint("x", i), "X-Forwarded-For", fmt.Sprintf("192.0.2.%d", i), "Sec-Fetch-Site", "cross-site"}}
		other.status("POST", "/api/v1/session", fmt.Sprintf(`{"name":"x%d","password":"x"}`, i))
		chief.status("PUT", fmt.Sprintf("/api/v1/places/W%d", i), fmt.Sprintf(`{"area":"area %d","line":"line %d"}`, i, i))
	}
	for i := range 8 {
		(&asker{d: d}).status("POST", "/api/v1/session", fmt.Sprintf(`{"name":"chief","password":"x%d"}`, i))
	}
	chief.status("POST", "/api/v1/users", `{"name":"`+strings.Repeat("n", 40<<10)+`"}`)
	for name := range series() {
		if !before[name] {
			t.Errorf("a series that clients have made: %s", name)
		}
	}
	res := chief.ask("GET", "/metrics", "")
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`throwline_http_refused_total{reason="origin"} 50`, `throwline_http_refused_total{reason="body"} 1`} {
		if !strings.Contains(string(b), want+"\n") {
			t.Errorf("expected %s", want)
		}
	}
	if strings.Contains(string(b), `throwline_http_refused_total{reason="attempts"} 0`) {
		t.Error("wrong attempts beyond the limit are not counted")
	}
}

// However many turnouts there are, what Prometheus reads is bounded.
func TestExpositionIsBounded(t *testing.T) {
	c := configOf(startMosquitto(t), t.TempDir())
	c.Metrics.PerTurnout = true // as many as are so by default
	d := serving(t, c)
	d.yard.mu.Lock()
	for i := range 65_000 {
		name := fmt.Sprintf("%s-%05d", strings.Repeat("N", 58), i)
		d.yard.put(name, &turnout{state: new(detect.State)})
	}
	d.yard.mu.Unlock()
	var text string
	if got := d.get("/metrics", &text); got != 200 {
		t.Fatalf("found %d", got)
	}
	if n := strings.Count(text, `{turnout="`); n > 3*c.Metrics.MostTurnouts || len(text) > 1<<20 || !strings.Contains(text, "throwline_turnouts_left_out 64000") {
		t.Errorf("found %d series of turnouts, %d bytes", n, len(text))
	}
}

// Messages to a target that is away for weeks wait on disk, not in memory, are
// seen in the metrics, and are given up after a week.
func TestTargetAwayForWeeks(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	away := "http://" + l.Addr().String() + "/"
	_ = l.Close() // nobody listens there
	c := configOf(startMosquitto(t), t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: away, Secret: "sixteen bytes and more"}}}
	d := serving(t, c)
	before := inUse()
	many := 1000 * largerLimits(t)
	body := []byte(`{"key":"k","reason":"trial","note":"` + strings.Repeat("n", 4000) + `"}`)
	for i := 0; i < many; i += 1000 {
		if err := d.store.Update(t.Context(), func(tx *store.Tx) error {
			for j := range 1000 {
				if _, err := tx.Enqueue(store.Outgoing{Target: "office", Key: fmt.Sprint("k", i+j), Reason: alerting.Trial, Body: body, Due: d.Now()}); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
	}
	d.nudge()
	eventually(t, "a failure", func() bool { return strings.Contains(d.log.String(), "a message could not be sent") })
	if grown := inUse() - before; grown > 16<<20 {
		t.Errorf("%d bytes more in use with %d messages of 4 kB waiting", grown, many)
	}
	var text string
	d.get("/metrics", &text)
	if want := fmt.Sprintf(`throwline_messages_waiting{target="office"} %d`, many); !strings.Contains(text, want+"\n") {
		t.Errorf("expected %s", want)
	}
}

// Over HTTPS one connection does not ask for more than so many things at once,
// and a client that never ends its handshake is sent away.
func TestHTTP2IsBounded(t *testing.T) {
	c := configOf(startMosquitto(t), t.TempDir())
	ca := certtest.New(t, "CA")
	pair := ca.Server("127.0.0.1")
	c.HTTP.TLS = HTTPTLSConfig{pair.CertFile, pair.KeyFile}
	d := serving(t, c)
	silent, err := net.Dial("tcp", d.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer silent.Close()
	conn, err := tls.Dial("tcp", d.Addr(), &tls.Config{RootCAs: ca.Pool, NextProtos: []string{"h2"}})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if got := conn.ConnectionState().NegotiatedProtocol; got != "h2" {
		t.Fatalf("found %q", got)
	}
	if _, err := io.WriteString(conn, "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\x00\x00\x00\x04\x00\x00\x00\x00\x00"); err != nil {
		t.Fatal(err)
	}
	_ = conn.SetReadDeadline(time.Now().Add(time.Minute))
	head := make([]byte, 9)
	if _, err := io.ReadFull(conn, head); err != nil || head[3] != 4 {
		t.Fatalf("expected settings, found %x, %v", head, err)
	}
	settings := make([]byte, int(head[0])<<16|int(head[1])<<8|int(head[2]))
	if _, err := io.ReadFull(conn, settings); err != nil {
		t.Fatal(err)
	}
	found := map[int]int{}
	for ; len(settings) >= 6; settings = settings[6:] {
		found[int(settings[0])<<8|int(settings[1])] = int(settings[2])<<24 | int(settings[3])<<16 | int(settings[4])<<8 | int(settings[5])
	}
	// RFC 9113, 6.5.2: 3 streams at once, 4 window of one, 6 size of a header.
	if found[3] != 100 || found[4] != 64<<10 || found[6] < 32<<10 || found[6] > 64<<10 {
		t.Errorf("found %v", found)
	}
	if largerLimits(t) == 1 {
		return // it takes its time
	}
	_ = silent.SetReadDeadline(time.Now().Add(time.Minute))
	if _, err := io.ReadAll(silent); err != nil {
		if e, ok := err.(net.Error); ok && e.Timeout() {
			t.Error("who never ends the handshake stays")
		}
	}
}
