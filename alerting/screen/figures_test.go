package screen

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/detect"
	"throwline/ingest"
)

// reads puts an answer of the API into v and holds it against its description.
func (r *rig) reads(route, target string, v any) string {
	r.t.Helper()
	w := r.do("GET", apiPath+target, "")
	if w.Code != 200 || w.Header().Get("Content-Type") != "application/json" {
		r.t.Fatalf("%s: found %d %s", target, w.Code, w.Body)
	}
	r.conforms("GET", route, "200", w.Body.Bytes())
	if err := json.Unmarshal(w.Body.Bytes(), v); err != nil {
		r.t.Fatal(err)
	}
	return w.Body.String()
}

func TestFleet(t *testing.T) {
	r, d := newDeskRig(t, func(d *fakeDesk) { d.places[2].OutOfService = true })
	for range 20 {
		r.do("GET", apiPath+"/fleet", "")
	}
	if d.calls > 2 {
		t.Errorf("all turnouts were read %d times", d.calls)
	}
	var f struct{}
	body := r.reads("/fleet", "/fleet", &f)
	want := `{"at":"2026-03-01T12:00:00Z","turnouts":["W2","W1","Z9","w3-x"],"area":["Elm","Elm","Oak","w3"],"line":["1","2","",""],"position":[2,1,0,0],` +
		`"health":["silent","alert","out-of-service","no-throws"],"priority":["high","high","",""],"standing":["returned-unacknowledged","unacknowledged","",""],` +
		`"condition":["stiffening","stiffening","",""],"alerts":[1,2,0,0],"learnt":[1,1,null,0.967],"last_throw_at":[1772366340,1772362800,null,null],` +
		`"cabinet":["z","a","",""],"silent":[true,false,false,false],"out_of_service":[false,false,true,false]}`
	if body != want {
		t.Errorf("expected %s\nfound    %s", want, body)
	}
	// Whoever changes the registry sees it at once.
	r.do("PUT", apiPath+"/places/W1", `{"area":"Ash"}`, asJSON...)
	if body := r.reads("/fleet", "/fleet", &f); !strings.Contains(body, `"Ash"`) {
		t.Errorf("the registry of before is shown: %s", body)
	}
	if w := r.do("PUT", apiPath+"/places.csv", "turnout,area\nW1,Birch\n", "Content-Type", "text/csv"); w.Code != 200 {
		t.Fatalf("found %d %s", w.Code, w.Body)
	}
	if body := r.reads("/fleet", "/fleet", &f); !strings.Contains(body, `"Birch"`) {
		t.Errorf("the registry before the file is shown: %s", body)
	}
}

// The words for how a turnout fares, and which alert is told of it.
func TestHealth(t *testing.T) {
	now := noon
	heard := detect.Summary{Last: now, Learning: [2]detect.Learning{{Throws: 30, Needed: 30}, {Throws: 30, Needed: 30}}}
	young := heard
	young.Learning[1].Throws = 3
	stands := func(s alerting.Standing, p alerting.Priority) *alerting.Case {
		c := &alerting.Case{Standing: s}
		c.Priority = p
		if s == alerting.Returned {
			c.ClearedAt = now
		}
		return c
	}
	for _, c := range []struct {
		row    fleetRow
		worst  *alerting.Case
		silent bool
		want   string
	}{
		{fleetRow{}, nil, false, "no-throws"},
		{fleetRow{summary: &detect.Summary{}}, nil, false, "no-throws"},
		{fleetRow{summary: &young}, nil, false, "learning"},
		{fleetRow{summary: &heard}, nil, false, "watched"},
		{fleetRow{summary: &heard}, nil, true, "silent"},
		{fleetRow{summary: &young}, stands(alerting.Acknowledged, alerting.Low), true, "alert"},
		{fleetRow{summary: &heard}, stands(alerting.Shelved, alerting.High), false, "hidden"},
		{fleetRow{summary: &heard}, stands(alerting.Returned, alerting.High), false, "watched"},
		{fleetRow{summary: &heard, place: alerting.Place{OutOfService: true}}, stands(alerting.OutOfService, alerting.High), true, "out-of-service"},
	} {
		if got := health(&c.row, c.worst, c.silent); got != c.want {
			t.Errorf("%+v: expected %s, found %s", c, c.want, got)
		}
	}
	order := []*alerting.Case{
		stands(alerting.Unacknowledged, alerting.High), stands(alerting.Unacknowledged, alerting.Low), stands(alerting.Acknowledged, alerting.High),
		stands(alerting.Acknowledged, alerting.Low), stands(alerting.Returned, alerting.High), stands(alerting.Shelved, alerting.High),
	}
	for i, a := range order {
		for j, b := range order {
			if worse(a, b) != (i < j) {
				t.Errorf("%s %s before %s %s: found %v", a.Standing, a.Priority, b.Standing, b.Priority, worse(a, b))
			}
		}
	}
}

