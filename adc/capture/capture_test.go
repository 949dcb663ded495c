package capture

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"keyturn/adc"
)

func every() []adc.Input {
	return []adc.Input{
		{Kind: adc.SampleInput, At: 123456789, Sample: adc.Sample{Lead: 3, Code: -17, FullScaleUV: 4096000, From: 122000000, To: 123456789, StampErr: 61, StampU: 7, NoiseV: 0.000125, Saturated: true}},
		{Kind: adc.BlindInput, At: 5, Blind: adc.Blind{Lead: 2, Since: -7, Reason: adc.ConfigLost}},
		{Kind: adc.MarkInput, At: 6, Mark: adc.Mark{Position: adc.Start, Source: adc.SourceOperator, Note: "turned, \"slowly\"\nreally", End: true}},
		{Kind: adc.LineInput, At: 7, Line: adc.Line{Name: "load-1", On: true}},
		{Kind: adc.TickInput, At: 8},
	}
}

func TestEveryInputComesBackAsItWas(t *testing.T) {
	var b bytes.Buffer
	h := Header{Bench: "bench-1", Note: "a note", BenchFile: []byte("id = \"bench-1\"\n\n[mqtt]\n")}
	w, err := NewWriter(&b, h)
	if err != nil {
		t.Fatal(err)
	}
	for _, in := range every() {
		w.Write(in)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if !Is(b.Bytes()) {
		t.Error("not taken for a capture")
	}
	r, err := NewReader(&b)
	if err != nil {
		t.Fatal(err)
	}
	if r.Header.Bench != h.Bench || r.Header.Note != h.Note || string(r.Header.BenchFile) != string(h.BenchFile) {
		t.Errorf("header %+v, want %+v", r.Header, h)
	}
	for i, want := range every() {
		got, err := r.Next()
		if err != nil || got != want {
			t.Errorf("input %d: %+v, %v; want %+v", i, got, err, want)
		}
	}
	if _, err := r.Next(); err != io.EOF {
		t.Errorf("after the last: %v", err)
	}
}

func TestFaultsSayWhere(t *testing.T) {
	head := magic + "\n# bench: b\n# note: n\n#| id\n" + strings.Join(columns, ",") + "\n"
	for _, c := range []struct{ text, want string }{
		{"", "line 1: want \"# keyturn capture 1\": is this a capture?"},
		{"# something\n", "line 1: \"# something\", want \"# keyturn capture 1\": is this a capture?"},
		{magic + "\nkind,at\n", "line 2: want the column names kind,at_ns"},
		{head + "tock,1,,,,,,,,,,,,,,,\n", `line 6: column kind: "tock", want sample, blind, mark, line or tick`},
		{head + "tick,soon,,,,,,,,,,,,,,,\n", `line 6: column at_ns: "soon", want a whole number of 64 bits`},
		{head + "tick,1\n", "line 6: wrong number of fields"},
		{head + "sample,1,0,40000,1,1,2,0,0,false,,,,,,,\n", `line 6: column code: "40000", want a whole number of 16 bits`},
		{head + "mark,1,,,,,,,,,,,sideways,lead,,,\n", `line 6: column position: "sideways", want one of`},
	} {
		r, err := NewReader(strings.NewReader(c.text))
		if err == nil {
			_, err = r.Next()
		}
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%q: %v, want %s", c.text, err, c.want)
		}
	}
}

func TestPlainColumns(t *testing.T) {
	const text = "# scope\nt_ms, CH1 ,CH2\n0,12.5,0\n5,12.25,1\n5,9,9\n10,12,-0.5\n2,11,3\n4,10,3\n"
	in, leads, interval, err := ReadPlain(strings.NewReader(text), Plain{Time: "t_ms", Unit: 1e-3, Volts: []string{"CH1", "CH2"}})
	if err != nil {
		t.Fatal(err)
	}
	if len(in) != 10 || len(leads) != 2 || leads[0].Name != "ch1" || interval != 5e6 {
		t.Fatalf("%d inputs, leads %+v, interval %v", len(in), leads, interval)
	}
	for i, want := range []float64{12.5, 0, 12.25, 1, 12, -0.5, 11, 3, 10, 3} {
		s := &in[i].Sample
		if v := leads[s.Lead].Calibration.LeadV(s.PinV()); v < want-1e-9 || v > want+1e-9 {
			t.Errorf("sample %d: %g V, want %g", i, v, want)
		}
		if i > 1 && s.From <= in[i-2].Sample.From {
			t.Errorf("sample %d goes back in time", i)
		}
	}
	for _, c := range []struct{ text, want string }{
		{"t,v\n1,2\n", `line 1: no column "volts"; have t, v`},
		{"t,volts\n0,12\n1,twelve\n", `line 3: column volts: "twelve" is no number in reach`},
		{"t,volts\n0,12\n", "fewer than two rows of numbers"},
		{"t,volts\n0,1e8\n1,12\n", "1e+08 V is no voltage of a vehicle: is the column in volts?"},
	} {
		_, _, _, err := ReadPlain(strings.NewReader(c.text), Plain{Time: "t", Volts: []string{"volts"}})
		if err == nil || err.Error() != c.want {
			t.Errorf("%q: %v, want %s", c.text, err, c.want)
		}
	}
}
