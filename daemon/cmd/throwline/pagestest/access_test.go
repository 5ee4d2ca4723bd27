package pagestest

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// typed types over what stands in a field, as a person does.
func typed(field, text string) chromedp.Action {
	return chromedp.Tasks{chromedp.WaitVisible(field, chromedp.ByQuery), chromedp.Focus(field, chromedp.ByQuery),
		chromedp.Evaluate(`document.activeElement.select()`, nil), chromedp.KeyEvent(text)}
}

// arrives waits as until does, over the loading of other pages.
func arrives(expression string) chromedp.Action {
	return chromedp.ActionFunc(func(ctx context.Context) error {
		for {
			var is bool
			if err := chromedp.Evaluate("Boolean("+expression+")", &is).Do(ctx); err == nil && is {
				return nil
			}
			if err := chromedp.Sleep(100 * time.Millisecond).Do(ctx); err != nil {
				return fmt.Errorf("%s: %w", expression, err)
			}
		}
	})
}

// fetched is the status of what the page itself asks for.
func fetched(path, body string, status *int) chromedp.Action {
	return chromedp.Evaluate(fmt.Sprintf(`fetch(%q, {method: "POST", headers: {"content-type": "application/json"}, body: %q}).then((r) => r.status)`, path, body),
		status, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) })
}

