package alerting

import "time"

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
