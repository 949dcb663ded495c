package recordstest

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"fmt"
	"hash/fnv"
	"io"
	"strconv"
	"strings"
)

// packed is what a bench of 16 leads in 12 slots published as results, from its start to
// the end of its first key cycle: keyturn demo --fast, its document's text unchanged.
//
//go:embed cycle.jsonl.gz
var packed []byte

// Benches makes the results of benches, all after one that was simulated.
type Benches struct{ documents []document }

// document is a result, cut where its bench, boot, stream and number stand.
type document struct {
	name   string
	pieces []string
}

// The names that stand in what was simulated.
const (
	simulatedBench, simulatedBoot, simulatedStream = `"demo"`, "0000d0e0", `"demo-0","seq":`
)

// LoadBenches reads what was simulated.
func LoadBenches() (*Benches, error) {
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	text, err := io.ReadAll(z)
	if err != nil {
		return nil, err
	}
	b := &Benches{}
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		_, kind, _ := strings.Cut(line, `"kind":"`)
		kind, _, _ = strings.Cut(kind, `"`)
		before, after, found := strings.Cut(line, simulatedStream)
		if !found {
			return nil, fmt.Errorf("no stream in %.200s", line)
		}
		after = strings.TrimLeft(after, "0123456789")
		mark := strings.NewReplacer(simulatedBench, "\x00b\x00", simulatedBoot, "\x00o\x00")
		b.documents = append(b.documents, document{kind, strings.Split(mark.Replace(before)+"\x00s\x00"+mark.Replace(after), "\x00")})
	}
	return b, nil
}

// Len is how many results a key cycle has.
func (b *Benches) Len() int { return len(b.documents) }

// Result is a result of a bench, by its number from 1. After every Len the bench has
// started again, and measures the same on another boot.
func (b *Benches) Result(bench string, seq int64) (name string, payload []byte) {
	n := int64(len(b.documents))
	d := &b.documents[(seq-1)%n]
	h := fnv.New32a()
	fmt.Fprint(h, bench, (seq-1)/n)
	boot := fmt.Sprintf("%08x", h.Sum32())
	var out bytes.Buffer
	for _, p := range d.pieces {
		switch p {
		case "b":
			out.WriteString(`"` + bench + `"`)
		case "o":
			out.WriteString(boot)
		case "s":
			out.WriteString(`"` + bench + `-1","seq":` + strconv.FormatInt(seq, 10))
		default:
			out.WriteString(p)
		}
	}
	return "result/" + d.name, out.Bytes()
}
