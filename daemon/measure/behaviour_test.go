package measure

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
)

// at is seconds as an instant.
func at(s float64) adc.Instant { return adc.Instant(s * 1e9) }

// keyOf reads "a2 o4 s6 r7 f10": the letter of a position (a accessory, o on,
// s start, r running, f off) and the second it was reached.
func keyOf(text string) keyStory {
	k := keyStory{from: at(0.2), to: at(18), seesAccessory: true}
	letters := map[byte]adc.Position{'a': adc.Accessory, 'o': adc.On, 's': adc.Start, 'r': adc.Running, 'f': adc.Off}
	for _, w := range strings.Fields(text) {
		var s float64
		fmt.Sscanf(w[1:], "%g", &s)
		k.moves = append(k.moves, KeyMoved{Position: letters[w[0]], At: at(s), U: time.Millisecond, Source: adc.SourceLead})
	}
	return k
}

// storyOf reads "0 +2.01 -10": the first state (0 dead, 1 live) and the seconds
// of going live (+) and dead (-).
func storyOf(text string) leadStory {
	f := strings.Fields(text)
	s := leadStory{initial: Dead}
	if f[0] == "1" {
		s.initial = Live
	}
	for _, w := range f[1:] {
		var sec float64
		fmt.Sscanf(w[1:], "%g", &sec)
		m := Transition{State: Live, At: at(sec), U: time.Millisecond}
		if w[0] == '-' {
			m.State = Dead
		}
		s.moves = append(s.moves, m)
	}
	return s
}

func TestBehaviourOfOneCycle(t *testing.T) {
	const full = "a2 o4 s6 r7 f12"
	for _, c := range []struct{ name, key, story, want string }{
		{"always live", full, "1", "permanent"},
		{"always live, shed while cranking", full, "1 -6.01 +7.01", "permanent off-in-start"},
		{"live until the vehicle sleeps", full, "1 -15", "awake stays-on=3s"},
		{"accessory, off while cranking", full, "0 +2.01 -6.01 +7.01 -12.01", "accessory off-in-start stays-on=10ms"},
		{"accessory that stays on", full, "0 +2.01 -15", "accessory stays-on=3s"},
		{"accessory still on at the end", full, "0 +2.01", "accessory stays-on=6s+"},
		{"ignition", full, "0 +4.01 -12.002", "ignition stays-on=2ms"},
		{"ignition, shed while cranking", full, "0 +4.01 -6.01 +7.02 -12.01", "ignition off-in-start stays-on=10ms"},
		{"start only", full, "0 +6.01 -7.01", "start-only"},
		{"engine running", full, "0 +7.3 -12.01", "engine-running stays-on=10ms"},
		{"no volts anywhere", full, "0", "none"},
		{"switch in on", full, "0 +4.8 -5.5", "switch-operated"},
		{"switch while running, twice", full, "0 +8 -9 +10 -11", "switch-operated"},
		{"contact lost on an accessory feed", full, "0 +2.01 -4.9 +5.1 -12.01", "accessory stays-on=10ms intermittent"},
		{"contact lost on a permanent feed", full, "1 -3 +3.2 -9 +9.2", "permanent intermittent"},
		{"loose permanent feed", full, "1 -3 +3.2 -5 +5.1 -8 +8.05 -9 +9.2 -10 +10.7", "intermittent intermittent"},
		{"flicker", full, "0 +3 -3.1 +3.4 -3.5 +5 -5.1 +8 -9 +9.5 -9.7", "intermittent intermittent"},

		{"accessory skipped: on feed", "o4 s6 r7 f12", "0 +4.01 -12.01", "not-proven (ignition accessory) by accessory stays-on=10ms"},
		{"accessory skipped: permanent", "o4 s6 r7 f12", "1", "permanent"},
		{"start skipped: dead", "a2 o4 f12", "0", "not-proven (none start-only engine-running) by start running"},
		{"start skipped: ignition", "a2 o4 f12", "0 +4.01 -12.01", "ignition stays-on=10ms"},
		{"start failed: dead", "a2 o4 s6 o7 f12", "0", "not-proven (none engine-running) by running"},
		{"start failed: start only", "a2 o4 s6 o7 f12", "0 +6.01 -7", "start-only"},
		{"accessory only: dead", "a2 f12", "0", "not-proven (none ignition start-only engine-running) by on start running"},
		{"accessory only: live", "a2 f12", "0 +2.01 -12.01", "accessory stays-on=10ms"},
		{"stop and restart: engine running", "a2 o4 s5 r6 o8 s9 r10 f13", "0 +6.2 -8.05 +10.2 -13.01", "engine-running stays-on=10ms"},
		{"double start: start only", "a2 o3 s5 o6 s8 r9 f12", "0 +5.01 -6.01 +8.01 -9.01", "start-only"},
		{"still open", "a2 o4", "0 +2.01", "accessory"},
	} {
		r := SlotResult{}
		decide(&r, storyOf(c.story), keyOf(c.key))
		if got := describe(r); got != c.want {
			t.Errorf("%s (%s | %s): %s, want %s", c.name, c.key, c.story, got, c.want)
		}
	}
}

func describe(r SlotResult) string {
	w := []string{r.Behaviour.String()}
	if r.Possible != nil {
		var p []string
		for _, b := range r.Possible {
			p = append(p, b.String())
		}
		w = append(w, "("+strings.Join(p, " ")+")", "by")
		for _, p := range r.DecidedBy {
			w = append(w, p.String())
		}
	}
	if r.OffInStart {
		w = append(w, "off-in-start")
	}
	if r.HasStaysOn {
		s := "stays-on=" + r.StaysOn.String()
		if r.StaysOnOpen {
			s += "+"
		}
		w = append(w, s)
	}
	return strings.Join(append(w, r.Seen.Words()...), " ")
}

func TestSlotWithTwoLeadsIsLiveWhileEitherIs(t *testing.T) {
	s := joinLeads([]leadStory{storyOf("0 +2 -5"), storyOf("0 +3 -4 +4.5 -6")})
	var got []string
	for _, m := range s.moves {
		got = append(got, fmt.Sprintf("%s %g", m.State, m.At.Seconds()))
	}
	if want := []string{"live 2", "dead 6"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}
