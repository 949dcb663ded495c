package capture

import (
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

// Plain names the columns of a plain CSV.
type Plain struct {
	Time  string   // column of the time
	Unit  float64  // of the time, in seconds; zero means 1
	Volts []string // columns of voltages; each becomes a lead, in this order
}

const (
	// plainStepUV is one code of a plain recording: 1 mV, a full scale of 32.768 V,
	// doubled until the greatest voltage fits.
	plainStepUV = 1000
	// plainWindow is the window of a plain sample: as good as an instant, for
	// nothing is known of how the recorder averaged.
	plainWindow = time.Microsecond
	// plainPause is put between recordings in one file: where the time goes back.
	plainPause = 60 * time.Second
	rowsMax    = 50_000_000
	// plainStepMax is the greatest step, in µV, whose full scale a sample can state.
	plainStepMax = math.MaxInt32 / 32768
	// timeMax, in seconds, is how far a time may lie from zero: as far as those of
	// loggers that count from 1970. timeReach is how far all recordings of a file,
	// one after the other, may lead. Any sum of both is still an instant.
	timeMax   = 4e9
	timeReach = adc.Instant(1 << 60)
)

// ReadPlain reads a plain CSV with a line of column names. It returns the inputs
// in order, leads with a calibration of gain 1, and the median interval. Where
// the time goes back, another recording begins: it is set after the last.
func ReadPlain(r io.Reader, p Plain) (inputs []adc.Input, leads []adc.Lead, interval time.Duration, err error) {
	if p.Unit == 0 {
		p.Unit = 1
	}
	times, volts, err := readColumns(r, p)
	if err != nil {
		return nil, nil, 0, err
	}
	step, most := int32(plainStepUV), 0.0
	for _, row := range volts {
		for _, v := range row {
			most = max(most, math.Abs(v))
		}
	}
	for most > float64(step)*32767e-6 {
		if step *= 2; step > plainStepMax {
			return nil, nil, 0, fmt.Errorf("%g V is no voltage of a vehicle: is the column in volts?", most)
		}
	}
	interval = medianStep(times)
	u := interval/100*29 + interval%100*29/100 // 0.29 of it, for intervals of years too
	for k, name := range p.Volts {
		id := idOf(name, k)
		taken := func(l adc.Lead) bool { return l.Name == id }
		for n := k + 1; slices.ContainsFunc(leads, taken); n++ {
			id = fmt.Sprintf("column-%d", n)
		}
		leads = append(leads, adc.Lead{
			Name: id, Chip: "recording", Input: k, Tau: plainWindow, TauFloating: plainWindow,
			Calibration: adc.Calibration{Gain: 1},
		})
	}
	for i, t := range times {
		for k := range p.Volts {
			s := adc.Sample{Lead: k, Code: int16(math.Round(volts[i][k] * 1e6 / float64(step))), FullScaleUV: step * 32768,
				From: t, To: t.Add(plainWindow), StampErr: interval / 2, StampU: u}
			inputs = append(inputs, adc.Input{Kind: adc.SampleInput, At: s.To, Sample: s})
		}
	}
	return inputs, leads, interval, nil
}

// idOf makes a lead's name of a column's.
func idOf(name string, k int) string {
	id := strings.Map(func(c rune) rune {
		switch {
		case c >= 'a' && c <= 'z', c >= '0' && c <= '9':
			return c
		case c >= 'A' && c <= 'Z':
			return c + 'a' - 'A'
		}
		return '-'
	}, name)
	if id = strings.Trim(id, "-"); id == "" || len(id) > 32 {
		return fmt.Sprintf("column-%d", k+1)
	}
	return id
}

// readColumns reads time and voltages.
func readColumns(r io.Reader, p Plain) (times []adc.Instant, volts [][]float64, err error) {
	b := &bound{r: r}
	c := csv.NewReader(b)
	c.Comment, c.ReuseRecord, c.TrimLeadingSpace = '#', true, true
	head, err := c.Read()
	if err != nil {
		return nil, nil, fmt.Errorf("line 1: read the column names: %w", err)
	}
	head = slices.Clone(head)
	at := make([]int, 0, 1+len(p.Volts))
	for _, name := range append([]string{p.Time}, p.Volts...) {
		i := slices.IndexFunc(head, func(h string) bool { return strings.TrimSpace(h) == name })
		if i < 0 {
			return nil, nil, fmt.Errorf("line 1: no column %q; have %s", clip(name, textShown), clip(strings.Join(head, ", "), 8*textShown))
		}
		at = append(at, i)
	}
	offset, last := adc.Instant(0), adc.Instant(-1)
	for len(times) < rowsMax {
		rec, err := c.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, nil, err
		}
		row := make([]float64, len(at))
		for k, i := range at {
			line, _ := c.FieldPos(i)
			v, most := 0.0, 1e9
			if v, err = strconv.ParseFloat(strings.TrimSpace(rec[i]), 64); k == 0 {
				v, most = v*p.Unit, timeMax
			}
			if err != nil || !(math.Abs(v) <= most) {
				return nil, nil, fmt.Errorf("line %d: column %s: %q is no number in reach", line, clip(head[i], textShown), clip(rec[i], textShown))
			}
			row[k] = v
		}
		b.drawn = 0
		t := adc.Instant(row[0]*1e9) + offset
		if len(times) == 0 {
			offset = adc.Instant(time.Second) - t
			t += offset
		}
		if t <= last {
			if t+adc.Instant(time.Millisecond) > last {
				continue // the same instant twice
			}
			shift := last.Add(plainPause) - t
			offset += shift
			t += shift
		}
		if t > timeReach {
			line, _ := c.FieldPos(at[0])
			return nil, nil, fmt.Errorf("line %d: column %s: the recordings before it lead %g s on: is that the time?", line, clip(head[at[0]], textShown), t.Seconds())
		}
		times, volts, last = append(times, t), append(volts, row[1:]), t
	}
	if len(times) < 2 {
		return nil, nil, errors.New("fewer than two rows of numbers")
	}
	return times, volts, nil
}

func medianStep(times []adc.Instant) time.Duration {
	var steps []time.Duration
	for i := 1; i < len(times); i++ {
		steps = append(steps, times[i].Sub(times[i-1]))
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}
