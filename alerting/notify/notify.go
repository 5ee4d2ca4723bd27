// Package notify sends a message about an alert on its way: as a webhook, by
// mail, to an MQTT topic, to Alertmanager.
//
// Each way is a [Target], made by [New] from its configuration. A target keeps
// no queue and does not try again by itself: it says by a [*Failure] whether
// trying again can help, and when. It may be called by several goroutines.
package notify

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"throwline/alerting"
)

// Target is one way out. Send returns nil when the other side has taken the
// message; otherwise a [*Failure]. It ends within the target's own time limit,
// or when ctx does. The same message may be sent again: its Key says so.
type Target interface {
	Send(ctx context.Context, m alerting.Message, pictures []Picture) error
}

// Repeater is a target that forgets an alert of which it hears no more. Every
// so often it is told again of all alerts that still stand; in between, Send
// says what is new.
type Repeater interface {
	Target
	// Every is the interval at which Repeat is due.
	Every() time.Duration
	// Repeat tells of alerts that stand, any number at once.
	Repeat(ctx context.Context, standing []alerting.Message) error
}

// Picture is a PNG that goes with a message; see [Trend.PNG] and [Trace.PNG].
type Picture struct {
	Name    string // of the file, e.g. trend.png
	Caption string // says in words what is seen
	PNG     []byte
}

// Failure says what became of a message that was not taken.
type Failure struct {
	Permanent bool          // the same message will not be taken later either
	After     time.Duration // try again no earlier than that from now; 0: as the sender likes
	Err       error
}

func (f *Failure) Error() string { return f.Err.Error() }

// Unwrap returns what went wrong.
func (f *Failure) Unwrap() error { return f.Err }

func temporary(format string, a ...any) *Failure { return &Failure{Err: fmt.Errorf(format, a...)} }

func permanent(format string, a ...any) *Failure {
	return &Failure{Permanent: true, Err: fmt.Errorf(format, a...)}
}

// together makes one failure of several, nil of none. It is worth trying again
// while one of them is, and not before the last of them may be.
func together(failures []*Failure) error {
	if len(failures) == 0 {
		return nil
	}
	out := &Failure{Permanent: true}
	var all []error
	for _, f := range failures {
		out.Permanent = out.Permanent && f.Permanent
		out.After = max(out.After, f.After)
		all = append(all, f.Err)
	}
	out.Err = errors.Join(all...)
	return out
}

// oneLine makes s fit for a header, a label, a subject: no control
// characters, no line breaks of any script, no marks that turn the direction
// of writing, valid UTF-8, at most limit characters.
func oneLine(s string, limit int) string {
	s = strings.ToValidUTF8(s, "�")
	s = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsControl(r), r == '\u2028', r == '\u2029':
			return ' '
		case unicode.Is(unicode.Cf, r):
			return -1
		}
		return r
	}, s)
	s = strings.TrimSpace(s)
	if utf8.RuneCountInString(s) > limit {
		s = string([]rune(s)[:limit-1]) + "…"
	}
	return s
}
