package notify

import (
	"bytes"
	"net"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// A mail server that talks without end and a broker that announces a packet of
// 256 MB are read to a bound; another try is made later.
func TestTalkative(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var sent atomic.Int64
	var talk atomic.Pointer[[]byte]
	var all sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				if first := *talk.Load(); len(first) > 0 {
					_, _ = c.Write(first)
				}
				for b := bytes.Repeat([]byte("x"), 64<<10); ; {
					n, err := c.Write(b)
					if sent.Add(int64(n)); err != nil {
						return
					}
				}
			})
		}
	})
	defer all.Wait()
	defer l.Close()
	for what, c := range map[string]struct {
		first  string
		target func() Target
	}{
		"mail, a line without end": {"220 ", func() Target {
			return mailTo(t, &postOffice{address: l.Addr().String()}, "none", func(c *Mail) { c.Timeout = time.Minute })
		}},
		"mail, lines without end": {"220-" + strings.Repeat("x", 1000) + "\r\n", func() Target {
			return mailTo(t, &postOffice{address: l.Addr().String()}, "none", func(c *Mail) { c.Timeout = time.Minute })
		}},
		"a broker with a large word": {"\x20\xff\xff\xff\x7f", func() Target {
			target, err := New("topic", &Config{MQTT: &MQTT{Broker: "tcp://" + l.Addr().String(), Timeout: time.Minute}}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			return target
		}},
	} {
		sent.Store(0)
		first := []byte(c.first)
		talk.Store(&first)
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		f := failure(t, c.target().Send(t.Context(), stiff(), nil))
		if f.Permanent || len(f.Error()) > 1000 {
			t.Errorf("%s: found %.200v", what, f)
		}
		if !strings.Contains(f.Error(), "at most 1048576 bytes") {
			t.Errorf("%s: expected the bound, found %.300v", what, f)
		}
		runtime.GC()
		runtime.ReadMemStats(&after)
		if grown := int64(after.HeapAlloc) - int64(before.HeapAlloc); grown > 16<<20 {
			t.Errorf("%s: %d bytes more in use", what, grown)
		}
		if n := sent.Load(); n > 64<<20 { // what the sockets took among them
			t.Errorf("%s: %d bytes were taken", what, n)
		}
	}
}
