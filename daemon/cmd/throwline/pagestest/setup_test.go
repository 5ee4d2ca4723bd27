package pagestest

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// stage is a program with accounts, routes and targets, someone logged in as
// its first administrator, and cabinets that send.
type stage struct {
	t       *testing.T
	program *serving
	cab     *cabinet
	ctx     context.Context
	told    *atomic.Int64 // messages that the target "office" got
}

func newStage(t *testing.T) *stage {
	t.Helper()
	s := &stage{t: t, told: &atomic.Int64{}}
	office := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		s.told.Add(1)
	}))
	t.Cleanup(office.Close)
	closed := httptest.NewServer(http.NotFoundHandler())
	closed.Close() // an address where nobody listens
	secret := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(secret, []byte("a secret of many bytes"), 0o600); err != nil {
		t.Fatal(err)
	}
	s.program, s.cab = begin(t, fmt.Sprintf(`access: {mode: accounts}
targets:
  office: {webhook: {url: %q, secret_file: %q}}
  gone: {webhook: {url: %q, secret_file: %q}}
routes:
  - {name: all of it, targets: [office], remind: 4h, escalate: [{after: 1h, targets: [gone]}]}
  - {name: east at night, match: {areas: [EAST], priorities: [high, medium]}, hours: {zone: Europe/Oslo, days: [mon, tue, wed, thu, fri], from: "22:00", to: "06:00"}, targets: [gone]}
`, office.URL, secret, closed.URL, secret))
	// What is refused is answered with 4 hundred something, a trial in vain with 502; Chromium calls each an error.
	s.ctx = browser(t, "the server responded with a status of 4", "the server responded with a status of 502")
	do(t, s.ctx, "come in", chromedp.EmulateViewport(1280, 900), chromedp.Navigate(s.program.setup), arrives(`document.activeElement?.id === "welcome-name"`),
		chromedp.KeyEvent("chief"+kb.Tab+kb.Tab+"points need grease"+kb.Enter), arrives(`location.pathname === "/" && document.querySelector("#me")?.innerText === "chief"`))
	return s
}

// open goes to a page and waits for its heading.
func (s *stage) open(path, heading string) chromedp.Action {
	return chromedp.Tasks{chromedp.Navigate(s.program.page + path), arrives(fmt.Sprintf(`document.querySelector("h1")?.innerText === %q && document.querySelector("#me")?.innerText === "chief"`, heading))}
}

func (s *stage) do(what string, actions ...chromedp.Action) {
	s.t.Helper()
	do(s.t, s.ctx, what, actions...)
}

// state says how a cabinet is.
func (s *stage) state(name string, online bool, at time.Time, offset float64) {
	s.t.Helper()
	s.cab.send(mqtt.StateTopic("throwline/v1", name), wire.AppendState(nil, &ingest.CabinetState{Online: online, At: at, Agent: "lineside 1", ClockOffset: ingest.Known(offset)}))
}

// api asks as the one who is logged in, and gives the answer as text.
func (s *stage) api(method, path, kind, body string) string {
	s.t.Helper()
	var text string
	s.do(method+" "+path, chromedp.Evaluate(fmt.Sprintf(`fetch(%q, {method: %q, headers: {"content-type": %q}, body: %s}).then(async (r) => r.status + " " + await r.text())`,
		path, method, kind, map[bool]string{true: "undefined", false: fmt.Sprintf("%q", body)}[body == ""]), &text, awaited))
	return text
}

func awaited(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }

// keys types keys, one after the other, on what has the focus.
func keys(list ...string) chromedp.Action {
	tasks := chromedp.Tasks{}
	for _, k := range list {
		tasks = append(tasks, chromedp.KeyEvent(k))
	}
	return tasks
}

// look takes a page at three widths in both schemes: nothing hangs over the
// edge, axe-core finds nothing. prepare brings it to what is to be seen.
func (s *stage) look(name, path, heading string, prepare ...chromedp.Action) {
	s.t.Helper()
	for _, width := range []int64{360, 1280, 3840} {
		for _, scheme := range []string{"light", "dark"} {
			var over float64
			full := fmt.Sprintf("setup-%s-%d-%s", name, width, scheme)
			height := map[bool]int64{true: 2000, false: 900}[width > 2000]
			s.do(full, chromedp.EmulateViewport(width, height),
				emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
				s.open(path, heading), chromedp.Tasks(prepare), chromedp.Sleep(300*time.Millisecond),
				chromedp.Evaluate(`document.documentElement.scrollWidth - document.documentElement.clientWidth`, &over),
				picture(s.t, full), accessible(s.t, full))
			if over > 0 {
				s.t.Errorf("%s: %g px hang over the edge", full, over)
			}
		}
	}
	s.do("back to a desk", chromedp.EmulateViewport(1280, 900), emulation.SetEmulatedMedia())
}

