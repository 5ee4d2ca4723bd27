package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"slices"
	"sync/atomic"
	"time"

	"throwline/alerting"
	"throwline/alerting/screen"
	"throwline/daemon/store"
	"throwline/detect"
	"throwline/ingest"
)

var _ screen.Desk = (*Daemon)(nil)

// mostCases is how many alerts of a time are read at once.
const mostCases = 20_000

// deed has the committer do something, and returns the answer to who asked.
func (d *Daemon) deed(ctx context.Context, do func(f *filer, tx entries, made *draft) (refused, err error)) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	return d.pipeline.ask(ctx, d.stopping, &parcel{kind: aDeed, arrived: d.Now(), deed: do})
}

// Alive has the committer commit something that changes nothing: what answers
// takes throws. A store that cannot commit is no reason to start anew: it is
// tried again until it can.
func (d *Daemon) Alive(ctx context.Context, within time.Duration) error {
	if d.pipeline.trouble.Load() != nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	err := d.deed(ctx, func(*filer, entries, *draft) (refused, err error) { return nil, nil })
	if err != nil && d.pipeline.trouble.Load() != nil {
		return nil
	}
	return err
}

// Cases returns what is not over, what calls for someone first.
func (d *Daemon) Cases() []alerting.Case {
	c := d.clerk
	c.mu.RLock()
	v := view{c, &papers{}, c.now()}
	out := make([]alerting.Case, 0, len(c.cases))
	for _, h := range c.cases {
		if x := v.caseOf(&h.alert, &h.handling); x.Standing != alerting.Normal {
			out = append(out, x)
		}
	}
	c.mu.RUnlock()
	slices.SortFunc(out, moreUrgent)
	return out
}

// standings are in the order in which they are shown.
var standings = map[alerting.Standing]int{
	alerting.Unacknowledged: 0, alerting.Acknowledged: 1, alerting.Returned: 2, alerting.Shelved: 3, alerting.Suppressed: 4, alerting.OutOfService: 5, alerting.Normal: 6,
}

func moreUrgent(a, b alerting.Case) int {
	return cmp.Or(
		cmp.Compare(standings[a.Standing], standings[b.Standing]),
		cmp.Compare(a.Priority.Rank(), b.Priority.Rank()),
		b.LastCall().Compare(a.LastCall()),
		cmp.Compare(a.ID, b.ID),
	)
}

func (d *Daemon) shown(list []store.Handled) []alerting.Case {
	d.clerk.mu.RLock()
	defer d.clerk.mu.RUnlock()
	v := view{d.clerk, &papers{}, d.clerk.now()}
	out := make([]alerting.Case, len(list))
	for i := range list {
		out[i] = v.caseOf(&list[i].Alert, &list[i].Handling)
	}
	return out
}

// Case returns one alert, over or not.
func (d *Daemon) Case(ctx context.Context, id string) (alerting.Case, error) {
	h, err := d.store.AlertOf(ctx, id)
	if err != nil {
		return alerting.Case{}, err
	}
	return d.shown([]store.Handled{h})[0], nil
}

// Of returns the cases of a time, newest raised first.
func (d *Daemon) Of(ctx context.Context, from, to time.Time, turnout string, most int) ([]alerting.Case, error) {
	list, err := d.store.CasesOf(ctx, from, to, turnout, min(most, mostCases))
	if err != nil {
		return nil, err
	}
	return d.shown(list), nil
}

// Act does something to an alert.
func (d *Daemon) Act(ctx context.Context, id string, act alerting.Act) (alerting.Case, error) {
	err := d.deed(ctx, func(f *filer, tx entries, made *draft) (refused, err error) {
		return f.view(made).act(tx.People(), id, act)
	})
	if err != nil {
		return alerting.Case{}, err
	}
	return d.Case(ctx, id)
}

// Journal returns lines of the journal, newest first.
func (d *Daemon) Journal(ctx context.Context, q alerting.JournalQuery) ([]alerting.Entry, string, error) {
	return d.store.Journal(ctx, q)
}

