package screen

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http/httptest"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"throwline/alerting"
	"throwline/ingest"
)

var asJSON = []string{"Content-Type", "application/json"}

func TestDeskReads(t *testing.T) {
	for _, c := range []struct{ route, target, want string }{
		{"/alerts", "/alerts", `"id":"a2",…"standing":"unacknowledged","handling":{},"place":{"turnout":"W1","area":"Elm","line":"2","position":1}},{"id":"a1"`},
		{"/alerts", "/alerts?state=live", `{"items":[{"id":"a1"…{"id":"a2"…{"id":"a3"…"standing":"returned-unacknowledged"…`},
		{"/alerts", "/alerts?state=live&turnout=W2", `{"items":[{"id":"a3"`},
		{"/alerts", "/alerts?state=live&from=2026-03-01T10:30:00Z", `{"items":[{"id":"a1"…{"id":"a2"…}}]}`},
		{"/alerts", "/alerts?state=all&limit=1&cursor=2", `{"items":[{"id":"a3"…"standing":"returned-unacknowledged","handling":{},"place":{"turnout":"W2","area":"Elm","line":"1","position":2,"criticality":5}}]}`},
		{"/alerts", "/alerts?state=all&to=2026-03-01T09:30:00Z", `{"items":[{"id":"a3"`},
		{"/alerts", "/alerts?state=open&to=2026-03-01T09:30:00Z", `{"items":[]}`},
		{"/alerts/{id}", "/alerts/a3", `{"id":"a3"…"standing":"returned-unacknowledged"`},
		{"/alerts/{id}/journal", "/alerts/a1/journal", `{"items":[{"id":2,"alert":"a1","turnout":"W1","at":"2026-03-01T11:00:00Z","action":"raised"}]}`},
		{"/alerts/{id}/sendings", "/alerts/a1/sendings", `{"items":[{"target":"mail","reason":"raised","since":"2026-03-01T12:00:00Z","tries":0,"sent":true,"done_at":"2026-03-01T12:00:00Z"}]}`},
		{"/journal", "/journal?limit=1", `"alert":"a2"…"next":"1"}`},
		{"/journal", "/journal?turnout=W2", `{"items":[{"id":1,"alert":"a3"`},
		{"/journal", "/journal?from=2026-03-01T11:30:00Z", `{"items":[{"id":3,"alert":"a2","turnout":"W1","at":"2026-03-01T11:59:00Z","action":"raised"}]}`},
		{"/worklist", "/worklist", `{"items":[{"area":"Elm","jobs":[{"turnout":"W1",…"area":"Elm","line":"2","position":1,"priority":"high",…"alerts":["a1","a2"]}]}]}`},
		{"/places", "/places?limit=2", `{"items":[{"turnout":"W2","area":"Elm"…{"turnout":"W1"…"next":"`},
		{"/places", "/places?q=OAK", `{"items":[{"turnout":"Z9","area":"Oak"}]}`},
		{"/places/{turnout}", "/places/W2", `{"turnout":"W2","area":"Elm","line":"1","position":2,"criticality":5}`},
		{"/windows", "/windows", `{"items":[{"id":1,"name":"Sunday works","match":{"turnouts":["W*"]},"zone":"Europe/Oslo","start":"2026-02-01T23:30","duration_minutes":90,"repeat":"FREQ=WEEKLY;BYDAY=SU","active":false,"next_start":"2026-03-01T23:30:00+01:00"}]}`},
		{"/routes", "/routes", `{"items":[{"name":"gang","match":{"areas":["Elm"]},"targets":["mail"],"remind_minutes":90,"escalate":[{"after_minutes":120,"targets":["phone"]}]}]}`},
		{"/targets", "/targets", `{"items":[{"name":"mail","kind":"mail","routes":["gang"],"waiting":0,"sent":3,"given_up":0},{"name":"phone"`},
	} {
		t.Run(c.target, func(t *testing.T) {
			r, _ := newDeskRig(t)
			w := r.do("GET", apiPath+c.target, "")
			if w.Code != 200 || w.Header().Get("Content-Type") != "application/json" || w.Header().Get("Cache-Control") != "no-store" {
				t.Fatalf("expected 200 application/json no-store, found %d %v: %s", w.Code, w.Header(), w.Body)
			}
			holds(t, w.Body.String(), c.want)
			r.conforms("GET", c.route, "200", w.Body.Bytes())
		})
	}
}

