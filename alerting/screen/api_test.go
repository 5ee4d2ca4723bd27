package screen

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"throwline/detect"
	"throwline/ingest"
)

var update = flag.Bool("update", false, "write the golden files anew")

// conforms checks a body against what the description says of the answer.
func (r *rig) conforms(method, route, status string, body []byte) {
	r.t.Helper()
	doc := r.s.api.OpenAPI()
	item := doc.Paths[apiPath+route]
	if item == nil {
		r.t.Fatalf("%s is not described", route)
	}
	op := map[string]*huma.Operation{http.MethodGet: item.Get, http.MethodPost: item.Post, http.MethodPut: item.Put}[method]
	resp := op.Responses[status]
	if resp == nil {
		resp = op.Responses["default"]
	}
	if resp == nil {
		r.t.Fatalf("%s %s: status %s is not described", method, route, status)
	}
	for _, media := range resp.Content {
		var parsed any
		if err := json.Unmarshal(body, &parsed); err != nil {
			r.t.Fatalf("%s: not JSON: %v: %.200s", route, err, body)
		}
		var res huma.ValidateResult
		huma.Validate(doc.Components.Schemas, media.Schema, huma.NewPathBuffer([]byte{}, 0), huma.ModeReadFromServer, parsed, &res)
		for _, e := range res.Errors {
			r.t.Errorf("%s %s: not as described: %v", method, route, e)
		}
	}
}