// Sendings returns what was and is to be sent of an alert.
func (d *Daemon) Sendings(ctx context.Context, alert string) ([]alerting.Sending, error) {
	list, err := d.store.OutgoingOf(ctx, alert)
	if err != nil {
		return nil, err
	}
	out := make([]alerting.Sending, len(list))
	for i, o := range list {
		out[i] = alerting.Sending{Target: o.Target, Reason: o.Reason, Since: o.Since, Tries: o.Tries, Outcome: o.Outcome, Sent: o.Sent, DoneAt: o.DoneAt}
		if o.DoneAt.IsZero() {
			out[i].Due = o.Due
		}
	}
	return out, nil
}

// WorkList returns which turnouts to visit, first first.
func (d *Daemon) WorkList() []alerting.Job {
	var alerts []alerting.Alert
	handlings, places := map[string]alerting.Handling{}, map[string]alerting.Place{}
	for _, c := range d.Cases() {
		if !c.Open() || c.Turnout == "" || c.Standing == alerting.Suppressed {
			continue
		}
		alerts = append(alerts, c.Alert)
		handlings[c.ID], places[c.Turnout] = c.Handling, c.Place
	}
	return alerting.WorkList(alerts, handlings, places, nil, d.Now())
}

// WorkDone returns the visits of a time, newest first.
func (d *Daemon) WorkDone(ctx context.Context, from, to time.Time, most int) ([]detect.Visit, error) {
	return d.store.WorkOf(ctx, from, to, most)
}

// Places returns the registry.
func (d *Daemon) Places() []alerting.Place {
	d.clerk.mu.RLock()
	list := slices.Collect(maps.Values(d.clerk.places))
	d.clerk.mu.RUnlock()
	slices.SortFunc(list, alongTheLine)
	return list
}

func alongTheLine(a, b alerting.Place) int {
	return cmp.Or(
		cmp.Compare(a.AreaOf(a.Turnout), b.AreaOf(b.Turnout)), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Position, b.Position), cmp.Compare(a.Turnout, b.Turnout),
	)
}

// SavePlace enters what is said of a turnout.
func (d *Daemon) SavePlace(ctx context.Context, by string, p alerting.Place) error {
	if !ingest.ValidName(p.Turnout) {
		return &ingest.Refusal{Faults: []ingest.Fault{{Path: "turnout", Expected: "1 to 64 of A-Z a-z 0-9 . _ -", Found: fmt.Sprintf("%q", p.Turnout)}}}
	}
	return d.deed(ctx, func(f *filer, tx entries, made *draft) (refused, err error) {
		v := f.view(made)
		if err := tx.People().SavePlace(p); err != nil {
			return nil, err
		}
		v.withPlaces(func(m map[string]alerting.Place) { m[p.Turnout] = p })
		d.look() // it may be out of service now, or in service again
		return nil, tx.People().Audit(v.at, by, "place "+p.Turnout, jsonOf(p))
	})
}

// DropPlace takes a turnout out of the registry; what is known of its throws stays.
func (d *Daemon) DropPlace(ctx context.Context, by, turnout string) error {
	return d.deed(ctx, func(f *filer, tx entries, made *draft) (refused, err error) {
		v := f.view(made)
		if !v.registered(turnout) {
			return fmt.Errorf("place of turnout %q: %w", turnout, fs.ErrNotExist), nil
		}
		if err := tx.People().DropPlace(turnout); err != nil {
			return nil, err
		}
		v.withPlaces(func(m map[string]alerting.Place) { delete(m, turnout) })
		return nil, tx.People().Audit(v.at, by, "place "+turnout, "dropped")
	})
}

