package daemon

import (
	"log/slog"
	"time"
)

// saidAgain is how long the same is not said again.
const saidAgain = time.Minute

// seldom logs what goes wrong again and again, as at a target that is away for
// days: at once, and then once a minute. It belongs to one goroutine.
type seldom struct {
	log  *slog.Logger
	said map[string]*saidOf
}

type saidOf struct {
	at     time.Time
	unsaid int // since
}

// warn logs a warning, unless the same was logged a short while before. what is one
// of few texts.
func (s *seldom) warn(what string, args ...any) {
	now := time.Now()
	of := s.said[what]
	switch {
	case of == nil:
		of = &saidOf{}
		if s.said == nil {
			s.said = map[string]*saidOf{}
		}
		s.said[what] = of
	case now.Sub(of.at) < saidAgain:
		of.unsaid++
		return
	}
	if of.unsaid > 0 {
		args = append(args, "likewise_since_last_said", of.unsaid)
	}
	of.at, of.unsaid = now, 0
	s.log.Warn(what, args...)
}
