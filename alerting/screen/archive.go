// Package screen is what people see: the HTTP API, the event stream and the
// pages of the control room and the maintainer.
package screen

import (
	"context"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Archive is what has been filed. A thing that is not there is an error that
// wraps [io/fs.ErrNotExist]; a cursor that cannot be read wraps [ErrCursor]
// or another error with a method BadCursor() bool that returns true.
// Cursors are opaque; the empty cursor begins, an empty next ends.
type Archive interface {
	// Alerts returns alerts, newest raised first.
	Alerts(ctx context.Context, q alerting.Query) (items []alerting.Alert, next string, err error)
	// Throws returns a turnout's throws that started in [from, to), newest
	// first, without their traces. Zero times leave that side open.
	Throws(ctx context.Context, turnout string, from, to time.Time, cursor string, limit int) (items []detect.Record, next string, err error)
	// Throw returns a throw and its traces as sent; no channels where the raw
	// traces are past their retention.
	Throw(ctx context.Context, key string) (detect.Record, []ingest.Channel, error)
	// Work returns the visits to a turnout, newest first.
	Work(ctx context.Context, turnout string) ([]detect.Visit, error)
	// Quarantine returns what was set aside, newest first.
	Quarantine(ctx context.Context, cursor string, limit int) (items []ingest.SetAside, next string, err error)
	// Aside returns one message that was set aside.
	Aside(ctx context.Context, id int64) (ingest.SetAside, error)
}

// Yard is what is known now.
type Yard interface {
	// Now is the yard's time: the wall clock, but for the invented yard.
	Now() time.Time
	// Turnouts returns all turnouts, in the order of their names.
	Turnouts() []detect.Summary
	// Turnout returns one of them, or an error that wraps [io/fs.ErrNotExist].
	Turnout(name string) (detect.Summary, error)
	// Profile returns the course of past traces; see [detect.State.Profile].
	Profile(turnout string, to ingest.End, drive string, q ingest.Quantity) detect.Profile
	// OpenAlerts returns the open alerts of all turnouts, or of one.
	OpenAlerts(turnout string) []alerting.Alert
	// Notices returns what many turnouts feel at once.
	Notices() []detect.Notice
	// Cabinets returns the last state of every cabinet heard of.
	Cabinets() []ingest.CabinetState
	// RecordWork files a visit; an error that is an [ingest.Refusal] is the caller's.
	RecordWork(ctx context.Context, w ingest.Work) error
	// Retry sends a set-aside message through again; an [ingest.Refusal] says
	// why it is refused again.
	Retry(ctx context.Context, id int64) error
	// Ready says why throws cannot be taken now, or nil.
	Ready(ctx context.Context) error
}
