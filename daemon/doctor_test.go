package daemon

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/alerting/notify"
)

// The doctor tells what works and what does not, over a real broker, a program
// that runs, a target that is there and one that is not.
func TestExamine(t *testing.T) {
	m, in := startMosquitto(t), newInbox(t)
	c := configOf(m, t.TempDir())
	words := func(c *Config, listen time.Duration) map[string]alerting.Sign {
		out := map[string]alerting.Sign{}
		for _, s := range Examine(t.Context(), c, listen) {
			out[s.What] = s
			if s.Said == "" || s.Word == alerting.Bad && s.Do == "" {
				t.Errorf("says too little: %+v", s)
			}
		}
		return out
	}
	if s := words(&c, 0); s["store"].Word != alerting.Good || !strings.Contains(s["store"].Said, "none yet") || s["broker"].Word != alerting.Good || s["messages"].Word != alerting.Unknown {
		t.Errorf("found %+v", s)
	}
	c.Targets = notify.Targets{
		"office": {Webhook: &notify.Webhook{URL: in.URL, Secret: "sixteen bytes and more"}},
		"gone":   {Webhook: &notify.Webhook{URL: "http://127.0.0.1:1/x", Secret: "sixteen bytes and more"}},
	}
	c.Routes = []alerting.Route{{Name: "all", Targets: []string{"office", "gone"}}}
	var now atomic.Int64
	now.Store(firstDay.Add(time.Hour).UnixNano())
	r := clocked(t, c, &now)
	cab := newCabinet(t, m.URL())
	cab.await()
	x := invented("TOLB-W01", 0, 0)
	x.Completed = false
	cab.throw("TOLB-1", x)
	eventually(t, "a try in vain", func() bool {
		s, err := r.Targets(t.Context())
		return err == nil && len(s) == 2 && s[0].Failure != "" && s[1].Sent == 1
	})
	go func() {
		time.Sleep(300 * time.Millisecond)
		cab.throw("TOLB-1", invented("TOLB-W01", 1, 0))
		cab.publish("throwline/v1/TOLB-1/throw/TOLB-W01", []byte(`{"turnout":"TOLB-W01"}`))
	}()
	s := words(&c, 2*time.Second)
	for what, want := range map[string]struct {
		word alerting.Word
		said string
	}{
		"store": {alerting.Good, "the program is running"}, "broker": {alerting.Good, "connected"}, "subscription": {alerting.Good, "granted"},
		"messages": {alerting.Worse, "in 2 seconds: throws 1, of cabinets 1, refused 1"}, "target office": {alerting.Good, "can be reached"},
		"target gone": {alerting.Bad, "refused"}, "messages to gone": {alerting.Bad, "the last try failed"}, "messages to office": {alerting.Good, "1 sent"}, "disk": {alerting.Good, "free"},
	} {
		if got := s[what]; got.Word != want.word && what != "disk" || !strings.Contains(got.Said, want.said) {
			t.Errorf("%s: expected %s, %q, found %+v", what, want.word, want.said, got)
		}
	}
	c.MQTT.Brokers = []string{"tcp://127.0.0.1:1"}
	if s := words(&c, 0); s["broker"].Word != alerting.Bad {
		t.Errorf("found %+v", s["broker"])
	}
}
