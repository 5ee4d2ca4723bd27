package pagestest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"regexp"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// shows holds a section of the control room's list against what it should say.
func shows(section, text string) chromedp.Action {
	return arrives(fmt.Sprintf(`document.querySelector("#cases-%s")?.innerText.includes(%q)`, section, text))
}

// lacks is the opposite of shows.
func lacks(section, text string) chromedp.Action {
	return arrives(fmt.Sprintf(`!document.querySelector("#cases-%s").innerText.includes(%q)`, section, text))
}

// pressed is a key that the page takes for itself. Chromium's debugger would
// send its letter on even where the page has prevented that.
func pressed(key string) chromedp.Action {
	return chromedp.Tasks{input.DispatchKeyEvent(input.KeyRawDown).WithKey(key), input.DispatchKeyEvent(input.KeyUp).WithKey(key)}
}

// tell posts to the API beside the browser.
func (s *serving) tell(t *testing.T, path string, body any, want int) {
	t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.Post(s.page+path, "application/json", bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != want {
		t.Fatalf("POST %s: expected %d, found %d", path, want, res.StatusCode)
	}
}

// id returns that of a turnout's alert that lives.
func (s *serving) id(t *testing.T, turnout string) string {
	t.Helper()
	var list struct{ Items []struct{ ID string } }
	s.ask(t, "/api/v1/alerts?state=live&turnout="+turnout, &list)
	if len(list.Items) != 1 {
		t.Fatalf("%s: expected one alert, found %d", turnout, len(list.Items))
	}
	return list.Items[0].ID
}

// readers returns how many event streams are open.
func (s *serving) readers(t *testing.T) string {
	t.Helper()
	res, err := http.Get(s.page + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	if m := regexp.MustCompile(`(?m)^throwline_event_stream_readers (\d+)`).FindSubmatch(b); m != nil {
		return string(m[1])
	}
	return "no such metric"
}

// The control room's work on real alerts, by keyboard alone.
func TestControlRoom(t *testing.T) {
	program, cab := begin(t)
	at := time.Now().Add(-2 * time.Hour).Truncate(time.Second)
	throw := func(turnout string, completed bool) {
		at = at.Add(30 * time.Second)
		cab.throw(turnout, 0, completed, at)
	}
	turnouts := []string{"ORR-W01", "ORR-W02", "ORR-W03", "ORR-W04", "ORR-W05", "ORR-W06"}
	for _, w := range turnouts {
		throw(w, true)
		throw(w, true)
	}

	// What the server refuses and that it is gone are called errors by Chromium.
	ctx := browser(t, "the server responded with a status of 4", "net::ERR_", "status of 503")
	do(t, ctx, "calm", chromedp.EmulateViewport(1280, 900), chromedp.Navigate(program.page+"/"),
		arrives(`document.querySelector("#calm")?.offsetParent != null && document.querySelector("#calm").innerText.includes("does not mean healthy")`),
		arrives(`document.documentElement.dataset.stream === "open"`),
		arrives(`document.querySelector("#rates-line")?.innerText.includes("an hour")`),
		accessible(t, "calm"), picture(t, "control-calm"))

	// Sound: held back until someone touches the page, and said so.
	do(t, ctx, "sound", arrives(`document.documentElement.dataset.sound === "held" && document.querySelector("#sound-held").offsetParent != null`),
		chromedp.Click("#sound-release", chromedp.ByQuery),
		arrives(`document.documentElement.dataset.sound === "armed" && document.querySelector("#sound-held").offsetParent == null`),
		arrives(`/Sound armed\s+checked \d\d:\d\d:\d\d/.test(document.querySelector("#sound").innerText)`),
		arrives(`document.documentElement.dataset.sounded === "other high"`))

	// A new alert: seen and heard without a reload, acknowledged in one key.
	do(t, ctx, "mark the page", chromedp.Evaluate(`window.sameDocument = true`, nil))
	throw("ORR-W01", false)
	do(t, ctx, "a new alert", shows("calls", "ORR-W01"), shows("calls", "Incomplete throw"), shows("calls", "not acknowledged"),
		arrives(`document.title.startsWith("(1 unacknowledged)")`),
		arrives(`document.documentElement.dataset.sounded === "other high high"`),
		accessible(t, "one call"), picture(t, "control-call"),
		pressed("a"), arrives(`document.activeElement?.id === "your-name"`), accessible(t, "who are you"),
		chromedp.KeyEvent("Desk two"+kb.Enter),
		shows("acknowledged", "ORR-W01"), shows("acknowledged", "Desk two"), lacks("calls", "ORR-W01"),
		arrives(`!document.title.includes("unacknowledged") && window.sameDocument === true`))

	// A note, which asks for no name any more; Escape leaves a dialog and does nothing.
	do(t, ctx, "a note", pressed("n"), arrives(`document.activeElement?.id === "note-text"`), chromedp.KeyEvent(kb.Escape),
		arrives(`document.querySelector("dialog.ask") == null`),
		pressed("n"), arrives(`document.activeElement?.id === "note-text"`), chromedp.KeyEvent(kb.Enter),
		arrives(`document.querySelector("#note-text-wrong").innerText.includes("fill this in")`),
		chromedp.KeyEvent("patrol asked to look at a train's pause"+kb.Enter),
		shows("acknowledged", "patrol asked to look"), shows("acknowledged", "Desk two"))

	// Shelving: a reason is asked for; then it is hidden, and said until when.
	throw("ORR-W02", false)
	do(t, ctx, "shelve", shows("calls", "ORR-W02"), chromedp.KeyEvent(kb.ArrowUp+kb.ArrowUp+kb.ArrowUp),
		arrives(`document.activeElement?.matches("article[data-turnout=ORR-W02]")`),
		pressed("s"), arrives(`document.activeElement?.id === "shelve-why"`), accessible(t, "shelving"), picture(t, "control-shelve"),
		chromedp.KeyEvent(kb.Enter), arrives(`document.querySelector("#shelve-why-wrong").innerText.includes("fill this in")`),
		chromedp.KeyEvent("works on the drive"+kb.Tab+kb.ArrowDown+kb.Enter), lacks("calls", "ORR-W02"),
		arrives(`document.querySelector(".part[data-part=hidden]").offsetParent != null && document.querySelector(".part[data-part=hidden] .number").innerText === "1"`),
		chromedp.Focus(`.part[data-part=hidden] > summary`, chromedp.ByQuery), chromedp.KeyEvent(kb.Enter),
		shows("hidden", "ORR-W02"), shows("hidden", "Desk two"), shows("hidden", "works on the drive"),
		arrives(`Math.abs(Date.parse(document.querySelector("#cases-hidden time[data-style]").dateTime) - Date.now() - 8 * 3600e3) < 60e3`))
	do(t, ctx, "unshelve", chromedp.Focus(`article[data-turnout=ORR-W02]`, chromedp.ByQuery), pressed("u"), shows("calls", "ORR-W02"))

	// What a window hides bears its name.
	program.tell(t, "/api/v1/windows", map[string]any{"name": "Night works", "zone": "UTC", "start": time.Now().UTC().Add(-time.Hour).Format("2006-01-02T15:04"),
		"duration_minutes": 180, "match": map[string]any{"turnouts": []string{"ORR-W03"}}, "by": "planner"}, http.StatusCreated)
	before := 0
	do(t, ctx, "what sounded", chromedp.Evaluate(`document.documentElement.dataset.sounded.split(" ").length`, &before))
	throw("ORR-W03", false)
	do(t, ctx, "suppressed", shows("hidden", "ORR-W03"), shows("hidden", "Night works"), lacks("calls", "ORR-W03"))
	after := 0
	do(t, ctx, "what sounded since", chromedp.Evaluate(`document.documentElement.dataset.sounded.split(" ").length`, &after))
	if after != before {
		t.Errorf("what is hidden sounded: %d tunes, then %d", before, after)
	}

	// Someone else was quicker: said at the row. The page has no time to hear of
	// it, for nothing comes in between.
	do(t, ctx, "already acknowledged", chromedp.Focus(`article[data-turnout=ORR-W02]`, chromedp.ByQuery), chromedp.Evaluate(fmt.Sprintf(`(() => {
			const r = new XMLHttpRequest();
			r.open("POST", "/api/v1/alerts/%s/acknowledge", false);
			r.setRequestHeader("content-type", "application/json");
			r.send(JSON.stringify({ by: "desk five" }));
			document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key: "a", bubbles: true }));
			return r.status;
		})()`, program.id(t, "ORR-W02")), nil),
		shows("acknowledged", "Already acknowledged by desk five"))

	// Several at once.
	throw("ORR-W04", false)
	throw("ORR-W05", false)
	do(t, ctx, "several", shows("calls", "ORR-W04"), shows("calls", "ORR-W05"),
		chromedp.Focus(`article[data-turnout=ORR-W04]`, chromedp.ByQuery), pressed(" "),
		chromedp.Focus(`article[data-turnout=ORR-W05]`, chromedp.ByQuery), pressed(" "),
		arrives(`document.querySelector("#deeds").innerText.includes("2 chosen")`), picture(t, "control-several"), pressed("a"),
		shows("acknowledged", "ORR-W04"), shows("acknowledged", "ORR-W05"),
		arrives(`document.querySelector(".part[data-part=calls]").offsetParent == null && document.querySelector("#calm").innerText.includes("Nothing new calls")`))

	// What was found, and the alert's own page.
	do(t, ctx, "found", chromedp.Focus(`article[data-turnout=ORR-W04]`, chromedp.ByQuery), pressed("f"),
		arrives(`document.activeElement?.name === "found-true"`), accessible(t, "found"),
		chromedp.SetValue("#found-cause", "obstruction", chromedp.ByQuery), chromedp.Focus("#found-note", chromedp.ByQuery), chromedp.KeyEvent("a stone"+kb.Enter),
		shows("acknowledged", "Found: obstruction"), arrives(`document.querySelectorAll("#cases-acknowledged .was-found").length === 1`),
		chromedp.Focus(`article[data-turnout=ORR-W04]`, chromedp.ByQuery), chromedp.KeyEvent(kb.Enter),
		arrives(`location.pathname.startsWith("/alerts/") && document.querySelector("#alert-journal")?.innerText.includes("a stone")`),
		arrives(`["Raised", "Acknowledged", "Found", "Desk two"].every((s) => document.querySelector("#alert-journal").innerText.includes(s))`),
		arrives(`document.querySelector("#to-turnout")?.getAttribute("href") === "/turnouts/ORR-W04"`),
		arrives(`document.querySelectorAll("details[data-cause]").length > 0 && document.querySelector("details[data-cause][open]").innerText.includes("What to check")`))

	// It comes back to normal before anyone has seen it.
	throw("ORR-W06", false)
	do(t, ctx, "on every page", arrives(`document.querySelector("#news.on")?.offsetParent != null && document.querySelector("#news").innerText.includes("ORR-W06")`))
	for range 16 {
		throw("ORR-W06", true)
	}
	do(t, ctx, "returned", chromedp.KeyEvent(kb.Escape), arrives(`location.pathname === "/"`), shows("returned", "ORR-W06"))
	throw("ORR-W05", false)

	// Two more that call, to look at.
	throw("ORR-W07", false)
	throw("ORR-W08", false)
	do(t, ctx, "two call", shows("calls", "ORR-W07"), shows("calls", "ORR-W08"))
	for _, width := range []int64{360, 1280, 3840} {
		for _, scheme := range []string{"light", "dark"} {
			for _, path := range []string{"/", "/alerts/" + program.id(t, "ORR-W04")} {
				name := fmt.Sprintf("control-%d-%s-%s", width, scheme, map[bool]string{true: "list", false: "alert"}[path == "/"])
				var over float64
				height := map[int64]int64{360: 780, 1280: 900, 3840: 2160}[width]
				do(t, ctx, name, chromedp.EmulateViewport(width, height),
					emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
					chromedp.Navigate(program.page+path),
					arrives(`document.querySelector("#cases-calls article, #alert-said article") != null && document.documentElement.dataset.stream === "open"`),
					arrives(`document.querySelector("#advisory").innerText.includes("never says that a turnout is safe")`),
					chromedp.Sleep(300*time.Millisecond),
					chromedp.Evaluate(`document.documentElement.scrollWidth - document.documentElement.clientWidth`, &over),
					accessible(t, name), picture(t, name))
				if over > 0 {
					t.Errorf("%s: %g px hang over the edge", name, over)
				}
			}
		}
	}
	var cap float64
	do(t, ctx, "the wall", chromedp.Navigate(program.page+"/?wall"), arrives(`document.querySelector("#cases-calls article") != null`),
		chromedp.Evaluate(`parseFloat(getComputedStyle(document.querySelector("#cases-calls h3")).fontSize)`, &cap),
		accessible(t, "wall"), picture(t, "control-wall-dark"))
	// On a wall 1.2 m wide letters of 100 px are 3 cm high, which is read at 5 m.
	if cap < 100 {
		t.Errorf("on a wall a turnout's name is %g px high, expected 100 or more", cap)
	}
	do(t, ctx, "no wall", pressed("w"), chromedp.EmulateViewport(1280, 900),
		emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "light"}}))

	// More tabs than a browser has connections to one server.
	for i := range 8 {
		tab, cancel := chromedp.NewContext(ctx)
		defer cancel()
		do(t, tab, fmt.Sprint("tab ", i), chromedp.Navigate(program.page+"/"), arrives(`document.documentElement.dataset.stream === "open"`), shows("calls", "ORR-W07"))
	}
	if n := program.readers(t); n != "1" {
		t.Errorf("expected one stream for all tabs, found %s", n)
	}

	// A browser that has no such workers keeps a connection of its own.
	alone, cancel := chromedp.NewContext(ctx)
	defer cancel()
	do(t, alone, "no worker", chromedp.ActionFunc(func(ctx context.Context) error {
		_, err := page.AddScriptToEvaluateOnNewDocument(`delete window.SharedWorker`).Do(ctx)
		return err
	}), chromedp.Navigate(program.page+"/"), arrives(`typeof SharedWorker === "undefined" && document.documentElement.dataset.stream === "open"`), shows("calls", "ORR-W07"))
	if n := program.readers(t); n != "2" {
		t.Errorf("expected a stream of its own, found %s", n)
	}

	// The line goes dead without a word: that cannot be overlooked. What came
	// meanwhile is there as soon as it is back.
	if err := program.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	do(t, ctx, "dead", arrives(`document.documentElement.hasAttribute("data-stale") && document.querySelector("#connection").offsetParent != null`),
		arrives(`document.querySelector("#connection").innerText.includes("No news since") && document.title.startsWith("Connection lost")`),
		accessible(t, "dead"), picture(t, "control-dead"))
	throw("ORR-W09", false)
	if err := program.cmd.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	do(t, ctx, "back", arrives(`!document.documentElement.hasAttribute("data-stale") && document.querySelector("#connection").offsetParent == null`), shows("calls", "ORR-W09"))
	if err := program.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	do(t, ctx, "gone", arrives(`document.documentElement.hasAttribute("data-stale") && document.title.startsWith("Connection lost")`),
		chromedp.Focus(`article[data-turnout=ORR-W09]`, chromedp.ByQuery), pressed("a"), shows("calls", "the server does not answer"))
}
