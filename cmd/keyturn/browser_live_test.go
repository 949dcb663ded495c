package main

import (
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// A page that is left open follows a bench through its key cycle, says so when it no
// longer can, and goes on by itself once it can again: after a restart of the server,
// and after one of the broker.
func TestBrowserFollowsABench(t *testing.T) {
	s, x := openSite(t), startBrowser(t).tab(t)
	x.size(1024)
	x.open(s.at("/"))
	x.wait("the page says that there is no bench", `document.querySelector(".empty")`)
	bench, _ := s.bench("bay-1", 0, 4)
	x.wait("the bench comes by itself", `document.querySelector("[data-bench=bay-1] .slots > li")`)
	const slot = `[...document.querySelectorAll(".slots > li")].find((li) => li.querySelector(".slot").textContent === "f01").dataset.state`
	const shown = `!document.querySelector("[data-f=%s]").hidden`
	is := func(part string) string { return strings.Replace(shown, "%s", part, 1) }
	x.wait("a key cycle while it happens: the key on and slot f01 live", is("open")+` && document.querySelector("[data-f=key]").textContent.startsWith("on") && `+slot+` === "live"`)
	x.wait("the key cycle ends, and leads to its page", "!"+is("open")+" && "+slot+` !== "live" && `+is("last"))
	cycle := eval[string](x, `document.querySelector("[data-f=last]").getAttribute("href")`)
	waitUntil(t, "the key cycle is kept whole", func() bool {
		_, text := get(t, s.at(cycle))
		return strings.Contains(text, "final:")
	})
	eval[chromedp.Void](x, `document.querySelector("[data-f=last]").click()`)
	x.wait("the key cycle's page, with picture and table", `location.pathname.startsWith("/cycle/bay-1/") && document.querySelector("figure svg") && document.querySelectorAll("tbody tr").length > 11`)

	x.open(s.at("/"))
	bench.speed.Store(1)
	x.wait("the page is kept up to date", `document.querySelector("#made").textContent === "Kept up to date" && !`+is("stale"))
	eval[chromedp.Void](x, `window.left = "open"`) // a page made anew would not know
	s.end()
	x.wait("the page says that the server is away", `document.querySelector("#made").textContent.startsWith("Not kept up to date")`)
	s.again()
	x.wait("the page is kept up to date again", `document.querySelector("#made").textContent === "Kept up to date" && !`+is("stale"))
	s.broker.Kill()
	x.wait("the page says that the broker is away", is("stale")+` && document.querySelector("[data-f=hold]").textContent.includes("broker")`)
	s.broker.Restart()
	bench.speed.Store(4)
	x.wait("the page is up to date again", "!"+is("stale"))
	x.wait("another key cycle while it happens", is("open")+" && "+slot+` === "live"`)
	x.wait("that it is another", `document.querySelector("[data-f=last]").getAttribute("href") !== "`+cycle+`"`)
	if eval[string](x, `window.left || ""`) != "open" {
		t.Error("the page was made anew on the way")
	}
	for _, said := range x.troubles() {
		if !strings.HasPrefix(said, "network: ") { // the server was away
			t.Error(said)
		}
	}
}
