package measure

import (
	"testing"
	"time"

	"keyturn/adc"
)

// BenchmarkFit reports what dating one edge costs, in microseconds.
func BenchmarkFit(b *testing.B) {
	s := newSynthetic(3, wire{{0, 12.6}}, wire{{0, 0}, {503217 * time.Microsecond, 12.4}}, wire{{0, 0}}, wire{{0, 0}})
	e := New(s.params)
	var first uint64
	for _, in := range s.inputs(600 * time.Millisecond) {
		if in.Kind == adc.SampleInput && in.Sample.Lead == 1 && first == 0 && in.Sample.Code > 2000 {
			first = e.leads[1].h.n
		}
		e.Step(in)
	}
	l := &e.leads[1]
	var t Transition
	b.ReportAllocs()
	for b.Loop() {
		pts, i := l.around(first, lookBack)
		t = e.dateEdge(l, pts, i, Live)
	}
	if t.Timing != TimingCurve {
		b.Fatalf("no curve: %+v", t)
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N), "us/fit")
}
