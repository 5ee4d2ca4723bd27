package daemon

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"throwline/alerting"
	"throwline/alerting/notify"
	"throwline/detect"
	"throwline/ingest"
)

const (
	picturedDays   = 30
	picturedThrows = 1000 // the most that a trend is made of
)

// pictures draws what an alert is about: how the turnout got there, and its
// latest throw beside the past. A message goes without what cannot be drawn.
func (d *Daemon) pictures(ctx context.Context, m *alerting.Message) (out []notify.Picture) {
	a := &m.Alert
	if a.Turnout == "" || m.Reason == alerting.NoLonger || m.Reason == alerting.Trial {
		return nil
	}
	from := a.ChangedAt.Add(-picturedDays * 24 * time.Hour)
	throws, _, err := d.store.Throws(ctx, a.Turnout, from, time.Time{}, "", picturedThrows)
	if err != nil || len(throws) == 0 {
		d.o.Log.Debug("no picture of an alert", "turnout", a.Turnout, "error", err)
		return nil
	}
	slices.Reverse(throws) // oldest first
	to := a.To
	if to == 0 {
		to = throws[len(throws)-1].To
	}
	if p, err := d.pictureTrend(ctx, a, to, throws); err == nil {
		out = append(out, p)
	}
	if p, err := d.pictureTrace(ctx, a, to, throws); err == nil {
		out = append(out, p)
	}
	return out
}

// shownBy names the feature that shows a condition best.
func shownBy(c detect.Condition) (detect.Feature, string) {
	switch c {
	case detect.SlowThrow, detect.LateDetection, detect.WeakSupply:
		return detect.Duration, "duration"
	}
	return detect.TravelMean, "effort of the travel"
}

// traceOf returns the trace of a throw that an alert speaks of, -1 for none.
func traceOf(r *detect.Record, drive string) int {
	best := -1
	for i := range r.Traces {
		t := &r.Traces[i]
		if t.Quantity == ingest.SupplyVoltage || t.Quantity == ingest.Displacement || drive != "" && t.Drive != drive {
			continue
		}
		if best < 0 || t.Drive == "main" && r.Traces[best].Drive != "main" {
			best = i
		}
	}
	return best
}

func (d *Daemon) pictureTrend(ctx context.Context, a *alerting.Alert, to ingest.End, throws []detect.Record) (notify.Picture, error) {
	feature, name := shownBy(a.Condition)
	t := notify.Trend{Title: fmt.Sprintf("%s to %s: %s", a.Turnout, to, name)}
	for i := range throws {
		r := &throws[i]
		k := traceOf(r, a.Drive)
		if r.To != to || !r.Completed || k < 0 || k >= len(r.Bands) {
			continue
		}
		now, usual := float64(r.Traces[k].Features[feature]), float64(r.Bands[k].Expected[feature])
		if !(usual > 0) || math.IsNaN(now) {
			continue
		}
		t.Times, t.Change = append(t.Times, r.StartedAt), append(t.Change, 100*(now/usual-1))
	}
	if len(t.Times) < 2 {
		return notify.Picture{}, fmt.Errorf("turnout %q: expected throws with a past, found %d", a.Turnout, len(t.Times))
	}
	t.Marks = []notify.Mark{{At: a.RaisedAt, Text: "raised", Alert: true}}
	work, err := d.store.Work(ctx, a.Turnout)
	if err != nil {
		return notify.Picture{}, err
	}
	for _, w := range work {
		if w.DoneAt.After(t.Times[0]) {
			t.Marks = append(t.Marks, notify.Mark{At: w.DoneAt, Text: string(w.Kind)})
		}
	}
	png, err := t.PNG()
	return notify.Picture{Name: "trend.png", Caption: t.Title + ", change against its past over the last days", PNG: png}, err
}

func (d *Daemon) pictureTrace(ctx context.Context, a *alerting.Alert, to ingest.End, throws []detect.Record) (notify.Picture, error) {
	i := len(throws) - 1
	for ; i >= 0; i-- {
		if throws[i].To == to && (a.Condition != detect.IncompleteThrow || !throws[i].Completed) {
			break
		}
	}
	if i < 0 {
		return notify.Picture{}, fmt.Errorf("turnout %q: no throw to %s", a.Turnout, to)
	}
	r, channels, err := d.store.Throw(ctx, throws[i].Key)
	if err != nil {
		return notify.Picture{}, err
	}
	k := traceOf(&r, a.Drive)
	if k < 0 || k >= len(channels) {
		return notify.Picture{}, fmt.Errorf("throw %s: its traces are past their retention", r.Key)
	}
	c := &channels[k]
	t := notify.Trace{
		Title:    fmt.Sprintf("%s to %s, %s", a.Turnout, to, r.StartedAt.UTC().Format("2 Jan 2006 15:04 UTC")),
		Quantity: strings.ReplaceAll(string(c.Quantity), "_", " "), Unit: string(c.Quantity.Base()),
	}
	scale, zero := c.Factors()
	for j, x := range c.Samples {
		t.Times = append(t.Times, c.Offset+float64(j)/c.SampleRate)
		t.Values = append(t.Values, scale*x+zero)
	}
	past := d.Profile(a.Turnout, to, c.Drive, c.Quantity)
	if r.Traces[k].Turned() {
		past = past.Turned()
	}
	t.SetPast(past)
	png, err := t.PNG()
	return notify.Picture{Name: "trace.png", Caption: t.Title + ", beside its past", PNG: png}, err
}
