package screen

import (
	"context"
	"errors"
	"net/http"
	"net/netip"
	"slices"
	"sync"
	"time"
)

// What may be under way at once. Reads that cost much wait for each other a
// while, so that a change of shifts is no fault; who asks for many waits behind
// others. An address of this machine speaks for many and has no share of its own.
// When the program is back, a control room's browsers ask all at once, behind one
// address and with one account maybe: as many requests as they have connections.
const (
	mostRequests   = 1024 // all but event streams and health
	mostRequestsOf = 256  // from one address

	mostReads, mostReadsOf               = 6, 3 // being made
	mostDownloads, mostDownloadsOf       = 4, 2 // from their first line to their last
	mostScrapes, mostScrapesOf           = 2, 2
	mostWaiting, mostWaitingOf           = 512, 256
	turnWithin                           = 10 * time.Second
	mostAnswers, mostAnswersOf     int64 = 128 << 20, 32 << 20 // bytes that are made and not yet sent
	smallAnswer                          = 64 << 10            // bytes, not counted
)

// turns lets so many in at once, and so many wait.
type turns struct {
	most, mostOf       int
	waiting, waitingOf int
	within             time.Duration
	refused            Refused // where there is none

	mu      sync.Mutex
	running int
	of      map[string]int
	queue   []*turn // in the order of their coming
}

type turn struct {
	who   string
	ready chan struct{} // closed, under the lock, when it is its turn
}

func newTurns(most, mostOf int, why Refused) *turns {
	return &turns{most: most, mostOf: mostOf, waiting: mostWaiting, waitingOf: mostWaitingOf, within: turnWithin, of: map[string]int{}, refused: why}
}

// take waits for a turn; false: there is none within the time, or too many wait.
// who is "" where nobody has a share of his own.
func (t *turns) take(ctx context.Context, who string) (leave func(), ok bool) {
	me := &turn{who, make(chan struct{})}
	t.mu.Lock()
	mine := 0
	for _, o := range t.queue {
		if o.who == who {
			mine++
		}
	}
	full := len(t.queue) >= t.waiting || who != "" && mine >= t.waitingOf
	t.queue = append(t.queue, me)
	t.admit()
	if full && !me.admitted() {
		t.queue = t.queue[:len(t.queue)-1] // nobody came behind it
		t.mu.Unlock()
		return nil, false
	}
	t.mu.Unlock()
	limit := time.NewTimer(t.within)
	defer limit.Stop()
	select {
	case <-me.ready:
		return sync.OnceFunc(func() { t.leave(who) }), true
	case <-limit.C:
	case <-ctx.Done():
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if me.admitted() { // in the same moment
		return sync.OnceFunc(func() { t.leave(who) }), true
	}
	t.queue = slices.DeleteFunc(t.queue, func(o *turn) bool { return o == me })
	return nil, false
}

func (me *turn) admitted() bool {
	select {
	case <-me.ready:
		return true
	default:
		return false
	}
}

// admit lets in who may; the caller holds the lock.
func (t *turns) admit() {
	t.queue = slices.DeleteFunc(t.queue, func(o *turn) bool {
		if t.running >= t.most || o.who != "" && t.of[o.who] >= t.mostOf {
			return false
		}
		t.running++
		if o.who != "" {
			t.of[o.who]++
		}
		close(o.ready)
		return true
	})
}

func (t *turns) leave(who string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.running--
	if who != "" {
		if t.of[who]--; t.of[who] == 0 {
			delete(t.of, who)
		}
	}
	t.admit()
}

var errNoRoom = errors.New("no room for the answer")

// room is how many bytes of answers may wait for their readers.
type room struct {
	most, mostOf int64

	mu  sync.Mutex
	all int64
	of  map[string]int64
}

func newRoom(most, mostOf int64) *room {
	return &room{most: most, mostOf: mostOf, of: map[string]int64{}}
}

// take reports whether there is room. One answer alone is let through, however
// long: else it could be had never.
func (r *room) take(who string, n int64) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.all > 0 && r.all+n > r.most || who != "" && r.of[who] > 0 && r.of[who]+n > r.mostOf {
		return false
	}
	r.all += n
	r.of[who] += n
	return true
}

func (r *room) leave(who string, n int64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.all -= n
	if r.of[who] -= n; r.of[who] == 0 {
		delete(r.of, who)
	}
}

// costly are the routes that read or write much.
var costly = map[string]bool{
	"GET /api/v1/alerts":                    true,
	"GET /api/v1/alerts/{id}/journal":       true,
	"GET /api/v1/alerts/{id}/sendings":      true,
	"GET /api/v1/audit":                     true,
	"GET /api/v1/cabinets":                  true,
	"GET /api/v1/fleet":                     true,
	"GET /api/v1/handover":                  true,
	"GET /api/v1/journal":                   true,
	"GET /api/v1/merit":                     true,
	"GET /api/v1/places":                    true,
	"GET /api/v1/quarantine":                true,
	"GET /api/v1/quarantine/{id}":           true,
	"GET /api/v1/rates":                     true,
	"GET /api/v1/report":                    true,
	"GET /api/v1/throws/{key}":              true,
	"GET /api/v1/throws/{key}/likeness":     true,
	"GET /api/v1/turnouts":                  true,
	"GET /api/v1/turnouts/{turnout}":        true,
	"GET /api/v1/turnouts/{turnout}/throws": true,
	"GET /api/v1/turnouts/{turnout}/trend":  true,
	"GET /api/v1/turnouts/{turnout}/trends": true,
	"GET /api/v1/turnouts/{turnout}/work":   true,
	"GET /api/v1/users":                     true,
	"GET /api/v1/worklist":                  true,
	"POST /api/v1/alerts/acknowledge":       true,
	"POST /api/v1/quarantine/{id}/retry":    true,
	"POST /api/v1/windows/preview":          true,
	"PUT /api/v1/places.csv":                true,
}

