package screen

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/ingest"
)

// serve serves the screen on a socket of its own.
func serve(tb testing.TB, ho HubOptions, change func(*http.Server)) (addr string, hub *Hub, srv *http.Server) {
	tb.Helper()
	f := newFake()
	ho.Now = f.Now
	hub = NewHub(ho)
	h := newServer(Options{Archive: f, Yard: f, Hub: hub, Version: "v1"}, dist).handler()
	srv = Server(h, hub, nil)
	if change != nil {
		change(srv)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		tb.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ln) }()
	tb.Cleanup(func() {
		hub.Close()
		if err := srv.Shutdown(context.Background()); err != nil {
			tb.Error(err)
		}
		<-done
	})
	return ln.Addr().String(), hub, srv
}

// stream is one open event stream.
type stream struct {
	t    testing.TB
	conn net.Conn
	resp *http.Response
	r    *bufio.Reader
}

// open opens an event stream on a connection of its own.
func open(t testing.TB, addr string) *stream {
	t.Helper()
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if _, err := fmt.Fprintf(conn, "GET %s HTTP/1.1\r\nHost: %s\r\nAccept-Encoding: gzip\r\n\r\n", eventsPath, addr); err != nil {
		t.Fatal(err)
	}
	br := bufio.NewReader(conn)
	resp, err := http.ReadResponse(br, nil)
	if err != nil {
		t.Fatal(err)
	}
	return &stream{t, conn, resp, bufio.NewReader(resp.Body)}
}

// next waits for the next event; ok is false at the end of the stream.
func (s *stream) next() (e told, ok bool) {
	var block []byte
	for {
		line, err := s.r.ReadBytes('\n')
		if err != nil {
			return told{}, false
		}
		block = append(block, line...)
		if len(line) == 1 {
			break
		}
	}
	events, err := parse(block)
	if err != nil || len(events) != 1 {
		s.t.Errorf("%v: %q", err, block)
		return told{}, false
	}
	return events[0], true
}

// await waits for the next event of a kind.
func (s *stream) await(kind string) told {
	s.t.Helper()
	for {
		e, ok := s.next()
		if !ok {
			s.t.Fatalf("the stream ended before %s", kind)
		}
		if e.kind == kind {
			return e
		}
	}
}

func TestStream(t *testing.T) {
	addr, hub, _ := serve(t, HubOptions{Gather: time.Millisecond, Clock: 5 * time.Millisecond}, nil)
	s := open(t, addr)
	h := s.resp.Header
	if s.resp.StatusCode != 200 || h.Get("Content-Type") != "text/event-stream; charset=utf-8" || h.Get("Content-Encoding") != "" || h.Get("Cache-Control") != "no-store" {
		t.Fatalf("found %d %v", s.resp.StatusCode, h)
	}
	e, _ := s.next()
	if e.kind != "hello" || string(e.data) != `{"now":"2026-03-01T12:00:00Z","version":"v1","demo":false}` {
		t.Errorf("found %s %s", e.kind, e.data)
	}
	hub.Alert(raised(1))
	if e := s.await("alert"); !strings.Contains(string(e.data), `"id":"a1"`) {
		t.Errorf("found %s", e.data)
	}
	rec := fullRecord()
	hub.Throw(&rec)
	if e := s.await("throw"); string(e.data) != `{"key":"W1~a/b","turnout":"W1","cabinet":"cab-1","to":"reverse","started_at":"2026-03-01T11:00:00Z","arrived_at":"2026-03-01T11:00:01Z","completed":false,"duration_s":4.2,"throws":1}` {
		t.Errorf("found %s", e.data)
	}
	hub.Cabinet(ingest.CabinetState{Cabinet: "cab-1", At: noon})
	if e := s.await("cabinet"); !strings.Contains(string(e.data), `"offline"`) {
		t.Errorf("found %s", e.data)
	}
	s.await("clock")
	s.conn.Close()
	// A reader that went away is forgotten, without an event to find it by.
	for end := time.Now().Add(5 * time.Second); hub.Readers() != 0; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the reader is still there")
		}
	}
}

// The server's time limits are not the stream's.
func TestStreamOutlivesLimits(t *testing.T) {
	addr, hub, _ := serve(t, HubOptions{Clock: time.Hour}, func(s *http.Server) {
		s.ReadHeaderTimeout, s.ReadTimeout, s.WriteTimeout, s.IdleTimeout = 150*time.Millisecond, 150*time.Millisecond, 150*time.Millisecond, 150*time.Millisecond
	})
	s := open(t, addr)
	s.await("hello")
	time.Sleep(600 * time.Millisecond)
	hub.Alert(raised(1))
	s.await("alert")
}

func TestStreamHead(t *testing.T) {
	r := newRig(t)
	if w := r.do("HEAD", eventsPath, ""); w.Code != 200 || w.Body.Len() != 0 || w.Header().Get("Content-Type") != "text/event-stream; charset=utf-8" {
		t.Errorf("found %d %v", w.Code, w.Header())
	}
	if r.hub.Readers() != 0 {
		t.Errorf("%d readers", r.hub.Readers())
	}
}