// Each call counts once, whether the cases or the journal tell it.
func TestRates(t *testing.T) {
	r, d := newDeskRig(t, func(d *fakeDesk) {
		a := &d.alerts[0] // raised at 11:59, and before that twice
		a.RaisedAt, a.Reopened, a.ReopenedAt, a.Call, a.CalledAt = noon.Add(-40*time.Minute), 2, noon.Add(-time.Minute), 2, noon.Add(-time.Minute)
		for _, at := range []time.Duration{-40 * time.Minute, -20 * time.Minute} {
			d.lines = append(d.lines, alerting.Entry{Alert: "a2", Turnout: "W1", At: noon.Add(at), Action: "raised"})
		}
		b := &d.alerts[1] // more serious since 11:30
		b.Call, b.CalledAt = 1, noon.Add(-30*time.Minute)
		d.lines = append(d.lines, alerting.Entry{Alert: "a1", At: b.CalledAt, Action: "changed"})
	})
	var got RatesView
	body := r.reads("/rates", "/rates?from=2026-03-01T10:00:00Z&operators=2", &got)
	// a2 three times, a1 raised and more serious; a3 was raised before.
	if got.Alerts != 5 || got.Operators != 2 || got.Hourly.Value != 1.25 || got.Chattering.Value != 1 || len(got.Chatter) != 1 || got.Truncated {
		t.Errorf("found %s", body)
	}
	if !got.From.Equal(noon.Add(-2*time.Hour)) || !got.To.Equal(noon) {
		t.Errorf("from %s to %s", got.From, got.To)
	}
	r.reads("/rates", "/rates", &got)
	if got.Alerts != 6 || !got.From.Equal(noon.AddDate(0, 0, -7)) {
		t.Errorf("found %+v", got)
	}
	// What stood at the end of a time that is past stood, though it has cleared since.
	r.reads("/rates", "/rates?to=2026-03-01T09:30:00Z", &got)
	if got.Alerts != 1 || got.Standing.Value != 0 {
		t.Errorf("found %+v", got)
	}
	d.alerts[2].RaisedAt = noon.AddDate(0, 0, -3)
	r.reads("/rates", "/rates?to=2026-03-01T09:30:00Z", &got)
	if got.Standing.Value != 1 {
		t.Errorf("found %+v", got.Standing)
	}
}

func TestMerit(t *testing.T) {
	r, d := newDeskRig(t)
	d.handlings["a1"] = alerting.Handling{Found: &alerting.Found{True: true, Cause: detect.DrySlideChairs}}
	d.handlings["a3"] = alerting.Handling{Found: &alerting.Found{}}
	d.work = append(d.work, ingest.Work{Turnout: "W1", DoneAt: noon.Add(-30 * time.Minute), Kind: ingest.Cleaned}, ingest.Work{Turnout: "W1", DoneAt: noon.Add(-45 * time.Minute), Kind: ingest.Rebaselined})
	var got MeritView
	body := r.reads("/merit", "/merit", &got)
	if got.Alerts != 3 || got.True != 1 || got.False != 1 || got.Unanswered != 1 || *got.TrueShare != 0.5 || got.First != 1 || got.Visited == nil || got.Visited.Median*24 < 0.499 || got.Visited.Median*24 > 0.501 {
		t.Errorf("found %s", body)
	}
}