func TestReads(t *testing.T) {
	key := url.PathEscape("W1~a/b")
	for _, c := range []struct {
		route, target string
		want          string // the whole body, or parts of it parted by …
	}{
		{"/alerts", "/alerts", `"items":[{"id":"a2","turnout":"W1","drive":"main"…"causes":[],…{"id":"a1","turnout":"W1","to":"reverse",…"causes":[{"cause":"dry-slide-chairs","probability":1,"evidence":["heavier"],"checks":["look"]}],"change_percent":31.5,"since":"2026-02-27T12:00:00Z","forecast":{"limit":"the drive's capability","days_p10":3,"days_p50":8,"days_p90":20},"raised_at":"2026-03-01T11:00:00Z","changed_at":"2026-03-01T11:00:00Z","standing":"unacknowledged","handling":{},"place":{"turnout":"W1"}}]}`},
		{"/alerts", "/alerts?state=all&limit=1&cursor=2&turnout=", `{"items":[{"id":"a3"…"cleared_at":"2026-03-01T10:00:00Z","standing":"normal","handling":{},"place":{"turnout":"W2"}}]}`},
		{"/alerts", "/alerts?state=all&turnout=W2", `{"items":[{"id":"a3"…`},
		{"/alerts", "/alerts?turnout=none", `{"items":[]}`},
		{"/alerts", "/alerts?limit=1", `"next":"1"}`},
		{"/turnouts", "/turnouts", `{"items":[{"turnout":"W1","quantities":["motor_current"],"drives":["main"],"last_throw_at":"2026-03-01T11:00:00Z","last_to":"reverse","completed":false,"learning":[{"to":"normal","throws":40,"needed":30,"total":60},{"to":"reverse","throws":30,"needed":30,"total":59}],"state":"alert","open_alerts":2,"priority":"high"},{"turnout":"W2","quantities":[],…"state":"watched","open_alerts":0},{"turnout":"w3-x",…"state":"learning"…`},
		{"/turnouts", "/turnouts?q=W3", `{"items":[{"turnout":"w3-x"…`},
		{"/turnouts/{turnout}", "/turnouts/W1", `"state":"alert","open_alerts":2,"priority":"high","alerts":[{"id":"a1"…{"id":"a2"…"work":[{"done_at":"2026-02-28T12:00:00Z","work":"lubricated","note":"all chairs","by":"gang 3"}]}`},
		{"/turnouts/{turnout}", "/turnouts/W2", `"alerts":[],`},
		{"/turnouts/{turnout}/throws", "/turnouts/W1/throws?limit=2", `{"items":[{"key":"W1@normal@2026-03-01T12:00:00Z"…{"key":"W1~a/b"…"next":"2"}`},
		{"/turnouts/{turnout}/throws", "/turnouts/W1/throws?from=2026-03-01T10:00:00Z&to=2026-03-01T12:00:00%2B01:00", `{"items":[{"key":"W1@normal@2026-03-01T10:00:00Z"…`},
		{"/turnouts/{turnout}/throws", "/turnouts/W2/throws", `{"items":[]}`},
		{"/turnouts/{turnout}/trends", "/turnouts/W1/trends?features=duration,effort", `{"turnout":"W1","throws":4,"truncated":false,"ends":[{"to":"normal","throws":2,"thinned":false,"at":[1772359200,1772366400],"keys":["W1@normal@2026-03-01T10:00:00Z","W1@normal@2026-03-01T12:00:00Z"],"completed":[true,true],"rail_temperature_c":[null,null],"series":[{"drive":"main","quantity":"motor_current","feature":"duration","unit":"s","value":[4.1,4],"expected":[null,null],"low":[null,null],"high":[null,null]}]},{"to":"reverse",…"completed":[true,false],"rail_temperature_c":[null,-3.5],…"feature":"effort","unit":"A·s","value":[null,12.3457],"expected":[null,10],"low":[null,9.5],"high":[null,10.5]}]}]}`},
		{"/turnouts/{turnout}/trends", "/turnouts/W2/trends", `{"turnout":"W2","throws":0,"truncated":false,"ends":[]}`},
		{"/turnouts/{turnout}/trend", "/turnouts/W1/trend?to=normal&quantity=motor_current", `{"turnout":"W1","to":"normal","drive":"main","quantity":"motor_current","feature":"duration","unit":"s","from":"2026-01-30T12:00:00Z","until":"2026-03-01T12:00:00Z","truncated":false,"at":[1772359200],"value":[4.1],"throws":[1],"level":[null],"low":[null],"high":[null],"since":"2026-03-01T10:00:00Z","after_work":true,"said":"too short to tell a trend: throws on 1 of the 10 days that it takes, since the last work"}`},
		{"/turnouts/{turnout}/trend", "/turnouts/W2/trend?to=reverse&drive=back&quantity=drive_force&feature=effort&from=2026-02-01T00:00:00Z&until=2026-03-01T00:00:00Z", `{"turnout":"W2","to":"reverse","drive":"back","quantity":"drive_force","feature":"effort","unit":"kN·s","from":"2026-02-01T00:00:00Z","until":"2026-03-01T00:00:00Z","truncated":false,"at":[],"value":[],"throws":[],"level":[],"low":[],"high":[],"after_work":false,"said":"too short to tell a trend: throws on 0 of the 10 days that it takes"}`},
		{"/turnouts/{turnout}/work", "/turnouts/W1/work", `{"items":[{"done_at":"2026-02-28T12:00:00Z","work":"lubricated","note":"all chairs","by":"gang 3"}]}`},
		{"/throws/{key}", "/throws/" + key, `{"key":"W1~a/b","throw_id":"a/b","turnout":"W1","cabinet":"cab-1","to":"reverse","started_at":"2026-03-01T11:00:00Z","arrived_at":"2026-03-01T11:00:01Z","completed":false,"rail_temperature_c":-3.5,"supply_v":131,"detections":[{"place":"toe","after_s":4.3}],"traces":[{"drive":"main","quantity":"motor_current","unit":"A","doubts":["clipped","missing-start"],"phases":[{"phase":"inrush","start_s":0,"end_s":0.2},{"phase":"travel","start_s":0.2,"end_s":3.5},{"phase":"locking","start_s":3.5,"end_s":4.2},{"phase":"tail","start_s":4.2,"end_s":4.4}],"features":{"duration":{"value":4.2,"unit":"s"},"effort":{"value":12.3457,"unit":"A·s","expected":10,"low":9.5,"high":10.5}},"past":{"throws":12,"duration_s":4.1,"low":[null,1,…"channels":[{"drive":"main","quantity":"hydraulic_pressure","unit":"bar","sample_rate_hz":50,"offset_s":-0.1,"samples":[0,0.001,0.003,70.001,-0.001]}],"previous":"W1@normal@2026-03-01T10:00:00Z","next":"W1@normal@2026-03-01T12:00:00Z"}`},
		{"/throws/{key}/likeness", "/throws/" + key + "/likeness", `{"items":[{"drive":"main","quantity":"motor_current","throws":1,"needed":60,"beyond":false,"said":"not compared with its past: the trace does not show the movement"}]}`},
		{"/quarantine", "/quarantine", `{"items":[{"id":7,"at":"2026-03-01T12:00:00Z","topic":"throwline/v1/c/throw/W1","turnout":"W1","size":12,"reasons":[{"path":"to","expected":"normal or reverse","found":"\"up\""}],"retries":1},{"id":6,…"topic":"t` + "\uFFFD" + `","size":3,"reasons":[{"path":"","expected":"JSON","found":"` + "\uFFFD" + `"}],"retries":0}]}`},
		{"/quarantine/{id}", "/quarantine/7", `"payload":"{\"to\":\"up\"}\n","payload_encoding":"text"}`},
		{"/quarantine/{id}", "/quarantine/6", `"payload":"H4sA","payload_encoding":"base64"}`},
		{"/cabinets", "/cabinets", `{"items":[{"cabinet":"a","state":"online","at":"2026-03-01T12:00:00Z","agent":"lineside 1","clock_offset_s":0.25},{"cabinet":"z","state":"offline","at":"2026-03-01T12:00:00Z"}]}`},
		{"/status", "/status", `{"version":"v1","now":"2026-03-01T12:00:00Z","demo":true,"ready":true,"turnouts":3,"learning":1,"open_alerts":2,"last_throw_at":"2026-03-01T11:59:00Z"}`},
	} {
		t.Run(c.target, func(t *testing.T) {
			r := newRig(t)
			w := r.do("GET", apiPath+c.target, "")
			body := w.Body.String()
			if w.Code != 200 || w.Header().Get("Content-Type") != "application/json" || w.Header().Get("Cache-Control") != "no-store" {
				t.Fatalf("expected 200 application/json no-store, found %d %v: %s", w.Code, w.Header(), body)
			}
			holds(t, body, c.want)
			if whole, ok := strings.CutPrefix(c.want, "{"); ok && !strings.Contains(c.want, "…") && "{"+whole != body {
				t.Errorf("expected %s\nfound    %s", c.want, body)
			}
			r.conforms("GET", c.route, "200", w.Body.Bytes())
			// The same with HEAD, without a body of its own making an error.
			if h := r.do("HEAD", apiPath+c.target, ""); h.Code != 200 {
				t.Errorf("HEAD: expected 200, found %d", h.Code)
			}
		})
	}
}

