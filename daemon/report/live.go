package report

import (
	"fmt"

	"keyturn/protocol"
)

// KeyMoved says that the key has reached a position, since being the zero of the
// times shown.
func KeyMoved(k *protocol.KeyMove, since int64) string {
	return fmt.Sprintf("%8.3f s  key: %s", float64(k.AtNS-since)*1e-9, Position(k.Position))
}

// Transition says that a slot went live or lost its volts; empty for a lead in
// no slot.
func Transition(t *protocol.TransitionResult, legend string, since int64) string {
	if t.Slot == "" {
		return ""
	}
	name := fmt.Sprintf("%s %s", t.Slot, legend)
	if t.Withdrawn {
		return fmt.Sprintf("            %-24s taken back: %s", name, string(t.Why))
	}
	text := fmt.Sprintf("%8.3f s  %-24s %-8s", float64(t.AtNS-since)*1e-9, name, State(t.State))
	if t.Timing == protocol.TimingCurve {
		return fmt.Sprintf("%s ± %s", text, plusMinus(2*float64(t.UUS)*1e-3))
	}
	return fmt.Sprintf("%s within %.1f ms", text, float64(t.NotAfterNS-t.NotBeforeNS)*1e-6)
}

// Crank says how the battery sense lead, or a slot, took a start.
func Crank(k *protocol.CrankResult, name string, since int64) string {
	if k.CrankDetail == nil {
		return ""
	}
	at := float64(k.BeginsNotAfterNS-since) * 1e-9
	if k.Sag == nil {
		return fmt.Sprintf("%8.3f s  %s: start not measured, %s", at, name, string(k.NotMeasured))
	}
	return fmt.Sprintf("%8.3f s  %s while cranking: lowest %s, %.1f V while turning, %s long",
		at, name, sagText(k.Sag), float64(k.PlateauV), Seconds(float64(k.EndsNS-k.BeginsNotAfterNS)*1e-9))
}