func TestHandover(t *testing.T) {
	r, d := newDeskRig(t)
	for _, act := range []string{"/alerts/a1/acknowledge", "/alerts/a2/shelve"} {
		if w := r.do("POST", apiPath+act, `{"by":"p. one","note":"n"`+map[bool]string{true: `,"for_hours":2`}[strings.HasSuffix(act, "shelve")]+`}`, asJSON...); w.Code != 200 {
			t.Fatalf("%s: %s", act, w.Body)
		}
	}
	d.work = append(d.work, ingest.Work{Turnout: "W2", DoneAt: noon.Add(-time.Hour), Kind: ingest.Cleaned, By: "gang 1"})
	var got Handover
	body := r.reads("/handover", "/handover?from=2026-03-01T09:30:00Z&to=2026-03-01T12:00:01Z", &struct{}{})
	holds(t, body, `{"from":"2026-03-01T09:30:00Z","to":"2026-03-01T12:00:01Z","truncated":false,"raised":[{"id":"a2"…{"id":"a1"…"cleared":[{"id":"a3"…"standing":[{"id":"a1"…"acknowledged":[{"id":"a1"…"shelved":[{"id":"a2"…`+
		`"notes":[{"id":5,"alert":"a2",…"action":"shelve"…{"id":4,"alert":"a1"…"work":[{"turnout":"W2","done_at":"2026-03-01T11:00:00Z","work":"cleaned","by":"gang 1"}],"cabinets_silent":[{"cabinet":"z","state":"offline"…"rates":{"from":"2026-03-01T09:30:00Z"…"alerts":2,`)
	body = r.reads("/handover", "/handover?from=2026-02-01T00:00:00Z&to=2026-02-02T00:00:00Z", &struct{}{})
	holds(t, body, `"raised":[],"cleared":[],"standing":[],"acknowledged":[],"shelved":[],"notes":[],"work":[],"cabinets_silent":[{`)
	// A list that is too long ends, and the answer says so.
	a := d.alerts[2]
	for range mostTold + 1 {
		d.alerts = append(d.alerts, a)
	}
	w := r.do("GET", apiPath+"/handover?from=2026-03-01T08:30:00Z", "")
	if err := json.Unmarshal(w.Body.Bytes(), &struct {
		Truncated *bool
		Cleared   *[]struct{}
	}{&got.Truncated, new([]struct{})}); err != nil || !got.Truncated {
		t.Errorf("found %v, %v", got.Truncated, err)
	}
}

