// Package detect measures a throw, compares it with that turnout's own past
// and says what is unlike it, why, and how long it may go on.
//
// Everything here is a pure function or plain state: no clock, no store, no
// log. [Measure] turns a throw into an [Observation]; [State.Step] takes the
// turnout's state and an observation and returns the next state and an
// [Assessment], and changes neither of its arguments.
package detect

import (
	"time"

	"throwline/ingest"
)

// Phase is a part of a throw, in the order in which they are run through.
type Phase uint8

// The five phases (Chamroukhi and others, switch-power papers 2009-2012).
const (
	Inrush    Phase = iota // the drive is switched on and gathers speed
	Unlocking              // the lock is drawn and the blades begin to move
	Travel                 // the blades move over their chairs
	Locking                // the blades close and the lock goes in
	Tail                   // the drive runs on after the lock, or the pressure falls
	NumPhases
)

// String returns the phase's name in lower case.
func (p Phase) String() string {
	return [...]string{"inrush", "unlocking", "travel", "locking", "tail"}[p]
}

// Feature is one number measured of a trace.
type Feature uint8

// The features. V is the channel's quantity in its base unit. A feature that
// the trace cannot give is NaN.
const (
	Duration   Feature = iota // s, from the first movement of the trace to the end of locking
	InrushPeak                // V, highest of the inrush
	UnlockTime                // s
	UnlockPeak                // V
	TravelTime                // s
	TravelMean                // V
	TravelPeak                // V, highest of the travel that two samples in a row reach, so that one bad sample is no peak
	TravelRise                // V, mean of the travel's last third less that of its first
	LockTime                  // s
	LockMean                  // V
	LockPeak                  // V
	TailTime                  // s
	TailMean                  // V
	Effort                    // V·s over the movement, above idle: energy in J for power; otherwise its stand-in
	Ripple                    // V, root mean square of the travel about its own smooth course
	Idle                      // V, before the drive is on or after it is off
	NumFeatures
)

var featureNames = [NumFeatures]string{
	"duration", "inrush_peak", "unlock_time", "unlock_peak", "travel_time", "travel_mean", "travel_peak", "travel_rise",
	"lock_time", "lock_mean", "lock_peak", "tail_time", "tail_mean", "effort", "ripple", "idle",
}

// String returns the feature's name as the API and exports give it.
func (f Feature) String() string { return featureNames[f] }

// ParseFeature reads what String writes.
func ParseFeature(s string) (Feature, bool) {
	for i, n := range featureNames {
		if n == s {
			return Feature(i), true
		}
	}
	return 0, false
}

// Unit returns the unit of the feature when it is measured of quantity q,
// e.g. "A", "s", "J" (power over time), "A·s" (its stand-in where no voltage is known).
func (f Feature) Unit(q ingest.Quantity) string {
	switch f {
	case Duration, UnlockTime, TravelTime, LockTime, TailTime:
		return "s"
	case Effort:
		if q == ingest.MotorPower {
			return "J"
		}
		return string(q.Base()) + "·s"
	}
	return string(q.Base())
}

// ProfileLen is the number of equal parts into which the movement is divided
// for its profile.
const ProfileLen = 48

// Quality is a set of reasons to doubt a trace.
type Quality uint16

// What can be wrong with a trace.
const (
	Clipped       Quality = 1 << iota // stands at its highest value for long
	Flat                              // does not move at all
	MissingStart                      // begins in the middle of the movement
	MissingEnd                        // ends in the middle of the movement
	Noisy                             // sensor noise hides the movement
	NegativeSign                      // reads less than nothing; see [Trace.Turned]
	ClippedTravel                     // stands at its highest value for long while the blades move, be it cut off or even
)

// Trace is what was measured of one channel's trace.
type Trace struct {
	Drive    string
	Quantity ingest.Quantity
	Quality  Quality
	// Bounds are the times in s from started_at at which the phases begin; the
	// last is the end of the tail. Phase p lasts from Bounds[p] to Bounds[p+1].
	Bounds   [NumPhases + 1]float32
	Features [NumFeatures]float32
	// Profile is the mean of each of ProfileLen equal parts of the time from
	// Bounds[Inrush] to Bounds[Tail], in the base unit of the quantity.
	Profile [ProfileLen]float32
}

// Turned reports whether the effort was measured on the trace upside down: the
// sensor has a sign, and reads this direction of movement as less than nothing.
// Features and profile are of the effort. A pressure below nothing is no effort.
func (tr *Trace) Turned() bool {
	return tr.Quality&NegativeSign != 0 && tr.Quantity != ingest.HydraulicPressure
}

