package measure

import (
	"testing"
	"time"

	"keyturn/adc"
)

// steadyInputs is ten seconds of a 16-lead bench with nothing happening: half of
// the slots live, half dead.
func steadyInputs() (*synthetic, []adc.Input) {
	wires := []wire{{{0, 12.6}}}
	for i := range 15 {
		wires = append(wires, wire{{0, 12.5 * float64(i%2)}})
	}
	s := newSynthetic(1, wires...)
	return s, s.inputs(10 * time.Second)
}

// bareLoop is the peer of BenchmarkStep: the least that deciding live or dead
// can be, one threshold state per lead over the same inputs.
func bareLoop(in []adc.Input, live []bool, scale float64) int {
	changes := 0
	for i := range in {
		s := &in[i].Sample
		v := float64(s.Code) * scale
		switch was := live[s.Lead]; {
		case was && v < 3.6, !was && v > 7.2:
			live[s.Lead] = !was
			changes++
		}
	}
	return changes
}

// BenchmarkStep reports the cost of a sample while nothing happens, and its
// ratio to the bare loop measured in the same run.
func BenchmarkStep(b *testing.B) {
	s, in := steadyInputs()
	e := New(s.params)
	for i := range in {
		e.Step(in[i])
	}
	shift := in[len(in)-1].At
	period := shift - in[0].At + adc.Instant(s.interval)
	n, round := 0, adc.Instant(0)
	b.ReportAllocs()
	for b.Loop() {
		if n%len(in) == 0 {
			round += period
		}
		x := in[n%len(in)]
		x.At += round
		x.Sample.From += round
		x.Sample.To += round
		e.Step(x)
		n++
	}
	perStep := float64(b.Elapsed().Nanoseconds()) / float64(b.N)

	live := make([]bool, len(s.wires))
	scale := 4.096 / 32768 * testRatio
	loops := max(1, b.N/len(in))
	begin := time.Now()
	sink := 0
	for range loops {
		sink += bareLoop(in, live, scale)
	}
	bare := float64(time.Since(begin).Nanoseconds()) / float64(loops*len(in))
	if sink < 0 {
		b.Fatal("unreachable")
	}
	b.ReportMetric(1e9/perStep, "samples/s")
	b.ReportMetric(perStep/bare, "x-bare-loop")
}

// TestStepAllocatesNothing holds the promise that a steady bench costs the
// collector nothing.
func TestStepAllocatesNothing(t *testing.T) {
	s, in := steadyInputs()
	e := New(s.params)
	warm := len(in) / 2
	for i := range in[:warm] {
		e.Step(in[i])
	}
	n := warm
	allocs := testing.AllocsPerRun(len(in)-warm-1, func() {
		e.Step(in[n])
		n++
	})
	if allocs != 0 {
		t.Errorf("%g allocations per step, want 0", allocs)
	}
}