// holds looks for the parts of want, parted by …, one after the other.
func holds(t *testing.T, body, want string) {
	t.Helper()
	rest := body
	for part := range strings.SplitSeq(want, "…") {
		_, after, ok := strings.Cut(rest, part)
		if !ok {
			t.Fatalf("expected %s\nin    %s", part, body)
		}
		rest = after
	}
}

// What reaches the archive is what was asked for.
func TestAlertsQuery(t *testing.T) {
	r := newRig(t)
	r.do("GET", apiPath+"/alerts", "")
	r.do("GET", apiPath+"/alerts?state=all&turnout=W2&cursor=0&limit=7", "")
	if q := r.asked[0]; !q.OpenOnly || q.Limit != 100 || q.Turnout != "" || q.Cursor != "" {
		t.Errorf("found %+v", q)
	}
	if q := r.asked[1]; q.OpenOnly || q.Limit != 7 || q.Turnout != "W2" || q.Cursor != "0" {
		t.Errorf("found %+v", q)
	}
}

func TestProblems(t *testing.T) {
	broken := errors.New("disk 7 at /secret/place is broken")
	post := []string{"Content-Type", "application/json"}
	for _, c := range []struct {
		name, method, target, body string
		headers                    []string
		change                     func(*fake)
		status                     int
		want                       string
	}{
		{name: "bad cursor of the archive", target: "/alerts?cursor=x", status: 400, want: "query.cursor"},
		{name: "bad cursor of turnouts", target: "/turnouts?cursor=%21", status: 400, want: "query.cursor"},
		{name: "cursor of another list", target: "/turnouts?cursor=MTI", status: 400, want: "query.cursor"},
		{name: "another's cursor error", target: "/quarantine", change: func(f *fake) { f.fail = fmt.Errorf("store: %w", otherCursor{}) }, status: 400, want: "query.cursor"},
		{name: "no limit", target: "/alerts?limit=0", status: 422, want: "query.limit"},
		{name: "high limit", target: "/turnouts/W1/throws?limit=1001", status: 422, want: "query.limit"},
		{name: "unknown state", target: "/alerts?state=shut", status: 422, want: "query.state"},
		{name: "unknown parameter", target: "/alerts?form=x", status: 422, want: "query.form"},
		{name: "no time", target: "/turnouts/W1/throws?from=yesterday", status: 422, want: "query.from"},
		{name: "turned range", target: "/turnouts/W1/throws?from=2026-03-01T10:00:00Z&to=2026-03-01T10:00:00Z", status: 422, want: "query.to"},
		{name: "turned range of trends", target: "/turnouts/W1/trends?from=2026-03-01T10:00:00Z&to=2026-03-01T09:00:00Z", status: 422, want: "query.to"},
		{name: "unknown feature", target: "/turnouts/W1/trends?features=duration,weight", status: 422, want: "weight"},
		{name: "turned range of a trend", target: "/turnouts/W1/trend?to=normal&quantity=motor_current&from=2026-03-01T10:00:00Z&until=2026-03-01T09:00:00Z", status: 422, want: "query.until"},
		{name: "unknown feature of a trend", target: "/turnouts/W1/trend?to=normal&quantity=motor_current&feature=weight", status: 422, want: "query.feature"},
		{name: "trend of no end", target: "/turnouts/W1/trend?quantity=motor_current", status: 422, want: "query.to"},
		{name: "trend of an unknown end", target: "/turnouts/W1/trend?to=up&quantity=motor_current", status: 422, want: "query.to"},
		{name: "trend of an unknown quantity", target: "/turnouts/W1/trend?to=normal&quantity=weight", status: 422, want: "query.quantity"},
		{name: "unknown turnout's trend", target: "/turnouts/W9/trend?to=normal&quantity=motor_current", status: 404},
		{name: "unknown throw's likeness", target: "/throws/W9/likeness", status: 404},
		{name: "unknown turnout", target: "/turnouts/W9", status: 404},
		{name: "unknown turnout's throws", target: "/turnouts/W9/throws", status: 404},
		{name: "unknown turnout's trends", target: "/turnouts/W9/trends", status: 404},
		{name: "unknown turnout's work", target: "/turnouts/W9/work", status: 404},
		{name: "unknown throw", target: "/throws/W9", status: 404},
		{name: "unknown message", target: "/quarantine/1", status: 404},
		{name: "no number", target: "/quarantine/one", status: 422, want: "path.id"},
		{name: "unknown path", target: "/alarms", status: 404, want: "openapi"},
		{name: "unknown path below", target: "/turnouts/W1/alarms", status: 404},
		{name: "wrong method", method: "PUT", target: "/alerts", status: 405, want: "expected GET, found PUT"},
		{name: "wrong method for both", method: "DELETE", target: "/turnouts/W1/work", status: 405, want: "expected GET or POST, found DELETE"},
		{name: "retry is no read", target: "/quarantine/7/retry", status: 405, want: "expected POST, found GET"},
		{name: "broken archive", target: "/alerts", change: func(f *fake) { f.fail = broken }, status: 500, want: "the log says why"},
		{name: "broken archive of turnouts", target: "/turnouts/W1", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "broken archive of throws", target: "/turnouts/W1/throws", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "broken archive of trends", target: "/turnouts/W1/trends", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "broken archive of a trend", target: "/turnouts/W1/trend?to=normal&quantity=motor_current", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "broken archive of a likeness", target: "/throws/W1~x/likeness", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "broken archive of a throw", target: "/throws/W1~x", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "broken archive of work", target: "/turnouts/W1/work", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "broken archive of quarantine", target: "/quarantine", change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "not ready", target: "/alerts", change: func(f *fake) { f.fail, f.notReady = broken, broken }, status: 503, want: "/readyz"},

		{name: "no content type", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned"}`, status: 415},
		{name: "a form", method: "POST", target: "/turnouts/W1/work", body: `work=cleaned`, headers: []string{"Content-Type", "application/x-www-form-urlencoded"}, status: 415, want: "application/json"},
		{name: "no JSON", method: "POST", target: "/turnouts/W1/work", body: `{`, headers: post, status: 400, want: "body"},
		{name: "no body", method: "POST", target: "/turnouts/W1/work", headers: post, status: 400},
		{name: "unknown field", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned","who":"x"}`, headers: post, status: 422, want: "who"},
		{name: "unknown work", method: "POST", target: "/turnouts/W1/work", body: `{"work":"painted"}`, headers: post, status: 422, want: "body.work"},
		{name: "no work", method: "POST", target: "/turnouts/W1/work", body: `{}`, headers: post, status: 422, want: "work"},
		{name: "no date", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned","done_at":"today"}`, headers: post, status: 422, want: "body.done_at"},
		{name: "work to come", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned","done_at":"2100-01-01T00:00:00Z"}`, headers: post, status: 422, want: "body.done_at"},
		{name: "control characters", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned","note":"\u0007"}`, headers: post, status: 422, want: "body.note"},
		{name: "refused by the yard", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned"}`, headers: post, change: func(f *fake) {
			f.refuse = &ingest.Refusal{Faults: []ingest.Fault{{Path: "done_at", Expected: "a time", Found: "none"}, {Expected: "sense", Found: "none"}}}
		}, status: 422, want: `{"message":"expected a time, found none","location":"body.done_at"},{"message":"expected sense, found none","location":"body"}`},
		{name: "work at an unknown turnout", method: "POST", target: "/turnouts/W9/work", body: `{"work":"cleaned"}`, headers: post, status: 404},
		{name: "work that cannot be filed", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned"}`, headers: post, change: func(f *fake) { f.fail = broken }, status: 500},
		{name: "a long note", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned","note":"` + strings.Repeat("n", 4097) + `"}`, headers: post, status: 422, want: "body.note"},
		{name: "a huge body", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned","note":"` + strings.Repeat("n", 64<<10) + `"}`, headers: post, status: 413},
		{name: "another origin's page", method: "POST", target: "/turnouts/W1/work", body: `{"work":"cleaned"}`, headers: append([]string{"Sec-Fetch-Site", "cross-site"}, post...), status: 403, want: "origin"},
		{name: "another origin's retry", method: "POST", target: "/quarantine/7/retry", headers: []string{"Origin", "http://elsewhere.example"}, status: 403},
		{name: "unknown message again", method: "POST", target: "/quarantine/1/retry", status: 404},
		{name: "refused again", method: "POST", target: "/quarantine/7/retry", change: func(f *fake) {
			f.refuse = &ingest.Refusal{Faults: []ingest.Fault{{Path: "to", Expected: "normal or reverse", Found: "\xff"}}}
		}, status: 422, want: "payload.to"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t)
			if c.change != nil {
				c.change(r.fake)
			}
			work := len(r.fake.work)
			if c.method == "" {
				c.method = "GET"
			}
			w := r.do(c.method, apiPath+c.target, c.body, c.headers...)
			body := w.Body.String()
			var p huma.ErrorModel
			err := json.Unmarshal(w.Body.Bytes(), &p)
			if w.Code != c.status || w.Header().Get("Content-Type") != "application/problem+json" || err != nil || p.Status != c.status || p.Title != http.StatusText(c.status) || p.Detail == "" {
				t.Fatalf("expected a problem of status %d, found %d %s: %s", c.status, w.Code, w.Header().Get("Content-Type"), body)
			}
			if !strings.Contains(body, c.want) {
				t.Errorf("expected %s in %s", c.want, body)
			}
			if strings.Contains(body, "secret") {
				t.Errorf("internals are told: %s", body)
			}
			if c.status >= 500 && !strings.Contains(r.log.String(), "secret") {
				t.Errorf("the cause is not logged: %s", r.log)
			}
			if len(r.fake.work) != work || len(r.retried) != 0 {
				t.Error("something was done in spite of the problem")
			}
			if c.status == 405 && w.Header().Get("Allow") == "" {
				t.Error("no Allow header")
			}
		})
	}
}

type otherCursor struct{}

func (otherCursor) Error() string   { return "cursor of another room" }
func (otherCursor) BadCursor() bool { return true }

// A request that was given up is no fault to log.
func TestGivenUp(t *testing.T) {
	r := newRig(t, func(f *fake) { f.fail = context.Canceled })
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var se huma.StatusError
	if err := r.s.problem(ctx, context.Canceled, "read"); !errors.As(err, &se) || se.GetStatus() != 503 {
		t.Errorf("found %v", err)
	}
	if r.log.Len() > 0 {
		t.Errorf("logged: %s", r.log)
	}
}

func TestRecordWork(t *testing.T) {
	r := newRig(t)
	w := r.do("POST", apiPath+"/turnouts/W1/work", `{"work":"cleaned","done_at":"2026-03-01T10:00:00+01:00","note":"ice\nin the lock","by":"gang 1"}`, "Content-Type", "application/json; charset=utf-8")
	if w.Code != 201 || w.Body.String() != `{"done_at":"2026-03-01T10:00:00+01:00","work":"cleaned","note":"ice\nin the lock","by":"gang 1"}` {
		t.Fatalf("found %d %s", w.Code, w.Body)
	}
	r.conforms("POST", "/turnouts/{turnout}/work", "201", w.Body.Bytes())
	got := r.fake.work[0]
	want := ingest.Work{Turnout: "W1", DoneAt: noon.Add(-3 * time.Hour), Kind: ingest.Cleaned, Note: "ice\nin the lock", By: "gang 1"}
	if !got.DoneAt.Equal(want.DoneAt) {
		t.Errorf("done at %s", got.DoneAt)
	}
	if got.DoneAt = want.DoneAt; got != want {
		t.Errorf("found %+v", got)
	}
	// Without a time it was done now, by the yard's clock.
	r.do("POST", apiPath+"/turnouts/W1/work", `{"work":"other"}`, "Content-Type", "application/json", "Sec-Fetch-Site", "same-origin")
	if got := r.fake.work[0]; !got.DoneAt.Equal(noon) || got.Kind != ingest.OtherWork {
		t.Errorf("found %+v", got)
	}
}

// A baseline is started anew for a reason only, and the reason is kept.
func TestRebaseline(t *testing.T) {
	r := newRig(t)
	w := r.do("POST", apiPath+"/turnouts/W1/rebaseline", `{"reason":"other blades were fitted","by":"gang 1"}`, "Content-Type", "application/json")
	if w.Code != 201 {
		t.Fatalf("found %d %s", w.Code, w.Body)
	}
	r.conforms("POST", "/turnouts/{turnout}/rebaseline", "201", w.Body.Bytes())
	want := ingest.Work{Turnout: "W1", DoneAt: noon, Kind: ingest.Rebaselined, Note: "other blades were fitted", By: "gang 1"}
	if got := r.fake.work[0]; got != want {
		t.Errorf("found %+v", got)
	}
	for body, code := range map[string]int{`{"reason":"so"}`: 422, `{}`: 422, `{"reason":"long enough","work":"x"}`: 422} {
		if w := r.do("POST", apiPath+"/turnouts/W1/rebaseline", body, "Content-Type", "application/json"); w.Code != code {
			t.Errorf("%s: expected %d, found %d %s", body, code, w.Code, w.Body)
		}
	}
	if w := r.do("POST", apiPath+"/turnouts/none/rebaseline", `{"reason":"long enough"}`, "Content-Type", "application/json"); w.Code != 404 {
		t.Errorf("unknown turnout: found %d", w.Code)
	}
	if len(r.fake.work) == 0 || r.fake.work[0] != want {
		t.Error("a refused one was filed")
	}
}

func TestNotices(t *testing.T) {
	r := newRig(t)
	w := r.do("GET", apiPath+"/notices", "")
	if w.Code != 200 || w.Body.String() != `{"items":[]}` {
		t.Fatalf("found %d %s", w.Code, w.Body)
	}
	r.fake.notices = []detect.Notice{{Area: "ELM", What: "effort", Since: noon, Change: 7.5, Turnouts: 14, Of: 16, Said: "14 of 16"}}
	w = r.do("GET", apiPath+"/notices", "")
	if w.Code != 200 || w.Body.String() != `{"items":[{"area":"ELM","what":"effort","since":"2026-03-01T12:00:00Z","change_percent":7.5,"turnouts":14,"of":16,"said":"14 of 16"}]}` {
		t.Errorf("found %d %s", w.Code, w.Body)
	}
	r.conforms("GET", "/notices", "200", w.Body.Bytes())
}

func TestRetry(t *testing.T) {
	r := newRig(t)
	if w := r.do("POST", apiPath+"/quarantine/7/retry", ""); w.Code != 204 || w.Body.Len() != 0 || !slices.Equal(r.retried, []int64{7}) {
		t.Errorf("found %d %s, retried %v", w.Code, w.Body, r.retried)
	}
}

// A key may hold any character.
func TestKeys(t *testing.T) {
	for _, id := range []string{"plain", "a/b", "a//b", "..", "../..", ".", "%2F", "100%", "ü 雪", "?x=1#y", "+ &;", "\"'<>\\", "a\tb"} {
		r := newRig(t)
		rec := record("W1", ingest.Normal, noon, 4)
		rec.Key = "W1~" + id
		r.records["W1"] = []detect.Record{rec}
		w := r.do("GET", apiPath+"/throws/"+url.PathEscape(rec.Key), "")
		var got Throw
		if err := json.Unmarshal(w.Body.Bytes(), &struct {
			Key *string `json:"key"`
		}{&got.Key}); err != nil || w.Code != 200 || got.Key != rec.Key {
			t.Errorf("%q: found %d %s", id, w.Code, w.Body)
		}
	}
}

// Following next sees each turnout once, in order.
func TestTurnoutPages(t *testing.T) {
	r := newRig(t)
	r.fake.turnouts = nil
	for i := range 251 {
		r.fake.turnouts = append(r.fake.turnouts, detect.Summary{Turnout: fmt.Sprintf("T%03d", i)})
	}
	for _, c := range []struct {
		query string
		want  int
	}{{"limit=100", 251}, {"limit=1", 251}, {"limit=251", 251}, {"limit=10&q=t00", 10}, {"limit=3&q=t00", 10}, {"q=nothing", 0}} {
		cursor, seen, pages := "", []string{}, 0
		for {
			var list struct {
				Items []struct{ Turnout string }
				Next  string
			}
			w := r.do("GET", apiPath+"/turnouts?"+c.query+"&cursor="+url.QueryEscape(cursor), "")
			if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil {
				t.Fatalf("%s: %v", w.Body, err)
			}
			for _, it := range list.Items {
				seen = append(seen, it.Turnout)
			}
			if pages++; list.Next == "" || pages > 300 {
				break
			}
			cursor = list.Next
		}
		if len(seen) != c.want || !slices.IsSorted(seen) || len(slices.Compact(slices.Clone(seen))) != c.want {
			t.Errorf("%s: expected %d, found %d: %v", c.query, c.want, len(seen), seen)
		}
	}
}

// A throw's neighbours, with others at the very same time and far away.
func TestNeighbours(t *testing.T) {
	r := newRig(t)
	day := 24 * time.Hour
	var list []detect.Record
	for _, at := range []time.Duration{400 * day, 40 * day, day + time.Second, day, day, 1, 0} {
		list = append(list, record("W1", ingest.Normal, noon.Add(at), 4))
	}
	list[3].Key += "b"
	r.records["W1"] = list
	for i, want := range []struct{ previous, next string }{
		{list[1].Key, ""}, {list[2].Key, list[0].Key}, {list[3].Key, list[1].Key}, {list[5].Key, list[2].Key}, {list[5].Key, list[2].Key}, {list[6].Key, list[4].Key}, {"", list[5].Key},
	} {
		var got ThrowDetail
		w := r.do("GET", apiPath+"/throws/"+url.PathEscape(list[i].Key), "")
		if err := json.Unmarshal(w.Body.Bytes(), &struct{ Previous, Next *string }{&got.Previous, &got.Next}); err != nil {
			t.Fatal(err)
		}
		if got.Previous != want.previous || got.Next != want.next {
			t.Errorf("throw %d: expected %q and %q, found %q and %q", i, want.previous, want.next, got.Previous, got.Next)
		}
	}
}

// Counting all turnouts is not paid by each request.
func TestStatusCounts(t *testing.T) {
	r := newRig(t, func(f *fake) { f.notReady = errors.New("the store is full") })
	for range 20 {
		r.do("GET", apiPath+"/status", "")
	}
	if r.calls > 2 {
		t.Errorf("counted %d times", r.calls)
	}
	if w := r.do("GET", apiPath+"/status", ""); !strings.Contains(w.Body.String(), `"ready":false,"reason":"the store is full"`) {
		t.Errorf("found %s", w.Body)
	}
}

// The description is a promise to others: it changes only when the golden file does.
func TestOpenAPI(t *testing.T) {
	r := newRig(t)
	w := r.do("GET", "/api/openapi.json", "")
	if w.Code != 200 || w.Header().Get("Content-Type") != "application/json" {
		t.Fatalf("found %d %v", w.Code, w.Header())
	}
	var doc map[string]any
	if err := json.Unmarshal(w.Body.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if v, _ := doc["openapi"].(string); !strings.HasPrefix(v, "3.1") {
		t.Errorf("version %v", doc["openapi"])
	}
	schemas := doc["components"].(map[string]any)["schemas"].(map[string]any)
	var refs func(v any)
	refs = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			if ref, ok := v["$ref"].(string); ok && schemas[strings.TrimPrefix(ref, "#/components/schemas/")] == nil {
				t.Errorf("%s leads nowhere", ref)
			}
			for _, x := range v {
				refs(x)
			}
		case []any:
			for _, x := range v {
				refs(x)
			}
		}
	}
	refs(doc)
	pretty, err := json.MarshalIndent(doc, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join("..", "..", "testdata", "openapi.json")
	if *update {
		if err := os.WriteFile(golden, append(pretty, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != string(pretty)+"\n" {
		t.Errorf("the description differs from %s; if that is meant: go test ./alerting/screen -run OpenAPI -update", golden)
	}
}
