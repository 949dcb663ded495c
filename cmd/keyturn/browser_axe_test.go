package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// axeSum is the SHA-256 of axe.min.js of the npm package axe-core 4.14.1, as its
// sri-history.json tells it too.
const axeSum = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c"

// axeSource is axe-core, the outside judge of how far pages keep to WCAG.
func axeSource(t *testing.T) string {
	t.Helper()
	packed, err := os.ReadFile("../../testdata/axe/axe.min.js.gz")
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	if sum := sha256.Sum256(text); hex.EncodeToString(sum[:]) != axeSum {
		t.Fatalf("testdata/axe holds another axe-core: %x", sum)
	}
	return string(text)
}

// axeRun runs rules: all of WCAG 2.2 to level AA and what is called best practice, or those
// of colour.
const axeRun = `axe.run(document, {
	runOnly: %s,
	resultTypes: ["violations"],
}).then((r) => ({
	passes: r.passes.length,
	violations: r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.map((n) => n.target.join(" ") + " [" + n.any.concat(n.all, n.none).map((c) => c.message).join(", ") + "]").join("; ")),
}))`

const (
	allRules     = `["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]`
	rulesOfColor = `{type: "rule", values: ["color-contrast", "link-in-text-block"]}`
	// In the reader's own colours axe takes -webkit-text-fill-color for a text's colour,
	// of which Chromium tells what the page wanted, not what is shown.
	rulesOfForced = allRules + `, rules: {"color-contrast": {enabled: false}}`
)

// violations asks axe about the page as it is shown now.
func (x *tab) violations(axe string, m theme) []string {
	x.t.Helper()
	if !eval[bool](x, "!!window.axe") {
		do(x, chromedp.Evaluate[chromedp.Void](axe))
	}
	r := eval[struct {
		Passes     int
		Violations []string
	}](x, fmt.Sprintf(axeRun, m.rules))
	if r.Passes < 10 && m.rules != rulesOfColor || r.Passes == 0 {
		x.t.Fatalf("axe found only %d rules to apply: it has not seen the page", r.Passes)
	}
	return r.Violations
}

// What is wrong is found: a page that was whole, and is then spoilt in one way, is
// refused for that.
func TestBrowserJudgesCanSayNo(t *testing.T) {
	s, x, axe := startSite(t), startBrowser(t).tab(t), axeSource(t)
	x.cookie(s.cookie, s.at("/"))
	for rule, spoil := range map[string]string{ // each by itself
		"label":                 `document.querySelector("label[for=s-slot]").remove()`,
		"color-contrast":        `document.querySelector(".hint").classList.replace("hint", "unlit"), document.styleSheets[0].insertRule(".unlit { color: #345 }")`,
		"target-size":           `document.styleSheets[0].insertRule("nav a { min-width: 0 !important; min-height: 0 !important; padding: 0 !important; font-size: 8px !important; line-height: 1 }")`,
		"page-has-heading-one":  `document.querySelector("h1").remove()`,
		"html-has-lang":         `document.documentElement.removeAttribute("lang")`,
		"scrolls sideways":      `document.styleSheets[0].insertRule("h1 { min-width: 2000px }")`,
		"too small for a glove": `document.styleSheets[0].insertRule("button { min-height: 30px !important }")`,
		"shows its own colours": `document.styleSheets[0].insertRule("h1 { forced-color-adjust: none }")`,
		"policy":                `document.body.insertAdjacentHTML("beforeend", "<p style='color: red'>x</p>")`,
		"exception":             `setTimeout(() => { throw new Error("planted") })`,
	} {
		m := themes()[0]
		if rule == "shows its own colours" {
			m = themes()[2]
		}
		x.size(390)
		x.theme(m)
		x.open(s.at("/history"))
		if bad := append(x.faults(axe, m, 390), x.troubles()...); len(bad) > 0 {
			t.Fatalf("before anything was spoilt: %q", bad)
		}
		eval[chromedp.Void](x, spoil)
		want := map[string]string{"policy": "Content Security Policy", "exception": "planted"}[rule]
		if want == "" {
			want = rule
		}
		waitUntil(t, rule+" is found", func() bool {
			return strings.Contains(strings.Join(append(x.faults(axe, m, 390), x.troubles()...), "\n"), want)
		})
	}
}
