package screen

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// Every route is in one of the lists or costs little: a new one has to be thought of.
func TestCostlyRoutes(t *testing.T) {
	r, _ := newDeskRig(t)
	for _, list := range []map[string]bool{costly, written} {
		for pattern := range list {
			if !slices.Contains(r.s.mux.patterns, pattern) {
				t.Errorf("%s: there is no such route", pattern)
			}
		}
	}
	cheap := []string{
		"GET /api/v1/alerts/{id}", "GET /api/v1/doctor", "GET /api/v1/notices", "GET /api/v1/places/{turnout}", "GET /api/v1/routes", "GET /api/v1/session",
		"GET /api/v1/status", "GET /api/v1/targets", "GET /api/v1/tokens", "GET /api/v1/windows", "GET /api/v1/events",
	}
	for _, pattern := range r.s.mux.patterns {
		if strings.HasPrefix(pattern, "GET /api/v1/") && !costly[pattern] && !written[pattern] && !slices.Contains(cheap, pattern) {
			t.Errorf("%s: expected it among costly or written routes, or here among the cheap", pattern)
		}
	}
}

// Turns are taken in order, each account has its share, and who waits too long
// or is one too many is sent away.
func TestTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := newTurns(3, 2, RefusedReads)
		u.waiting, u.waitingOf = 4, 2
		ctx := t.Context()
		must := func(who string) func() {
			leave, ok := u.take(ctx, who)
			if !ok {
				t.Fatalf("%s: expected a turn", who)
			}
			return leave
		}
		a, _ := must("a"), must("a")
		b := must("b")
		got := make(chan string, 10)
		wait := func(who string) {
			go func() {
				if leave, ok := u.take(ctx, who); ok {
					got <- who
					defer leave()
				} else {
					got <- "not " + who
				}
			}()
			synctest.Wait()
		}
		wait("a")
		wait("a")
		wait("a") // has two waiting already
		if x := <-got; x != "not a" {
			t.Fatalf("found %s", x)
		}
		wait("c")
		b() // it is no turn of a's, who has two running
		if x := <-got; x != "c" {
			t.Fatalf("found %s", x)
		}
		wait("d") // there is room
		if x := <-got; x != "d" {
			t.Fatalf("found %s", x)
		}
		a()
		if x, y := <-got, <-got; x+y != "aa" {
			t.Fatalf("found %s, %s", x, y)
		}
		held := []func(){must("e"), must("f")}
		for i := range 4 {
			wait(fmt.Sprintf("g%d", i))
		}
		if _, ok := u.take(ctx, "h"); ok { // four wait already
			t.Fatal("expected to be one too many")
		}
		time.Sleep(turnWithin + time.Second)
		for range 4 {
			if x := <-got; !strings.HasPrefix(x, "not g") {
				t.Fatalf("found %s", x)
			}
		}
		gone, cancel := context.WithCancel(ctx)
		cancel()
		if _, ok := u.take(gone, "i"); ok {
			t.Fatal("expected nothing for who has gone")
		}
		for _, leave := range held {
			leave()
			leave() // once is enough
		}
		if u.running != 1 || len(u.of) != 1 || len(u.queue) != 0 {
			t.Errorf("found %d, %v, %d", u.running, u.of, len(u.queue))
		}
	})
}

func TestRoomForAnswers(t *testing.T) {
	r := newRoom(mostAnswers, mostAnswersOf)
	if !r.take("a", 10*mostAnswers) {
		t.Error("an answer alone was refused")
	}
	if r.take("b", 1<<20) {
		t.Error("expected no room")
	}
	r.leave("a", 10*mostAnswers)
	n := 0
	for r.take("a", 1<<20) {
		n++
	}
	m := 0
	for r.take(fmt.Sprint(m), 1<<20) {
		m++
	}
	if n != 32 || m != 96 {
		t.Errorf("expected 32 of one and 96 of others, found %d and %d", n, m)
	}
	for range n {
		r.leave("a", 1<<20)
	}
	for i := range m {
		r.leave(fmt.Sprint(i), 1<<20)
	}
	if r.all != 0 || len(r.of) != 0 {
		t.Errorf("found %d, %v", r.all, r.of)
	}
}

