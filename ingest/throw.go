package ingest

import (
	"slices"
	"time"
)

// Throw is one movement of a turnout's blades to one end.
type Throw struct {
	ID        string // throw_id, "" where the cabinet gives none
	Cabinet   string // who sent it, "" where that is unknown (a recording)
	Turnout   string
	To        End       // the end commanded
	StartedAt time.Time // when the drive was switched on
	Completed bool      // detection was obtained at To within the time allowed

	Detections []Detection // when each detector made

	Boot     string // with Sequence, the cabinet's count of its throws; "" where it does not number
	Sequence uint64 // from 1

	RailTemperature Reading // °C
	Supply          Reading // V at the drive, during the movement

	Channels []Channel
}

// Detection is one detector making, at the toe or further along the switch.
type Detection struct {
	Place string        // "toe", or a supplementary place by name
	After time.Duration // from Throw.StartedAt
}

// Channel is what one sensor measured during one throw.
type Channel struct {
	Drive      string // "main", or a supplementary drive by name
	Quantity   Quantity
	Unit       Unit
	SampleRate float64 // Hz
	Offset     float64 // s from Throw.StartedAt to the first sample
	Scale      float64 // physical = sample × Scale + Zero, in Unit
	Zero       float64
	Samples    []float64 // as sent
}

// Factors returns a and b such that a×sample+b is the physical value in the
// base unit of the channel's quantity.
func (c *Channel) Factors() (a, b float64) {
	per := c.Unit.perBase()
	return c.Scale * per, c.Zero * per
}

// AppendPhysical appends the samples as physical values in the base unit of
// the channel's quantity to dst.
func (c *Channel) AppendPhysical(dst []float64) []float64 {
	dst = slices.Grow(dst, len(c.Samples))
	a, b := c.Factors()
	for _, s := range c.Samples {
		dst = append(dst, a*s+b)
	}
	return dst
}

// Key tells the throw from every other throw: it stays the same when the same
// throw is sent again. It is made of the turnout and the throw's id, or of the
// turnout, the end and the time where there is no id. "~" and "@" cannot stand
// in a turnout's name, so keys of different turnouts or kinds never meet.
func (t *Throw) Key() string {
	if t.ID != "" {
		return t.Turnout + "~" + t.ID
	}
	return t.Turnout + "@" + t.To.String() + "@" + t.StartedAt.UTC().Format(time.RFC3339Nano)
}

// CabinetState is a cabinet saying, or its broker saying for it, whether it is there.
type CabinetState struct {
	Cabinet     string
	Online      bool
	At          time.Time
	Agent       string  // the cabinet's software, "" where not given
	ClockOffset Reading // s by which the cabinet knows its clock to be wrong
}

// Conditions is what a cabinet measured of its surroundings.
type Conditions struct {
	Cabinet         string
	At              time.Time
	RailTemperature Reading // °C
	AirTemperature  Reading // °C
	Supply          Reading // V
	Rain            Reading // 1 raining, 0 dry
}

// WorkKind is what was done at a turnout.
type WorkKind string

// The kinds of work of the contract.
const (
	Inspected  WorkKind = "inspected"
	Cleaned    WorkKind = "cleaned"
	Lubricated WorkKind = "lubricated"
	Adjusted   WorkKind = "adjusted"
	Repaired   WorkKind = "repaired"
	Replaced   WorkKind = "replaced"
	OtherWork  WorkKind = "other"
)

// Rebaselined is no work at the turnout: someone, who gives the reason as the
// note, says that what it does from now on is normal.
const Rebaselined WorkKind = "rebaselined"

// WorkKinds lists all kinds of work.
var WorkKinds = [...]WorkKind{Inspected, Cleaned, Lubricated, Adjusted, Repaired, Replaced, OtherWork}

// Work is a visit to a turnout.
type Work struct {
	Turnout string
	DoneAt  time.Time
	Kind    WorkKind
	Note    string
	By      string // who recorded it, "" where not given
}

// Arrival is one thing that reached the program, and when. Exactly one of the
// pointers is set.
type Arrival struct {
	At         time.Time
	Throw      *Throw
	Work       *Work
	State      *CabinetState
	Conditions *Conditions
}