// A small railway: some turnouts learn, one calls, a cabinet is silent.
func (s *stage) throws() {
	s.t.Helper()
	start := time.Now().Add(-20 * 24 * time.Hour).Truncate(time.Second)
	for i := range 150 {
		at := start.Add(time.Duration(i) * 3 * time.Hour)
		s.cab.throw("EAST-W07", 0, true, at)
		s.cab.throw("EAST-W08", 0, true, at.Add(time.Minute))
	}
	for i := range 7 {
		s.cab.throw("WEST-W01", 0, true, time.Now().Add(time.Duration(i-10)*time.Minute))
	}
	s.cab.throw("EAST-W08", 0.1, false, time.Now().Add(-time.Minute))
	now := time.Now()
	s.state("cab-1", true, now, 0.02)
	s.state("cab-2", false, now.Add(-3*time.Hour), 2.5)
	s.cab.send("throwline/v1/cab-2/throw/EAST-W09", []byte(`{"turnout":"EAST-W10","to":"left"}`))
}

// The navigation: three groups, and one button for them where there is no room.
func TestSetUpNavigation(t *testing.T) {
	s := newStage(t)
	s.do("all is in sight", arrives(`["Watch", "Work", "Set up"].every((g) => document.querySelector("#sheets").innerText.includes(g)) && document.querySelector("#sheets a[href='/audit']").offsetParent != null`),
		chromedp.Click(`#sheets a[href="/registry"]`, chromedp.ByQuery), arrives(`document.querySelector("#sheets [aria-current=page]")?.innerText === "Registry"`))
	s.do("one button", chromedp.EmulateViewport(360, 800), arrives(`document.querySelector("#sheets a").offsetParent == null && document.querySelector(".where").innerText.includes("Registry")`),
		chromedp.Focus("#show-sheets", chromedp.ByQuery), keys(kb.Enter), arrives(`document.querySelector("#show-sheets").ariaExpanded === "true" && document.querySelector("#sheets a").offsetParent != null`),
		accessible(t, "open sheets"), picture(t, "setup-sheets-360"),
		keys(kb.Escape), arrives(`document.querySelector("#sheets a").offsetParent == null && document.activeElement.id === "show-sheets"`),
		keys(kb.Enter), chromedp.Click(`#sheets a[href="/windows"]`, chromedp.ByQuery), arrives(`location.pathname === "/windows" && document.querySelector("#sheets a").offsetParent == null`))
}

