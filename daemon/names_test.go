package daemon

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"

	"throwline/ingest"
	"throwline/ingest/wire"
)

// TestNamesMakeNoSeries: names that are made up, good messages or bad, become
// neither labels of metrics nor lines of the log, and a cabinet beside goes on.
// The broker is the one inside, whose figures are told.
func TestNamesMakeNoSeries(t *testing.T) {
	conf := DefaultConfig()
	conf.DataDir, conf.HTTP.Listen, conf.Broker.Listen, conf.Limits.Turnouts = t.TempDir(), "127.0.0.1:0", "127.0.0.1:0", 5
	d := serving(t, conf)
	c := newCabinet(t, d.BrokerAddr())
	c.throw("ORR", numbered(invented("ORR-W1", 0, 0), "b", 1))
	eventually(t, "a throw", func() bool { return d.count(stored) == 1 })
	// series returns how many there are, and fails where a name stands in one.
	series := func() (n int) {
		list, err := d.registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range list {
			for _, m := range f.Metric {
				n++
				for _, l := range m.Label {
					if strings.Contains(l.GetValue(), "UP-") || strings.Contains(l.GetValue(), "ORR") {
						t.Fatalf("%s has the label %s", f.GetName(), l)
					}
				}
			}
		}
		return n
	}
	before, said := series(), len(d.log.String())
	many := times(t, 150)
	var wg sync.WaitGroup
	slots := make(chan struct{}, 64)
	send := func(topic string, payload []byte) {
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			if err := c.s.Publish(context.Background(), topic, false, payload); err != nil {
				t.Error(err)
			}
		})
	}
	for i := range many {
		name := fmt.Sprint("UP-", i)
		send("throwline/v1/"+name+"/state", wire.AppendState(nil, &ingest.CabinetState{Cabinet: name, Online: true, At: yardTime()}))
		send("throwline/v1/"+name+"/throw/"+name, wire.AppendThrow(nil, numbered(invented(name, i, 0), "b", 1)))
		send("throwline/v1/"+name+"/throw/"+name, []byte(`{"turnout":"`+name+`"}`))
		send("throwline/v1/"+name+"/throw/no~name", []byte(name))
	}
	wg.Wait()
	eventually(t, "all to be set aside", func() bool { return d.store.AsideNow().Messages >= int64(3*many-4) })
	c.throw("ORR", numbered(invented("ORR-W1", 1, 0), "b", 2))
	eventually(t, "a throw beside them", func() bool { r, _ := d.receipt("ORR"); return r.Through == 2 })
	if after := series(); after > before+5 {
		t.Errorf("found %d series, %d before", after, before)
	}
	if more := len(d.log.String()) - said; more > 10_000 {
		t.Errorf("%d bytes were logged: %.2000s", more, d.log.String()[said:])
	}
	var text string
	d.get("/metrics", &text)
	for _, want := range []string{
		"throwline_broker_connections 2", "throwline_broker_let_in_total", "throwline_broker_kept_bytes", fmt.Sprintf("throwline_turnouts_turned_away_total %d", many-4),
		"throwline_cabinets ", "throwline_cabinets_turned_away_total 0", "throwline_reading_bytes 0", "throwline_mqtt_in_hand_waits_total 0",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("expected %s, found nothing of it", want)
		}
	}
}
