package screen

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
	"throwline/ingest"
)

// larger multiplies what the tests of limits do; 1 in CI.
func larger(t *testing.T) int {
	s := os.Getenv("THROWLINE_LIMITS")
	if s == "" {
		return 1
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("THROWLINE_LIMITS: expected a whole number from 1, found %q", s)
	}
	return n
}

// waitFor waits until something holds; its limit is no measure of speed.
func waitFor(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("never: %s", what)
		}
	}
}

// A short request does not make a long answer, however much is wrong with it.
func TestProblemsAreShort(t *testing.T) {
	r, _ := newDeskRig(t)
	var unknown strings.Builder
	for i := range 3500 {
		fmt.Fprintf(&unknown, `"%d":1,`, i)
	}
	var bad strings.Builder
	for range 3000 {
		bad.WriteString(`"x",`)
	}
	for what, c := range map[string]struct{ method, target, body string }{
		"unknown fields":   {"POST", "/turnouts/W1/work", `{` + unknown.String() + `"work":"cleaned"}`},
		"bad items":        {"POST", "/windows", `{"name":"n","zone":"UTC","start":"2026-03-01T10:00","duration_minutes":5,"match":{"conditions":[` + bad.String() + `"x"]}}`},
		"a long value":     {"POST", "/turnouts/W1/work", `{"work":"` + strings.Repeat("w", 30<<10) + `"}`},
		"features":         {"GET", "/turnouts/W1/trends?features=" + strings.Repeat("x,", 12_000) + "x", ""},
		"parameters":       {"GET", "/alerts?" + strings.Repeat("a&", 5000), ""},
		"other parameters": {"GET", "/alerts?x=" + unknown.String()[:20_000], ""},
		"a nested body":    {"POST", "/turnouts/W1/work", `{"work":` + strings.Repeat("[", 15_000) + strings.Repeat("]", 15_000) + `}`},
	} {
		headers := []string{}
		if c.body != "" {
			headers = asJSON
		}
		w := r.do(c.method, apiPath+strings.ReplaceAll(c.target, `"`, "%22"), c.body, headers...)
		if w.Code != 422 && w.Code != 400 || w.Body.Len() > 100<<10 {
			t.Errorf("%s: found %d and %d bytes: %.300s", what, w.Code, w.Body.Len(), w.Body)
		}
		var p huma.ErrorModel
		if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || len(p.Errors) > mostFaults+1 {
			t.Errorf("%s: found %d errors, %v", what, len(p.Errors), err)
		}
	}
}

// Every route that takes a body has a bound for it; past it 413, counted.
func TestBodiesAreBounded(t *testing.T) {
	r, _ := newDeskRig(t)
	largest := map[string]int64{"PUT /api/v1/places.csv": maxPlaces, "POST /api/v1/alerts/acknowledge": maxSeveral}
	n := 0
	for path, item := range r.s.api.OpenAPI().Paths {
		for method, op := range map[string]*huma.Operation{"POST": item.Post, "PUT": item.Put, "DELETE": item.Delete, "GET": item.Get} {
			if op == nil || op.RequestBody == nil {
				continue
			}
			most := int64(maxBody)
			if m, ok := largest[method+" "+path]; ok {
				most = m
			}
			if op.MaxBodyBytes != most {
				t.Errorf("%s %s: expected a bound of %d bytes, found %d", method, path, most, op.MaxBodyBytes)
			}
			if most > 1<<20 {
				continue // done once, below
			}
			n++
			target := strings.NewReplacer("{turnout}", "W1", "{id}", "1", "{name}", "n").Replace(path)
			if w := r.do(method, target, `{"note":"`+strings.Repeat("n", int(most))+`"}`, asJSON...); w.Code != 413 {
				t.Errorf("%s: expected 413, found %d %.200s", path, w.Code, w.Body)
			}
		}
	}
	if n < 15 {
		t.Fatalf("expected all routes with a body, found %d", n)
	}
	if w := r.do("PUT", apiPath+"/places.csv", strings.Repeat("x", maxPlaces+1), "Content-Type", "text/csv"); w.Code != 413 {
		t.Errorf("a registry: expected 413, found %d", w.Code)
	}
	if got := r.s.o.Refused.Count(RefusedBody); got != int64(n)+1 {
		t.Errorf("expected %d counted, found %d", n+1, got)
	}
}

