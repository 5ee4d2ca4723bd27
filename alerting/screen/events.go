package screen

import (
	"fmt"
	"net/http"
	"reflect"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/detect"
)

const (
	writeWithin = 10 * time.Second // or the reader is gone
	gulp        = 64 << 10         // bytes that are written at once, about
)

// How many event streams may be open of one account, and from one address: one
// a browser, and nobody can take the last from all others.
const (
	mostStreams        = 64
	mostStreamsOfPlace = 128 // an office behind one address
)

// streams counts the open event streams of each account and address.
type streams struct {
	mu sync.Mutex
	of map[string]int
}

// enter counts one more, or says what there are too many of.
func (s *streams) enter(account, address string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.of == nil {
		s.of = map[string]int{}
	}
	account, address = "account "+account, "address "+address
	switch {
	case s.of[account] >= mostStreams:
		return fmt.Errorf("expected at most %d event streams of one account, found another", mostStreams)
	case s.of[address] >= mostStreamsOfPlace:
		return fmt.Errorf("expected at most %d event streams from one address, found another", mostStreamsOfPlace)
	}
	s.of[account]++
	s.of[address]++
	return nil
}

func (s *streams) leave(account, address string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, key := range []string{"account " + account, "address " + address} {
		if s.of[key]--; s.of[key] == 0 {
			delete(s.of, key)
		}
	}
}

// events is the event stream. See [Hub] for what a reader may miss.
func (s *server) events(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	if v, ok := VisitorOf(r.Context()); ok {
		address := whoAsks(r.Context()).address
		if err := s.streams.enter(v.Account.Name, address); err != nil {
			s.o.Refused.Add(RefusedStreams)
			h.Set("Retry-After", "10")
			writeProblem(w, http.StatusServiceUnavailable, err.Error())
			return
		}
		defer s.streams.leave(v.Account.Name, address)
	}
	me, err := s.o.Hub.join()
	if err != nil {
		s.o.Refused.Add(RefusedStreams)
		h.Set("Retry-After", "10")
		writeProblem(w, http.StatusServiceUnavailable, err.Error())
		return
	}
	defer s.o.Hub.leave(me)
	h.Set("Content-Type", "text/event-stream; charset=utf-8")
	h.Set("X-Accel-Buffering", "no") // a proxy in between shall not gather
	if r.Method == http.MethodHead {
		return
	}
	rc := http.NewResponseController(w)
	out := appendEvent([]byte("retry: 2000\n"), "hello", 0, Hello{s.o.Yard.Now(), s.o.Version, s.o.Demo}, s.o.Log)
	for {
		// The server's time limit is for answers that end. Where the writer knows
		// no deadlines, a reader that hangs is found by TCP only.
		_ = rc.SetWriteDeadline(time.Now().Add(s.within))
		if _, err := w.Write(out); err != nil {
			return // the reader went away
		}
		if err := rc.Flush(); err != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-me.gone:
			return
		case frame := <-me.queue:
			out = append(out[:0], frame...)
		}
		for more := true; more && len(out) < gulp; {
			select {
			case frame := <-me.queue:
				out = append(out, frame...)
			default:
				more = false
			}
		}
	}
}

// eventSchema describes the events by their names.
func eventSchema(r huma.Registry) *huma.Schema {
	out := &huma.Schema{
		Type:  huma.TypeArray,
		Items: &huma.Schema{Description: "event names the kind, data is JSON"},
	}
	for _, e := range []struct {
		name string
		data any
	}{
		{"hello", Hello{}}, {"alert", alerting.Event{}}, {"case", alerting.Case{}}, {"throw", ThrowSummary{}}, {"cabinet", Cabinet{}},
		{"notices", List[detect.Notice]{}}, {"clock", Clock{}},
	} {
		out.Items.OneOf = append(out.Items.OneOf, &huma.Schema{
			Type: huma.TypeObject, Required: []string{"event", "data"},
			Properties: map[string]*huma.Schema{
				"event": {Type: huma.TypeString, Enum: []any{e.name}},
				"id":    {Type: huma.TypeInteger},
				"data":  r.Schema(reflect.TypeOf(e.data), true, e.name),
			},
		})
	}
	return out
}
