package report

import (
	"fmt"
	"math"
	"strings"

	"keyturn/daemon/handbook"
	"keyturn/protocol"
)

// wakesTold is how many wakes are told one by one.
const wakesTold = 3

// Quiescent says what the vehicle drew after key-off, when it fell asleep and what woke
// it; empty where that was not measured.
func Quiescent(c *protocol.Cycle) string {
	q := c.Quiescent
	if q == nil {
		return ""
	}
	if q.CurrentMA == nil || q.UMA == nil || q.FromNS == nil || q.ToNS == nil {
		return "Current after key-off: not measured yet."
	}
	limit := fmt.Sprintf("asleep is below %.0f mA", float64(q.LimitMA))
	figure := fmt.Sprintf("%s over %s", amps(*q.CurrentMA, *q.UMA), Seconds(float64(*q.ToNS-*q.FromNS)*1e-9))
	var parts []string
	switch {
	case q.NoCurrent && q.Asleep == nil:
		parts = append(parts, fmt.Sprintf("Current after key-off: none that can be told from zero (%s). Is the shunt bridged, or not in the battery's path?", figure))
	case q.Asleep == nil:
		parts = append(parts, fmt.Sprintf("Current after key-off: not asleep (%s), latest %s.", limit, figure))
	default:
		parts = append(parts, fmt.Sprintf("Current after key-off: asleep after %s (%s), then %s.", Seconds(float64(q.Asleep.AfterS)), limit, figure))
	}
	if q.NoCurrent && q.Asleep != nil {
		parts = append(parts, "Of late, none that can be told from zero: is the shunt bridged?")
	}
	if *q.CurrentMA < -2**q.UMA {
		parts = append(parts, "It flows into the battery: is a charger on, or the shunt the wrong way round?")
	}
	if s := wakes(c, q); s != "" {
		parts = append(parts, s)
	}
	return strings.Join(append(parts, charge(q), usualDraw(c, q)), " ")
}

// Wake is a wake in words.
type Wake struct {
	After  string // key-off
	Lasted string
	Peak   string
	With   string // the slots that went live beside it
}

// Wakes returns a cycle's wakes in the order of time.
func Wakes(c *protocol.Cycle) (rows []Wake) {
	if c.Quiescent == nil {
		return nil
	}
	off := keyOff(c)
	for i := range c.Quiescent.Wakes {
		w := &c.Quiescent.Wakes[i]
		r := Wake{Lasted: Seconds(float64(w.LastedS)), Peak: peak(w.PeakMA), With: list(w.Slots, "and")}
		if off != 0 {
			r.After = Seconds(float64(w.AtNS-off) * 1e-9)
		}
		if w.Open {
			r.Lasted += " so far"
		}
		rows = append(rows, r)
	}
	return rows
}

// wakes says how often the vehicle woke, and the first times in full.
func wakes(c *protocol.Cycle, q *protocol.Quiescent) string {
	n := len(q.Wakes) + q.LeftOut
	if n == 0 {
		return ""
	}
	var told []string
	all := Wakes(c)
	for _, w := range all[:min(len(all), wakesTold)] {
		text := "for " + w.Lasted + " up to " + w.Peak
		if w.After != "" {
			text = "after " + w.After + " " + text
		}
		if w.With != "" {
			text += " (with " + w.With + " going live)"
		}
		told = append(told, text)
	}
	text := "Woken once: "
	if n > 1 {
		text = fmt.Sprintf("Woken %d times: ", n)
	}
	if n > len(told) {
		told = append(told, "and so on")
	}
	return text + strings.Join(told, "; ") + "."
}

// keyOff is when the key was turned off last; 0 if it was not.
func keyOff(c *protocol.Cycle) int64 {
	if n := len(c.Key); n > 0 && c.Key[n-1].Position == protocol.PositionOff {
		return c.Key[n-1].AtNS
	}
	return 0
}

func charge(q *protocol.Quiescent) string {
	least, unseen := "", ""
	if q.OverRangeS > 0 {
		least = "at least "
	}
	if q.UnseenS > 0 {
		unseen = fmt.Sprintf(", not counting %s that could not be seen", Seconds(float64(q.UnseenS)))
	}
	return fmt.Sprintf("Charge drawn: %s%.1f mAh in %s%s.", least, float64(q.ChargeMAH), Seconds(float64(q.SeenS)), unseen)
}

// usualDraw sets the limit that the trade keeps to beside it, and says whether it was
// watched for as long as that asks.
func usualDraw(c *protocol.Cycle, q *protocol.Quiescent) string {
	l := handbook.UsualDraw()
	text := fmt.Sprintf("Common practice: at most %.0f mA %s after key-off", l.MostMA, Seconds(l.AfterS))
	if watched := float64(*q.ToNS-keyOff(c)) * 1e-9; keyOff(c) != 0 && watched < l.AfterS {
		text += "; this was watched for " + Seconds(watched)
	}
	return text + "."
}

// amps writes a current with twice its standard uncertainty, to the decimal that this
// allows.
func amps(ma, u protocol.MilliAmps) string {
	if 2*u >= 10 || math.Abs(float64(ma)) >= 1000 {
		return fmt.Sprintf("%.0f ± %.0f mA (k = 2)", float64(ma), math.Ceil(2*float64(u)))
	}
	return fmt.Sprintf("%.1f ± %.1f mA (k = 2)", float64(ma), math.Ceil(20*float64(u))/10)
}

func peak(ma protocol.MilliAmps) string {
	if math.Abs(float64(ma)) >= 1000 {
		return fmt.Sprintf("%.1f A", float64(ma)/1000)
	}
	return fmt.Sprintf("%.0f mA", float64(ma))
}
