// Package capture records and replays what the measuring core is told, as CSV
// that a spreadsheet opens: commented header lines first, then one line an
// input. Every input is kept as it was, raw codes and stamps included, so that a
// replay runs the same code with the same result, without hardware or waiting.
//
// It also reads plain CSV with named columns, as oscilloscopes and loggers write
// it. It measures nothing.
package capture

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"keyturn/adc"
)

// Header stands before the inputs.
type Header struct {
	Bench string // the bench's id
	Note  string // one line: what was recorded
	// BenchFile is the bench file as it was: leads, roles, slots, calibration.
	BenchFile []byte
}

const (
	magic = "# keyturn capture 1"
	// headerLinesMax and lineMax bound what a reader accepts.
	headerLinesMax = 20000
	lineMax        = 4096
)

// columns are the fields of a line; those that a kind does not use are empty.
var columns = []string{"kind", "at_ns", "lead", "code", "full_scale_uv", "from_ns", "to_ns", "stamp_err_ns", "noise_v", "saturated",
	"since_ns", "reason", "position", "source", "text", "on", "stamp_u_ns"}

// kinds, positions and sources are written as words.
var (
	kinds     = map[adc.InputKind]string{adc.SampleInput: "sample", adc.BlindInput: "blind", adc.MarkInput: "mark", adc.LineInput: "line", adc.TickInput: "tick"}
	positions = []adc.Position{adc.NoPosition, adc.Off, adc.Accessory, adc.On, adc.Start, adc.Running}
	sources   = []adc.Source{adc.NoSource, adc.SourceLead, adc.SourceOperator, adc.SourceScript, adc.SourceInferred}
)

// Writer writes a capture. It is for one goroutine.
type Writer struct {
	buf  *bufio.Writer
	csv  *csv.Writer
	line []string
	err  error
}

// NewWriter writes the header and returns a writer of inputs.
func NewWriter(w io.Writer, h Header) (*Writer, error) {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "%s\n# bench: %s\n# note: %s\n", magic, oneLine(h.Bench), oneLine(h.Note))
	for _, l := range bytes.Split(bytes.TrimRight(h.BenchFile, "\n"), []byte("\n")) {
		fmt.Fprintf(b, "#| %s\n", l)
	}
	out := &Writer{buf: b, csv: csv.NewWriter(b), line: make([]string, len(columns))}
	if err := out.csv.Write(columns); err != nil {
		return nil, fmt.Errorf("write the capture's header: %w", err)
	}
	return out, nil
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// Write writes one input. The first error is kept for Close.
func (w *Writer) Write(in adc.Input) {
	if w.err != nil {
		return
	}
	clear(w.line)
	l := w.line
	number := func(v int64) string { return strconv.FormatInt(v, 10) }
	l[0], l[1] = kinds[in.Kind], number(int64(in.At))
	switch in.Kind {
	case adc.SampleInput:
		s := &in.Sample
		l[2], l[3], l[4] = number(int64(s.Lead)), number(int64(s.Code)), number(int64(s.FullScaleUV))
		l[5], l[6], l[7] = number(int64(s.From)), number(int64(s.To)), number(int64(s.StampErr))
		l[8], l[9] = strconv.FormatFloat(float64(s.NoiseV), 'g', -1, 32), strconv.FormatBool(s.Saturated)
		l[16] = number(int64(s.StampU))
	case adc.BlindInput:
		l[2], l[10], l[11] = number(int64(in.Blind.Lead)), number(int64(in.Blind.Since)), number(int64(in.Blind.Reason))
	case adc.MarkInput:
		l[12], l[13], l[14] = in.Mark.Position.String(), in.Mark.Source.String(), in.Mark.Note
		if in.Mark.End {
			l[15] = "true"
		}
	case adc.LineInput:
		l[14], l[15] = in.Line.Name, strconv.FormatBool(in.Line.On)
	}
	w.err = w.csv.Write(l)
}

// Close flushes what is buffered and returns the first error of all writes.
func (w *Writer) Close() error {
	w.csv.Flush()
	if err := errors.Join(w.err, w.csv.Error(), w.buf.Flush()); err != nil {
		return fmt.Errorf("write the capture: %w", err)
	}
	return nil
}

// Reader reads a capture.
type Reader struct {
	Header Header
	csv    *csv.Reader
	before int // lines of the header
}

// Is reports whether a file begins as a capture does.
func Is(begin []byte) bool { return bytes.HasPrefix(begin, []byte(magic)) }

