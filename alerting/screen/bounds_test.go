package screen

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/alerting"
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
