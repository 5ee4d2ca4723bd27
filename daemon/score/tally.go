package score

import (
	"slices"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Tally takes what a replay goes through and holds it against the truth. It
// belongs to one goroutine.
type Tally struct {
	truth      *Truth
	pictures   bool
	events     []alerting.Event
	incomplete []mishap
	latest     map[string]time.Time // of the throws and the work of a turnout so far
	lives      map[string]*life
	throws     int
	strange    int
}

// mishap is a throw that did not complete.
type mishap struct {
	turnout, id string
	at          time.Time
	told        time.Time // when an alert can tell of it: not before what is known already
}

// life is what pictures need of a turnout.
type life struct {
	drive    string
	quantity ingest.Quantity
	moves    []move
	work     []ingest.Work
}

// move is a throw, as far as it is drawn.
type move struct {
	at        time.Time
	to        ingest.End
	completed bool
	features  [detect.NumFeatures]float32 // of the life's drive and quantity; NaN where not known
}

// NewTally returns an empty tally. With pictures it keeps some hundred bytes
// of every throw.
func NewTally(t *Truth, pictures bool) *Tally {
	return &Tally{truth: t, pictures: pictures, latest: map[string]time.Time{}, lives: map[string]*life{}}
}

// Event takes a transition of an alert; they come in their order.
func (t *Tally) Event(e alerting.Event) { t.events = append(t.events, e) }

// Throw takes a throw that was filed. It keeps nothing of r.
func (t *Tally) Throw(r *detect.Record) {
	t.throws++
	if _, known := t.truth.Turnouts[r.Turnout]; !known || r.StartedAt.Before(t.truth.Start) || r.StartedAt.After(t.truth.End) {
		t.strange++
	}
	t.reach(r.Turnout, r.StartedAt)
	if !r.Completed {
		t.incomplete = append(t.incomplete, mishap{r.Turnout, r.ThrowID, r.StartedAt, t.latest[r.Turnout]})
	}
	if !t.pictures {
		return
	}
	l := t.life(r.Turnout)
	trace := l.choose(r.Traces)
	if trace == nil {
		return
	}
	l.moves = append(l.moves, move{r.StartedAt, r.To, r.Completed, trace.Features})
}

// Work takes work that was recorded.
func (t *Tally) Work(w *ingest.Work) {
	t.reach(w.Turnout, w.DoneAt)
	if t.pictures {
		l := t.life(w.Turnout)
		l.work = append(l.work, *w)
	}
}

// reach notes how far a turnout's time has come.
func (t *Tally) reach(turnout string, at time.Time) {
	if at.After(t.latest[turnout]) {
		t.latest[turnout] = at.UTC()
	}
}

func (t *Tally) life(turnout string) *life {
	l := t.lives[turnout]
	if l == nil {
		l = &life{}
		t.lives[turnout] = l
	}
	return l
}

// efforts are the quantities that follow what it takes to move the blades.
var efforts = []ingest.Quantity{ingest.MotorCurrent, ingest.MotorPower, ingest.HydraulicPressure, ingest.DriveForce}

// choose returns the trace that is drawn: the main drive's first one of
// effort, the same at every throw; nil where this throw has none.
func (l *life) choose(traces []detect.Trace) *detect.Trace {
	if l.quantity == "" {
		effort := func(main bool) int {
			return slices.IndexFunc(traces, func(x detect.Trace) bool {
				return slices.Contains(efforts, x.Quantity) && (!main || x.Drive == "main")
			})
		}
		i := effort(true)
		if i < 0 {
			i = effort(false)
		}
		if i < 0 {
			return nil
		}
		l.drive, l.quantity = traces[i].Drive, traces[i].Quantity
	}
	i := slices.IndexFunc(traces, func(x detect.Trace) bool { return x.Drive == l.drive && x.Quantity == l.quantity })
	if i < 0 {
		return nil
	}
	return &traces[i]
}

// Strange returns how many of the throws are of turnouts or times that the
// truth does not tell of, and how many there were: where they are not few, it
// is another recording's truth.
func (t *Tally) Strange() (strange, throws int) { return t.strange, t.throws }

// Result scores what was taken so far.
func (t *Tally) Result() *Result {
	r := Score(t.truth, t.events)
	type key struct {
		turnout, id string
		at          time.Time
	}
	// How many events tell of a throw: by its id, or else by the time; several
	// throws that came late may be told at one time, by as many events.
	told := map[key]int{}
	for _, e := range t.events {
		if e.Alert.Condition != detect.IncompleteThrow || e.Kind == alerting.Cleared {
			continue
		}
		if e.Alert.ThrowID != "" {
			told[key{turnout: e.Alert.Turnout, id: e.Alert.ThrowID}]++
		} else {
			told[key{turnout: e.Alert.Turnout, at: e.At.UTC()}]++
		}
	}
	for _, m := range t.incomplete {
		k := key{turnout: m.turnout, id: m.id}
		if m.id == "" {
			k.at = m.told
		}
		alerted := told[k] > 0
		told[k]--
		r.Incomplete.count(alerted)
		if slices.ContainsFunc(t.truth.Faults, func(f Fault) bool {
			return f.Turnout == m.turnout && !f.Failure.IsZero() && !m.at.Before(f.Failure) && !m.at.After(f.over(t.truth.End))
		}) {
			r.Failed.count(alerted)
		}
	}
	return r
}

func (t *Told) count(alerted bool) {
	t.Throws++
	if alerted {
		t.Alerted++
	}
}
