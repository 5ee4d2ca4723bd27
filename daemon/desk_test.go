package daemon

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/detect"
	"throwline/ingest"
)

// inbox is a webhook's receiver.
type inbox struct {
	*httptest.Server
	mu   sync.Mutex
	down bool
	got  []alerting.Message
	keys map[string]int
}

func newInbox(t *testing.T) *inbox {
	b := &inbox{keys: map[string]int{}}
	b.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		b.mu.Lock()
		defer b.mu.Unlock()
		if b.down || err != nil {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		var m alerting.Message
		if err := json.Unmarshal(body, &m); err != nil {
			t.Errorf("%v in %s", err, body)
		}
		b.keys[r.Header.Get("Idempotency-Key")]++
		b.got = append(b.got, m)
	}))
	t.Cleanup(b.Close)
	return b
}

func (b *inbox) reasons() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	var out []string
	for _, m := range b.got {
		out = append(out, string(m.Reason))
	}
	return strings.Join(out, " ")
}

// underClock starts a daemon an hour into the first day, by a clock that the test
// moves, and a cabinet that sends to it.
func underClock(t *testing.T) (*running, *cabinet, Config, *atomic.Int64) {
	t.Helper()
	m := startMosquitto(t)
	c, now := configOf(m, t.TempDir()), &atomic.Int64{}
	now.Store(firstDay.Add(time.Hour).UnixNano())
	r := clocked(t, c, now)
	cab := newCabinet(t, m.URL())
	cab.await()
	return r, cab, c, now
}