func TestReport(t *testing.T) {
	r, d := newDeskRig(t, func(d *fakeDesk) {
		d.verdicts = []detect.Verdict{{Outcome: detect.Routine}, {Outcome: detect.Helped}}
	})
	d.work = append(d.work, ingest.Work{Turnout: "Z9", DoneAt: noon.AddDate(0, 0, -2), Kind: ingest.Cleaned})
	body := r.reads("/report", "/report", &struct{}{})
	holds(t, body, `{"from":"2026-02-22T12:00:00Z","to":"2026-03-01T12:00:00Z","truncated":false,"areas":[`+
		`{"area":"Elm","turnouts":2,"learning":0,"raised":3,"cleared":1,"standing":2,"conditions":[{"word":"stiffening","n":3}],"visits":1,"helped":1,"not_helped":0,"routine":0,"unjudged":0,"merit":{"alerts":3,`+
		`…"worst":[{"turnout":"W1","line":"2","priority":"high","alerts":2,"stood_hours":1.016…},{"turnout":"W2","line":"1","priority":"high","alerts":1,"stood_hours":1}],"without_throws":[],"without_throws_count":0},`+
		`{"area":"Oak","turnouts":1,"learning":0,"raised":0,…"visits":1,…"worst":[],"without_throws":[{"turnout":"Z9"}],"without_throws_count":1},{"area":"w3","turnouts":1,"learning":1`)
	body = r.reads("/report", "/report?area=Oak&from=2026-03-01T00:00:00Z", &struct{}{})
	holds(t, body, `"areas":[{"area":"Oak"…"visits":0…"without_throws_count":1}]}`)
	for _, c := range []struct {
		list []detect.Outcome
		want detect.Outcome
	}{
		{nil, ""}, {[]detect.Outcome{detect.Routine}, detect.Routine}, {[]detect.Outcome{detect.Routine, detect.Helped}, detect.Helped}, {[]detect.Outcome{detect.Helped, detect.Routine}, detect.Helped},
		{[]detect.Outcome{detect.Helped, detect.NotHelped}, detect.NotHelped}, {[]detect.Outcome{detect.NotHelped, detect.Helped}, detect.NotHelped}, {[]detect.Outcome{detect.Routine, detect.NotHelped}, detect.NotHelped},
	} {
		var v detect.Visit
		for _, o := range c.list {
			v.Verdicts = append(v.Verdicts, detect.Verdict{Outcome: o})
		}
		if got := outcomeOf(&v); got != c.want {
			t.Errorf("%q: expected %q, found %q", c.list, c.want, got)
		}
	}
}

func TestFiguresRefused(t *testing.T) {
	for _, path := range []string{"/rates", "/merit", "/handover", "/report", "/exports/alerts.csv", "/exports/work.csv"} {
		r, d := newDeskRig(t)
		for query, want := range map[string]string{
			"from=2026-03-02T00:00:00Z":                         "query.from", // after now
			"from=2024-03-02T00:00:00Z":                         "at most 400 days before to",
			"to=2026-03-01T00:00:00Z&from=2026-03-01T00:00:00Z": "query.to",
			"from=monday": "query.from", "form=x": "query.form",
		} {
			if w := r.do("GET", apiPath+path+"?"+query, ""); w.Code != 422 || !strings.Contains(w.Body.String(), want) || w.Header().Get("Content-Type") != "application/problem+json" {
				t.Errorf("%s?%s: expected 422 with %s, found %d %s", path, query, want, w.Code, w.Body)
			}
		}
		d.fail = errors.New("disk 7 at /secret/place is broken")
		if w := r.do("GET", apiPath+path, ""); w.Code != 500 || strings.Contains(w.Body.String(), "secret") || !strings.Contains(r.log.String(), "secret") {
			t.Errorf("%s, a broken store: found %d %s", path, w.Code, w.Body)
		}
	}
	r, _ := newDeskRig(t)
	for target, status := range map[string]int{"/rates?operators=0": 422, "/handover?operators=x": 422, "/exports/features.csv": 422, "/exports/features.csv?turnout=none": 404, "/exports/features.csv?turnout=W1&from=x": 422} {
		if w := r.do("GET", apiPath+target, ""); w.Code != status {
			t.Errorf("%s: expected %d, found %d %s", target, status, w.Code, w.Body)
		}
	}
}

// file reads a CSV file that the API gives.
func (r *rig) file(target, name string) [][]string {
	r.t.Helper()
	w := r.do("GET", apiPath+target, "")
	if w.Code != 200 || w.Header().Get("Content-Type") != "text/csv; charset=utf-8" || w.Header().Get("Content-Disposition") != `attachment; filename="`+name+`"` {
		r.t.Fatalf("%s: found %d %v %s", target, w.Code, w.Header(), w.Body)
	}
	rows, err := csv.NewReader(w.Body).ReadAll() // also refuses rows of another length than the header's
	if err != nil {
		r.t.Fatal(err)
	}
	if h := r.do("HEAD", apiPath+target, ""); h.Code != 200 || h.Header().Get("Content-Type") != "text/csv; charset=utf-8" {
		r.t.Errorf("HEAD %s: found %d %v", target, h.Code, h.Header())
	}
	return rows
}

