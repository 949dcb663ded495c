package main

import (
	"context"
	"log/slog"
	"time"

	"github.com/coreos/go-systemd/v22/daemon"

	bench "keyturn/daemon"
)

// readyWithin is after how long the service counts as started though no chip has
// answered: a bench without chips tells so, and waits for them.
const readyWithin = 10 * time.Second

// notify keeps the service manager informed, where there is one: ready once a lead
// was seen, a line of status, and the watchdog as long as core and store move.
func notify(ctx context.Context, h *bench.Health, logger *slog.Logger) {
	every := time.Second
	watchdog, err := daemon.SdWatchdogEnabled(false)
	if err != nil {
		logger.Warn("the service manager's watchdog cannot be fed", "error", err)
	}
	if watchdog > 0 {
		every = min(every, watchdog/3)
	}
	tell := func(what string) {
		if _, err := daemon.SdNotify(false, what); err != nil {
			logger.Warn("the service manager cannot be told", "what", what, "error", err)
		}
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	began, ready, status := time.Now(), false, ""
	for {
		select {
		case <-ctx.Done():
			tell(daemon.SdNotifyStopping)
			return
		case <-tick.C:
		}
		if !ready && (h.Seen() || time.Since(began) > readyWithin) {
			ready = true
			tell(daemon.SdNotifyReady)
		}
		if s := h.Summary(); s != status {
			status = s
			tell("STATUS=" + s)
		}
		if hung := h.Hung(); watchdog > 0 && hung == "" {
			tell(daemon.SdNotifyWatchdog)
		} else if hung != "" && ready {
			logger.Error("something hangs; the watchdog is not fed", "what", hung)
		}
	}
}