func TestStreamCrowded(t *testing.T) {
	addr, _, _ := serve(t, HubOptions{Readers: 1}, nil)
	open(t, addr).await("hello")
	s := open(t, addr)
	var p struct{ Status int }
	err := json.NewDecoder(s.resp.Body).Decode(&p)
	if s.resp.StatusCode != 503 || s.resp.Header.Get("Content-Type") != "application/problem+json" || s.resp.Header.Get("Retry-After") == "" || err != nil || p.Status != 503 {
		t.Errorf("found %d %v %+v", s.resp.StatusCode, s.resp.Header, p)
	}
}

// Shutdown of the server ends all streams and waits for none.
func TestShutdown(t *testing.T) {
	addr, hub, srv := serve(t, HubOptions{}, nil)
	var streams []*stream
	for range 20 {
		s := open(t, addr)
		s.await("hello")
		streams = append(streams, s)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	if err := srv.Shutdown(ctx); err != nil {
		t.Fatal(err)
	}
	for _, s := range streams {
		for {
			if _, ok := s.next(); !ok {
				break
			}
		}
	}
	if hub.Readers() != 0 {
		t.Errorf("%d readers", hub.Readers())
	}
}

// A reader that stops reading is cut off; others see every alert.
func TestStuckReader(t *testing.T) {
	addr, hub, _ := serve(t, HubOptions{Queue: 16, Clock: time.Hour}, nil)
	stuck, well := open(t, addr), open(t, addr)
	stuck.await("hello")
	well.await("hello")
	e := raised(0)
	e.Alert.Drive = strings.Repeat("x", 256<<10) // the socket takes some MB before it is full
	n := 0
	for end := time.Now().Add(20 * time.Second); hub.CutOff() == 0; n++ {
		if time.Now().After(end) {
			t.Fatal("never cut off")
		}
		e.Alert.ID = fmt.Sprint(n)
		hub.Alert(e)
		var got alerting.Event
		if err := json.Unmarshal(well.await("alert").data, &got); err != nil || got.Alert.ID != e.Alert.ID {
			t.Fatalf("expected alert %d, found %q, %v", n, got.Alert.ID, err)
		}
	}
	if hub.Readers() != 1 {
		t.Errorf("%d readers", hub.Readers())
	}
	// The stuck one finds out once it reads again: all it was given, then the end.
	last := -1
	for {
		te, ok := stuck.next()
		if !ok {
			break
		}
		var got alerting.Event
		var id int
		if err := json.Unmarshal(te.data, &got); err != nil {
			t.Fatal(err)
		}
		if _, err := fmt.Sscan(got.Alert.ID, &id); err != nil || id != last+1 {
			t.Fatalf("alert %q after %d", got.Alert.ID, last)
		}
		last = id
	}
	if last < 0 || last >= n {
		t.Errorf("the stuck reader saw alerts up to %d of %d", last, n)
	}
}

func TestManyReaders(t *testing.T) {
	addr, hub, _ := serve(t, HubOptions{}, nil)
	const readers, alerts = 200, 100
	var all sync.WaitGroup
	for range readers {
		s := open(t, addr)
		s.await("hello")
		all.Go(func() {
			for i := range alerts {
				e, ok := s.next()
				for ok && e.kind == "clock" {
					e, ok = s.next()
				}
				if !ok || !strings.Contains(string(e.data), fmt.Sprintf(`"id":"a%d"`, i)) {
					t.Errorf("expected alert %d, found %s %s", i, e.kind, e.data)
					return
				}
			}
		})
	}
	for i := range alerts {
		hub.Alert(raised(i))
	}
	all.Wait()
	if hub.CutOff() != 0 || hub.Readers() != readers {
		t.Errorf("%d cut off, %d readers", hub.CutOff(), hub.Readers())
	}
}

// BenchmarkStream tells an alert to 200 readers over TCP and waits until the
// last of them has it.
func BenchmarkStream(b *testing.B) {
	addr, hub, _ := serve(b, HubOptions{Clock: time.Hour}, nil)
	const readers = 200
	seen := make(chan struct{}, readers)
	for range readers {
		s := open(b, addr)
		s.await("hello")
		go func() {
			for {
				if _, ok := s.next(); !ok {
					return
				}
				seen <- struct{}{}
			}
		}()
	}
	e := raised(1)
	e.Alert.Causes = newFake().alerts[1].Causes
	b.ReportAllocs()
	for b.Loop() {
		hub.Alert(e)
		for range readers {
			<-seen
		}
	}
	if hub.CutOff() != 0 {
		b.Errorf("%d cut off", hub.CutOff())
	}
}

// Neither one account nor one address can take the last event stream from all others.
func TestStreamsOfOneAccount(t *testing.T) {
	var s streams
	for range mostStreams {
		if err := s.enter("a", "1"); err != nil {
			t.Fatal("refused too early")
		}
	}
	if s.enter("a", "2") == nil || s.enter("b", "1") != nil {
		t.Error("expected a to be full, and b not")
	}
	for range mostStreamsOfPlace - mostStreams - 1 {
		if err := s.enter("c", "1"); err != nil {
			t.Fatal(err)
		}
	}
	if s.enter("d", "1") == nil || s.enter("d", "2") != nil {
		t.Error("expected the address 1 to be full, and 2 not")
	}
	s.leave("d", "2")
	for range mostStreams {
		s.leave("a", "1")
	}
	for range mostStreamsOfPlace - mostStreams - 1 {
		s.leave("c", "1")
	}
	if len(s.of) != 2 {
		t.Errorf("found %v", s.of)
	}
	s.leave("b", "1")
	if len(s.of) != 0 {
		t.Errorf("found %v", s.of)
	}
}