// Whoever has no desk is told so, and nothing else changes.
func TestNoDesk(t *testing.T) {
	r := newRig(t)
	for pattern := range needs {
		method, path := split(pattern)
		if !strings.HasPrefix(path, apiPath) {
			continue
		}
		switch first, _, _ := strings.Cut(strings.TrimPrefix(path, apiPath+"/"), "/"); first {
		case "journal", "worklist", "fleet", "places", "places.csv", "windows", "routes", "targets", "rates", "merit", "handover", "report":
		case "alerts":
			if path == apiPath+"/alerts" {
				continue
			}
		default:
			continue
		}
		kind := "application/json"
		if strings.HasSuffix(path, ".csv") {
			kind = "text/csv"
		}
		w := r.do(method, path, bodyFor(path), "Content-Type", kind)
		if w.Code != 404 || !strings.Contains(w.Body.String(), "no desk here") {
			t.Errorf("%s: expected 404, found %d %s", pattern, w.Code, w.Body)
		}
	}
	if w := r.do("GET", apiPath+"/alerts?state=live", ""); w.Code != 404 {
		t.Errorf("live alerts: found %d", w.Code)
	}
}

// bodyFor is a body that the route takes.
func bodyFor(path string) string {
	switch {
	case strings.HasPrefix(path, apiPath+"/windows"):
		return `{"name":"works","match":{},"zone":"Europe/Oslo","start":"2026-03-02T10:00","duration_minutes":60}`
	case strings.HasSuffix(path, "/routes/preview"):
		return `{"turnout":"W1","condition":"stiffening","priority":"high"}`
	case strings.HasSuffix(path, "/alerts/acknowledge"):
		return `{"ids":["a1"]}`
	}
	return `{}`
}

