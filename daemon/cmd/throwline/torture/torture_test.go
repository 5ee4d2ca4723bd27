// Package torture breaks the program on purpose: as a process, over a real
// broker, with cabinets that keep a ledger of what was promised.
//
//	CYCLES=500 go test ./daemon/cmd/throwline/torture -run Torture -timeout 3h -v
package torture

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"sync"
	"syscall"
	"testing"
	"time"

	_ "modernc.org/sqlite"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/daemon/store"
	"throwline/ingest"
	"throwline/ingest/lineside"
	"throwline/ingest/mqtt/mosquittotest"
)

// inbox counts what a webhook was sent, by key.
type inbox struct {
	mu  sync.Mutex
	got map[string]alerting.Message
}

func (b *inbox) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	var m alerting.Message
	if json.Unmarshal(body, &m) == nil {
		b.mu.Lock()
		b.got[m.Key] = m
		b.mu.Unlock()
	}
}

type bench struct {
	t        *testing.T
	broker   *mosquittotest.Server
	binary   string
	conf     string
	page     string
	c        daemon.Config
	proc     *exec.Cmd
	out      bytes.Buffer
	promised int // throws for which a receipt has come
	inbox    inbox
}

func newBench(t *testing.T) *bench {
	dir := t.TempDir()
	b := &bench{t: t, binary: filepath.Join(dir, "throwline"), conf: filepath.Join(dir, "throwline.yaml")}
	b.inbox.got = map[string]alerting.Message{}
	if out, err := exec.Command("go", "build", "-o", b.binary, "throwline/daemon/cmd/throwline").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	b.broker = mosquittotest.Start(t, "allow_anonymous true\nmax_queued_messages 0\nmax_inflight_messages 100")
	hook := httptest.NewServer(&b.inbox)
	t.Cleanup(hook.Close)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b.page = l.Addr().String()
	_ = l.Close()
	write := func(name, text string) {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(filepath.Join(dir, "secret"), "sixteen bytes and more")
	write(b.conf, fmt.Sprintf(`data_dir: %s
mqtt: {brokers: [%q]}
http: {listen: %q}
targets: {office: {webhook: {url: %q, secret_file: %s}}}
routes: [{name: all, targets: [office]}]
log: {level: warn}
`, filepath.Join(dir, "data"), b.broker.URL(), b.page, hook.URL, filepath.Join(dir, "secret")))
	if b.c, err = daemon.LoadConfig(b.conf, nil); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if b.proc != nil {
			_ = b.proc.Process.Kill()
			_ = b.proc.Wait()
		}
		if t.Failed() {
			t.Log(b.out.String())
		}
	})
	return b
}

func (b *bench) start() {
	b.proc = exec.Command(b.binary, "serve", "--config", b.conf)
	b.proc.Stdout, b.proc.Stderr = io.Discard, &b.out
	if err := b.proc.Start(); err != nil {
		b.t.Fatal(err)
	}
}

func (b *bench) end(how syscall.Signal) {
	if err := b.proc.Process.Signal(how); err != nil {
		b.t.Fatal(err)
	}
	err := b.proc.Wait()
	b.proc = nil
	if how == syscall.SIGTERM && err != nil {
		b.t.Fatalf("a polite stop: %v\n%s", err, b.out.String())
	}
}

func (b *bench) await(what string, within time.Duration, ok func() bool) {
	b.t.Helper()
	for end := time.Now().Add(within); !ok(); time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			b.t.Fatalf("expected %s within %s, found nothing of it\n%s", what, within, b.out.String())
		}
	}
}

// throwOf is an invented throw; each seventh of a turnout does not complete.
func throwOf(n int, start time.Time) *ingest.Throw {
	samples := make([]float64, 60)
	for i := range samples {
		x := float64(i) / 59
		samples[i] = math.Round(300 + 500*math.Exp(-30*x) + 80*x + 3*math.Sin(float64(i*n)))
	}
	samples[0], samples[59] = 1, 2
	turnout := n % 5
	k := n / 5
	return &ingest.Throw{
		ID: fmt.Sprintf("n%d", n), Turnout: fmt.Sprintf("TOLB-W%d", turnout), To: ingest.Ends[k%2], StartedAt: start.Add(time.Duration(n) * 100 * time.Millisecond),
		Completed: k%7 != 3,
		Channels:  []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 15, Scale: 0.01, Samples: samples}},
	}
}

