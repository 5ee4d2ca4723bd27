package torture

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"throwline/ingest"
)

// Throws come in lots: a month of five turnouts, which ends when the lot is
// sent, with its last throws a few seconds apart. In every lot one turnout
// stiffens, one gets slow, and some throws do not complete; the next lot is of
// other turnouts.
const (
	lotTurnouts = 5
	lotThrows   = 300 // of each turnout
	lotMonth    = 240 // of them, spread over the month
	lotSize     = lotTurnouts * lotThrows
)

// throwOf is throw n, of a lot that began to be sent at base.
func throwOf(n int, base time.Time) *ingest.Throw {
	lot, k, m := n/lotSize, n%lotTurnouts, n%lotSize/lotTurnouts
	at := base.Add(-30*24*time.Hour + time.Duration(m)*3*time.Hour)
	if m >= lotMonth {
		at = base.Add(time.Duration(m-lotThrows) * 5 * time.Second)
	}
	at = at.Add(time.Duration(k) * 100 * time.Millisecond)
	age := max(float64(m)/lotMonth-0.5, 0) * 2 // 0 to 1 and a little beyond
	stiff, slow := 0.0, 0.0
	switch k {
	case 1:
		stiff = 0.6 * age
	case 3:
		slow = 0.4 * age
	}
	t := throwAt(fmt.Sprintf("TOLB%d-W%d", lot, k), n, m, at, stiff, slow)
	t.Completed = m%41 != 17+k && (m < lotMonth || (m+k)%19 != 3)
	return t
}

// throwAt is throw n of all, and m of its turnout: heavier by stiff and longer by slow.
func throwAt(turnout string, n, m int, at time.Time, stiff, slow float64) *ingest.Throw {
	const rate = 25.0
	rng := rand.New(rand.NewPCG(uint64(n), 7))
	level := 380 * (1 + stiff) * (1 + 0.01*rng.NormFloat64())
	length := 3.0 * (1 + slow)
	samples := make([]float64, int((length+0.6)*rate))
	for i := range samples {
		s := float64(i)/rate - 0.05
		v := 0.0
		switch {
		case s < 0 || s > length:
		case s < 0.2:
			v = 1500*math.Exp(-s/0.06) + level*s/0.2
		case s < 0.5:
			v = level * 1.25
		case s < length-0.4:
			v = level
		default:
			v = level * 1.4
		}
		samples[i] = math.Round(v + 3*rng.NormFloat64())
	}
	return &ingest.Throw{
		ID: fmt.Sprintf("n%d", n), Turnout: turnout, To: ingest.Ends[m%2], StartedAt: at, Completed: true,
		Channels: []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: rate, Scale: 0.01, Samples: samples}},
	}
}
