package pagestest

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// axeScript is fetched by build.sh, for these tests alone. axe-core (MPL-2.0)
// is never shipped: nothing of it gets into the bundle.
const axeScript = "../../../../alerting/screen/pages/node_modules/axe-core/axe.min.js"

// violation is what axe-core finds against.
type violation struct {
	ID    string
	Help  string
	Nodes []struct {
		HTML           string
		FailureSummary string
	}
}

// axe runs axe-core on what the page shows now. The script comes through the
// debugger, for the page's own policy lets in no foreign one.
func axe(ctx context.Context, source string) (found struct {
	Violations []violation
	Passes     int
}, err error) {
	var there bool
	if err := chromedp.Evaluate(`typeof axe === "object"`, &there).Do(ctx); err != nil {
		return found, err
	}
	if !there {
		if err := chromedp.Evaluate(source+"; true", nil).Do(ctx); err != nil {
			return found, fmt.Errorf("load axe-core: %w", err)
		}
	}
	// An animation half done has colours that nobody is to read.
	err = chromedp.Evaluate(`(async () => {
		for (const a of document.getAnimations()) if (a.effect?.getComputedTiming().endTime !== Infinity) a.finish();
		const r = await axe.run(document, { resultTypes: ["violations"] });
		return { violations: r.violations.map((v) => ({ id: v.id, help: v.help,
			nodes: v.nodes.map((n) => ({ html: n.html, failureSummary: n.failureSummary })) })), passes: r.passes.length };
	})()`, &found, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }).Do(ctx)
	if err != nil {
		return found, fmt.Errorf("run axe-core: %w", err)
	}
	return found, nil
}

func axeSource(t *testing.T) string {
	t.Helper()
	source, err := os.ReadFile(axeScript)
	if err != nil {
		t.Fatalf("%v: run make pages", err)
	}
	return string(source)
}

// accessible holds what the page shows now against all rules of axe-core for
// WCAG 2.2, levels A and AA, and its own for good practice.
func accessible(t *testing.T, name string) chromedp.Action {
	t.Helper()
	source := axeSource(t)
	return chromedp.ActionFunc(func(ctx context.Context) error {
		found, err := axe(ctx, source)
		if err != nil {
			return err
		}
		if found.Passes < 5 {
			t.Errorf("%s: expected axe-core to look at the page, found %d rules that applied", name, found.Passes)
		}
		for _, v := range found.Violations {
			for i, n := range v.Nodes {
				if i == 3 {
					t.Errorf("%s: %s: and %d more", name, v.ID, len(v.Nodes)-i)
					break
				}
				t.Errorf("%s: %s: %s\n\t%.300s\n\t%s", name, v.ID, v.Help, n.HTML, strings.ReplaceAll(n.FailureSummary, "\n", "\n\t"))
			}
		}
		return nil
	})
}

// What looks at the pages finds faults where there are some.
func TestAxeFindsFaults(t *testing.T) {
	if _, err := os.Stat(axeScript); err != nil && os.Getenv("CI") == "" {
		t.Skip("axe-core is not there: make pages")
	}
	source := axeSource(t)
	ctx := browser(t)
	do(t, ctx, "a page with faults",
		chromedp.Navigate(`data:text/html,<!doctype html><html lang="en"><title>x</title><main><h1>x</h1><img src="data:,"><p style="color:%23bbb">pale</p></main>`),
		chromedp.ActionFunc(func(ctx context.Context) error {
			found, err := axe(ctx, source)
			if err != nil {
				return err
			}
			ids := ""
			for _, v := range found.Violations {
				ids += v.ID + " "
			}
			if ids != "color-contrast image-alt " {
				t.Errorf("expected color-contrast image-alt, found %s", ids)
			}
			return nil
		}))
}