// written are the routes whose answers are written as they are made, and may
// take long.
var written = map[string]bool{
	"GET /api/v1/exports/alerts.csv":   true,
	"GET /api/v1/exports/features.csv": true,
	"GET /api/v1/exports/work.csv":     true,
	"GET /api/v1/places.csv":           true,
}

// inTurn has what costs much wait for its turn. It stands within compression:
// the whole of an answer comes to it in one piece.
func (s *server) inTurn(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, pattern := s.mux.Handler(r)
		var t *turns
		detail := ""
		switch {
		case costly[pattern]:
			t, detail = s.reads, "too much is being read at this moment; ask again in some seconds"
		case written[pattern]:
			t, detail = s.downloads, "too many files are being written at this moment, some perhaps for you; ask again in some seconds"
		case pattern == "GET /metrics":
			t, detail = s.scrapes, "others are reading the metrics at this moment; ask again in some seconds"
		default:
			next.ServeHTTP(w, r)
			return
		}
		who := s.share(r)
		leave, ok := t.take(r.Context(), who)
		if !ok {
			s.busy(w, t.refused, detail)
			return
		}
		defer leave()
		if t != s.reads {
			next.ServeHTTP(w, r)
			return
		}
		a := &answering{ResponseWriter: w, s: s, who: who, made: leave, status: http.StatusOK}
		defer a.end()
		next.ServeHTTP(a, r)
	})
}

// share is who has a share of what may be under way: an account, or an address.
func (s *server) share(r *http.Request) string {
	if v, ok := VisitorOf(r.Context()); ok {
		return "account " + v.Account.Name
	}
	return s.cameFrom(r)
}

// cameFrom is where a request comes from; "": from this machine.
func (s *server) cameFrom(r *http.Request) string {
	d := s.o.Door
	if d == nil {
		d = &Door{}
	}
	address := d.address(r)
	if ip, err := netip.ParseAddr(address); err == nil && ip.IsLoopback() || address == "::/64" { // as [Door.address] writes ::1
		return ""
	}
	return "address " + address
}

// answering is an answer that is made in its turn. Once it is made others may
// make theirs: who reads slowly holds up nobody, but what waits for readers has
// its own bound.
type answering struct {
	http.ResponseWriter
	s      *server
	who    string
	made   func()
	status int
	begun  bool
	sent   bool  // the status is out
	held   int64 // bytes that wait
	full   bool
}

func (a *answering) WriteHeader(status int) {
	a.status = status
	if status < http.StatusOK || status == http.StatusNoContent || status == http.StatusNotModified {
		a.out()
	}
}

func (a *answering) out() {
	if !a.sent {
		a.sent = true
		a.ResponseWriter.WriteHeader(a.status)
	}
}

func (a *answering) Write(p []byte) (int, error) {
	if a.full {
		return 0, errNoRoom // the refusal stands there already
	}
	if !a.begun {
		a.begun = true
		a.made()
		if n := int64(len(p)); n > smallAnswer {
			if !a.s.answers.take(a.who, n) {
				a.full = true
				a.s.busy(a.ResponseWriter, RefusedAnswers, "too many long answers wait for their readers at this moment; ask again in some seconds")
				return 0, errNoRoom
			}
			a.held = n
		}
	}
	a.out()
	return a.ResponseWriter.Write(p)
}

// end gives back what was held, and sends an answer without a body.
func (a *answering) end() {
	if a.held > 0 {
		a.s.answers.leave(a.who, a.held)
	}
	if !a.full && a.status != http.StatusOK {
		a.out()
	}
}

// Unwrap lets [http.ResponseController] reach what is beneath.
func (a *answering) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// underWay bounds how many requests are under way, whoever asks and whatever
// for: slow bodies too, and all that HTTP/2 lets one connection ask at once.
func (s *server) underWay(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case eventsPath, "/livez", "/readyz": // the one has its own bounds, the others cost nothing
			next.ServeHTTP(w, r)
			return
		}
		place := s.cameFrom(r)
		if !s.requests.enter(place) {
			s.busy(w, RefusedRequests, "too many requests are under way; ask again in some seconds")
			return
		}
		defer s.requests.leave(place)
		next.ServeHTTP(w, r)
	})
}

// requests counts what is under way.
type requests struct {
	mu  sync.Mutex
	all int
	of  map[string]int
}

func (q *requests) enter(place string) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.all >= mostRequests || place != "" && q.of[place] >= mostRequestsOf {
		return false
	}
	if q.of == nil {
		q.of = map[string]int{}
	}
	q.all++
	q.of[place]++
	return true
}

func (q *requests) leave(place string) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.all--
	if q.of[place]--; q.of[place] == 0 {
		delete(q.of, place)
	}
}