// From the printed link to the first administrator, to people with less, and out again.
func TestAccess(t *testing.T) {
	const chiefs, viewers = "points need grease", "a calm view of points"
	program, cab := begin(t, "access: {mode: accounts}\n")
	if !strings.HasPrefix(program.setup, program.page+"/welcome#") {
		t.Fatalf("found the link %q", program.setup)
	}
	for i := range 4 {
		cab.throw("ORR-W07", 0, true, time.Now().Add(time.Duration(i-10)*time.Minute))
	}

	// What is refused is answered with 401, 403 or 422; Chromium calls each an error.
	ctx := browser(t, "the server responded with a status of 4")
	shot := func(name string) chromedp.Action {
		return chromedp.ActionFunc(func(ctx context.Context) error {
			for _, width := range []int64{360, 1280} {
				for _, scheme := range []string{"light", "dark"} {
					var over float64
					if err := chromedp.Run(ctx, chromedp.EmulateViewport(width, 900),
						emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}),
						chromedp.Sleep(200*time.Millisecond),
						chromedp.Evaluate(`document.documentElement.scrollWidth - document.documentElement.clientWidth`, &over),
						picture(t, fmt.Sprintf("access-%s-%d-%s", name, width, scheme))); err != nil {
						return err
					}
					if over > 0 {
						t.Errorf("%s at %d: %g px hang over the edge", name, width, over)
					}
				}
			}
			return chromedp.Run(ctx, chromedp.EmulateViewport(1280, 900))
		})
	}

	do(t, ctx, "nobody is led to the login", chromedp.EmulateViewport(1280, 900), chromedp.Navigate(program.page+"/turnouts"),
		arrives(`location.pathname === "/login" && new URLSearchParams(location.search).get("next") === "/turnouts"`),
		arrives(`document.querySelector("#needs-setup") != null`),
		arrives(`document.querySelector("#advisory").innerText.includes("no alert does not mean healthy")`), shot("login-first"))

	// The link: what is wrong is said at its field, and all of it works with the keyboard.
	do(t, ctx, "the link", chromedp.Navigate(program.setup), arrives(`document.activeElement?.id === "welcome-name"`),
		chromedp.KeyEvent("Chief"+kb.Tab+kb.Tab+"short"+kb.Enter),
		arrives(`document.querySelector("#welcome-password-wrong").innerText.includes("at least 12")`),
		arrives(`document.activeElement.id === "welcome-password" && document.activeElement.getAttribute("aria-invalid") === "true"`), shot("welcome"),
		typed("#welcome-password", chiefs), chromedp.KeyEvent(kb.Enter),
		arrives(`location.pathname === "/" && document.querySelector("#me")?.innerText === "chief"`),
		arrives(`document.documentElement.dataset.stream === "open"`))
	do(t, ctx, "the cookie is no script's", arrives(`document.cookie === ""`))
	var cookies []*network.Cookie
	do(t, ctx, "the cookie", chromedp.ActionFunc(func(ctx context.Context) (err error) {
		cookies, err = network.GetCookies().Do(ctx)
		return err
	}))
	// The session's, and the one by which this browser is known at the next login.
	known := 0
	for _, c := range cookies {
		if strings.HasPrefix(c.Name, "throwline") && c.HTTPOnly && c.SameSite == network.CookieSameSiteLax {
			known++
		}
	}
	if len(cookies) < 1 || known != len(cookies) {
		t.Errorf("found cookies %+v", cookies)
	}
	do(t, ctx, "the link is good once", chromedp.Navigate("about:blank"), chromedp.Navigate(program.setup),
		arrives(`document.querySelector(".failure")?.innerText.includes("was used already")`))

	// An account for a viewer.
	var link string
	do(t, ctx, "people", chromedp.Navigate(program.page+"/people"), arrives(`document.querySelector("#people")?.innerText.includes("chief")`),
		typed("#person-name", "Chief"), chromedp.Click("#person button[type=submit]", chromedp.ByQuery),
		arrives(`document.querySelector("#person-name-wrong").innerText.includes("there already")`),
		typed("#person-name", "watcher"), typed("#person-display", "The Watcher"), chromedp.Click("#person button[type=submit]", chromedp.ByQuery),
		arrives(`document.querySelector("#people").innerText.includes("watcher")`), arrives(`document.querySelector("#audit").innerText.includes("account made")`),
		chromedp.Text("#link", &link, chromedp.ByQuery), shot("people"))
	if !strings.HasPrefix(link, program.page+"/welcome#") {
		t.Fatalf("found the link %q", link)
	}

	// A token, and what it may.
	var token string
	do(t, ctx, "a token", chromedp.Navigate(program.page+"/account"), arrives(`document.querySelector("#token-label") != null`),
		typed("#token-label", "export"), chromedp.Click("#token button[type=submit]", chromedp.ByQuery),
		arrives(`document.querySelector("#token-secret") != null`), chromedp.Text("#token-secret", &token, chromedp.ByQuery), shot("account"))
	if status := with(t, token, "GET", program.page+"/api/v1/turnouts"); status != http.StatusOK {
		t.Errorf("a token is answered %d", status)
	}
	if status := with(t, token, "POST", program.page+"/api/v1/turnouts/ORR-W07/work"); status != http.StatusForbidden {
		t.Errorf("a viewer's token records work: %d", status)
	}

	do(t, ctx, "out", chromedp.Click("#logout", chromedp.ByQuery), arrives(`location.pathname === "/login" && document.querySelector("#login-name") != null`))
	do(t, ctx, "a wrong password", typed("#login-name", "chief"), typed("#login-password", viewers), chromedp.KeyEvent(kb.Enter),
		arrives(`document.querySelector("#login-outcome").innerText.includes("The name or the password is wrong")`), arrives(`document.activeElement.id === "login-password"`), shot("login"))
	do(t, ctx, "an empty password", chromedp.KeyEvent(kb.Enter), arrives(`document.querySelector("#login-password-wrong").innerText.includes("fill this in")`))

	// The viewer sees, and does nothing.
	status := 0
	do(t, ctx, "the viewer", chromedp.Navigate(link), arrives(`document.querySelector("#welcome-name")?.value === "watcher"`),
		typed("#welcome-password", viewers), chromedp.KeyEvent(kb.Enter), arrives(`document.querySelector("#me")?.innerText === "The Watcher"`),
		chromedp.Navigate(program.page+"/turnouts/ORR-W07"), arrives(`document.querySelector("#visits") != null && document.querySelector("#me")?.innerText === "The Watcher"`),
		arrives(`document.querySelector("#work-form").offsetParent == null`),
		fetched("/api/v1/turnouts/ORR-W07/work", `{"work":"cleaned"}`, &status))
	if status != http.StatusForbidden {
		t.Errorf("a viewer records work: %d", status)
	}
	cab.throw("ORR-W09", 0, true, time.Now().Add(-3*time.Minute))
	cab.throw("ORR-W09", 0, false, time.Now().Add(-2*time.Minute))
	do(t, ctx, "the viewer handles no alerts", chromedp.Navigate(program.page+"/"), shows("calls", "ORR-W09"), arrives(`document.querySelector("#me")?.innerText === "The Watcher"`),
		arrives(`document.querySelector(".cases button, .cases input") == null && document.querySelector("#deeds").offsetParent == null`),
		pressed("a"), pressed("s"), chromedp.Sleep(300*time.Millisecond),
		arrives(`document.querySelector("dialog[open]") == null && document.querySelector("#cases-calls").innerText.includes("ORR-W09")`))
	do(t, ctx, "people are not for the viewer", chromedp.Navigate(program.page+"/people"), arrives(`document.body.innerText.includes("not for your role")`))

	// The chief, elsewhere, makes him a maintainer; then he records work under his own name.
	chief := login(t, program.page, "chief", chiefs)
	if status := chief("/api/v1/users/watcher", `{"role":"maintainer"}`); status != http.StatusOK {
		t.Fatalf("found %d", status)
	}
	do(t, ctx, "a maintainer", chromedp.Navigate(program.page+"/turnouts/ORR-W07"), arrives(`document.querySelector("#work-form")?.offsetParent != null`),
		arrives(`document.querySelector("#work-by").offsetParent == null`),
		chromedp.SetValue(`#work-kind`, "cleaned", chromedp.ByQuery),
		// By key: graphs that are still being drawn move the button from under the pointer.
		chromedp.SendKeys(`#work-form button[type=submit]`, kb.Enter, chromedp.ByQuery),
		arrives(`document.querySelector("#visits").innerText.includes("watcher")`))

	// Disabled, he is out within seconds, without doing anything.
	do(t, ctx, "watching", chromedp.Navigate(program.page+"/"), arrives(`document.documentElement.dataset.stream === "open"`))
	if status := chief("/api/v1/users/watcher", `{"disabled":true}`); status != http.StatusOK {
		t.Fatalf("found %d", status)
	}
	do(t, ctx, "out within seconds", arrives(`location.pathname === "/login"`))
}

// with asks with a token.
func with(t *testing.T, token, method, address string) int {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, address, strings.NewReader(`{"work":"cleaned"}`))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+token)
	r.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	return res.StatusCode
}

// login logs in beside the browser, and returns what posts as this person.
func login(t *testing.T, page, name, password string) func(path, body string) int {
	t.Helper()
	var session []*http.Cookie
	post := func(path, body string) int {
		r, err := http.NewRequestWithContext(t.Context(), "POST", page+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", page)
		for _, c := range session {
			r.AddCookie(c)
		}
		res, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if session == nil {
			session = res.Cookies()
		}
		return res.StatusCode
	}
	body, _ := json.Marshal(map[string]string{"name": name, "password": password})
	if status := post("/api/v1/session", string(body)); status != http.StatusOK || len(session) == 0 {
		t.Fatalf("login: found %d and %d cookies", status, len(session))
	}
	return post
}
