package alerting

import (
	"crypto/sha256"
	"encoding/base32"
	"math"
	"slices"
	"strings"
	"time"

	"throwline/detect"
)

// ReopenWithin is how long after it has cleared a condition that stands again
// is the same alert. A week: a fault that ebbs with rain, with the cold of the
// nights or with a weekend without trains comes back within one, and so does
// what a visit did not cure; what is quiet for longer is judged as new, with a
// lead time of its own.
const ReopenWithin = 7 * 24 * time.Hour

// Past is what is known of a turnout's alerts.
type Past struct {
	Open    []Alert
	Recent  []Alert   // cleared no longer than ReopenWithin ago
	Visited time.Time // latest work at the turnout, zero where none is known
	// Criticality is the consequence of a failure, as in [Place].
	Criticality int
	// Quieter are alerts among Open of which [Step] has changed since when they
	// are quiet, and nothing else: no event, but to be kept.
	Quieter []Alert
}

// Visit returns the past with work done at a time.
func (p Past) Visit(at time.Time) Past {
	if at.After(p.Visited) {
		p.Visited = at
	}
	return p
}

// Step compares a turnout's alerts with what stands after a throw, and returns
// its alerts as they are now and what happened on the way. It changes none of
// its arguments. at is the throw's own time.
//
// A condition has one alert at a time. It is raised when it first stands,
// changed when what is said of it changes materially, cleared when it no
// longer stands. One that stands again soon is the same alert, raised again, and
// takes longer to clear the next time.
// Not so an odd throw: it is one throw, and two have nothing to do with each
// other.
func Step(p Past, turnout string, findings []detect.Finding, at time.Time) (now Past, events []Event) {
	now.Visited, now.Criticality = p.Visited, p.Criticality
	for _, f := range findings {
		if i := slices.IndexFunc(p.Open, func(a Alert) bool { return a.of(f) }); i >= 0 {
			a := p.Open[i]
			back := !a.QuietSince.IsZero()
			a.QuietSince = time.Time{}
			if a.moved(f, p.Criticality) {
				if a.moreSerious(f, p.Criticality) {
					a.call(at)
				}
				a.take(f, p.Criticality, at)
				events = append(events, Event{Changed, at, a})
			} else if back {
				now.Quieter = append(now.Quieter, a)
			}
			now.Open = append(now.Open, a)
			continue
		}
		a := Alert{ID: id(turnout, f, at), Turnout: turnout, Since: f.Since, RaisedAt: at}
		if was := recent(p.Recent, f, at); was != nil {
			a = *was
			a.reopen(p.Visited, at)
		}
		a.take(f, p.Criticality, at)
		now.Open = append(now.Open, a)
		events = append(events, Event{Raised, at, a})
	}
	stands := func(a Alert) bool {
		return slices.ContainsFunc(now.Open, func(b Alert) bool { return a.ID == b.ID })
	}
	for _, a := range p.Recent {
		if at.Sub(a.ClearedAt) <= ReopenWithin && !stands(a) {
			now.Recent = append(now.Recent, a)
		}
	}
	for _, a := range p.Open {
		if stands(a) {
			continue
		}
		since := a.QuietSince
		if since.IsZero() {
			a.QuietSince = at
		}
		if at.Sub(a.QuietSince) < a.lingers(p.Visited) {
			if since.IsZero() {
				now.Quieter = append(now.Quieter, a)
			}
			now.Open = append(now.Open, a)
			continue
		}
		a.ClearedAt, a.ChangedAt, a.QuietSince = at, at, time.Time{}
		if a.Condition != detect.OddThrow {
			now.Recent = append(now.Recent, a)
		}
		events = append(events, Event{Cleared, at, a})
	}
	return now, events
}

