package main

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// browser is a headless Chromium: the outside judge of the pages.
type browser struct{ ctx context.Context }

// browserMost is how long one word with the browser may take, a printed page included.
const browserMost = time.Minute

func startBrowser(t *testing.T) *browser {
	t.Helper()
	program, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatalf("there is no Chromium: install the Debian package chromium: %v", err)
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(program), chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium has none for the superuser
	}
	ctx, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, stop = chromedp.NewContext(ctx)
	t.Cleanup(stop)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start Chromium: %v", err)
	}
	return &browser{ctx}
}

// tab is a page of the browser.
type tab struct {
	t   *testing.T
	ctx context.Context

	mu      sync.Mutex
	trouble []string
}

// tab opens a page for somebody of whom the browser knows nothing yet.
func (b *browser) tab(t *testing.T) *tab {
	t.Helper()
	ctx, stop := chromedp.NewContext(b.ctx, chromedp.WithNewBrowserContext())
	t.Cleanup(stop)
	x := &tab{t: t, ctx: ctx}
	if err := chromedp.Listen(ctx, x.hear); err != nil {
		t.Fatalf("open a page: %v", err)
	}
	return x
}

// hear keeps what a person would find in the console: errors of scripts, what the
// policy forbade, what could not be loaded.
func (x *tab) hear(event any) {
	said := ""
	switch e := event.(type) {
	case *runtime.EventExceptionThrown:
		said = "exception: " + e.ExceptionDetails.Text + " " + e.ExceptionDetails.Exception.Description
	case *runtime.EventConsoleAPICalled:
		said = fmt.Sprintf("console.%s", e.Type) // nothing of ours says anything there
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError || e.Entry.Level == log.EntryLevelWarning {
			said = fmt.Sprintf("%s: %s (%s)", e.Entry.Source, e.Entry.Text, e.Entry.URL)
		}
	}
	if said != "" {
		x.mu.Lock()
		defer x.mu.Unlock()
		x.trouble = append(x.trouble, said)
	}
}

// troubles returns what was heard since the last time.
func (x *tab) troubles() []string {
	x.mu.Lock()
	defer x.mu.Unlock()
	all := x.trouble
	x.trouble = nil
	return all
}

// do does one thing with the page and returns what comes of it.
func do[T any](x *tab, action chromedp.Action[T]) T {
	x.t.Helper()
	ctx, stop := context.WithTimeout(x.ctx, browserMost)
	defer stop()
	v, err := chromedp.Run(ctx, action)
	if err != nil {
		x.t.Fatalf("Chromium: %v", err)
	}
	return v
}

// open goes to an address, waits until all of it is loaded, and returns the status.
func (x *tab) open(url string) int {
	x.t.Helper()
	return int(do(x, chromedp.NavigateResponse(url)).Status)
}

// cookie gives the tab what a browser keeps of who is signed in.
func (x *tab) cookie(c *http.Cookie, url string) {
	x.t.Helper()
	do(x, func(ctx context.Context, t *chromedp.Target) (cdp.Empty, error) {
		return cdp.Call(ctx, t, network.SetCookie, network.SetCookieParams{Name: c.Name, Value: c.Value, URL: url, HTTPOnly: &c.HttpOnly})
	})
}

// wait waits until an expression holds on the page, whichever page that is by then.
func (x *tab) wait(what, expression string) {
	x.t.Helper()
	waitUntil(x.t, what, func() bool {
		ctx, stop := context.WithTimeout(x.ctx, browserMost)
		defer stop()
		holds, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+expression+")"))
		return err == nil && holds // a page that is just being left has no answer
	})
}

// eval returns the value of an expression, or that of its promise.
func eval[T any](x *tab, expression string) T {
	x.t.Helper()
	return do(x, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
}

// theme is how a page is to look.
type theme struct {
	name   string
	media  string
	scheme string
	forced string // colours of the reader's own
	rules  string // that can tell another thing than in the first theme
}

// themes are all there are. On the screen they differ in colours only.
func themes() []theme {
	return []theme{{"dark", "screen", "dark", "none", allRules}, {"light", "screen", "light", "none", rulesOfColor}, {"forced-colours", "screen", "dark", "active", rulesOfForced},
		{"print", "print", "light", "none", allRules}}
}

// paperWidth is that of A4 between margins of 1 cm, 190 mm at 96 px an inch.
const paperWidth = 718

// size shows the page on a screen so wide, as a phone, a tablet or a wall would.
func (x *tab) size(width int64) {
	x.t.Helper()
	screen := emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 1080, DeviceScaleFactor: 1}
	switch width {
	case 390:
		screen.Height, screen.Mobile = 844, true
	case 1024:
		screen.Height = 768
	case paperWidth:
		screen.Height = 1047
	}
	do(x, func(ctx context.Context, t *chromedp.Target) (cdp.Empty, error) {
		return cdp.Call(ctx, t, emulation.SetDeviceMetricsOverride, screen)
	})
}

func (x *tab) theme(m theme) {
	x.t.Helper()
	do(x, func(ctx context.Context, t *chromedp.Target) (cdp.Empty, error) {
		return cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: m.media, Features: []*emulation.MediaFeature{
			{Name: "prefers-color-scheme", Value: m.scheme}, {Name: "forced-colors", Value: m.forced}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
	})
}
