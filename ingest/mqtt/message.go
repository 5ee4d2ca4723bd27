package mqtt

import (
	"bytes"
	"hash/maphash"
	"sync"
	"time"
)

// Message is one message of a cabinet.
type Message struct {
	Kind      Kind
	Topic     string
	Cabinet   string // of the topic; "" where Kind is Unknown
	Turnout   string // of the topic; "" but for a Throw, or a Mapped that names one
	Mapping   int    // of Mapped: which of [Options.Mapped]
	Payload   []byte // the receiver's to keep, and not to be changed before Ack
	Retained  bool   // it waited at the broker for a subscriber
	ArrivedAt time.Time

	promised bool // QoS 1: it comes again if it is not acknowledged
	held     *held
	size     int64  // of it, that held counts
	sum      uint64 // of topic and payload

	// Under the lock of held, if there is one.
	link  *Link // on which it can be acknowledged
	ack   func()
	acked bool
}

// Ack tells the broker that it need not send the message again. It does so
// once, however often it is called, and has no effect when the message's
// connection is lost and the message did not come again meanwhile: it will. It
// may be called from any goroutine, and waits while the network takes nothing.
func (m *Message) Ack() {
	if m.held != nil && !m.held.settle(m) {
		return
	}
	m.ack()
}

// held is the messages that were handed over and not acknowledged. After a
// reconnect the broker sends them again: then nothing new is handed over, the
// acknowledgement of the one in hand goes to the new connection. Otherwise a
// receiver that stands still would get the same messages with each reconnect,
// and after the second one nothing could be received any more, not even the
// broker's sign of life.
type held struct {
	seed  maphash.Seed
	mu    sync.Mutex
	of    map[uint64]*Message // by sum; of two that are equal, the later
	bytes int64               // of all that are in hand
	freed chan struct{}       // has one when they may have become fewer
}

func newHeld() *held {
	return &held{seed: maphash.MakeSeed(), of: map[uint64]*Message{}, freed: make(chan struct{}, 1)}
}

// full reports whether no more is to be handed over.
func (h *held) full(most int64) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.bytes > most
}

// less counts m no more; the caller holds the lock.
func (h *held) less(m *Message) {
	h.bytes -= m.size
	m.size = 0
	h.signal()
}

func (h *held) signal() {
	select {
	case h.freed <- struct{}{}:
	default:
	}
}

// again reports whether m came before, on an older connection, and is in hand
// still. If not, it is held from now on.
func (h *held) again(m *Message) bool {
	size := int64(len(m.Topic) + len(m.Payload))
	if !m.promised {
		h.mu.Lock()
		defer h.mu.Unlock()
		m.held, m.size = h, size
		h.bytes += size
		return false
	}
	var sum maphash.Hash
	sum.SetSeed(h.seed)
	_, _ = sum.WriteString(m.Topic)
	_, _ = sum.Write(m.Payload)
	m.sum, m.held = sum.Sum64(), h
	h.mu.Lock()
	defer h.mu.Unlock()
	if old := h.of[m.sum]; old != nil && old.link != m.link && old.Topic == m.Topic && bytes.Equal(old.Payload, m.Payload) {
		old.link, old.ack = m.link, m.ack
		return true
	}
	h.of[m.sum] = m
	m.size = size
	h.bytes += size
	return false
}

// settle notes that m is acknowledged; it returns false if it was before.
func (h *held) settle(m *Message) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if m.acked {
		return false
	}
	m.acked = true
	h.less(m)
	if h.of[m.sum] == m {
		delete(h.of, m.sum)
	}
	return true
}

// drop forgets m, which was not handed over on l. If it has come again on another
// link meanwhile, which then counts on it, that link is returned.
func (h *held) drop(m *Message, l *Link) *Link {
	h.mu.Lock()
	defer h.mu.Unlock()
	if m.link != l {
		return m.link
	}
	h.less(m)
	if h.of[m.sum] == m {
		delete(h.of, m.sum)
	}
	return nil
}
