package screen

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
)

const (
	mostWindows = 1000
	mostHidden  = 1000 // alerts that a preview tells
)

func (s *server) registerWindows(api huma.API) {
	get(api, "windows", "/windows", "Times in which alerts are suppressed by design: possessions, works", s.windows, http.StatusNotFound)
	change(api, http.MethodPost, "add-window", "/windows", "Enter a window", http.StatusCreated, s.addWindow)
	change(api, http.MethodPut, "change-window", "/windows/{id}", "Change a window; what is sent takes the place of what was", http.StatusOK, s.changeWindow)
	erase(api, "drop-window", "/windows/{id}", "Take a window away", s.dropWindow)
	change(api, http.MethodPost, "preview-window", "/windows/preview", "What a window would hide, and when it begins; nothing is entered", http.StatusOK, s.previewWindow)
}

// NewWindow is a window to be entered.
type NewWindow struct {
	_        struct{} `additionalProperties:"false"`
	Name     string   `json:"name" minLength:"1" maxLength:"128"`
	Match    NewMatch `json:"match" doc:"which alerts; what is left out matches all"`
	Zone     string   `json:"zone" maxLength:"64" doc:"IANA name, e.g. Europe/Oslo"`
	Start    string   `json:"start" maxLength:"32" doc:"local, 2006-01-02T15:04"`
	Duration float64  `json:"duration_minutes" minimum:"1" maximum:"44640" doc:"min, of each time"`
	Repeat   string   `json:"repeat,omitempty" maxLength:"256" doc:"RFC 5545 recurrence rule, e.g. FREQ=WEEKLY;BYDAY=SU; left out: once"`
	Note     string   `json:"note,omitempty" maxLength:"4096"`
	By       string   `json:"by,omitempty" maxLength:"128" doc:"who says so; not looked at where one logs in"`
}

// NewMatch selects turnouts and what is told of them. A misspelt name is
// refused: it would match all.
type NewMatch struct {
	_          struct{}            `additionalProperties:"false"`
	Areas      []string            `json:"areas,omitempty" maxItems:"1000"`
	Lines      []string            `json:"lines,omitempty" maxItems:"1000"`
	Turnouts   []string            `json:"turnouts,omitempty" maxItems:"1000" doc:"names, or patterns with * and ?"`
	Conditions []string            `json:"conditions,omitempty" enum:"stiffening,slow-throw,incomplete-throw,odd-throw,late-detection,weak-supply,doubtful-measurement,cabinet-silent"`
	Priorities []alerting.Priority `json:"priorities,omitempty" enum:"high,medium,low"`
}

// Window is a window as it stands now.
type Window struct {
	ID       int64          `json:"id"`
	Name     string         `json:"name"`
	Match    alerting.Match `json:"match"`
	Zone     string         `json:"zone" doc:"IANA name"`
	Start    string         `json:"start" doc:"of the first time: local, 2006-01-02T15:04"`
	Duration float64        `json:"duration_minutes" doc:"min, of each time"`
	Repeat   string         `json:"repeat,omitempty" doc:"RFC 5545 recurrence rule; left out: once"`
	Note     string         `json:"note,omitempty"`
	By       string         `json:"by,omitempty"`
	Active   bool           `json:"active" doc:"holds now"`
	Ends     time.Time      `json:"ends_at,omitzero" doc:"of the time that holds now"`
	Next     time.Time      `json:"next_start,omitzero" doc:"after now; left out: never again"`
}

func newWindow(w *alerting.Window, now time.Time) Window {
	out := Window{
		ID: w.ID, Name: w.Name, Match: w.Match, Zone: w.Zone, Start: w.Start, Duration: w.Duration.Minutes(),
		Repeat: w.Repeat, Note: w.Note, By: w.By, Next: w.Next(now),
	}
	out.Active, out.Ends = w.Active(now)
	return out
}

// window returns what is to be entered, or what is wrong with it.
func (n *NewWindow) window(ctx context.Context) (alerting.Window, error) {
	m := &n.Match
	w := alerting.Window{
		Name: n.Name, Zone: n.Zone, Start: n.Start, Duration: time.Duration(n.Duration * float64(time.Minute)),
		Repeat: n.Repeat, By: By(ctx, n.By), Note: n.Note,
		Match: alerting.Match{Areas: m.Areas, Lines: m.Lines, Turnouts: m.Turnouts, Conditions: m.Conditions, Priorities: m.Priorities},
	}
	if err := w.Check(); err != nil {
		return w, misfit(err)
	}
	return w, nil
}

