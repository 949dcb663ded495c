package dashboard

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"keyturn/protocol"
)

// From a key cycle to its comparison with another, by the links of the pages alone.
func TestCompareIsReachedByLinks(t *testing.T) {
	s := newState(t)
	take(t, s, nowOf("b", time.Second, 3))
	var stored memory
	for n := range pageOf + 5 {
		stored = append(memory{cycleOf("b", n)}, stored...)
	}
	stored = append(stored, cycleOf("other", 0))
	h := newPages(t, Options{State: s, Records: stored})
	chosen := stored[10] // n = 44: ignition
	doc, _ := pageAt(t, h, "/cycle/b/"+chosen.ID, http.StatusOK)
	follow := func(title string) {
		t.Helper()
		for _, a := range all(doc, "a", "href") {
			if words(a) == title {
				doc, _ = pageAt(t, h, attr(a, "href"), http.StatusOK)
				return
			}
		}
		t.Fatalf("no link %q on %s", title, words(doc))
	}
	follow("Compare with another")
	var choices []string
	for _, tr := range all(doc, "a", "href") {
		if strings.HasPrefix(attr(tr, "href"), "/compare?a") && strings.Contains(attr(tr, "href"), "b-bench") {
			choices = append(choices, attr(tr, "href"))
		}
	}
	if len(choices) != pageOf-1 {
		t.Fatalf("%d to choose from, want %d: all of the page but itself", len(choices), pageOf-1)
	}
	// The earlier one stands first, whichever was chosen first.
	later, err := url.Parse(choices[0])
	if err != nil || later.Query().Get("a") != chosen.ID || later.Query().Get("b") != stored[0].ID {
		t.Errorf("a later one is compared by %v (%v)", later, err)
	}
	old, err := url.Parse(choices[len(choices)-1])
	if err != nil || old.Query().Get("b") != chosen.ID || old.Query().Get("a") != stored[pageOf-1].ID {
		t.Errorf("an earlier one is compared by %v (%v)", old, err)
	}
	follow("Older")
	if got := len(all(doc, "a", "href")); got == 0 || !strings.Contains(words(doc), "Choose the other key cycle") {
		t.Error("the older ones cannot be chosen")
	}
	doc, _ = pageAt(t, h, choices[0], http.StatusOK) // n = 54, ignition too
	if text := words(doc); !strings.Contains(text, "As before: nothing differs in what both key cycles show of 1 slot.") || !strings.Contains(text, "As before: f01.") {
		t.Errorf("two like ones: %s", text)
	}
	doc, _ = pageAt(t, h, choices[1], http.StatusOK) // n = 53, permanent
	if text := words(doc); !strings.Contains(text, "Not as before: 1 slot differs (f01).") || !strings.Contains(text, "what it is live with the ignition on (15) permanent: live all") {
		t.Errorf("two unlike ones: %s", text)
	}
	follow("The other way round")
	if text := words(doc); !strings.Contains(text, "what it is permanent: live all 0.0 ms watched (30) live with the ignition on (15)") {
		t.Errorf("the other way round: %s", text)
	}
}

func TestCompareRefusesWhatIsNot(t *testing.T) {
	a := cycleOf("b", 0)
	h := newPages(t, Options{State: newState(t), Records: memory{a}})
	for path, status := range map[string]int{ // each by itself
		"/compare":                  http.StatusBadRequest,
		"/compare?a-bench=b&a=none": http.StatusNotFound,
		"/compare?a-bench=b&a=" + a.ID + "&b-bench=b&b=none":           http.StatusNotFound,
		"/compare?a-bench=b&a=" + a.ID + "&b-bench=b&b=%3Cscript%3E":   http.StatusNotFound,
		"/compare?a-bench=b&a=" + a.ID + "&bench=B%20B":                http.StatusBadRequest,
		"/compare?a-bench=b&a=" + a.ID + "&before-bench=b&before=none": http.StatusNotFound,
		"/compare?a-bench=b&a=" + a.ID:                                 http.StatusOK,
		"/compare?a-bench=b&a=" + a.ID + "&b-bench=b&b=" + a.ID:        http.StatusOK,
	} {
		pageAt(t, h, path, status)
	}
}

func TestCompareSaysWhatIsOpen(t *testing.T) {
	a, b := storedCycle(t, "double-start"), storedCycle(t, "double-start")
	b.ID, b.Final, b.Ended = "0123abcd-7", false, ""
	b.Slots[0].Legend = protocol.OrNull("<b>\u202e")
	b.Slots[0].Behaviour = protocol.Intermittent
	h := newPages(t, Options{State: newState(t), Records: memory{a, b}})
	doc, text := pageAt(t, h, compareURL(a, b), http.StatusOK)
	for _, want := range []string{"The one after is still open: this may change.", "seems to differ", "may be chance: measure again"} {
		if !strings.Contains(words(doc), want) {
			t.Errorf("lacks %q", want)
		}
	}
	if strings.Contains(text, "\u202e") || strings.Contains(text, "<b>\uFFFD") {
		t.Error("a legend came through as it was")
	}
}
