package ingest

import "time"

// SetAside is a message that was refused: kept whole, with the reason, so that
// it can be looked at and sent through again.
type SetAside struct {
	ID      int64
	At      time.Time // when it arrived
	Topic   string    // where it arrived
	Turnout string    // as far as it could be read
	Faults  []Fault
	Payload []byte // as it arrived
	Retries int    // how often it was sent through again, in vain
}
