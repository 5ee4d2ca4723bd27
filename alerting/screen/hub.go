package screen

import (
	"errors"
	"log/slog"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"github.com/go-json-experiment/json"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Why a reader is not let in.
var (
	errCrowded = errors.New("too many readers of the event stream")
	errClosed  = errors.New("the event stream is closed")
)

// HubOptions are what a hub is made of; only Now is needed.
type HubOptions struct {
	Now     func() time.Time // the yard's time
	Readers int              // at most at once, 500 where 0
	Queue   int              // events that wait for one reader, at most, 256 where 0
	Clock   time.Duration    // between clock events, 5 s where 0
	Gather  time.Duration    // for which throws of one turnout become one event, 200 ms where 0
	Log     *slog.Logger
}

// Hub tells every reader of the event stream what happens. Its methods never
// wait for a reader and may be called from any number of goroutines.
//
// Each event is encoded once for all readers. A reader that cannot keep up
// loses throws first; before it would lose anything else it is cut off, so
// that it comes back and reads the lists anew.
type Hub struct {
	o       HubOptions
	readers atomic.Int64 // len(joined), read without the lock
	cutOff  atomic.Int64
	missed  atomic.Int64

	mu      sync.Mutex
	joined  map[*reader]struct{}
	closed  bool
	id      uint64
	pending map[string]*ThrowSummary // by turnout
	order   []*ThrowSummary          // pending, in the order of arrival
	stop    chan struct{}
	stopped chan struct{}
}

// reader is one open event stream.
type reader struct {
	queue chan []byte   // encoded events
	gone  chan struct{} // closed when the reader is cut off
}

// gathered is how many turnouts' throws wait to be told, at most; with Gather
// at 200 ms that is 300 throws a second, more than eyes follow.
const gathered = 60

// ThrowSummary is a throw as the event stream tells it.
type ThrowSummary struct {
	Key       string     `json:"key"`
	Turnout   string     `json:"turnout"`
	Cabinet   string     `json:"cabinet,omitempty"`
	To        ingest.End `json:"to" enum:"normal,reverse"`
	StartedAt time.Time  `json:"started_at"`
	ArrivedAt time.Time  `json:"arrived_at"`
	Completed bool       `json:"completed"`
	Duration  *figure    `json:"duration_s,omitempty" doc:"of the longest trace"`
	Throws    int        `json:"throws" doc:"for which this event stands: itself and those of the turnout shortly before it"`
}

// Clock is the yard's time.
type Clock struct {
	Now time.Time `json:"now"`
}

// Hello opens the stream.
type Hello struct {
	Now     time.Time `json:"now"`
	Version string    `json:"version"`
	Demo    bool      `json:"demo"`
}

// NewHub returns a hub, which runs until it is closed.
func NewHub(o HubOptions) *Hub {
	if o.Readers == 0 {
		o.Readers = 500
	}
	if o.Queue == 0 {
		o.Queue = 256
	}
	if o.Clock == 0 {
		o.Clock = 5 * time.Second
	}
	if o.Gather == 0 {
		o.Gather = 200 * time.Millisecond
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	h := &Hub{
		o: o, joined: map[*reader]struct{}{}, pending: map[string]*ThrowSummary{},
		stop: make(chan struct{}), stopped: make(chan struct{}),
	}
	go h.run()
	return h
}

// run tells the time and the throws that were gathered.
func (h *Hub) run() {
	defer close(h.stopped)
	clock := time.NewTicker(h.o.Clock)
	defer clock.Stop()
	gather := time.NewTicker(h.o.Gather)
	defer gather.Stop()
	for {
		select {
		case <-h.stop:
			return
		case <-clock.C:
			h.publish("clock", Clock{h.o.Now()})
		case <-gather.C:
			h.tellThrows()
		}
	}
}

// Close ends all streams and waits until the hub has stopped. It may be called
// again.
func (h *Hub) Close() {
	h.mu.Lock()
	if !h.closed {
		h.closed = true
		close(h.stop)
		for r := range h.joined {
			close(r.gone)
		}
		clear(h.joined)
		h.readers.Store(0)
	}
	h.mu.Unlock()
	<-h.stopped
}

// Readers returns how many event streams are open.
func (h *Hub) Readers() int { return int(h.readers.Load()) }

// CutOff returns how many readers were cut off because they were too slow.
func (h *Hub) CutOff() int64 { return h.cutOff.Load() }

// Missed returns how many events about throws were left out, counted for each
// slow reader, or for all at once where more came than are told.
func (h *Hub) Missed() int64 { return h.missed.Load() }

// Alert tells what became of an alert.
func (h *Hub) Alert(e alerting.Event) { h.publish("alert", e) }

// Case tells how an alert stands after something was done about it, or after
// something else has changed its standing.
func (h *Hub) Case(c alerting.Case) { h.publish("case", c) }

// Cabinet tells a cabinet's state.
func (h *Hub) Cabinet(s ingest.CabinetState) { h.publish("cabinet", newCabinet(&s)) }

// Notices tells what many turnouts feel at once, all of it.
func (h *Hub) Notices(list []detect.Notice) { h.publish("notices", List[detect.Notice]{Items: list}) }

// Throw tells a throw. Throws of one turnout that follow each other shortly
// become one event, the latest. r is not kept.
func (h *Hub) Throw(r *detect.Record) {
	if h.readers.Load() == 0 {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	t := h.pending[r.Turnout]
	if t == nil {
		if len(h.order) == gathered {
			h.missed.Add(1)
			return
		}
		t = &ThrowSummary{}
		h.pending[r.Turnout] = t
		h.order = append(h.order, t)
	}
	*t = ThrowSummary{
		Key: r.Key, Turnout: r.Turnout, Cabinet: r.Cabinet, To: r.To, StartedAt: r.StartedAt, ArrivedAt: r.ArrivedAt,
		Completed: r.Completed, Throws: t.Throws + 1,
	}
	for i := range r.Traces {
		if d := number(r.Traces[i].Features[detect.Duration]); d != nil && (t.Duration == nil || *d > *t.Duration) {
			t.Duration = d
		}
	}
}

// tellThrows tells what was gathered, as one frame.
func (h *Hub) tellThrows() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.order) == 0 {
		return
	}
	var frame []byte
	for _, t := range h.order {
		frame = h.encode(frame, "throw", t)
	}
	told := len(h.order)
	clear(h.pending)
	clear(h.order)
	h.order = h.order[:0]
	for r := range h.joined {
		// Half of the queue is for what must not be lost.
		if len(r.queue) >= cap(r.queue)/2 {
			h.missed.Add(int64(told))
			continue
		}
		r.queue <- frame // only we send, under the lock: there is room
	}
}

// publish tells an event that no reader may lose.
func (h *Hub) publish(kind string, body any) {
	if h.readers.Load() == 0 {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	frame := h.encode(nil, kind, body)
	for r := range h.joined {
		select {
		case r.queue <- frame:
		default:
			h.drop(r)
			h.cutOff.Add(1)
			h.o.Log.Warn("slow reader of the event stream cut off", "event", kind, "waiting", len(r.queue))
			close(r.gone)
		}
	}
}

// encode appends an event; the caller holds the lock.
func (h *Hub) encode(dst []byte, kind string, body any) []byte {
	h.id++
	return appendEvent(dst, kind, h.id, body, h.o.Log)
}

// appendEvent appends an event of the stream; id 0 gives none.
func appendEvent(dst []byte, kind string, id uint64, body any, log *slog.Logger) []byte {
	data, err := json.Marshal(body, jsonOptions)
	if err != nil {
		// A body that is no JSON (a NaN where none may be) is a fault of ours;
		// the reader still learns that something happened, and reads anew.
		log.Error("event cannot be encoded", "event", kind, "error", err)
		data = []byte("{}")
	}
	dst = append(dst, "event: "...)
	dst = append(dst, kind...)
	if id > 0 {
		dst = append(dst, "\nid: "...)
		dst = strconv.AppendUint(dst, id, 10)
	}
	dst = append(dst, "\ndata: "...)
	dst = append(dst, data...)
	return append(dst, "\n\n"...)
}

func (h *Hub) join() (*reader, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return nil, errClosed
	case len(h.joined) >= h.o.Readers:
		return nil, errCrowded
	}
	r := &reader{queue: make(chan []byte, h.o.Queue), gone: make(chan struct{})}
	h.joined[r] = struct{}{}
	h.readers.Store(int64(len(h.joined)))
	return r, nil
}

func (h *Hub) leave(r *reader) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.drop(r)
}

// drop forgets the reader; the caller holds the lock.
func (h *Hub) drop(r *reader) {
	delete(h.joined, r)
	h.readers.Store(int64(len(h.joined)))
}
