package daemon

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/daemon/store"
)

// A clock that is wrong by years for a minute drops nothing of the past; one that
// is right drops what is past its time.
func TestClockAheadDropsNothing(t *testing.T) {
	r, cab, _, now := underClock(t)
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	there := func(key string) bool {
		_, channels, err := r.store.Throw(t.Context(), key)
		return err == nil && len(channels) == 1
	}
	eventually(t, "the throw", func() bool { return there("TOLB-W01~TOLB-W01-0") })
	now.Store(firstDay.AddDate(30, 0, 0).UnixNano())
	for range 3 { // the second is taken when the first round is over
		r.pruning <- struct{}{}
	}
	eventually(t, "a round", func() bool { return len(r.pruning) == 0 })
	if !there("TOLB-W01~TOLB-W01-0") {
		t.Fatal("expected the throw and its trace still to be there, found it dropped by a clock that is wrong")
	}
	later := invented("TOLB-W01", 2, 0)
	later.StartedAt = firstDay.AddDate(30, 0, 0)
	cab.throw("TOLB-1", later)
	eventually(t, "the later throw", func() bool { return there("TOLB-W01~TOLB-W01-2") })
	r.pruning <- struct{}{}
	eventually(t, "the old throw to be dropped", func() bool { _, _, err := r.store.Throw(t.Context(), "TOLB-W01~TOLB-W01-0"); return err != nil })
}

// Nor does it give up messages that wait, or forget those that were sent.
func TestClockAheadGivesUpNoMessage(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	away := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusServiceUnavailable) }))
	t.Cleanup(away.Close)
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: away.URL, Secret: "sixteen bytes and more"}}}
	var now atomic.Int64
	now.Store(firstDay.Add(time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	cab.throw("TOLB-1", invented("TOLB-W01", 0, 0))
	eventually(t, "the throw", func() bool { return r.yard.size() == 1 })
	if err := r.store.Update(t.Context(), func(tx *store.Tx) error {
		for _, target := range []string{"office", "gone", "gone long ago"} {
			if _, err := tx.Enqueue(store.Outgoing{Target: target, Key: "k", Reason: alerting.NewAlert, Body: []byte(`{}`), Due: r.Now()}); err != nil {
				return err
			}
		}
		return tx.Sent(3, r.Now(), "sent")
	}); err != nil {
		t.Fatal(err)
	}
	tries := func() int {
		list, err := r.store.Attempts(t.Context(), 1)
		if err != nil {
			t.Fatal(err)
		}
		return len(list)
	}
	waiting := func() (n int) {
		list, err := r.store.OutboxState(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range list {
			n += s.Waiting
		}
		return n
	}
	eventually(t, "the office to be tried", func() bool { r.nudge(); return tries() > 0 })
	was := tries()
	now.Store(firstDay.AddDate(30, 0, 0).UnixNano())
	for range 3 { // the second is taken when the first round is over
		r.pruning <- struct{}{}
	}
	eventually(t, "a round", func() bool { return len(r.pruning) == 0 })
	eventually(t, "the office to be tried again", func() bool { r.nudge(); return tries() > was })
	if sent, err := r.store.Attempts(t.Context(), 3); waiting() != 2 || err != nil || len(sent) != 1 {
		t.Fatalf("expected two messages that wait, and the one that was sent, found %d and %d, %v", waiting(), len(sent), err)
	}
	later := invented("TOLB-W01", 2, 0)
	later.StartedAt = firstDay.AddDate(30, 0, 0)
	cab.throw("TOLB-1", later)
	eventually(t, "the later throw", func() bool { return r.newest().Equal(later.StartedAt) })
	now.Store(firstDay.AddDate(30, 0, 1).UnixNano()) // past what was put off
	eventually(t, "both to be given up", func() bool {
		r.nudge()
		select {
		case r.pruning <- struct{}{}:
		default:
		}
		return waiting() == 0
	})
	eventually(t, "what was sent to be forgotten", func() bool {
		sent, err := r.store.Attempts(t.Context(), 3)
		return err == nil && len(sent) == 0
	})
}

// What looks too old by the clock is tried once all the same.
func TestNothingIsGivenUpUntried(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	c := configOf(m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}}}
	r := serving(t, c)
	body, err := json.Marshal(&alerting.Message{Key: "k", Reason: alerting.NewAlert, At: firstDay})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.store.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.Enqueue(store.Outgoing{Target: "office", Key: "k", Reason: alerting.NewAlert, Body: body, Due: r.Now().Add(-2 * sendFor)})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	r.nudge()
	eventually(t, "the message to be sent or given up", func() bool {
		list, err := r.store.OutboxState(t.Context())
		return err == nil && len(list) == 1 && list[0].Waiting == 0
	})
	if got := in.reasons(); got != string(alerting.NewAlert) {
		t.Errorf("expected the message to be tried, found %q", got)
	}
}

// A message that was entered by a clock that ran ahead is sent by one that is right.
func TestClockAheadHoldsUpNoMessage(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	c := configOf(m, t.TempDir())
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}}}
	r := serving(t, c)
	body, err := json.Marshal(&alerting.Message{Key: "k", Reason: alerting.NewAlert, At: firstDay})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.store.Update(t.Context(), func(tx *store.Tx) error {
		_, err := tx.Enqueue(store.Outgoing{Target: "office", Key: "k", Reason: alerting.NewAlert, Body: body, Due: r.Now().AddDate(1, 0, 0)})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	r.nudge()
	eventually(t, "the message to be sent", func() bool {
		list, err := r.store.OutboxState(t.Context())
		return err == nil && len(list) == 1 && list[0].Waiting == 0 && list[0].Sent == 1
	})
	if got := in.reasons(); got != string(alerting.NewAlert) {
		t.Errorf("expected one message, found %q", got)
	}
}
