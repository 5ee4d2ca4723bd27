package broker

import (
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// logger passes on what the server has to say; its chatter is for debugging.
type logger struct {
	log    *slog.Logger
	fatal  chan error // has the first reason to give up
	seldom *seldom

	large atomic.Uint64 // connections ended for a packet that was too large
}

// mostSaid is how much of a line is logged: clients choose a part of it.
const mostSaid = 500

func (l *logger) Noticef(f string, v ...any) { l.log.Debug(fmt.Sprintf(f, v...)) }
func (l *logger) Warnf(f string, v ...any)   { l.log.Debug(fmt.Sprintf(f, v...)) }
func (l *logger) Debugf(f string, v ...any)  {}
func (l *logger) Tracef(f string, v ...any)  {}

// Errorf is told of what clients do wrong, too, as often as they like.
func (l *logger) Errorf(f string, v ...any) {
	text, kind := fmt.Sprintf(f, v...), f
	if strings.Contains(text, server.ErrMaxPayload.Error()) {
		l.large.Add(1)
	}
	if strings.Contains(f, " - mid:") { // the server writes the client into the format
		kind = "client"
	}
	if kind == "client" && strings.HasSuffix(text, "authentication error") {
		l.log.Debug(text) // the guard has said why
		return
	}
	if len(text) > mostSaid {
		text = strings.ToValidUTF8(text[:mostSaid/2], "") + " … " + strings.ToValidUTF8(text[len(text)-mostSaid/2:], "")
	}
	l.seldom.say(kind, func(unsaid int) { l.log.Warn(text, "unsaid", unsaid) })
}

// Fatalf leaves it to Start to give up; the server does not do so by itself.
func (l *logger) Fatalf(f string, v ...any) {
	select {
	case l.fatal <- fmt.Errorf(f, v...):
	default:
		l.log.Error(fmt.Sprintf(f, v...))
	}
}

// seldom keeps those who do wrong from filling the log: of one kind it says so
// many things a minute, and then how many it left out.
type seldom struct {
	mu    sync.Mutex
	kinds map[string]*told
}

type told struct {
	since        time.Time
	said, unsaid int
}

const (
	saidAMinute = 20
	mostKinds   = 200
)

func newSeldom() *seldom { return &seldom{kinds: map[string]*told{}} }

func (s *seldom) say(kind string, say func(unsaid int)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.kinds[kind]
	if t == nil {
		if len(s.kinds) >= mostKinds { // the kinds are few, but not ours to choose
			clear(s.kinds)
		}
		t = &told{since: time.Now()}
		s.kinds[kind] = t
	}
	unsaid := 0
	if time.Since(t.since) > time.Minute {
		unsaid = t.unsaid
		*t = told{since: time.Now()}
	}
	if t.said >= saidAMinute {
		t.unsaid++
		return
	}
	t.said++
	say(unsaid)
}
