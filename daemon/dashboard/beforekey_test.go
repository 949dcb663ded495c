package dashboard

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"keyturn/protocol"
)

// keyed is a bench's now with the key at a position.
func keyed(at time.Duration, p protocol.Position) *protocol.Now {
	n := nowOf("bay-1", at, 2)
	n.Key.Position = p
	return n
}

// Whoever is about to turn a vehicle's key is told what to look at, and may say that he
// has. That counts until the key is off again, and no longer than a quarter of an hour.
func TestBeforeTheKey(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, h := newState(t), time.Duration(0)
		turn := func(p protocol.Position) {
			h += time.Second
			take(t, s, keyed(h, p))
		}
		take(t, s, described("bay-1", 2))
		turn(protocol.PositionOff)
		b := newBrowser(newPages(t, Options{State: s}))
		show := func() string { return b.get("/bench/bay-1").Body.String() }
		tick := func() int { return b.ask(http.MethodPost, "/bench/bay-1/looked", url.Values{}).Code }
		const button, noted = "I have looked at all of it", "looked at just now"
		asked := func(when string) {
			t.Helper()
			if page := show(); !strings.Contains(page, button) || strings.Contains(page, noted) || !strings.Contains(page, "<details open>") {
				t.Errorf("%s nobody is asked to look:\n%s", when, page)
			}
		}
		asked("at first")
		if page := show(); !strings.Contains(page, "handbrake") || strings.Contains(page, "shunt") {
			t.Errorf("the list: %s", page)
		}
		if page := b.get("/").Body.String(); !strings.Contains(page, "Before anybody turns the key of a vehicle") || !strings.Contains(page, "handbrake") {
			t.Errorf("the page Now: %s", page)
		}
		before, _, _ := s.one("bay-1")
		form := before.view(time.Now()).Form
		if code := tick(); code != http.StatusSeeOther {
			t.Fatalf("noted with %d", code)
		}
		if page := show(); strings.Contains(page, button) || !strings.Contains(page, noted) {
			t.Errorf("not noted: %s", page)
		}
		if after, _, _ := s.one("bay-1"); after.view(time.Now()).Form == form {
			t.Error("pages that are open are not made anew")
		}
		for _, p := range []protocol.Position{protocol.PositionOn, protocol.PositionStart, protocol.PositionRunning} {
			turn(p)
			if page := show(); !strings.Contains(page, noted) || strings.Contains(page, button) {
				t.Errorf("at %s it does not count: %s", p, page)
			}
			if code := tick(); code != http.StatusConflict {
				t.Errorf("at %s: %d", p, code)
			}
		}
		turn(protocol.PositionOff)
		asked("after key-off")
		tick()
		<-time.After(checkedMost)
		asked("a quarter of an hour later")
		tick()
		again := keyed(h+time.Second, protocol.PositionOff)
		again.Boot = "76543210"
		take(t, s, again)
		asked("after the bench has begun anew")
	})
}

// No person turns the key of a box on a bench supply, and nobody knows what a bench is on
// that has not said.
func TestNothingBeforeTheKeyOffAVehicle(t *testing.T) {
	for _, d := range []*protocol.Bench{described("bay-1", 2), nil} {
		s := newState(t)
		if d != nil {
			d.Subject = protocol.OffVehicle
			take(t, s, d)
		}
		take(t, s, keyed(time.Second, protocol.PositionOff))
		b := newBrowser(newPages(t, Options{State: s}))
		for _, path := range []string{"/", "/bench/bay-1"} {
			if page := b.get(path).Body.String(); strings.Contains(page, "turns the key") {
				t.Errorf("%s: %s", path, page)
			}
		}
		for _, path := range []string{"/bench/bay-1/looked", "/bench/nobody/looked"} {
			if code := b.ask(http.MethodPost, path, url.Values{}).Code; code != http.StatusConflict {
				t.Errorf("%s: %d", path, code)
			}
		}
	}
}