// The registry from nothing: add with one touch, edit, drop, and a file.
func TestSetUpRegistry(t *testing.T) {
	s := newStage(t)
	s.throws()
	s.do("what throws is not yet said", s.open("/registry", "Registry"), arrives(`["EAST-W07", "EAST-W08", "WEST-W01"].every((n) => document.querySelector("#unsaid [data-add='" + n + "']"))`))
	s.do("added with one touch", chromedp.Focus(`[data-add="EAST-W07"]`, chromedp.ByQuery), keys(kb.Enter),
		arrives(`document.querySelector("#registry tr[data-turnout='EAST-W07']") && document.activeElement.dataset.add === "EAST-W08"`))
	s.do("edited in place, with the keyboard", chromedp.Focus(`tr[data-turnout="EAST-W07"] [data-act=edit]`, chromedp.ByQuery), keys(kb.Enter),
		arrives(`document.activeElement.id === "edit-area"`), keys("EAST", kb.Tab, "main", kb.Tab, "1", ".", "5", kb.Tab, "h", kb.Tab, "4", kb.Tab, "6", kb.Tab, "2", "0", kb.Tab, kb.Tab, "greased in spring"),
		keys(kb.Tab, kb.Enter),
		arrives(`/EAST.*main.*1.5.*hydraulic.*4 large.*6\ss, \+20\s%.*greased in spring/s.test(document.querySelector("tr[data-turnout='EAST-W07']").innerText) && document.activeElement.dataset.act === "edit"`))
	if got := s.api("GET", "/api/v1/places/EAST-W07", "application/json", ""); !strings.Contains(got, `"line":"main","position":1.5,"drive":"hydraulic","criticality":4,"throw_time_s":6,"effort_rise_percent":20,"notes":"greased in spring"`) {
		t.Errorf("found %s", got)
	}
	s.do("left with Escape", keys(kb.Enter), arrives(`document.activeElement.id === "edit-area"`), keys("x", kb.Escape), arrives(`document.activeElement.dataset.act === "edit" && !document.querySelector(".editing")`))
	s.do("what is wrong is told at its field", chromedp.Click("#add-place", chromedp.ByQuery), arrives(`document.activeElement.id === "place-turnout"`), keys(kb.Enter),
		arrives(`document.querySelector("#place-turnout-wrong").innerText.includes("fill this in")`), keys("a turnout", kb.Enter), arrives(`document.querySelector("#place-turnout-wrong").innerText.includes("Expected 1 to 64")`))
	s.do("added by name", typed("#place-turnout", "EAST-W99"), typed("#place-line", "main"), keys(kb.Enter), arrives(`document.querySelector("tr[data-turnout='EAST-W99']") != null`))
	s.do("dropped, when asked twice", chromedp.Click(`tr[data-turnout="EAST-W99"] [aria-label="Drop EAST-W99"]`, chromedp.ByQuery),
		arrives(`document.querySelector("tr[data-turnout='EAST-W99'] [data-sure]").innerText === "Sure?"`), keys(kb.Enter), arrives(`!document.querySelector("tr[data-turnout='EAST-W99']")`))

	// A file: first what is wrong, then what it changes, then sent.
	file := filepath.Join(t.TempDir(), "places.csv")
	bring := func(text string) chromedp.Action {
		return chromedp.ActionFunc(func(ctx context.Context) error {
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				return err
			}
			return chromedp.SetUploadFiles("#places-file", []string{file}, chromedp.ByQuery).Do(ctx)
		})
	}
	s.do("a file with faults", s.open("/registry", "Registry"), arrives(`document.querySelector("tr[data-turnout='EAST-W07']") != null`),
		bring("turnout,area,criticality\nEAST-W07,EAST,9\nEAST-W08,EAST,2\nbad name,EAST,x\n"), arrives(`document.querySelector("#places-send") != null`),
		chromedp.Click("#places-send", chromedp.ByQuery),
		arrives(`[...document.querySelectorAll("#file-errors tbody tr")].map((r) => r.cells[0].innerText + r.cells[1].innerText).join() === "2criticality,4turnout,4criticality"`),
		chromedp.ScrollIntoView("#file-errors", chromedp.ByQuery), picture(t, "setup-file-errors"), accessible(t, "file errors"))
	s.do("what it changes", bring("turnout;area;line;position;criticality\nEAST-W08;EAST;main;2,5;2\nWEST-W01;WEST;;;\n"),
		arrives(`/adds 2, changes 0, drops 1, leaves 0/.test(document.querySelector("#places-preview").innerText) && document.querySelector("[data-change=dropped]").innerText.includes("EAST-W07")`),
		picture(t, "setup-file-preview"), accessible(t, "file preview"), chromedp.Click("#places-send", chromedp.ByQuery),
		arrives(`document.querySelector("#places-preview").innerText.includes("2 turnouts now")`), arrives(`document.querySelector("tr[data-turnout='EAST-W08']")?.innerText.includes("2.5") && !document.querySelector("tr[data-turnout='EAST-W07']")`))
	if got := s.api("GET", "/api/v1/places.csv", "text/csv", ""); !strings.Contains(got, "EAST-W08,EAST,main,2.5,") {
		t.Errorf("found %s", got)
	}
	s.look("registry", "/registry", "Registry", arrives(`document.querySelector("tr[data-turnout='EAST-W08']") != null`), chromedp.Click(`tr[data-turnout="EAST-W08"] [data-act=edit]`, chromedp.ByQuery), arrives(`document.querySelector(".editing") != null`))
}

