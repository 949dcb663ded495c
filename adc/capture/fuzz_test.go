package capture

import (
	"bytes"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"keyturn/adc"
)

// slack is what the buffers between a file and its records may hold beyond a
// record.
const slack = 16 << 10

// endless is a file whose last byte comes over and over; read counts what was
// taken of it.
type endless struct {
	data []byte
	read int
}

func (e *endless) Read(p []byte) (int, error) {
	tail := byte('\n')
	if len(e.data) > 0 {
		tail = e.data[len(e.data)-1]
	}
	for i := range p {
		if at := e.read + i; at < len(e.data) {
			p[i] = e.data[at]
		} else {
			p[i] = tail
		}
	}
	e.read += len(p)
	return len(p), nil
}

// readAll reads a capture to its end.
func readAll(r io.Reader) (Header, []adc.Input, error) {
	c, err := NewReader(r)
	if err != nil {
		return Header{}, nil, err
	}
	var all []adc.Input
	for {
		in, err := c.Next()
		if err == io.EOF {
			return c.Header, all, nil
		}
		if err != nil {
			return Header{}, nil, err
		}
		all = append(all, in)
	}
}

func write(h Header, all []adc.Input) ([]byte, error) {
	var b bytes.Buffer
	w, err := NewWriter(&b, h)
	if err != nil {
		return nil, err
	}
	for _, in := range all {
		w.Write(in)
	}
	err = w.Close()
	return b.Bytes(), err
}

// written is a capture for a seed.
func written(f *testing.F, h Header, all []adc.Input) []byte {
	f.Helper()
	b, err := write(h, all)
	if err != nil {
		f.Fatal(err)
	}
	return b
}

func same(a, b Header) bool {
	return a.Bench == b.Bench && a.Note == b.Note && bytes.Equal(a.BenchFile, b.BenchFile)
}

// refused fails the test unless an error names a line and is short enough to read.
func refused(t *testing.T, err error) {
	t.Helper()
	if text := err.Error(); !strings.Contains(text, "line ") || len(text) > 1024 || !utf8.ValidString(text) {
		t.Errorf("no line, too long or not to be read: %d bytes, %.200q", len(text), text)
	}
}

// What is read of a capture is written and read as the same; a file without an end
// is given up after no more than a record.
func FuzzCapture(f *testing.F) {
	head := magic + "\n# bench: b\n# note: n\n#| id\n" + strings.Join(columns, ",") + "\n"
	f.Add(written(f, Header{Bench: "bench-1", Note: "a note", BenchFile: []byte("id = \"bench-1\"\n\n[mqtt]\n")}, every()))
	f.Add(written(f, Header{}, nil))
	f.Add([]byte(head + "sample,1,-1,-32768,6144000,1,2,0,nan,1,,,,,,,0\n"))
	f.Add([]byte(head + "blind,1,0,,,,,,,,5,-1,,,,,\n"))
	f.Add([]byte(head + "mark,1,,,,,,,,,,,on,lead,\"a\r\r\nb\",,\n"))
	f.Add([]byte(head + "line,1,,,,,,,,,,,,,\"x"))
	f.Add([]byte(magic + "\n#|  id\n#| \n#| \n# note:  a  b\n" + strings.Join(columns, ",") + "\n"))
	f.Add([]byte(magic + "\n\"" + strings.Join(columns, ",") + "\"\ntick\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		e := &endless{data: data}
		if _, _, err := readAll(e); err == nil {
			t.Error("a file without an end was read to its end")
		} else {
			refused(t, err)
		}
		if most := len(data) + recordMax + slack; e.read > most && len(data) > 0 && data[len(data)-1] != '#' {
			t.Errorf("%d bytes of an endless file were read, want at most %d", e.read, most)
		}

		h, all, err := readAll(bytes.NewReader(data))
		if err != nil {
			refused(t, err)
			return
		}
		for _, in := range all {
			if n := float64(in.Sample.NoiseV); math.IsNaN(n) || math.IsInf(n, 0) {
				t.Errorf("a noise of %g V", n)
			}
		}
		text, err := write(h, all)
		if err != nil {
			t.Fatalf("read, but not to be written: %v", err)
		}
		h2, all2, err := readAll(bytes.NewReader(text))
		if err != nil || !same(h, h2) || !slices.Equal(all, all2) {
			t.Errorf("written and read again it differs: %v\n%q\n%+v\n%+v\n%+v\n%+v", err, text, h, h2, all, all2)
		}
		again, err := write(h2, all2)
		if err != nil || !bytes.Equal(text, again) {
			t.Errorf("written again it is\n%q\nnot\n%q (%v)", again, text, err)
		}
	})
}