// ReadPlaces makes the registry what a CSV file says, whole or not at all.
func (d *Daemon) ReadPlaces(ctx context.Context, by string, csv io.Reader) (int, error) {
	list, err := ReadRegistry(csv)
	var wrong *RegistryError
	if errors.As(err, &wrong) {
		r := &ingest.Refusal{}
		for _, f := range wrong.Faults {
			r.Faults = append(r.Faults, ingest.Fault{Path: fmt.Sprintf("line %d, %s", f.Line, cmp.Or(f.Column, "the whole")), Expected: f.Expected, Found: f.Found})
		}
		return 0, r
	}
	if err != nil {
		return 0, err
	}
	err = d.deed(ctx, func(f *filer, tx entries, made *draft) (refused, err error) {
		v := f.view(made)
		if err := tx.People().ReplacePlaces(list); err != nil {
			return nil, err
		}
		v.withPlaces(func(m map[string]alerting.Place) {
			clear(m)
			for _, p := range list {
				m[p.Turnout] = p
			}
		})
		d.look()
		return nil, tx.People().Audit(v.at, by, "registry", fmt.Sprintf("%d turnouts read from a file", len(list)))
	})
	return len(list), err
}

// WritePlaces writes the registry as CSV.
func (d *Daemon) WritePlaces(csv io.Writer) error { return WriteRegistry(csv, d.Places()) }

// Windows returns the windows, in the order in which they were entered.
func (d *Daemon) Windows() []alerting.Window {
	d.clerk.mu.RLock()
	defer d.clerk.mu.RUnlock()
	return slices.Clone(d.clerk.windows)
}

// SaveWindow enters a new window, or changes one.
func (d *Daemon) SaveWindow(ctx context.Context, by string, w alerting.Window) (alerting.Window, error) {
	if err := w.Check(); err != nil {
		return w, &ingest.Refusal{Faults: []ingest.Fault{{Path: "window", Expected: "a window that can be kept", Found: err.Error()}}}
	}
	w.By = by
	var kept atomic.Pointer[alerting.Window]
	err := d.deed(ctx, func(f *filer, tx entries, made *draft) (refused, err error) {
		v := f.view(made)
		w := w // made anew where the commit fails and is tried again
		id, err := tx.People().SaveWindow(w)
		if errors.Is(err, fs.ErrNotExist) {
			return err, nil
		}
		if err != nil {
			return nil, err
		}
		w.ID = id
		list := slices.DeleteFunc(slices.Clone(v.windows()), func(o alerting.Window) bool { return o.ID == id })
		list = append(list, w)
		slices.SortFunc(list, func(a, b alerting.Window) int { return cmp.Compare(a.ID, b.ID) })
		made.papers.windows, made.papers.planned = list, true
		kept.Store(&w)
		return nil, tx.People().Audit(v.at, by, fmt.Sprintf("window %d", id), jsonOf(w))
	})
	d.look()
	if err != nil {
		return w, err
	}
	return *kept.Load(), nil
}

// DropWindow ends a window for good.
func (d *Daemon) DropWindow(ctx context.Context, by string, id int64) error {
	err := d.deed(ctx, func(f *filer, tx entries, made *draft) (refused, err error) {
		v := f.view(made)
		if !slices.ContainsFunc(v.windows(), func(o alerting.Window) bool { return o.ID == id }) {
			return fmt.Errorf("window %d: %w", id, fs.ErrNotExist), nil
		}
		if err := tx.People().DropWindow(id); err != nil {
			return nil, err
		}
		made.papers.windows = slices.DeleteFunc(slices.Clone(v.windows()), func(o alerting.Window) bool { return o.ID == id })
		made.papers.planned = true
		return nil, tx.People().Audit(v.at, by, fmt.Sprintf("window %d", id), "dropped")
	})
	d.look()
	return err
}

// Routes are those of the configuration.
func (d *Daemon) Routes() []alerting.Route { return d.settings.Load().Routes }