// slowFleet is a desk that takes its time over the work list.
type slowFleet struct {
	*fakeDesk
	inside, most *int
	mu           *sync.Mutex
	held         chan struct{}
}

func (s slowFleet) WorkList() []alerting.Job {
	s.mu.Lock()
	*s.inside++
	*s.most = max(*s.most, *s.inside)
	s.mu.Unlock()
	<-s.held
	s.mu.Lock()
	*s.inside--
	s.mu.Unlock()
	return nil
}

// Very many who ask for what costs much: so many at once, the others wait, are
// told to come again, and small questions are answered meanwhile.
func TestManyReads(t *testing.T) {
	d := newDesk(newFake())
	s := slowFleet{d, new(int), new(int), &sync.Mutex{}, make(chan struct{})}
	r := rigOf(t, d.fake, s)
	r.s.reads.within = 100 * time.Millisecond
	before := heap()
	var mu sync.Mutex
	answers := map[int]int{}
	var all sync.WaitGroup
	const many = 300
	for range many * larger(t) {
		all.Go(func() {
			w := httptest.NewRecorder()
			req := httptest.NewRequest("GET", apiPath+"/worklist", nil)
			r.h.ServeHTTP(w, req) // from one address: 192.0.2.1
			mu.Lock()
			defer mu.Unlock()
			answers[w.Code]++
			if w.Code == 503 && w.Header().Get("Retry-After") == "" {
				t.Error("503 without Retry-After")
			}
		})
	}
	waitFor(t, "all but those inside are refused", func() bool {
		mu.Lock()
		defer mu.Unlock()
		return answers[503] == many*larger(t)-mostReadsOf
	})
	// Another address is served, and so is a small question of anyone.
	other := make(chan int)
	go func() {
		w := httptest.NewRecorder()
		req := httptest.NewRequest("GET", apiPath+"/turnouts", nil)
		req.RemoteAddr = "198.51.100.7:1"
		r.h.ServeHTTP(w, req)
		other <- w.Code
	}()
	if got := <-other; got != 200 {
		t.Errorf("another address: found %d", got)
	}
	if w := r.do("GET", apiPath+"/status", ""); w.Code != 200 {
		t.Errorf("found %d", w.Code)
	}
	close(s.held)
	all.Wait()
	if *s.most != mostReadsOf || answers[200] != mostReadsOf {
		t.Errorf("%d at once, answers %v", *s.most, answers)
	}
	refused := r.s.o.Refused.Count(RefusedReads) + r.s.o.Refused.Count(RefusedRequests)
	if refused != int64(answers[503]) {
		t.Errorf("%d refused, %d counted", answers[503], refused)
	}
	if len(r.s.requests.of) != 0 || r.s.requests.all != 0 || r.s.reads.running != 0 || len(r.s.reads.queue) != 0 {
		t.Error("something is left under way")
	}
	if grown := int64(heap()) - int64(before); grown > 16<<20 {
		t.Errorf("%d bytes more in use than before", grown)
	}
}

// One address does not take all requests that may be under way.
func TestRequestsUnderWay(t *testing.T) {
	var q requests
	for range mostRequestsOf {
		if !q.enter("a") {
			t.Fatal("refused too early")
		}
	}
	if q.enter("a") || !q.enter("b") {
		t.Error("expected a to be full, and b not")
	}
	for q.enter("") { // this machine has no share of its own
	}
	if q.all != mostRequests || q.enter("c") {
		t.Errorf("%d are under way", q.all)
	}
}

// narrowed gives a connection little room, so that what nobody reads is soon stuck.
func narrowed(ctx context.Context, c net.Conn) context.Context {
	_ = c.(*net.TCPConn).SetWriteBuffer(4 << 10) // else it takes longer
	return ctx
}