// clocked starts a daemon whose clock the test moves.
func clocked(t *testing.T, c Config, now *atomic.Int64) *running {
	t.Helper()
	r := &running{t: t, log: &logged{}, registry: prometheus.NewRegistry()}
	var err error
	r.Daemon, err = New(t.Context(), c, Options{
		Log: slog.New(slog.NewTextHandler(r.log, nil)), Registry: r.registry, Version: "test",
		Now: func() time.Time { return time.Unix(0, now.Load()).UTC() },
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.halt)
	if err := r.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the daemon to be ready", func() bool { return r.Ready(t.Context()) == nil })
	return r
}

// An alert from its throw to its end, over a real broker, a webhook that fails
// in between, a window, and a program that is started anew.
func TestAlertAndPeople(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("sixteen bytes and more"), 0o600); err != nil {
		t.Fatal(err)
	}
	c := configOf(m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, SecretFile: secret}}}
	if faults := c.Targets.Load("targets", nil); faults != nil {
		t.Fatal(faults)
	}
	c.Routes = []alerting.Route{{Name: "all", Targets: []string{"office"}, Remind: time.Hour}}
	var now atomic.Int64
	now.Store(firstDay.Add(time.Hour).UnixNano())
	forward := func(d time.Duration) { now.Add(int64(d)) }

	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	n := 0
	throw := func(completed bool) {
		t.Helper()
		x := invented("TOLB-W01", n, 0)
		now.Add(int64(time.Minute))
		x.StartedAt, x.Completed = time.Unix(0, now.Load()).UTC(), completed
		n++
		cab.throw("TOLB-1", x)
	}
	await := func(what string, ok func() bool) { t.Helper(); eventually(t, what, ok) }
	one := func() alerting.Case {
		t.Helper()
		list := r.Cases()
		if len(list) != 1 {
			t.Fatalf("expected one case, found %+v", list)
		}
		return list[0]
	}
	act := func(a alerting.Act) error {
		t.Helper()
		a.By = "Ada"
		_, err := r.Act(t.Context(), one().ID, a)
		return err
	}

	if err := r.SavePlace(t.Context(), "Ada", alerting.Place{Turnout: "TOLB-W01", Area: "Tolberg", Criticality: 5, ThrowTime: 9}); err != nil {
		t.Fatal(err)
	}
	throw(true)
	throw(false)
	await("the message", func() bool { return in.reasons() == "raised" })
	x := one()
	if x.Standing != alerting.Unacknowledged || x.Condition != detect.IncompleteThrow || x.Place.Area != "Tolberg" {
		t.Fatalf("found %+v", x)
	}
	if in.got[0].Link != "http://127.0.0.1:0/turnouts/TOLB-W01" || in.got[0].Place.Criticality != 5 {
		t.Errorf("found %+v", in.got[0])
	}

	forward(61 * time.Minute)
	r.look()
	await("a reminder", func() bool { return in.reasons() == "raised reminder" })

	if err := act(alerting.Act{Action: alerting.Acknowledge, Note: "on my way"}); err != nil {
		t.Fatal(err)
	}
	var refused *alerting.RefusedError
	if err := act(alerting.Act{Action: alerting.Acknowledge}); !errors.As(err, &refused) || !refused.Conflict {
		t.Errorf("expected a refusal, found %v", err)
	}
	forward(3 * time.Hour)
	r.look()

	// It is started anew; what people did is as it was.
	before := one()
	r.halt()
	r = clocked(t, c, &now)
	if after := one(); after.Standing != alerting.Acknowledged || after.Handling != before.Handling || after.Place != before.Place {
		t.Errorf("expected %+v\nfound    %+v", before, after)
	}
	if l := r.clerk.limits(nil)("TOLB-W01"); l.ThrowTime != 9 {
		t.Errorf("expected the registry's limit, found %+v", l)
	}

	// Another failure calls again; the receiver is down, and gets it later, once.
	in.mu.Lock()
	in.down = true
	in.mu.Unlock()
	throw(false)
	await("a call", func() bool { return one().Standing == alerting.Unacknowledged })
	await("a try in vain", func() bool {
		s, err := r.Targets(t.Context())
		return err == nil && len(s) == 1 && s[0].Waiting == 1 && strings.Contains(s[0].Failure, "503")
	})
	in.mu.Lock()
	in.down = false
	in.mu.Unlock()
	forward(time.Minute)
	r.nudge()
	await("the message after all", func() bool { return in.reasons() == "raised reminder changed" })

	// A window hides it, and what still stands when it ends is said.
	z := time.Unix(0, now.Load()).UTC()
	w, err := r.SaveWindow(t.Context(), "Ada", alerting.Window{Name: "possession", Zone: "UTC", Start: z.Format("2006-01-02T15:04"), Duration: 2 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if x := one(); x.Standing != alerting.Suppressed || x.Quiet != "possession" {
		t.Errorf("found %+v", x)
	}
	await("the clerk to have seen it", func() bool { return len(r.clerk.due()) == 0 })
	forward(3 * time.Hour)
	r.look()
	await("what still stands", func() bool { return in.reasons() == "raised reminder changed still-stands" })
	if err := r.DropWindow(t.Context(), "Ada", w.ID); err != nil {
		t.Fatal(err)
	}
	if err := r.DropWindow(t.Context(), "Ada", w.ID); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("found %v", err)
	}

	// It clears, and is over once someone has seen it.
	for range 12 {
		throw(true)
	}
	await("all clear", func() bool { return in.reasons() == "raised reminder changed still-stands cleared" })
	if x := one(); x.Standing != alerting.Returned {
		t.Errorf("found %+v", x)
	}
	id := one().ID
	if err := act(alerting.Act{Action: alerting.Judge, Found: &alerting.Found{True: true, Cause: detect.Obstruction, Note: "a stone"}}); err != nil {
		t.Fatal(err)
	}
	if list := r.Cases(); len(list) != 0 {
		t.Errorf("expected nothing, found %+v", list)
	}
	last, err := r.Case(t.Context(), id)
	if err != nil || last.Standing != alerting.Normal || last.Handling.Found == nil || last.Handling.Found.By != "Ada" {
		t.Errorf("found %+v, %v", last, err)
	}
	var all []string
	entries, _, err := r.Journal(t.Context(), alerting.JournalQuery{Alert: id, Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		all = append(all, e.Action)
	}
	for _, want := range []string{"raised", "remind", "acknowledge", "changed", "deliver", "cleared", "judge"} {
		if !strings.Contains(strings.Join(all, " "), want) {
			t.Errorf("expected %s in the journal, found %s", want, all)
		}
	}
	for key, n := range in.keys {
		if n != 1 {
			t.Errorf("key %s: expected once, found %d", key, n)
		}
	}
	sent, err := r.Sendings(t.Context(), id)
	if err != nil || len(sent) != 5 {
		t.Errorf("found %+v, %v", sent, err)
	}
}

// A cabinet that is cut off is one alert, whatever stands at its turnouts stays.
func TestSilentCabinet(t *testing.T) {
	r, cab, c, now := underClock(t)
	x := invented("TOLB-W01", 0, 0)
	x.Completed = false
	cab.throw("TOLB-1", x)
	say := func(state string) {
		at := time.Unix(0, now.Load()).UTC().Format(time.RFC3339)
		cab.publish("throwline/v1/TOLB-1/state", []byte(`{"state":"`+state+`","at":"`+at+`","agent":"a"}`))
	}
	eventually(t, "the throw", func() bool { return len(r.Cases()) == 1 })
	now.Add(int64(10 * time.Minute))
	say("offline")
	eventually(t, "the state", func() bool { return len(r.Cabinets()) == 1 })
	r.look()
	now.Add(int64(16 * time.Minute))
	r.look()
	of := func() (cabinets, turnouts int) {
		for _, x := range r.Cases() {
			if x.Condition == detect.CabinetSilent && x.Cabinet == "TOLB-1" && x.Turnout == "" && x.Open() {
				cabinets++
			} else if x.Open() {
				turnouts++
			}
		}
		return cabinets, turnouts
	}
	eventually(t, "the silence", func() bool { c, tn := of(); return c == 1 && tn == 1 })
	r.halt()
	r = clocked(t, c, now)
	if c, tn := of(); c != 1 || tn != 1 {
		t.Errorf("after a restart: found %d of cabinets, %d of turnouts", c, tn)
	}
	say("online")
	eventually(t, "the voice", func() bool { r.look(); c, tn := of(); return c == 0 && tn == 1 })
}

func TestRhythm(t *testing.T) {
	var h hearing
	set := DefaultConfig().Silence
	at := firstDay
	for range 200 {
		at = at.Add(20 * time.Minute)
		h.hear("busy", at)
	}
	h.hear("rare", firstDay)
	h.hear("rare", firstDay.Add(40*time.Hour))
	for _, c := range []struct {
		state  ingest.CabinetState
		after  time.Duration
		silent bool
	}{
		{ingest.CabinetState{Cabinet: "busy"}, 5 * time.Hour, false},
		{ingest.CabinetState{Cabinet: "busy"}, 7 * time.Hour, true},
		{ingest.CabinetState{Cabinet: "busy", Online: true, At: firstDay}, 7 * time.Hour, false},
		{ingest.CabinetState{Cabinet: "busy", Online: true, At: firstDay}, 73 * time.Hour, true},
		{ingest.CabinetState{Cabinet: "rare"}, 30 * time.Hour, false},
		{ingest.CabinetState{Cabinet: "never"}, 1000 * time.Hour, false},
		{ingest.CabinetState{Cabinet: "never", At: firstDay}, 1000 * time.Hour, true},
	} {
		since, why := h.quiet(&c.state, &set, at.Add(c.after))
		if since.IsZero() == c.silent || (why == "") == c.silent {
			t.Errorf("%+v after %s: found %s %q", c.state, c.after, since, why)
		}
	}
}

func TestTryTarget(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	c := configOf(m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}}}
	r := serving(t, c)
	if err := r.Try(t.Context(), "Ada", "office"); err != nil || in.reasons() != "trial" {
		t.Errorf("found %v, %q", err, in.reasons())
	}
	in.mu.Lock()
	in.down = true
	in.mu.Unlock()
	if err := r.Try(t.Context(), "Ada", "office"); ingest.AsRefusal(err) == nil || !strings.Contains(err.Error(), "503") {
		t.Errorf("found %v", err)
	}
	if err := r.Try(t.Context(), "Ada", "nobody"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("found %v", err)
	}
	log, _, err := r.store.AuditLog(context.Background(), "", 10)
	if err != nil || len(log) != 2 {
		t.Errorf("found %+v, %v", log, err)
	}
}

