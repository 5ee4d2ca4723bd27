package lineside

import (
	"math/rand/v2"
	"testing"
	"time"

	"throwline/ingest"
)

// world is a queue, a broker that keeps order and forgets when it crashes, and
// a receiver that gives receipts, in a time of their own.
type world struct {
	rng    *rand.Rand
	q      queue
	now    time.Time
	due    time.Time // of the next review
	up     bool
	away   bool // the receiver
	broker []uint64
	got    map[uint64]int
	r      ingest.Receipt
	sent   int
}

const resend = 2 * time.Second

func (w *world) step() {
	w.now = w.now.Add(time.Duration(w.rng.IntN(200)) * time.Millisecond)
	if w.up {
		if n, ok := w.q.next(); ok {
			w.q.send(n)
			w.sent++
			if w.rng.IntN(50) > 0 {
				w.broker = append(w.broker, n+1)
				w.q.settled(n, w.q.link, true, w.now)
			} else { // the link breaks while it is on its way
				w.up = false
			}
		} else if w.due.IsZero() || !w.due.After(w.now) {
			w.due = w.q.review(w.now, resend)
		}
	} else if w.rng.IntN(20) == 0 {
		w.up = true
		w.q.connected(w.now, resend)
		w.hear()
	}
	if !w.away && len(w.broker) > 0 && w.rng.IntN(2) == 0 {
		seq := w.broker[0]
		w.broker = w.broker[1:]
		w.got[seq]++
		w.r = w.r.With("b", seq)
		if w.up {
			w.hear()
		}
	}
}

func (w *world) hear() {
	if w.r.Boot != "" && w.q.take(w.r) {
		w.due = time.Time{}
	}
}

// crash has the broker forget everything, and the link with it.
func (w *world) crash() { w.broker, w.up = nil, false }

func newWorld(seed uint64) *world {
	return &world{
		rng: rand.New(rand.NewPCG(seed, 3)), now: time.Unix(0, 0), got: map[uint64]int{},
	}
}

// Whatever breaks, every throw is stored in the end, and the queue is empty
// then; nothing is called stored that is not.
func TestQueueLosesNothing(t *testing.T) {
	for seed := range uint64(300) {
		w := newWorld(seed)
		const throws = 200
		for n := range throws {
			w.q.add(item{turnout: "W1", payload: []byte("x")})
			w.due = time.Time{}
			for range w.rng.IntN(12) {
				w.step()
			}
			if w.rng.IntN(40) == 0 {
				w.crash()
			}
			if w.rng.IntN(30) == 0 {
				w.away = !w.away
			}
			for seq := uint64(1); seq <= uint64(n+1); seq++ {
				if gone := seq <= w.q.start || w.q.at(seq-1).state == covered; gone && w.got[seq] == 0 {
					t.Fatalf("seed %d: number %d left the queue and is not stored", seed, seq)
				}
			}
		}
		w.away = false
		steps := 0
		for ; w.q.pending > 0; steps++ {
			if steps > 1_000_000 {
				t.Fatalf("seed %d: %d throws are never stored; receipt %+v", seed, w.q.pending, w.r)
			}
			if w.up && w.due.After(w.now) && len(w.broker) == 0 {
				if _, ok := w.q.next(); !ok {
					w.now = w.due // nothing happens before
				}
			}
			w.step()
		}
		if len(w.got) != throws || w.q.held != 0 || len(w.q.items) != 0 || w.q.start != throws {
			t.Fatalf("seed %d: %d stored, %d bytes held, %d items left", seed, len(w.got), w.q.held, len(w.q.items))
		}
	}
}

// While the receiver is away for a week, a broker that comes and goes is not
// fed the same throws for ever.
func TestQueueSpareWhileAway(t *testing.T) {
	w := newWorld(1)
	w.q.connected(w.now, resend)
	for range 1000 {
		w.q.add(item{turnout: "W1", payload: []byte("x")})
	}
	give := func() {
		for {
			n, ok := w.q.next()
			if !ok {
				return
			}
			w.q.send(n)
			w.sent++
			w.q.settled(n, w.q.link, true, w.now)
		}
	}
	give()
	if w.sent != 1000 {
		t.Fatalf("sent %d", w.sent)
	}
	for minute := range 7 * 24 * 60 {
		w.now = w.now.Add(time.Minute)
		if minute%30 == 0 {
			w.q.connected(w.now, resend)
		}
		w.q.review(w.now, resend)
		give()
	}
	if again := w.sent - 1000; again > 400 || again < 10 {
		t.Errorf("%d of 1000 throws were sent again within a week", again)
	}
}

// On a link that stands, with nothing stored yet, nothing is sent again for a
// quarter of an hour; then only the last one.
func TestQueuePatience(t *testing.T) {
	w := newWorld(1)
	w.q.connected(w.now, resend)
	for range 10 {
		w.q.add(item{turnout: "W1"})
	}
	for {
		n, ok := w.q.next()
		if !ok {
			break
		}
		w.q.send(n)
		w.q.settled(n, w.q.link, true, w.now)
	}
	due := w.q.review(w.now, resend)
	if got := due.Sub(w.now); got != patience {
		t.Errorf("looks again after %s", got)
	}
	if _, ok := w.q.next(); ok {
		t.Error("something is sent again at once")
	}
	w.q.review(due, resend)
	n, ok := w.q.next()
	if !ok || n != 9 {
		t.Errorf("after %s, %d is sent again (%v)", patience, n, ok)
	}
	w.q.send(n)
	w.q.settled(n, w.q.link, true, due)
	if _, ok := w.q.next(); ok {
		t.Error("more than the last is sent again")
	}
}

// A receipt that covers nothing new shows that the receiver has connected again:
// the last one is sent again soon, but not one that was sent after that receipt.
func TestQueueReceivedAgain(t *testing.T) {
	w := &world{now: time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)}
	w.q.connected(w.now, resend)
	for range 3 {
		w.q.add(item{})
		n, _ := w.q.next()
		w.q.send(n)
		w.q.settled(n, w.q.link, true, w.now)
	}
	w.q.receivedAgain(w.now.Add(time.Second))
	if due := w.q.review(w.now.Add(time.Second), resend); !due.Equal(w.now.Add(time.Second + resend)) {
		t.Errorf("it looks again at %s, want %s after the receipt", due, resend)
	}
	w.now = w.now.Add(time.Second + resend)
	w.q.review(w.now, resend)
	if n, ok := w.q.next(); !ok || n != 2 {
		t.Errorf("%d is sent again (%v), want the last", n, ok)
	}
	w.q.receivedAgain(w.now) // before it is sent
	w.q.send(2)
	w.q.settled(2, w.q.link, true, w.now.Add(time.Second))
	if due := w.q.review(w.now.Add(time.Second), resend); due.Before(w.now.Add(patience)) {
		t.Errorf("it looks again at %s, and nothing calls for that", due)
	}
}
