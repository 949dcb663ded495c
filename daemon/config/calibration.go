package config

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2"

	"keyturn/daemon/measure"
)

// Calibrations is a calibration file: what keyturn calibrate found, and what the
// leads have taught since.
type Calibrations struct {
	Leads []LeadCalibration `toml:"lead"`
}

// LeadCalibration is the calibration of one lead, tied to the converter input
// that it was made on.
type LeadCalibration struct {
	Name  string `toml:"name"`
	Chip  string `toml:"chip"`
	Input int    `toml:"input"`
	Calibration
}

// ParseCalibrations reads a calibration file. The error is a Faults.
func ParseCalibrations(data []byte) (Calibrations, error) {
	if len(data) > sizeMax {
		return Calibrations{}, Faults{{1, fmt.Sprintf("%d bytes are too long for a calibration file; at most %d", len(data), sizeMax)}}
	}
	f := &faults{lines: linesOf(data)}
	var c Calibrations
	err := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields().Decode(&c)
	var wrong *toml.DecodeError
	var strict *toml.StrictMissingError
	switch {
	case errors.As(err, &strict) && len(strict.Errors) > 0:
		row, _ := strict.Errors[0].Position()
		f.tell(row, fmt.Sprintf("unknown key %q; remove it", clip(strings.Join(strict.Errors[0].Key(), "."))))
	case errors.As(err, &wrong):
		row, _ := wrong.Position()
		f.tell(row, saidBy(wrong)+"; calibrate again or correct it")
	case err != nil:
		f.tell(1, saidBy(err)+"; calibrate again or correct it")
	}
	if err != nil {
		return Calibrations{}, f.err()
	}
	seen := map[string]bool{}
	for i := range c.Leads {
		l := &c.Leads[i]
		at := fmt.Sprintf("lead[%d]", i)
		f.id(at, "name", l.Name)
		f.once(seen, at, "name", fmt.Sprintf("%q", l.Name), "lead")
		(&Lead{Calibration: &l.Calibration}).checkCalibration(f, at)
	}
	if len(f.list) > 0 {
		return Calibrations{}, f.err()
	}
	return c, nil
}

// TOML writes the file that ParseCalibrations reads.
func (c Calibrations) TOML() ([]byte, error) {
	out, err := toml.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("write the calibration: %w", err)
	}
	head := "# Calibration of the leads: written by keyturn calibrate and by the daemon.\n# A lead moved to another input must be calibrated again.\n\n"
	return append([]byte(head), out...), nil
}

// Set puts a lead's calibration in, in the place of the one before.
func (c *Calibrations) Set(l LeadCalibration) {
	if i := slices.IndexFunc(c.Leads, func(x LeadCalibration) bool { return x.Name == l.Name }); i >= 0 {
		c.Leads[i] = l
		return
	}
	c.Leads = append(c.Leads, l)
}

// ErrMoved says that a lead was calibrated on another input than it is on now.
var ErrMoved = errors.New("calibrate it again")

// Apply puts the calibrations into the bench's leads. A lead that was calibrated
// on another input is an ErrMoved, for its figures are not those of this one; it
// stays as its parts have it, and the others are applied.
func (c *Calibrations) Apply(b *Bench) error {
	var errs []error
	for i := range c.Leads {
		k := &c.Leads[i]
		at := slices.IndexFunc(b.Leads, func(l Lead) bool { return l.Name == k.Name })
		if at < 0 {
			continue // a lead that is put away keeps its calibration
		}
		l := &b.Leads[at]
		if l.Chip != k.Chip || l.Input != k.Input {
			errs = append(errs, fmt.Errorf("lead %s was calibrated on input %d of %s and is now on input %d of %s: %w", l.Name, k.Input, k.Chip, l.Input, l.Chip, ErrMoved))
			continue
		}
		l.Calibration = &k.Calibration
	}
	return errors.Join(errs...)
}

const (
	// learnedLeast is the least number of edges whose lesson is worth keeping.
	learnedLeast = 10
	// anotherDay is what a time constant may differ from one day to another with
	// the capacitor's temperature: 10 K of 0.05 %/K (value from memory).
	anotherDay = 0.005
)

// Learn puts what the leads have taught, given in the order of leads, beside their
// calibration and reports whether that changed anything. A lead that was never
// calibrated teaches nothing that is kept.
func (c *Calibrations) Learn(leads []Lead, learned []measure.TimeConstants) (changed bool) {
	for i, k := range learned {
		at := slices.IndexFunc(c.Leads, func(x LeadCalibration) bool { return x.Name == leads[i].Name })
		if at < 0 || k.Edges < learnedLeast {
			continue
		}
		x := &c.Leads[at]
		x.TauUS, x.UTau = float64(k.Driven)/1e3, math.Hypot(k.UDriven, anotherDay)
		x.TauFloatingUS, x.UTauFloating = float64(k.Floating)/1e3, math.Hypot(k.UFloating, anotherDay)
		changed = true
	}
	return changed
}