func TestRegistryThroughTheDesk(t *testing.T) {
	r := serving(t, configOf(startMosquitto(t), t.TempDir()))
	n, err := r.ReadPlaces(t.Context(), "Ada", strings.NewReader("turnout,area,criticality\nW2,East,4\nW1,East,\n"))
	if err != nil || n != 2 || len(r.Places()) != 2 || r.Places()[0].Turnout != "W1" {
		t.Fatalf("found %d, %v, %+v", n, err, r.Places())
	}
	if _, err = r.ReadPlaces(t.Context(), "Ada", strings.NewReader("turnout,criticality\nW2,9\n")); ingest.AsRefusal(err) == nil || !strings.Contains(err.Error(), "line 2") {
		t.Errorf("found %v", err)
	}
	if len(r.Places()) != 2 {
		t.Errorf("a file that is refused changed the registry")
	}
	var b strings.Builder
	if err := r.WritePlaces(&b); err != nil || !strings.Contains(b.String(), "W2") {
		t.Errorf("found %v, %s", err, b.String())
	}
	if err := r.DropPlace(t.Context(), "Ada", "W2"); err != nil || len(r.Places()) != 1 {
		t.Errorf("found %v", err)
	}
	if err := r.DropPlace(t.Context(), "Ada", "W2"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("found %v", err)
	}
}

