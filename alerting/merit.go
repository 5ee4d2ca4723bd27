package alerting

import (
	"cmp"
	"slices"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// Merit is how good the alerts have been here, by what people have said of
// them. It knows nothing of faults that nobody ever saw.
type Merit struct {
	Alerts     int `json:"alerts"`
	True       int `json:"true" doc:"there was something"`
	False      int `json:"false" doc:"there was nothing"`
	Unanswered int `json:"unanswered" doc:"nobody has said"`
	// TrueShare is of those that were answered, nil where none was.
	TrueShare *float64 `json:"true_share,omitempty" doc:"of those that were answered"`

	// Failures are true alerts that a throw did not complete; a warning is any
	// other alert of the turnout that was raised before and stood, or had stood
	// within a week.
	Failures int   `json:"failures" doc:"spells of throws that did not complete, but for those that were judged to be nothing"`
	Warned   int   `json:"warned" doc:"of these, with an alert before"`
	Failing  *Lead `json:"lead_to_failure,omitempty" doc:"from the first warning to the throw that did not complete"`
	Visited  *Lead `json:"lead_to_visit,omitempty" doc:"from a true alert to the visit, where no throw failed to complete before it"`

	Causes int `json:"causes" doc:"true alerts of which the cause was said, and was known to the program"`
	First  int `json:"first" doc:"of these, the most probable cause was right"`
	Two    int `json:"two" doc:"of these, one of the two most probable was"`
}

// Lead is some lengths of time, in days.
type Lead struct {
	N      int     `json:"n"`
	Low    float64 `json:"days_p25"`
	Median float64 `json:"days_p50"`
	High   float64 `json:"days_p75"`
}

// MeritOf measures the alerts, open and cleared, by the verdicts among their
// handlings, by alert, and the work at their turnouts. It asks for whole lives:
// an alert that is left out warned of nothing. What was raised counts once,
// however often it stood again.
//
// An odd throw is one throw and warns of nothing; it counts among the verdicts
// alone.
func MeritOf(alerts []Alert, handlings map[string]Handling, work []ingest.Work) Merit {
	var m Merit
	of, visits := map[string][]*Alert{}, map[string][]time.Time{}
	for i := range alerts {
		of[alerts[i].Turnout] = append(of[alerts[i].Turnout], &alerts[i])
	}
	for _, w := range work {
		visits[w.Turnout] = append(visits[w.Turnout], w.DoneAt)
	}
	var failing, visited []float64
	for i := range alerts {
		a := &alerts[i]
		found := handlings[a.ID].Found
		m.Alerts++
		switch {
		case found == nil:
			m.Unanswered++
		case found.True:
			m.True++
			m.causes(a, found.Cause)
		default:
			m.False++
		}
		switch {
		case a.Condition == detect.IncompleteThrow && (found == nil || found.True):
			m.Failures++
			if at, ok := warned(of[a.Turnout], handlings, a.RaisedAt); ok {
				m.Warned++
				failing = append(failing, days(a.RaisedAt.Sub(at)))
			}
		case warns(a) && found != nil && found.True:
			if at, ok := firstAfter(visits[a.Turnout], a.RaisedAt, a.ClearedAt); ok && !failedWithin(of[a.Turnout], handlings, a.RaisedAt, at) {
				visited = append(visited, days(at.Sub(a.RaisedAt)))
			}
		}
	}
	if n := m.True + m.False; n > 0 {
		share := float64(m.True) / float64(n)
		m.TrueShare = &share
	}
	m.Failing, m.Visited = lead(failing), lead(visited)
	return m
}

func (m *Merit) causes(a *Alert, was detect.CauseName) {
	if was == "" || was == detect.UnknownCause {
		return
	}
	m.Causes++
	for i, c := range a.Causes[:min(2, len(a.Causes))] {
		if c.Cause == was {
			m.Two++
			if i == 0 {
				m.First++
			}
		}
	}
}

// warns reports whether the alert is of a condition that comes before a failure.
func warns(a *Alert) bool {
	return a.Condition != detect.IncompleteThrow && a.Condition != detect.OddThrow && a.Condition != detect.CabinetSilent
}

// warned returns when the earliest warning of a failure was raised. One that
// was judged to be nothing is none.
func warned(its []*Alert, handlings map[string]Handling, failed time.Time) (first time.Time, ok bool) {
	for _, w := range its {
		f := handlings[w.ID].Found
		if !warns(w) || !w.RaisedAt.Before(failed) || f != nil && !f.True || !w.Open() && w.ClearedAt.Add(ReopenWithin).Before(failed) {
			continue
		}
		if !ok || w.RaisedAt.Before(first) {
			first, ok = w.RaisedAt, true
		}
	}
	return first, ok
}

// firstAfter returns the first of the visits while an alert stood, or within a
// week after: what clears with the visit is often cleared by its first throws.
func firstAfter(visits []time.Time, raised, cleared time.Time) (first time.Time, ok bool) {
	for _, v := range visits {
		if v.After(raised) && (cleared.IsZero() || !v.After(cleared.Add(ReopenWithin))) && (!ok || v.Before(first)) {
			first, ok = v, true
		}
	}
	return first, ok
}

func failedWithin(its []*Alert, handlings map[string]Handling, from, to time.Time) bool {
	return slices.ContainsFunc(its, func(a *Alert) bool {
		f := handlings[a.ID].Found
		return a.Condition == detect.IncompleteThrow && (f == nil || f.True) && a.RaisedAt.After(from) && a.RaisedAt.Before(to)
	})
}

func days(d time.Duration) float64 { return d.Hours() / 24 }

// lead returns the quartiles, between neighbours in proportion, nil of nothing.
func lead(list []float64) *Lead {
	if len(list) == 0 {
		return nil
	}
	slices.SortFunc(list, cmp.Compare[float64])
	at := func(q float64) float64 {
		x := q * float64(len(list)-1)
		i := int(x)
		return list[i] + (x-float64(i))*(list[min(i+1, len(list)-1)]-list[i])
	}
	return &Lead{len(list), at(0.25), at(0.5), at(0.75)}
}
