package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"keyturn/adc"
	"keyturn/cmd/internal/attend"
	"keyturn/daemon/config"
)

// calibrate finds each lead's line from two points: on earth, and on a voltage
// that a meter tells.
type calibrate struct {
	benchFlags
	Lead    []string `help:"Calibrate only this lead; may be given more than once." placeholder:"NAME"`
	Percent float64  `name:"meter-percent" help:"The meter's limits: percent of the reading …" default:"0.5"`
	Counts  float64  `name:"meter-counts" help:"… and so many of its last digit." default:"2"`
	Digit   float64  `name:"meter-digit" help:"The meter's last digit in volts." default:"0.01"`
}

const (
	averageFor = time.Second
	// leastSamples is how many samples an average must rest on.
	leastSamples = 20
	// swappedV is what another lead must have moved by to be taken for the one
	// that was meant.
	swappedV = 3.0
)

// errEnd is the operator's wish to stop.
var errEnd = errors.New("ended")

// Run calibrates lead by lead; each is written before the next is begun.
func (c *calibrate) Run(ctx context.Context) error {
	if c.Percent < 0 || c.Counts < 0 || c.Digit <= 0 {
		return errors.New("the meter's limits must not be negative, and its last digit above 0")
	}
	p, err := openProbe(ctx, c.benchFlags)
	if err != nil {
		return err
	}
	defer p.Close()
	if p.calibration.Path == "" && !c.Practice {
		return fmt.Errorf("bench file %s names no calibration file: add the line\n\n    calibration = \"calibration.toml\"\n\nabove its first [table], then calibrate", c.Config)
	}
	if !c.Practice {
		if err := p.calibration.Writable(); err != nil {
			return err
		}
	}
	chosen, err := c.chosen(&p.bench)
	if err != nil {
		return err
	}
	fmt.Printf(`Calibrating %d of %d leads of bench %s, each at two points.
You need the battery or a bench supply of 10 to 15 V, and a meter on the very
points that the lead is on. The meter is taken to be good for ± (%g %% + %g digits
of %g V); say otherwise with --meter-percent, --meter-counts and --meter-digit.
Enter goes on, s skips a lead, r repeats it, q ends; what is done is kept.

`, len(chosen), len(p.bench.Leads), p.bench.ID, c.Percent, c.Counts, c.Digit)
	s := &session{probe: p, meter: *c, answers: attend.Typed(os.Stdin)}
	for n := 0; n < len(chosen); n++ {
		again, err := s.lead(ctx, chosen[n], n+1, len(chosen))
		switch {
		case errors.Is(err, errEnd):
			fmt.Printf("Ended. %d leads calibrated.\n", s.done)
			return nil
		case err != nil:
			return err
		case again:
			n--
		}
	}
	fmt.Printf("Done. %d leads calibrated.\n", s.done)
	return nil
}

// chosen returns the numbers of the leads to calibrate.
func (c *calibrate) chosen(b *config.Bench) ([]int, error) {
	var out []int
	for _, name := range c.Lead {
		i := slices.IndexFunc(b.Leads, func(l config.Lead) bool { return l.Name == name })
		if i < 0 {
			return nil, fmt.Errorf("bench %s has no lead %q", b.ID, name)
		}
		if b.Leads[i].Role == config.RoleCurrent {
			return nil, fmt.Errorf("lead %s measures a current: its figures are those of its shunt (shunt_mohm, shunt_percent), and nothing is calibrated", name)
		}
		out = append(out, i)
	}
	if len(c.Lead) == 0 {
		for i := range b.Leads {
			if b.Leads[i].Role != config.RoleCurrent {
				out = append(out, i)
			}
		}
	}
	return out, nil
}

// session is one sitting at the bench.
type session struct {
	probe   *probe
	meter   calibrate
	answers <-chan string
	done    int
}

// ask waits for a line; q and the end of the input are errEnd.
func (s *session) ask(ctx context.Context, prompt string) (string, error) {
	fmt.Print(prompt)
	select {
	case <-ctx.Done():
		fmt.Println()
		return "", errEnd
	case line, ok := <-s.answers:
		if !ok || line == "q" {
			return "", errEnd
		}
		return line, nil
	}
}

// lead calibrates one lead; again says that it is to be done once more.
func (s *session) lead(ctx context.Context, i, n, of int) (again bool, err error) {
	b := &s.probe.bench
	l := &b.Leads[i]
	fmt.Printf("%d of %d: %s (%s), wired to %s input %d\n", n, of, l.Name, whereIs(b, l), l.Chip, l.Input)
	zero, skip, err := s.zero(ctx, i)
	if err != nil || skip {
		return false, err
	}
	known, answer, err := s.known(ctx, i)
	if err != nil || answer == "s" {
		return false, err
	}
	if answer == "r" {
		return true, nil
	}
	nominal := (l.UpperKOhm + l.LowerKOhm) / l.LowerKOhm
	k, err := adc.Calibrate(zero, known, nominal, s.stepV(i))
	if err != nil {
		fmt.Printf("  Refused: %v\n", err)
		if other := s.moved(i); other != "" {
			fmt.Printf("  Lead %s moved instead: are the two swapped?\n", other)
		}
		return s.onceMore(ctx)
	}
	k.Date = time.Now().Format(time.DateOnly)
	fmt.Printf("  Gain %.4f, %+.2f %% from the parts; offset %+.1f mV.\n", k.Gain, 100*(k.Gain/nominal-1), 1e3*k.OffsetV)
	fmt.Printf("  Left over: %+.1f mV on earth, %+.1f mV at %.3f V.\n", 1e3*(k.LeadV(zero.PinV)-zero.LeadV), 1e3*(k.LeadV(known.PinV)-known.LeadV), known.LeadV)
	fmt.Printf("  From now on ± %.0f mV at %.1f V (k = 2, 0 to 45 °C).\n", 2e3*k.U(known.LeadV), known.LeadV)
	s.done++
	return false, s.keep(l, &k)
}

