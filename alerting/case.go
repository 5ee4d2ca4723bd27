package alerting

import "time"

// Case is an alert with all that is around it.
type Case struct {
	Alert
	Standing Standing  `json:"standing" enum:"unacknowledged,acknowledged,returned-unacknowledged,shelved,suppressed,out-of-service,normal" doc:"where it is in its life, after IEC 62682"`
	Quiet    string    `json:"quiet,omitempty" doc:"what hides it, in words"`
	QuietTo  time.Time `json:"quiet_to,omitzero" doc:"until when"`
	Handling Handling  `json:"handling"`
	Place    Place     `json:"place"`
}

// Urgent reports whether the case calls for someone now.
func (c *Case) Urgent() bool { return c.Standing == Unacknowledged }

// JournalQuery selects lines of the journal, newest first.
type JournalQuery struct {
	Alert   string // "" for all
	Turnout string // "" for all
	From    time.Time
	To      time.Time
	Cursor  string
	Limit   int // 1 to 1000
}

// Sending is one message to one target, and how it fared.
type Sending struct {
	Target  string    `json:"target"`
	Reason  Reason    `json:"reason"`
	Since   time.Time `json:"since" doc:"when it was due at first"`
	Due     time.Time `json:"due,omitzero" doc:"when it is tried next; left out when it is done"`
	Tries   int       `json:"tries" doc:"in vain so far"`
	Outcome string    `json:"outcome,omitempty" doc:"of the last try"`
	Sent    bool      `json:"sent"`
	DoneAt  time.Time `json:"done_at,omitzero" doc:"when it was sent, or given up"`
}

// TargetState is how a target fares.
type TargetState struct {
	Name     string    `json:"name"`
	Kind     string    `json:"kind" enum:"webhook,mail,mqtt,alertmanager" doc:"left out: it is in no configuration any more"`
	Routes   []string  `json:"routes" doc:"that name it"`
	Waiting  int       `json:"waiting" doc:"messages"`
	Oldest   time.Time `json:"oldest,omitzero" doc:"of those that wait, when it was due at first"`
	Sent     int64     `json:"sent"`
	GivenUp  int64     `json:"given_up"`
	SentAt   time.Time `json:"sent_at,omitzero"`
	FailedAt time.Time `json:"failed_at,omitzero"`
	Failure  string    `json:"failure,omitempty" doc:"what went wrong the last time"`
}
