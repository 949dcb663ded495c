package main

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// A person takes a job from the vehicle to its removal card, by what stands on the pages:
// from a key cycle's page on, with a mistake on the way.
func TestBrowserJobFromVehicleToRemovalCard(t *testing.T) {
	s, x, axe := openSite(t), startBrowser(t).tab(t), axeSource(t)
	_, stop := s.bench("bay-1", 0, 0)
	waitUntil(t, "two whole key cycles", func() bool { return s.measured("bay-1") })
	stop()
	x.size(390)
	x.theme(themes()[0])
	x.open(s.at(s.cycles[1]))
	x.follow("Open a job for a vehicle with it")
	x.fill(map[string]string{"Registration": "KT12 ABC", "Model": "Marlow Carrier 2", "Year": "two"})
	x.submit("Year")
	x.wait("what is wrong is said, and nothing typed is lost", `document.querySelector("[role=alert]") && document.querySelector("[name=Registration]").value === "KT12 ABC"`)
	for _, f := range x.faults(axe, themes()[0], 390) {
		t.Errorf("a form that came back: %s", f)
	}
	x.fill(map[string]string{"Year": "2019"})
	x.submit("Year")
	x.wait("the job's page", `location.pathname === "/job/1" && document.querySelector("h1").textContent.includes("KT12 ABC")`)
	x.open(s.at(s.cycles[0]))
	x.fill(map[string]string{"Job": "1", "Phase": "fitted"})
	x.submit("Phase")
	x.wait("the job again, with both key cycles held against each other", `location.pathname === "/job/1" && document.querySelector(".held")`)
	x.follow("Note a fitting")
	x.fill(map[string]string{"Accessory": "Dash camera", "Slot": "f01", "OriginalFuseA": "7.5", "AddedFuseA": "2", "EarthPoint": "M6 stud behind the kick panel", "FittedBy": "R. Okafor"})
	x.submit("Accessory")
	x.wait("the job with its fitting", `location.pathname === "/job/1" && document.body.textContent.includes("Dash camera")`)
	x.follow("Removal card")
	x.wait("the removal card", `location.pathname === "/job/1/card"`)
	card := eval[string](x, "document.querySelector('main').innerText")
	for _, want := range []string{"KT12 ABC", "Dash camera", "slot f01", "7.5 A", "M6 stud behind the kick panel", "R. Okafor"} {
		if !strings.Contains(card, want) {
			t.Errorf("no %q on the card:\n%s", want, card)
		}
	}
	for _, said := range x.troubles() {
		if !strings.Contains(said, "422") { // the form that came back
			t.Error(said)
		}
	}
}

// follow clicks a link by its words.
func (x *tab) follow(words string) {
	x.t.Helper()
	at := fmt.Sprintf(`[...document.querySelectorAll("main a")].find((a) => a.textContent.trim() === %q)`, words)
	x.wait("a link "+words, at)
	eval[chromedp.Void](x, at+".click()")
}

// fill types into fields by their names, and chooses.
func (x *tab) fill(fields map[string]string) {
	x.t.Helper()
	for name, value := range fields { // in any order
		at := fmt.Sprintf(`document.querySelector("main [name=%s]")`, name)
		x.wait("a field "+name, at)
		eval[chromedp.Void](x, fmt.Sprintf("%s.value = %q", at, value))
		if got := eval[string](x, at+".value"); got != value {
			x.t.Fatalf("field %s takes %q, not %q", name, got, value)
		}
	}
}

// submit sends the form that a field is in, by its button.
func (x *tab) submit(field string) {
	x.t.Helper()
	eval[chromedp.Void](x, fmt.Sprintf(`document.querySelector("main [name=%s]").form.querySelector("button").click()`, field))
}
