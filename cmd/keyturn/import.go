package main

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"keyturn/adc"
	"keyturn/daemon"
	"keyturn/daemon/records"
	"keyturn/protocol"
)

// imports puts what captures show into the records.
type imports struct {
	Files   []string `arg:"" help:"Captures." type:"existingfile"`
	Records string   `help:"The records: a file, which is made if it is not there, or postgres://user@host/database." default:"records.db" placeholder:"FILE"`
}

// resultsMost bounds what one capture may make: a bench makes as much in a day of turning
// the key without a pause.
const resultsMost = 1_000_000

// Run imports file by file. Of one that is bad nothing is kept; the others are.
func (i *imports) Run(ctx context.Context) (err error) {
	s, err := records.Open(ctx, records.Options{URL: i.Records})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	var bad []error
	for _, name := range i.Files {
		said, err := importFile(ctx, s, name)
		if ctx.Err() != nil {
			return fmt.Errorf("import %s: stopped; nothing of it is kept", name)
		}
		if err != nil {
			bad = append(bad, fmt.Errorf("import %s: %w; nothing of it is kept", name, err))
			continue
		}
		fmt.Printf("%s: %s\n", name, said)
	}
	return errors.Join(bad...)
}

// importFile measures a capture and keeps its results, all or none.
func importFile(ctx context.Context, s *records.Store, name string) (said string, err error) {
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	digest := sha256.New()
	size, err := io.Copy(digest, f)
	if err != nil {
		return "", err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return "", err
	}
	p := newProgress(f, size, name)
	defer p.done()
	m, err := measureCapture(ctx, p, hex.EncodeToString(digest.Sum(nil)))
	if err != nil {
		return "", err
	}
	a, err := s.Add(ctx, m.payloads...)
	if err != nil {
		return "", err
	}
	if a.New == 0 {
		return "imported before, nothing is new", nil
	}
	return fmt.Sprintf("key cycles of bench %s: %d; results: %d", m.bench, m.cycles, a.New), nil
}

// imported is what a capture shows.
type imported struct {
	bench    string
	cycles   int
	payloads [][]byte // of the results, in their order
	times    []sampling
}

// measureCapture measures a capture with the code that measures live. Its results are
// named by its content: the same capture gives the same names. The boot that it was made
// in is not in it; in its place stands the content's with zeros after it, which no kernel
// gives, and the stream says that it was imported.
func measureCapture(ctx context.Context, r io.Reader, digest string) (*imported, error) {
	c, o, err := readCapture(bufio.NewReaderSize(r, 1<<16), "import")
	if err != nil {
		return nil, err
	}
	o.Boot, o.Stream = digest[:8]+"-0000-0000-0000-000000000000", protocol.ImportStream(digest)
	t, err := daemon.NewReplay(o)
	if err != nil {
		return nil, err
	}
	out := &imported{bench: o.Bench, payloads: [][]byte{nil}, times: make([]sampling, len(o.Description.Leads))}
	in, err := c.Next()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("no inputs after the header")
	}
	bench := t.Describe(in.At, o.Description) // the first result; its intervals are known last
	for ; err == nil && ctx.Err() == nil; in, err = c.Next() {
		out.sample(&in)
		if err := out.keep(t.Step(in)); err != nil {
			return nil, err
		}
	}
	if !errors.Is(err, io.EOF) {
		return nil, errors.Join(err, ctx.Err())
	}
	if err := out.keep(t.Flush()); err != nil {
		return nil, err
	}
	for i := range out.times {
		out.times[i].tell(&bench.Leads[i])
	}
	out.payloads[0], err = protocol.Encode(bench)
	return out, err
}

// keep takes the results among documents.
func (m *imported) keep(docs []protocol.Document) error {
	for _, d := range docs {
		if _, ok := d.(protocol.Result); !ok {
			continue
		}
		if c, ok := d.(*protocol.Cycle); ok && c.Final {
			m.cycles++
		}
		b, err := protocol.Encode(d)
		if err != nil {
			return err
		}
		if m.payloads = append(m.payloads, b); len(m.payloads) > resultsMost {
			return fmt.Errorf("more than %d results", resultsMost)
		}
	}
	return nil
}

// sample counts a sample of a lead.
func (m *imported) sample(in *adc.Input) {
	if s := &in.Sample; in.Kind == adc.SampleInput && s.Lead >= 0 && s.Lead < len(m.times) {
		m.times[s.Lead].take(s.To)
	}
}

// sampling is how often a lead was sampled in a capture.
type sampling struct {
	first, last adc.Instant
	n           int
	longest     time.Duration
}

func (s *sampling) take(at adc.Instant) {
	if s.n == 0 {
		s.first = at
	} else {
		s.longest = max(s.longest, at.Sub(s.last))
	}
	s.last = at
	s.n++
}

func (s *sampling) tell(l *protocol.BenchLead) {
	if s.n < 2 || s.last <= s.first {
		return
	}
	mean, longest := protocol.MicrosOf(s.last.Sub(s.first)/time.Duration(s.n-1)), protocol.MicrosOf(s.longest)
	l.IntervalMeanUS, l.IntervalLongestUS = &mean, &longest
}

// progress tells a terminal how much of a file has been read.
type progress struct {
	r          io.Reader
	size, read int64
	name       string
	tell       bool
	told       int64 // per cent
}

func newProgress(r io.Reader, size int64, name string) *progress {
	_, err := unix.IoctlGetWinsize(int(os.Stderr.Fd()), unix.TIOCGWINSZ)
	return &progress{r: r, size: size, name: filepath.Base(name), tell: err == nil, told: -1}
}

func (p *progress) Read(b []byte) (int, error) {
	n, err := p.r.Read(b)
	p.read += int64(n)
	if done := 100 * p.read / max(1, p.size); p.tell && done != p.told {
		p.told = done
		fmt.Fprintf(os.Stderr, "\r%s: %d %%", p.name, done)
	}
	return n, err
}

// done clears the line.
func (p *progress) done() {
	if p.tell {
		fmt.Fprint(os.Stderr, "\r\x1b[K")
	}
}
