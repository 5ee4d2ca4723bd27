package daemon

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"go.uber.org/goleak"

	"throwline/ingest"
	"throwline/ingest/wire"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// firstDay is when the invented throws of these tests begin.
var firstDay = time.Date(2026, 3, 1, 5, 0, 0, 0, time.UTC)

// invented is the n-th throw of a turnout that throws every half hour to one
// end after the other: a sketched motor current of 350 samples, heavier by
// stiff, with noise that follows from name and n.
func invented(turnout string, n int, stiff float64) *ingest.Throw {
	rng := rand.New(rand.NewPCG(uint64(n), uint64(len(turnout))*7919+uint64(turnout[len(turnout)-1])))
	const rate, length = 100.0, 3.0
	samples := make([]float64, 350)
	level := 380 * (1 + stiff) * (1 + 0.01*rng.NormFloat64())
	for i := range samples {
		s := float64(i)/rate - 0.05
		v := 0.0
		switch {
		case s < 0 || s > length:
		case s < 0.2:
			v = 1500*math.Exp(-s/0.06) + level*s/0.2
		case s < 0.5:
			v = level * 1.25
		case s < 2.6:
			v = level
		default:
			v = level * 1.4
		}
		samples[i] = math.Round(v + 3*rng.NormFloat64())
	}
	at := firstDay.Add(time.Duration(n) * 30 * time.Minute)
	return &ingest.Throw{
		ID: fmt.Sprintf("%s-%d", turnout, n), Turnout: turnout, To: ingest.Ends[n%2], StartedAt: at, Completed: true,
		Detections:      []ingest.Detection{{Place: "toe", After: 3100 * time.Millisecond}},
		RailTemperature: ingest.Known(math.Round(80+40*math.Sin(float64(n)/7)) / 10),
		Channels: []ingest.Channel{{
			Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: rate, Scale: 0.01, Samples: samples,
		}},
	}
}

// numbered gives the throw its place in a cabinet's count.
func numbered(t *ingest.Throw, boot string, sequence uint64) *ingest.Throw {
	t.Boot, t.Sequence = boot, sequence
	return t
}

// messageOf makes of a throw the parcel that its message would be.
func messageOf(cabinet string, t *ingest.Throw) *parcel {
	return &parcel{
		kind: aThrow, topic: "throwline/v1/" + cabinet + "/throw/" + t.Turnout, cabinet: cabinet, turnout: t.Turnout,
		payload: wire.AppendThrow(nil, t), arrived: t.StartedAt.Add(10 * time.Second),
	}
}
