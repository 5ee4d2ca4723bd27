package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"throwline/alerting"
	"throwline/daemon/export"
	"throwline/daemon/store"
	"throwline/detect"
)

// influxName is the name of the exporter's cursor in the store.
const influxName = "influx"

// openExport makes the exporter, where one is asked for.
func (d *Daemon) openExport(ctx context.Context) (err error) {
	if d.c.Export.Influx.URL == "" {
		return nil
	}
	d.exporter, err = export.New(ctx, d.store, d.c.Export.Influx.exporter(), export.Options{
		Name: influxName, Log: d.o.Log, Now: d.o.Now, Enough: store.ErrEnough, Area: d.areaOf, Health: d.health,
	})
	if err != nil {
		return fmt.Errorf("export (export.influx): %w", err)
	}
	return nil
}

// Exports returns how the exporters fare; none where nothing is exported.
func (d *Daemon) Exports() []export.State {
	if d.exporter == nil {
		return nil
	}
	return []export.State{d.exporter.State()}
}

// areaOf returns a turnout's area: what people have said, or what its name says.
func (d *Daemon) areaOf(turnout string) string {
	d.clerk.mu.RLock()
	p := d.clerk.places[turnout]
	d.clerk.mu.RUnlock()
	return p.AreaOf(turnout)
}

// health is how the turnouts are now, in the order of their names.
func (d *Daemon) health() []export.Turnout {
	open := map[string][]alerting.Alert{}
	for _, a := range d.OpenAlerts("") {
		open[a.Turnout] = append(open[a.Turnout], a)
	}
	list := d.Turnouts()
	out := make([]export.Turnout, len(list))
	for i := range list {
		t := &out[i]
		*t = export.Turnout{Name: list[i].Turnout, Learning: list[i].Learning, Last: list[i].Last}
		for j := range open[t.Name] {
			a := &open[t.Name][j]
			t.Open++
			if a.Priority == alerting.High {
				t.Pressing++
			}
			t.ChangePercent = max(t.ChangePercent, a.ChangePercent)
			if f := a.Forecast; f != nil && (t.Forecast == nil || f.P50 < t.Forecast.P50) {
				t.Forecast = f
			}
		}
	}
	return out
}

// ExportHistory writes what the store holds of the time from from to before to
// to the time-series store of the configuration. The program may run meanwhile;
// what it exports itself goes on by itself.
func ExportHistory(ctx context.Context, c *Config, log *slog.Logger, from, to time.Time, tell func(export.Progress)) (p export.Progress, err error) {
	if c.Export.Influx.URL == "" {
		return p, &ConfigError{"configuration", []Problem{{Path: "export.influx.url", Expected: "where to export to", Found: "nothing"}}}
	}
	s, err := store.OpenReader(ctx, filepath.Join(c.DataDir, StoreName))
	if err != nil {
		return p, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	list, err := s.Places(ctx)
	if err != nil {
		return p, fmt.Errorf("registry: %w", err)
	}
	places := map[string]alerting.Place{}
	for _, x := range list {
		places[x.Turnout] = x
	}
	var at store.Place
	h := export.History{
		Throws: func(ctx context.Context, limit int, f func(*detect.Record) error) (done bool, err error) {
			at, done, err = s.ThrowsBetween(ctx, from, to, at, limit, f)
			return done, err
		},
		Events: s.EventsFrom,
	}
	o := export.Options{Name: influxName, Log: log, Enough: store.ErrEnough, Area: func(turnout string) string {
		x := places[turnout]
		return x.AreaOf(turnout)
	}}
	return export.Backfill(ctx, h, c.Export.Influx.exporter(), o, from, to, tell)
}
