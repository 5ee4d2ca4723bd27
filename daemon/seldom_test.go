package daemon

import (
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/daemon/store"
)

// What fails all the time is said at once, and then once a minute with how often.
func TestSeldom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var said strings.Builder
		s := &seldom{log: slog.New(slog.NewTextHandler(&said, nil))}
		for range 301 { // ten minutes and an instant
			s.warn("it is away", "target", "office")
			s.warn("it cannot be noted")
			time.Sleep(2 * time.Second)
		}
		for what, want := range map[string]int{"it is away": 11, "it cannot be noted": 11, "likewise_since_last_said=29": 20, "target=office": 11} {
			if got := strings.Count(said.String(), what); got != want {
				t.Errorf("expected %q %d times, found %d in\n%s", what, want, got, said.String())
			}
		}
	})
}

// A target that is away fills no log, however much waits for it.
func TestTargetAwayFillsNoLog(t *testing.T) {
	m := startMosquitto(t)
	c := configOf(m, t.TempDir())
	away := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusServiceUnavailable) }))
	t.Cleanup(away.Close)
	c.Targets = notify.Targets{"office": {Webhook: &notify.Webhook{URL: away.URL, Secret: "sixteen bytes and more"}}}
	r := serving(t, c)
	const waiting = 100
	if err := r.store.Update(t.Context(), func(tx *store.Tx) error {
		for n := range waiting {
			if _, err := tx.Enqueue(store.Outgoing{Target: "office", Key: fmt.Sprint(n), Reason: alerting.NewAlert, Body: []byte(`{}`), Due: r.Now()}); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	eventually(t, "all to be tried", func() bool {
		r.nudge()
		tries, err := r.store.Attempts(t.Context(), waiting)
		return err == nil && len(tries) > 0
	})
	if got, most := strings.Count(r.log.String(), "could not be sent"), 1+int(time.Since(began)/saidAgain); got < 1 || got > most {
		t.Errorf("expected it said once, and once a minute, found %d times", got)
	}
}
