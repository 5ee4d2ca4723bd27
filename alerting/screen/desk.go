package screen

import (
	"context"
	"io"
	"time"

	"throwline/alerting"
	"throwline/detect"
)

// Desk is what people do about alerts, and what they have said of the railway.
// A thing that is not there is an error that wraps [io/fs.ErrNotExist]; what
// the caller did wrong is an [*alerting.RefusedError] or an [ingest.Refusal].
// by is who does it.
type Desk interface {
	// Cases returns what is not over: alerts that stand, and those that have
	// returned and nobody has acknowledged; what calls for someone first.
	Cases() []alerting.Case
	// Case returns one alert, over or not.
	Case(ctx context.Context, id string) (alerting.Case, error)
	// Of returns all cases that were raised or cleared, or stood, from from to before to, newest raised
	// first; at most most of them.
	Of(ctx context.Context, from, to time.Time, turnout string, most int) ([]alerting.Case, error)
	// Act does something to an alert and returns it as it is then.
	Act(ctx context.Context, id string, act alerting.Act) (alerting.Case, error)
	// Journal returns lines of the journal, newest first.
	Journal(ctx context.Context, q alerting.JournalQuery) (items []alerting.Entry, next string, err error)
	// Sendings returns what was and is to be sent of an alert.
	Sendings(ctx context.Context, alert string) ([]alerting.Sending, error)

	// WorkList returns which turnouts to visit, first first.
	WorkList() []alerting.Job
	// WorkDone returns the visits to all turnouts from from to before to, newest first, at most most.
	WorkDone(ctx context.Context, from, to time.Time, most int) ([]detect.Visit, error)

	// Places returns the registry, in the order of area, line, position, name.
	Places() []alerting.Place
	SavePlace(ctx context.Context, by string, p alerting.Place) error
	DropPlace(ctx context.Context, by, turnout string) error
	// ReadPlaces makes the registry what a CSV file says, whole or not at all.
	ReadPlaces(ctx context.Context, by string, csv io.Reader) (places int, err error)
	WritePlaces(csv io.Writer) error

	Windows() []alerting.Window
	// SaveWindow enters a new window (ID 0) or changes one.
	SaveWindow(ctx context.Context, by string, w alerting.Window) (alerting.Window, error)
	DropWindow(ctx context.Context, by string, id int64) error

	// Routes are those of the configuration.
	Routes() []alerting.Route
	Targets(ctx context.Context) ([]alerting.TargetState, error)
	// Examine looks at the program itself and what it needs.
	Examine(ctx context.Context) []alerting.Sign
	// Try sends a trial message to a target; an [ingest.Refusal] says why the
	// target has not taken it.
	Try(ctx context.Context, by, target string) error
}
