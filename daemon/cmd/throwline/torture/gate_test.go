package torture

import (
	"io"
	"net"
	"sync"
	"testing"
	"time"
)

// manner is how a gate deals with who comes.
type manner string

const (
	passes manner = "passes"
	down   manner = "down"   // closes at once
	silent manner = "silent" // takes all and never answers
	halves manner = "halves" // asks the real one, passes a few bytes of the answer, and closes
	drips  manner = "drips"  // passes the answer a byte at a time
)

// gate stands before a server and breaks what it says.
type gate struct {
	to string // host:port of the real one
	l  net.Listener

	mu    sync.Mutex
	how   manner
	conns map[net.Conn]manner
	came  map[manner]int // connections
	all   sync.WaitGroup
}

func openGate(t *testing.T, to string) *gate {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := &gate{to: to, l: l, how: passes, conns: map[net.Conn]manner{}, came: map[manner]int{}}
	g.all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			g.mu.Lock()
			how := g.how
			g.came[how]++
			g.conns[c] = how
			g.mu.Unlock()
			g.all.Go(func() {
				g.serve(c, how)
				g.drop(c)
			})
		}
	})
	t.Cleanup(g.close)
	return g
}

func (g *gate) address() string { return g.l.Addr().String() }

// set changes the manner. Who is there is thrown out; but once it passes, only
// who waits for what never comes.
func (g *gate) set(how manner) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.how = how
	for c, was := range g.conns {
		if how != passes || was == silent {
			_ = c.Close()
		}
	}
}

func (g *gate) close() {
	_ = g.l.Close()
	g.mu.Lock()
	for c := range g.conns {
		_ = c.Close()
	}
	g.mu.Unlock()
	g.all.Wait()
}

func (g *gate) drop(c net.Conn) {
	_ = c.Close()
	g.mu.Lock()
	delete(g.conns, c)
	g.mu.Unlock()
}

// tried returns how many came while it was of this manner.
func (g *gate) tried(how manner) int {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.came[how]
}

func (g *gate) serve(c net.Conn, how manner) {
	switch how {
	case down:
		return
	case silent:
		_, _ = io.Copy(io.Discard, c) // until someone has enough of it
		return
	}
	real, err := net.Dial("tcp", g.to)
	if err != nil {
		return
	}
	g.mu.Lock()
	g.conns[real] = how
	g.mu.Unlock()
	defer g.drop(real)
	g.all.Go(func() {
		_, _ = io.Copy(real, c)
		_ = real.Close()
	})
	switch how {
	case halves:
		_, _ = io.CopyN(c, real, 20)
	case drips:
		for b := make([]byte, 1); ; {
			if _, err := io.ReadFull(real, b); err != nil {
				return
			}
			if _, err := c.Write(b); err != nil {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
	default:
		_, _ = io.Copy(c, real)
	}
}
