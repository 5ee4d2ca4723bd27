package screen

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// fakeDesk is the desk over the fake's alerts, in memory. What is done to an
// alert, and where it stands then, is package alerting's own doing.
type fakeDesk struct {
	*fake
	handlings map[string]alerting.Handling
	lines     []alerting.Entry // newest first
	places    []alerting.Place
	windows   []alerting.Window
	routes    []alerting.Route
	targets   []alerting.TargetState
	sendings  []alerting.Sending
	tries     []string // target and who
	whoSaid   []string // by of each change of places and windows
	verdicts  []detect.Verdict
	broken    error // of a try
}

func (d *fakeDesk) place(turnout string) alerting.Place {
	if i := slices.IndexFunc(d.places, func(p alerting.Place) bool { return p.Turnout == turnout }); i >= 0 {
		return d.places[i]
	}
	return alerting.Place{Turnout: turnout}
}

func (d *fakeDesk) of(a *alerting.Alert) alerting.Case {
	p, h := d.place(a.Turnout), d.handlings[a.ID]
	w, end := alerting.Suppressing(d.windows, p, a, d.Now())
	c := alerting.Case{Alert: *a, Standing: alerting.StandingOf(a, &h, d.Now(), w != nil, p.OutOfService), Handling: h, Place: p}
	if w != nil {
		c.Quiet, c.QuietTo = w.Name, end
	}
	return c
}