// Targets returns how each target fares, those that are in no configuration
// any more but have something waiting among them.
func (d *Daemon) Targets(ctx context.Context) ([]alerting.TargetState, error) {
	kept, err := d.store.OutboxState(ctx)
	if err != nil {
		return nil, err
	}
	by := map[string]*alerting.TargetState{}
	for name, c := range d.settings.Load().Targets {
		by[name] = &alerting.TargetState{Name: name, Kind: c.Kind(), Routes: []string{}}
	}
	for _, t := range kept {
		s := by[t.Target]
		if s == nil {
			if t.Waiting == 0 {
				continue
			}
			s = &alerting.TargetState{Name: t.Target, Routes: []string{}}
			by[t.Target] = s
		}
		s.Waiting, s.Oldest, s.Sent, s.GivenUp, s.SentAt, s.FailedAt, s.Failure = t.Waiting, t.Oldest, t.Sent, t.GivenUp, t.LastSent, t.LastFailure, t.Failure
	}
	for _, r := range d.settings.Load().Routes {
		for _, s := range by {
			if r.Names(s.Name) {
				s.Routes = append(s.Routes, r.Name)
			}
		}
	}
	out := make([]alerting.TargetState, 0, len(by))
	for _, name := range slices.Sorted(maps.Keys(by)) {
		out = append(out, *by[name])
	}
	return out, nil
}

// Try sends a trial message to a target at once and returns what came of it.
func (d *Daemon) Try(ctx context.Context, by, target string) error {
	c := d.couriers.find(target)
	if c == nil {
		return fmt.Errorf("target %q: %w", target, fs.ErrNotExist)
	}
	now := d.Now()
	m := alerting.Message{
		Key: fmt.Sprintf("trial-%d", now.UnixNano()), Reason: alerting.Trial, At: now, Note: "A trial, sent by " + by + ": nothing is wrong.", Caution: alerting.Caution,
		Alert: alerting.Alert{ID: "trial", Turnout: "trial", Condition: detect.OddThrow, Priority: alerting.Low, Since: now, RaisedAt: now, ChangedAt: now},
	}
	try, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	failure := c.target.Send(try, m, nil)
	outcome := "sent"
	if failure != nil {
		outcome = failure.Error()
	}
	err := d.store.Update(context.WithoutCancel(ctx), func(tx *store.Tx) error {
		if _, err := tx.AddEntry(alerting.Entry{At: now, By: by, Action: string(alerting.Deliver), Note: "trial", Target: target, Outcome: outcome}); err != nil {
			return err
		}
		return tx.Audit(now, by, "trial of target "+target, outcome)
	})
	if failure != nil {
		return &ingest.Refusal{Faults: []ingest.Fault{{Path: "target " + target, Expected: "a message that is taken", Found: failure.Error()}}}
	}
	return err
}

func jsonOf(x any) string {
	b, err := json.Marshal(x)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

// lookEvery is how often it is looked for what is due though nothing happens.
const lookEvery = 15 * time.Second

// look has the clerk look for what is due now.
func (d *Daemon) look() {
	select {
	case d.looking <- struct{}{}:
	default:
	}
}

// watch says what is due as time passes: reminders, what a window or a shelving
// no longer hides, cabinets that have gone silent.
func (d *Daemon) watch(ctx context.Context) {
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		case <-d.looking:
		}
		ids, silent := d.clerk.due(), d.silences()
		if len(ids)+len(silent) == 0 {
			continue
		}
		enter := func(silent []ingest.CabinetState, ids []string) error {
			return d.deed(ctx, func(f *filer, tx entries, made *draft) (refused, err error) {
				if err := d.hush(f, tx, made, silent); err != nil {
					return nil, err
				}
				return nil, f.view(made).call(tx.People(), ids)
			})
		}
		err := enter(silent, ids)
		if errors.Is(err, errFault) && len(ids)+len(silent) > 1 {
			// One of them must not hold up the others.
			for i := range silent {
				err = errors.Join(err, enter(silent[i:i+1], nil))
			}
			for i := range ids {
				err = errors.Join(err, enter(nil, ids[i:i+1]))
			}
		}
		if err != nil && ctx.Err() == nil && !errors.Is(err, errStopping) {
			d.o.Log.Warn("what is due could not be entered; it is tried again", "error", err)
		}
	}
}
