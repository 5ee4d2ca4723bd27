// Package alerting holds the life of an alert: from findings to what people
// are told, pure, with the time as an argument.
package alerting

import (
	"strconv"
	"time"

	"throwline/detect"
	"throwline/ingest"
)

// Priority is how soon someone should act.
type Priority string

// The priorities of IEC 62682.
const (
	High   Priority = "high"
	Medium Priority = "medium"
	Low    Priority = "low"
)

// Rank orders priorities: 0 is most pressing.
func (p Priority) Rank() int {
	switch p {
	case High:
		return 0
	case Medium:
		return 1
	}
	return 2
}

// Alert is one condition of one turnout, from raised to cleared.
type Alert struct {
	ID            string           `json:"id" doc:"the same for the same throws, at every replay"`
	Turnout       string           `json:"turnout" doc:"empty where it is a cabinet that is silent"`
	Cabinet       string           `json:"cabinet,omitempty" doc:"of cabinet-silent alone"`
	To            ingest.End       `json:"to,omitempty" enum:"normal,reverse" doc:"the end commanded; left out where both ends show it"`
	Drive         string           `json:"drive,omitempty"`
	Condition     detect.Condition `json:"condition"`
	Priority      Priority         `json:"priority" enum:"high,medium,low"`
	Causes        []detect.Cause   `json:"causes" doc:"most probable first"`
	ChangePercent float64          `json:"change_percent,omitempty" doc:"against this turnout's own past"`
	Since         time.Time        `json:"since" doc:"when it began, as far as the traces tell"`
	ThrowID       string           `json:"throw_id,omitempty"`
	Forecast      *detect.Forecast `json:"forecast,omitempty"`
	RaisedAt      time.Time        `json:"raised_at"`
	ChangedAt     time.Time        `json:"changed_at"`
	ClearedAt     time.Time        `json:"cleared_at,omitzero"`
	// Call counts how often it has called for attention again: it stood again, or
	// became more serious. Whoever has acknowledged has acknowledged one call; a
	// count, not a time, for a cabinet may send late what was earlier.
	Call       int       `json:"call,omitempty" doc:"how often it has called for attention again: stood again, or became more serious"`
	CalledAt   time.Time `json:"called_at,omitzero" doc:"when it last did"`
	Reopened   int       `json:"reopened,omitempty" doc:"how often it stood again after it had cleared"`
	ReopenedAt time.Time `json:"reopened_at,omitzero" doc:"when it last did"`
	LeftAt     time.Time `json:"left_at,omitzero" doc:"when it had cleared, before it stood again"`
	QuietSince time.Time `json:"quiet_since,omitzero" doc:"since when its condition no longer stands, though it has not been gone for long enough to clear"`
	VisitedAt  time.Time `json:"visited_at,omitzero" doc:"latest work at the turnout before it stood again, where it came after the alert was raised"`
}

// Open reports whether the alert still stands.
func (a *Alert) Open() bool { return a.ClearedAt.IsZero() }

// LastCall returns when the alert last called for attention.
func (a *Alert) LastCall() time.Time {
	if a.CalledAt.IsZero() {
		return a.RaisedAt
	}
	return a.CalledAt
}

// Again says in words that the alert has stood before, or "".
func (a *Alert) Again() string {
	switch {
	case a.Reopened == 0:
		return ""
	case !a.VisitedAt.IsZero():
		return "again, " + after(a.ReopenedAt.Sub(a.VisitedAt)) + " after the visit"
	}
	return "again, " + after(a.ReopenedAt.Sub(a.LeftAt)) + " after it had cleared"
}

// after gives a length of time in the largest unit that fits.
func after(d time.Duration) string {
	n, unit := int(d/time.Minute), "minute"
	switch {
	case d >= 24*time.Hour:
		n, unit = int(d/(24*time.Hour)), "day"
	case d >= time.Hour:
		n, unit = int(d/time.Hour), "hour"
	}
	if n != 1 {
		unit += "s"
	}
	return strconv.Itoa(n) + " " + unit
}

// EventKind is what became of an alert.
type EventKind string

// The events of the contract.
const (
	Raised  EventKind = "raised"
	Changed EventKind = "changed"
	Cleared EventKind = "cleared"
)

// Event is one transition of an alert.
type Event struct {
	Kind  EventKind `json:"event" enum:"raised,changed,cleared"`
	At    time.Time `json:"at"`
	Alert Alert     `json:"alert"`
}

// Query selects alerts.
type Query struct {
	Turnout  string // "" for all
	OpenOnly bool
	Cursor   string // from the page before, "" for the first
	Limit    int    // 1 to 1000
}
