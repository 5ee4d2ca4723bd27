package notify

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

const (
	atOnce    = 500             // alerts in one request
	trialTime = 5 * time.Minute // after which a trial ends by itself
)

// alertmanager speaks its API, version 2. An alert is known there by its
// labels alone, so they are few and steady; what is said of it is in the
// annotations.
type alertmanager struct {
	c    *Alertmanager
	post *poster
	now  func() time.Time
}

type amAlert struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations,omitempty"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// Every is the configured interval: an Alertmanager that was started anew
// knows nothing until then.
func (a *alertmanager) Every() time.Duration { return a.c.every() }

// Send tells every Alertmanager of the cluster: they do not tell each other.
// While one of them lacks it, it returns a failure; telling the others again
// changes nothing there.
func (a *alertmanager) Send(ctx context.Context, m alerting.Message, _ []Picture) error {
	alert := a.alert(&m)
	return a.all(func(base string) *Failure {
		out := []amAlert{alert}
		if m.Reason != alerting.NewAlert && m.Reason != alerting.Trial {
			others, f := a.others(ctx, base, &alert)
			if f != nil {
				return f
			}
			out = append(out, others...)
		}
		return a.tell(ctx, base, out)
	})
}

// Repeat tells again of what stands. An open alert ends by itself when nothing
// is heard of it for the time of the configuration, whatever Alertmanager's own
// resolve_timeout is.
func (a *alertmanager) Repeat(ctx context.Context, standing []alerting.Message) error {
	var out []amAlert
	for i := range standing {
		out = append(out, a.alert(&standing[i]))
	}
	return a.all(func(base string) *Failure {
		for rest := out; len(rest) > 0; {
			n := min(len(rest), atOnce)
			if f := a.tell(ctx, base, rest[:n]); f != nil {
				return f
			}
			rest = rest[n:]
		}
		return nil
	})
}

// all does something at all URLs at once, so that one that hangs holds up no other.
func (a *alertmanager) all(do func(base string) *Failure) error {
	failures := make([]*Failure, len(a.c.URLs))
	var wg sync.WaitGroup
	for i, base := range a.c.URLs {
		wg.Go(func() { failures[i] = do(strings.TrimSuffix(base, "/")) })
	}
	wg.Wait()
	var found []*Failure
	for _, f := range failures {
		if f != nil {
			found = append(found, f)
		}
	}
	return together(found)
}

func (a *alertmanager) tell(ctx context.Context, base string, alerts []amAlert) *Failure {
	b, err := json.Marshal(alerts)
	if err != nil {
		return permanent("the alert as JSON: %w", err)
	}
	_, f := a.post.do(ctx, http.MethodPost, base+"/api/v2/alerts", a.header(), b, false)
	return f
}

func (a *alertmanager) header() http.Header {
	h := http.Header{"Content-Type": {"application/json"}, "Accept": {"application/json"}}
	if a.c.Username != "" {
		r := http.Request{Header: h}
		r.SetBasicAuth(a.c.Username, a.c.Password)
	}
	return h
}

// others returns what an Alertmanager holds of the same alert under other
// labels, ended: its priority, or the area of its turnout, has changed.
func (a *alertmanager) others(ctx context.Context, base string, now *amAlert) ([]amAlert, *Failure) {
	q := url.Values{}
	for _, name := range []string{"alertname", "turnout", "cabinet", "condition", "to"} {
		quoted, err := json.Marshal(now.Labels[name])
		if err != nil {
			return nil, permanent("a label as JSON: %w", err)
		}
		q.Add("filter", name+"="+string(quoted))
	}
	b, f := a.post.do(ctx, http.MethodGet, base+"/api/v2/alerts?"+q.Encode(), a.header(), nil, true)
	if f != nil {
		return nil, f
	}
	var held []amAlert
	if err := json.Unmarshal(b, &held); err != nil {
		return nil, temporary("%s: expected alerts in JSON, found %d bytes of something else: %w", site(base), len(b), err)
	}
	var out []amAlert
	for _, h := range held {
		if !same(h.Labels, now.Labels) {
			h.EndsAt = a.now()
			out = append(out, h)
		}
	}
	return out, nil
}

// same compares our labels; Alertmanager adds none of its own.
func same(x, y map[string]string) bool {
	if len(x) != len(y) {
		return false
	}
	for k, v := range x {
		if y[k] != v {
			return false
		}
	}
	return true
}

func (a *alertmanager) alert(m *alerting.Message) amAlert {
	w := Write(*m, nil)
	now := a.now()
	out := amAlert{
		Labels:       labels(m),
		Annotations:  map[string]string{},
		StartsAt:     m.Alert.RaisedAt,
		EndsAt:       now.Add(a.c.keep()),
		GeneratorURL: w.Link,
	}
	for name, text := range map[string]string{
		"summary":     w.Subject,
		"description": w.Reason,
		"news":        w.News,
		"causes":      strings.Join(w.Causes, "; "),
		"evidence":    strings.Join(w.Evidence, " "),
		"checks":      strings.Join(w.Checks, " "),
		"forecast":    w.Forecast,
		"note":        w.Note,
		"caution":     w.Caution,
		"alert":       oneLine(m.Alert.ID, longName),
	} {
		if text != "" {
			out.Annotations[name] = text
		}
	}
	if m.Reason == alerting.Trial {
		out.StartsAt, out.EndsAt = now, now.Add(trialTime)
		return out
	}
	if out.StartsAt.IsZero() || out.StartsAt.After(now) {
		out.StartsAt = now // a cabinet's clock may be ahead of ours
	}
	if !m.Alert.Open() {
		out.EndsAt = now
		if m.Alert.ClearedAt.Before(now) {
			out.EndsAt = m.Alert.ClearedAt
		}
		if !out.EndsAt.After(out.StartsAt) {
			out.EndsAt = out.StartsAt.Add(time.Millisecond) // it may not end before it starts
		}
	}
	return out
}

func labels(m *alerting.Message) map[string]string {
	a := &m.Alert
	if m.Reason == alerting.Trial {
		return map[string]string{"alertname": "ThrowlineTrial", "priority": string(alerting.Low)}
	}
	out := map[string]string{"alertname": alertName(a.Condition)}
	set := func(name, value string) {
		if value = oneLine(value, longName); value != "" {
			out[name] = value
		}
	}
	set("turnout", a.Turnout)
	set("cabinet", a.Cabinet) // of one that is silent, and has no turnout
	set("area", m.Place.Area)
	set("line", m.Place.Line)
	set("condition", string(a.Condition))
	set("priority", string(a.Priority))
	if a.Condition == detect.OddThrow {
		set("to", a.To.String()) // the only condition that each end has for itself
	}
	return out
}

// alertName is like ThrowlineStiffening.
func alertName(c detect.Condition) string {
	var b strings.Builder
	b.WriteString("Throwline")
	for part := range strings.SplitSeq(oneLine(string(c), longName), "-") {
		b.WriteString(capital(part))
	}
	return b.String()
}
