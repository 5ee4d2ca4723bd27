package daemon

import (
	"strings"
	"testing"
)

// Single turnouts are told of only where that is asked for, and no more than allowed.
func TestTurnoutsInMetrics(t *testing.T) {
	m := startMosquitto(t)
	dir := t.TempDir()
	d := serving(t, configOf(m, dir))
	c := newCabinet(t, m.URL())
	for _, name := range []string{"ORR-W1", "ORR-W2", "ORR-W3"} {
		th := numbered(invented(name, 1, 0), "b"+name, 1)
		if name == "ORR-W3" {
			th.Completed, th.Detections = false, nil // raises an alert
		}
		c.throw("ORR", th)
	}
	eventually(t, "three throws", func() bool { return d.count(stored) == 3 })
	var text string
	d.get("/metrics", &text)
	if strings.Contains(text, `turnout="`) {
		t.Errorf("expected no turnout's name, found one: %s", text)
	}
	d.halt()

	conf := configOf(m, dir)
	conf.Metrics.PerTurnout, conf.Metrics.MostTurnouts = true, 2
	d = serving(t, conf)
	d.get("/metrics", &text)
	for _, want := range []string{
		`throwline_turnout_alerts_open{turnout="ORR-W1"} 0`, `throwline_turnout_alerts_open{turnout="ORR-W3"} 1`, "throwline_turnouts_left_out 1",
		`throwline_turnout_is_learning{turnout="ORR-W1"} 1`, `throwline_turnout_last_throw_timestamp_seconds{turnout="ORR-W3"} 1.7`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("expected %s, found nothing of it", want)
		}
	}
	if strings.Contains(text, `turnout="ORR-W2"`) {
		t.Error("expected 2 turnouts, found the third")
	}
}
