package alerting

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"throwline/detect"
)

// Standing is where an alert is in its life, after IEC 62682 and ISA-18.2.
type Standing string

// The standings. Shelved, suppressed and out of service hide an alert from the
// calls for action; none of them ends it.
const (
	Unacknowledged Standing = "unacknowledged"
	Acknowledged   Standing = "acknowledged"
	Returned       Standing = "returned-unacknowledged" // to normal, and nobody has said that he saw it
	Shelved        Standing = "shelved"                 // by a person, until a time
	Suppressed     Standing = "suppressed"              // by a window: a possession, works
	OutOfService   Standing = "out-of-service"          // the turnout is
	Normal         Standing = "normal"                  // returned and acknowledged: its life is over
)

// Handling is what people have done about an alert. The zero Handling: nothing.
type Handling struct {
	AcknowledgedAt time.Time `json:"acknowledged_at,omitzero"`
	AcknowledgedBy string    `json:"acknowledged_by,omitempty"`
	Call           int       `json:"call,omitempty" doc:"of the alert's calls, the one that was acknowledged"`
	ShelvedUntil   time.Time `json:"shelved_until,omitzero"`
	ShelvedBy      string    `json:"shelved_by,omitempty"`
	ShelvedFor     string    `json:"shelved_for,omitempty" doc:"the reason"`
	Found          *Found    `json:"found,omitempty" doc:"what a visit found"`
}

// Found is what people say of an alert in the end; it feeds the figures of how
// good the alerts have been here.
type Found struct {
	True  bool             `json:"true" doc:"there was something"`
	Cause detect.CauseName `json:"cause,omitempty" doc:"what it was, where there was something"`
	Note  string           `json:"note,omitempty" maxLength:"4096"`
	By    string           `json:"by,omitempty"`
	At    time.Time        `json:"at"`
}

// Action is one thing that a person, or the program in its own name, does to an alert.
type Action string

// The actions. The first six are people's; the others are entered by the program.
const (
	Acknowledge Action = "acknowledge"
	Shelve      Action = "shelve"
	Unshelve    Action = "unshelve"
	Note        Action = "note"
	Judge       Action = "judge" // say what was found
	Reopen      Action = "reopen"
	Deliver     Action = "deliver" // something was sent, or could not be
	Remind      Action = "remind"
	Escalate    Action = "escalate"
)

// Act is what someone wants to do to an alert.
type Act struct {
	Action Action
	By     string
	Note   string
	Until  time.Time // of a shelving
	Found  *Found    // of a judgement; At and By are filled in
	Call   *int      // the alert's call that was seen, of an acknowledgement; nil: the latest
}

// Entry is one line of an alert's journal: everything is kept.
type Entry struct {
	ID      int64     `json:"id"`
	Alert   string    `json:"alert"`
	Turnout string    `json:"turnout"`
	At      time.Time `json:"at"`
	By      string    `json:"by,omitempty" doc:"nobody: the program itself"`
	Action  string    `json:"action" doc:"an action of people or of the program, or raised, changed, cleared"`
	Note    string    `json:"note,omitempty"`
	Until   time.Time `json:"until,omitzero"`
	Found   *Found    `json:"found,omitempty"`
	Call    int       `json:"call,omitempty" doc:"of an acknowledgement: the call that it answers"`
	Target  string    `json:"target,omitempty" doc:"of a delivery"`
	Outcome string    `json:"outcome,omitempty" doc:"of a delivery: sent, or what went wrong"`
}

// MaxShelving is how long an alert can be shelved for: what is to be quiet for
// longer needs a window or a turnout out of service, which others see and own.
const MaxShelving = 30 * 24 * time.Hour

// maxNote is how long a note may be, in bytes.
const maxNote = 4096

// RefusedError says why something cannot be done to an alert.
type RefusedError struct {
	Alert    string
	Action   Action
	Expected string
	Found    string
	Conflict bool // it might be done at another time; the request itself is well made
}

func (e *RefusedError) Error() string {
	return fmt.Sprintf("%s alert %s: expected %s, found %s", e.Action, e.Alert, e.Expected, e.Found)
}

// Acknowledges reports whether someone has seen the alert's latest call.
func (h *Handling) Acknowledges(a *Alert) bool {
	return !h.AcknowledgedAt.IsZero() && h.Call >= a.Call
}