// The fleet: a small one with every mark told, then five thousand.
func TestSetUpFleet(t *testing.T) {
	s := newStage(t)
	s.throws()
	s.api("PUT", "/api/v1/places/EAST-W07", "application/json", `{"area":"EAST","line":"main","position":1}`)
	s.api("PUT", "/api/v1/places/EAST-W08", "application/json", `{"area":"EAST","line":"main","position":2}`)
	s.api("PUT", "/api/v1/places/EAST-W06", "application/json", `{"area":"EAST","line":"main","position":3}`)
	s.api("PUT", "/api/v1/places/EAST-W01", "application/json", `{"area":"EAST","line":"yard","out_of_service":true}`)
	mark := func(name string) string { return `document.querySelector(".spot[data-turnout='` + name + `']")` }
	s.do("the marks", s.open("/turnouts", "Turnouts"),
		arrives(mark("EAST-W08")+`?.dataset.state === "calls" && `+mark("EAST-W08")+`.querySelector("i").dataset.letter === "C"`),
		arrives(mark("EAST-W08")+`.ariaLabel.includes("calls now: incomplete throw, ")`),
		arrives(mark("WEST-W01")+`.dataset.state === "learning" && /learning, \d+ throws missing \(\d+ to normal, \d+ to reverse\)/.test(`+mark("WEST-W01")+`.ariaLabel)`),
		arrives(mark("EAST-W06")+`.dataset.state === "unheard" && `+mark("EAST-W01")+`.dataset.state === "out"`),
		arrives(`[...document.querySelectorAll(".fleet-row[data-row*='main'] .spot")].map((m) => m.dataset.turnout).join() === "EAST-W07,EAST-W08,EAST-W06"`),
		arrives(`document.querySelector("#still-learning summary").innerText.includes("still learning")`))
	s.do("the cabinets", arrives(`/1 cabinet online.*1 silent: cab-2 for 3 h.*wrong clock: cab-2 2.50.*1 message refused/s.test(document.querySelector("#cabinet-strip").innerText)`))
	s.do("between marks with the keyboard", chromedp.Focus(".spot", chromedp.ByQuery), arrives(`document.activeElement.dataset.turnout === "EAST-W07"`),
		keys(kb.ArrowRight), arrives(`document.activeElement.dataset.turnout === "EAST-W08" && document.querySelector("#pointed").innerText.includes("EAST-W08")`),
		keys(kb.End), arrives(`document.activeElement.dataset.turnout === "EAST-W06"`), keys(kb.Home, kb.ArrowDown), arrives(`document.activeElement.dataset.turnout === "EAST-W01"`),
		keys(kb.ArrowUp, kb.PageDown, kb.PageDown), arrives(`document.activeElement.dataset.turnout === "WEST-W01"`), keys(kb.Enter), arrives(`location.pathname === "/turnouts/WEST-W01"`))
	s.do("a silent cabinet, found", s.open("/turnouts", "Turnouts"), arrives(`document.querySelector("#cabinet-strip a[href*='cab-2']") != null`), chromedp.Click(`#cabinet-strip a[href*="cab-2"]`, chromedp.ByQuery),
		arrives(`document.querySelector("tr.sought")?.dataset.cabinet === "cab-2" && /silent.*3 h.*2.50.*wrong clock.*1/s.test(document.querySelector("tr.sought").innerText)`))
	s.look("cabinets", "/cabinets", "Cabinets", arrives(`document.querySelector("tr[data-state=silent]") != null`))
	s.look("fleet-small", "/turnouts?view=map", "Turnouts", arrives(mark("EAST-W08")+` != null && document.querySelector("#still-learning summary") != null`), chromedp.Focus(".spot[data-state=calls]", chromedp.ByQuery))
	s.look("fleet-list", "/turnouts?view=list", "Turnouts", arrives(`document.querySelector(".fleet-table tr[data-turnout='EAST-W08']") != null`))

	// Five thousand places on twenty lines.
	csv := strings.Builder{}
	csv.WriteString("turnout,area,line,position,criticality,out_of_service\n")
	for i := range 5000 {
		area, line := i/1250, i/250
		out := ""
		if i%97 == 0 {
			out = "yes"
		}
		fmt.Fprintf(&csv, "%c-W%04d,area %c,line %d,%d,%d,%s\n", 'A'+area, i, 'A'+area, line, i%250, i%6, out)
	}
	if got := s.api("PUT", "/api/v1/places.csv", "text/csv", csv.String()); !strings.HasPrefix(got, "200") {
		t.Fatalf("found %s", got)
	}
	const shown = `+document.querySelector("#turnouts").dataset.shown`
	s.do("five thousand marks", s.open("/turnouts?view=map", "Turnouts"), arrives(`document.querySelectorAll(".spot").length === 5003`), arrives(shown+` === 5003`),
		arrives(`[...document.querySelectorAll(".fleet-area h2")].map((x) => x.innerText).join() === "EAST,WEST,area A,area B,area C,area D"`))
	s.do("one line of one area", chromedp.SetValue("#filter-area", "area B", chromedp.ByQuery), chromedp.Evaluate(`document.querySelector("#filter-area").dispatchEvent(new Event("change"))`, nil), arrives(shown+` === 1250`),
		chromedp.SetValue("#filter-line", "line 7", chromedp.ByQuery), chromedp.Evaluate(`document.querySelector("#filter-line").dispatchEvent(new Event("change"))`, nil), arrives(shown+` === 250 && document.querySelectorAll(".spot").length === 250`),
		arrives(`new URLSearchParams(location.search).get("line") === "line 7"`))
	s.do("a state, a text", s.open("/turnouts?view=map", "Turnouts"), arrives(shown+` === 5003`), chromedp.Click(`[data-filter=out]`, chromedp.ByQuery), arrives(shown+` === 52`),
		chromedp.Click(`[data-filter=out]`, chromedp.ByQuery), chromedp.SendKeys("#filter", "D-W4", chromedp.ByQuery), arrives(shown+` === 1000`))
	s.do("worst first", s.open("/turnouts?view=map", "Turnouts"), chromedp.Click("#order-1", chromedp.ByQuery), arrives(`document.querySelector(".spot").dataset.turnout === "EAST-W08" && document.querySelectorAll(".spot").length === 5003`))
	s.do("as a list", chromedp.Click("#view-1", chromedp.ByQuery), arrives(`document.querySelectorAll(".fleet-table tbody tr").length === 250 && document.querySelector(".fleet-table tbody tr").dataset.turnout === "EAST-W08"`),
		chromedp.Click("#view-0", chromedp.ByQuery))
	s.look("fleet", "/turnouts?view=map&area=area+B", "Turnouts", arrives(shown+` === 1250`))
}

