package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon/config"
)

// This file looks at what is on the machine itself: calibration, clock, a daemon that
// runs, buses, disk.

// oldAfter is the age from which a calibration is to be made anew (common practice,
// no published source).
const oldAfter = 365 * 24 * time.Hour

func (x *examination) calibration(b config.Bench) {
	var never, old []string
	for i := range b.Leads {
		l := &b.Leads[i]
		if l.Role == config.RoleCurrent {
			continue // by its shunt
		}
		switch made, err := time.Parse(time.DateOnly, dateOf(l)); {
		case err != nil:
			never = append(never, l.Name)
		case time.Since(made) > oldAfter:
			old = append(old, l.Name)
		}
	}
	switch {
	case len(never) > 0:
		x.say(checked{"calibration", notice, fmt.Sprintf("%d of %d leads were never calibrated: %s", len(never), len(b.Leads), some(never)), x.d.command("calibrate")})
	case len(old) > 0:
		x.say(checked{"calibration", notice, fmt.Sprintf("%d of %d leads were calibrated more than a year ago: %s", len(old), len(b.Leads), some(old)), x.d.command("calibrate")})
	default:
		x.say(checked{what: "calibration", said: "every lead is calibrated, within a year"})
	}
}

func dateOf(l *config.Lead) string {
	if l.Calibration == nil {
		return ""
	}
	return l.Calibration.Date
}

// some lists a few names.
func some(names []string) string {
	const most = 4
	if len(names) > most {
		return strings.Join(names[:most], ", ") + ", ..."
	}
	return strings.Join(names, ", ")
}

func (x *examination) clock() {
	if bound, ok := parts.WallBound(); ok {
		x.say(checked{what: "clock", said: fmt.Sprintf("the wall clock is known to %v", bound.Round(time.Millisecond))})
		return
	}
	x.say(checked{"clock", notice, "nothing has set the wall clock: results carry no time of day, only that of the boot", "let the machine reach a time server, or give it a battery clock"})
}

// running asks a daemon how it is; empty if none answers.
func running(address string) string {
	if address == "" {
		return ""
	}
	network, at := "tcp", address
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		network, at = "unix", path
	}
	const most = 2 * time.Second
	c := &http.Client{Timeout: most, Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, network, at)
	}}}
	r, err := c.Get("http://keyturnd/healthz")
	if err != nil {
		return ""
	}
	defer r.Body.Close()
	text, err := io.ReadAll(io.LimitReader(r.Body, 1000))
	if err != nil {
		return ""
	}
	return strings.ReplaceAll(strings.TrimSpace(string(text)), "\n", "; ")
}

func speedsOf(b config.Bench, speeds map[string]adc.Speed) string {
	var said []string
	for _, bus := range b.Buses {
		if s, ok := speeds[bus.Name]; ok {
			said = append(said, fmt.Sprintf("%s runs at %.0f kHz of %d, the host adds %v to a transfer", bus.Name, s.Hz/1e3, bus.Hz/1000, s.Overhead.Round(time.Microsecond)))
		} else {
			said = append(said, bus.Name+" is open; no chip answers for its speed to be measured")
		}
	}
	return strings.Join(said, "; ")
}

// leastFree is the room on the disk below which it is said, in bytes.
const leastFree = 256 << 20

// disk tries whether the store's folder takes a file, for good.
func (x *examination) disk(b config.Bench) {
	if b.Store == "" {
		x.say(checked{"disk", notice, "the bench file names no store: results are lost when the daemon ends", `add store = "/var/lib/keyturn/results.db"`})
		return
	}
	dir := filepath.Dir(b.Store)
	if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
		x.say(checked{"disk", notice, dir + " is not there yet", "the service makes it at its first start"})
		return
	}
	took, err := writeTest(dir)
	var fs syscall.Statfs_t
	if err == nil {
		err = syscall.Statfs(dir, &fs)
	}
	free := int64(fs.Bavail) * int64(fs.Bsize)
	if !x.verdict("disk", err, fmt.Sprintf("%s takes a file for good in %v; %d MB free", dir, took.Round(100*time.Microsecond), free>>20), "make the folder, and let the daemon's user write there") {
		return
	}
	if free < leastFree {
		x.say(checked{"disk", failed, fmt.Sprintf("only %d MB free", free>>20), "make room: key cycles are refused when the disk is full"})
	}
}

// writeTest writes a file and waits until the disk has it.
func writeTest(dir string) (time.Duration, error) {
	began := time.Now()
	f, err := os.CreateTemp(dir, ".keyturn-doctor-*")
	if err != nil {
		return 0, err
	}
	defer os.Remove(f.Name()) // nothing is left to be done about it
	_, err = f.WriteString("written to see whether it can be\n")
	err = errors.Join(err, f.Sync(), f.Close())
	return time.Since(began), err
}