// cell returns what a row says under a name.
func cell(t *testing.T, rows [][]string, row int, name string) string {
	t.Helper()
	for i, n := range rows[0] {
		if n == name {
			return rows[row][i]
		}
	}
	t.Fatalf("no column %s in %q", name, rows[0])
	return ""
}

func TestExportAlerts(t *testing.T) {
	r, d := newDeskRig(t)
	d.handlings["a1"] = alerting.Handling{
		AcknowledgedAt: noon.In(time.FixedZone("", 3600)), AcknowledgedBy: "=HYPERLINK(\"x\")", ShelvedFor: "+1", ShelvedBy: "@x",
		Found: &alerting.Found{True: true, Cause: detect.Obstruction, Note: "-2+3\nand \"more\", more", By: "\tx", At: noon},
	}
	d.places[1].Line = "＝1"
	d.alerts[1].ChangePercent = -31.5
	rows := r.file("/exports/alerts.csv?turnout=W1", "alerts.csv")
	if len(rows) != 3 {
		t.Fatalf("found %q", rows)
	}
	for name, want := range map[string]string{
		"id": "a1", "turnout": "W1", "area": "Elm", "line": "'＝1", "to": "reverse", "condition": "stiffening", "change_percent": "-31.5", "raised_at": "2026-03-01T11:00:00Z", "cleared_at": "",
		"cause": "dry-slide-chairs", "cause_probability": "1", "days_p50": "8", "acknowledged_at": "2026-03-01T13:00:00+01:00", "acknowledged_by": `'=HYPERLINK("x")`,
		"shelved_for": "'+1", "shelved_by": "'@x", "found": "something", "found_cause": "obstruction", "found_note": "'-2+3\nand \"more\", more", "found_by": "'\tx",
	} {
		if got := cell(t, rows, 2, name); got != want {
			t.Errorf("%s: expected %q, found %q", name, want, got)
		}
	}
	if got := cell(t, rows, 1, "cause_probability"); got != "" {
		t.Errorf("no cause is %q probable", got)
	}
	if rows := r.file("/exports/alerts.csv?to=2026-03-01T09:30:00Z", "alerts.csv"); len(rows) != 2 || cell(t, rows, 1, "id") != "a3" {
		t.Errorf("found %q", rows)
	}
}

func TestExportWork(t *testing.T) {
	r, d := newDeskRig(t, func(d *fakeDesk) {
		d.verdicts = []detect.Verdict{{Outcome: detect.Helped, Said: "less effort"}, {Outcome: detect.Routine, Said: "as before"}}
	})
	d.work[0].Note = "=1+1"
	rows := r.file("/exports/work.csv", "work.csv")
	if len(rows) != 2 || strings.Join(rows[1], "|") != "W1|2026-02-28T12:00:00Z|lubricated|'=1+1|gang 3|helped|less effort; as before" {
		t.Errorf("found %q", rows)
	}
}

func TestExportFeatures(t *testing.T) {
	r, _ := newDeskRig(t)
	rows := r.file("/exports/features.csv?turnout=W1", "features.csv")
	if len(rows) != 6 {
		t.Fatalf("found %q", rows)
	}
	if got := strings.Join(rows[3], "|"); got != "W1~a/b|W1|reverse|2026-03-01T11:00:00Z|false|-3.5|131|main|motor_current|effort|A·s|12.3457|10|9.5|10.5" {
		t.Errorf("found %s", got)
	}
	if got := strings.Join(rows[1], "|"); got != "W1@normal@2026-03-01T12:00:00Z|W1|normal|2026-03-01T12:00:00Z|true|||main|motor_current|duration|s|4|||" {
		t.Errorf("found %s", got)
	}
	if rows := r.file("/exports/features.csv?turnout=W1&from=2026-03-01T10:30:00Z&to=2026-03-01T11:30:00Z", "features.csv"); len(rows) != 3 {
		t.Errorf("found %q", rows)
	}
}