// A window: written with a preview over a change of the clocks, entered, ended, dropped.
func TestSetUpWindows(t *testing.T) {
	s := newStage(t)
	s.throws()
	s.do("an alert stands", s.open("/windows", "Windows"), arrives(`fetch("/api/v1/alerts?state=live").then((r) => r.json()).then((l) => { window.standing = l.items.length; }) && window.standing > 0`))
	oslo, err := time.LoadLocation("Europe/Oslo")
	if err != nil {
		t.Fatal(err)
	}
	// Every week from the Saturday before the clocks change next.
	at := time.Now().In(oslo)
	at = time.Date(at.Year(), at.Month(), at.Day()+1, 23, 0, 0, 0, oslo)
	_, first := at.Zone()
	for _, off := at.Zone(); ; _, off = at.AddDate(0, 0, 1).Zone() {
		if off != first || at.AddDate(0, 0, 1).Sub(at) != 24*time.Hour {
			break
		}
		at = at.AddDate(0, 0, 1)
	}
	fill := func(id, value string) chromedp.Action {
		return chromedp.Evaluate(fmt.Sprintf(`{ const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("input", {bubbles: true})); }`, "#window-"+id, value), nil)
	}
	s.do("the form", chromedp.Click("#add-window", chromedp.ByQuery), arrives(`document.activeElement.id === "window-name"`), keys("East works"),
		arrives(`document.querySelector("#window-zone").value === Intl.DateTimeFormat().resolvedOptions().timeZone`),
		typed("#window-areas", "EAST"), typed("#window-turnouts", "EAST-W0?"), fill("zone", "Europe/Oslo"), fill("start", at.Format("2006-01-02T15:04")), fill("hours", "8"), fill("repeat", "WEEKLY"),
		arrives(`/^Every Saturday, for 8 h FREQ=WEEKLY;BYDAY=SA$/.test(document.querySelector("#rule-words").innerText)`),
		arrives(`document.querySelectorAll("#starts tbody tr").length === 5 && new Set([...document.querySelectorAll("#starts td:first-child time")].map((x) => x.dataset.offset)).size === 2`),
		arrives(`[...document.querySelectorAll("#starts td:first-child")].every((x) => x.innerText.includes("23:00"))`),
		arrives(`document.querySelector("#starts .clocks") != null`),
		arrives(`/It takes in 2 turnouts: EAST-W07 and EAST-W08/.test(document.querySelector("#window-preview").innerText) && /would hide [1-9]/.test(document.querySelector("#window-preview").innerText)`),
		picture(t, "setup-window-form"))
	s.do("months, until, a number of times", fill("repeat", "MONTHLY"), fill("month-day", "-1SA"), fill("ends", "count"), fill("times", "3"),
		arrives(`document.querySelector("#rule-words").innerText.includes("FREQ=MONTHLY;BYDAY=-1SA;COUNT=3") && document.querySelector("#rule-words").innerText.includes("every month on the last Saturday, 3 times".replace("e", "E"))`),
		arrives(`document.querySelectorAll("#starts tbody tr").length === 3`))
	s.do("a wrong zone", fill("zone", "Europe/Nowhere"), arrives(`document.querySelector("#window-preview .failure")?.innerText.includes("zone")`),
		chromedp.Click("#window button[type=submit]", chromedp.ByQuery), arrives(`!document.querySelector("#window-zone-wrong").hidden && document.activeElement.id === "window-zone"`), fill("zone", "Europe/Oslo"))
	s.do("entered", fill("repeat", "WEEKLY"), fill("ends", ""), chromedp.Click("#window button[type=submit]", chromedp.ByQuery),
		arrives(`/East works.*next Sat.*23:00.*all alerts at turnouts EAST-W0\?, of area EAST.*every Saturday, from 23:00 for 8 h, Europe\/Oslo/s.test(document.querySelector("#windows").innerText)`),
		arrives(`document.activeElement.ariaLabel === "Change East works"`))

	// One that holds now, daily: ended, it begins again tomorrow; and one for once, which is over then.
	begun := time.Now().UTC().Add(-2 * time.Hour)
	for _, w := range []struct{ name, repeat string }{{"nightly", `,"repeat":"FREQ=DAILY;COUNT=5"`}, {"today", ""}} {
		got := s.api("POST", "/api/v1/windows", "application/json", fmt.Sprintf(`{"name":%q,"match":{"areas":["EAST"]},"zone":"UTC","start":%q,"duration_minutes":360%s}`, w.name, begun.Format("2006-01-02T15:04"), w.repeat))
		if !strings.HasPrefix(got, "201") {
			t.Fatalf("found %s", got)
		}
	}
	s.do("they hold", s.open("/windows", "Windows"), arrives(`document.querySelectorAll("[data-active=true]").length === 2 && /It hides [1-9]\d* alerts? now/.test(document.querySelector("[data-active=true]").innerText)`),
		arrives(`document.querySelector("#windows-said").innerText === "3 windows, 2 hold now"`))
	s.look("windows", "/windows", "Windows", arrives(`document.querySelectorAll("[data-active=true] .hides-now").length === 2`), chromedp.Click(`[aria-label="Change nightly"]`, chromedp.ByQuery), arrives(`document.querySelectorAll("#starts tbody tr").length === 4`))
	s.do("end them", s.open("/windows", "Windows"))
	for _, name := range []string{"nightly", "today"} {
		button := fmt.Sprintf(`[aria-label="End now: %s"]`, name)
		s.do("end "+name, chromedp.WaitVisible(button, chromedp.ByQuery), chromedp.Focus(button, chromedp.ByQuery), keys(kb.Enter, kb.Enter), arrives(fmt.Sprintf(`document.querySelector("#windows-trouble").innerText.includes(%q)`, name+"” has ended")))
	}
	s.do("ended", arrives(`document.querySelectorAll("[data-active=true]").length === 0 && [...document.querySelectorAll("[data-over=true]")].map((x) => x.querySelector("h2").innerText).join() === "today"`))
	if got := s.api("GET", "/api/v1/windows", "application/json", ""); !strings.Contains(got, "FREQ=DAILY;COUNT=4") || !strings.Contains(got, `"duration_minutes":12`) {
		t.Errorf("expected four times left and one cut short, found %s", got)
	}
	s.do("dropped", chromedp.Focus(`[aria-label="Drop today"]`, chromedp.ByQuery), keys(kb.Enter, kb.Enter), arrives(`!document.querySelector("#windows").innerText.includes("today")`))
}

