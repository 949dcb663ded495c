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
	"math"
	"slices"
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
	// benchMark begins each line of the bench file.
	benchMark = "#| "
	// headerLinesMax, benchRowsMax of them the bench file's, and lineMax with its
	// end bound the header that a reader accepts and a writer makes.
	headerLinesMax = 20000
	benchRowsMax   = headerLinesMax - 3
	lineMax        = 4096
	// recordMax is what one line of inputs may take, textMax the text in it; both in
	// bytes. A quote without its end must not draw a whole file into memory.
	recordMax = 1 << 16
	textMax   = 4096
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
	rows := 0
	for _, l := range []string{magic, "# bench: " + oneLine(h.Bench), "# note: " + oneLine(h.Note)} {
		if len(l) >= lineMax {
			return nil, fmt.Errorf("write the capture's header: a line of %d bytes; less than %d are read back", len(l), lineMax)
		}
		fmt.Fprintln(b, l)
	}
	for l := range bytes.Lines(h.BenchFile) {
		l = bytes.TrimRight(l, "\r\n")
		if rows++; rows > benchRowsMax || len(benchMark)+len(l) >= lineMax {
			return nil, fmt.Errorf("write the capture's header: line %d of the bench file: %d lines of less than %d bytes are read back", rows, benchRowsMax, lineMax-len(benchMark))
		}
		fmt.Fprintf(b, "%s%s\n", benchMark, l)
	}
	out := &Writer{buf: b, csv: csv.NewWriter(b), line: make([]string, len(columns))}
	if err := out.csv.Write(columns); err != nil {
		return nil, fmt.Errorf("write the capture's header: %w", err)
	}
	return out, nil
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// lineEnds makes every line end of a text the one that CSV keeps.
func lineEnds(s string) string {
	return strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
}

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
		l[12], l[13], l[14] = in.Mark.Position.String(), in.Mark.Source.String(), lineEnds(in.Mark.Note)
		if in.Mark.End {
			l[15] = "true"
		}
	case adc.LineInput:
		l[14], l[15] = lineEnds(in.Line.Name), strconv.FormatBool(in.Line.On)
	}
	if len(l[14]) > textMax {
		w.err = fmt.Errorf("a text of %d bytes; at most %d are read back", len(l[14]), textMax)
		return
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
	bound  *bound
	before int // lines of the header
	last   int // line of the latest record
}

// bound is a reader that fails once a single record has drawn more than recordMax
// from it, beside what is read ahead.
type bound struct {
	r     io.Reader
	drawn int
}

var errLong = fmt.Errorf("longer than %d bytes: is a quote open?", recordMax)

func (b *bound) Read(p []byte) (int, error) {
	if b.drawn > recordMax {
		return 0, errLong
	}
	n, err := b.r.Read(p)
	b.drawn += n
	return n, err
}

// Is reports whether a file begins as a capture does.
func Is(begin []byte) bool { return bytes.HasPrefix(begin, []byte(magic)) }

// NewReader reads the header.
func NewReader(r io.Reader) (*Reader, error) {
	out := &Reader{bound: &bound{r: r}}
	b := bufio.NewReaderSize(out.bound, lineMax)
	rows := 0
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
		out.bound.drawn = 0
		switch {
		case out.before == 1:
			if line != magic {
				return nil, fmt.Errorf("line 1: %q, want %q: is this a capture?", clip(line, textShown), magic)
			}
		case strings.HasPrefix(line, benchMark):
			if rows++; rows > benchRowsMax {
				return nil, fmt.Errorf("line %d: the bench file has more than %d lines: is this a capture?", out.before, benchRowsMax)
			}
			out.Header.BenchFile = append(append(out.Header.BenchFile, line[len(benchMark):]...), '\n')
		case strings.HasPrefix(line, "# bench: "):
			out.Header.Bench = oneLine(line[9:])
		case strings.HasPrefix(line, "# note: "):
			out.Header.Note = oneLine(line[8:])
		}
	}
	if out.before == 0 {
		return nil, fmt.Errorf("line 1: want %q: is this a capture?", magic)
	}
	out.csv = csv.NewReader(b)
	out.csv.ReuseRecord = true
	head, err := out.csv.Read()
	if err != nil || !slices.Equal(head, columns) {
		return nil, fmt.Errorf("line %d: want the column names %s", out.before+1, strings.Join(columns, ","))
	}
	out.bound.drawn, out.last = 0, out.before+1
	return out, nil
}

// clip shortens a text of a file for use in an error.
func clip(s string, most int) string {
	s = strings.ToValidUTF8(s, "?")
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "") + "…" // a letter cut in two is left out
}

// textShown is how much of a field an error repeats, in bytes.
const textShown = 64

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
		return adc.Input{}, fmt.Errorf("after line %d: %w", r.last, err)
	}
	r.bound.drawn = 0
	line, _ := r.csv.FieldPos(0)
	line += r.before
	r.last = line
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
		p.err = fmt.Errorf("column %s: %q, want %s", columns[i], clip(p.rec[i], textShown), want)
	}
}

func (p *parser) int(i, bits int) int64 {
	v, err := strconv.ParseInt(p.rec[i], 10, bits)
	if err != nil {
		p.fail(i, fmt.Sprintf("a whole number of %d bits", bits))
	}
	return v
}

func (p *parser) reason(i int) uint64 {
	v, err := strconv.ParseUint(p.rec[i], 10, 8)
	if err != nil {
		p.fail(i, "a number from 0 to 255")
	}
	return v
}

func (p *parser) text(i int) string {
	s := lineEnds(p.rec[i])
	if len(s) > textMax {
		p.fail(i, fmt.Sprintf("at most %d bytes", textMax))
	}
	return s
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
		if err != nil || math.IsNaN(noise) || math.IsInf(noise, 0) {
			p.fail(8, "a number of volts")
		}
		s.NoiseV, s.Saturated, s.StampU = float32(noise), p.bool(9), time.Duration(p.int(16, 64))
	case adc.BlindInput:
		in.Blind = adc.Blind{Lead: int(p.int(2, 16)), Since: adc.Instant(p.int(10, 64)), Reason: adc.BlindReason(p.reason(11))}
	case adc.MarkInput:
		in.Mark = adc.Mark{Position: word(p, 12, positions), Source: word(p, 13, sources), Note: p.text(14), End: p.rec[15] != "" && p.bool(15)}
	case adc.LineInput:
		in.Line = adc.Line{Name: p.text(14), On: p.bool(15)}
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
