package detect

import (
	"throwline/ingest"
)

// State is all that is remembered of a turnout. The zero State has seen nothing.
// A State is never changed once made; [State.Step] and [State.Visit] return new ones.
type State struct {
	turnout string
}

// Settings are the operator's choices.
type Settings struct {
	// FalseAlerts is how many false alerts a turnout-year are accepted, all
	// charts together.
	FalseAlerts float64
}

// DefaultSettings returns the settings in force where none are given.
func DefaultSettings() Settings { return Settings{FalseAlerts: 0.05} }

// Measure extracts what is kept of a throw. It does not keep a reference to
// the throw's samples.
func Measure(t *ingest.Throw) *Observation { return &Observation{} }

// Step returns the state after the observation and what it says.
func (s *State) Step(o *Observation, set *Settings) (*State, Assessment) { return s, Assessment{} }

// Visit returns the state after recorded work: a new epoch.
func (s *State) Visit(w *ingest.Work, set *Settings) (*State, Assessment) { return s, Assessment{} }

// Summary returns the turnout at a glance.
func (s *State) Summary() Summary { return Summary{Turnout: s.turnout} }

// Profile returns the course of the traces of the turnout's past that throws
// are compared with.
func (s *State) Profile(to ingest.End, drive string, q ingest.Quantity) Profile { return Profile{} }

// MarshalBinary writes the state for the store.
func (s *State) MarshalBinary() ([]byte, error) { return nil, nil }

// UnmarshalBinary reads what MarshalBinary wrote, of this or any earlier release.
func (s *State) UnmarshalBinary(b []byte) error { return nil }
