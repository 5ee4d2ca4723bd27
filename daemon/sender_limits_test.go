package daemon

import (
	"context"
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"throwline/detect"
	"throwline/ingest"
	"throwline/ingest/wire"
)

// Tests of deploy/limits.md: what cabinets and brokers send. THROWLINE_LIMITS
// makes them so many times longer.
func times(t *testing.T, n int) int {
	t.Helper()
	more, err := strconv.Atoi(os.Getenv("THROWLINE_LIMITS"))
	if err != nil {
		return n
	}
	return n * max(more, 1)
}

// TestLongTraces: small messages that hold very long traces wait unread while
// nothing can be committed, and none of them is lost.
func TestLongTraces(t *testing.T) {
	const most, samples = 1 << 20, 16 * 5000
	messages := times(t, 60)
	b := newBench(t, 256)
	b.room.bound(most)
	open := make(chan struct{})
	b.flaky.fail = func(int, string) error { <-open; return nil }
	b.start(t)
	go func() {
		for i := range messages {
			x := invented("ORR-W1", i, 0)
			x.ID = fmt.Sprint("long-", i)
			c := x.Channels[0]
			c.Samples = append(c.Samples, make([]float64, samples/16-len(c.Samples))...)
			x.Channels = nil
			for k := range 16 {
				c.Drive = fmt.Sprint("d", k)
				x.Channels = append(x.Channels, c)
			}
			p := messageOf("ORR", x)
			p.ack = func() { b.mu.Lock(); b.acked[p]++; b.mu.Unlock() }
			select {
			case b.in <- p:
			case <-b.ended:
				return
			}
		}
	}()
	var highest atomic.Int64
	eventually(t, "that it waits", func() bool {
		highest.Store(max(highest.Load(), b.room.used.Load()))
		return b.room.waits.Load() >= 2 && b.room.used.Load() > most
	})
	close(open)
	eventually(t, "all to be acknowledged", func() bool {
		highest.Store(max(highest.Load(), b.room.used.Load()))
		b.mu.Lock()
		defer b.mu.Unlock()
		return len(b.acked) == messages
	})
	if n := b.sum(func(d *draft) int { return d.throws[stored] }); n != messages {
		t.Errorf("expected %d throws, found %d", messages, n)
	}
	// One that is large is taken in any case, and so is the load that is waited for.
	one := int64(samples * 8 * 2)
	if highest.Load() > most+(loadSize+3)*one {
		t.Errorf("expected at most %d bytes inside, found %d", most+(loadSize+3)*one, highest.Load())
	}
	eventually(t, "what they took to be free", func() bool { return b.room.used.Load() == 0 })
}

// TestUnreadAtTheEnd: a message that was taken and not read when the program
// stops is not acknowledged.
func TestUnreadAtTheEnd(t *testing.T) {
	b := newBench(t, 256)
	b.room.bound(1)
	open := make(chan struct{})
	b.flaky.fail = func(int, string) error { <-open; return nil }
	b.start(t)
	go func() {
		for i := range 20 * loadSize {
			p := messageOf("ORR", invented("ORR-W1", i, 0))
			p.ack = func() { b.mu.Lock(); b.acked[p]++; b.mu.Unlock() }
			select {
			case b.in <- p:
			case <-b.ended:
				return
			}
		}
	}()
	eventually(t, "that it waits", func() bool { return b.room.waits.Load() > 0 })
	b.cancel()
	close(open)
	<-b.ended
	if n := b.sum(func(d *draft) int { return d.throws[stored] }); n != len(b.acked) {
		t.Errorf("%d are stored, %d acknowledged", n, len(b.acked))
	}
}

// TestMadeUpCabinets: names of cabinets are the senders' to choose, and take a
// bounded room; a throw is filed whoever sends it.
func TestMadeUpCabinets(t *testing.T) {
	f := &filer{yard: newYard(), set: detect.DefaultSettings(), most: 10, clerk: newClerk(nil, "", time.Now)}
	kept, r, m := &counting{memory: newMemory()}, newReader(wire.DefaultLimits()), newMetrics()
	file := func(list ...*parcel) *draft {
		for _, p := range list {
			r.read(p)
		}
		d, err := f.file(kept, list)
		if err != nil {
			t.Fatal(err)
		}
		f.yard.take(d)
		m.commit(0, len(list), d)
		return d
	}
	at := firstDay
	state := func(cabinet string) *parcel {
		return &parcel{kind: aState, topic: "throwline/v1/" + cabinet + "/state", cabinet: cabinet, arrived: at,
			payload: wire.AppendState(nil, &ingest.CabinetState{Cabinet: cabinet, Online: true, At: at})}
	}
	conditions := func(cabinet string) *parcel {
		return &parcel{kind: someConditions, topic: "throwline/v1/" + cabinet + "/conditions", cabinet: cabinet, arrived: at,
			payload: wire.AppendConditions(nil, &ingest.Conditions{Cabinet: cabinet, At: at, RailTemperature: ingest.Known(5)})}
	}
	file(messageOf("ORR", numbered(invented("ORR-W1", 0, 0), "b", 1)), state("ORR"))
	many := times(t, 10*leastBoxes)
	for i := range many {
		file(state(fmt.Sprint("UP-", i)), conditions(fmt.Sprint("UP-", i)))
	}
	refusedSoFar := 2 * (many - leastBoxes + 1)
	if kept.aside != refusedSoFar || len(f.yard.boxes) != leastBoxes || len(f.yard.cabinets) != leastBoxes {
		t.Fatalf("expected %d set aside and %d cabinets, found %d, %d and %d", refusedSoFar, leastBoxes, kept.aside, len(f.yard.boxes), len(f.yard.cabinets))
	}
	const why = `cabinet: expected one of the 1000 known: no more are taken (limits.turnouts), found a new one, "UP-`
	if !strings.HasPrefix(kept.last.Faults[0].String(), why) || len(kept.last.Payload) == 0 {
		t.Errorf("expected %s, found %+v", why, kept.last)
	}
	// Throws of known turnouts are filed whoever sends them; there is no receipt.
	for i := range 100 {
		d := file(messageOf(fmt.Sprint("THROWS-", i), numbered(invented("ORR-W1", 1+i, 0), "b", 1)))
		if d.throws[stored] != 1 || len(d.receipts) != 0 {
			t.Fatalf("found %v, %v", d.throws, d.receipts)
		}
	}
	// So is a refused one set aside, which number it ever has.
	p := messageOf("REFUSED", numbered(invented("ORR-W1", 200, 0), "b", 1))
	p.payload = []byte(`{"boot":"b","sequence":5}`)
	file(p)
	// Those that are known go on as before.
	d := file(messageOf("ORR", numbered(invented("ORR-W1", 201, 0), "b", 2)), state("UP-7"), conditions("UP-8"))
	if d.aside != 0 || d.receipts["ORR"].Through != 2 {
		t.Errorf("found %d set aside, %v", d.aside, d.receipts)
	}
	if n := len(f.clerk.hearing.cabinets); n > leastBoxes || len(f.yard.receipts) != 1 || len(f.yard.boxes) != leastBoxes {
		t.Errorf("found %d heard, %d receipts, %d cabinets", n, len(f.yard.receipts), len(f.yard.boxes))
	}
	if n := testutil.ToFloat64(m.crowd); n != float64(refusedSoFar+100) {
		t.Errorf("expected %d turned away, found %g", refusedSoFar+100, n)
	}
}

