package adc_test

import (
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
)

var foreignKinds = map[string]adctest.ForeignKind{
	"constant": adctest.ForeignConstant, "pointer": adctest.ForeignPointer, "bytes": adctest.ForeignBytes,
	"byte": adctest.ForeignByte, "words": adctest.ForeignWords, "noise": adctest.ForeignNoise,
}

// Another chip at an address from the start: no sample comes from it, its leads
// are blind and say why, it is hardly written to, and the others are sampled as
// if nothing were there.
func TestWrongChipFromTheStart(t *testing.T) {
	for name, kind := range foreignKinds { // each is checked by itself
		r := newRig(t, rigOptions{chips: 4, bus: adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}})
		f := &adctest.Foreign{Address: 0x4A, Kind: kind}
		r.bus.Add(f)
		reason := adc.WrongChip
		if kind == adctest.ForeignWords {
			reason = adc.LateChip // it keeps what is written, but is never idle
		}
		var blinds, samples [16]int
		r.got = func(in adc.Input) {
			switch in.Kind {
			case adc.BlindInput:
				blinds[in.Blind.Lead]++
				if in.Blind.Reason != reason {
					t.Errorf("%s: lead %d blind: %v", name, in.Blind.Lead, in.Blind.Reason)
				}
			case adc.SampleInput:
				samples[in.Sample.Lead]++
			}
		}
		r.runUntil(adc.Instant(10 * time.Second))
		for k := range 16 {
			if wrong := k/4 == 2; wrong != (blinds[k] == 1) || wrong != (samples[k] == 0) || !wrong && samples[k] < 1500 {
				t.Errorf("%s: lead %d: %d times blind, %d samples", name, k, blinds[k], samples[k])
			}
		}
		if kind != adctest.ForeignWords && f.Writes > 6*(4+10) {
			t.Errorf("%s: written to %d times in 10 s", name, f.Writes)
		}
	}
}

// A chip exchanged for another while it is scanned: what was sampled from the
// other is taken back, and the right one is found again.
func TestWrongChipInBetween(t *testing.T) {
	for name, kind := range foreignKinds { // each is checked by itself
		r := newRig(t, rigOptions{chips: 4, bus: adctest.BusOptions{OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond}})
		var reason [16]adc.BlindReason
		var void [16]adc.Instant // the latest sample of the other chip not taken back
		other, back := false, false
		r.got = func(in adc.Input) {
			switch in.Kind {
			case adc.BlindInput:
				k := in.Blind.Lead
				reason[k] = in.Blind.Reason
				if in.Blind.Since < void[k] {
					void[k] = 0
				}
			case adc.SampleInput:
				k := in.Sample.Lead
				if back = back || !other && k/4 == 2; other && k/4 == 2 {
					void[k] = in.At
				}
			}
		}
		r.runUntil(adc.Instant(time.Second))
		other = true
		r.bus.Add(&adctest.Foreign{Address: 0x4A, Kind: kind, Bytes: [2]byte{0x12, 0x34}})
		r.runUntil(adc.Instant(4 * time.Second))
		for k := range 16 {
			if void[k] != 0 {
				t.Errorf("%s: lead %d: the sample of %.6f s is not taken back", name, k, void[k].Seconds())
			}
			want := adc.BlindReason(0)
			if k/4 == 2 {
				want = adc.WrongChip
			}
			if kind != adctest.ForeignWords && reason[k] != want {
				t.Errorf("%s: lead %d is blind: %v", name, k, reason[k])
			}
		}
		other, back = false, false
		r.chips[2].BrownOut(r.bus.Now())
		r.bus.Add(r.chips[2])
		r.runUntil(r.bus.Now().Add(1100 * time.Millisecond))
		if !back {
			t.Errorf("%s: the right chip is not found again", name)
		}
	}
}