// endless gives a turnout's throws page after page, and fails in the end.
type endless struct {
	*fake
	pages int
	end   error
	most  uint64 // bytes on the heap at any page
}

func (e *endless) Throws(_ context.Context, _ string, _, _ time.Time, cursor string, limit int) ([]detect.Record, string, error) {
	page, _ := strconv.Atoi(cursor)
	if page == e.pages-1 && e.end != nil {
		return nil, "", e.end
	}
	if page%100 == 50 {
		e.most = max(e.most, heap())
	}
	list := make([]detect.Record, limit)
	for i := range list {
		list[i] = record("W1", ingest.Normal, noon.Add(-time.Duration(page*limit+i)*time.Second), 4)
	}
	if page++; page == e.pages {
		return list, "", nil
	}
	return list, strconv.Itoa(page), nil
}

// What breaks after the first bytes breaks the answer off, and no reader takes
// the part for the whole.
func TestExportBrokenOff(t *testing.T) {
	for _, encoding := range []string{"identity", "gzip"} {
		r, d := newDeskRig(t)
		e := &endless{fake: d.fake, pages: 40, end: errors.New("disk 7 is broken")}
		r.s.o.Archive = e
		srv := httptest.NewServer(r.h)
		req, err := http.NewRequestWithContext(t.Context(), "GET", srv.URL+apiPath+"/exports/features.csv?turnout=W1", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Accept-Encoding", encoding)
		c := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
		res, err := c.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(res.Body)
		_ = res.Body.Close()
		if res.StatusCode != 200 || len(body) < 1000 || err == nil {
			t.Errorf("%s: found %d, %d bytes, %v", encoding, res.StatusCode, len(body), err)
		}
		srv.Close()
		if !strings.Contains(r.log.String(), "disk 7") {
			t.Errorf("the cause is not logged: %s", r.log)
		}
	}
}

// However long a turnout's past is, its export takes no more memory.
func TestExportBounded(t *testing.T) {
	r, d := newDeskRig(t)
	e := &endless{fake: d.fake, pages: 400}
	r.s.o.Archive = e
	w := &counter{header: http.Header{}}
	r.s.mux.ServeHTTP(w, httptest.NewRequest("GET", apiPath+"/exports/features.csv?turnout=W1", nil))
	if w.lines != 400*throwsPage+1 {
		t.Errorf("found %d lines", w.lines)
	}
	// 200,000 throws are some 25 MB of text; a page of records is under 1 MB.
	if e.most > 12<<20 {
		t.Errorf("%d bytes on the heap", e.most)
	}
}

func heap() uint64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// counter counts the lines that are written.
type counter struct {
	header http.Header
	lines  int
}

func (c *counter) Header() http.Header { return c.header }
func (c *counter) WriteHeader(int)     {}
func (c *counter) Write(p []byte) (int, error) {
	c.lines += strings.Count(string(p), "\n")
	return len(p), nil
}

// BenchmarkFleet measures what one fleet of 65,000 turnouts costs, which is
// paid once a second however many ask.
func BenchmarkFleet(b *testing.B) {
	d := newDesk(newFake())
	d.turnouts, d.places = nil, nil
	for i := range 65_000 {
		name := fmt.Sprintf("AREA%03d-%03d", i/200, i%200)
		d.turnouts = append(d.turnouts, detect.Summary{Turnout: name, Last: noon, Learning: [2]detect.Learning{{Throws: 30, Needed: 30}, {Throws: 20, Needed: 30}}})
		if i%2 == 0 {
			d.places = append(d.places, alerting.Place{Turnout: name, Line: "1", Position: float64(i % 200)})
		}
	}
	s := &server{o: Options{Yard: d.fake, Desk: d, CabinetOf: func(string) string { return "a" }}}
	b.ReportAllocs()
	for b.Loop() {
		s.fleets.taken = time.Time{}
		a, err := s.fleet(b.Context(), nil)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(len(a.Body)), "bytes")
	}
}
