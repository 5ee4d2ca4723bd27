package screen

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// told is one event as a reader sees it.
type told struct {
	kind, id string
	data     []byte
}

// parse reads whole events; a part of one is an error.
func parse(frame []byte) (events []told, err error) {
	for block := range bytes.SplitSeq(frame, []byte("\n\n")) {
		if len(block) == 0 {
			continue
		}
		var e told
		for line := range bytes.SplitSeq(block, []byte("\n")) {
			name, value, ok := bytes.Cut(line, []byte(": "))
			switch string(name) {
			case "event":
				e.kind = string(value)
			case "id":
				e.id = string(value)
			case "data":
				e.data = value
			case "retry":
			default:
				return nil, fmt.Errorf("line %q", line)
			}
			if !ok {
				return nil, fmt.Errorf("line %q", line)
			}
		}
		if !json.Valid(e.data) {
			return nil, fmt.Errorf("data %q", e.data)
		}
		events = append(events, e)
	}
	return events, nil
}

// drain takes what waits for the reader.
func (r *reader) drain(t *testing.T) (events []told) {
	t.Helper()
	for {
		select {
		case f := <-r.queue:
			e, err := parse(f)
			if err != nil {
				t.Fatal(err)
			}
			events = append(events, e...)
		default:
			return events
		}
	}
}

func kindsOf(events []told) string {
	var list []string
	for _, e := range events {
		list = append(list, e.kind)
	}
	return strings.Join(list, " ")
}

func raised(n int) alerting.Event {
	return alerting.Event{Kind: alerting.Raised, At: noon, Alert: alerting.Alert{ID: fmt.Sprintf("a%d", n), Turnout: "W1", Condition: detect.Stiffening, Priority: alerting.High, Since: noon, RaisedAt: noon, ChangedAt: noon}}
}

func mustJoin(t *testing.T, h *Hub) *reader {
	t.Helper()
	r, err := h.join()
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The alert's data is the line that a replay prints.
func TestAlertEvent(t *testing.T) {
	h := NewHub(HubOptions{Now: func() time.Time { return noon }})
	defer h.Close()
	r := mustJoin(t, h)
	h.Alert(raised(1))
	h.Cabinet(ingest.CabinetState{Cabinet: "c", Online: true, At: noon})
	got := r.drain(t)
	want := `{"event":"raised","at":"2026-03-01T12:00:00Z","alert":{"id":"a1","turnout":"W1","condition":"stiffening","priority":"high","causes":[],"since":"2026-03-01T12:00:00Z","raised_at":"2026-03-01T12:00:00Z","changed_at":"2026-03-01T12:00:00Z"}}`
	if kindsOf(got) != "alert cabinet" || string(got[0].data) != want || got[0].id != "1" || got[1].id != "2" {
		t.Errorf("found %s", got)
	}
	if c := string(got[1].data); c != `{"cabinet":"c","state":"online","at":"2026-03-01T12:00:00Z"}` {
		t.Errorf("found %s", c)
	}
}

// Throws of one turnout become one event, at most five a second; a turnout
// keeps its place; the number of turnouts in one go is bounded.
func TestThrowsGathered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := NewHub(HubOptions{Now: time.Now})
		defer h.Close()
		lone := record("lone", ingest.Reverse, noon, 1)
		h.Throw(&lone) // nobody reads: nothing waits
		r := mustJoin(t, h)
		events, sum := 0, 0
		for i := range 1000 { // 100 s, 10 throws a second
			rec := record("W1", ingest.Normal, noon.Add(time.Duration(i)*time.Second), float32(i))
			rec.Traces = append(rec.Traces, rec.Traces[0])
			rec.Traces[0].Features[detect.Duration] = float32(math.NaN())
			h.Throw(&rec)
			time.Sleep(100 * time.Millisecond)
			for _, e := range r.drain(t) {
				if e.kind != "throw" {
					continue
				}
				var s struct {
					Turnout  string
					Throws   int
					Duration float64 `json:"duration_s"`
				}
				if err := json.Unmarshal(e.data, &s); err != nil || s.Turnout != "W1" {
					t.Fatalf("%s: %v", e.data, err)
				}
				events, sum = events+1, sum+s.Throws
				if int(s.Duration) != sum-1 {
					t.Fatalf("expected the latest throw, %d, found %s", sum-1, e.data)
				}
			}
		}
		if events < 450 || events > 501 || sum < 997 {
			t.Errorf("%d throws as %d events", sum, events)
		}
		time.Sleep(1050 * time.Millisecond) // away from the moments at which what was gathered is told
		r.drain(t)
		for i := range 3 * gathered {
			rec := record(fmt.Sprintf("T%d", i), ingest.Normal, noon, 1)
			h.Throw(&rec)
		}
		time.Sleep(time.Second)
		got := r.drain(t)
		if len(got) != gathered || !strings.Contains(string(got[0].data), `"T0"`) || h.Missed() != 2*gathered {
			t.Errorf("%d events, %d missed", len(got), h.Missed())
		}
	})
}

func TestClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := NewHub(HubOptions{Now: time.Now})
		defer h.Close()
		r := mustJoin(t, h)
		time.Sleep(16 * time.Second)
		got := r.drain(t)
		if kindsOf(got) != "clock clock clock" {
			t.Fatalf("found %s", got)
		}
		want := fmt.Sprintf(`{"now":%q}`, time.Now().Add(-time.Second).Format(time.RFC3339Nano))
		if string(got[2].data) != want {
			t.Errorf("expected %s, found %s", want, got[2].data)
		}
	})
}

