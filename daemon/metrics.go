package daemon

import (
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"throwline/detect"
)

// metrics are what the program counts of itself. No label names a turnout,
// unless it is asked for (metrics_more.go): their number is not ours to bound.
type metrics struct {
	throws      *prometheus.CounterVec
	transitions *prometheus.CounterVec
	aside       prometheus.Counter
	faults      prometheus.Counter
	unread      prometheus.Gauge
	again       *prometheus.CounterVec
	away        prometheus.Counter
	crowd       prometheus.Counter
	commits     prometheus.Histogram
	batches     prometheus.Histogram
	retries     prometheus.Counter
	receipts    prometheus.Counter
	messages    *prometheus.CounterVec
	reloaded    prometheus.Gauge // 1: the last reload of the configuration was taken
	reloadedAt  prometheus.Gauge
	pruned      prometheus.Counter
	committed   prometheus.Gauge
}

func newMetrics() *metrics {
	opts := func(name, help string) prometheus.CounterOpts {
		return prometheus.CounterOpts{Namespace: "throwline", Name: name, Help: help}
	}
	m := &metrics{
		throws: prometheus.NewCounterVec(opts("throws_total", "Throws that arrived, by what became of them."), []string{"outcome"}),
		transitions: prometheus.NewCounterVec(opts("alert_transitions_total", "Alerts raised, changed and cleared."),
			[]string{"condition", "event"}),
		aside:  prometheus.NewCounter(opts("messages_set_aside_total", "Messages refused and kept with the reason.")),
		faults: prometheus.NewCounter(opts("faults_total", "Faults of the program itself, of messages set aside for them and others; the log says where.")),
		unread: prometheus.NewGauge(prometheus.GaugeOpts{
			Namespace: "throwline", Name: "turnouts_unread", Help: "Turnouts whose past could not be read or stepped again at the start, and which learn anew.",
		}),
		again:   prometheus.NewCounterVec(opts("set_aside_sent_again_total", "Messages set aside for a time ahead that were sent through again once it had come, by what became of them."), []string{"outcome"}),
		away:    prometheus.NewCounter(opts("turnouts_turned_away_total", "Throws of new turnouts beyond the limit on turnouts.")),
		crowd:   prometheus.NewCounter(opts("cabinets_turned_away_total", "Messages of new cabinets beyond the limit on cabinets; their throws are filed without a receipt.")),
		retries: prometheus.NewCounter(opts("commit_retries_total", "Commits that failed and were tried again.")),
		reloaded: prometheus.NewGauge(prometheus.GaugeOpts{
			Namespace: "throwline", Name: "config_last_reload_successful", Help: "1 where the configuration was taken when it was last read.",
		}),
		reloadedAt: prometheus.NewGauge(prometheus.GaugeOpts{
			Namespace: "throwline", Name: "config_last_reload_success_timestamp_seconds", Help: "When a configuration was last taken.",
		}),
		messages: prometheus.NewCounterVec(opts("messages_total", "Messages to targets, by what became of a try."), []string{"target", "outcome"}),
		receipts: prometheus.NewCounter(opts("receipts_published_total", "Receipts published to cabinets.")),
		pruned:   prometheus.NewCounter(opts("pruned_throws_total", "Throws that lost their raw traces or were dropped, by age.")),
		committed: prometheus.NewGauge(prometheus.GaugeOpts{
			Namespace: "throwline", Name: "last_commit_timestamp_seconds", Help: "When something was last committed, 0 before the first.",
		}),
		commits: prometheus.NewHistogram(prometheus.HistogramOpts{
			Namespace: "throwline", Name: "commit_seconds", Help: "Time to step, write and sync a batch.",
			Buckets: []float64{0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10},
		}),
		batches: prometheus.NewHistogram(prometheus.HistogramOpts{
			Namespace: "throwline", Name: "commit_messages", Help: "Messages that shared a transaction.",
			Buckets: []float64{1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 2048, 4096},
		}),
	}
	for o := range numOutcomes { // so that they are there before the first
		m.throws.WithLabelValues(o.String())
	}
	for _, outcome := range []string{"taken", "refused"} {
		m.again.WithLabelValues(outcome)
	}
	return m
}

// commit counts what was committed.
func (m *metrics) commit(took time.Duration, messages int, d *draft) {
	m.commits.Observe(took.Seconds())
	m.committed.SetToCurrentTime()
	m.batches.Observe(float64(messages))
	for o, n := range d.throws {
		if n > 0 {
			m.throws.WithLabelValues(outcome(o).String()).Add(float64(n))
		}
	}
	for _, e := range d.events {
		m.transitions.WithLabelValues(string(e.Alert.Condition), string(e.Kind)).Inc()
	}
	m.aside.Add(float64(d.aside))
	m.away.Add(float64(d.away))
	m.crowd.Add(float64(d.crowd))
}

