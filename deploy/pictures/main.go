// Command pictures takes the README's pictures of a running demo:
//
//	throwline demo &
//	go run ./deploy/pictures -page http://127.0.0.1:8080 -out deploy/pictures
//
// It waits until an alert stands, so that there is something to see.
package main

import (
	"context"
	"flag"
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

func main() {
	from := flag.String("page", "http://127.0.0.1:8080", "address of the demo")
	out := flag.String("out", "deploy/pictures", "folder for the pictures")
	flag.Parse()
	if err := take(*from, *out); err != nil {
		log.Fatal(err)
	}
}

func take(from, out string) error {
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("hide-scrollbars", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-background-networking", true))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	defer cancel()
	ctx, cancel = chromedp.NewContext(ctx)
	defer cancel()
	ctx, cancel = context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	const stiff = `document.querySelector("#alerts-open article.case[data-condition=stiffening]")`
	var turnout string
	if err := chromedp.Run(ctx,
		chromedp.EmulateViewport(1280, 760),
		chromedp.Navigate(from+"/"),
		chromedp.Poll(stiff+` != null`, nil, chromedp.WithPollingTimeout(time.Minute)),
		chromedp.Evaluate(stiff+`.dataset.turnout`, &turnout),
		chromedp.Click("#sound-release", chromedp.ByQuery), // a wall has its sound on
		chromedp.Sleep(3*time.Second),                      // some throws in the strip
		shot(filepath.Join(out, "alerts.png"), 0),
	); err != nil {
		return fmt.Errorf("picture of %s: %w", from, err)
	}
	if err := chromedp.Run(ctx,
		chromedp.Navigate(from+"/turnouts/"+turnout),
		chromedp.Poll(`document.querySelectorAll("[data-chart]").length >= 6 && document.querySelectorAll("[data-trace]").length >= 2`, nil),
		chromedp.Sleep(2*time.Second),
		shot(filepath.Join(out, "turnout.png"), 1500),
	); err != nil {
		return fmt.Errorf("picture of %s/turnouts/%s: %w", from, turnout, err)
	}
	for name, path := range map[string]string{"work.png": "/work", "fleet.png": "/turnouts"} {
		if err := chromedp.Run(ctx, chromedp.Navigate(from+path), chromedp.Sleep(3*time.Second), shot(filepath.Join(out, name), 640)); err != nil {
			return fmt.Errorf("picture of %s%s: %w", from, path, err)
		}
	}
	return nil
}

// shot saves the viewport, or the page's first height pixels.
func shot(name string, height float64) chromedp.Action {
	return chromedp.ActionFunc(func(ctx context.Context) error {
		c := page.CaptureScreenshot().WithFormat(page.CaptureScreenshotFormatPng)
		if height > 0 {
			c = c.WithCaptureBeyondViewport(true).WithClip(&page.Viewport{Width: 1280, Height: height, Scale: 0.8})
		}
		b, err := c.Do(ctx)
		if err != nil {
			return err
		}
		return os.WriteFile(name, b, 0o644)
	})
}