// Whatever the writer takes, the reader reads: a recording that nobody can replay is
// found out while it is made.
func FuzzCaptureTexts(f *testing.F) {
	f.Add("bench-1", "a note", []byte("id = \"bench-1\"\n\n[mqtt]\n"), "turned, \"slowly\"\nreally", int64(5), uint8(adc.ConfigLost), float32(0.000125))
	f.Add("", "", []byte(nil), "a\r\nb\rc", int64(-7), uint8(200), float32(0))
	f.Add("a  b", "# x\n#| y", []byte("# a comment\r\n\tx = '''\n\n\n'''\n\n"), `\.`, int64(1)<<62, uint8(0), float32(1e-30))
	f.Add("b", "n", []byte(strings.Repeat("x", lineMax)), "x", int64(0), uint8(1), float32(1))
	f.Add("b", "n", []byte("x"), "a\r\r\nb", int64(1), uint8(1), float32(1))
	f.Add("b", "n", []byte("x"), strings.Repeat("x", recordMax), int64(1), uint8(1), float32(1))
	f.Fuzz(func(t *testing.T, bench, note string, file []byte, text string, at int64, reason uint8, noise float32) {
		all := []adc.Input{
			{Kind: adc.MarkInput, At: adc.Instant(at), Mark: adc.Mark{Position: adc.On, Source: adc.SourceOperator, Note: text}},
			{Kind: adc.BlindInput, At: adc.Instant(at), Blind: adc.Blind{Lead: 1, Since: adc.Instant(-at), Reason: adc.BlindReason(reason)}},
			{Kind: adc.SampleInput, At: adc.Instant(at), Sample: adc.Sample{Code: int16(at), FullScaleUV: 4096000, To: adc.Instant(at), NoiseV: noise}},
			{Kind: adc.LineInput, At: adc.Instant(at), Line: adc.Line{Name: text, On: at > 0}},
		}
		made, err := write(Header{Bench: bench, Note: note, BenchFile: file}, all)
		if err != nil {
			return
		}
		h, back, err := readAll(bytes.NewReader(made))
		if err != nil {
			t.Fatalf("written, but not to be read: %v", err)
		}
		plain := func(s string) string {
			return strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
		}
		all[0].Mark.Note, all[3].Line.Name = plain(text), plain(text)
		if !slices.Equal(all, back) {
			t.Errorf("read as\n%+v\nwant\n%+v", back, all)
		}
		// Rows of the bench file keep their numbers, and their text but for its end.
		rows := func(b []byte) []string {
			var rows []string
			for row := range strings.Lines(string(b)) {
				rows = append(rows, strings.TrimRight(row, "\r\n"))
			}
			return rows
		}
		if h.Bench != strings.Join(strings.Fields(bench), " ") || h.Note != strings.Join(strings.Fields(note), " ") || !slices.Equal(rows(h.BenchFile), rows(file)) {
			t.Errorf("header %+v of %q, %q, %q", h, bench, note, file)
		}
	})
}