// shelved reports whether the shelving holds.
func (h *Handling) shelved(now time.Time) bool { return now.Before(h.ShelvedUntil) }

// Hidden reports whether the alert calls nobody for the time being.
func (s Standing) Hidden() bool {
	return s == Shelved || s == Suppressed || s == OutOfService
}

// StandingOf returns where an alert is in its life. h may be nil: nobody has
// done anything. suppressed says that a window holds, see [Suppressing];
// outOfService that the turnout is.
//
// An alert that has returned and is acknowledged is over, whatever hides. Of
// states that hide and hold at once, the one that reaches furthest is told: the
// turnout's, then the window's, then the alert's own.
func StandingOf(a *Alert, h *Handling, now time.Time, suppressed, outOfService bool) Standing {
	if h == nil {
		h = &Handling{}
	}
	seen := h.Acknowledges(a)
	switch {
	case seen && !a.Open():
		return Normal
	case outOfService:
		return OutOfService
	case suppressed:
		return Suppressed
	case h.shelved(now):
		return Shelved
	case seen:
		return Acknowledged
	case !a.Open():
		return Returned
	}
	return Unacknowledged
}

// Apply does to an alert what someone wants to, and returns what has been done
// about it then and the line of its journal. An error is a [*RefusedError];
// nothing has changed then. Who may do what is settled elsewhere, but that it
// is known who does it, is asked for here.
func Apply(a *Alert, h Handling, act Act, now time.Time) (Handling, Entry, error) {
	if err := act.check(a, &h, now); err != nil {
		err.Alert, err.Action = a.ID, act.Action
		return h, Entry{}, err
	}
	e := Entry{Alert: a.ID, Turnout: a.Turnout, At: now, By: act.By, Action: string(act.Action), Note: act.Note}
	switch act.Action {
	case Acknowledge:
		e.Call = a.Call
	case Shelve:
		e.Until = act.Until
	case Judge:
		found := *act.Found
		found.By, found.At = act.By, now
		e.Found, e.Call = &found, a.Call
		if found.Note == "" {
			e.Found.Note = act.Note
		}
	}
	return h.After(e), e, nil
}

func (act *Act) check(a *Alert, h *Handling, now time.Time) *RefusedError {
	wrong := func(expected, found string) *RefusedError { return &RefusedError{Expected: expected, Found: found} }
	clash := func(expected, found string) *RefusedError {
		return &RefusedError{Expected: expected, Found: found, Conflict: true}
	}
	switch {
	case strings.TrimSpace(act.By) == "":
		return wrong("the name of who does it", "none")
	case len(act.Note) > maxNote || !utf8.ValidString(act.Note):
		return wrong(fmt.Sprintf("a note of at most %d bytes of UTF-8", maxNote), fmt.Sprintf("%d bytes", len(act.Note)))
	case act.Action != Shelve && !act.Until.IsZero():
		return wrong("an end for a shelving alone", said(act.Until))
	case act.Action != Judge && act.Found != nil:
		return wrong("what was found for a judgement alone", "something found")
	}
	switch act.Action {
	case Acknowledge:
		if act.Call != nil && *act.Call < a.Call {
			return clash(fmt.Sprintf("its latest call to have been seen: it has called again at %s", said(a.LastCall())), fmt.Sprintf("call %d of %d", *act.Call, a.Call))
		}
		if h.Acknowledges(a) {
			return clash("an alert that nobody has acknowledged", fmt.Sprintf("acknowledged by %s at %s", h.AcknowledgedBy, said(h.AcknowledgedAt)))
		}
	case Shelve:
		switch {
		case strings.TrimSpace(act.Note) == "":
			return wrong("a reason", "none")
		case !act.Until.After(now):
			return wrong("an end after "+said(now), said(act.Until))
		case act.Until.Sub(now) > MaxShelving:
			return wrong("an end by "+said(now.Add(MaxShelving))+", 30 days from now", said(act.Until))
		case !a.Open():
			return clash("an alert that stands", "cleared at "+said(a.ClearedAt))
		}
	case Unshelve:
		if h.shelved(now) {
			return nil
		}
		if h.ShelvedUntil.IsZero() {
			return clash("a shelved alert", "one that is not")
		}
		return clash("a shelved alert", "one whose shelving ended at "+said(h.ShelvedUntil))
	case Note:
		if strings.TrimSpace(act.Note) == "" {
			return wrong("a note", "none")
		}
	case Judge:
		switch f := act.Found; {
		case f == nil:
			return wrong("what was found", "nothing said")
		case len(f.Note) > maxNote || !utf8.ValidString(f.Note):
			return wrong(fmt.Sprintf("a note of at most %d bytes of UTF-8", maxNote), fmt.Sprintf("%d bytes", len(f.Note)))
		case !f.True && f.Cause != "":
			return wrong("no cause where there was nothing", fmt.Sprintf("%q", f.Cause))
		case f.Cause != "" && !slices.Contains(causes, f.Cause):
			return wrong(fmt.Sprintf("a cause of %v", causes), fmt.Sprintf("%q", f.Cause))
		}
	case Reopen:
		if h.AcknowledgedAt.IsZero() && h.Found == nil {
			return clash("an alert that someone has acknowledged or judged", "one that nobody has")
		}
	default:
		return wrong("acknowledge, shelve, unshelve, note, judge or reopen", fmt.Sprintf("%q", act.Action))
	}
	return nil
}

