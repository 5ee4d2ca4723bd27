package lineside

import (
	"slices"
	"time"

	"throwline/ingest"
)

// state is how far a throw has come.
type state uint8

const (
	waiting state = iota // to be sent, or sent again
	moving               // on its way to the broker
	given                // the broker has it
	covered              // a receipt covers it
)

// item is a throw that is not known to be stored.
type item struct {
	turnout string
	record  uint64 // its number in the spool
	place   place
	payload []byte // nil: in the spool only
	state   state
	former  bool      // numbered by a former boot, so to be numbered anew
	link    uint64    // the number of the link on which it was given
	at      time.Time // when it was given
	turn    uint64    // when it was sent last, in the order of sending
}

// queue is the throws in the order of their numbers: the item at i has the
// sequence start+1+i. It is not for concurrent use.
type queue struct {
	items   []item
	start   uint64 // items before the first in items; all are covered
	cursor  uint64 // no item before it waits
	held    int64  // bytes of payloads in items
	pending int    // items that are not covered

	turns    uint64         // sendings so far
	proof    uint64         // the latest turn that a receipt covers
	receipt  ingest.Receipt // the last one of this boot
	stale    time.Time      // when a receipt came that covers nothing new; zero: not since one did
	before   uint64         // the latest turn before stale
	link     uint64         // the number of the link, from 1
	doubt    time.Duration  // the pause before what no receipt covers is sent again; doubles
	doubtful time.Time      // when that is due; zero: not now
}

// end is the number of items ever added.
func (q *queue) end() uint64 { return q.start + uint64(len(q.items)) }

// at returns the item with the 0-based number n.
func (q *queue) at(n uint64) *item { return &q.items[n-q.start] }

func (q *queue) add(it item) {
	q.items = append(q.items, it)
	q.held += int64(len(it.payload))
	q.pending++
}

// cover notes that the item is not needed any more.
func (q *queue) cover(n uint64) {
	it := q.at(n)
	q.held -= int64(len(it.payload))
	it.payload = nil
	it.state = covered
	q.pending--
	q.proof = max(q.proof, it.turn)
}

// send notes that the item is being sent.
func (q *queue) send(n uint64) {
	it := q.at(n)
	q.turns++
	it.state, it.turn = moving, q.turns
}

// next returns the number of the first item that waits.
func (q *queue) next() (n uint64, ok bool) {
	for q.cursor = max(q.cursor, q.start); q.cursor < q.end(); q.cursor++ {
		if q.at(q.cursor).state == waiting {
			return q.cursor, true
		}
	}
	return 0, false
}

// wait has the item sent, or sent again.
func (q *queue) wait(n uint64) {
	q.at(n).state = waiting
	q.cursor = min(q.cursor, n)
}

// settled notes what became of an item that was moving on that link.
func (q *queue) settled(n, link uint64, gave bool, now time.Time) {
	if n < q.start {
		return
	}
	it := q.at(n)
	switch {
	case it.state != moving || link != q.link:
		// A later link took it over, or a receipt came first.
	case gave:
		it.state, it.link, it.at = given, link, now
	default:
		q.wait(n)
	}
}

// connected begins a new link: what was moving on the former one is sent
// again, what was given is in doubt.
func (q *queue) connected(now time.Time, pause time.Duration) {
	q.link++
	q.doubt = max(q.doubt, pause)
	for i := range q.items {
		switch q.items[i].state {
		case moving:
			q.wait(q.start + uint64(i))
		case given:
			q.doubtful = now.Add(q.doubt)
		}
	}
}

// take enters a receipt and returns whether it covers more than those before.
func (q *queue) take(r ingest.Receipt) (progress bool) {
	q.receipt = r
	for i := range q.items {
		n := q.start + uint64(i)
		if n >= r.Through {
			break
		}
		if q.items[i].state != covered && r.Covers(r.Boot, n+1) {
			q.cover(n)
			progress = true
		}
	}
	done := 0
	for done < len(q.items) && q.items[done].state == covered {
		done++
	}
	q.start += uint64(done)
	clear(q.items[:done]) // let go of what they hold
	q.items = q.items[done:]
	if len(q.items) == 0 {
		q.items = nil
	} else if cap(q.items) > 2*len(q.items)+1024 {
		q.items = slices.Clone(q.items)
	}
	if progress {
		q.doubt, q.stale = 0, time.Time{}
	}
	return progress
}

// receivedAgain notes a receipt, sent just now, that covers nothing new: whoever
// stores has connected again and may not know of what was sent before.
func (q *queue) receivedAgain(now time.Time) { q.stale, q.before = now, q.turns }

const (
	mostDoubtful = 256              // that are all sent again after a reconnect
	mostDoubt    = time.Hour        // between the rounds of sending them
	patience     = 15 * time.Minute // without any receipt, on one link
)

// review looks for reasons to send something again, and returns when to look
// next; the zero time is when something happens.
//
//   - A receipt lists a number as missing, and covers one that was sent after it.
//     A broker keeps the order of a sender, so it lost the one. A pause gives
//     copies that are on their way the time to arrive.
//   - The broker was away after it had taken it: it may have forgotten it. The
//     pause doubles until a receipt covers something, so that a broker that comes
//     and goes is not fed the same throws for ever while Throwline is away.
//   - Nothing was heard for very long, or a receipt that covers nothing new and
//     came after the last throw was sent: the last one is sent again, alone. Once
//     a receipt covers that, it tells what else is missing.
func (q *queue) review(now time.Time, pause time.Duration) (next time.Time) {
	later := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	for i := range q.items {
		n, it := q.start+uint64(i), &q.items[i]
		if n >= q.receipt.Through {
			break
		}
		if it.state != given || it.turn > q.proof {
			continue
		}
		if due := it.at.Add(pause); due.After(now) {
			later(due)
			continue
		}
		q.wait(n)
	}
	last, lost, newest, turn := uint64(0), 0, time.Time{}, uint64(0)
	for i := range q.items {
		it := &q.items[i]
		if it.state != given {
			continue
		}
		last = q.start + uint64(i)
		newest, turn = it.at, max(turn, it.turn)
		if it.link != q.link {
			lost++
		}
	}
	switch {
	case newest.IsZero(): // none is given
		q.doubtful = time.Time{}
		return next
	case lost == 0:
		q.doubtful = newest.Add(max(patience, q.doubt))
		if !q.stale.IsZero() && turn <= q.before {
			q.doubtful = q.stale.Add(max(q.doubt, pause))
		}
	case q.doubtful.IsZero():
		q.doubtful = now.Add(q.doubt)
	}
	if q.doubtful.After(now) {
		later(q.doubtful)
		return next
	}
	q.doubt = min(max(2*q.doubt, pause), mostDoubt)
	q.doubtful, q.stale = time.Time{}, time.Time{}
	for i := range q.items {
		n := q.start + uint64(i)
		if it := &q.items[i]; it.state == given && (n == last || it.link != q.link && lost <= mostDoubtful) {
			q.wait(n)
		}
	}
	later(now.Add(pause))
	return next
}