// misfit makes a problem of what a Check of package alerting found wrong:
// "window "name", field: expected …, found …".
func misfit(err error) *huma.ErrorModel {
	for inner := errors.Unwrap(err); inner != nil; inner = errors.Unwrap(err) {
		err = inner
	}
	text := err.Error()
	place, rest, ok := strings.Cut(text, ": expected ")
	location := "body"
	if ok {
		text = "expected " + rest
		// The last word of what stands before is the field; before it, what it is of.
		switch {
		case strings.HasPrefix(place, "match, "):
			location = "body.match." + strings.TrimPrefix(place, "match, ")
		case strings.HasSuffix(place, "duration"):
			location = "body.duration_minutes"
		default:
			for _, field := range []string{"start", "zone", "repeat", "name"} {
				if strings.HasPrefix(place, field) || strings.HasSuffix(place, ", "+field) {
					location = "body." + field
				}
			}
			if place == "window" {
				location = "body.name"
			}
		}
	}
	return &huma.ErrorModel{
		Status: http.StatusUnprocessableEntity, Title: http.StatusText(http.StatusUnprocessableEntity), Detail: "refused",
		Errors: []*huma.ErrorDetail{{Location: location, Message: printable(text)}},
	}
}

func (s *server) windows(context.Context, *struct{}) (*answer[List[Window]], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	list, now := desk.Windows(), s.o.Yard.Now()
	out := List[Window]{Items: make([]Window, len(list))}
	for i := range list {
		out.Items[i] = newWindow(&list[i], now)
	}
	return &answer[List[Window]]{out}, nil
}

type addWindowInput struct{ Body NewWindow }

func (s *server) addWindow(ctx context.Context, in *addWindowInput) (*answer[Window], error) {
	return s.saveWindow(ctx, 0, &in.Body)
}

// WindowInput names a window.
type WindowInput struct {
	ID int64 `path:"id" minimum:"1"`
}

type changeWindowInput struct {
	WindowInput
	Body NewWindow
}

func (s *server) changeWindow(ctx context.Context, in *changeWindowInput) (*answer[Window], error) {
	return s.saveWindow(ctx, in.ID, &in.Body)
}

func (s *server) saveWindow(ctx context.Context, id int64, n *NewWindow) (*answer[Window], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	w, err := n.window(ctx)
	if err != nil {
		return nil, err
	}
	if id == 0 {
		s.adding.Lock()
		defer s.adding.Unlock()
		if len(desk.Windows()) >= mostWindows {
			return nil, s.full("body", "windows", mostWindows)
		}
	}
	w.ID = id
	if w, err = desk.SaveWindow(ctx, w.By, w); err != nil {
		return nil, s.problem(ctx, err, "enter the window")
	}
	return &answer[Window]{newWindow(&w, s.o.Yard.Now())}, nil
}

type dropWindowInput struct {
	WindowInput
	ByInput
}

func (s *server) dropWindow(ctx context.Context, in *dropWindowInput) (*struct{}, error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	if err := desk.DropWindow(ctx, By(ctx, in.By), in.ID); err != nil {
		return nil, s.problem(ctx, err, "take the window away")
	}
	return nil, nil
}

// WindowPreview is what a window would do.
type WindowPreview struct {
	Active bool            `json:"active" doc:"it would hold now"`
	Ends   time.Time       `json:"ends_at,omitzero" doc:"of the time that would hold now"`
	Starts []time.Time     `json:"starts" doc:"the next five after now, with the offset of the window's zone"`
	Hides  []alerting.Case `json:"hides" doc:"of the alerts that live now, those that it hides while it holds; at most 1000"`
	More   int             `json:"more,omitempty" doc:"that it hides and that are not told"`
}

// startsShown is how many starts a preview tells.
const startsShown = 5

func (s *server) previewWindow(ctx context.Context, in *addWindowInput) (*answer[WindowPreview], error) {
	desk, err := s.desk()
	if err != nil {
		return nil, err
	}
	w, err := in.Body.window(ctx)
	if err != nil {
		return nil, err
	}
	now := s.o.Yard.Now()
	out := WindowPreview{Starts: []time.Time{}, Hides: []alerting.Case{}}
	out.Active, out.Ends = w.Active(now)
	for at := w.Next(now); !at.IsZero() && len(out.Starts) < startsShown; at = w.Next(at) {
		out.Starts = append(out.Starts, at)
	}
	out.Hides = append(out.Hides, slices.DeleteFunc(slices.Clone(desk.Cases()), func(c alerting.Case) bool {
		place := c.Place
		place.Turnout = c.Turnout
		return !w.Match.Matches(place, &c.Alert)
	})...)
	if out.More = max(0, len(out.Hides)-mostHidden); out.More > 0 {
		out.Hides = slices.Clone(out.Hides[:mostHidden])
	}
	return &answer[WindowPreview]{out}, nil
}
