package torture

import (
	"bufio"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"throwline/alerting"
	"throwline/daemon"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// told is a transition as it is compared, in words.
func told(e *alerting.Event) string {
	cause := ""
	if len(e.Alert.Causes) > 0 {
		cause = string(e.Alert.Causes[0].Cause)
	}
	return fmt.Sprintf("%s %s at %s of %s (%s), call %d, %s, %.1f %%, %s, throw %s", e.Kind, e.Alert.Condition, e.At.UTC().Format(time.RFC3339Nano), e.Alert.ID,
		e.Alert.Turnout, e.Alert.Call, e.Alert.Priority, e.Alert.ChangePercent, cause, e.Alert.ThrowID)
}

// byTurnout splits transitions, whose order counts for each turnout alone.
func byTurnout(list []alerting.Event, say func(*alerting.Event) string) map[string][]string {
	out := map[string][]string{}
	for i := range list {
		e := &list[i]
		if s := say(e); s != "" && e.Alert.Turnout != "" { // a silent cabinet is no throw's doing
			out[e.Alert.Turnout] = append(out[e.Alert.Turnout], s)
		}
	}
	return out
}

// replayed runs a recording of throws, in the order in which the store has
// them, through the program's own replay.
func (b *bench) replayed(order []ingest.Arrival) (events []alerting.Event, late int) {
	b.t.Helper()
	name := filepath.Join(b.t.TempDir(), "recording.ndjson")
	f, err := os.Create(name)
	if err != nil {
		b.t.Fatal(err)
	}
	w := bufio.NewWriter(f)
	for _, a := range order {
		_, _ = w.Write(append(wire.AppendArrival(nil, a), '\n')) // Flush tells
	}
	if err := w.Flush(); err != nil {
		b.t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.t.Fatal(err)
	}
	sum, err := daemon.Replay(b.t.Context(), b.c, []string{name}, daemon.ReplayOptions{
		Event:   func(e alerting.Event) error { events = append(events, e); return nil },
		Refused: func(_ string, line int, reason error) { b.t.Errorf("line %d: %v", line, reason) },
	})
	if err != nil {
		b.t.Fatal(err)
	}
	if sum.Throws != len(order) {
		b.t.Errorf("expected a replay of %d throws, found %+v", len(order), sum)
	}
	return events, sum.Late
}

// folded steps the throws that are filed, with what was filed of them, from
// the first to the last, as if the program had never stopped.
func folded(list []*detect.Record) (events []alerting.Event, states map[string]*detect.State) {
	type one struct {
		state  *detect.State
		past   alerting.Past
		latest time.Time
	}
	all := map[string]*one{}
	set := detect.DefaultSettings()
	for _, r := range list {
		t := all[r.Turnout]
		if t == nil {
			t = &one{state: new(detect.State)}
			all[r.Turnout] = t
		}
		if r.StartedAt.After(t.latest) {
			t.latest = r.StartedAt.UTC()
		}
		var a detect.Assessment
		var more []alerting.Event
		t.state, a = t.state.Step(&r.Observation, &set)
		t.past, more = alerting.Step(t.past, r.Turnout, a.Findings, t.latest)
		events = append(events, more...)
	}
	states = map[string]*detect.State{}
	for name, t := range all {
		states[name] = t.state
	}
	return events, states
}

// sameStates holds what the program has learned, after a stop in order, against
// what follows from the filed throws: byte for byte.
func (b *bench) sameStates(want map[string]*detect.State) {
	b.t.Helper()
	found := b.states()
	for name, s := range want {
		bytes, err := s.AppendBinary(nil)
		if err != nil {
			b.t.Fatal(err)
		}
		if found[name] != string(bytes) {
			b.t.Errorf("turnout %s: what was learned is not what follows from its throws", name)
		}
	}
	if len(found) != len(want) {
		b.t.Errorf("expected %d states, found %d", len(want), len(found))
	}
}

// states returns what the store has learned of each turnout.
func (b *bench) states() map[string]string {
	b.t.Helper()
	s, err := store.OpenReader(b.t.Context(), filepath.Join(b.c.DataDir, daemon.StoreName))
	if err != nil {
		b.t.Fatal(err)
	}
	defer s.Close()
	out := map[string]string{}
	if err := s.States(b.t.Context(), func(name, _ string, state []byte) error {
		out[name] = string(state[8:]) // before it stands how far it goes
		return nil
	}); err != nil {
		b.t.Fatal(err)
	}
	return out
}

// sameAlerts holds the store's transitions against two that never stopped: a
// fold over what is filed, which must give each of them to the last figure; and
// a replay of the throws as they were sent, in the order in which they are
// filed. That one finds anew what a turnout's neighbours feel in common, of which
// a program that was killed knows the slow part as it was some throws before: then its figures differ
// a little, and an alert of a chart may be raised some throws earlier or later,
// which is told; a throw that did not complete is one whatever others feel. Of a
// program that was never started again it must tell the same, to the last figure.
func (b *bench) sameAlerts(order []ingest.Arrival) {
	b.t.Helper()
	found := byTurnout(b.events(), told)
	follow, states := folded(b.records())
	b.sameStates(states)
	want := byTurnout(follow, told)
	if len(want) == 0 {
		b.t.Error("expected throws that raise alerts, found none")
	}
	n, differing := 0, 0
	for _, turnout := range slices.Sorted(maps.Keys(both(want, found))) {
		n += len(want[turnout])
		if i := differ(want[turnout], found[turnout]); i >= 0 {
			if differing++; differing <= 3 {
				b.t.Errorf("turnout %s: from the filed throws follow\n%q\nand the program told\n%q", turnout, want[turnout][i:], found[turnout][i:])
			}
		}
	}
	events, late := b.replayed(order)
	counts := map[string]int{}
	for i := range events {
		counts[string(events[i].Kind)+" "+string(events[i].Alert.Condition)]++
	}
	b.t.Logf("%d transitions, %d turnouts that differ from what follows from the filed throws (%d throws came late): %v", n, differing, late, counts)
	if b.begun == 1 {
		follow, here := byTurnout(events, told), byTurnout(b.events(), told)
		for _, turnout := range slices.Sorted(maps.Keys(both(follow, here))) {
			if i := differ(follow[turnout], here[turnout]); i >= 0 {
				b.t.Errorf("turnout %s: the replay tells\n%q\nand the program, never started again, told\n%q", turnout, follow[turnout][i:], here[turnout][i:])
			}
		}
		return
	}
	raised, here := byTurnout(events, raising), byTurnout(b.events(), raising)
	shifted, other := 0, 0
	for _, turnout := range slices.Sorted(maps.Keys(both(raised, here))) {
		if a, z := only(raised[turnout], detect.IncompleteThrow), only(here[turnout], detect.IncompleteThrow); !slices.Equal(a, z) {
			b.t.Errorf("turnout %s: the replay raises\n%q\nand the program raised\n%q", turnout, a, z)
		}
		if slices.Equal(raised[turnout], here[turnout]) {
			continue
		}
		shifted++
		if !slices.Equal(kinds(raised[turnout]), kinds(here[turnout])) {
			other++
		}
	}
	b.t.Logf("%d turnouts with alerts; after %d starts %d of them have one raised at another throw than in a replay that never forgot what neighbours feel, and %d have another alert",
		len(raised), b.begun, shifted, other)
}

// kinds are the conditions of what is raised, sorted.
func kinds(raised []string) (out []string) {
	for _, s := range raised {
		kind, _, _ := strings.Cut(s, " ")
		out = append(out, kind)
	}
	slices.Sort(out)
	return out
}

func only(raised []string, kind detect.Condition) (out []string) {
	for _, s := range raised {
		if strings.HasPrefix(s, string(kind)+" ") {
			out = append(out, s)
		}
	}
	return out
}

// raising is when an alert is raised, or "".
func raising(e *alerting.Event) string {
	if e.Kind != alerting.Raised {
		return ""
	}
	return string(e.Alert.Condition) + " at " + e.At.UTC().Format(time.RFC3339Nano)
}

func both(a, b map[string][]string) map[string][]string {
	out := maps.Clone(a)
	maps.Copy(out, b)
	return out
}

// differ returns where two lists first differ, or -1.
func differ(a, b []string) int {
	for i := range max(len(a), len(b)) {
		if i >= len(a) || i >= len(b) || a[i] != b[i] {
			return i
		}
	}
	return -1
}

// message is a row of the outbox.
type message struct {
	key, alert, reason, body string
	sent                     bool
}

// wholeOutbox holds the outbox against the transitions: whatever had to be told
// as it happened is there, each alert's last word is the right one, and all of
// it has come to the target under its key. young is what had to be.
func (b *bench) wholeOutbox(young func(e *alerting.Event) bool) {
	b.t.Helper()
	db := b.db()
	defer db.Close()
	rows, err := db.QueryContext(b.t.Context(), "SELECT key, coalesce(alert, ''), reason, body, sent FROM outbox WHERE target = 'office' ORDER BY id")
	if err != nil {
		b.t.Fatal(err)
	}
	defer rows.Close()
	last := map[string]alerting.Reason{} // by alert
	keys := map[string]bool{}
	for rows.Next() {
		var m message
		if err := rows.Scan(&m.key, &m.alert, &m.reason, &m.body, &m.sent); err != nil {
			b.t.Fatal(err)
		}
		if keys[m.key] || !m.sent {
			b.t.Errorf("message %s: expected once and sent, found sent %v, twice %v", m.key, m.sent, keys[m.key])
		}
		keys[m.key], last[m.alert] = true, alerting.Reason(m.reason)
		var in alerting.Message
		if err := json.Unmarshal([]byte(m.body), &in); err != nil {
			b.t.Fatal(err)
		}
		b.inbox.mu.Lock()
		got, ok := b.inbox.got[m.key]
		b.inbox.mu.Unlock()
		if !ok || got.Alert.ID != m.alert || got.Reason != in.Reason || !got.At.Equal(in.At) {
			b.t.Errorf("message %s is noted as sent, and came as %+v", m.key, got)
		}
	}
	if err := rows.Err(); err != nil {
		b.t.Fatal(err)
	}
	must, open := 0, map[string]bool{}
	knows := map[string]alerting.Told{}
	events := b.events()
	for i := range events {
		e := &events[i]
		standing := alerting.Unacknowledged
		if e.Kind != alerting.Cleared && !young(e) {
			standing = alerting.Suppressed
		}
		var list []alerting.Delivery
		list, knows[e.Alert.ID] = alerting.Deliveries(b.c.Routes, e, alerting.Place{Turnout: e.Alert.Turnout}, standing, knows[e.Alert.ID], e.At)
		for _, d := range list {
			if d.Target != "office" {
				continue
			}
			must++
			if !keys[d.Message.Key] {
				b.t.Errorf("expected a message for: %s; found none", told(e))
			}
		}
		open[e.Alert.ID] = e.Kind != alerting.Cleared
	}
	for id, stands := range open {
		switch reason, ok := last[id]; {
		case stands && !ok:
			b.t.Errorf("alert %s stands and nobody was told", id)
		case ok && stands == (reason == alerting.NoLonger):
			b.t.Errorf("alert %s: stands %v, and the last word of it was %s", id, stands, reason)
		}
	}
	b.inbox.mu.Lock()
	came := len(b.inbox.got)
	b.inbox.mu.Unlock()
	if must == 0 || came < len(keys) {
		b.t.Errorf("expected messages, found %d that had to be, %d in the outbox, %d that came", must, len(keys), came)
	}
	b.t.Logf("%d messages, %d of which had to be sent as it happened; each came", len(keys), must)
}

// emptied waits until nothing waits to be sent, and what still stands has been told.
func (b *bench) emptied() {
	b.t.Helper()
	b.signal(syscall.SIGHUP) // it looks for what is due now, and not within the quarter minute
	end := time.Now().Add(b.patience)
	for calm := 0; calm < 4; time.Sleep(100 * time.Millisecond) {
		if b.waiting() == 0 && b.untold() == 0 {
			calm++
		} else {
			calm = 0
		}
		if time.Now().After(end) {
			b.t.Fatalf("expected an outbox that is empty, found %d open alerts of which nobody was told, and %s\n%s", b.untold(), b.stuck(), b.out.String())
		}
	}
}

func (b *bench) waiting() int { return b.number("SELECT count(*) FROM outbox WHERE done_at IS NULL") }

// untold counts open alerts whose last word to the office is not that they stand.
func (b *bench) untold() int {
	return b.number(`SELECT count(*) FROM alerts WHERE open = 1 AND coalesce((SELECT reason FROM outbox WHERE outbox.alert = alerts.id ORDER BY outbox.id DESC LIMIT 1), 'cleared') = 'cleared'`)
}

// stuck says what still waits to be sent, and why.
func (b *bench) stuck() string {
	db := b.db()
	defer db.Close()
	var n, tries int
	var reason, outcome string
	var due, since int64
	err := db.QueryRow(`SELECT count(*) OVER (), reason, outcome, tries, due, since FROM outbox WHERE done_at IS NULL ORDER BY id LIMIT 1`).Scan(&n, &reason, &outcome, &tries, &due, &since)
	return fmt.Sprintf("%d that wait; the first, %s, was due at %s, is at %s, after %d tries: %s (%v); now %s", n, reason, time.Unix(0, since), time.Unix(0, due), tries, outcome, err, time.Now())
}