// lingers returns how long an alert whose condition no longer stands waits to be
// cleared. What has come back before has to prove for longer that it is gone: a
// day for every time, a week at most. Not so after work, which had a reason;
// and not what single throws or messages say, which is over when it is over.
func (a *Alert) lingers(visited time.Time) time.Duration {
	switch a.Condition {
	case detect.IncompleteThrow, detect.OddThrow, detect.CabinetSilent:
		return 0
	}
	if visited.After(a.LastCall()) {
		return 0
	}
	return min(time.Duration(a.Reopened)*24*time.Hour, ReopenWithin)
}

// of reports whether the alert is of the finding's condition.
func (a *Alert) of(f detect.Finding) bool {
	return a.Condition == f.Condition && (a.To == f.To || f.Condition != detect.OddThrow)
}

// recent returns the alert that stands again with the finding: the one that
// cleared last, or nil.
func recent(list []Alert, f detect.Finding, at time.Time) (last *Alert) {
	if f.Condition == detect.OddThrow {
		return nil
	}
	for i := range list {
		a := &list[i]
		if a.of(f) && at.Sub(a.ClearedAt) <= ReopenWithin && (last == nil || a.ClearedAt.After(last.ClearedAt)) {
			last = a
		}
	}
	return last
}

// reopen makes a cleared alert stand again. When it was first raised is kept.
func (a *Alert) reopen(visited, at time.Time) {
	a.LeftAt, a.ClearedAt = a.ClearedAt, time.Time{}
	a.Reopened++
	a.ReopenedAt = at
	a.VisitedAt = time.Time{}
	if visited.After(a.RaisedAt) && !visited.After(at) {
		a.VisitedAt = visited
	}
	a.call(at)
}

func (a *Alert) call(at time.Time) {
	a.Call++
	a.CalledAt = at
}

// id is made of what raised the alert, so that every replay gives the same.
func id(turnout string, f detect.Finding, at time.Time) string {
	h := sha256.Sum256([]byte(strings.Join([]string{turnout, string(f.Condition), f.To.String(), at.UTC().Format(time.RFC3339Nano)}, "\x00")))
	return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(h[:10]))
}

func (a *Alert) take(f detect.Finding, criticality int, at time.Time) {
	a.Condition, a.To, a.Drive = f.Condition, f.To, f.Drive
	a.Causes, a.ChangePercent, a.ThrowID, a.Forecast = f.Causes, f.ChangePercent, f.ThrowID, f.Forecast
	a.Priority = PriorityOf(f.Urgency, criticality)
	a.ChangedAt = at
}

// moreSerious reports whether a finding of an alert that stands calls for
// attention again, whoever has seen it: a higher priority, or a further throw
// that did not complete.
func (a *Alert) moreSerious(f detect.Finding, criticality int) bool {
	return PriorityOf(f.Urgency, criticality).Rank() < a.Priority.Rank() || f.Condition == detect.IncompleteThrow && f.Fresh
}

// moved reports whether the finding says materially more than the alert: a
// higher priority, another first cause, another end, a change half as large
// again, or a further throw that did not complete. What ebbs is not news.
func (a *Alert) moved(f detect.Finding, criticality int) bool {
	switch {
	case a.moreSerious(f, criticality), a.To != f.To && a.To != 0,
		a.otherCause(f.Causes), a.nearer(f.Forecast):
		return true
	}
	return math.Abs(f.ChangePercent) > 1.5*math.Abs(a.ChangePercent) && math.Abs(f.ChangePercent) > math.Abs(a.ChangePercent)+5
}

// nearer reports whether the forecast says half the time that was told, or speaks for the first time.
func (a *Alert) nearer(f *detect.Forecast) bool {
	return f != nil && (a.Forecast == nil || f.P50 < a.Forecast.P50/2)
}

// clearer is by how much another cause must be more probable to be news: two
// that are about as likely change places often.
const clearer = 0.25

func (a *Alert) otherCause(now []detect.Cause) bool {
	if len(a.Causes) == 0 || len(now) == 0 || now[0].Cause == a.Causes[0].Cause {
		return false
	}
	left := 0.0
	for _, c := range now {
		if c.Cause == a.Causes[0].Cause {
			left = c.Probability
		}
	}
	return now[0].Probability > left+clearer
}