// Readers that do not read hold memory for as much as is allowed, and no slot
// of those who make answers.
func TestReadersThatDoNotRead(t *testing.T) {
	f := newFake()
	before := heap()
	big := ingest.SetAside{ID: 8, At: noon, Topic: "t", Faults: []ingest.Fault{{Expected: "JSON", Found: "none"}}, Payload: bytes.Repeat([]byte("0123456789abcdef"), 1<<15)}
	f.aside = append(f.aside, big) // 512 KiB, more in an answer
	hub := NewHub(HubOptions{Now: f.Now})
	t.Cleanup(hub.Close)
	s := newServer(Options{Archive: f, Yard: f, Hub: hub}, dist)
	const most = 8 << 20
	s.answers.most = most
	srv := Server(s.handler(), hub, nil)
	srv.ConnContext = narrowed
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(ln) }()
	defer func() {
		_ = srv.Close()
		<-done
	}()
	var conns []net.Conn
	defer func() {
		for _, c := range conns {
			_ = c.Close()
		}
	}()
	refused := 0
	for range 40 * larger(t) {
		c, err := net.Dial("tcp", ln.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		conns = append(conns, c)
		if err := c.(*net.TCPConn).SetReadBuffer(4 << 10); err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(c, "GET %s/quarantine/8 HTTP/1.1\r\nHost: localhost\r\n\r\n", apiPath)
		line, err := bufio.NewReaderSize(c, 16).ReadString('\n')
		switch {
		case err != nil:
			t.Fatal(err)
		case strings.Contains(line, " 503 "):
			refused++
		case !strings.Contains(line, " 200 "):
			t.Fatalf("found %q", line)
		}
	}
	if refused == 0 || s.o.Refused.Count(RefusedAnswers) != int64(refused) {
		t.Errorf("%d refused, %d counted", refused, s.o.Refused.Count(RefusedAnswers))
	}
	s.answers.mu.Lock()
	held := s.answers.all
	s.answers.mu.Unlock()
	if held == 0 || held > most {
		t.Errorf("%d bytes wait", held)
	}
	if s.reads.running != 0 {
		t.Errorf("%d hold a turn", s.reads.running)
	}
	if grown := int64(heap()) - int64(before); grown > 8*most {
		t.Errorf("%d bytes more in use than before", grown)
	}
	// A browser beside them is served.
	res, err := http.Get("http://" + ln.Addr().String() + apiPath + "/turnouts")
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != 200 {
		t.Errorf("found %d", res.StatusCode)
	}
	for _, c := range conns {
		_ = c.Close()
	}
	waitFor(t, "what waited is given back", func() bool {
		s.answers.mu.Lock()
		defer s.answers.mu.Unlock()
		return s.answers.all == 0 && len(s.answers.of) == 0
	})
	http.DefaultClient.CloseIdleConnections()
}

// withoutEnd gives a turnout's throws page after page.
type withoutEnd struct{ *fake }

func (withoutEnd) Throws(_ context.Context, _ string, _, _ time.Time, _ string, limit int) ([]detect.Record, string, error) {
	list := make([]detect.Record, limit)
	for i := range list {
		list[i] = record("W1", ingest.Normal, noon, 4)
	}
	return list, "more", nil
}

// An export without end for a reader that never reads ends, and gives its place
// to others; meanwhile one account or address has so many and no more.
func TestExportNobodyReads(t *testing.T) {
	d := newDesk(newFake())
	e := withoutEnd{d.fake}
	hub := NewHub(HubOptions{Now: d.Now})
	t.Cleanup(hub.Close)
	s := newServer(Options{Archive: e, Yard: e, Desk: d, Hub: hub}, dist)
	s.downloads.within = 50 * time.Millisecond
	s.within = 2 * time.Second
	gone := atomic.Int64{}
	h := s.handler()
	srv := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer gone.Add(1)
		r.RemoteAddr = "192.0.2.1:1" // one address that is not this machine
		h.ServeHTTP(w, r)
	}))
	srv.Config.ConnContext = narrowed
	srv.Start()
	defer srv.Close()
	dial := func() net.Conn {
		c, err := net.Dial("tcp", srv.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(c, "GET %s/exports/features.csv?turnout=W1 HTTP/1.1\r\nHost: localhost\r\n\r\n", apiPath)
		return c
	}
	for range mostDownloadsOf {
		defer dial().Close()
	}
	running := func() int {
		s.downloads.mu.Lock()
		defer s.downloads.mu.Unlock()
		return s.downloads.running
	}
	waitFor(t, "the exports have begun", func() bool { return running() == mostDownloadsOf })
	c := dial()
	defer c.Close()
	if line, err := bufio.NewReader(c).ReadString('\n'); err != nil || !strings.Contains(line, " 503 ") {
		t.Errorf("one more: found %q, %v", line, err)
	}
	if got := s.o.Refused.Count(RefusedDownloads); got != 1 {
		t.Errorf("%d counted", got)
	}
	waitFor(t, "both are broken off", func() bool { return running() == 0 && gone.Load() == mostDownloadsOf+1 })
}