// A thousand alerts with their calls can be acknowledged at once.
func TestAcknowledgeManyFits(t *testing.T) {
	r, _ := newDeskRig(t)
	body := struct {
		IDs   []string       `json:"ids"`
		Calls map[string]int `json:"calls"`
		By    string         `json:"by"`
	}{Calls: map[string]int{}, By: "p. one"}
	for i := range 1000 {
		id := fmt.Sprintf("abcdefghijkl%04d", i)
		body.IDs = append(body.IDs, id)
		body.Calls[id] = 12
	}
	b, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	if w := r.do("POST", apiPath+"/alerts/acknowledge", string(b), asJSON...); w.Code != 200 {
		t.Errorf("found %d %.200s", w.Code, w.Body)
	}
	b, _ = json.Marshal(map[string]any{"ids": append(body.IDs, "another")})
	if w := r.do("POST", apiPath+"/alerts/acknowledge", string(b), asJSON...); w.Code != 422 {
		t.Errorf("1001: found %d %.200s", w.Code, w.Body)
	}
}

// There are so many windows and turnouts in the registry and no more; those
// that are there can still be changed.
func TestThingsAreBounded(t *testing.T) {
	r, d := newDeskRig(t, func(d *fakeDesk) {
		d.windows = nil
		for i := range mostWindows {
			d.windows = append(d.windows, alerting.Window{ID: int64(i + 1), Name: "w", Zone: "UTC", Start: "2020-01-01T00:00", Duration: time.Hour, Match: alerting.Match{Turnouts: []string{"none"}}})
		}
		d.places = nil
		for i := range mostPlaces {
			d.places = append(d.places, alerting.Place{Turnout: fmt.Sprintf("P%06d", i)})
		}
	})
	window := `{"name":"n","zone":"UTC","start":"2026-03-02T10:00","duration_minutes":5,"match":{}}`
	if w := r.do("POST", apiPath+"/windows", window, asJSON...); w.Code != 422 || !strings.Contains(w.Body.String(), "at most 1000 windows") {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	if w := r.do("PUT", apiPath+"/windows/1", window, asJSON...); w.Code != 200 {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	if w := r.do("PUT", apiPath+"/places/NEW", `{}`, asJSON...); w.Code != 422 || !strings.Contains(w.Body.String(), "at most 200000 turnouts") {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	if w := r.do("PUT", apiPath+"/places/P000001", `{"line":"x"}`, asJSON...); w.Code != 200 {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	if len(d.windows) != mostWindows || len(d.places) != mostPlaces || r.s.o.Refused.Count(RefusedMore) != 2 {
		t.Errorf("found %d windows, %d places, %d counted", len(d.windows), len(d.places), r.s.o.Refused.Count(RefusedMore))
	}
}

// Lists that are told whole have an end.
func TestListsEnd(t *testing.T) {
	r, _ := newDeskRig(t, func(d *fakeDesk) {
		one := d.alerts[0]
		for i := range mostHidden + 50 {
			one.ID, one.Turnout = fmt.Sprintf("x%d", i), fmt.Sprintf("T%d", i)
			d.alerts = append(d.alerts, one)
		}
		for i := range mostSendings + 50 {
			d.sendings = append(d.sendings, alerting.Sending{Target: fmt.Sprint(i)})
		}
	})
	var preview WindowPreview
	w := r.do("POST", apiPath+"/windows/preview", `{"name":"n","zone":"UTC","start":"2026-03-02T10:00","duration_minutes":5,"match":{}}`, asJSON...)
	if err := json.Unmarshal(w.Body.Bytes(), &preview); err != nil || len(preview.Hides) != mostHidden || preview.More < 50 {
		t.Errorf("found %d and %d more, %v", len(preview.Hides), preview.More, err)
	}
	var sendings List[alerting.Sending]
	w = r.do("GET", apiPath+"/alerts/a1/sendings", "")
	if err := json.Unmarshal(w.Body.Bytes(), &sendings); err != nil || len(sendings.Items) != mostSendings || sendings.Items[mostSendings-1].Target != fmt.Sprint(mostSendings+49) {
		t.Errorf("found %d, %v", len(sendings.Items), err)
	}
}

// A hand-over and a report of a time in which very much happened tell so much
// and say that there was more.
func TestHandoverEnds(t *testing.T) {
	r, _ := newDeskRig(t, func(d *fakeDesk) {
		one := d.alerts[0]
		for i := range mostCases + 50 {
			one.ID, one.Turnout = fmt.Sprintf("x%d", i), fmt.Sprintf("T%d", i)
			d.alerts = append(d.alerts, one)
		}
	})
	var h Handover
	w := r.do("GET", apiPath+"/handover", "")
	if err := json.Unmarshal(w.Body.Bytes(), &h); err != nil || !h.Truncated || len(h.Raised) != mostTold || len(h.Standing) != mostTold {
		t.Errorf("found truncated %v, %d and %d, %v", h.Truncated, len(h.Raised), len(h.Standing), err)
	}
	w = r.do("GET", apiPath+"/report", "")
	var rep Report
	if err := json.Unmarshal(w.Body.Bytes(), &rep); err != nil || !rep.Truncated || w.Body.Len() > 4<<20 {
		t.Errorf("found truncated %v, %d bytes, %v", rep.Truncated, w.Body.Len(), err)
	}
	if w := r.do("GET", apiPath+"/exports/alerts.csv", ""); w.Code != 422 || !strings.Contains(w.Body.String(), "at most 20000 alerts") {
		t.Errorf("found %d %.200s", w.Code, w.Body)
	}
}

// A trial and an examination are made by one at a time.
func TestOneAtATime(t *testing.T) {
	r, _ := newDeskRig(t)
	r.s.trying.Lock()
	r.s.examining.Lock()
	for _, c := range []struct{ method, path, body string }{{"POST", "/targets/mail/trial", "{}"}, {"GET", "/doctor", ""}} {
		headers := []string{}
		if c.body != "" {
			headers = asJSON
		}
		if w := r.do(c.method, apiPath+c.path, c.body, headers...); w.Code != 503 || w.Header().Get("Retry-After") == "" {
			t.Errorf("%s: found %d %v", c.path, w.Code, w.Header())
		}
	}
	if got := r.s.o.Refused.Count(RefusedReads); got != 2 {
		t.Errorf("%d counted", got)
	}
}

// manyJobs is a desk with more work than anyone can do.
type manyJobs struct{ *fakeDesk }

func (manyJobs) WorkList() []alerting.Job {
	list := make([]alerting.Job, 65_000)
	for i := range list {
		list[i] = alerting.Job{Turnout: fmt.Sprintf("T%d", i), Rank: i + 1}
	}
	return list
}

func TestWorkListEnds(t *testing.T) {
	d := newDesk(newFake())
	r := rigOf(t, d.fake, manyJobs{d})
	var list WorkList
	w := r.do("GET", apiPath+"/worklist", "")
	if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil || list.More != 65_000-mostJobs || len(list.Items) != 1 || len(list.Items[0].Jobs) != mostJobs || list.Items[0].Jobs[0].Turnout != "T0" {
		t.Errorf("found %d areas and %d more, %v", len(list.Items), list.More, err)
	}
}

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
	var r room
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

// Readers that do not read hold memory for as much as is allowed, and no slot
// of those who make answers.
func TestReadersThatDoNotRead(t *testing.T) {
	f := newFake()
	before := heap()
	big := ingest.SetAside{ID: 8, At: noon, Topic: "t", Faults: []ingest.Fault{{Expected: "JSON", Found: "none"}}, Payload: bytes.Repeat([]byte("0123456789abcdef"), 1<<18)}
	f.aside = append(f.aside, big) // 4 MB, 8 and more in an answer
	hub := NewHub(HubOptions{Now: f.Now})
	t.Cleanup(hub.Close)
	s := newServer(Options{Archive: f, Yard: f, Hub: hub}, dist)
	srv := Server(s.handler(), hub, nil)
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
	if held == 0 || held > mostAnswers {
		t.Errorf("%d bytes wait", held)
	}
	if s.reads.running != 0 {
		t.Errorf("%d hold a turn", s.reads.running)
	}
	if grown := int64(heap()) - int64(before); grown > 4*mostAnswers {
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

// An export without end for a reader that never reads ends, and gives its place
// to others; meanwhile one account or address has so many and no more.
func TestExportNobodyReads(t *testing.T) {
	d := newDesk(newFake())
	e := &endless{fake: d.fake, pages: 1 << 30}
	hub := NewHub(HubOptions{Now: d.Now})
	t.Cleanup(hub.Close)
	s := newServer(Options{Archive: e, Yard: e, Desk: d, Hub: hub}, dist)
	s.downloads.within = 50 * time.Millisecond
	s.within = 2 * time.Second
	gone := atomic.Int64{}
	h := s.handler()
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer gone.Add(1)
		r.RemoteAddr = "192.0.2.1:1" // one address that is not this machine
		h.ServeHTTP(w, r)
	}))
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

// Who does wrong does not fill the log.
func TestServerLogIsSeldom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b bytes.Buffer
		s := &seldom{log: slog.New(slog.NewTextHandler(&b, nil))}
		for range 5000 {
			_, _ = s.Write([]byte("http: TLS handshake error from 192.0.2.1:1: " + strings.Repeat("x", 5000) + "\n"))
		}
		if n := strings.Count(b.String(), "\n"); n != saidAMinute || b.Len() > saidAMinute*1200 {
			t.Errorf("%d lines, %d bytes", n, b.Len())
		}
		time.Sleep(61 * time.Second)
		_, _ = s.Write([]byte("again\n"))
		if !strings.Contains(b.String(), fmt.Sprintf("msg=again unsaid=%d", 5000-saidAMinute)) {
			t.Errorf("found %s", b.String()[b.Len()-200:])
		}
	})
}

// What is refused for where it comes from is counted.
func TestRefusalsAreCounted(t *testing.T) {
	f := newFake()
	s := newDoor(t, f, func(o *Options) { o.Hosts = []string{"ours.example"} })
	h := s.handler()
	ask := func(change func(*http.Request)) int {
		r := who{role: alerting.Maintainer}.ask("POST", apiPath+"/turnouts/W1/work")
		r.Header.Set("Content-Type", "application/json")
		change(r)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code
	}
	if got := ask(func(r *http.Request) { r.Host = "rebound.example" }); got != 421 {
		t.Errorf("found %d", got)
	}
	if got := ask(func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }); got != 403 {
		t.Errorf("found %d", got)
	}
	if got := ask(func(r *http.Request) { r.Header.Del("Sec-Fetch-Site") }); got != 403 {
		t.Errorf("found %d", got)
	}
	for why, n := range s.o.Refused.All() {
		want := map[Refused]int64{RefusedHost: 1, RefusedOrigin: 2}[why]
		if n != want {
			t.Errorf("%s: expected %d, found %d", why, want, n)
		}
	}
	names := map[string]bool{}
	for why := range numRefused {
		names[why.String()] = true
	}
	if len(names) != int(numRefused) || names[""] {
		t.Errorf("found %v", names)
	}
}
