// Package ingest holds the words of the trade as plain types: what a turnout
// sends when its blades are thrown, and which of it can be believed.
//
// It knows nothing of bytes, brokers or clocks: package wire turns bytes into
// these types, package mqtt fetches the bytes.
package ingest

import "fmt"

// End is the end of its travel to which a turnout's blades are commanded.
// The zero End is neither.
type End uint8

// The two ends, as an interlocking names them.
const (
	Normal End = 1 + iota
	Reverse
)

// Ends lists both ends, in the order in which they are shown.
var Ends = [...]End{Normal, Reverse}

// String returns "normal", "reverse", or "" for the zero End.
func (e End) String() string {
	switch e {
	case Normal:
		return "normal"
	case Reverse:
		return "reverse"
	}
	return ""
}

// ParseEnd reads "normal" or "reverse".
func ParseEnd(s string) (End, bool) {
	switch s {
	case "normal":
		return Normal, true
	case "reverse":
		return Reverse, true
	}
	return 0, false
}

// MarshalText writes the end as [End.String] does.
func (e End) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalText reads what MarshalText wrote; the empty text is the zero End.
func (e *End) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*e = 0
		return nil
	}
	end, ok := ParseEnd(string(b))
	if !ok {
		return fmt.Errorf("end: expected normal or reverse, found %q", b)
	}
	*e = end
	return nil
}

// Quantity is what a channel measures.
type Quantity string

// The quantities of the contract.
const (
	MotorCurrent      Quantity = "motor_current"
	MotorPower        Quantity = "motor_power"
	SupplyVoltage     Quantity = "supply_voltage"
	HydraulicPressure Quantity = "hydraulic_pressure"
	Displacement      Quantity = "displacement"
	DriveForce        Quantity = "drive_force"
)

// Unit is the unit in which a channel's samples are given.
type Unit string

// The units of the contract.
const (
	Ampere     Unit = "A"
	Watt       Unit = "W"
	Volt       Unit = "V"
	Bar        Unit = "bar"
	Kilopascal Unit = "kPa"
	Millimetre Unit = "mm"
	Kilonewton Unit = "kN"
)

// Units returns the units that suit the quantity, its base unit first, or nil
// for an unknown quantity.
func (q Quantity) Units() []Unit {
	switch q {
	case MotorCurrent:
		return []Unit{Ampere}
	case MotorPower:
		return []Unit{Watt}
	case SupplyVoltage:
		return []Unit{Volt}
	case HydraulicPressure:
		return []Unit{Bar, Kilopascal}
	case Displacement:
		return []Unit{Millimetre}
	case DriveForce:
		return []Unit{Kilonewton}
	}
	return nil
}

// Base returns the unit in which everything after ingest counts the quantity,
// or "" for an unknown quantity.
func (q Quantity) Base() Unit {
	if u := q.Units(); u != nil {
		return u[0]
	}
	return ""
}

// Quantities lists all quantities of the contract.
var Quantities = [...]Quantity{MotorCurrent, MotorPower, SupplyVoltage, HydraulicPressure, Displacement, DriveForce}

// perBase is how many base units of its quantity one u is.
func (u Unit) perBase() float64 {
	if u == Kilopascal {
		return 0.01 // 1 bar = 100 kPa, exactly (ISO 80000-4)
	}
	return 1
}

// Reading is a number that may not have been reported.
type Reading struct {
	Value float64
	Known bool
}

// Known returns a Reading that was reported.
func Known(v float64) Reading { return Reading{Value: v, Known: true} }

// Or returns the reading, or other where it was not reported.
func (r Reading) Or(other Reading) Reading {
	if r.Known {
		return r
	}
	return other
}
