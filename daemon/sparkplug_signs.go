package daemon

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"throwline/alerting"
	"throwline/ingest/mqtt"
	"throwline/ingest/sparkplug"
)

// noPromise is what has to be known of this way in.
const noPromise = "Sparkplug sends data at QoS 0: what the broker or the line loses is lost, what is sent while we are away is lost, and there are no receipts"

// sign says how the way in for Sparkplug fares.
func (h *sparkHost) sign(now time.Time) alerting.Sign {
	s := alerting.Sign{What: "sparkplug", Word: alerting.Good}
	status, n := h.Status()
	switch {
	case !status.Connected:
		s.Word, s.Said, s.Do = alerting.Bad, "there is no connection: "+cmp.Or(status.LastError, "it was not tried yet"), "see that the broker lets a second client in under "+h.link.ClientID
		return s
	case !status.Subscribed:
		s.Word, s.Said = alerting.Bad, "it has not taken the subscriptions: "+status.LastError
		s.Do = "let us read " + strings.Join(h.set.filters(), ", ")
		return s
	}
	s.Said = fmt.Sprintf("connected for %s; %d edge nodes, %d of them online, %d devices; %d births, %d deaths, %d data messages", about(now.Sub(status.Since)), n.Nodes, n.Online, n.Devices, n.Births, n.Deaths, n.Data)
	if n.Gaps > 0 {
		s.Word = alerting.Worse
		s.Said += fmt.Sprintf("; %d times a sequence number was missing, so that at least as many messages were lost", n.Gaps)
		s.Do = "see to the broker's limits on queues and to the edge nodes' lines"
	}
	if n.Asked > 0 {
		s.Said += fmt.Sprintf("; %d rebirths asked for", n.Asked)
	}
	if n.Waiting > 0 {
		s.Word = alerting.Worse
		s.Said += fmt.Sprintf("; %d messages wait for a birth", n.Waiting)
		s.Do = "see that the edge nodes answer " + sparkplug.RebirthMetric + ", and that the broker lets us publish " + sparkplug.Topic{Group: "GROUP", Node: "NODE"}.Command()
	}
	if n.TurnedAway > 0 {
		s.Word = alerting.Worse
		s.Said += fmt.Sprintf("; %d messages of edge nodes or devices that are beyond the limits", n.TurnedAway)
		s.Do = "see what is set aside with \"no more are taken\": names made up, or limits.turnouts too low"
	}
	if h.set.HostID == "" {
		s.Said += "; no host_id, so that no edge node waits for us with its data"
	}
	s.Said += "; " + noPromise
	return s
}

// sparkHeard is what was heard of edge nodes while the doctor listened.
type sparkHeard struct {
	messages, broken int
	nodes            map[string]bool
	why              string
}

// heard notes a message of Sparkplug; false where it is none.
func (s *sparkHeard) heard(c *Config, m *mqtt.Message) bool {
	if len(c.MQTT.Sparkplug.Groups) == 0 || !strings.HasPrefix(m.Topic, sparkplug.Namespace+"/") {
		return false
	}
	t, ok := sparkplug.ParseTopic(m.Topic)
	if !ok {
		return true // a STATE
	}
	if s.nodes == nil {
		s.nodes = map[string]bool{}
	}
	s.messages++
	s.nodes[t.Group+"/"+t.Node] = true
	if _, err := sparkplug.Decode(m.Payload, sparkplug.Limits{Bytes: int(c.Limits.Payload)}); err != nil {
		s.broken++
		s.why = m.Topic + ": " + err.Error()
	}
	return true
}

func (s *sparkHeard) sign(c *Config, listen time.Duration) alerting.Sign {
	out := alerting.Sign{What: "sparkplug", Word: alerting.Good, Said: fmt.Sprintf("in %s: messages %d, of edge nodes %d", about(listen), s.messages, len(s.nodes))}
	switch {
	case s.broken > 0:
		out.Word, out.Do = alerting.Worse, "mend the sender: what it sends is set aside"
		out.Said += fmt.Sprintf("; %d could not be read, the last %s", s.broken, s.why)
	case s.messages == 0:
		out.Word = alerting.Unknown
		out.Do = "nothing was sent while we listened: edge nodes speak when something changes; listen longer (--listen), or look whether they publish under " + strings.Join(c.MQTT.Sparkplug.Groups, ", ")
	}
	out.Said += "; " + noPromise
	return out
}

// collectors are the figures of the way in for Sparkplug.
func (h *sparkHost) collectors() []prometheus.Collector {
	counter := func(name, help string, read func(sparkplug.Tally) float64) prometheus.Collector {
		return prometheus.NewCounterFunc(prometheus.CounterOpts{Namespace: "throwline", Subsystem: "sparkplug", Name: name, Help: help}, func() float64 {
			_, n := h.Status()
			return read(n)
		})
	}
	return []prometheus.Collector{
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "throwline", Subsystem: "sparkplug", Name: "edge_nodes_online", Help: "Edge nodes that are online."}, func() float64 {
			_, n := h.Status()
			return float64(n.Online)
		}),
		counter("gaps_total", "Sequence numbers that were not the next: messages were lost before them.", func(n sparkplug.Tally) float64 { return float64(n.Gaps) }),
		counter("turned_away_total", "Messages of edge nodes and devices beyond the limits on their number and names.", func(n sparkplug.Tally) float64 { return float64(n.TurnedAway) }),
		counter("aliases_let_go_total", "Aliases of metrics of no use that found no room; throws need none of them.", func(n sparkplug.Tally) float64 { return float64(n.LetGo) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{Namespace: "throwline", Subsystem: "sparkplug", Name: "waiting_messages", Help: "Messages that wait for the birth that explains them."}, func() float64 {
			_, n := h.Status()
			return float64(n.Waiting)
		}),
		counter("rebirths_asked_total", "Rebirths that edge nodes were asked for.", func(n sparkplug.Tally) float64 { return float64(n.Asked) }),
	}
}
