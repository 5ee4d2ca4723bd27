package daemon

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sys/unix"

	"throwline/daemon/export"
)

// asked are metrics that are made when they are asked for.
type asked struct {
	d     *Daemon
	descs []*prometheus.Desc

	aside, asideBytes, asideLost, free, size, turned, waiting *prometheus.Desc

	lag, lagTime, written, refused, missed, failing *prometheus.Desc

	open, last, learning, left *prometheus.Desc
}

func newAsked(d *Daemon) *asked {
	a := &asked{d: d}
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		x := prometheus.NewDesc("throwline_"+name, help, labels, nil)
		a.descs = append(a.descs, x)
		return x
	}
	a.aside = desc("set_aside_messages", "Refused messages that are kept now.")
	a.asideBytes = desc("set_aside_bytes", "Size of the refused messages that are kept now.")
	a.asideLost = desc("set_aside_dropped_total", "Refused messages that made room for others.")
	a.free = desc("data_disk_free_bytes", "Room left on the disk with the store.")
	a.size = desc("data_disk_size_bytes", "Size of the disk with the store.")
	a.turned = desc("http_refused_total", "Connections and requests of browsers and programs that were turned away, by why.", "reason")
	a.waiting = desc("messages_waiting", "Messages that wait for a target.", "target")
	if d.c.Export.Influx.URL != "" {
		a.lag = desc("export_behind_throws", "Throws that are filed and not yet exported.", "exporter")
		a.lagTime = desc("export_behind_seconds", "How long the first throw that is not yet exported has waited.", "exporter")
		a.written = desc("export_points_written_total", "Points written, since the store was made.", "exporter")
		a.refused = desc("export_points_refused_total", "Points that the other side will not take, since the store was made.", "exporter")
		a.missed = desc("export_throws_missed_total", "Throws that were past their retention before they were exported.", "exporter")
		a.failing = desc("export_failing", "1 while nothing can be exported.", "exporter")
	}
	if d.c.Metrics.PerTurnout { // named unlike what is exported, which may stand in the same store
		a.open = desc("turnout_alerts_open", "Alerts of the turnout that are open now.", "turnout")
		a.last = desc("turnout_last_throw_timestamp_seconds", "Start of the turnout's latest throw.", "turnout")
		a.learning = desc("turnout_is_learning", "1 while the turnout has no baseline for both ends.", "turnout")
		a.left = desc("turnouts_left_out", "Turnouts beyond metrics.most_turnouts, of which there are no series here.")
	}
	return a
}

func (a *asked) Describe(to chan<- *prometheus.Desc) {
	for _, d := range a.descs {
		to <- d
	}
}

func (a *asked) Collect(to chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v int64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	kept := a.d.store.AsideNow()
	gauge(a.aside, float64(kept.Messages))
	gauge(a.asideBytes, float64(kept.Bytes))
	counter(a.asideLost, kept.Dropped)
	var disk unix.Statfs_t
	if unix.Statfs(a.d.c.DataDir, &disk) == nil {
		gauge(a.free, float64(disk.Bavail)*float64(disk.Bsize))
		gauge(a.size, float64(disk.Blocks)*float64(disk.Bsize))
	}
	for why, n := range a.d.refused.All() {
		counter(a.turned, n, why.String())
	}
	// Targets are the configuration's, those of earlier ones among them: few.
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if states, err := a.d.store.OutboxState(ctx); err == nil {
		for _, s := range states {
			gauge(a.waiting, float64(s.Waiting), s.Target)
		}
	}
	for _, s := range a.d.Exports() {
		gauge(a.lag, float64(s.BehindThrows), s.Name)
		gauge(a.lagTime, s.Behind(a.d.Now()).Seconds(), s.Name)
		counter(a.written, s.Written, s.Name)
		counter(a.refused, s.Refused, s.Name)
		counter(a.missed, s.Missed, s.Name)
		failing := 0.0
		if s.Trouble != "" {
			failing = 1
		}
		gauge(a.failing, failing, s.Name)
	}
	if a.open == nil {
		return
	}
	list := a.d.health()
	// Where not all can be told, those with alerts come first.
	slices.SortStableFunc(list, func(x, y export.Turnout) int { return cmp.Compare(min(y.Open, 1), min(x.Open, 1)) })
	most := min(len(list), a.d.c.Metrics.MostTurnouts)
	gauge(a.left, float64(len(list)-most))
	for i := range list[:most] {
		t := &list[i]
		gauge(a.open, float64(t.Open), t.Name)
		if !t.Last.IsZero() {
			gauge(a.last, float64(t.Last.UnixNano())/float64(time.Second), t.Name)
		}
		learning := 0.0
		for _, l := range t.Learning {
			if l.Throws < l.Needed {
				learning = 1
			}
		}
		gauge(a.learning, learning, t.Name)
	}
}
