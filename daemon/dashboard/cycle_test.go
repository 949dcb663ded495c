package dashboard

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"
)

// The page of an open key cycle asks to be kept up to date, and says what to do without
// scripts; that of a final one is left alone.
func TestAnOpenKeyCycleIsFollowed(t *testing.T) {
	c := cycleOf("b", 0)
	for _, final := range []bool{false, true} {
		c.Final = final
		h := newPages(t, Options{State: newState(t), Records: memory{c}})
		doc, text := pageAt(t, h, "/cycle/b/"+c.ID, http.StatusOK)
		live := all(doc, "body", "data-live")
		shown := all(doc, "div", "data-revision")
		if len(shown) != 1 || attr(shown[0], "data-cycle") != c.ID || attr(shown[0], "data-revision") != "2" || (attr(shown[0], "data-open") == "yes") == final {
			t.Fatalf("final %t: the page does not say what it shows", final)
		}
		if !final && (len(live) != 1 || attr(live[0], "data-live") != "/events?bench=b") || final && len(live) != 0 {
			t.Errorf("final %t: kept up to date by %d", final, len(live))
		}
		if strings.Contains(text, "reload this page") == final {
			t.Errorf("final %t: what to do without scripts", final)
		}
	}
}

// A stream says which revision of the latest key cycle there is.
func TestStreamTellsRevisions(t *testing.T) {
	s := newState(t)
	c := cycleOf("b", 0)
	for _, revision := range []int{1, 7} {
		c.Revision = revision
		take(t, s, nowOf("b", time.Second, 1), c)
		h, _, _ := s.one("b")
		var u update
		if err := json.Unmarshal([]byte(strings.TrimPrefix(updateText(t, h), "data: ")), &u); err != nil {
			t.Fatal(err)
		}
		if u.Last != c.ID || u.Revision != revision {
			t.Errorf("revision %d is told as %d of %s", revision, u.Revision, u.Last)
		}
	}
}