func (d *fakeDesk) Cases() (list []alerting.Case) {
	for i := range d.alerts {
		if c := d.of(&d.alerts[i]); c.Standing != alerting.Normal {
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, func(a, b alerting.Case) int {
		rank := func(c *alerting.Case) int {
			if c.Urgent() {
				return 0
			}
			return 1
		}
		return cmp.Or(cmp.Compare(rank(&a), rank(&b)), cmp.Compare(a.Priority.Rank(), b.Priority.Rank()), b.RaisedAt.Compare(a.RaisedAt))
	})
	return list
}

func (d *fakeDesk) Case(_ context.Context, id string) (alerting.Case, error) {
	for i := range d.alerts {
		if d.alerts[i].ID == id {
			return d.of(&d.alerts[i]), d.fail
		}
	}
	return alerting.Case{}, fmt.Errorf("alert %q: %w", id, fs.ErrNotExist)
}

func (d *fakeDesk) Of(_ context.Context, from, to time.Time, turnout string, most int) (list []alerting.Case, err error) {
	for i := range d.alerts {
		a := &d.alerts[i]
		if (turnout == "" || turnout == a.Turnout) && a.RaisedAt.Before(to) && (a.Open() || !a.ClearedAt.Before(from)) {
			list = append(list, d.of(a))
		}
	}
	slices.SortStableFunc(list, func(a, b alerting.Case) int { return b.RaisedAt.Compare(a.RaisedAt) })
	return list[:min(most, len(list))], d.fail
}

func (d *fakeDesk) Act(ctx context.Context, id string, act alerting.Act) (alerting.Case, error) {
	c, err := d.Case(ctx, id)
	if err != nil {
		return c, err
	}
	h, e, err := alerting.Apply(&c.Alert, c.Handling, act, d.Now())
	if err != nil {
		return c, fmt.Errorf("fake: %w", err)
	}
	d.handlings[id] = h
	e.ID = int64(len(d.lines) + 1)
	d.lines = append([]alerting.Entry{e}, d.lines...)
	return d.Case(ctx, id)
}

func (d *fakeDesk) Journal(_ context.Context, q alerting.JournalQuery) ([]alerting.Entry, string, error) {
	if d.fail != nil {
		return nil, "", d.fail
	}
	var list []alerting.Entry
	for _, e := range d.lines {
		if (q.Alert == "" || q.Alert == e.Alert) && (q.Turnout == "" || q.Turnout == e.Turnout) &&
			(q.From.IsZero() || !e.At.Before(q.From)) && (q.To.IsZero() || e.At.Before(q.To)) {
			list = append(list, e)
		}
	}
	return cut(list, q.Cursor, q.Limit)
}

func (d *fakeDesk) Sendings(context.Context, string) ([]alerting.Sending, error) {
	return d.sendings, d.fail
}

func (d *fakeDesk) WorkList() []alerting.Job {
	places := map[string]alerting.Place{}
	for _, p := range d.places {
		places[p.Turnout] = p
	}
	return alerting.WorkList(d.alerts, d.handlings, places, nil, d.Now())
}

func (d *fakeDesk) WorkDone(_ context.Context, from, to time.Time, most int) (list []detect.Visit, err error) {
	for _, w := range d.work {
		if !w.DoneAt.Before(from) && w.DoneAt.Before(to) {
			list = append(list, detect.Visit{Work: w, Verdicts: d.verdicts})
		}
	}
	return list[:min(most, len(list))], d.fail
}

func (d *fakeDesk) Places() []alerting.Place { return d.places }

func (d *fakeDesk) SavePlace(_ context.Context, by string, p alerting.Place) error {
	if !ingest.ValidName(p.Turnout) {
		return &ingest.Refusal{Faults: []ingest.Fault{{Path: "turnout", Expected: "a name", Found: strconv.Quote(p.Turnout)}}}
	}
	d.whoSaid = append(d.whoSaid, by)
	d.places = slices.DeleteFunc(d.places, func(q alerting.Place) bool { return q.Turnout == p.Turnout })
	d.places = append(d.places, p)
	return d.fail
}

func (d *fakeDesk) DropPlace(_ context.Context, by, turnout string) error {
	n := len(d.places)
	d.places = slices.DeleteFunc(d.places, func(q alerting.Place) bool { return q.Turnout == turnout })
	if len(d.places) == n {
		return fmt.Errorf("place %q: %w", turnout, fs.ErrNotExist)
	}
	d.whoSaid = append(d.whoSaid, by)
	return nil
}

func (d *fakeDesk) ReadPlaces(_ context.Context, by string, r io.Reader) (int, error) {
	rows, err := csv.NewReader(r).ReadAll()
	if err != nil {
		return 0, &ingest.Refusal{Faults: []ingest.Fault{{Path: "line 1", Expected: "CSV", Found: err.Error()}}}
	}
	var list []alerting.Place
	var faults []ingest.Fault
	for i, row := range rows[min(1, len(rows)):] {
		if !ingest.ValidName(row[0]) {
			faults = append(faults, ingest.Fault{Path: "line " + strconv.Itoa(i+2) + ", column turnout", Expected: "a name", Found: strconv.Quote(row[0])})
		}
		list = append(list, alerting.Place{Turnout: row[0], Area: row[1]})
	}
	if faults != nil {
		return 0, fmt.Errorf("fake: %w", &ingest.Refusal{Faults: faults})
	}
	d.places, d.whoSaid = list, append(d.whoSaid, by)
	return len(list), nil
}

func (d *fakeDesk) WritePlaces(w io.Writer) error {
	_, _ = io.WriteString(w, "turnout,area\n")
	for _, p := range d.places {
		if _, err := io.WriteString(w, p.Turnout+","+p.Area+"\n"); err != nil {
			return err
		}
	}
	return d.fail
}

func (d *fakeDesk) Examine(context.Context) []alerting.Sign {
	return []alerting.Sign{{What: "disk", Word: alerting.Worse, Said: "little room", Do: "make room"}}
}

func (d *fakeDesk) Windows() []alerting.Window { return d.windows }

func (d *fakeDesk) SaveWindow(_ context.Context, by string, w alerting.Window) (alerting.Window, error) {
	if err := w.Check(); err != nil {
		return w, errors.New("unchecked: " + err.Error())
	}
	d.whoSaid = append(d.whoSaid, by)
	if w.ID == 0 {
		w.ID = int64(len(d.windows) + 1)
		d.windows = append(d.windows, w)
		return w, d.fail
	}
	i := slices.IndexFunc(d.windows, func(x alerting.Window) bool { return x.ID == w.ID })
	if i < 0 {
		return w, fmt.Errorf("window %d: %w", w.ID, fs.ErrNotExist)
	}
	d.windows[i] = w
	return w, d.fail
}

func (d *fakeDesk) DropWindow(_ context.Context, by string, id int64) error {
	n := len(d.windows)
	d.windows = slices.DeleteFunc(d.windows, func(x alerting.Window) bool { return x.ID == id })
	if len(d.windows) == n {
		return fmt.Errorf("window %d: %w", id, fs.ErrNotExist)
	}
	d.whoSaid = append(d.whoSaid, by)
	return nil
}

func (d *fakeDesk) Routes() []alerting.Route { return d.routes }

func (d *fakeDesk) Targets(context.Context) ([]alerting.TargetState, error) { return d.targets, d.fail }

func (d *fakeDesk) Try(_ context.Context, by, target string) error {
	if !slices.ContainsFunc(d.targets, func(t alerting.TargetState) bool { return t.Name == target }) {
		return fmt.Errorf("target %q: %w", target, fs.ErrNotExist)
	}
	d.tries = append(d.tries, strings.TrimSpace(target+" "+by))
	return d.broken
}

// newDesk is a desk with something of everything.
func newDesk(f *fake) *fakeDesk {
	d := &fakeDesk{
		fake: f, handlings: map[string]alerting.Handling{},
		places: []alerting.Place{
			{Turnout: "W2", Area: "Elm", Line: "1", Position: 2, Criticality: 5},
			{Turnout: "W1", Area: "Elm", Line: "2", Position: 1},
			{Turnout: "Z9", Area: "Oak"},
		},
		routes: []alerting.Route{{
			Name: "gang", Match: alerting.Match{Areas: []string{"Elm"}}, Targets: []string{"mail"}, Remind: 90 * time.Minute,
			Escalate: []alerting.Escalation{{After: 2 * time.Hour, Targets: []string{"phone"}}},
		}},
		targets:  []alerting.TargetState{{Name: "mail", Kind: "mail", Routes: []string{"gang"}, Sent: 3}, {Name: "phone", Kind: "webhook", Routes: []string{"gang"}}},
		sendings: []alerting.Sending{{Target: "mail", Reason: alerting.NewAlert, Since: noon, Sent: true, DoneAt: noon}},
		windows: []alerting.Window{{
			ID: 1, Name: "Sunday works", Zone: "Europe/Oslo", Start: "2026-02-01T23:30", Duration: 90 * time.Minute, Repeat: "FREQ=WEEKLY;BYDAY=SU",
			Match: alerting.Match{Turnouts: []string{"W*"}},
		}},
	}
	for i := range f.alerts {
		a := &f.alerts[i]
		d.lines = append(d.lines, alerting.Entry{ID: int64(3 - i), Alert: a.ID, Turnout: a.Turnout, At: a.RaisedAt, Action: "raised"})
	}
	return d
}
