package daemon

import (
	"encoding/json"
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
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	var now atomic.Int64
	now.Store(firstDay.Add(time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
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