func TestActs(t *testing.T) {
	r, d := newDeskRig(t)
	for _, c := range []struct {
		id, action, body string
		status           int
		want             string
	}{
		{"a1", "acknowledge", `{"by":"p. one","note":"seen"}`, 200, `"standing":"acknowledged","handling":{"acknowledged_at":"2026-03-01T12:00:00Z","acknowledged_by":"p. one"}`},
		{"a1", "acknowledge", `{"by":"p. two"}`, 409, `"detail":"expected an alert that nobody has acknowledged, found acknowledged by p. one at 2026-03-01T12:00:00Z"…path.id`},
		{"a1", "shelve", `{"by":"p. one","for_hours":1.5,"note":"visit on the way"}`, 200, `"standing":"shelved"…"shelved_until":"2026-03-01T13:30:00Z","shelved_by":"p. one","shelved_for":"visit on the way"`},
		{"a1", "unshelve", `{"by":"p. one"}`, 200, `"standing":"acknowledged"`},
		{"a1", "unshelve", `{"by":"p. one"}`, 409, `expected a shelved alert`},
		{"a1", "shelve", `{"by":"p. one","until":"2026-03-02T10:00:00+01:00","note":"x"}`, 200, `"shelved_until":"2026-03-02T10:00:00+01:00"`},
		{"a1", "note", `{"by":"p. one","note":"heard it squeal"}`, 200, `"id":"a1"`},
		{"a2", "judge", `{"by":"p. one","found":{"true":true,"cause":"obstruction","note":"ballast"}}`, 200, `"standing":"acknowledged"…"found":{"true":true,"cause":"obstruction","note":"ballast","by":"p. one","at":"2026-03-01T12:00:00Z"}`},
		{"a2", "reopen", `{"by":"p. one","note":"wrong one"}`, 200, `"standing":"unacknowledged","handling":{}`},
		{"a2", "reopen", `{"by":"p. one"}`, 409, `expected an alert that someone has acknowledged or judged`},
		{"a3", "shelve", `{"by":"p. one","for_hours":1,"note":"x"}`, 409, `expected an alert that stands`},
		{"a3", "acknowledge", `{"by":"p. one"}`, 200, `"standing":"normal"`},

		{"a2", "acknowledge", `{}`, 422, `{"message":"expected the name of who does it, found none","location":"body.by"}`},
		{"a2", "acknowledge", `{"by":"x","until":"2026-03-02T00:00:00Z"}`, 422, `"location":"body.until"`},
		{"a2", "acknowledge", `{"by":"x","found":{"true":false}}`, 422, `"location":"body.found"`},
		{"a2", "shelve", `{"by":"x","for_hours":1}`, 422, `expected a reason, found none","location":"body.note"`},
		{"a2", "shelve", `{"by":"x","note":"n"}`, 422, `"location":"body.until"`},
		{"a2", "shelve", `{"by":"x","note":"n","until":"2026-03-01T11:00:00Z"}`, 422, `expected an end after 2026-03-01T12:00:00Z, found 2026-03-01T11:00:00Z","location":"body.until"`},
		{"a2", "shelve", `{"by":"x","note":"n","until":"2026-05-01T11:00:00Z"}`, 422, `30 days from now`},
		{"a2", "shelve", `{"by":"x","note":"n","for_hours":1e-14}`, 422, `"location":"body.for_hours"`},
		{"a2", "shelve", `{"by":"x","note":"n","for_hours":0}`, 422, `body.for_hours`},
		{"a2", "shelve", `{"by":"x","note":"n","for_hours":721}`, 422, `body.for_hours`},
		{"a2", "shelve", `{"by":"x","note":"n","for_hours":1,"until":"2026-03-02T00:00:00Z"}`, 422, `expected one of until and for_hours, found both`},
		{"a2", "note", `{"by":"x"}`, 422, `"location":"body.note"`},
		{"a2", "judge", `{"by":"x"}`, 422, `expected what was found, found nothing said","location":"body.found"`},
		{"a2", "judge", `{"by":"x","found":{}}`, 422, `body.found`},
		{"a2", "judge", `{"by":"x","found":{"true":true,"cause":"gremlins"}}`, 422, `body.found.cause`},
		{"a2", "judge", `{"by":"x","found":{"true":false,"cause":"obstruction"}}`, 422, `"location":"body.found.cause"`},
		{"a2", "acknowledge", `{"by":"x","who":"y"}`, 422, `who`},
		{"a2", "acknowledge", ``, 400, `body`},
		{"a2", "fly", `{"by":"x"}`, 404, `openapi`},
		{"none", "acknowledge", `{"by":"x"}`, 404, `there is none`},
		{"none", "reopen", `{"by":"x"}`, 404, `there is none`},
	} {
		lines := len(d.lines)
		w := r.do("POST", apiPath+"/alerts/"+c.id+"/"+c.action, c.body, asJSON...)
		if w.Code != c.status {
			t.Fatalf("%s %s %s: expected %d, found %d %s", c.action, c.id, c.body, c.status, w.Code, w.Body)
		}
		holds(t, w.Body.String(), c.want)
		if c.action != "fly" {
			r.conforms("POST", "/alerts/{id}/"+c.action, strconv.Itoa(c.status), w.Body.Bytes())
		}
		want := 0
		if c.status == 200 {
			want = 1
			if e := d.lines[0]; e.Action != c.action || e.By != "p. one" || e.Alert != c.id {
				t.Errorf("%s: the journal says %+v", c.action, e)
			}
		}
		if len(d.lines)-lines != want {
			t.Errorf("%s %s: %d lines in the journal", c.action, c.body, len(d.lines)-lines)
		}
	}
	if w := r.do("POST", apiPath+"/alerts/a2/acknowledge", `by=x`, "Content-Type", "application/x-www-form-urlencoded"); w.Code != 415 {
		t.Errorf("a form: found %d", w.Code)
	}
	if w := r.do("POST", apiPath+"/alerts/a2/acknowledge", `{"by":"x"}`, "Content-Type", "application/json", "Sec-Fetch-Site", "cross-site"); w.Code != 403 {
		t.Errorf("another origin: found %d", w.Code)
	}
	d.fail = errors.New("disk 7 at /secret/place is broken")
	if w := r.do("POST", apiPath+"/alerts/a2/acknowledge", `{"by":"x"}`, asJSON...); w.Code != 500 || strings.Contains(w.Body.String(), "secret") || !strings.Contains(r.log.String(), "secret") {
		t.Errorf("a broken store: found %d %s, logged %s", w.Code, w.Body, r.log)
	}
}

