// Package score holds the alerts of a replay against what is known to have
// been wrong, and says how early, how quiet and how right they were.
//
// [ReadTruth] reads what is known. A [Tally] is told what a replay goes
// through; it gives the [Result], which prints itself as a table, and draws a
// [Picture] of each fault and each false alert.
package score

import (
	"slices"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

// Fault is one fault of the truth: hidden from Onset on, felt by the railway
// at Failure, mended at Repaired. A zero Failure never came; a zero Repaired
// was not mended within the recording.
type Fault struct {
	Turnout  string    `json:"turnout"`
	Cause    string    `json:"cause"`
	Onset    time.Time `json:"onset"`
	Failure  time.Time `json:"failure"`
	Repaired time.Time `json:"repaired"`
	Note     string    `json:"detectable_note"` // what it does to the trace, in words; may be empty
}

// over returns when the fault was mended, or end where it was not.
func (f *Fault) over(end time.Time) time.Time {
	if f.Repaired.IsZero() {
		return end
	}
	return f.Repaired
}

// Truth is what is known of a recording.
type Truth struct {
	Start, End time.Time
	Turnouts   map[string]string // kind of drive by turnout
	Faults     []Fault
}

// Case is what was said of one fault.
type Case struct {
	Fault
	Kind      string // of drive
	Warned    time.Time
	Condition detect.Condition
	First     []detect.Cause // when first warned
	Last      []detect.Cause // as last said before the failure
	Left      float64        // share of the time from onset to failure that was left when warned
	Change    float64        // percent, when first warned
}

// rank returns the place of the fault's cause in a list, 0 for the first, -1 for none.
func (c *Case) rank(list []detect.Cause) int {
	return slices.IndexFunc(list, func(x detect.Cause) bool { return string(x.Cause) == c.Cause })
}

// Guess is a forecast that can be checked: the failure it spoke of came.
type Guess struct {
	Turnout string
	At      time.Time
	detect.Forecast
	Days float64 // from the forecast to the failure
}

// Result is the score of a recording. Results of several recordings can be
// added up with [Result.Add].
type Result struct {
	Cases  []Case
	False  []alerting.Event // warnings of turnouts that had nothing
	Odd    int              // odd throws raised, apart from the warnings
	Years  float64          // turnout-years
	Wanted int              // failures

	Guesses []Guess // in the order of the events

	// Of a [Tally] only, which is told the throws.
	Incomplete Told // throws that did not complete
	Failed     Told // of them, those from a fault's failure to its repair
}

// Told counts throws, and those that an alert told of when they happened.
type Told struct{ Throws, Alerted int }

// Add adds another recording's result.
func (r *Result) Add(o *Result) {
	r.Cases, r.False, r.Guesses = append(r.Cases, o.Cases...), append(r.False, o.False...), append(r.Guesses, o.Guesses...)
	r.Odd, r.Years, r.Wanted = r.Odd+o.Odd, r.Years+o.Years, r.Wanted+o.Wanted
	r.Incomplete.Throws, r.Incomplete.Alerted = r.Incomplete.Throws+o.Incomplete.Throws, r.Incomplete.Alerted+o.Incomplete.Alerted
	r.Failed.Throws, r.Failed.Alerted = r.Failed.Throws+o.Failed.Throws, r.Failed.Alerted+o.Failed.Alerted
}

// grace is how long after a repair an alert of the fault may still stand or
// come: its traces may arrive late.
const grace = 3 * 24 * time.Hour

// warning reports whether a condition warns of what is to come; an incomplete
// throw is the failure itself, an odd throw is odd and no more.
func warning(c detect.Condition) bool {
	return c != detect.IncompleteThrow && c != detect.OddThrow && c != detect.CabinetSilent
}

// Score holds events, in their order, against the truth. A fault is warned of
// by the first warning that is raised or changed from its onset to its
// failure. A warning of a fault that did not fail counts neither for nor
// against; one that is raised while nothing is wrong is false.
func Score(t *Truth, events []alerting.Event) *Result {
	r := &Result{Years: float64(len(t.Turnouts)) * t.End.Sub(t.Start).Hours() / 24 / 365.25}
	of := map[string][]*Case{}
	for _, f := range t.Faults {
		r.Cases = append(r.Cases, Case{Fault: f, Kind: t.Turnouts[f.Turnout]})
	}
	for i := range r.Cases {
		c := &r.Cases[i]
		of[c.Turnout] = append(of[c.Turnout], c)
		if !c.Failure.IsZero() {
			r.Wanted++
		}
	}
	for _, e := range events {
		if e.Alert.Condition == detect.OddThrow && e.Kind == alerting.Raised {
			r.Odd++
		}
		if e.Kind == alerting.Cleared {
			continue
		}
		inFault := false
		for _, c := range of[e.Alert.Turnout] {
			if e.At.Before(c.Onset) || e.At.After(c.over(t.End).Add(grace)) {
				continue
			}
			inFault = true
			if c.Failure.IsZero() || e.At.Before(c.Failure) {
				c.hear(&e)
				r.guess(c, &e)
			}
		}
		if !inFault && e.Kind == alerting.Raised && warning(e.Alert.Condition) {
			r.False = append(r.False, e)
		}
	}
	return r
}

// hear takes an event of the time in which it can warn.
func (c *Case) hear(e *alerting.Event) {
	if !warning(e.Alert.Condition) {
		return
	}
	if c.Warned.IsZero() {
		c.Warned, c.First, c.Condition, c.Change = e.At, e.Alert.Causes, e.Alert.Condition, e.Alert.ChangePercent
		if !c.Failure.IsZero() {
			c.Left = c.Failure.Sub(e.At).Hours() / c.Failure.Sub(c.Onset).Hours()
		}
	}
	c.Last = e.Alert.Causes
}

// guess takes the forecast of an event, where it can be checked.
func (r *Result) guess(c *Case, e *alerting.Event) {
	if f := e.Alert.Forecast; f != nil && !c.Failure.IsZero() {
		r.Guesses = append(r.Guesses, Guess{Turnout: c.Turnout, At: e.At, Forecast: *f, Days: c.Failure.Sub(e.At).Hours() / 24})
	}
}