// What a broker held back is not told as if it happened now: what is over by
// the time it is here is not told at all, what still stands is told once.
func TestBacklogIsNotLive(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	c := configOf(m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}}}
	c.Routes = []alerting.Route{{Name: "all", Targets: []string{"office"}}}
	var now atomic.Int64
	now.Store(firstDay.Add(48 * time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	throw := func(turnout string, n int, completed bool) {
		x := invented(turnout, n, 0)
		x.Completed = completed
		cab.throw("TOLB-1", x)
	}
	for i := range 12 {
		throw("TOLB-W01", i, i != 2)
	}
	throw("TOLB-W02", 0, true)
	throw("TOLB-W02", 1, false)
	eventually(t, "the backlog", func() bool { return r.count(stored) == 14 })
	if got := in.reasons(); got != "" {
		t.Errorf("found %q", got)
	}
	r.look()
	eventually(t, "what still stands", func() bool { return in.reasons() == "still-stands" })
	if in.got[0].Alert.Turnout != "TOLB-W02" {
		t.Errorf("found %+v", in.got[0])
	}
	if list, err := r.Of(t.Context(), firstDay, firstDay.Add(72*time.Hour), "", 10); err != nil || len(list) != 2 {
		t.Errorf("found %+v, %v", list, err)
	}
}

// A configuration is taken while the program runs, whole or not at all, and
// nobody hears anything twice of it.
func TestReload(t *testing.T) {
	m, in, other := startMosquitto(t), newInbox(t), newInbox(t)
	c := configOf(m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}}}
	c.Routes = []alerting.Route{{Name: "all", Targets: []string{"office"}}}
	var now atomic.Int64
	now.Store(firstDay.Add(time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	fail := func(turnout string) {
		x := invented(turnout, 0, 0)
		x.StartedAt, x.Completed = time.Unix(0, now.Add(int64(time.Second))).UTC(), false
		cab.throw("TOLB-1", x)
	}
	fail("TOLB-W01")
	eventually(t, "the first message", func() bool { return in.reasons() == "raised" })

	next := c
	next.Targets = notify.Targets{"office": c.Targets["office"], "depot": {Webhook: &notify.Webhook{URL: other.URL, Secret: "sixteen bytes and more"}}}
	next.Routes = []alerting.Route{c.Routes[0], {Name: "depot too", Targets: []string{"depot"}}}
	next.Detection.Own = map[string]TurnoutLimits{"TOLB-W01": {ThrowTime: Duration(7 * time.Second)}}
	office := r.couriers.find("office")
	if err := r.Reload(t.Context(), next); err != nil {
		t.Fatal(err)
	}
	if r.couriers.find("office") != office || r.couriers.find("depot") == nil {
		t.Error("expected the courier that was there, and a new one")
	}
	if l := r.pipeline.filer.set.Limits("TOLB-W01"); l.ThrowTime != 7 {
		t.Errorf("found %+v", l)
	}
	fail("TOLB-W02")
	eventually(t, "the second message", func() bool { return in.reasons() == "raised raised" && other.reasons() == "raised" })

	wrong := next
	wrong.HTTP.Listen, wrong.Targets = "127.0.0.1:1", nil
	var bad *ConfigError
	if err := r.Reload(t.Context(), wrong); !errors.As(err, &bad) || !strings.Contains(err.Error(), "http.listen: expected 127.0.0.1:0 until the next restart, found 127.0.0.1:1") {
		t.Errorf("found %v", err)
	}
	if r.couriers.find("depot") == nil || len(r.Routes()) != 2 {
		t.Error("a configuration that was not taken changed something")
	}
	if v := testutil.ToFloat64(r.metrics.reloaded); v != 0 {
		t.Errorf("expected the metric to say that it was not taken, found %g", v)
	}
	if err := r.Reload(t.Context(), c); err != nil || r.couriers.find("depot") != nil {
		t.Errorf("found %v", err)
	}
}

// What was sent is not sent again because the store cannot note it.
func TestSentOnceThoughTheStoreFails(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	c := configOf(m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}}}
	c.Routes = []alerting.Route{{Name: "all", Targets: []string{"office"}}}
	var now atomic.Int64
	now.Store(firstDay.Add(time.Hour).UnixNano())
	r := clocked(t, c, &now)
	db, err := sql.Open("sqlite", "file:"+c.storePath()+"?_pragma=busy_timeout(5000)")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec("CREATE TRIGGER no_notes BEFORE UPDATE ON outbox BEGIN SELECT RAISE(ABORT, 'no'); END"); err != nil {
		t.Fatal(err)
	}
	cab := newCabinet(t, m.URL())
	cab.await()
	x := invented("TOLB-W01", 0, 0)
	x.StartedAt, x.Completed = time.Unix(0, now.Load()).UTC(), false
	cab.throw("TOLB-1", x)
	eventually(t, "the message", func() bool { return in.reasons() == "raised" })
	for range 10 {
		r.nudge()
		time.Sleep(20 * time.Millisecond)
	}
	if got := in.reasons(); got != "raised" {
		t.Errorf("sent again: %s", got)
	}
	if _, err := db.Exec("DROP TRIGGER no_notes"); err != nil {
		t.Fatal(err)
	}
	id := r.Cases()[0].ID
	eventually(t, "the note", func() bool {
		r.nudge()
		s, err := r.Sendings(t.Context(), id)
		return err == nil && len(s) == 1 && s[0].Sent
	})
	if got := in.reasons(); got != "raised" {
		t.Errorf("sent again: %s", got)
	}
}
