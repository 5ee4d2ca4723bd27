package lineside

import (
	"math/rand/v2"
	"testing"
	"time"

	"throwline/ingest"
)

// A cabinet some of whose throws can never be sent, more of them than a receipt can
// tell apart, gets rid of all others, though they arrive in disorder.
func TestManyLastingGaps(t *testing.T) {
	var q queue
	var r ingest.Receipt
	rng := rand.New(rand.NewPCG(1, 3))
	const throws = 2000
	for range throws {
		q.add(item{})
	}
	now := time.Unix(0, 0)
	q.connected(now, time.Second)
	sent := 0
	var moving []uint64
	for q.pending > 0 {
		if now = now.Add(time.Second); now.After(time.Unix(1e6, 0)) {
			t.Fatalf("%d of %d throws are held for good, with the receipt %+v", q.pending, throws, r)
		}
		for len(moving) < 16 {
			n, ok := q.next()
			if !ok {
				break
			}
			if n%5 == 0 { // the disk does not give it back
				q.cover(n)
				continue
			}
			q.send(n)
			moving = append(moving, n)
			sent++
		}
		rng.Shuffle(len(moving), func(i, j int) { moving[i], moving[j] = moving[j], moving[i] })
		for _, n := range moving {
			q.settled(n, q.link, true, now)
			r = r.With("boot", n+1)
		}
		moving = moving[:0]
		q.take(r)
		q.review(now, time.Second)
	}
	if sent > 2*throws {
		t.Errorf("expected each sent once or twice, found %d sent for %d", sent, throws)
	}
}
