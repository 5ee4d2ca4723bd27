package notify

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

// startAlertmanager runs the Alertmanager of this machine, and returns its URL.
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
	cmd := exec.Command(path, "--config.file="+conf, "--storage.path="+dir, "--web.listen-address="+address, "--cluster.listen-address=")
	var said strings.Builder
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // killed is an error too
	})
	for range 500 {
		if r, err := plainHTTP.Get("http://" + address + "/-/ready"); err == nil {
			_ = r.Body.Close()
			if r.StatusCode == http.StatusOK {
				return "http://" + address
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("alertmanager does not listen on %s", address)
	return ""
}

var plainHTTP = &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 30 * time.Second}

// firing reads back what an Alertmanager holds.
func firing(t *testing.T, base string) []amAlert {
	t.Helper()
	r, err := plainHTTP.Get(base + "/api/v2/alerts")
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	var out []amAlert
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatalf("%v in %s", err, b)
	}
	return out
}

// settles waits until an Alertmanager holds n alerts: it takes them in behind its answer.
func settles(t *testing.T, base string, n int) []amAlert {
	t.Helper()
	var now []amAlert
	for range 250 {
		if now = firing(t, base); len(now) == n {
			return now
		}
		time.Sleep(20 * time.Millisecond)
	}
	t.Fatalf("%s: expected %d alerts, found %d: %v", base, n, len(now), now)
	return nil
}

func toAlertmanagers(t *testing.T, urls ...string) *alertmanager {
	t.Helper()
	target, err := New("am", &Config{Alertmanager: &Alertmanager{URLs: urls, Timeout: 30 * time.Second}}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return target.(*alertmanager)
}

func TestAlertmanagerReal(t *testing.T) {
	one, two := startAlertmanager(t), startAlertmanager(t)
	target := toAlertmanagers(t, one, two+"/")
	m := stiff()
	m.At = time.Now()
	m.Alert.RaisedAt = m.At.Add(-time.Minute).UTC().Truncate(time.Millisecond)
	m.Alert.Priority = alerting.Medium
	m.Alert.Turnout = `W"12\`
	if err := target.Send(t.Context(), m, nil); err != nil {
		t.Fatal(err)
	}
	for _, base := range []string{one, two} {
		a := settles(t, base, 1)[0]
		want := map[string]string{"alertname": "ThrowlineStiffening", "turnout": `W"12\`, "area": "Northyard", "line": "L1", "condition": "stiffening", "priority": "medium"}
		if !same(a.Labels, want) {
			t.Errorf("expected the labels %v, found %v", want, a.Labels)
		}
		if !a.StartsAt.Equal(m.Alert.RaisedAt) || a.EndsAt.Before(time.Now().Add(50*time.Minute)) || a.GeneratorURL != m.Link {
			t.Errorf("found %s to %s, %s", a.StartsAt, a.EndsAt, a.GeneratorURL)
		}
		if !strings.HasPrefix(a.Annotations["summary"], "Medium: W") || a.Annotations["causes"] == "" || a.Annotations["caution"] == "" {
			t.Errorf("found %v", a.Annotations)
		}
	}
	// Higher priority, another area: still one alert.
	m.Reason, m.Alert.Priority, m.Place.Area = alerting.MoreSerious, alerting.High, "Southyard"
	if err := target.Send(t.Context(), m, nil); err != nil {
		t.Fatal(err)
	}
	if a := settles(t, one, 1)[0]; a.Labels["priority"] != "high" || a.Labels["area"] != "Southyard" {
		t.Errorf("found %v", a.Labels)
	}
	// An odd throw has an alert for each end; another turnout's stays untouched.
	odd := m
	odd.Alert.Condition = detect.OddThrow
	if err := target.Send(t.Context(), odd, nil); err != nil {
		t.Fatal(err)
	}
	other := m
	other.Alert.Turnout, other.Reason = "W13", alerting.NewAlert
	if err := target.Send(t.Context(), other, nil); err != nil {
		t.Fatal(err)
	}
	settles(t, two, 3)
	m.Reason, m.Alert.ClearedAt = alerting.NoLonger, time.Now()
	if err := target.Send(t.Context(), m, nil); err != nil {
		t.Fatal(err)
	}
	for _, base := range []string{one, two} {
		for _, a := range settles(t, base, 2) {
			if a.Labels["turnout"] != "W13" && a.Labels["condition"] != "odd-throw" {
				t.Errorf("found %v still", a.Labels)
			}
		}
	}
}

// What stands is told again, many at once, to one that was started anew.
func TestAlertmanagerRepeat(t *testing.T) {
	base := startAlertmanager(t)
	target := toAlertmanagers(t, base)
	var r Repeater = target
	if r.Every() != 3*time.Minute {
		t.Errorf("expected 3 min, found %s", r.Every())
	}
	var all []alerting.Message
	for i := range 2*atOnce + 1 {
		m := stiff()
		m.Alert.Turnout = fmt.Sprint("W", i)
		all = append(all, m)
	}
	if err := r.Repeat(t.Context(), all); err != nil {
		t.Fatal(err)
	}
	settles(t, base, len(all))
	// Heard of no more, one ends by itself.
	short := toAlertmanagers(t, startAlertmanager(t))
	short.c.Keep = 700 * time.Millisecond
	if err := short.Repeat(t.Context(), all[:1]); err != nil {
		t.Fatal(err)
	}
	settles(t, short.c.URLs[0], 0)
	trial := stiff()
	trial.Reason = alerting.Trial
	if err := short.Send(t.Context(), trial, nil); err != nil {
		t.Fatal(err)
	}
	if a := settles(t, short.c.URLs[0], 1)[0]; a.Labels["alertname"] != "ThrowlineTrial" {
		t.Errorf("found %v", a.Labels)
	}
}

// One of a cluster that is down does not keep the message from the others, and
// is not forgotten either.
func TestAlertmanagerPartly(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_ = l.Close()
	base := startAlertmanager(t)
	f := failure(t, toAlertmanagers(t, "http://"+l.Addr().String(), base).Send(t.Context(), stiff(), nil))
	if f.Permanent || !strings.Contains(f.Error(), l.Addr().String()) {
		t.Errorf("found %v", f)
	}
	settles(t, base, 1)
	// One that was told of nothing tells why it takes nothing.
	bad := toAlertmanagers(t, base+"/nowhere")
	if f := failure(t, bad.Send(t.Context(), stiff(), nil)); !f.Permanent {
		t.Errorf("found %v", f)
	}
}
