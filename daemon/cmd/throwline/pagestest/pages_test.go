// Package pagestest looks at the pages as a person does: the program as it is
// built, a real broker, a cabinet that sends, and Chromium.
package pagestest

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"throwline/ingest"
	"throwline/ingest/mqtt"
	"throwline/ingest/wire"
)

// ask reads an answer of the API.
func (s *serving) ask(t *testing.T, path string, into any) {
	t.Helper()
	res, err := http.Get(s.page + path)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if err := json.NewDecoder(res.Body).Decode(into); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
}

// stiff reports whether a turnout is called stiffening.
func (s *serving) stiff(t *testing.T, turnout string) bool {
	var list struct {
		Items []struct{ Condition string }
	}
	s.ask(t, "/api/v1/alerts?turnout="+turnout, &list)
	for _, a := range list.Items {
		if a.Condition == "stiffening" {
			return true
		}
	}
	return false
}

// cabinet sends invented throws of two turnouts.
type cabinet struct {
	t *testing.T
	s *mqtt.Session
	n int
}

func (c *cabinet) throw(turnout string, stiff float64, completed bool, at time.Time) {
	c.t.Helper()
	c.n++
	samples := make([]float64, 300)
	level := 300 * (1 + stiff) * (1 + 0.01*math.Sin(float64(c.n)*2.7))
	for i := range samples {
		s := float64(i)/80 - 0.1
		switch {
		case s < 0 || s > 3:
		case s < 0.4:
			samples[i] = 1.3*level + 1500*math.Exp(-s/0.05)
		case s < 2.6:
			samples[i] = level * (1 + 0.05*s)
		default:
			samples[i] = 1.5 * level
		}
		samples[i] = math.Round(samples[i] + 4*math.Sin(float64(i*i)))
	}
	th := &ingest.Throw{
		ID: fmt.Sprintf("p%d", c.n), Turnout: turnout, To: ingest.Ends[c.n/2%2], StartedAt: at, Completed: completed, RailTemperature: ingest.Known(9), Boot: "b", Sequence: uint64(c.n),
		Detections: []ingest.Detection{{Place: "toe", After: 3100 * time.Millisecond}},
		Channels:   []ingest.Channel{{Drive: "main", Quantity: ingest.MotorCurrent, Unit: ingest.Ampere, SampleRate: 80, Scale: 0.01, Samples: samples}},
	}
	if !completed {
		th.Detections = nil
	}
	c.send(mqtt.ThrowTopic("throwline/v1", "cab-1", turnout), wire.AppendThrowCBOR(nil, th))
}

func (c *cabinet) send(topic string, payload []byte) {
	c.t.Helper()
	ctx, cancel := context.WithTimeout(c.t.Context(), 60*time.Second)
	defer cancel()
	if err := c.s.Publish(ctx, topic, false, payload); err != nil {
		c.t.Fatal(err)
	}
}

// profile is a folder for Chromium, whose processes may write there for a
// moment after they were ended.
func profile(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "throwline-pages-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		for i := 0; ; i++ {
			err := os.RemoveAll(dir)
			if err == nil {
				return
			}
			if i == 100 {
				t.Error(err)
				return
			}
			time.Sleep(50 * time.Millisecond)
		}
	})
	return dir
}

// browser is Chromium with a tab; what the page complains about fails the test,
// but for what is expected.
func browser(t *testing.T, expected ...string) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("chromium is not installed")
		}
		t.Skip("chromium is not installed")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(profile(t)),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-quic", true),
	)
	ctx, cancel := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 4*time.Minute)
	t.Cleanup(cancel)
	// The browser lives as long as the context of its first run.
	if err := chromedp.Run(ctx); err != nil {
		t.Fatalf("start %s: %v", path, err)
	}
	chromedp.ListenTarget(ctx, func(ev any) {
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			t.Errorf("the page threw: %s", ev.ExceptionDetails.Error())
		case *runtime.EventConsoleAPICalled:
			if ev.Type == runtime.APITypeError {
				t.Errorf("the page complained: %v", ev.Args)
			}
		case *log.EventEntryAdded:
			if ev.Entry.Level == log.LevelError && !slices.ContainsFunc(expected, func(s string) bool { return strings.Contains(ev.Entry.Text, s) }) {
				t.Errorf("the browser complained: %s %s", ev.Entry.Text, ev.Entry.URL)
			}
		}
	})
	return ctx
}