// keep writes a lead's calibration into the file.
func (s *session) keep(l *config.Lead, k *adc.Calibration) error {
	c := config.Calibration{Gain: k.Gain, OffsetV: k.OffsetV, UGain: k.UGain, UOffsetV: k.UOffsetV, Date: k.Date}
	if old := l.Calibration; old != nil { // what its edges have taught stays true
		c.TauUS, c.TauFloatingUS, c.UTau, c.UTauFloating = old.TauUS, old.TauFloatingUS, old.UTau, old.UTauFloating
	}
	if s.probe.calibration.Path == "" {
		fmt.Print("  Practice: nothing is written.\n\n")
		return nil
	}
	s.probe.calibration.Content.Set(config.LeadCalibration{Name: l.Name, Chip: l.Chip, Input: l.Input, Calibration: c})
	if err := s.probe.calibration.Save(); err != nil {
		return err
	}
	fmt.Printf("  Written to %s.\n\n", s.probe.calibration.Path)
	return nil
}

// zero averages the lead on earth.
func (s *session) zero(ctx context.Context, i int) (k adc.KnownPoint, skip bool, err error) {
	answer, err := s.ask(ctx, "  Put the lead on the battery's negative post and press Enter: ")
	if err != nil || answer == "s" {
		fmt.Println()
		return k, answer == "s", err
	}
	s.hold(i, 0)
	return s.average(ctx, i)
}

// known averages the lead on a voltage that is typed. answer is s or r where the
// operator wants something else.
func (s *session) known(ctx context.Context, i int) (k adc.KnownPoint, answer string, err error) {
	s.hold(i, practiceV)
	if len(s.probe.hands) > 0 {
		fmt.Printf("  (The practice meter shows %.2f V.)\n", practiceV)
	}
	for {
		answer, err = s.ask(ctx, "  Put lead and meter on the positive post; what does the meter show, in volts? ")
		if err != nil || answer == "s" || answer == "r" {
			fmt.Println()
			return k, answer, err
		}
		v, ok := volts(answer)
		if !ok {
			fmt.Printf("  %q is no voltage; write it like 12.61.\n", answer)
			continue
		}
		if k, _, err = s.average(ctx, i); err != nil {
			return k, "", err
		}
		k.LeadV = v
		// The meter's limits are a rectangle (JCGM 100:2008, 4.3.7).
		k.ULeadV = (s.meter.Percent/100*v + s.meter.Counts*s.meter.Digit) / math.Sqrt(3)
		return k, "", nil
	}
}

// volts reads a voltage as people write it.
func volts(text string) (float64, bool) {
	text = strings.TrimSpace(strings.TrimRight(strings.TrimSpace(text), "vV"))
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	return v, err == nil && v > 0 && v < 60
}

// average averages the lead for a second.
func (s *session) average(ctx context.Context, i int) (k adc.KnownPoint, skip bool, err error) {
	pin, u, n, err := s.probe.mean(ctx, i, averageFor)
	if err != nil {
		return k, false, errEnd
	}
	if n < leastSamples {
		return k, false, fmt.Errorf("lead %s was read %d times in a second: chip %s does not answer; look at its wiring, then calibrate again", s.probe.bench.Leads[i].Name, n, s.probe.bench.Leads[i].Chip)
	}
	l := &s.probe.bench.Leads[i]
	fmt.Printf("  Reads %.4f V by its parts, from %d samples.\n", pin*(l.UpperKOhm+l.LowerKOhm)/l.LowerKOhm, n)
	return adc.KnownPoint{PinV: pin, UPinV: u}, false, nil
}

// onceMore asks whether a refused lead is to be tried again.
func (s *session) onceMore(ctx context.Context) (bool, error) {
	answer, err := s.ask(ctx, "  Enter tries again, s skips it: ")
	fmt.Println()
	return err == nil && answer != "s", err
}

// moved names another lead that moved as the one meant should have.
func (s *session) moved(i int) string {
	readings, _ := s.probe.readings()
	best := -1
	for k, r := range readings {
		if k != i && r.MovedV > swappedV && (best < 0 || r.MovedV > readings[best].MovedV) {
			best = k
		}
	}
	if best < 0 {
		return ""
	}
	return s.probe.bench.Leads[best].Name
}

// hold puts a lead of the practice bench somewhere.
func (s *session) hold(i int, v float64) {
	if len(s.probe.hands) > 0 {
		s.probe.hands[i].hold(v)
	}
}

// stepV is one code of a lead's converter at the pin.
func (s *session) stepV(i int) float64 {
	for _, c := range s.probe.bench.Chips {
		if c.Name == s.probe.bench.Leads[i].Chip {
			full := c.RangeV
			if full == 0 {
				full = 4.096
			}
			return full / 32768
		}
	}
	return 0
}