// counting is a memory that counts what is set aside.
type counting struct {
	*memory
	aside int
	last  ingest.SetAside
}

func (c *counting) SetAside(a ingest.SetAside) (int64, error) {
	c.aside++
	c.last = a
	return int64(c.aside), nil
}

// TestMadeUpTurnouts: so do names of turnouts.
func TestMadeUpTurnouts(t *testing.T) {
	f := &filer{yard: newYard(), set: detect.DefaultSettings(), most: 10}
	kept, r, m := &counting{memory: newMemory()}, newReader(wire.DefaultLimits()), newMetrics()
	many := times(t, 200)
	for i := range many {
		p := messageOf("ORR", numbered(invented(fmt.Sprint("UP-", i), 0, 0), "b", uint64(i+1)))
		r.read(p)
		d, err := f.file(kept, []*parcel{p})
		if err != nil {
			t.Fatal(err)
		}
		f.yard.take(d)
		m.commit(0, 1, d)
	}
	if kept.aside != many-10 || f.yard.size() != 10 || len(f.yard.names) != 10 || testutil.ToFloat64(m.away) != float64(many-10) || testutil.ToFloat64(m.aside) != float64(many-10) {
		t.Errorf("found %d set aside, %d turnouts, %g turned away", kept.aside, f.yard.size(), testutil.ToFloat64(m.away))
	}
	if want := fmt.Sprintf(`turnout: expected one of the 10 known: no more are taken (limits.turnouts), found a new one, "UP-%d"`, many-1); kept.last.Faults[0].String() != want {
		t.Errorf("expected %s, found %s", want, kept.last.Faults[0])
	}
}

// TestLongTopics: of a topic that is no one's, little is kept.
func TestLongTopics(t *testing.T) {
	kept, r := &counting{memory: newMemory()}, newReader(wire.DefaultLimits())
	f := &filer{yard: newYard(), set: detect.DefaultSettings(), most: 10}
	for _, name := range []string{strings.Repeat("x", 60_000), strings.Repeat("é", 30_000), strings.Repeat("\x01", 60_000)} {
		p := placed("throwline/v1", nil, "throwline/v1/"+name+"/throw/W1", []byte("{}"), firstDay)
		r.read(p)
		if _, err := f.file(kept, []*parcel{p}); err != nil {
			t.Fatal(err)
		}
		a := kept.last
		if len(a.Topic) > mostTopic+3 || !utf8.ValidString(a.Topic) || len(a.Faults) != 1 || len(a.Faults[0].String()) > 1000 {
			t.Errorf("found a topic of %d bytes, %d of reason", len(a.Topic), len(a.Faults[0].String()))
		}
	}
}

// TestReceiptsWait: of each cabinet one receipt is due, and a few are under way.
func TestReceiptsWait(t *testing.T) {
	y := newYard()
	d := newDraft()
	for i := range 200 {
		d.receipts[fmt.Sprint("C-", i)] = ingest.Receipt{Boot: "b", Through: 1}
	}
	y.take(d)
	var now, highest atomic.Int64
	open := make(chan struct{})
	r := &receipts{
		yard: y, now: yardTime, due: map[string]struct{}{}, wake: make(chan struct{}, 1), published: func() {},
		publish: func(context.Context, string, []byte) error {
			highest.Store(max(highest.Load(), now.Add(1)))
			<-open
			now.Add(-1)
			return nil
		},
	}
	for range 100 {
		r.owe(d.receipts)
	}
	if len(r.due) != 200 || len(r.wake) != 1 {
		t.Fatalf("%d are due", len(r.due))
	}
	done := make(chan error)
	go func() { done <- r.settle(t.Context()) }()
	eventually(t, "that they are under way", func() bool { return now.Load() == receiptsAtOnce })
	close(open)
	if err := <-done; err != nil || highest.Load() > receiptsAtOnce || len(r.due) != 0 {
		t.Errorf("%v, %d at once, %d are due", err, highest.Load(), len(r.due))
	}
}