// A plain CSV gives samples in the order of time that hold the voltages of the file,
// of leads that can be told apart.
func FuzzPlain(f *testing.F) {
	f.Add([]byte("# scope\nt, CH1 ,CH2\n0,12.5,0\n5,12.25,1\n5,9,9\n10,12,-0.5\n2,11,3\n4,10,3\n"), "CH1", "CH2", 1e-3)
	f.Add([]byte("t,a,A\n0,1,2\n1,2,3\n"), "a", "A", 0.0)
	f.Add([]byte("t,column-2,ü\n0,1,2\n1,2,3\n"), "column-2", "ü", 1.0)
	f.Add([]byte("t,mV,n\n0,12500,1\n1,3000,2\n"), "mV", "n", 1.0)
	f.Add([]byte("t,a,b\n1e9,1,2\n-1e9,1,2\n1e9,1,2\n-1e9,1,2\n1e9,1,2\n-1e9,1,2\n1e9,1,2\n-1e9,1,2\n1e9,1,2\n-1e9,1,2\n1e9,1,2\n"), "a", "b", 1.0)
	f.Add([]byte("t,a,b\n1,1,2\n2,1,2\n3,1,2\n"), "a", "b", 1e300)
	f.Add([]byte("t,a,b\n1,1,\"2\n"), "a", "b", 1.0)
	f.Add([]byte("t,a,b\n0,1,2\n1e9,1,2\n"), "a", "b", 1.0)
	isID := regexp.MustCompile(`^[a-z0-9-]{1,32}$`)
	f.Fuzz(func(t *testing.T, data []byte, a, b string, unit float64) {
		p := Plain{Time: "t", Unit: unit, Volts: []string{a, b}}
		e := &endless{data: data}
		// A row without an end; a file of endless rows is as long as its maker wants.
		if _, _, _, err := ReadPlain(e, p); err == nil {
			t.Error("a file without an end was read to its end")
		}
		if most := len(data) + recordMax + slack; e.read > most {
			t.Errorf("%d bytes of an endless file were read, want at most %d", e.read, most)
		}

		in, leads, interval, err := ReadPlain(bytes.NewReader(data), p)
		if err != nil {
			if in != nil || leads != nil || interval != 0 {
				t.Errorf("%d inputs and leads %v beside an error", len(in), leads)
			}
			if text := err.Error(); len(text) > 1024 || !utf8.ValidString(text) {
				t.Errorf("too long or not to be read: %d bytes, %.200q", len(text), text)
			}
			return
		}
		if len(leads) != 2 || len(in) < 4 || len(in)%2 != 0 || interval <= 0 {
			t.Fatalf("%d inputs of %d leads, interval %v", len(in), len(leads), interval)
		}
		if leads[0].Name == leads[1].Name || !isID.MatchString(leads[0].Name) || !isID.MatchString(leads[1].Name) {
			t.Errorf("leads %q and %q", leads[0].Name, leads[1].Name)
		}
		if p.Unit == 0 {
			p.Unit = 1
		}
		_, volts, err := readColumns(bytes.NewReader(data), p)
		if err != nil || len(volts)*2 != len(in) {
			t.Fatalf("%d rows, %v, but %d inputs", len(volts), err, len(in))
		}
		for i := range in {
			s := &in[i].Sample
			if in[i].Kind != adc.SampleInput || s.Lead != i%2 || in[i].At != s.To || s.To <= s.From || s.From <= 0 || s.StampErr < 0 || s.StampU < 0 || s.StampU > s.StampErr {
				t.Fatalf("input %d: %+v", i, in[i])
			}
			if i > 1 && s.From <= in[i-2].Sample.From {
				t.Errorf("sample %d goes back in time: %d after %d", i, s.From, in[i-2].Sample.From)
			}
			got, want := leads[s.Lead].Calibration.LeadV(s.PinV()), volts[i/2][s.Lead]
			if off := math.Abs(got - want); !(off <= s.StepV()*0.501) {
				t.Errorf("sample %d: %g V, want %g to half a step of %g", i, got, want, s.StepV())
			}
		}
	})
}
