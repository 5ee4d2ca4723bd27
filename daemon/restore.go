package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"throwline/alerting"
	"throwline/daemon/store"
	"throwline/detect"
)

// restore takes what the store knows into memory.
func (d *Daemon) restore(ctx context.Context, f *filer) error {
	began := time.Now()
	alerts, err := d.store.OpenAlerts(ctx)
	if err != nil {
		return fmt.Errorf("open alerts: %w", err)
	}
	alerts, d.clerk.silent = silenced(alerts)
	slices.SortFunc(alerts, func(a, b alerting.Alert) int {
		return cmp.Or(a.RaisedAt.Compare(b.RaisedAt), cmp.Compare(a.ID, b.ID))
	})
	pasts, err := d.pasts(ctx, alerts)
	if err != nil {
		return err
	}
	y := d.yard
	y.mu.Lock()
	defer y.mu.Unlock()
	unread, through := map[string]bool{}, map[string]int64{}
	// One state that cannot be read is no reason to watch none.
	lost := func(name, what string, err error) {
		if !unread[name] && len(unread) < 5 {
			d.o.Log.Error(what, "turnout", name, "error", err)
		}
		unread[name] = true
		d.metrics.unread.Set(float64(len(unread)))
	}
	err = d.store.States(ctx, func(name, cabinet string, state []byte) error {
		t := &turnout{cabinet: cabinet, past: pasts[name]}
		var err error
		if fault := guard(func() {
			through[name], t.state, err = readCheckpoint(state)
			t.latest = t.state.Summary().Last
		}); fault != nil {
			err = fault
		}
		if err != nil {
			lost(name, "what was learned of a turnout cannot be read; it learns anew", err)
			t.state, t.latest = new(detect.State), time.Time{}
		}
		for _, a := range slices.Concat(t.past.Open, t.past.Recent) {
			t.latest = latest(t.latest, a.ChangedAt)
		}
		d.clerk.heard(cabinet, t.latest)
		y.put(name, t)
		return nil
	})
	if err != nil {
		return fmt.Errorf("states of turnouts: %w", err)
	}
	// What was filed after a state was kept is stepped again: after a clean stop,
	// nothing.
	again := 0
	if err = d.store.Since(ctx, func(number int64, r *detect.Record) error {
		now := y.turnouts[r.Turnout]
		if now == nil || number <= through[r.Turnout] {
			return nil // a turnout's first throw keeps its state
		}
		t := &turnout{cabinet: now.cabinet, past: now.past, latest: latest(now.latest, r.StartedAt), lacks: now.lacks + 1, first: now.first}
		if r.Cabinet != "" {
			t.cabinet = r.Cabinet
		}
		if t.first == 0 {
			t.first = number
			y.behind = append(y.behind, behind{r.Turnout, number})
		}
		if fault := guard(func() { t.state, _ = now.state.Step(&r.Observation, &f.set) }); fault != nil {
			lost(r.Turnout, "a throw that was filed trips a fault of the program when it is stepped again; its turnout learns anew", fault)
			t.state = new(detect.State)
		}
		y.put(r.Turnout, t)
		again++
		return nil
	}); err != nil {
		return fmt.Errorf("throws filed since the states were kept: %w", err)
	}
	if y.receipts, err = d.store.Receipts(ctx); err != nil {
		return fmt.Errorf("receipts: %w", err)
	}
	cabinets, err := d.store.Cabinets(ctx)
	if err != nil {
		return fmt.Errorf("states of cabinets: %w", err)
	}
	for _, c := range cabinets {
		y.cabinets[c.Cabinet] = c
		y.remember(c.Cabinet)
	}
	for name := range y.receipts {
		y.remember(name)
	}
	conditions, err := d.store.LatestConditions(ctx)
	if err != nil {
		return fmt.Errorf("conditions: %w", err)
	}
	for i := range conditions {
		if fault := guard(func() { f.weather.Conditions(&conditions[i]) }); fault != nil {
			d.o.Log.Error("the last conditions of a cabinet trip a fault of the program and are left out", "cabinet", conditions[i].Cabinet, "error", fault)
		}
		y.remember(conditions[i].Cabinet)
	}
	for _, t := range slices.SortedFunc(maps.Values(y.turnouts), func(a, b *turnout) int { return a.latest.Compare(b.latest) }) {
		if fault := guard(func() { f.near.Take(t.state, t.cabinet, t.latest) }); fault != nil {
			d.o.Log.Error("what a turnout feels trips a fault of the program; its neighbours do without it", "cabinet", t.cabinet, "error", fault)
		}
		y.remember(t.cabinet)
	}
	common, err := d.store.Common(ctx)
	if err != nil {
		return fmt.Errorf("what neighbours have in common: %w", err)
	}
	if common != nil {
		if err := f.near.Restore(common); err != nil { // it is found anew within days
			d.o.Log.Error("what neighbours have long had in common cannot be read", "error", err)
		}
	}
	d.o.Log.Info("restored", "turnouts", len(y.turnouts), "unread", len(unread), "stepped_again", again, "open_alerts", len(alerts), "cabinets", len(cabinets),
		"took", time.Since(began).Round(time.Millisecond))
	return nil
}