func do(t *testing.T, ctx context.Context, what string, actions ...chromedp.Action) {
	t.Helper()
	within, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	if err := chromedp.Run(within, actions...); err != nil {
		var seen string
		_ = chromedp.Run(ctx, chromedp.Evaluate(`[...document.querySelectorAll("[data-chart],[data-trace]")].map((e) => JSON.stringify(e.dataset)).join("\n") + document.body.innerText`, &seen))
		t.Fatalf("%s: %v; the page says:\n%s", what, err, seen)
	}
}

// until waits until an expression of the page is true.
func until(expression string) chromedp.Action {
	return chromedp.Poll(expression, nil, chromedp.WithPollingInterval(100*time.Millisecond), chromedp.WithPollingTimeout(25*time.Second))
}

// picture saves what is seen, where THROWLINE_PICTURES names a folder.
func picture(t *testing.T, name string) chromedp.Action {
	return chromedp.ActionFunc(func(ctx context.Context) error {
		dir := os.Getenv("THROWLINE_PICTURES")
		if dir == "" {
			return nil
		}
		var b []byte
		if err := chromedp.FullScreenshot(&b, 100).Do(ctx); err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(dir, name+".png"), b, 0o644)
	})
}

func TestPages(t *testing.T) {
	program, cab := begin(t)
	// Four weeks of two turnouts; then one of them gets stiff.
	const every = 65 * time.Minute
	start := time.Now().Add(-45 * 24 * time.Hour).Truncate(time.Second)
	at := start
	for i := range 600 {
		cab.throw("ORR-W07", 0, true, at)
		cab.throw("ORR-W08", 0, true, at.Add(time.Minute))
		at = start.Add(time.Duration(i+1) * every)
	}
	ctx := browser(t)
	do(t, ctx, "calm", chromedp.EmulateViewport(1280, 900), chromedp.Navigate(program.page+"/"),
		until(`document.querySelector("#calm")?.offsetParent != null`),
		until(`document.querySelector("#advisory").innerText.includes("no alert does not mean healthy")`),
		picture(t, "calm"))

	// The alert comes by itself, without a reload.
	do(t, ctx, "mark the page", chromedp.Evaluate(`window.sameDocument = true`, nil))
	for i := 0; !program.stiff(t, "ORR-W07"); i++ {
		if i > 300 {
			t.Fatal("ORR-W07 was not called stiffening")
		}
		cab.throw("ORR-W07", min(0.004*float64(i), 0.6), true, at)
		cab.throw("ORR-W08", 0, true, at.Add(time.Minute))
		at = at.Add(every)
		time.Sleep(10 * time.Millisecond)
	}
	do(t, ctx, "the alert comes live",
		until(`document.querySelector("#alerts-open")?.innerText.includes("ORR-W07")`),
		until(`window.sameDocument === true`),
		until(`/stiffening/i.test(document.querySelector("#alerts-open").innerText) && /dry slide chairs/i.test(document.querySelector("#alerts-open").innerText) && /travel effort up\s+\d+/i.test(document.querySelector("#alerts-open").innerText)`),
		picture(t, "alerts"))

	// A throw that does not arrive is told by itself, and the live strip shows it.
	cab.throw("ORR-W08", 0.1, false, at.Add(2*time.Minute))
	do(t, ctx, "the incomplete throw comes live",
		until(`/incomplete/i.test(document.querySelector("#alerts-open").innerText) && document.querySelector("#alerts-open").innerText.includes("ORR-W08")`),
		until(`document.querySelector("#strip").innerText.includes("ORR-W08")`),
		until(`document.title.length > 0`))

	// The turnout's page: graphs over their baseline, traces over their past.
	do(t, ctx, "the turnout's page", chromedp.Navigate(program.page+"/turnouts/ORR-W07"),
		until(`["normal", "reverse"].every((end) => +document.querySelector('[data-chart="' + end + '/main/motor_current/duration"]')?.dataset.points > 100)`),
		until(`[...document.querySelectorAll("[data-chart]")].some((e) => +e.dataset.marks >= 1)`),
		until(`["normal", "reverse"].every((end) => +document.querySelector('[data-trace="' + end + '/main/motor_current"]')?.dataset.samples >= 300)`),
		until(`+document.querySelector('[data-trace="normal/main/motor_current"]').dataset.past > 0`),
		until(`document.querySelector('[data-trace="normal/main/motor_current"]').dataset.phases !== ""`),
		until(`document.querySelector("#turnout-alerts details[data-cause=dry-slide-chairs]") != null`),
		picture(t, "turnout"))

	// Over the graphs stand the smoothed level and what is said of the trend;
	// under the traces, how like their past they are.
	var throw string
	do(t, ctx, "trend and likeness",
		until(`["normal", "reverse"].every((end) => /^(Rising .* % a week \(.* to .*\)|No trend that stands out of chance) over the \d+ days to /.test(document.querySelector('[data-chart="' + end + '/main/motor_current/travel_mean"] .tendency')?.innerText))`),
		until(`[...document.querySelectorAll("[data-chart]")].every((e) => +e.dataset.level >= 10 && e.querySelector(".tendency").innerText !== "")`),
		until(`["normal", "reverse"].every((end) => document.querySelector('.trace-panel[data-to="' + end + '"] .likeness')?.innerText.includes("past"))`),
		picture(t, "trend"),
		chromedp.Evaluate(`document.querySelector('.trace-panel[data-to="normal"] .which a').href`, &throw))
	do(t, ctx, "a throw's likeness", chromedp.Navigate(throw),
		until(`/^(Farther from its past|In the shape of its course like the \d+ throws just before it).*T².*SPE/.test(document.querySelector("#likeness")?.innerText)`),
		picture(t, "throw"))

	// Work is recorded, and stands among the visits.
	do(t, ctx, "work", chromedp.Navigate(program.page+"/turnouts/ORR-W07"), until(`document.querySelector("#work-form")?.offsetParent != null`), chromedp.SetValue(`#work-kind`, "lubricated", chromedp.ByQuery), chromedp.SetValue(`#work-note`, "greased all chairs", chromedp.ByQuery),
		chromedp.SendKeys(`#work-form button[type=submit]`, "\r", chromedp.ByQuery),
		until(`document.querySelector("#visits").innerText.includes("greased all chairs")`))

	// What is refused is set aside, with the reason.
	cab.send("throwline/v1/cab-1/throw/ORR-W09", []byte(`{"turnout":"ORR-W10","to":"left","started_at":"2026-03-01T06:00:00Z","completed":true,"channels":[]}`))
	do(t, ctx, "set aside", chromedp.Navigate(program.page+"/quarantine"),
		until(`document.querySelector("#aside")?.innerText.includes("ORR-W09") && document.querySelector("#aside").innerText.includes("left")`),
		picture(t, "aside"))
	do(t, ctx, "turnouts", chromedp.Navigate(program.page+"/turnouts"),
		until(`document.querySelector("#turnouts").innerText.includes("W08")`),
		chromedp.SendKeys(`#filter`, "W07", chromedp.ByQuery),
		until(`!document.querySelector("#turnouts").innerText.includes("W08")`))

	// Every page at every width, light and dark: nothing hangs over the edge,
	// the advisory stands on it.
	for _, width := range []int64{360, 1280, 3840} {
		for _, scheme := range []string{"light", "dark"} {
			for _, path := range []string{"/", "/turnouts", "/turnouts/ORR-W07", "/cabinets", "/quarantine"} {
				name := fmt.Sprintf("%d-%s%s", width, scheme, strings.ReplaceAll(path, "/", "-"))
				var over float64
				do(t, ctx, name,
					chromedp.EmulateViewport(width, 900),
					emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
					chromedp.Navigate(program.page+path),
					until(`document.querySelector("#sheet")?.innerText.trim().length > 40`),
					until(`document.querySelector("#advisory").innerText.includes("never says that a turnout is safe")`),
					chromedp.Sleep(300*time.Millisecond),
					chromedp.Evaluate(`document.documentElement.scrollWidth - document.documentElement.clientWidth`, &over),
					picture(t, name))
				if over > 0 {
					t.Errorf("%s: %g px hang over the edge", name, over)
				}
			}
		}
	}
}
