package dashboard

import (
	"fmt"
	"net/http"
	"slices"
	"time"

	"keyturn/daemon/report"
	"keyturn/protocol"
)

// This file shows what a person looks at before he turns the key of a vehicle, and keeps
// that somebody says he has. It changes nothing that is measured and stops nobody.

// checkedMost is how long it counts though nobody turns the key: later, others may have
// come near.
const checkedMost = 15 * time.Minute

// checked is that somebody has looked. The zero value: nobody has.
type checked struct {
	who string // empty where nobody is asked who he is
	at  time.Time
}

// beforeKey is a list before the key is turned, as a page shows it.
type beforeKey struct {
	Items   []string
	Checked string // who has, and when; empty: nobody
	Off     bool   // the key is, as far as is known
	May     bool   // who asks may say that he has looked
}

// Minutes is for how many a tick counts.
func (beforeKey) Minutes() int { return int(checkedMost.Minutes()) }

// Open reports whether it is still to be looked at.
func (b beforeKey) Open() bool { return b.Off && b.Checked == "" }

// beforeKey is the list of a bench; without items where no person turns the key, or
// nobody knows yet.
func (h *heard) beforeKey(now time.Time) beforeKey {
	b := beforeKey{Off: !turned(h.now)}
	if h.bench == nil {
		return b
	}
	shunt := slices.ContainsFunc(h.bench.Leads, func(l protocol.BenchLead) bool { return l.Shunt != nil })
	b.Items = report.BeforeKey(h.bench.Subject, shunt)
	if c := h.checked; !c.at.IsZero() && now.Sub(c.at) < checkedMost {
		b.Checked = "looked at " + ago(max(0, now.Sub(c.at)))
		if c.who != "" {
			b.Checked += " by " + clean(c.who)
		}
	}
	return b
}

// form tells lists apart that are written differently, see benchView.Form.
func (b beforeKey) form() string {
	return fmt.Sprintf("-%d-%t", len(b.Items), b.Checked != "")
}

// turned reports whether a key is known not to be off.
func turned(n *protocol.Now) bool {
	return n != nil && n.Key != nil && n.Key.Position != protocol.PositionOff
}

// forgetChecked forgets that somebody has looked, once the key is off again or the bench
// has begun anew.
func (h *heard) forgetChecked(next *protocol.Now) {
	if was := h.now; was != nil && (was.Boot != next.Boot || turned(was) && !turned(next)) {
		h.checked = checked{}
	}
}

// check keeps that somebody has looked; false where there is nothing to look at, or the
// key is turned already.
func (s *State) check(bench string, c checked) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := s.benches[bench]
	if h == nil || turned(h.now) || len(h.beforeKey(c.at).Items) == 0 {
		return false
	}
	h.checked = c
	s.changed(h)
	return true
}

// looked takes the word of who has looked.
func (d *dashboard) looked(w http.ResponseWriter, r *http.Request) {
	bench := r.PathValue("bench")
	if !d.o.State.check(bench, checked{d.who(r).Name, time.Now()}) {
		d.sorry(w, r, http.StatusConflict, "Nothing was noted: the key of that bench is turned already, or no person turns it.")
		return
	}
	http.Redirect(w, r, "/bench/"+bench, http.StatusSeeOther)
}