func TestAcknowledgeSeveral(t *testing.T) {
	r, d := newDeskRig(t)
	w := r.do("POST", apiPath+"/alerts/acknowledge", `{"ids":["a2","none","a1"],"by":"p. one"}`, asJSON...)
	if w.Code != 200 {
		t.Fatalf("found %d %s", w.Code, w.Body)
	}
	holds(t, w.Body.String(), `{"items":[{"id":"a2"…{"id":"a1"…"refused":[{"id":"none","status":404,"detail":"there is none"}]}`)
	r.conforms("POST", "/alerts/acknowledge", "200", w.Body.Bytes())
	w = r.do("POST", apiPath+"/alerts/acknowledge", `{"ids":["a1"],"by":"p. two"}`, asJSON...)
	holds(t, w.Body.String(), `{"items":[],"refused":[{"id":"a1","status":409,"detail":"expected an alert that nobody has acknowledged, found acknowledged by p. one`)
	for body, want := range map[string]string{
		`{"ids":[],"by":"x"}`: "body.ids", `{"by":"x"}`: "ids", `{"ids":["a","a"],"by":"x"}`: "body.ids", `{"ids":["a3"]}`: "body.by",
		`{"ids":["` + strings.Repeat(`a","`, 1000) + `b"],"by":"x"}`: "body.ids",
	} {
		if w := r.do("POST", apiPath+"/alerts/acknowledge", body, asJSON...); w.Code != 422 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%.40s: expected 422 of %s, found %d %s", body, want, w.Code, w.Body)
		}
	}
	d.fail = errors.New("broken")
	if w := r.do("POST", apiPath+"/alerts/acknowledge", `{"ids":["a3"],"by":"x"}`, asJSON...); w.Code != 500 {
		t.Errorf("a broken store: found %d", w.Code)
	}
}

// Who has logged in acts in his own name, and only who may judge takes a judgement back.
func TestActsByRole(t *testing.T) {
	d := newDesk(newFake())
	s := newDoor(t, d.fake)
	s.o.Desk = d
	h := s.handler()
	do := func(role alerting.Role, action, body string) *httptest.ResponseRecorder {
		req := who{role, true}.ask("POST", apiPath+"/alerts/a1/"+action)
		req.Body, req.ContentLength = io.NopCloser(strings.NewReader(body)), int64(len(body))
		req.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, req)
		return w
	}
	if w := do(alerting.Operator, "acknowledge", `{"by":"another"}`); w.Code != 200 || !strings.Contains(w.Body.String(), `"acknowledged_by":"p.operator"`) {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	for _, c := range []struct {
		role   alerting.Role
		action string
		body   string
		status int
	}{
		{alerting.Viewer, "note", `{"note":"n"}`, 403},
		{alerting.Operator, "reopen", `{}`, 200},
		{alerting.Operator, "judge", `{"found":{"true":false}}`, 403},
		{alerting.Maintainer, "judge", `{"found":{"true":false}}`, 200},
		{alerting.Operator, "reopen", `{}`, 403},
		{alerting.Maintainer, "reopen", `{}`, 200},
	} {
		if w := do(c.role, c.action, c.body); w.Code != c.status {
			t.Errorf("%s, %s: expected %d, found %d %s", c.role, c.action, c.status, w.Code, w.Body)
		}
	}
}

