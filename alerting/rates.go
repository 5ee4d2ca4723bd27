package alerting

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// Figure is one figure beside the level that it is held against.
type Figure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit,omitempty"`
	Level float64 `json:"level" doc:"that it should not exceed; of a share, that it should be near"`
	Word  string  `json:"word" enum:"within,above,too few to say"`
	Said  string  `json:"said" doc:"in a sentence"`
}

// The words of a figure.
const (
	WithinLevel = "within"
	AboveLevel  = "above"
	TooFew      = "too few to say"
)

// Rates are how often people are called. The levels are those of EEMUA 191 and
// IEC 62682 (ISA-18.2), from memory: some 6 alerts an hour for one operator are
// acceptable and 12 the most that can be managed; more than 10 in 10 minutes is
// a flood, until fewer than 5 are, and less than 1 % of the time is spent in
// one; fewer than 5 stand for over 24 hours; none chatter; high, medium and low
// are near 5, 15 and 80 percent.
type Rates struct {
	From      time.Time `json:"from"`
	To        time.Time `json:"to"`
	Operators int       `json:"operators"`
	Alerts    int       `json:"alerts" doc:"calls for attention: raised, raised again, more serious"`

	Hourly     Figure    `json:"hourly" doc:"an operator"`
	Worst      Figure    `json:"worst" doc:"10 minutes, an operator"`
	WorstFrom  time.Time `json:"worst_from,omitzero"`
	Floods     int       `json:"floods"`
	Flooded    Figure    `json:"flooded" doc:"share of the time in floods"`
	Standing   Figure    `json:"standing" doc:"for over 24 hours"`
	Chattering Figure    `json:"chattering" doc:"alerts raised three times or more within an hour"`
	Chatter    []string  `json:"chatter,omitempty" doc:"their ids"`
	Shares     []Figure  `json:"shares" doc:"high, medium, low"`
}

const (
	acceptableHourly = 6
	manageableHourly = 12
	floodAbove       = 10 // in floodSpan, an operator
	floodEnds        = 5  // fewer than
	floodSpan        = 10 * time.Minute
	floodShare       = 1 // percent
	standingFewer    = 5 // than this many stand for standingOver
	standingOver     = 24 * time.Hour
	chatterTimes     = 3
	chatterSpan      = time.Hour
	fewCalls         = 20 // from how many on shares of priorities say something
	shareSlack       = 2  // a share is above where it is more than this many times its level
)

// RatesOf measures the calls for attention from from to before to. open are the
// alerts that stand at to; operators, at least 1, share the calls.
func RatesOf(events []Event, open []Alert, from, to time.Time, operators int) Rates {
	operators = max(1, operators)
	r := Rates{From: from, To: to, Operators: operators}
	var calls []Event
	for _, e := range events {
		if !e.At.Before(from) && e.At.Before(to) && (e.Kind == Raised || e.Kind == Changed && e.Alert.Call > 0 && e.Alert.CalledAt.Equal(e.At)) {
			calls = append(calls, e)
		}
	}
	slices.SortStableFunc(calls, func(a, b Event) int { return a.At.Compare(b.At) })
	r.Alerts = len(calls)

	hours := to.Sub(from).Hours()
	r.Hourly = Figure{Name: "alerts an hour", Level: acceptableHourly}
	if hours > 0 {
		r.Hourly.Value = float64(len(calls)) / hours / float64(operators)
	}
	r.Hourly.judge(r.Hourly.Value <= acceptableHourly)
	r.Hourly.Said = fmt.Sprintf("%.1f alerts an hour for each of %d: %s the %d that are acceptable", r.Hourly.Value, operators, r.Hourly.Word, acceptableHourly)
	if r.Hourly.Value > manageableHourly {
		r.Hourly.Said += fmt.Sprintf(" and above the %d that can be managed", manageableHourly)
	}
	r.floods(calls)
	r.standing(open)
	r.chattering(calls)
	r.shares(calls)
	return r
}

func (f *Figure) judge(within bool) {
	f.Word = AboveLevel
	if within {
		f.Word = WithinLevel
	}
}

