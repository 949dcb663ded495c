package parts

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"keyturn/daemon/config"
	"keyturn/daemon/measure"
)

// Calibration is a bench's calibration file.
type Calibration struct {
	// Path is where it is; empty where the bench file names none.
	Path string
	// Content is what it says.
	Content config.Calibrations
}

// OpenCalibration reads the calibration file that a bench file names, relative to
// it, and puts it into the bench. A file that is not there yet is no error. With a
// config.ErrMoved the rest is valid all the same.
func OpenCalibration(benchFile string, b *config.Bench) (*Calibration, error) {
	c := &Calibration{}
	if b.Calibration == "" {
		return c, nil
	}
	c.Path = beside(benchFile, b.Calibration)
	text, err := os.ReadFile(c.Path)
	if errors.Is(err, fs.ErrPermission) {
		return nil, fmt.Errorf("read the calibration: %w; it belongs to the service: use sudo", err)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return c, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the calibration: %w", err)
	}
	if c.Content, err = config.ParseCalibrations(text); err != nil {
		return nil, fmt.Errorf("calibration file %s:\n%w", c.Path, err)
	}
	if err := c.Content.Apply(b); err != nil {
		return c, fmt.Errorf("calibration file %s:\n%w", c.Path, err)
	}
	return c, nil
}

// Writable returns why the file could not be saved; nil if it could.
func (c *Calibration) Writable() error {
	f, err := os.CreateTemp(filepath.Dir(c.Path), ".calibration-*")
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("the folder of the calibration, %s, is not there yet: the service makes it at its first start, or make it", filepath.Dir(c.Path))
	}
	if err != nil {
		return fmt.Errorf("the calibration could not be written: %w; use sudo", err)
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}

// Save writes the file so that it is either the old one or the new one, whenever
// the power fails.
func (c *Calibration) Save() error {
	text, err := c.Content.TOML()
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(c.Path), ".calibration-*")
	if err != nil {
		return fmt.Errorf("write the calibration: %w", err)
	}
	defer os.Remove(f.Name()) // it is gone once it has been renamed
	_, err = f.Write(text)
	err = errors.Join(err, f.Sync(), f.Chmod(0o644), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), c.Path)
	}
	if err == nil {
		err = syncDir(filepath.Dir(c.Path))
	}
	if err != nil {
		return fmt.Errorf("write the calibration: %w", err)
	}
	return nil
}

func syncDir(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// Learn keeps what the leads of a bench have taught beside their calibration.
func (c *Calibration) Learn(b config.Bench, learned []measure.TimeConstants) error {
	if c.Path == "" || !c.Content.Learn(b.Leads, learned) {
		return nil
	}
	return c.Save()
}
