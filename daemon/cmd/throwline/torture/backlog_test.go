package torture

import (
	"context"
	"fmt"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// mostMemory is what the program may have held at most: far less than a large
// backlog, and more than it needs.
const mostMemory = 256 << 20

// After a day's absence everything waits at the broker. It is drained in the
// order of each cabinet, in memory that does not grow with the backlog; nobody
// is told as news what is over, and once each of what still stands.
//
//	CABINETS=500 go test ./daemon/cmd/throwline/torture -run Backlog -timeout 1h -v
func TestBacklog(t *testing.T) {
	t.Parallel()
	cabinets := atLeast("CABINETS", 20)
	const turnouts, hours, perHour = 3, 24, 3
	b := benchWith(t, "", "")
	b.start() // its session and subscriptions are the broker's from now on
	b.awaitReady()
	b.end(syscall.SIGTERM)

	// The latest is older than what is told as it happens.
	first := time.Now().Add(-(hours + 2) * time.Hour)
	standing := func(cabinet, k int) bool { return k == 0 && cabinet%10 == 3 }
	bytes := int64(0)
	l, err := mqtt.Connect(t.Context(), mqtt.LinkOptions{Broker: b.broker.URL(), ClientID: "all-cabinets", Forget: true})
	if err != nil {
		t.Fatal(err)
	}
	window := make(chan struct{}, 100)
	var under sync.WaitGroup
	for i := range hours * perHour * turnouts { // all cabinets take turns
		for c := range cabinets {
			k, m := i%turnouts, i/turnouts
			name, turnout := fmt.Sprintf("CAB-%d", c), fmt.Sprintf("BOX%d-W%d", c, k)
			th := throwAt(turnout, i, m, first.Add(time.Duration(m)*time.Hour/perHour+time.Duration(k)*time.Second), 0, 0)
			// Some fail in the night and work again; of some the last failed.
			th.Completed = (m+c)%29 != 7 || m > hours*perHour-12 // three good ones to each end clear it
			if m == hours*perHour-1 {
				th.Completed = !standing(c, k)
			}
			th.Boot, th.Sequence = "b", uint64(i+1)
			payload := wire.AppendThrow(nil, th)
			bytes += int64(len(payload))
			window <- struct{}{}
			under.Add(1)
			l.Begin(mqtt.ThrowTopic(mqtt.DefaultPrefix, name, turnout), false, payload, func(err error) {
				if err != nil {
					t.Error(err)
				}
				<-window
				under.Done()
			})
		}
	}
	under.Wait()
	l.Close()
	all := cabinets * turnouts * hours * perHour

	var mu sync.Mutex
	receipts := map[string]ingest.Receipt{}
	d := wire.NewDecoder(wire.Limits{})
	hear, err := mqtt.Connect(t.Context(), mqtt.LinkOptions{Broker: b.broker.URL(), ClientID: "ledger", Forget: true, Receive: func(_ *mqtt.Link, m *mqtt.Message) {
		r, err := d.Receipt(m.Payload)
		if err != nil {
			t.Error(err)
		}
		mu.Lock()
		receipts[m.Topic] = r
		mu.Unlock()
		m.Ack()
	}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(hear.Close)
	if err := hear.Subscribe(t.Context(), mqtt.ReceiptTopic(mqtt.DefaultPrefix, "+")); err != nil {
		t.Fatal(err)
	}
	b.start()
	began := time.Now()
	patient, cancel := context.WithTimeout(t.Context(), 20*time.Minute)
	defer cancel()
	for b.number("SELECT count(*) FROM throws") < all {
		select {
		case <-patient.Done():
			t.Fatalf("expected %d throws, found %d\n%s", all, b.number("SELECT count(*) FROM throws"), b.out.String())
		case <-time.After(100 * time.Millisecond):
		}
	}
	took := time.Since(began)
	b.await("a receipt for each cabinet over all it has sent", func() bool {
		mu.Lock()
		defer mu.Unlock()
		for _, r := range receipts {
			if r.Through != uint64(turnouts*hours*perHour) || len(r.Missing) > 0 {
				return false
			}
		}
		return len(receipts) == cabinets
	})
	b.emptied()
	most := b.peak()
	if most > mostMemory {
		t.Errorf("expected at most %d MiB in memory, found %d", mostMemory>>20, most>>20)
	}
	b.end(syscall.SIGTERM)

	whole := b.verify()
	if whole.Throws != all || whole.Aside != 0 || whole.Turnouts != cabinets*turnouts {
		t.Errorf("expected %d throws of %d turnouts, found %s, %d set aside", all, cabinets*turnouts, contents(whole), whole.Aside)
	}
	if n := b.number("SELECT count(*) FROM (SELECT started_at - lag(started_at) OVER (PARTITION BY cabinet ORDER BY id) AS step FROM throws) WHERE step < 0"); n != 0 {
		t.Errorf("expected each cabinet's throws in their order, found %d that are not", n)
	}
	raised := 0
	for _, e := range b.events() {
		if e.Kind == alerting.Raised {
			raised++
		}
	}
	wanted := 0
	for c := range cabinets {
		for k := range turnouts {
			if standing(c, k) {
				wanted++
			}
		}
	}
	for what, n := range map[string]int{
		"messages of what was over":          b.number("SELECT count(*) FROM outbox WHERE reason <> 'still-stands'"),
		"messages of what stands, too many":  b.number("SELECT count(*) FROM outbox WHERE reason = 'still-stands'") - wanted,
		"alerts that stand, too many":        b.number("SELECT count(*) FROM alerts WHERE open = 1") - wanted,
		"messages that came, and should not": len(b.inbox.got) - wanted,
	} {
		if n != 0 {
			t.Errorf("%s: expected none, found %d", what, n)
		}
	}
	if raised < 2*wanted {
		t.Errorf("expected alerts that were over by the end, found %d raised, %d of which stand", raised, wanted)
	}
	t.Logf("%d cabinets, %d throws, %d MB of messages drained in %s, at most %d MiB in memory; %d alerts raised, %d still stand and are told once; %s",
		cabinets, all, bytes/1e6, took.Round(100*time.Millisecond), most>>20, raised, wanted, contents(whole))
}

// peak returns the most memory that the program has held, in bytes.
func (b *bench) peak() int64 {
	b.t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", b.proc.Process.Pid))
	if err != nil {
		b.t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(status), "VmHWM:")
	var kb int64
	if _, err := fmt.Sscan(after, &kb); err != nil {
		b.t.Fatal(err)
	}
	return kb << 10
}
