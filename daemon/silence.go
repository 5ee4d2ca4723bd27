package daemon

import (
	"fmt"
	"sync"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Whether a cabinet is silent is judged by what it says of itself, or the
// broker in its place, and by how often it sends: throws come in no order, so
// that a gap of many usual ones is no chance. A cabinet that was always rare is
// given longer.
const (
	gapsSilent = 12            // usual gaps
	leastQuiet = 6 * time.Hour // a night without a train is no silence
	gapWeight  = 50            // throws over which the usual gap is the mean
)

// rhythm is how often a cabinet sends.
type rhythm struct {
	heard time.Time     // the latest throw's arrival
	left  time.Time     // when it was first said, since it was heard, that it is offline
	back  time.Time     // when it last said that it is online
	gap   time.Duration // usual, between throws
	n     int
}

// hearing is who was heard when. It is apart from what is committed: a throw
// that comes twice was heard twice.
type hearing struct {
	mu       sync.Mutex
	cabinets map[string]rhythm
	since    time.Time // that we listen: before, nobody could be heard
}

// heard notes that a cabinet was heard once, long ago maybe.
func (h *hearing) heard(cabinet string, at time.Time) {
	if cabinet == "" {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.cabinets == nil {
		h.cabinets = map[string]rhythm{}
	}
	r := h.cabinets[cabinet]
	if at.After(r.heard) {
		r.heard = at
	}
	h.cabinets[cabinet] = r
}

// listening notes since when cabinets can be heard. A time that has not come is
// that of a clock that was put back since.
func (h *hearing) listening(since, now time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.since.After(now) {
		h.since = now
	}
	if since.After(h.since) && !since.After(now) {
		h.since = since
	}
}

// said notes that a cabinet, or the broker in its place, has said whether it is
// there. news: it is another word than the last.
func (h *hearing) said(cabinet string, online, news bool, at time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.cabinets == nil {
		h.cabinets = map[string]rhythm{}
	}
	r := h.cabinets[cabinet]
	switch {
	case online && news:
		r.back = at
	case !online && (r.left.IsZero() || r.heard.After(r.left)):
		r.left = at
	}
	h.cabinets[cabinet] = r
}

func (h *hearing) hear(cabinet string, at time.Time) {
	if cabinet == "" {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.cabinets == nil {
		h.cabinets = map[string]rhythm{}
	}
	r := h.cabinets[cabinet]
	if gap := at.Sub(r.heard); r.n > 0 && gap > 0 {
		r.gap += (gap - r.gap) / time.Duration(min(r.n, gapWeight))
	}
	if at.After(r.heard) {
		r.heard = at
	}
	r.n++
	h.cabinets[cabinet] = r
}

// quiet returns since when a cabinet has been silent, and why that is thought;
// the zero time: it is not.
func (h *hearing) quiet(c *ingest.CabinetState, set *SilenceConfig, now time.Time) (since time.Time, why string) {
	r, listens := h.of(c.Cabinet, now)
	if !c.Online && !c.At.IsZero() {
		if now.Sub(c.At) > time.Duration(set.Offline) && !r.heard.After(c.At) {
			return c.At, "it is offline since " + stampOf(c.At)
		}
		// The broker's word in its place bears the time of the connection.
		if now.Sub(r.left) > time.Duration(set.Offline) && !r.left.IsZero() && !r.heard.After(r.left) {
			since = latest(c.At, r.heard)
			return since, "it is offline, and nothing has come of it since " + stampOf(since)
		}
	}
	if r.heard.IsZero() {
		return time.Time{}, ""
	}
	limit := time.Duration(set.Quiet)
	if r.n > gapWeight {
		limit = min(limit, max(leastQuiet, gapsSilent*r.gap))
	}
	if c.Online && !c.At.IsZero() {
		limit = time.Duration(set.Quiet) // it says that it is there
	}
	if now.Sub(latest(r.heard, listens)) <= limit {
		return time.Time{}, ""
	}
	why = "nothing has come of it since " + stampOf(r.heard)
	if r.n > gapWeight {
		why += fmt.Sprintf("; a throw used to come every %s", about(r.gap))
	}
	return r.heard, why
}

// of returns what is known of a cabinet, and since when we listen. A throw that
// was heard at a time that has not come was heard by a clock that was put back.
func (h *hearing) of(cabinet string, now time.Time) (r rhythm, since time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if r = h.cabinets[cabinet]; r.heard.After(now) {
		r.heard = now
		h.cabinets[cabinet] = r
	}
	return r, h.since
}

// silent is quiet for a cabinet with these open alerts: one that was told to be
// silent is so until it is heard of. That we begin to listen anew is no sign of it.
func (h *hearing) silent(c *ingest.CabinetState, open []alerting.Alert, set *SilenceConfig, now time.Time) (since time.Time, why string) {
	since, why = h.quiet(c, set, now)
	if !since.IsZero() || len(open) == 0 {
		return since, why
	}
	r, _ := h.of(c.Cabinet, now)
	if told := open[0].LastCall(); !r.heard.Before(told) || !r.back.Before(told) {
		return time.Time{}, ""
	}
	return open[0].Since, "nothing has come of it since " + stampOf(open[0].Since)
}

func stampOf(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 MST") }

// about writes a duration as people say it.
func about(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f seconds", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f minutes", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f hours", d.Hours())
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// watched returns every cabinet that was ever heard, or said that it was there.
func (d *Daemon) watched() []ingest.CabinetState {
	list := d.Cabinets()
	said := make(map[string]bool, len(list))
	for i := range list {
		said[list[i].Cabinet] = true
	}
	d.clerk.hearing.mu.Lock()
	defer d.clerk.hearing.mu.Unlock()
	for name := range d.clerk.cabinets {
		if !said[name] {
			list = append(list, ingest.CabinetState{Cabinet: name})
		}
	}
	return list
}

// silences returns the cabinets whose alert has to change.
func (d *Daemon) silences() (cabinets []ingest.CabinetState) {
	now := d.Now()
	link := d.session.Status()
	if !link.Subscribed {
		return nil // it is we who hear nothing
	}
	d.clerk.listening(link.Since, now)
	if d.spark != nil {
		spark, _ := d.spark.Status()
		if !spark.Subscribed {
			return nil
		}
		d.clerk.listening(spark.Since, now)
	}
	d.clerk.mu.RLock()
	defer d.clerk.mu.RUnlock()
	for _, c := range d.watched() {
		open := d.clerk.silent[c.Cabinet].Open
		since, _ := d.clerk.hearing.silent(&c, open, &d.settings.Load().Silence, now)
		if since.IsZero() == (len(open) > 0) {
			cabinets = append(cabinets, c)
		}
	}
	return cabinets
}

// hush raises or clears the alerts of silent cabinets. "No data" clears nothing
// else: what stood at the turnouts of a silent cabinet still stands.
func (d *Daemon) hush(f *filer, tx entries, made *draft, cabinets []ingest.CabinetState) error {
	v := f.view(made)
	for _, c := range cabinets {
		past, known := made.papers.silent[c.Cabinet]
		if !known {
			past = f.clerk.silent[c.Cabinet]
		}
		var findings []detect.Finding
		if since, why := f.clerk.hearing.silent(&c, past.Open, &d.settings.Load().Silence, v.at); !since.IsZero() {
			findings = []detect.Finding{{
				Condition: detect.CabinetSilent, Since: since, Urgency: 0.4,
				Causes: []detect.Cause{{
					Cause: detect.UnknownCause, Probability: 1, Evidence: []string{why + "; its turnouts are not watched meanwhile"},
					Checks: []string{"ask whether the cabinet is switched off or cut off on purpose", "check its power, its link and the broker's log"},
				}},
			}}
		}
		past, events := alerting.Step(past, "cabinet "+c.Cabinet, findings, v.at)
		for _, list := range [][]alerting.Alert{past.Open, past.Recent} {
			for i := range list {
				if list[i].Cabinet == "" { // others may be reading those that have it
					list[i].Turnout, list[i].Cabinet = "", c.Cabinet
				}
			}
		}
		for i := range events {
			events[i].Alert.Turnout, events[i].Alert.Cabinet = "", c.Cabinet
		}
		if made.papers.silent == nil {
			made.papers.silent = map[string]alerting.Past{}
		}
		made.papers.silent[c.Cabinet] = past
		if err := f.transitions(tx, made, events, false); err != nil {
			return fmt.Errorf("silence of cabinet %q: %w", c.Cabinet, err)
		}
	}
	return nil
}

// silenced splits the open alerts of cabinets from those of turnouts.
func silenced(open []alerting.Alert) (turnouts []alerting.Alert, cabinets map[string]alerting.Past) {
	cabinets = map[string]alerting.Past{}
	for _, a := range open {
		if a.Cabinet == "" {
			turnouts = append(turnouts, a)
			continue
		}
		p := cabinets[a.Cabinet]
		p.Open = append(p.Open, a)
		cabinets[a.Cabinet] = p
	}
	return turnouts, cabinets
}
