package pagestest

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// A yard of two areas with a past: ORR-W08 grew stiff and was lubricated,
// ORR-W07 and BRK-W02 are stiff now, a throw of ORR-W09 did not complete.
func maintained(t *testing.T) *serving {
	t.Helper()
	s, cab := begin(t)
	const every = 65 * time.Minute
	at := time.Now().Add(-44 * 24 * time.Hour).Truncate(time.Second)
	var stiffness [3]float64
	round := func() {
		for i, name := range []string{"ORR-W07", "ORR-W08", "BRK-W02"} {
			cab.throw(name, stiffness[i], true, at.Add(time.Duration(i)*time.Minute))
		}
		at = at.Add(every)
	}
	for range 500 {
		round()
	}
	for range 40 {
		cab.throw("ORR-W09", 0, true, at.Add(-40*time.Minute))
		round()
	}
	for i := 0; !s.stiff(t, "ORR-W08"); i++ {
		if i > 150 {
			t.Fatal("ORR-W08 was not called stiffening")
		}
		stiffness[1] = min(0.006*float64(i), 0.6)
		round()
		time.Sleep(10 * time.Millisecond)
	}
	done := at.Add(-every / 2)
	s.send(t, "/api/v1/turnouts/ORR-W08/work", map[string]any{"work": "lubricated", "note": "greased all chairs", "by": "A. Fitter", "done_at": done}, http.StatusCreated)
	s.send(t, "/api/v1/turnouts/ORR-W07/work", map[string]any{"work": "inspected", "by": "A. Fitter", "done_at": done.Add(-72 * time.Hour)}, http.StatusCreated)
	stiffness[1] = 0
	for i := 0; i < 80 || !s.stiff(t, "ORR-W07") || !s.stiff(t, "BRK-W02"); i++ {
		if i > 200 {
			t.Fatal("ORR-W07 and BRK-W02 were not called stiffening")
		}
		stiffness[0], stiffness[2] = min(0.005*float64(i), 0.6), min(0.004*float64(i), 0.5)
		round()
		time.Sleep(10 * time.Millisecond)
	}
	cab.throw("ORR-W09", 0, false, at)
	for i := 0; ; i++ {
		var list struct{ Items []struct{ Turnout string } }
		s.ask(t, "/api/v1/alerts?turnout=ORR-W09", &list)
		if len(list.Items) > 0 {
			return s
		}
		if i > 100 {
			t.Fatal("the throw of ORR-W09 was not called incomplete")
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// send posts to the API as another client.
func (s *serving) send(t *testing.T, path string, body any, want int) {
	t.Helper()
	b, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	res, err := http.Post(s.page+path, "application/json", bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != want {
		t.Fatalf("POST %s: expected %d, found %d", path, want, res.StatusCode)
	}
}

// visits returns the kinds of work recorded at a turnout, newest first.
func (s *serving) visits(t *testing.T, turnout string) string {
	t.Helper()
	var list struct{ Items []struct{ Work string } }
	s.ask(t, "/api/v1/turnouts/"+turnout+"/work", &list)
	var kinds []string
	for _, w := range list.Items {
		kinds = append(kinds, w.Work)
	}
	return strings.Join(kinds, " ")
}

// tap is a touch of a thumb on the middle of an element that is in sight.
func tap(selector string) chromedp.Action {
	return chromedp.ActionFunc(func(ctx context.Context) error {
		var at []float64
		find := fmt.Sprintf(`(() => { const r = document.querySelector(%q).getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2, r.width, r.height, innerHeight]; })()`, selector)
		if err := chromedp.Evaluate(find, &at).Do(ctx); err != nil {
			return err
		}
		if at[2] < 44 || at[3] < 36 {
			return fmt.Errorf("%s: expected a place for a thumb, found %.0f by %.0f px", selector, at[2], at[3])
		}
		if at[1] < 0 || at[1] > at[4] {
			return fmt.Errorf("%s: expected it in sight, found it at %.0f of %.0f px", selector, at[1], at[4])
		}
		return chromedp.MouseClickXY(at[0], at[1]).Do(ctx)
	})
}

// offline takes the network from the page, or gives it back.
func offline(on bool) chromedp.Action {
	return network.EmulateNetworkConditions(on, 0, -1, -1)
}

// printed prints the page as it is seen and returns its text, page by page.
// THROWLINE_PICTURES keeps the file.
func printed(t *testing.T, ctx context.Context, name string) []string {
	t.Helper()
	tool, err := exec.LookPath("pdftotext")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("pdftotext is not installed")
		}
		t.Skip("pdftotext is not installed")
	}
	var pdf []byte
	do(t, ctx, "print "+name, chromedp.ActionFunc(func(ctx context.Context) (err error) {
		pdf, _, err = page.PrintToPDF().WithPreferCSSPageSize(true).Do(ctx)
		return err
	}))
	dir := t.TempDir()
	if keep := os.Getenv("THROWLINE_PICTURES"); keep != "" {
		dir = keep
	}
	file := filepath.Join(dir, name+".pdf")
	if err := os.WriteFile(file, pdf, 0o644); err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command(tool, "-layout", file, "-").Output()
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	return strings.Split(strings.TrimSuffix(string(text), "\f"), "\f")
}

// looked looks at a page at every size, light and dark, with axe-core.
func looked(t *testing.T, ctx context.Context, s *serving, name, path, ready string) {
	t.Helper()
	for _, size := range [][2]int64{{360, 740}, {1280, 900}, {3840, 2160}} {
		for _, scheme := range []string{"light", "dark"} {
			shot := fmt.Sprintf("maintainer-%s-%d-%s", name, size[0], scheme)
			var over float64
			do(t, ctx, shot,
				chromedp.EmulateViewport(size[0], size[1]),
				emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
				chromedp.Navigate(s.page+path), arrives(ready), chromedp.Sleep(400*time.Millisecond),
				chromedp.Evaluate(`document.documentElement.scrollWidth - document.documentElement.clientWidth`, &over),
				picture(t, shot), accessible(t, shot))
			if over > 0 {
				t.Errorf("%s: %g px hang over the edge", shot, over)
			}
		}
	}
	do(t, ctx, "back to light", chromedp.EmulateViewport(1280, 900), emulation.SetEmulatedMedia())
}

const (
	jobsThere   = `document.querySelectorAll("[data-job]").length === 3`
	shapeThere  = `+document.querySelector("#visit-shape .overlay")?.dataset.points > 100 && document.querySelectorAll("#overlays .overlay").length === 2`
	reportThere = `document.querySelector("#report")?.dataset.read !== undefined`
	shiftThere  = `document.querySelector("#handover")?.dataset.read !== undefined`
)

func TestMaintainer(t *testing.T) {
	s := maintained(t)

	t.Run("work list", func(t *testing.T) {
		ctx := browser(t)
		var foot float64
		do(t, ctx, "the first three, and why, at once on a phone", chromedp.EmulateViewport(360, 740), chromedp.Navigate(s.page+"/work"), arrives(jobsThere),
			chromedp.Evaluate(`[...document.querySelectorAll(".job-head")].at(-1).getBoundingClientRect().bottom`, &foot),
			arrives(`document.querySelector('[data-rank="1"]').dataset.job === "ORR-W09"`),
			arrives(`/fails to throw now/i.test(document.querySelector('[data-job="ORR-W09"]').innerText)`),
			arrives(`/Stiffening: dry slide chairs\s+\d+\s%/.test(document.querySelector('[data-job="ORR-W07"] .short').innerText)`),
			arrives(`/rule book and your licensed practice allow/.test(document.querySelector("#caution").innerText)`))
		if foot > 740 {
			t.Errorf("the third job ends at %g px, below the 740 px of a phone", foot)
		}
		do(t, ctx, "all that is known of a job", chromedp.EmulateViewport(1280, 900), chromedp.Navigate(s.page+"/work"), arrives(jobsThere),
			arrives(`/Dry slide chairs|dry slide chairs/.test(document.querySelector('[data-job="BRK-W02"] .causes').innerText)`),
			arrives(`document.querySelectorAll('[data-job="ORR-W07"] .job-body .ticks input').length > 3`),
			arrives(`document.querySelectorAll(".area").length === 2 && document.querySelectorAll(".packing").length === 2`),
			arrives(`document.querySelector('[data-area="BRK"] .packing').innerText.includes("slide-chair grease or oil")`))
		do(t, ctx, "an area by itself, in the address", chromedp.SetValue("#work-area", "=BRK", chromedp.ByQuery),
			arrives(`document.querySelectorAll("[data-job]").length === 1 && location.search === "?area=BRK"`),
			chromedp.Navigate(s.page+"/work?area=BRK"), arrives(`document.querySelectorAll("[data-job]").length === 1`))
		do(t, ctx, "by keyboard alone", chromedp.Navigate(s.page+"/"), arrives(`document.querySelector("#sheet")?.innerText.length > 20`), chromedp.KeyEvent("m"), arrives(jobsThere),
			chromedp.KeyEvent("j"), arrives(`document.activeElement.closest("[data-job]")?.dataset.job === document.querySelector("[data-job]").dataset.job`),
			chromedp.KeyEvent("j"), chromedp.KeyEvent("k"), chromedp.KeyEvent("o"),
			arrives(`document.activeElement.closest("[data-job]").querySelector(".fold").getAttribute("aria-expanded") === "false"`),
			chromedp.KeyEvent("o"), chromedp.KeyEvent("r"), arrives(`/^\/turnouts\/[^/]+\/visit$/.test(location.pathname)`),
			chromedp.KeyEvent(kb.Tab+kb.Tab+" "), arrives(`document.querySelector("#kinds input:checked") != null`))

		do(t, ctx, "to paper", chromedp.Navigate(s.page+"/work"), arrives(jobsThere))
		pages := printed(t, ctx, "work")
		if len(pages) < 2 || len(pages) > 3 {
			t.Errorf("expected two areas of three turnouts on 2 or 3 pages, found %d", len(pages))
		}
		if len(pages) > 1 && strings.Contains(pages[0], "BRK-W02") {
			t.Error("expected each area on a page of its own, found BRK-W02 on that of ORR")
		}
		whole := strings.Join(strings.Fields(strings.Join(pages, " ")), " ")
		for _, want := range []string{"Work list", "Printed ", "ORR-W07", "BRK-W02", "Likely causes", "Checks to make", "To bring, all together", "licensed practice", "Found:", "By, at:"} {
			if !strings.Contains(whole, want) {
				t.Errorf("the printed work list lacks %q", want)
			}
		}
		for _, unwanted := range []string{"Hand-over", "Record work", "Unfold", "Refused messages"} {
			if strings.Contains(whole, unwanted) {
				t.Errorf("the printed work list has %q", unwanted)
			}
		}
		looked(t, ctx, s, "work", "/work", jobsThere)
	})

	t.Run("three touches", func(t *testing.T) {
		ctx := browser(t, "net::ERR_", "the server responded with a status of 4")
		before := s.visits(t, "BRK-W02")
		do(t, ctx, "the work list on a phone", chromedp.EmulateViewport(360, 740), emulation.SetTouchEmulationEnabled(true), chromedp.Navigate(s.page+"/work"), arrives(jobsThere))
		do(t, ctx, "one, two, three", tap(`[data-job="BRK-W02"] .record`), arrives(`document.querySelector("#visit-form") != null`), picture(t, "maintainer-touch-2"),
			tap(`#kinds label:has([value="cleaned"])`), tap("#visit-done"),
			arrives(`document.querySelector(".recorded")?.dataset.state === "sent"`), picture(t, "maintainer-touch-3"))
		if found := s.visits(t, "BRK-W02"); found != strings.TrimSpace("cleaned "+before) {
			t.Errorf("expected one visit more than %q, found %q", before, found)
		}
		do(t, ctx, "nothing without a kind", chromedp.Navigate(s.page+"/turnouts/ORR-W07/visit"), arrives(`/Stiffening/.test(document.querySelector("#visit-why")?.innerText)`), tap("#visit-done"),
			arrives(`document.querySelector("#visit-wrong").innerText.includes("First touch what was done")`))

		// What was found wants a name where nobody logs in.
		do(t, ctx, "what was found", chromedp.Click("#visit-found summary", chromedp.ByQuery), chromedp.Click(`#visit-found label:has([value="true"])`, chromedp.ByQuery),
			arrives(`document.querySelector("#visit-found select").offsetParent != null`), chromedp.SetValue("#visit-found select", "dry-slide-chairs", chromedp.ByQuery),
			chromedp.Click(`#kinds label:has([value="lubricated"])`, chromedp.ByQuery), chromedp.Click("#visit-done", chromedp.ByQuery),
			arrives(`document.activeElement.id === "visit-by" && document.querySelector("#visit-wrong").innerText.includes("your name")`),
			picture(t, "maintainer-touch-name"),
			chromedp.KeyEvent("B. Fitter"), chromedp.Click("#visit-done", chromedp.ByQuery), arrives(`document.querySelector(".recorded")?.dataset.state === "sent"`))
		var list struct {
			Items []struct {
				Handling struct {
					Found *struct {
						True      bool
						Cause, By string
					}
				}
			}
		}
		s.ask(t, "/api/v1/alerts?turnout=ORR-W07", &list)
		if f := list.Items[0].Handling.Found; f == nil || !f.True || f.Cause != "dry-slide-chairs" || f.By != "B. Fitter" {
			t.Errorf("found %+v", f)
		}
		if found := s.visits(t, "ORR-W07"); found != "lubricated inspected" {
			t.Errorf("found the visits %q", found)
		}

		// Without a connection: kept, said, and sent once it is back, once.
		do(t, ctx, "offline", chromedp.Navigate(s.page+"/work"), arrives(jobsThere), arrives(`document.documentElement.dataset.stream === "open"`), offline(true),
			tap(`[data-job="ORR-W09"] .record`), arrives(`document.querySelector("#visit-form") != null`),
			tap(`#kinds label:has([value="adjusted"])`), tap("#visit-done"),
			arrives(`document.querySelector(".recorded")?.dataset.state === "kept"`), arrives(`/once the connection is back, and only once/.test(document.querySelector("#kept-said").innerText)`),
			arrives(`/1 record is kept on this device/.test(document.querySelector("#waiting").innerText)`), picture(t, "maintainer-kept"), accessible(t, "kept"))
		if found := s.visits(t, "ORR-W09"); found != "" {
			t.Errorf("found %q before the connection was back", found)
		}
		do(t, ctx, "over a reload, back again", offline(false), chromedp.Navigate(s.page+"/turnouts"), arrives(`document.querySelector("#waiting")?.hidden === true && localStorage.getItem("throwline.outbox") === null`))
		if found := s.visits(t, "ORR-W09"); found != "adjusted" {
			t.Errorf("found %q once the connection was back", found)
		}
		// The server has it, but its answer is lost: sent again, it is not filed again.
		do(t, ctx, "an answer that is lost", chromedp.Navigate(s.page+"/turnouts/ORR-W09/visit"), arrives(`document.querySelector("#visit-form") != null`),
			chromedp.Evaluate(`{ const real = fetch; let lost = 0; window.fetch = async (...a) => { const r = await real(...a); if (a[1]?.method === "POST" && lost++ < 1) throw new TypeError("lost"); return r; }; }`, nil),
			tap(`#kinds label:has([value="repaired"])`), tap("#visit-done"), arrives(`document.querySelector(".recorded")?.dataset.state === "kept"`),
			chromedp.Evaluate(`document.querySelector("#send-now")?.click()`, nil), // unless it went by itself meanwhile
			arrives(`document.querySelector("#waiting").hidden && document.querySelector(".recorded").dataset.state === "sent"`))
		if found := s.visits(t, "ORR-W09"); found != "repaired adjusted" {
			t.Errorf("found %q after an answer was lost", found)
		}
		do(t, ctx, "refused for good", chromedp.Navigate(s.page+"/turnouts/ORR-W99/visit"), arrives(`document.querySelector("#visit-form") != null`),
			tap(`#kinds label:has([value="cleaned"])`), tap("#visit-done"), arrives(`document.querySelector(".recorded")?.dataset.state === "refused"`),
			arrives(`document.querySelector("#waiting .bad") != null`), picture(t, "maintainer-refused"),
			chromedp.Click(`#waiting li .act:last-child`, chromedp.ByQuery), arrives(`document.querySelector("#waiting").hidden`))
		looked(t, ctx, s, "visit", "/turnouts/ORR-W07/visit", `/Stiffening/.test(document.querySelector("#visit-why")?.innerText)`)
	})

	t.Run("turnout", func(t *testing.T) {
		ctx := browser(t)
		do(t, ctx, "one axis", chromedp.EmulateViewport(1280, 900), chromedp.Navigate(s.page+"/turnouts/ORR-W08"), arrives(shapeThere),
			chromedp.Click(`.trends-part [data-days="90"]`, chromedp.ByQuery),
			arrives(`document.querySelectorAll("#timeline .tl-work").length === 1 && document.querySelectorAll("#timeline .tl-alert").length >= 1`),
			arrives(`[...document.querySelectorAll("[data-chart]")].every((e) => +e.dataset.marks >= 1)`),
			chromedp.Focus("#timeline .tl-work", chromedp.ByQuery),
			arrives(`/lubricated, greased all chairs \(A\. Fitter\)/.test(document.querySelector("#axis-said").innerText)`),
			chromedp.Focus("#timeline .tl-alert", chromedp.ByQuery),
			arrives(`/Stiffening .*: raised .*, cleared /.test(document.querySelector("#axis-said").innerText)`),
			// A graph tells the same where the pointer is.
			chromedp.ActionFunc(func(ctx context.Context) error {
				var at []float64
				if err := chromedp.Evaluate(`(() => { const g = document.querySelector("[data-chart]"); g.scrollIntoView({ block: "center" }); document.activeElement.blur();
					const r = g.querySelector(".u-over").getBoundingClientRect(); const from = +g.dataset.from, until = +g.dataset.until;
					const done = Date.parse(document.querySelector("#before-after").dataset.visit) / 1e3; return [r.x + r.width * (done - from) / (until - from), r.y + 40]; })()`, &at).Do(ctx); err != nil {
					return err
				}
				return chromedp.MouseEvent("mouseMoved", at[0], at[1]).Do(ctx)
			}),
			arrives(`/lubricated, greased all chairs/.test(document.querySelector("#axis-said").innerText)`), picture(t, "maintainer-axis"))
		do(t, ctx, "before and after", chromedp.Click("#timeline .tl-work", chromedp.ByQuery), arrives(`document.activeElement.id === "visit-pick"`),
			arrives(`/−\d[^]*%\s*after the visit/.test(document.querySelector('#visit-figures [data-feature="effort"] figcaption').innerText)`),
			arrives(`+document.querySelector("#before-after").dataset.before === 20 && +document.querySelector("#before-after").dataset.after === 20`),
			arrives(`/helped/.test(document.querySelector("#visit-verdict").innerText)`))
		do(t, ctx, "throw against throw", arrives(`document.querySelector("#compare").dataset.a !== document.querySelector("#compare").dataset.b`),
			arrives(`[...document.querySelectorAll("#overlays .overlay")].every((e) => +e.dataset.points > 100)`),
			arrives(`/[+−]\d.*%/.test(document.querySelector('#compared-features [data-feature="effort"]').innerText)`),
			chromedp.Click(`[data-aligned="false"]`, chromedp.ByQuery), arrives(`/Both begin where the movement does/.test(document.querySelector("#compare .legend").innerText)`),
			chromedp.Evaluate(`(() => { const s = document.querySelector("#compare-b"); s.value = s.options[s.options.length - 1].value; s.dispatchEvent(new Event("change")); })()`, nil),
			arrives(`document.querySelector("#compare").dataset.b === document.querySelector("#compare-b").value`),
			chromedp.Focus("#overlays .plot", chromedp.ByQuery), chromedp.KeyEvent(kb.ArrowRight+kb.ArrowRight), arrives(`/ s: .* against /.test(document.querySelector("#overlays .reading").innerText)`))
		do(t, ctx, "from a throw", chromedp.Evaluate(`location.assign("/throws/" + encodeURIComponent(document.querySelector("#compare").dataset.b))`, nil),
			arrives(`document.querySelector("#compare-with") != null`), chromedp.Evaluate(`window.wanted = decodeURIComponent(location.pathname.slice(8))`, nil), chromedp.Click("#compare-with", chromedp.ByQuery),
			arrives(`document.querySelector("#compare")?.dataset.a === window.wanted`))
		do(t, ctx, "what was found", chromedp.Navigate(s.page+"/turnouts/ORR-W08"), arrives(`document.querySelector("#earlier")?.offsetParent != null`),
			chromedp.Click("#earlier summary", chromedp.ByQuery), chromedp.Click(`#earlier [data-act="judge"]`, chromedp.ByQuery),
			chromedp.KeyEvent(" "), arrives(`document.querySelector("#earlier .judge-form input:checked")?.value === "true"`),
			chromedp.SetValue("#earlier .judge-form select", "dry-slide-chairs", chromedp.ByQuery),
			typed(`#earlier .judge-form label:last-of-type input[maxlength="128"]`, "B. Fitter"), chromedp.KeyEvent(kb.Enter),
			arrives(`/Found: dry slide chairs/.test(document.querySelector("#earlier").innerText)`))
		looked(t, ctx, s, "turnout", "/turnouts/ORR-W08", shapeThere)
	})

	t.Run("hand-over and report", func(t *testing.T) {
		ctx := browser(t)
		do(t, ctx, "a shift", chromedp.EmulateViewport(1280, 900), chromedp.Navigate(s.page+"/handover"), arrives(shiftThere),
			chromedp.Click(`[data-hours="12"]`, chromedp.ByQuery), arrives(`location.search === "?hours=12"`),
			chromedp.Navigate(s.page+"/handover?hours=1100"), arrives(shiftThere),
			arrives(`/ORR-W07/.test(document.querySelector("#handover-standing").innerText) && /ORR-W08/.test(document.querySelector("#handover-cleared").innerText) && /greased all chairs/.test(document.querySelector("#handover-work").innerText)`),
			arrives(`document.querySelectorAll(".levels tbody tr").length >= 5`))
		// Everything that is to be read on paper is there.
		shift := strings.Join(strings.Fields(strings.Join(printed(t, ctx, "handover"), " ")), " ")
		for _, want := range []string{"Shift hand-over", "Printed ", "Stands now", "ORR-W07", "greased all chairs", "Handed over by", "Taken over by", "How often people were called"} {
			if !strings.Contains(shift, want) {
				t.Errorf("the printed hand-over lacks %q", want)
			}
		}
		do(t, ctx, "from one moment to another", chromedp.Click("#range-fixed", chromedp.ByQuery), arrives(`document.activeElement.id === "range-from"`),
			chromedp.Click(".range-form button", chromedp.ByQuery), arrives(`location.search.includes("from=")`), arrives(shiftThere))

		do(t, ctx, "a report", chromedp.Navigate(s.page+"/report?hours=700"), arrives(reportThere),
			arrives(`document.querySelectorAll(".area-sheet").length === 2 && document.querySelectorAll(".little .dot").length > 20`),
			arrives(`/False alerts/.test(document.querySelector(".merit").innerText) && /1\s+raised|raised/.test(document.querySelector(".area-sheet").innerText)`))
		pages := printed(t, ctx, "report")
		if len(pages) < 2 || len(pages) > 4 {
			t.Errorf("expected two areas on 2 to 4 pages, found %d", len(pages))
		}
		report := strings.Join(strings.Fields(strings.Join(pages, " ")), " ")
		for _, want := range []string{"Report by area", "BRK", "ORR", "How good the alerts were", "Lead to the visit", "Cause right at first", "False alerts", "Effort to", "How often people were called"} {
			if !strings.Contains(report, want) {
				t.Errorf("the printed report lacks %q", want)
			}
		}
		// The files it links to are there.
		var files []string
		do(t, ctx, "files", chromedp.Evaluate(`[...document.querySelectorAll(".files a, a.csv")].map((a) => a.href)`, &files))
		if len(files) < 3 {
			t.Fatalf("expected links to alerts, work and features, found %v", files)
		}
		for _, f := range files {
			u, err := url.Parse(f)
			if err != nil {
				t.Fatal(err)
			}
			res, err := http.Get(f)
			if err != nil {
				t.Fatal(err)
			}
			res.Body.Close()
			if res.StatusCode != http.StatusOK || !strings.HasPrefix(res.Header.Get("Content-Type"), "text/csv") {
				t.Errorf("%s: found %s, %s", u.Path, res.Status, res.Header.Get("Content-Type"))
			}
		}
		looked(t, ctx, s, "handover", "/handover?hours=1100", shiftThere)
		looked(t, ctx, s, "report", "/report?hours=700", reportThere)
	})
}
