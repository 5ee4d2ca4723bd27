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

// Step compares the open alerts of a turnout with what stands after a throw,
// and returns the alerts that are open now and what happened on the way. It
// changes neither argument. at is the throw's own time.
//
// A condition has one alert at a time. It is raised when it first stands,
// changed when what is said of it changes materially, cleared when it no
// longer stands.
func Step(open []Alert, turnout string, findings []detect.Finding, at time.Time) (next []Alert, events []Event) {
	for _, f := range findings {
		i := slices.IndexFunc(open, func(a Alert) bool {
			return a.Condition == f.Condition && a.To == f.To && f.Condition == detect.OddThrow
		})
		if f.Condition != detect.OddThrow {
			i = slices.IndexFunc(open, func(a Alert) bool { return a.Condition == f.Condition })
		}
		if i < 0 {
			a := Alert{ID: id(turnout, f, at), Turnout: turnout, Since: f.Since, RaisedAt: at}
			a.take(f, at)
			next = append(next, a)
			events = append(events, Event{Raised, at, a})
			continue
		}
		a := open[i]
		if a.moved(f) {
			a.take(f, at)
			events = append(events, Event{Changed, at, a})
		}
		next = append(next, a)
	}
	for _, a := range open {
		if slices.ContainsFunc(next, func(b Alert) bool { return a.ID == b.ID }) {
			continue
		}
		a.ClearedAt, a.ChangedAt = at, at
		events = append(events, Event{Cleared, at, a})
	}
	return next, events
}

// id is made of what raised the alert, so that every replay gives the same.
func id(turnout string, f detect.Finding, at time.Time) string {
	h := sha256.Sum256([]byte(strings.Join([]string{turnout, string(f.Condition), f.To.String(), at.UTC().Format(time.RFC3339Nano)}, "\x00")))
	return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(h[:10]))
}

func (a *Alert) take(f detect.Finding, at time.Time) {
	a.Condition, a.To, a.Drive = f.Condition, f.To, f.Drive
	a.Causes, a.ChangePercent, a.ThrowID, a.Forecast = f.Causes, f.ChangePercent, f.ThrowID, f.Forecast
	a.Priority = priority(f)
	a.ChangedAt = at
}

// moved reports whether the finding says materially more than the alert: a
// higher priority, another first cause, another end, a change half as large
// again, or a further throw that did not complete. What ebbs is not news.
func (a *Alert) moved(f detect.Finding) bool {
	switch {
	case priority(f).Rank() < a.Priority.Rank(),
		f.Condition == detect.IncompleteThrow && f.Fresh,
		a.To != f.To && a.To != 0:
		return true
	case a.otherCause(f.Causes), a.nearer(f.Forecast):
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

// priority follows the urgency of the finding.
func priority(f detect.Finding) Priority {
	switch {
	case f.Urgency >= 0.75:
		return High
	case f.Urgency >= 0.3:
		return Medium
	}
	return Low
}