// An answer in turn is compressed, and what has none and what fails are as before.
func TestAnswersInTurn(t *testing.T) {
	r := newRig(t)
	w := r.do("GET", apiPath+"/turnouts/W1/trends", "", "Accept-Encoding", "gzip")
	if w.Code != 200 {
		t.Fatalf("found %d", w.Code)
	}
	if w.Header().Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(w.Body)
		if err != nil {
			t.Fatal(err)
		}
		if b, err := io.ReadAll(z); err != nil || !json.Valid(b) {
			t.Errorf("found %.100q, %v", b, err)
		}
	}
	if w := r.do("POST", apiPath+"/quarantine/7/retry", ""); w.Code != 204 || w.Body.Len() != 0 {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	if w := r.do("HEAD", apiPath+"/turnouts", ""); w.Code != 200 {
		t.Errorf("found %d", w.Code)
	}
	if w := r.do("GET", apiPath+"/turnouts/none", ""); w.Code != 404 || w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("found %d %v", w.Code, w.Header())
	}
}

// A control room of forty browsers behind one address and one account is told
// that the program is back: each reads its lists anew, and nobody is refused.
func TestControlRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u := newTurns(mostReads, mostReadsOf, RefusedReads)
		var q requests
		var all sync.WaitGroup
		for range 40 * 5 { // browsers, each with as many connections as it has to spare
			all.Go(func() {
				if !q.enter("198.51.100.7") {
					t.Error("a request too many")
					return
				}
				defer q.leave("198.51.100.7")
				leave, ok := u.take(t.Context(), "account control")
				if !ok {
					t.Error("a read too many")
					return
				}
				defer leave()
				time.Sleep(50 * time.Millisecond)
			})
		}
		all.Wait()
	})
}

// threePages gives a turnout's throws in three pages, each after a while.
type threePages struct {
	*fake
	takes time.Duration
}

func (p threePages) Throws(_ context.Context, _ string, _, _ time.Time, cursor string, limit int) ([]detect.Record, string, error) {
	time.Sleep(p.takes)
	list := make([]detect.Record, limit)
	for i := range list {
		list[i] = record("W1", ingest.Normal, noon, 4)
	}
	return list, map[string]string{"": "a", "a": "b"}[cursor], nil
}

// The time for a piece of a file is for its reader: one that the disk is slow to
// give is no reason to break off, over HTTP/2 neither.
func TestExportOfASlowDisk(t *testing.T) {
	for _, proto := range []int{1, 2} {
		d := newDesk(newFake())
		e := threePages{d.fake, 400 * time.Millisecond}
		hub := NewHub(HubOptions{Now: d.Now})
		s := newServer(Options{Archive: e, Yard: e, Desk: d, Hub: hub}, dist)
		s.within = e.takes / 4
		srv := httptest.NewUnstartedServer(s.handler())
		srv.EnableHTTP2 = proto == 2
		srv.StartTLS()
		res, err := srv.Client().Get(srv.URL + apiPath + "/exports/features.csv?turnout=W1")
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(res.Body)
		if err != nil || res.ProtoMajor != proto || res.StatusCode != 200 || len(b) < 2*heldBytes || b[len(b)-1] != '\n' {
			t.Errorf("HTTP/%d: status %d, %d bytes, %v", res.ProtoMajor, res.StatusCode, len(b), err)
		}
		_ = res.Body.Close()
		srv.Close()
		hub.Close()
	}
}
