package torture

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"throwline/alerting"
	"throwline/daemon/export/exporttest"
)

// postOffice is a mail server that keeps what it takes.
type postOffice struct {
	mu    sync.Mutex
	mails []string
}

// letter is one session with it.
type letter struct{ o *postOffice }

func (letter) Reset()                               {}
func (letter) Logout() error                        { return nil }
func (letter) Mail(string, *smtp.MailOptions) error { return nil }
func (letter) Rcpt(string, *smtp.RcptOptions) error { return nil }
func (l letter) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err // cut off: not taken
	}
	l.o.mu.Lock()
	defer l.o.mu.Unlock()
	l.o.mails = append(l.o.mails, string(b))
	return nil
}

func (o *postOffice) open(t *testing.T) (address string) {
	t.Helper()
	s := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return letter{o}, nil }))
	s.Domain, s.ErrorLog = "mail.example", log.New(io.Discard, "", 0)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = s.Serve(l) }()
	t.Cleanup(func() { _ = s.Close(); <-done })
	return l.Addr().String()
}

// startAlertmanager runs the Alertmanager of this machine, and returns its address.
func startAlertmanager(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("prometheus-alertmanager")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("prometheus-alertmanager is not installed")
		}
		t.Skip("prometheus-alertmanager is not installed")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	_ = l.Close()
	dir := t.TempDir()
	conf := filepath.Join(dir, "alertmanager.yml")
	if err := os.WriteFile(conf, []byte("route: {receiver: none}\nreceivers: [{name: none}]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var out said
	cmd := exec.Command(path, "--config.file="+conf, "--storage.path="+dir, "--web.listen-address="+address, "--cluster.listen-address=")
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	for range 1000 {
		if r, err := exporttest.Client.Get("http://" + address + "/-/ready"); err == nil {
			_ = r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return address
			}
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("alertmanager does not listen on %s: %s", address, out.String())
	return ""
}

// All that is told to others goes through gates, which are down, silent, answer
// by halves or drip. Throws are filed and promised meanwhile, and who answers is
// told; once the gates pass again, nothing has been skipped: every message is
// delivered, and every throw is in the time-series store.
//
//	TARGETS=4 go test ./daemon/cmd/throwline/torture -run Targets -timeout 1h -v
//
// Every further round breaks each gate in another manner; mail that failed is
// tried again after five minutes, later after longer.
func TestTargetsBroken(t *testing.T) {
	t.Parallel()
	series := exporttest.VictoriaMetrics(t)
	alarms := startAlertmanager(t)
	var mail postOffice
	hooked := inbox{got: map[string]alerting.Message{}}
	hook := httptest.NewServer(&hooked)
	t.Cleanup(hook.Close)
	host := func(address string) string {
		u, err := url.Parse(address)
		if err != nil {
			t.Fatal(err)
		}
		return u.Host
	}
	gates := []*gate{openGate(t, host(hook.URL)), openGate(t, mail.open(t)), openGate(t, alarms), openGate(t, host(series.URL))}
	b := benchWith(t, "", "")
	b.told = []string{"office", "hook", "depot", "alarms"}
	b.configure(b.broker.URL(), fmt.Sprintf(`targets:
  %s
  hook: {webhook: {url: "http://%s", secret_file: %s}}
  depot: {mail: {server: %q, security: none, from: throwline@example.org, to: [depot@example.org]}}
  alarms: {alertmanager: {urls: ["http://%s"]}}
export: {influx: {url: "http://%s", bucket: throwline, every: 1s}}
`, b.office(), gates[0].address(), filepath.Join(b.dir, "secret"), gates[1].address(), gates[2].address(), gates[3].address()))
	b.start()
	b.awaitReady()
	l := &load{cab: b.cabinet("TOLB-1", b.broker.URL())}
	found := &shelf{b: b, known: map[int]bool{}}
	manners := []manner{silent, drips, down, halves}
	rounds := atLeast("TARGETS", 1)
	if rounds > 1 {
		b.patience = time.Hour
	}
	for round := range rounds {
		for i, g := range gates {
			g.set(manners[(round+i)%len(manners)])
		}
		l.send(t.Context(), t, 0, func(n int) bool { return n < (round+1)*lotSize })
		b.await("all throws to be promised while the targets are in trouble", func() bool { return l.cab.Pending() == 0 })
		for i, g := range gates {
			how := manners[(round+i)%len(manners)]
			b.await(fmt.Sprintf("target %d to be tried while it %s", i, how), func() bool { return g.tried(how) > 0 })
		}
		b.await("the office to be told all the same", func() bool {
			return b.number("SELECT count(*) FROM outbox WHERE target = 'office'") > 0 &&
				b.number("SELECT count(*) FROM outbox WHERE target = 'office' AND done_at IS NULL") == 0
		})
		if n := b.number("SELECT count(*) FROM outbox WHERE target <> 'office' AND done_at IS NULL"); n == 0 {
			t.Error("expected messages that wait for the targets in trouble, found none: the gates break nothing")
		}
		if err := b.get("/readyz"); err != nil {
			t.Errorf("expected a program that is ready while its targets are not: %v", err)
		}
	}
	for _, g := range gates {
		g.set(passes)
	}
	b.settle(l.cab)
	b.await("the time-series store to be written to the end", func() bool {
		return b.number("SELECT count(*) FROM exports WHERE throws = (SELECT max(id) FROM throws) AND events = (SELECT max(seq) FROM events)") == 1
	})
	open := b.number("SELECT count(*) FROM alerts WHERE open = 1")
	b.await("as many alerts at the Alertmanager as stand", func() bool { return len(firing(t, alarms)) == open })
	b.end(syscall.SIGTERM)

	sent := int(l.sent.Load())
	found.look(func(uint64) bool { return true }, sent)
	t.Log(contents(b.whole(l, found)))
	for what, n := range map[string]int{
		"messages given up":       b.number("SELECT count(*) FROM outbox WHERE sent = 0"),
		"points refused":          b.number("SELECT refused FROM exports"),
		"throws not exported":     b.number("SELECT missed FROM exports"),
		"alerts with other calls": b.number("SELECT count(*) FROM (SELECT alert FROM outbox GROUP BY alert HAVING count(DISTINCT target) <> 4)"),
	} {
		if n != 0 {
			t.Errorf("expected no %s, found %d", what, n)
		}
	}
	hooked.mu.Lock()
	came := len(hooked.got)
	hooked.mu.Unlock()
	if n := b.number("SELECT count(*) FROM outbox WHERE target = 'hook'"); n != came {
		t.Errorf("expected %d messages at the hook, each under its key, found %d", n, came)
	}
	mail.mu.Lock()
	mails := len(mail.mails)
	mail.mu.Unlock()
	if n := b.number("SELECT count(*) FROM outbox WHERE target = 'depot'"); n == 0 || mails < n {
		t.Errorf("expected at least %d mails, found %d", n, mails)
	}
	if n := samples(t, series.URL, "throwline_throw_completed"); n != sent {
		t.Errorf("expected %d throws in the time-series store, found %d", sent, n)
	}
	t.Logf("%d throws exported; %d messages at the hook, %d mails, %d alerts at the Alertmanager", sent, came, mails, open)
}

// firing returns the alerts that an Alertmanager holds.
func firing(t *testing.T, address string) (list []json.RawMessage) {
	t.Helper()
	r, err := exporttest.Client.Get("http://" + address + "/api/v2/alerts")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if err := json.NewDecoder(r.Body).Decode(&list); err != nil {
		t.Fatal(err)
	}
	return list
}

// samples counts the samples of a metric in a time-series store.
func samples(t *testing.T, address, metric string) (n int) {
	t.Helper()
	if r, err := exporttest.Client.Get(address + "/internal/force_flush"); err == nil { // what was just written is found
		_ = r.Body.Close()
	}
	r, err := exporttest.Client.Get(address + "/api/v1/export?match[]=" + url.QueryEscape(metric))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	lines := bufio.NewScanner(r.Body)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		var series struct {
			Timestamps []int64 `json:"timestamps"`
		}
		if err := json.NewDecoder(strings.NewReader(lines.Text())).Decode(&series); err != nil {
			t.Fatal(err)
		}
		n += len(series.Timestamps)
	}
	return n
}
