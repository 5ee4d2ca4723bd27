package screen

import (
	"context"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/danielgtaylor/huma/v2"
)

// Refused is why a connection or request was turned away for what it would
// cost, or for where it came from. Their number is fixed: they are labels.
type Refused int

// The reasons.
const (
	RefusedConnections Refused = iota // all that there may be are open
	RefusedOfAddress                  // all that one address may have are open
	RefusedRequests                   // too many are under way
	RefusedReads                      // too many large reads are under way
	RefusedDownloads                  // too many files are being written
	RefusedAnswers                    // too much of answers waits for those who read slowly
	RefusedStreams                    // too many event streams
	RefusedLogins                     // too many passwords to look at at once
	RefusedAttempts                   // too many wrong ones before: 429
	RefusedBody                       // of a request, too long: 413
	RefusedSlowBody                   // 408
	RefusedHost                       // a name that is not ours: 421
	RefusedOrigin                     // a page of another site
	RefusedMore                       // there are as many things of a kind as are kept
	numRefused
)

var refusedNames = [numRefused]string{
	"connections", "connections_of_address", "requests", "reads", "downloads", "answers", "streams", "logins", "attempts",
	"body", "slow_body", "host", "origin", "more",
}

// String is the reason in one word.
func (r Refused) String() string { return refusedNames[r] }

// Refusals counts what was refused. The zero Refusals are usable, by any number
// of goroutines.
type Refusals struct {
	n [numRefused]atomic.Int64
}

// Add counts one more.
func (r *Refusals) Add(why Refused) { r.n[why].Add(1) }

// Count returns how many there were.
func (r *Refusals) Count(why Refused) int64 { return r.n[why].Load() }

// All yields every reason, and how many there were.
func (r *Refusals) All() iter.Seq2[Refused, int64] {
	return func(yield func(Refused, int64) bool) {
		for why := range numRefused {
			if !yield(why, r.n[why].Load()) {
				return
			}
		}
	}
}

// ofStatus counts what is refused by libraries and handlers alike.
func (r *Refusals) ofStatus(status int) {
	switch status {
	case http.StatusRequestEntityTooLarge:
		r.Add(RefusedBody)
	case http.StatusRequestTimeout:
		r.Add(RefusedSlowBody)
	case http.StatusTooManyRequests:
		r.Add(RefusedAttempts)
	case http.StatusMisdirectedRequest:
		r.Add(RefusedHost)
	}
}

// busy answers that there is too much to do, and when to come again.
func (s *server) busy(w http.ResponseWriter, why Refused, detail string) {
	s.o.Refused.Add(why)
	w.Header().Set("Retry-After", "5")
	writeProblem(w, http.StatusServiceUnavailable, detail)
}

// full refuses one thing more of a kind of which there are enough.
func (s *server) full(location, what string, most int) error {
	s.o.Refused.Add(RefusedMore)
	return unprocessable(location, fmt.Sprintf("at most %d %s; take away what is of no use any more", most, what), "another")
}

// How much a problem tells: one short request must not make a long answer.
const (
	mostFaults    = 200
	mostFaultText = 1000 // bytes of one message
	mostFaultEcho = 200  // bytes of what was sent, and of where it stood
)

// brief cuts what a problem says.
func brief(_ huma.Context, _ string, v any) (any, error) {
	p, ok := v.(*huma.ErrorModel)
	if !ok {
		return v, nil
	}
	if more := len(p.Errors) - mostFaults; more > 0 {
		p.Errors = append(p.Errors[:mostFaults:mostFaults], &huma.ErrorDetail{Message: fmt.Sprintf("and %d more", more)})
	}
	p.Detail = clipped(p.Detail, mostFaultText)
	for _, e := range p.Errors {
		e.Message, e.Location = clipped(e.Message, mostFaultText), clipped(e.Location, mostFaultEcho)
		switch x := e.Value.(type) {
		case string:
			e.Value = clipped(x, mostFaultEcho)
		case map[string]any, map[any]any, []any, []string, []byte:
			e.Value = nil // whole bodies, once for each fault
		}
	}
	return p, nil
}

// clipped cuts a text that is too long.
func clipped(s string, most int) string {
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…"
}

// seldom keeps those who do wrong from filling the log: it says so many lines a
// minute, and then how many it left out.
type seldom struct {
	log *slog.Logger

	mu           sync.Mutex
	since        time.Time
	said, unsaid int
}

const saidAMinute = 20

// Write takes a line of the server's own log.
func (s *seldom) Write(line []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	unsaid := 0
	if time.Since(s.since) > time.Minute {
		unsaid, s.since, s.said, s.unsaid = s.unsaid, time.Now(), 0, 0
	}
	if s.said >= saidAMinute {
		s.unsaid++
		return len(line), nil
	}
	s.said++
	args := []any{}
	if unsaid > 0 {
		args = append(args, "unsaid", unsaid)
	}
	s.log.Log(context.Background(), slog.LevelWarn, clipped(strings.TrimSpace(string(line)), mostFaultText), args...)
	return len(line), nil
}

var _ io.Writer = (*seldom)(nil)
