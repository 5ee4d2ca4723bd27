package alerting

import (
	"time"

	"throwline/detect"
)

// Standing is where an alert is in its life, after IEC 62682 and ISA-18.2.
type Standing string

// The standings. Shelved, suppressed and out of service hide an alert from the
// calls for action; none of them ends it.
const (
	Unacknowledged Standing = "unacknowledged"
	Acknowledged   Standing = "acknowledged"
	Returned       Standing = "returned-unacknowledged" // to normal, and nobody has said that he saw it
	Shelved        Standing = "shelved"                 // by a person, until a time
	Suppressed     Standing = "suppressed"              // by a window: a possession, works
	OutOfService   Standing = "out-of-service"          // the turnout is
	Normal         Standing = "normal"                  // returned and acknowledged: its life is over
)

// Handling is what people have done about an alert. The zero Handling: nothing.
type Handling struct {
	AcknowledgedAt time.Time `json:"acknowledged_at,omitzero"`
	AcknowledgedBy string    `json:"acknowledged_by,omitempty"`
	Call           int       `json:"call,omitempty" doc:"of the alert's calls, the one that was acknowledged"`
	ShelvedUntil   time.Time `json:"shelved_until,omitzero"`
	ShelvedBy      string    `json:"shelved_by,omitempty"`
	ShelvedFor     string    `json:"shelved_for,omitempty" doc:"the reason"`
	Found          *Found    `json:"found,omitempty" doc:"what a visit found"`
}

// Found is what people say of an alert in the end; it feeds the figures of how
// good the alerts have been here.
type Found struct {
	True  bool             `json:"true" doc:"there was something"`
	Cause detect.CauseName `json:"cause,omitempty" doc:"what it was, where there was something"`
	Note  string           `json:"note,omitempty" maxLength:"4096"`
	By    string           `json:"by,omitempty"`
	At    time.Time        `json:"at"`
}

// Action is one thing that a person, or the program in its own name, does to an alert.
type Action string

// The actions. The first six are people's; the others are entered by the program.
const (
	Acknowledge Action = "acknowledge"
	Shelve      Action = "shelve"
	Unshelve    Action = "unshelve"
	Note        Action = "note"
	Judge       Action = "judge" // say what was found
	Reopen      Action = "reopen"
	Deliver     Action = "deliver" // something was sent, or could not be
	Remind      Action = "remind"
	Escalate    Action = "escalate"
)

// Act is what someone wants to do to an alert.
type Act struct {
	Action Action
	By     string
	Note   string
	Until  time.Time // of a shelving
	Found  *Found    // of a judgement; At and By are filled in
	Call   *int      // the alert's call that was seen, of an acknowledgement; nil: the latest
}

// Entry is one line of an alert's journal: everything is kept.
type Entry struct {
	ID      int64     `json:"id"`
	Alert   string    `json:"alert"`
	Turnout string    `json:"turnout"`
	At      time.Time `json:"at"`
	By      string    `json:"by,omitempty" doc:"nobody: the program itself"`
	Action  string    `json:"action" doc:"an action of people or of the program, or raised, changed, cleared"`
	Note    string    `json:"note,omitempty"`
	Until   time.Time `json:"until,omitzero"`
	Found   *Found    `json:"found,omitempty"`
	Call    int       `json:"call,omitempty" doc:"of an acknowledgement: the call that it answers"`
	Target  string    `json:"target,omitempty" doc:"of a delivery"`
	Outcome string    `json:"outcome,omitempty" doc:"of a delivery: sent, or what went wrong"`
}
