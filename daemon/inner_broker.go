package daemon

import (
	"github.com/prometheus/client_golang/prometheus"

	"throwline/ingest/broker"
)

// innerFigures are the figures of the broker inside, read when they are asked for.
type innerFigures struct {
	read  func() broker.Figures
	descs []*prometheus.Desc
}

func newInnerFigures(read func() broker.Figures) *innerFigures {
	f := &innerFigures{read: read}
	for _, d := range [][2]string{
		{"connections", "Connections to the broker inside, the program's own among them."},
		{"kept_bytes", "Size of the messages that the broker inside keeps on disk."},
		{"connections_total", "Connections made to the broker inside."},
		{"let_in_total", "Connections to the broker inside of which a client was let in; the others said nothing, were not let in, or found no room."},
		{"not_let_in_total", "Logins and certificates that the broker inside refused."},
		{"slow_total", "Connections that the broker inside ended because nobody read there."},
		{"too_large_total", "Connections that the broker inside ended for a packet that was too large."},
	} {
		f.descs = append(f.descs, prometheus.NewDesc("throwline_broker_"+d[0], d[1], nil, nil))
	}
	return f
}

func (f *innerFigures) Describe(to chan<- *prometheus.Desc) {
	for _, d := range f.descs {
		to <- d
	}
}

func (f *innerFigures) Collect(to chan<- prometheus.Metric) {
	n := f.read()
	for i, v := range []float64{float64(n.Connections), float64(n.Kept), float64(n.Came), float64(n.LetIn), float64(n.NotLetIn), float64(n.Slow), float64(n.Large)} {
		kind := prometheus.CounterValue
		if i < 2 {
			kind = prometheus.GaugeValue
		}
		to <- prometheus.MustNewConstMetric(f.descs[i], kind, v)
	}
}