// Observation is what is kept of a throw once its traces are measured.
type Observation struct {
	Key             string // see [ingest.Throw.Key]
	ThrowID         string
	Turnout         string
	To              ingest.End
	StartedAt       time.Time
	Completed       bool
	Detections      []ingest.Detection
	RailTemperature ingest.Reading // °C; the throw's own, or its cabinet's latest
	Supply          ingest.Reading // V; likewise
	Rain            ingest.Reading // 1 raining, 0 dry; its cabinet's latest
	CommonEffort    ingest.Reading // what the neighbours feel in common, ln of the effort against their own past
	CommonTime      ingest.Reading // likewise of the duration
	CommonSag       ingest.Reading // by how much the supply has fallen at neighbours of its cabinet or area, ln
	Traces          []Trace        // in the order of the throw's channels
}

// Band is what a trace's features were expected to be, from the turnout's past
// without the throw itself. NaN where too little is known.
type Band struct {
	Expected [NumFeatures]float32
	Low      [NumFeatures]float32
	High     [NumFeatures]float32
}

// Record is a throw as it is filed: measured and judged.
type Record struct {
	Observation
	Cabinet   string
	ArrivedAt time.Time
	Bands     []Band // beside Traces
}

// Condition is what is seen.
type Condition string

// The conditions of the contract.
const (
	Stiffening          Condition = "stiffening"
	SlowThrow           Condition = "slow-throw"
	IncompleteThrow     Condition = "incomplete-throw"
	OddThrow            Condition = "odd-throw"
	LateDetection       Condition = "late-detection"
	WeakSupply          Condition = "weak-supply"
	DoubtfulMeasurement Condition = "doubtful-measurement"
	CabinetSilent       Condition = "cabinet-silent"
)

// CauseName is why.
type CauseName string

// The causes of the contract.
const (
	DrySlideChairs      CauseName = "dry-slide-chairs"
	SeizedRoller        CauseName = "seized-roller"
	Obstruction         CauseName = "obstruction"
	LockAdjustment      CauseName = "lock-adjustment"
	BackDrive           CauseName = "back-drive"
	HydraulicLeak       CauseName = "hydraulic-leak"
	MotorWear           CauseName = "motor-wear"
	SupplyVoltageCause  CauseName = "supply-voltage"
	MeasurementCause    CauseName = "measurement"
	DetectionAdjustment CauseName = "detection-adjustment"
	ColdWeather         CauseName = "cold-weather"
	UnknownCause        CauseName = "unknown"
)

// Cause is one possible reason for a finding.
type Cause struct {
	Cause       CauseName `json:"cause"`
	Probability float64   `json:"probability" minimum:"0" maximum:"1" doc:"of this cause; all causes of an alert add up to 1"`
	Evidence    []string  `json:"evidence" doc:"in words and figures"`
	Checks      []string  `json:"checks" doc:"to make on site, as the rule book allows"`
}

// Forecast is how many days are left until a limit is reached.
type Forecast struct {
	Limit string  `json:"limit" doc:"the limit, in words"`
	P10   float64 `json:"days_p10"`
	P50   float64 `json:"days_p50"`
	P90   float64 `json:"days_p90"`
}

// Finding is a condition that stands after a throw.
type Finding struct {
	Condition     Condition
	To            ingest.End // zero where both ends show it
	Drive         string     // "" where it says nothing
	Causes        []Cause    // most probable first, adding up to 1
	ChangePercent float64    // of the feature that shows it best, 0 where it says nothing
	Since         time.Time  // when it began, as far as the charts can tell
	ThrowID       string     // of the throw that showed it, where it is one throw
	Fresh         bool       // the very throw that was stepped shows it; many throws have no id to tell them by
	Urgency       float64    // 0 to 1: how near the turnout is to failing to throw
	Forecast      *Forecast
}

// Assessment is what a throw says of its turnout.
type Assessment struct {
	Findings []Finding // all conditions that stand now, most urgent first
	Bands    []Band    // beside Observation.Traces
	Verdicts []Verdict // on work that this throw was the last to judge
	Late     bool      // filed where it belongs, but taught nothing: a later throw was here before it
}

// Learning is how much of a turnout's past is known for one end.
type Learning struct {
	To     ingest.End `json:"to"`
	Throws int        `json:"throws" doc:"in the baseline of the present epoch"`
	Needed int        `json:"needed" doc:"before the baseline is used"`
	Total  int        `json:"total" doc:"throws seen in all"`
}

// Summary is a turnout at a glance.
type Summary struct {
	Turnout    string
	Quantities []ingest.Quantity // what its channels have measured
	Drives     []string
	Last       time.Time // start of the latest throw, zero before the first
	LastTo     ingest.End
	Completed  bool // the latest throw
	Learning   [2]Learning
}

// Profile is the course of past traces along the movement, in the base unit of
// the quantity: each of ProfileLen parts of the time from the drive being
// switched on to the end of locking. Zero Throws: nothing is known yet.
type Profile struct {
	Throws         int
	Duration       float32 // s, usual, of the part that the profile covers
	Low, Mid, High [ProfileLen]float32
}

// Turned returns the profile upside down, as beside a trace that is [Trace.Turned].
func (p Profile) Turned() Profile {
	for i := range p.Mid {
		p.Low[i], p.Mid[i], p.High[i] = -p.High[i], -p.Mid[i], -p.Low[i]
	}
	return p
}
