package alerting

import "time"

// Window is a time in which what it matches is suppressed by design: a
// possession, works, a test. It begins at a wall-clock time of a zone, so that
// it stands at the same hour on both sides of a change of daylight saving.
type Window struct {
	ID       int64         `json:"id"`
	Name     string        `json:"name"`
	Match    Match         `json:"match"`
	Zone     string        `json:"zone" doc:"IANA name, e.g. Europe/Oslo"`
	Start    string        `json:"start" doc:"local, 2006-01-02T15:04"`
	Duration time.Duration `json:"duration_ns"`
	Repeat   string        `json:"repeat,omitempty" doc:"RFC 5545 recurrence rule, e.g. FREQ=WEEKLY;BYDAY=SU; left out: once"`
	By       string        `json:"by,omitempty"`
	Note     string        `json:"note,omitempty"`
}
