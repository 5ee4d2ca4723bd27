package mqtt

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// What is in hand is bounded in bytes as well; what waits at the broker comes
// when there is room, and a message that is larger than that alone comes too.
func TestInHandIsBounded(t *testing.T) {
	const most, each, n = 100_000, 10_000, 200
	m := startMosquitto(t, "")
	s := open(t, m, Options{InHand: most})
	wait(t, "subscribed", subscribed(s))
	c := publisher(t, m)
	send(t, c, "throwline/v1/cab-1/throw/W1", strings.Repeat("x", 3*most))
	next(t, s).Ack()
	for i := range n {
		send(t, c, "throwline/v1/cab-1/throw/W1", fmt.Sprintf("%d %s", i, strings.Repeat("x", each)))
	}
	wait(t, "that it waits", func() bool { return s.Status().Waits > 0 })
	inHand := func() int64 {
		s.held.mu.Lock()
		defer s.held.mu.Unlock()
		return s.held.bytes
	}
	for i := range n {
		if b := inHand(); b > most+2*(each+100) {
			t.Fatalf("%d bytes are in hand", b)
		}
		got := next(t, s)
		if !strings.HasPrefix(string(got.Payload), fmt.Sprint(i, " ")) {
			t.Fatalf("expected %d, found %.10s", i, got.Payload)
		}
		got.Ack()
	}
	if b := inHand(); b != 0 {
		t.Errorf("%d bytes are in hand after all were acknowledged", b)
	}
}

// A message that waits for its turn when the connection is lost may come again on
// the next one first. It is handed over all the same, once, and acknowledged there.
func TestComesAgainWhileItWaits(t *testing.T) {
	for _, most := range []int64{1, 1 << 20} { // it waits for room, or for who takes it
		s := &Session{o: Options{InHand: most, Now: time.Now}, messages: make(chan *Message), ending: make(chan struct{}), held: newHeld()}
		link := func() *Link { return &Link{conn: &conn{gone: make(chan struct{})}} }
		acked := make(chan string, 3)
		message := func(topic string, l *Link, on string) *Message {
			return &Message{Topic: topic, Payload: []byte("x"), promised: true, link: l, ack: func() { acked <- on }}
		}
		first, second := link(), link()
		before := message("before", first, "before")
		s.held.again(before)
		done := make(chan struct{})
		go func() {
			defer close(done)
			s.receive(first, message("throwline/v1/c/state", first, "first"))
		}()
		wait(t, "that it is held", func() bool {
			s.held.mu.Lock()
			defer s.held.mu.Unlock()
			return len(s.held.of) == 2
		})
		s.receive(second, message("throwline/v1/c/state", second, "second"))
		close(first.conn.gone)
		if most == 1 {
			before.Ack()
			<-acked
		}
		select {
		case m := <-s.messages:
			m.Ack()
			if on := <-acked; on != "second" {
				t.Errorf("acknowledged on the %s connection", on)
			}
		case <-done:
			t.Error("it was left to a connection that is lost")
		}
		<-done
	}
}

// What a lost connection had read and comes to late does not take the
// acknowledgement of what came again on the next one.
func TestLateOfALostConnection(t *testing.T) {
	s := &Session{o: Options{InHand: 1 << 20, Now: time.Now}, messages: make(chan *Message, 2), ending: make(chan struct{}), held: newHeld()}
	first, second := &Link{conn: &conn{gone: make(chan struct{})}}, &Link{conn: &conn{gone: make(chan struct{})}}
	close(first.conn.gone)
	acked := ""
	for _, x := range []struct {
		l  *Link
		on string
	}{{second, "second"}, {first, "first"}} {
		s.receive(x.l, &Message{Topic: "throwline/v1/c/state", Payload: []byte("x"), promised: true, link: x.l, ack: func() { acked += x.on }})
	}
	(<-s.messages).Ack()
	if acked != "second" || len(s.messages) != 0 || s.held.bytes != 0 {
		t.Errorf("acknowledged on %q; %d more, %d bytes in hand", acked, len(s.messages), s.held.bytes)
	}
}