// After returns the handling after a line of the alert's journal: folded over
// the journal from the zero Handling it gives the handling of today. Lines that
// tell what the program did change nothing.
func (h Handling) After(e Entry) Handling {
	switch Action(e.Action) {
	case Acknowledge:
		h.AcknowledgedAt, h.AcknowledgedBy, h.Call = e.At, e.By, e.Call
	case Shelve:
		h.ShelvedUntil, h.ShelvedBy, h.ShelvedFor = e.Until, e.By, e.Note
	case Unshelve:
		h.ShelvedUntil, h.ShelvedBy, h.ShelvedFor = time.Time{}, "", ""
	case Judge:
		h.Found = e.Found
		// Who says what was found has seen it.
		if h.AcknowledgedAt.IsZero() || h.Call < e.Call {
			h.AcknowledgedAt, h.AcknowledgedBy, h.Call = e.At, e.By, e.Call
		}
	case Reopen:
		h.AcknowledgedAt, h.AcknowledgedBy, h.Call, h.Found = time.Time{}, "", 0, nil
	}
	return h
}

// EntryOf returns the line of the journal that an event makes.
func EntryOf(e *Event) Entry {
	n := Entry{Alert: e.Alert.ID, Turnout: e.Alert.Turnout, At: e.At, Action: string(e.Kind)}
	if e.Kind == Raised {
		n.Note = e.Alert.Again()
	}
	if e.Alert.Cabinet != "" { // it is of no turnout
		n.Note = strings.TrimSuffix("cabinet "+e.Alert.Cabinet+", "+n.Note, ", ")
	}
	return n
}

// MostReturned is how many alerts of one condition at one turnout, or of one cabinet,
// wait to be acknowledged though they have cleared: where nobody ever does, they would
// grow without end.
const MostReturned = 3

// MadeRoom returns the line of the journal by which the program acknowledges an alert
// that has cleared, in nobody's place, for there are newer ones like it.
func MadeRoom(a *Alert, now time.Time) Entry {
	return Entry{
		Alert: a.ID, Turnout: a.Turnout, At: now, By: "Throwline", Action: string(Acknowledge), Call: a.Call,
		Note: fmt.Sprintf("nobody has; it cleared, and so have %d like it since", MostReturned),
	}
}

// causes are those of the contract.
var causes = []detect.CauseName{
	detect.DrySlideChairs, detect.SeizedRoller, detect.Obstruction, detect.LockAdjustment, detect.BackDrive, detect.HydraulicLeak,
	detect.MotorWear, detect.SupplyVoltageCause, detect.MeasurementCause, detect.DetectionAdjustment, detect.ColdWeather, detect.UnknownCause,
}

// conditions are those of the contract, in the order in which a turnout that
// has several is spoken of.
var conditions = []detect.Condition{
	detect.IncompleteThrow, detect.Stiffening, detect.SlowThrow, detect.LateDetection, detect.WeakSupply, detect.DoubtfulMeasurement,
	detect.CabinetSilent, detect.OddThrow,
}

func said(t time.Time) string {
	if t.IsZero() {
		return "none"
	}
	return t.Format(time.RFC3339)
}
