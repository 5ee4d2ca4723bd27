package ingest

import (
	"strings"
	"testing"
	"time"
)

// Texts far beyond what is allowed are refused, with a short reason.
func TestLongTexts(t *testing.T) {
	arrived := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	long := strings.Repeat("x", 100*MaxAgentLen)
	throw := Throw{
		ID: long, Cabinet: long, Turnout: long, To: Normal, StartedAt: arrived, Boot: long, Sequence: 1,
		Channels: []Channel{{Drive: long, Quantity: Quantity(long), Unit: Unit(long), SampleRate: 50, Scale: 1, Samples: make([]float64, 8)}},
	}
	for range 10 * MaxDetections {
		throw.Detections = append(throw.Detections, Detection{Place: long, After: -1})
	}
	for what, err := range map[string]error{
		"throw":      throw.Validate(arrived),
		"state":      (&CabinetState{Cabinet: long, At: arrived, Agent: long}).Validate(arrived),
		"conditions": (&Conditions{Cabinet: long, At: arrived}).Validate(arrived),
		"work":       (&Work{Turnout: long, DoneAt: arrived, Kind: WorkKind(long), Note: strings.Repeat("x", 10*MaxNoteLen), By: long}).Validate(arrived),
	} {
		r := AsRefusal(err)
		if r == nil || len(r.Faults) > maxFaults || len(r.Error()) > 4000 || len(r.Turnout) > MaxNameLen || r.Boot != "" {
			t.Errorf("%s: found %.300v", what, err)
		}
	}
	if !strings.Contains((&CabinetState{Cabinet: "C", At: arrived, Agent: long}).Validate(arrived).Error(), "agent: expected 0 to 256 characters, found 25600") {
		t.Error("the agent")
	}
}