// floods walks along the calls as they come into a span of ten minutes and
// leave it again. A flood is on from the call that is one too many until fewer
// than some are left.
func (r *Rates) floods(calls []Event) {
	worst := 0
	var since time.Time // of the flood that is on
	var flooded time.Duration
	most, few := floodAbove*r.Operators, floodEnds*r.Operators
	for in, out := 0, 0; out < len(calls); {
		leaves := calls[out].At.Add(floodSpan)
		if in < len(calls) && calls[in].At.Before(leaves) {
			in++
			if n := in - out; n > worst {
				worst, r.WorstFrom = n, calls[out].At
			}
			if in-out > most && since.IsZero() {
				since = calls[in-1].At
				r.Floods++
			}
			continue
		}
		out++
		if in-out < few && !since.IsZero() {
			if leaves.After(r.To) {
				leaves = r.To
			}
			flooded += leaves.Sub(since)
			since = time.Time{}
		}
	}
	r.Worst = Figure{Name: "worst 10 minutes", Value: float64(worst) / float64(r.Operators), Level: floodAbove}
	r.Worst.judge(worst <= most)
	r.Worst.Said = fmt.Sprintf("%.3g alerts in the worst 10 minutes for each: %s the %d that are a flood", r.Worst.Value, r.Worst.Word, floodAbove)
	r.Flooded = Figure{Name: "time in floods", Unit: "%", Level: floodShare}
	if whole := r.To.Sub(r.From); whole > 0 {
		r.Flooded.Value = 100 * float64(flooded) / float64(whole)
	}
	r.Flooded.judge(r.Flooded.Value < floodShare)
	floods := "floods"
	if r.Floods == 1 {
		floods = "flood"
	}
	r.Flooded.Said = fmt.Sprintf("%d %s, %.2g %% of the time: %s the %d %% that is acceptable", r.Floods, floods, r.Flooded.Value, r.Flooded.Word, floodShare)
}

func (r *Rates) standing(open []Alert) {
	n := 0
	for i := range open {
		stood := open[i].RaisedAt
		if open[i].Reopened > 0 {
			stood = open[i].ReopenedAt
		}
		if open[i].Open() && r.To.Sub(stood) > standingOver {
			n++
		}
	}
	r.Standing = Figure{Name: "standing over 24 h", Value: float64(n), Level: standingFewer - 1}
	r.Standing.judge(n < standingFewer)
	r.Standing.Said = fmt.Sprintf("%d alerts stand for over 24 hours: %s the %d that are acceptable", n, r.Standing.Word, standingFewer-1)
}

// chattering counts alerts that are raised over and over.
func (r *Rates) chattering(calls []Event) {
	raised, loud := map[string][]time.Time{}, map[string]bool{}
	for _, e := range calls {
		if e.Kind == Raised {
			// By what chatters, not by id: an odd throw is a new alert each time.
			key := e.Alert.Turnout + "\x00" + string(e.Alert.Condition)
			at := append(raised[key], e.At)
			raised[key] = at
			if n := len(at); n >= chatterTimes && e.At.Sub(at[n-chatterTimes]) < chatterSpan {
				loud[key] = true
				if !slices.Contains(r.Chatter, e.Alert.ID) {
					r.Chatter = append(r.Chatter, e.Alert.ID)
				}
			}
		}
	}
	slices.SortFunc(r.Chatter, cmp.Compare[string])
	r.Chattering = Figure{Name: "chattering", Value: float64(len(loud))}
	r.Chattering.judge(len(loud) == 0)
	r.Chattering.Said = fmt.Sprintf("raised %[2]d times or more within an hour, by turnout and condition: %[1]d; %[3]s the none that are acceptable", len(loud), chatterTimes, r.Chattering.Word)
}

func (r *Rates) shares(calls []Event) {
	n := map[Priority]int{}
	for _, e := range calls {
		n[e.Alert.Priority]++
	}
	for _, s := range []struct {
		p     Priority
		level float64
	}{{High, 5}, {Medium, 15}, {Low, 80}} {
		f := Figure{Name: string(s.p), Unit: "%", Level: s.level, Word: TooFew}
		if len(calls) > 0 {
			f.Value = 100 * float64(n[s.p]) / float64(len(calls))
		}
		if len(calls) >= fewCalls {
			f.judge(f.Value <= shareSlack*s.level) // of low there cannot be too many
		}
		f.Said = fmt.Sprintf("%.0f %% %s, where about %.0f %% are usual: %s", f.Value, s.p, s.level, f.Word)
		r.Shares = append(r.Shares, f)
	}
}