// Routes: in words, tried, and asked of; then what was entered of all that.
func TestSetUpRoutes(t *testing.T) {
	s := newStage(t)
	s.throws()
	s.do("in words", s.open("/routes", "Routes"),
		arrives(`/All alerts at every turnout. Told: office, at any hour.*While nobody acknowledges: a reminder every 4 h and after 1 h also gone/s.test(document.querySelector("[data-route='all of it']").innerText)`),
		arrives(`/High or medium priority at area EAST. Told: gone, Monday to Friday from 22:00 to 06:00 of the next day \(Europe\/Oslo\)/.test(document.querySelector("[data-route='east at night']").innerText)`))
	before := s.told.Load()
	s.do("a trial", chromedp.Click(`[data-target="office"] [data-act=try]`, chromedp.ByQuery), arrives(`document.querySelector("#tried").innerText.includes("got through")`))
	if s.told.Load() <= before {
		t.Error("expected the office to have got a message, found none")
	}
	s.do("a trial in vain", chromedp.Click(`[data-target="gone"] [data-act=try]`, chromedp.ByQuery), arrives(`/did not get through.*refused/s.test(document.querySelector("#tried").innerText)`), picture(t, "setup-trial"))
	s.do("who gets this", typed("#who-turnout", "WEST-W01"), chromedp.SetValue("#who-priority", "low", chromedp.ByQuery), keys(kb.Enter),
		arrives(`/At once: office\./.test(document.querySelector("#who-answer").innerText) && /tells nobody at once.*area: expected EAST, found WEST/s.test(document.querySelector("#who-answer [data-route='east at night']").innerText)`))
	s.do("of no turnout", typed("#who-turnout", "NOWHERE"), keys(kb.Enter), arrives(`document.querySelector("#who-turnout-wrong").innerText.includes("known")`))
	s.look("routes", "/routes", "Routes", arrives(`document.querySelectorAll("#targets tbody tr").length === 2`), typed("#who-turnout", "EAST-W07"), keys(kb.Enter), arrives(`document.querySelectorAll("#who-answer li").length === 2`))

	s.api("PUT", "/api/v1/places/EAST-W07", "application/json", `{"area":"EAST"}`)
	var alert string
	s.do("an alert", chromedp.Evaluate(`fetch("/api/v1/alerts?turnout=EAST-W08").then((r) => r.json()).then((l) => l.items[0].id)`, &alert, awaited))
	if got := s.api("POST", "/api/v1/alerts/"+alert+"/acknowledge", "application/json", `{"note":"on my way"}`); !strings.HasPrefix(got, "200") {
		t.Fatalf("found %s", got)
	}
	s.do("the journal", s.open("/journal", "Journal"), arrives(`/acknowledged.*on my way.*chief/s.test(document.querySelector("#journal").innerText) && document.querySelector("[data-action=raised]") && document.querySelector("[data-action=deliver]")`))
	s.do("what people did", chromedp.SetValue("#journal-kind", "people", chromedp.ByQuery), chromedp.Evaluate(`document.querySelector("#journal-kind").dispatchEvent(new Event("input"))`, nil),
		arrives(`document.querySelectorAll("#journal li").length === 1 && new URLSearchParams(location.search).get("kind") === "people"`),
		typed("#journal-by", "nobody"), arrives(`document.querySelector("#journal-said").innerText === "nothing like that was entered"`),
		typed("#journal-by", "chi"), typed("#journal-turnout", "EAST-W07"), arrives(`document.querySelectorAll("#journal li").length === 0`),
		typed("#journal-turnout", "EAST-W08"), arrives(`document.querySelectorAll("#journal li").length === 1`))
	s.look("journal", "/journal", "Journal", arrives(`document.querySelector("[data-action=raised]") != null`))
	s.do("the audit", s.open("/audit", "Audit"), arrives(`/place EAST-W07/.test(document.querySelector("#audit").innerText) && document.querySelector("#audit").innerText.includes("chief")`),
		chromedp.SendKeys("#audit-filter", "place", chromedp.ByQuery), arrives(`[...document.querySelectorAll("#audit li")].every((x) => x.innerText.includes("place")) && /of \d+ lines/.test(document.querySelector("#audit-said").innerText)`))
	s.look("audit", "/audit", "Audit", arrives(`document.querySelectorAll("#audit li").length > 0`))
}