// restorePeople takes into memory what people did that is not over.
func (d *Daemon) restorePeople(ctx context.Context) error {
	c := d.clerk
	list, err := d.store.Handlings(ctx)
	if err != nil {
		return fmt.Errorf("alerts that are not over: %w", err)
	}
	places, err := d.store.Places(ctx)
	if err != nil {
		return fmt.Errorf("registry: %w", err)
	}
	windows, err := d.store.Windows(ctx)
	if err != nil {
		return fmt.Errorf("windows: %w", err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, p := range places {
		c.places[p.Turnout] = p
	}
	c.windows = windows
	v := view{c, &papers{}, c.now()}
	for _, k := range list {
		h := &handled{alert: k.Alert, handling: k.Handling}
		if k.Calls != nil {
			if err := json.Unmarshal(k.Calls, &h.told); err != nil {
				// Better told twice than that nobody is.
				d.o.Log.Error("who was told of an alert cannot be read; they are told again", "alert", k.Alert.ID, "error", err)
				h.told = alerting.Told{}
			}
		}
		h.standing, _, _ = v.standing(&h.alert, &h.handling)
		c.cases[k.Alert.ID] = h
	}
	return nil
}

// recentEnough is how far back cleared alerts are looked for at the start, by
// the clock: a cabinet that sends late has its own time, which lies behind.
const recentEnough = 5 * alerting.ReopenWithin

// pasts returns what is known of the alerts of each turnout.
func (d *Daemon) pasts(ctx context.Context, open []alerting.Alert) (map[string]alerting.Past, error) {
	cleared, err := d.store.RecentlyCleared(ctx, d.Now().Add(-recentEnough))
	if err != nil {
		return nil, fmt.Errorf("alerts cleared of late: %w", err)
	}
	visited, err := d.store.LatestWork(ctx)
	if err != nil {
		return nil, fmt.Errorf("latest work: %w", err)
	}
	pasts := map[string]alerting.Past{}
	for _, a := range open {
		p := pasts[a.Turnout]
		p.Open = append(p.Open, a)
		pasts[a.Turnout] = p
	}
	for _, a := range cleared[""] { // of cabinets
		p := d.clerk.silent[a.Cabinet]
		p.Recent = append(p.Recent, a)
		d.clerk.silent[a.Cabinet] = p
	}
	delete(cleared, "")
	for name, list := range cleared {
		p := pasts[name]
		p.Recent = list
		pasts[name] = p
	}
	for name, at := range visited {
		pasts[name] = pasts[name].Visit(at)
	}
	return pasts, nil
}

const (
	retainFirst = time.Minute
	retainEvery = time.Hour
	retainStep  = 2000 // throws, between which others may write
)

// retain drops what is past its time: every hour, and at once when that changes.
func (d *Daemon) retain(ctx context.Context) {
	next := time.NewTimer(retainFirst)
	defer next.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-next.C:
		case <-d.pruning:
		}
		total, now := 0, d.sureNow()
		for {
			n, err := d.store.Prune(ctx, now.Add(-time.Duration(d.settings.Load().Retention.Traces)), now.Add(-time.Duration(d.settings.Load().Retention.Throws)), retainStep)
			total += n
			d.metrics.pruned.Add(float64(n))
			if err != nil && ctx.Err() == nil {
				d.o.Log.Warn("dropping what is past its retention failed; it is tried again in an hour", "error", err)
			}
			if err != nil || n == 0 || !pause(ctx, 20*time.Millisecond) {
				break
			}
		}
		if err := d.abandon(ctx); err != nil && ctx.Err() == nil {
			d.o.Log.Warn("giving up what waits for targets that are gone failed; it is tried again in an hour", "error", err)
		}
		if err := d.store.Update(ctx, func(tx *store.Tx) error {
			_, err := tx.PruneOutbox(now.Add(-outboxKept), retainStep)
			return err
		}); err != nil && ctx.Err() == nil {
			d.o.Log.Warn("dropping old messages failed; it is tried again in an hour", "error", err)
		}
		if total > 0 {
			d.o.Log.Info("dropped what is past its retention", "throws", total)
		}
		next.Reset(retainEvery)
	}
}