// NewReader reads the header.
func NewReader(r io.Reader) (*Reader, error) {
	b := bufio.NewReaderSize(r, lineMax)
	out := &Reader{}
	for out.before < headerLinesMax {
		if c, err := b.Peek(1); err != nil || c[0] != '#' {
			break
		}
		raw, err := b.ReadSlice('\n')
		if err != nil {
			return nil, fmt.Errorf("line %d: a header line has no end within %d bytes: is this a capture?", out.before+1, lineMax)
		}
		line := strings.TrimRight(string(raw), "\r\n")
		out.before++
		switch {
		case out.before == 1:
			if line != magic {
				return nil, fmt.Errorf("line 1: %q, want %q: is this a capture?", line, magic)
			}
		case strings.HasPrefix(line, "#| "):
			out.Header.BenchFile = append(append(out.Header.BenchFile, line[3:]...), '\n')
		case strings.HasPrefix(line, "# bench: "):
			out.Header.Bench = line[9:]
		case strings.HasPrefix(line, "# note: "):
			out.Header.Note = line[8:]
		}
	}
	if out.before == 0 {
		return nil, fmt.Errorf("line 1: want %q: is this a capture?", magic)
	}
	out.csv = csv.NewReader(b)
	out.csv.ReuseRecord = true
	head, err := out.csv.Read()
	if err != nil || strings.Join(head, ",") != strings.Join(columns, ",") {
		return nil, fmt.Errorf("line %d: want the column names %s", out.before+1, strings.Join(columns, ","))
	}
	return out, nil
}

// Next returns the next input, or io.EOF after the last.
func (r *Reader) Next() (adc.Input, error) {
	rec, err := r.csv.Read()
	if err == io.EOF {
		return adc.Input{}, io.EOF
	}
	var malformed *csv.ParseError
	if errors.As(err, &malformed) {
		return adc.Input{}, fmt.Errorf("line %d: %w", r.before+malformed.Line, malformed.Err)
	}
	if err != nil {
		return adc.Input{}, fmt.Errorf("after line %d: %w", r.before, err)
	}
	line, _ := r.csv.FieldPos(0)
	line += r.before
	p := parser{rec: rec}
	in := p.input()
	if p.err != nil {
		return adc.Input{}, fmt.Errorf("line %d: %w", line, p.err)
	}
	return in, nil
}

// parser reads the fields of one line and keeps the first error.
type parser struct {
	rec []string
	err error
}

func (p *parser) fail(i int, want string) {
	if p.err == nil {
		p.err = fmt.Errorf("column %s: %q, want %s", columns[i], p.rec[i], want)
	}
}

func (p *parser) int(i, bits int) int64 {
	v, err := strconv.ParseInt(p.rec[i], 10, bits)
	if err != nil {
		p.fail(i, fmt.Sprintf("a whole number of %d bits", bits))
	}
	return v
}

func (p *parser) bool(i int) bool {
	v, err := strconv.ParseBool(p.rec[i])
	if err != nil {
		p.fail(i, "true or false")
	}
	return v
}

func (p *parser) input() adc.Input {
	in := adc.Input{At: adc.Instant(p.int(1, 64))}
	for k, word := range kinds { // exactly one word can match, in any order
		if word == p.rec[0] {
			in.Kind = k
		}
	}
	switch in.Kind {
	case adc.SampleInput:
		s := &in.Sample
		s.Lead, s.Code, s.FullScaleUV = int(p.int(2, 16)), int16(p.int(3, 16)), int32(p.int(4, 32))
		s.From, s.To, s.StampErr = adc.Instant(p.int(5, 64)), adc.Instant(p.int(6, 64)), time.Duration(p.int(7, 64))
		noise, err := strconv.ParseFloat(p.rec[8], 32)
		if err != nil {
			p.fail(8, "a number of volts")
		}
		s.NoiseV, s.Saturated, s.StampU = float32(noise), p.bool(9), time.Duration(p.int(16, 64))
	case adc.BlindInput:
		in.Blind = adc.Blind{Lead: int(p.int(2, 16)), Since: adc.Instant(p.int(10, 64)), Reason: adc.BlindReason(p.int(11, 8))}
	case adc.MarkInput:
		in.Mark = adc.Mark{Position: word(p, 12, positions), Source: word(p, 13, sources), Note: p.rec[14], End: p.rec[15] != "" && p.bool(15)}
	case adc.LineInput:
		in.Line = adc.Line{Name: p.rec[14], On: p.bool(15)}
	case adc.TickInput:
	default:
		p.fail(0, "sample, blind, mark, line or tick")
	}
	return in
}

// word finds the value whose name a field bears.
func word[T fmt.Stringer](p *parser, i int, all []T) T {
	for _, v := range all {
		if v.String() == p.rec[i] {
			return v
		}
	}
	p.fail(i, fmt.Sprintf("one of %v", all))
	return all[0]
}
