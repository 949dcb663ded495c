package adc_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"keyturn/adc"
)

// Streams that are out of order by less than the hold come out in the order of
// (At, lead), whole.
func TestMergePutsStreamsInOrder(t *testing.T) {
	for seed := range uint64(50) {
		rng := rand.New(rand.NewPCG(seed, 2))
		var out []adc.Input
		m := adc.NewMerge(3, func(in adc.Input) { out = append(out, in) })
		n := 0
		for at := adc.Instant(1e9); at < 2e9; at += 1e6 {
			for source := range 3 {
				late := adc.Instant(rng.Int64N(int64(2 * time.Millisecond)))
				m.Put(source, adc.Input{Kind: adc.SampleInput, At: at - late, Sample: adc.Sample{Lead: source, To: at - late}})
				n++
			}
		}
		held := n - len(out)
		m.Flush()
		if len(out) != n || held > 40 {
			t.Fatalf("seed %d: %d of %d, %d held back", seed, len(out), n, held)
		}
		for i := 1; i < n; i++ {
			a, b := out[i-1], out[i]
			if a.At > b.At || (a.At == b.At && a.Sample.Lead > b.Sample.Lead) {
				t.Fatalf("seed %d: %d (lead %d) before %d (lead %d)", seed, a.At, a.Sample.Lead, b.At, b.Sample.Lead)
			}
		}
	}
}

// A source that has fallen silent is not waited for.
func TestMergeDoesNotWaitForASilentSource(t *testing.T) {
	var last adc.Instant
	m := adc.NewMerge(2, func(in adc.Input) { last = in.At })
	m.Put(1, adc.Input{Kind: adc.TickInput, At: 1e9})
	for at := adc.Instant(1e9); at <= 2e9; at += 1e6 {
		m.Put(0, adc.Input{Kind: adc.TickInput, At: at})
	}
	if behind := adc.Instant(2e9).Sub(last); behind > 100*time.Millisecond {
		t.Errorf("%v behind", behind)
	}
}

func TestRealClockSleepsLongEnough(t *testing.T) {
	c, err := adc.NewRealClock()
	if err != nil {
		t.Fatal(err)
	}
	for range 20 {
		until := c.Now().Add(200 * time.Microsecond)
		c.SleepUntil(until)
		if now := c.Now(); now < until {
			t.Errorf("back %v too early", until.Sub(now))
		}
	}
}