// sent counts a try to send a message. Targets are the configuration's: few.
func (m *metrics) sent(target, outcome string) { m.messages.WithLabelValues(target, outcome).Inc() }

// register registers all metrics, and those that are read of the daemon when
// they are asked for.
func (m *metrics) register(to prometheus.Registerer, d *Daemon) error {
	gauge := func(name, help string, read func() float64) prometheus.Collector {
		return prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "throwline", Name: name, Help: help}, read)
	}
	counter := func(name, help string, read func() float64) prometheus.Collector {
		return prometheus.NewCounterFunc(prometheus.CounterOpts{Namespace: "throwline", Name: name, Help: help}, read)
	}
	build := prometheus.NewGauge(prometheus.GaugeOpts{
		Namespace: "throwline", Name: "build_info", Help: "Always 1; what is running stands in the labels.",
		ConstLabels: prometheus.Labels{"version": d.o.Version, "go": runtime.Version()},
	})
	build.Set(1)
	list := []prometheus.Collector{
		m.throws, m.transitions, m.aside, m.faults, m.unread, m.again, m.away, m.crowd, m.commits, m.batches, m.retries, m.receipts, m.pruned, m.messages, m.reloaded, m.reloadedAt, build,
		gauge("in_flight_messages", "Messages taken from the broker and not yet acknowledged.", func() float64 { return float64(d.inFlight()) }),
		counter("mqtt_in_hand_waits_total", "Times no more was received from the broker for the size of what was not yet acknowledged.", func() float64 { return float64(d.session.Status().Waits) }),
		gauge("reading_bytes", "Size of what is taken, read and not yet committed.", func() float64 { return float64(d.pipeline.room.used.Load()) }),
		counter("reading_waits_total", "Times nothing more was taken or read for the size of what was not yet committed.", func() float64 { return float64(d.pipeline.room.waits.Load()) }),
		gauge("mqtt_connected", "1 while the session with the broker stands and is subscribed.", func() float64 {
			if s := d.session.Status(); s.Connected && s.Subscribed {
				return 1
			}
			return 0
		}),
		counter("mqtt_reconnects_total", "Connections to the broker after the first.", func() float64 { return float64(d.session.Status().Reconnects) }),
		gauge("cabinets", "Cabinets known.", func() float64 { return float64(d.crowd()) }),
		gauge("turnouts", "Turnouts known.", func() float64 { return float64(d.yard.size()) }),
		gauge("turnouts_learning", "Turnouts without a baseline for both ends yet.", func() float64 { return float64(d.learning()) }),
		gauge("event_stream_readers", "Open event streams.", func() float64 { return float64(d.hub.Readers()) }),
		counter("event_stream_cut_off_total", "Event streams cut off because their reader was too slow.", func() float64 { return float64(d.hub.CutOff()) }),
		gauge("unclean_start", "1 where the program before this one did not close the store: it was killed, or the store failed.", func() float64 {
			if d.store.Unclean() {
				return 1
			}
			return 0
		}),
		gauge("store_bytes", "Size of the store's files.", func() float64 { return float64(d.store.Size()) }),
		&openAlerts{d.yard, prometheus.NewDesc("throwline_open_alerts", "Alerts that are open now.", []string{"condition"}, nil)},
		m.committed,
		newAsked(d),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	}
	if d.inner != nil {
		list = append(list, newInnerFigures(d.inner.Figures))
	}
	if d.spark != nil {
		list = append(list, d.spark.collectors()...)
	}
	for _, c := range list {
		if err := to.Register(c); err != nil {
			return err
		}
	}
	return nil
}

// openAlerts counts open alerts when it is asked.
type openAlerts struct {
	yard *yard
	desc *prometheus.Desc
}

func (o *openAlerts) Describe(to chan<- *prometheus.Desc) { to <- o.desc }

func (o *openAlerts) Collect(to chan<- prometheus.Metric) {
	counts := map[detect.Condition]int{
		detect.Stiffening: 0, detect.SlowThrow: 0, detect.IncompleteThrow: 0, detect.OddThrow: 0,
		detect.LateDetection: 0, detect.WeakSupply: 0, detect.DoubtfulMeasurement: 0, detect.CabinetSilent: 0,
	}
	for _, a := range o.yard.OpenAlerts("") {
		counts[a.Condition]++
	}
	for c, n := range counts {
		to <- prometheus.MustNewConstMetric(o.desc, prometheus.GaugeValue, float64(n), string(c))
	}
}
