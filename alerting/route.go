package alerting

import (
	"time"
)

// Route says who gets what. All routes that match are followed; a target gets
// one message however many of them name it.
type Route struct {
	Name    string   `json:"name" yaml:"name"`
	Match   Match    `json:"match" yaml:"match"`
	Hours   *Hours   `json:"hours,omitempty" yaml:"hours"` // nil: always
	Targets []string `json:"targets" yaml:"targets"`
	// Remind while unacknowledged, every so often; 0: never.
	Remind time.Duration `json:"remind_ns,omitempty" yaml:"remind"`
	// Escalate to further targets while unacknowledged.
	Escalate []Escalation `json:"escalate,omitempty" yaml:"escalate"`
}

// Hours are those of the week in which a route is followed, in a zone.
type Hours struct {
	Zone string   `json:"zone" yaml:"zone"`           // IANA name
	Days []string `json:"days,omitempty" yaml:"days"` // mon … sun; none: all
	From string   `json:"from" yaml:"from"`           // 06:00
	To   string   `json:"to" yaml:"to"`               // 22:00; at or before From: of the next day
}

// Escalation is who is told if nobody has acknowledged after a time.
type Escalation struct {
	After   time.Duration `json:"after_ns" yaml:"after"`
	Targets []string      `json:"targets" yaml:"targets"`
}

// Reason says why a message is sent.
type Reason string

// The reasons.
const (
	NewAlert    Reason = "raised"
	MoreSerious Reason = "changed"
	NoLonger    Reason = "cleared"
	Reminder    Reason = "reminder"
	Escalated   Reason = "escalated"
	StillStands Reason = "still-stands" // when a window or a shelving ends
	Trial       Reason = "trial"        // someone tries a target out
)

// Message is what a target is sent. Key is the same at every try, so that a
// receiver can drop what it has.
type Message struct {
	Key     string    `json:"key"`
	Reason  Reason    `json:"reason"`
	At      time.Time `json:"at"`
	Alert   Alert     `json:"alert"`
	Place   Place     `json:"place"`
	Link    string    `json:"link,omitempty"` // to the turnout's page
	Note    string    `json:"note,omitempty"`
	Caution string    `json:"caution"`
}