func TestPlaces(t *testing.T) {
	r, d := newDeskRig(t)
	w := r.do("PUT", apiPath+"/places/W7", `{"area":"Oak","line":"3","position":4.5,"drive":"electric","criticality":4,"throw_time_s":6,"effort_rise_percent":30,"out_of_service":true,"notes":"n","by":"p. one"}`, asJSON...)
	if w.Code != 200 || w.Body.String() != `{"turnout":"W7","area":"Oak","line":"3","position":4.5,"drive":"electric","criticality":4,"throw_time_s":6,"effort_rise_percent":30,"out_of_service":true,"notes":"n"}` {
		t.Fatalf("found %d %s", w.Code, w.Body)
	}
	r.conforms("PUT", "/places/{turnout}", "200", w.Body.Bytes())
	if w := r.do("DELETE", apiPath+"/places/W7?by=p.+two", ""); w.Code != 204 || w.Body.Len() != 0 {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	if want := []string{"p. one", "p. two"}; !slices.Equal(d.whoSaid, want) {
		t.Errorf("said by %q, expected %q", d.whoSaid, want)
	}
	for _, c := range []struct {
		method, target, body string
		status               int
		want                 string
	}{
		{"GET", "/places/W7", "", 404, "registry"},
		{"DELETE", "/places/W7", "", 404, "there is none"},
		{"PUT", "/places/W%207", `{}`, 422, `expected a name, found \"W 7\"","location":"body.turnout"`},
		{"PUT", "/places/W7", `{"criticality":6}`, 422, "body.criticality"},
		{"PUT", "/places/W7", `{"criticality":-1}`, 422, "body.criticality"},
		{"PUT", "/places/W7", `{"drive":"steam"}`, 422, "body.drive"},
		{"PUT", "/places/W7", `{"throw_time_s":-1}`, 422, "body.throw_time_s"},
		{"PUT", "/places/W7", `{"turnout":"W8"}`, 422, "turnout"},
		{"PUT", "/places/W7", `{"position":"k"}`, 422, "body.position"},
		{"POST", "/places/W7", `{}`, 405, "expected GET or PUT or DELETE, found POST"},
		{"GET", "/places?cursor=dDpX", "", 400, "query.cursor"},
		{"GET", "/places?cursor=bzotMQ", "", 400, "query.cursor"},
	} {
		w := r.do(c.method, apiPath+c.target, c.body, asJSON...)
		if w.Code != c.status || !strings.Contains(w.Body.String(), c.want) {
			t.Errorf("%s %s %s: expected %d with %s, found %d %s", c.method, c.target, c.body, c.status, c.want, w.Code, w.Body)
		}
	}
	if len(d.places) != 3 {
		t.Errorf("found %v", d.places)
	}
}

func TestPlacesCSV(t *testing.T) {
	r, d := newDeskRig(t)
	w := r.do("GET", apiPath+"/places.csv", "")
	if w.Code != 200 || w.Body.String() != "turnout,area\nW2,Elm\nW1,Elm\nZ9,Oak\n" || w.Header().Get("Content-Type") != "text/csv; charset=utf-8" ||
		w.Header().Get("Content-Disposition") != `attachment; filename="places.csv"` {
		t.Fatalf("found %d %v %s", w.Code, w.Header(), w.Body)
	}
	csv := []string{"Content-Type", "Text/CSV; charset=utf-8"}
	if w := r.do("PUT", apiPath+"/places.csv?by=p.+one", "turnout,area\nA1,Ash\nA2,Ash\n", csv...); w.Code != 200 || w.Body.String() != `{"places":2}` || d.whoSaid[0] != "p. one" {
		t.Errorf("found %d %s", w.Code, w.Body)
	} else {
		r.conforms("PUT", "/places.csv", "200", w.Body.Bytes())
	}
	w = r.do("PUT", apiPath+"/places.csv", "turnout,area\nA 1,Ash\nA2,Ash\n=x,Ash\n", csv...)
	if w.Code != 422 || !strings.Contains(w.Body.String(), `{"message":"expected a name, found \"A 1\"","location":"body.line 2, column turnout"},{"message":"expected a name, found \"=x\"","location":"body.line 4, column turnout"}`) {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	if w := r.do("PUT", apiPath+"/places.csv", "turnout,area\n", asJSON...); w.Code != 415 {
		t.Errorf("as JSON: found %d", w.Code)
	}
	// As much as is promised, and no more.
	line := "A1," + strings.Repeat("a", 1021) + "\n"
	big := "turnout,area\n" + strings.Repeat(line, maxPlaces/len(line)-1)
	if w := r.do("PUT", apiPath+"/places.csv", big, csv...); w.Code != 200 {
		t.Errorf("%d bytes: found %d %s", len(big), w.Code, w.Body)
	}
	if w := r.do("PUT", apiPath+"/places.csv", big+line+line, csv...); w.Code != 413 {
		t.Errorf("%d bytes: found %d %.200s", len(big)+2*len(line), w.Code, w.Body)
	}
	d.places, d.fail = nil, errors.New("broken")
	if w := r.do("GET", apiPath+"/places.csv", ""); w.Code != 500 || w.Header().Get("Content-Type") != "application/problem+json" {
		t.Errorf("a broken store: found %d %v", w.Code, w.Header())
	}
}

func TestWindows(t *testing.T) {
	r, d := newDeskRig(t)
	const body = `{"name":"relaying","match":{"areas":["Elm"],"priorities":["low"]},"zone":"Europe/Oslo","start":"2026-03-01T12:30","duration_minutes":90,"note":"n","by":"p. one"}`
	w := r.do("POST", apiPath+"/windows", body, asJSON...)
	if w.Code != 201 || w.Body.String() != `{"id":2,"name":"relaying","match":{"areas":["Elm"],"priorities":["low"]},"zone":"Europe/Oslo","start":"2026-03-01T12:30","duration_minutes":90,"note":"n","by":"p. one","active":true,"ends_at":"2026-03-01T14:00:00+01:00"}` {
		t.Fatalf("found %d %s", w.Code, w.Body)
	}
	r.conforms("POST", "/windows", "201", w.Body.Bytes())
	if c := d.of(&d.alerts[0]); c.Standing != alerting.Suppressed {
		t.Errorf("the alert is %s", c.Standing)
	}
	w = r.do("PUT", apiPath+"/windows/2", strings.Replace(body, "12:30", "18:30", 1), asJSON...)
	if w.Code != 200 || !strings.Contains(w.Body.String(), `"active":false,"next_start":"2026-03-01T18:30:00+01:00"`) {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	r.conforms("PUT", "/windows/{id}", "200", w.Body.Bytes())
	n := len(d.windows)
	w = r.do("POST", apiPath+"/windows/preview", `{"name":"w","match":{"turnouts":["W?"],"priorities":["high"]},"zone":"Europe/Oslo","start":"2026-02-28T02:30","duration_minutes":60,"repeat":"FREQ=DAILY;INTERVAL=7"}`, asJSON...)
	if w.Code != 200 || len(d.windows) != n {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	holds(t, w.Body.String(), `{"active":false,"starts":["2026-03-07T02:30:00+01:00","2026-03-14T02:30:00+01:00","2026-03-21T02:30:00+01:00","2026-03-28T02:30:00+01:00","2026-04-04T02:30:00+02:00"],"hides":[{"id":"a1"…{"id":"a3"…`)
	r.conforms("POST", "/windows/preview", "200", w.Body.Bytes())
	if w := r.do("DELETE", apiPath+"/windows/2", ""); w.Code != 204 || len(d.windows) != 1 {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	for _, c := range []struct {
		change []string // of body, old and new
		status int
		want   string
	}{
		{[]string{`"relaying"`, `""`}, 422, "body.name"},
		{[]string{`"relaying"`, `" "`}, 422, `"location":"body.name"`},
		{[]string{`Europe/Oslo`, `Oslo`}, 422, `expected an IANA name such as Europe/Oslo, found \"Oslo\"","location":"body.zone"`},
		{[]string{`Europe/Oslo`, `Local`}, 422, `"location":"body.zone"`},
		{[]string{`T12:30"`, `"`}, 422, `"location":"body.start"`},
		{[]string{`:90`, `:0`}, 422, `body.duration_minutes`},
		{[]string{`:90`, `:50000`}, 422, `body.duration_minutes`},
		{[]string{`:90`, `:"90m"`}, 422, `body.duration_minutes`},
		{[]string{`"areas"`, `"area"`}, 422, `body.match.area`},
		{[]string{`["Elm"]`, `[""]`}, 422, `"location":"body.match.areas"`},
		{[]string{`"low"`, `"urgent"`}, 422, `body.match.priorities`},
		{[]string{`"note"`, `"repeat":"FREQ=YEARLY","note"`}, 422, `"location":"body.repeat"`},
		{[]string{`"note"`, `"repeat":"FREQ=WEEKLY;BYDAY=MO","note"`}, 422, `"location":"body.start"`},
		{[]string{`"match":{`, `"mat":{`}, 422, `match`},
		{[]string{`{"name"`, `"name"`}, 400, `body`},
	} {
		for _, target := range []string{"/windows", "/windows/preview"} {
			w := r.do("POST", apiPath+target, strings.Replace(body, c.change[0], c.change[1], 1), asJSON...)
			if w.Code != c.status || !strings.Contains(w.Body.String(), c.want) {
				t.Errorf("%s %v: expected %d with %s, found %d %s", target, c.change, c.status, c.want, w.Code, w.Body)
			}
		}
	}
	for _, c := range []struct {
		method, target string
		status         int
	}{{"PUT", "/windows/9", 404}, {"DELETE", "/windows/9", 404}, {"PUT", "/windows/0", 422}, {"PUT", "/windows/x", 422}, {"DELETE", "/windows/x", 422}, {"GET", "/windows/1", 405}} {
		if w := r.do(c.method, apiPath+c.target, body, asJSON...); w.Code != c.status {
			t.Errorf("%s %s: expected %d, found %d %s", c.method, c.target, c.status, w.Code, w.Body)
		}
	}
	if len(d.windows) != 1 {
		t.Errorf("found %+v", d.windows)
	}
}

func TestRoutes(t *testing.T) {
	r, d := newDeskRig(t)
	w := r.do("POST", apiPath+"/routes/preview", `{"turnout":"W1","condition":"stiffening","priority":"high","at":"2026-03-01T03:00:00Z"}`, asJSON...)
	if w.Code != 200 || w.Body.String() != `{"items":[{"route":"gang","told":true,"targets":["mail"],"why":"matches","then":["reminder every 1h30m","phone after 2h"]}]}` {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	r.conforms("POST", "/routes/preview", "200", w.Body.Bytes())
	// One that is registered and was never heard of, and one that was heard of alone.
	for turnout, want := range map[string]string{"Z9": "area: expected Elm, found Oak", "w3-x": "area: expected Elm, found w3"} {
		if w := r.do("POST", apiPath+"/routes/preview", `{"turnout":"`+turnout+`","condition":"stiffening","priority":"low"}`, asJSON...); w.Code != 200 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: found %d %s", turnout, w.Code, w.Body)
		}
	}
	for body, want := range map[string]string{
		`{"turnout":"none","condition":"stiffening","priority":"high"}`:            "body.turnout",
		`{"turnout":"W1","condition":"stiff","priority":"high"}`:                   "body.condition",
		`{"turnout":"W1","condition":"stiffening","priority":"urgent"}`:            "body.priority",
		`{"turnout":"W1","condition":"stiffening"}`:                                "priority",
		`{"turnout":"W1","condition":"stiffening","priority":"high","at":"today"}`: "body.at",
	} {
		if w := r.do("POST", apiPath+"/routes/preview", body, asJSON...); w.Code != 422 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: found %d %s", body, w.Code, w.Body)
		}
	}
	if w := r.do("POST", apiPath+"/targets/mail/trial", `{"by":"p. one"}`, asJSON...); w.Code != 204 || !slices.Equal(d.tries, []string{"mail p. one"}) {
		t.Errorf("found %d %s, tried %q", w.Code, w.Body, d.tries)
	}
	if w := r.do("POST", apiPath+"/targets/none/trial", `{}`, asJSON...); w.Code != 404 {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	d.broken = fmt.Errorf("fake: %w", &ingest.Refusal{Faults: []ingest.Fault{{Path: "target mail", Expected: "a message that is taken", Found: "answered 503"}}})
	w = r.do("POST", apiPath+"/targets/mail/trial", `{}`, asJSON...)
	if w.Code != 502 || !strings.Contains(w.Body.String(), `"detail":"answered 503"`) {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	r.conforms("POST", "/targets/{name}/trial", "502", w.Body.Bytes())
	d.broken = errors.New("disk 7 at /secret/place is broken")
	if w := r.do("POST", apiPath+"/targets/mail/trial", `{}`, asJSON...); w.Code != 500 || strings.Contains(w.Body.String(), "secret") {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
}

// An open event stream is told how an alert stands.
func TestCaseEvent(t *testing.T) {
	r, d := newDeskRig(t)
	me, err := r.hub.join()
	if err != nil {
		t.Fatal(err)
	}
	defer r.hub.leave(me)
	r.hub.Case(d.of(&d.alerts[1]))
	select {
	case frame := <-me.queue:
		holds(t, string(frame), `event: case…data: {"id":"a1"…"standing":"unacknowledged","handling":{},"place":{"turnout":"W1"`)
	case <-time.After(60 * time.Second):
		t.Fatal("nothing is told")
	}
}

// countingDesk counts how often it is asked.
type countingDesk struct {
	*fakeDesk
	of, one int
}

func (d *countingDesk) Of(ctx context.Context, from, to time.Time, turnout string, most int) ([]alerting.Case, error) {
	d.of++
	return d.fakeDesk.Of(ctx, from, to, turnout, most)
}

func (d *countingDesk) Case(ctx context.Context, id string) (alerting.Case, error) {
	d.one++
	return d.fakeDesk.Case(ctx, id)
}

// A page of alerts that are over asks the desk once.
func TestCasesOfPage(t *testing.T) {
	r, d := newDeskRig(t)
	asked := &countingDesk{fakeDesk: d}
	r.s.o.Desk = asked
	for i := range 300 {
		a := d.alerts[2]
		a.ID, a.RaisedAt = fmt.Sprintf("o%03d", i), a.RaisedAt.Add(-time.Duration(i)*time.Hour)
		a.ClearedAt = a.RaisedAt.Add(time.Hour)
		d.handlings[a.ID] = alerting.Handling{AcknowledgedAt: noon, AcknowledgedBy: "p. one"}
		d.alerts = append(d.alerts, a)
	}
	w := r.do("GET", apiPath+"/alerts?state=all&limit=250", "")
	if n := strings.Count(w.Body.String(), `"acknowledged_by":"p. one"`); w.Code != 200 || n != 247 {
		t.Errorf("found %d, %d of them", w.Code, n)
	}
	if asked.of > 1 || asked.one > 0 {
		t.Errorf("asked %d times for a range and %d times for one", asked.of, asked.one)
	}
}

// Following next sees each alert once, in order, whichever list it is.
func TestCasePages(t *testing.T) {
	r, d := newDeskRig(t)
	for i := range 250 {
		a := d.alerts[1+i%2] // open, cleared
		a.ID, a.RaisedAt = fmt.Sprintf("p%03d", i), a.RaisedAt.Add(-time.Duration(i)*time.Minute)
		d.alerts = append(d.alerts, a)
	}
	for query, want := range map[string]int{
		"state=live": 253, "state=live&turnout=W2": 126, "state=all&from=2026-01-01T00:00:00Z": 253, "state=open&from=2026-01-01T00:00:00Z": 127, "state=all&to=2026-03-02T00:00:00Z&turnout=W1": 127,
	} {
		for _, limit := range []int{1, 100, 253} {
			cursor, seen, pages := "", map[string]bool{}, 0
			for {
				var list struct {
					Items []struct {
						ID string `json:"id"`
					} `json:"items"`
					Next string `json:"next"`
				}
				w := r.do("GET", fmt.Sprintf("%s/alerts?%s&limit=%d&cursor=%s", apiPath, query, limit, cursor), "")
				if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil || w.Code != 200 {
					t.Fatalf("%d %s: %v", w.Code, w.Body, err)
				}
				for _, it := range list.Items {
					if seen[it.ID] {
						t.Errorf("%s: %s is seen twice", query, it.ID)
					}
					seen[it.ID] = true
				}
				if pages++; list.Next == "" || pages > 300 {
					break
				}
				cursor = list.Next
			}
			if len(seen) != want || pages != (want+limit-1)/limit {
				t.Errorf("%s, limit %d: expected %d, found %d on %d pages", query, limit, want, len(seen), pages)
			}
		}
	}
	for _, cursor := range []string{"%21", "MTI", "bzotMQ"} {
		if w := r.do("GET", apiPath+"/alerts?state=live&cursor="+cursor, ""); w.Code != 400 || !strings.Contains(w.Body.String(), "query.cursor") {
			t.Errorf("%s: found %d %s", cursor, w.Code, w.Body)
		}
	}
}