// A slow reader loses throws, never an alert: before it would, it is cut off.
// Others lose nothing by it.
func TestSlowReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := NewHub(HubOptions{Now: time.Now, Queue: 8, Clock: time.Hour})
		defer h.Close()
		slow, quick := mustJoin(t, h), mustJoin(t, h)
		throws := 0
		for i := range 20 {
			rec := record("W1", ingest.Normal, noon, float32(i))
			h.Throw(&rec)
			time.Sleep(time.Second)
			throws += len(quick.drain(t))
		}
		if throws != 20 || h.Missed() != 16 || len(slow.queue) != 4 {
			t.Fatalf("the quick reader saw %d throws, the slow one misses %d, %d wait", throws, h.Missed(), len(slow.queue))
		}
		alerts := 0
		for i := range 10 {
			h.Alert(raised(i))
			alerts += len(quick.drain(t))
			cut := false
			select {
			case <-slow.gone:
				cut = true
			default:
			}
			if cut != (i >= 4) {
				t.Errorf("alert %d: cut off is %v", i, cut)
			}
		}
		if alerts != 10 || h.CutOff() != 1 || h.Readers() != 1 {
			t.Errorf("the quick reader saw %d alerts; %d cut off, %d left", alerts, h.CutOff(), h.Readers())
		}
		// All up to the cut are there, in order.
		if k := kindsOf(slow.drain(t)); k != "throw throw throw throw alert alert alert alert" {
			t.Errorf("found %s", k)
		}
		h.leave(slow) // as its handler does: once more changes nothing
		if h.Readers() != 1 {
			t.Errorf("%d readers", h.Readers())
		}
	})
}

func TestReadersLimited(t *testing.T) {
	h := NewHub(HubOptions{Now: time.Now, Readers: 2})
	a, _ := mustJoin(t, h), mustJoin(t, h)
	if _, err := h.join(); !errors.Is(err, errCrowded) {
		t.Errorf("found %v", err)
	}
	h.leave(a)
	b := mustJoin(t, h)
	h.Close()
	h.Close()
	select {
	case <-b.gone:
	default:
		t.Error("a reader is still there after Close")
	}
	if _, err := h.join(); !errors.Is(err, errClosed) {
		t.Errorf("found %v", err)
	}
	h.Alert(raised(1)) // changes nothing, and does not panic
	h.leave(b)
	if h.Readers() != 0 {
		t.Errorf("%d readers", h.Readers())
	}
}

// An event that is no JSON is told without its content and logged.
func TestEventWithoutContent(t *testing.T) {
	r := newRig(t)
	f := appendEvent(nil, "alert", 3, struct{ V float64 }{math.NaN()}, r.s.o.Log)
	if string(f) != "event: alert\nid: 3\ndata: {}\n\n" || !strings.Contains(r.log.String(), "event=alert") {
		t.Errorf("found %q, logged %s", f, r.log)
	}
}

// Readers come and go while everything is told from everywhere: ids rise for
// each reader and every alert told while it was there is seen.
func TestHubTogether(t *testing.T) {
	h := NewHub(HubOptions{Now: time.Now, Gather: time.Millisecond, Clock: time.Millisecond, Queue: 4096})
	var tellers, readers sync.WaitGroup
	stop := make(chan struct{})
	for i := range 4 {
		tellers.Go(func() {
			rec := record(fmt.Sprintf("W%d", i), ingest.Normal, noon, 1)
			for n := range 500 {
				h.Throw(&rec)
				h.Alert(raised(n))
				h.Cabinet(ingest.CabinetState{Cabinet: "c"})
			}
		})
	}
	for range 8 {
		readers.Go(func() {
			for {
				r, err := h.join()
				if err != nil {
					t.Error(err)
					return
				}
				last := uint64(0)
				for range 50 {
					select {
					case f := <-r.queue:
						events, err := parse(f)
						if err != nil {
							t.Error(err)
						}
						for _, e := range events {
							var id uint64
							if _, err := fmt.Sscan(e.id, &id); err != nil || id <= last {
								t.Errorf("id %q after %d", e.id, last)
							}
							last = id
						}
					case <-r.gone:
					case <-stop:
						h.leave(r)
						return
					}
				}
				h.leave(r)
			}
		})
	}
	tellers.Wait()
	close(stop)
	readers.Wait()
	h.Close()
}

// BenchmarkFanOut tells alerts to 200 readers whose queues are emptied; the
// share of a reader is ns/op over 200.
func BenchmarkFanOut(b *testing.B) {
	h := NewHub(HubOptions{Now: time.Now})
	var readers sync.WaitGroup
	var got atomic.Int64
	for range 200 {
		r, err := h.join()
		if err != nil {
			b.Fatal(err)
		}
		readers.Go(func() {
			for {
				select {
				case <-r.queue:
					got.Add(1)
				case <-r.gone:
					return
				}
			}
		})
	}
	e := raised(1)
	e.Alert.Causes = newFake().alerts[1].Causes
	b.ReportAllocs()
	told := int64(0)
	for b.Loop() {
		h.Alert(e)
		told++
		for told%64 == 0 && got.Load() < 200*told && h.CutOff() == 0 { // stay within the queues
			time.Sleep(10 * time.Microsecond)
		}
	}
	for got.Load() < 200*told && h.CutOff() == 0 {
		time.Sleep(time.Millisecond)
	}
	if h.CutOff() > 0 {
		b.Errorf("%d readers cut off", h.CutOff())
	}
	h.Close()
	readers.Wait()
}

// BenchmarkThrowUnread is what a throw costs where nobody looks.
func BenchmarkThrowUnread(b *testing.B) {
	h := NewHub(HubOptions{Now: time.Now})
	defer h.Close()
	rec := record("W1", ingest.Normal, noon, 1)
	b.ReportAllocs()
	for b.Loop() {
		h.Throw(&rec)
	}
}
