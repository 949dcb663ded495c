package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"strings"
	"time"
)

// The limits of the health server: it answers small questions of few.
const (
	headerMost = 4096
	serveMost  = 5 * time.Second
)

// serveHealth answers at a unix socket or a loopback address until the context is
// done. An address that cannot be had is an error; trouble later is only told.
func serveHealth(ctx context.Context, address string, h http.Handler, logger *slog.Logger) error {
	if address == "" {
		return nil
	}
	network := "tcp"
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		network, address = "unix", path
		if c, err := net.DialTimeout("unix", path, serveMost); err == nil {
			c.Close()
			return fmt.Errorf("health: a program answers at %s: is a daemon running already?", path)
		}
		if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("health: remove what a daemon before has left: %w", err)
		}
	}
	l, err := net.Listen(network, address)
	if err != nil {
		return fmt.Errorf("health: %w", err)
	}
	if network == "unix" {
		if err := os.Chmod(address, 0o666); err != nil { // it tells, and takes nothing
			return errors.Join(fmt.Errorf("health: %w", err), l.Close())
		}
	}
	s := &http.Server{Handler: h, MaxHeaderBytes: headerMost, ReadTimeout: serveMost, WriteTimeout: serveMost, IdleTimeout: serveMost}
	go func() {
		<-ctx.Done()
		_ = s.Close() // it ends with the process
	}()
	go func() {
		if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			logger.Error("health is no longer served", "error", err)
		}
	}()
	return nil
}

// temperature reads the machine's own sensor, in °C (Linux
// Documentation/driver-api/thermal: temp is in thousandths).
func temperature() (float64, bool) {
	text, err := os.ReadFile("/sys/class/thermal/thermal_zone0/temp")
	if err != nil {
		return 0, false
	}
	var milli int
	if _, err := fmt.Sscan(string(text), &milli); err != nil {
		return 0, false
	}
	return float64(milli) / 1000, true
}