// Under load the program, and now and then the broker, is killed at random
// points. What a receipt promised is stored, nothing is stored twice, the file is
// sound, each alert has its journal, and all that had to be sent has been.
func TestTorture(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	cycles := 6
	if n, err := strconv.Atoi(os.Getenv("CYCLES")); err == nil {
		cycles = n
	}
	b := newBench(t)
	b.start()
	ready := func() bool {
		res, err := http.Get("http://" + b.page + "/readyz")
		if err != nil {
			return false
		}
		_ = res.Body.Close()
		return res.StatusCode == http.StatusOK
	}
	b.await("a program that is ready", 30*time.Second, ready)
	cab, err := lineside.Open(t.Context(), lineside.Options{
		Broker: b.broker.URL(), Cabinet: "TOLB-1", SpoolDir: filepath.Join(t.TempDir(), "spool"), Encoding: lineside.CBOR, Resend: 500 * time.Millisecond, NoSync: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	start := time.Now().Add(-30 * time.Minute) // later throws are told only where they still stand
	sent := 0
	stopped := make(chan struct{})
	load, quit := context.WithCancel(t.Context())
	go func() {
		defer close(stopped)
		for load.Err() == nil {
			if err := cab.Send(load, throwOf(sent, start)); err != nil {
				if load.Err() == nil {
					t.Error(err)
				}
				return
			}
			sent++
			time.Sleep(3 * time.Millisecond)
		}
	}()
	for cycle := range cycles {
		time.Sleep(time.Duration(rng.IntN(700)) * time.Millisecond)
		b.end(syscall.SIGKILL)
		if cycle%3 == 2 {
			b.broker.Kill()
			b.broker.Begin()
		}
		if cycle%5 == 4 {
			b.check(false)
		}
		b.start()
	}
	quit()
	<-stopped
	b.await("a program that is ready", 60*time.Second, ready)
	flush, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	if err := cab.Flush(flush); err != nil { // every receipt has come: all is promised
		t.Fatalf("%d throws have no receipt: %v", cab.Pending(), err)
	}
	if err := cab.Close(flush); err != nil {
		t.Error(err)
	}
	b.promised = sent
	for end := time.Now().Add(2 * time.Minute); b.waiting() > 0; time.Sleep(200 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("expected an outbox that is empty, found %s", b.stuck())
		}
	}
	b.end(syscall.SIGTERM)
	b.check(true)
	t.Logf("%d throws, %d cycles: all stored, each once", sent, cycles)
}

func (b *bench) db() *sql.DB {
	db, err := sql.Open("sqlite", "file:"+filepath.Join(b.c.DataDir, daemon.StoreName)+"?mode=ro")
	if err != nil {
		b.t.Fatal(err)
	}
	return db
}

func (b *bench) number(query string) (n int) {
	db := b.db()
	defer db.Close()
	if err := db.QueryRow(query).Scan(&n); err != nil {
		b.t.Fatalf("%s: %v", query, err)
	}
	return n
}

// stuck says what still waits to be sent, and why.
func (b *bench) stuck() string {
	db := b.db()
	defer db.Close()
	var n, tries int
	var reason, outcome string
	var due, since int64
	err := db.QueryRow(`SELECT count(*) OVER (), reason, outcome, tries, due, since FROM outbox WHERE done_at IS NULL ORDER BY id LIMIT 1`).Scan(&n, &reason, &outcome, &tries, &due, &since)
	return fmt.Sprintf("%d wait; the first, %s, was due at %s, is at %s, after %d tries: %s (%v); now %s", n, reason, time.Unix(0, since), time.Unix(0, due), tries, outcome, err, time.Now())
}

func (b *bench) waiting() int { return b.number("SELECT count(*) FROM outbox WHERE done_at IS NULL") }

// check reads the store from end to end and holds it against what was promised.
func (b *bench) check(end bool) {
	b.t.Helper()
	found, err := daemon.Verify(b.t.Context(), &b.c, "")
	if err != nil {
		b.t.Fatal(err)
	}
	if !end {
		return
	}
	if found.Throws != b.promised || found.Aside != 0 {
		b.t.Errorf("expected %d throws, each once, and nothing set aside, found %+v", b.promised, found)
	}
	for what, query := range map[string]string{
		"transitions without a line of the journal": `SELECT count(*) FROM events WHERE NOT EXISTS (SELECT 1 FROM journal WHERE journal.alert = events.alert
			AND json_extract(journal.body, '$.action') = json_extract(events.body, '$.event') AND json_extract(journal.body, '$.at') = json_extract(events.body, '$.at'))`,
		"alerts of which nobody was told": `SELECT count(*) FROM alerts WHERE open = 1 AND NOT EXISTS (SELECT 1 FROM outbox WHERE outbox.alert = alerts.id)`,
		"messages that were given up":     `SELECT count(*) FROM outbox WHERE done_at IS NOT NULL AND sent = 0`,
	} {
		if n := b.number(query); n != 0 {
			b.t.Errorf("expected no %s, found %d", what, n)
		}
	}
	db := b.db()
	defer db.Close()
	rows, err := db.Query("SELECT key FROM outbox")
	if err != nil {
		b.t.Fatal(err)
	}
	defer rows.Close()
	keys := 0
	for rows.Next() {
		var key string
		if err := rows.Scan(&key); err != nil {
			b.t.Fatal(err)
		}
		keys++
		if _, ok := b.inbox.got[key]; !ok {
			b.t.Errorf("message %s is noted as sent and never came", key)
		}
	}
	if err := rows.Err(); err != nil {
		b.t.Fatal(err)
	}
	b.t.Logf("%d alerts, %d messages, each received; %s", found.Alerts, keys, contents(found))
}

func contents(c store.Contents) string {
	return fmt.Sprintf("%d throws of %d turnouts, %.1f MB", c.Throws, c.Turnouts, float64(c.Bytes)/1e6)
}
