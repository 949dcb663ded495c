package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// What the battery sense lead must read on a limited feed: a discharged battery has as
// much, a short to earth leaves a volt or two (common practice, no published source).
const (
	holds12V = 11
	holds24V = 22
	above12V = 16 // the nominal voltage from which a box is of 24 V
)

// errLooked ends a test at what was seen.
var errLooked = errors.New("ended before power: nothing was measured")

// errShort ends a test at a short to earth.
var errShort = errors.New("the box did not hold a limited feed: find the short to earth before it has its full supply")

// before has somebody look at the box, and feed its busbars with a limited current, before
// it has its full supply. A fault ends the test.
func (t *boxTesting) before(ctx context.Context, b testBench) error {
	fmt.Fprintln(t.out, "\nBefore power, supply off")
	fmt.Fprint(t.out, report.Wrap("Look for corrosion, melted or burnt slots, cracks, moisture, earlier repairs. Enter if there is none of it; else write what you see:", t.width, "")+" ")
	seen, err := t.line(ctx)
	if err != nil {
		return err
	}
	seen = strings.ToValidUTF8(seen[:min(len(seen), protocol.SeenMax)], "")
	found := &protocol.BeforePower{Seen: protocol.OrNull(seen)}
	if seen != "" {
		fmt.Fprint(t.out, "That is a fault; take a photo for the job. y goes on all the same, Enter ends here: ")
		if answer, err := t.line(ctx); err != nil || answer != "y" {
			return errors.Join(err, errLooked)
		}
	}
	least := holds12V
	if t.box.HighestV > above12V {
		least = holds24V
	}
	fmt.Fprintln(t.out, report.Wrap("Now fuses and relays out, the battery sense lead on the supply, and the supply limited to 1 A at most.", t.width, ""))
	for {
		fmt.Fprint(t.out, "Feed one busbar alone and press Enter; d when each was fed, or to leave this out: ")
		switch answer, err := t.line(ctx); {
		case err != nil:
			return err
		case answer == "d":
			fmt.Fprintln(t.out, "Feed off, fuses and relays in again.")
			t.doc.Before = found
			return nil
		case answer != "":
			fmt.Fprintf(t.out, "%q is none of the answers.\n", answer)
			continue
		}
		v, u, err := b.sense(ctx)
		if err != nil {
			return err
		}
		holds := v >= float64(least)
		found.Feeds = append(found.Feeds, protocol.LimitedFeed{V: protocol.Volts(v), UV: protocol.Volts(u), Holds: holds})
		if !holds {
			fmt.Fprintf(t.out, "%.2f V: it does not hold. Feed off: a short to earth, or something is still in.\n", v)
			t.doc.Before = found
			return errShort
		}
		fmt.Fprintf(t.out, "%.2f V: it holds.\n", v)
	}
}

const (
	senseFor  = 700 * time.Millisecond // of the bench's clock
	senseMost = 10 * time.Second       // for that to pass
)

// senseVolts is what the battery sense lead of a bench reads, with its standard uncertainty.
func senseVolts(ctx context.Context, b config.Bench, open parts.Open) (v, u float64, err error) {
	made, err := parts.Assemble(b, parts.ScanMode, open)
	if err != nil {
		return 0, 0, err
	}
	ctx, stop := context.WithTimeout(ctx, senseMost)
	defer stop()
	var mu sync.Mutex
	var began adc.Instant
	w := daemon.NewWatch(b.Params())
	var scanning sync.WaitGroup
	for _, bus := range made.Buses {
		s, err := adc.NewScanner(bus.Clock, bus.Plans, func(in adc.Input) {
			mu.Lock()
			defer mu.Unlock()
			if w.Take(in); began == 0 {
				began = in.At
			} else if in.At.Sub(began) > senseFor {
				stop()
			}
		})
		if err != nil {
			stop()
			scanning.Wait()
			return 0, 0, fmt.Errorf("bus %s: %w", bus.Name, err)
		}
		scanning.Go(func() { s.Run(ctx) })
	}
	scanning.Wait()
	for i, l := range b.Leads {
		if r := w.Readings()[i]; l.Role == config.RoleBatterySense {
			if math.IsNaN(r.V) {
				return 0, 0, fmt.Errorf("lead %s, the battery sense lead, reads nothing: %s", l.Name, r.Reason)
			}
			return r.V, r.U, nil
		}
	}
	return 0, 0, fmt.Errorf("bench %s has no battery sense lead: put one on the supply", b.ID)
}
