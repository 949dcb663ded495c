package main

import (
	"context"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"periph.io/x/conn/v3/i2c"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/cmd/internal/parts"
)

// steady is a voltage that does not change.
type steady float64

func (v steady) Mean(_, _ adc.Instant) float64 { return float64(v) }

// The service as it is shipped, but for its bus: it tells the service manager when it
// is ready, how it is, and that it lives; it answers on its socket, keeps its results
// and says goodbye.
func TestService(t *testing.T) {
	dir := t.TempDir()
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", filepath.Join(dir, "notify"))
	t.Setenv("WATCHDOG_USEC", "600000")
	t.Setenv("WATCHDOG_PID", "")
	text, err := os.ReadFile("../../testdata/benches/training.toml")
	if err != nil {
		t.Fatal(err)
	}
	socket, store := filepath.Join(dir, "health.sock"), filepath.Join(dir, "results.db")
	config := strings.Replace(string(text), "calibration =", "health = \"unix:"+socket+"\"\nstore = \""+store+"\"\ncalibration =", 1)
	config = strings.Replace(config, "tcp://localhost:1883", "tcp://127.0.0.1:1", 1) // nobody is there
	file := filepath.Join(dir, "bench.toml")
	if err := os.WriteFile(file, []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	files, err := parts.Read(file)
	if err != nil {
		t.Fatal(err)
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		t.Fatal(err)
	}
	bus := adctest.NewBus(adctest.BusOptions{Clock: clock})
	for i, c := range files.Read.Chips {
		o := adctest.ADS1x15Options{Address: uint16(c.Address)}
		if i == 0 {
			o.Inputs[0] = steady(12.6 * 2.7 / 35.7) // the battery sense lead
		}
		bus.Add(adctest.NewADS1x15(o))
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	ended := make(chan error, 1)
	var journal strings.Builder
	go func() {
		ended <- serve(ctx, flags{}, files, clock, func(string) (i2c.Bus, adc.Clock, error) { return bus, bus, nil }, nil, slog.New(slog.NewTextHandler(&journal, nil)))
	}()
	var told []string
	hear := func(want ...string) {
		t.Helper()
		for buf := make([]byte, 4096); ; {
			done := true
			for _, w := range want {
				done = done && slices.ContainsFunc(told, func(s string) bool { return strings.HasPrefix(s, w) })
			}
			if done {
				return
			}
			if err := manager.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
				t.Fatal(err)
			}
			n, err := manager.Read(buf)
			if err != nil {
				t.Fatalf("the service manager was told %v, not %v: %v", told, want, err)
			}
			told = append(told, string(buf[:n]))
		}
	}
	hear("READY=1", "WATCHDOG=1", "STATUS=16 of 16 leads seen, ")
	c := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", socket)
	}}}
	for path, want := range map[string]string{"/healthz": "ok: 16 of 16 leads seen", "/metrics": `keyturn_outbox_trouble{bench="training"} 0`} {
		r, err := c.Get("http://bench" + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(r.Body)
		r.Body.Close()
		if err != nil || r.StatusCode != http.StatusOK || !strings.Contains(string(body), want) {
			t.Errorf("%s: %d, %v\n%s", path, r.StatusCode, err, body)
		}
	}
	stop()
	hear("STOPPING=1")
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if !strings.Contains(journal.String(), "before anybody turns the key") || !strings.Contains(journal.String(), "handbrake on") {
		t.Errorf("the journal says nothing of a vehicle's key:\n%s", journal.String())
	}
	b := files.Read
	box, found, closeBox, err := parts.OpenOutbox(b, true, slog.New(slog.DiscardHandler))
	if err != nil || len(found) > 0 {
		t.Fatalf("%v, %v", err, found)
	}
	if n := box.Counts().Last; n < 1 {
		t.Errorf("%d results are in the store", n)
	}
	if err := closeBox(); err != nil {
		t.Error(err)
	}
}

// A check says what a person looks at before he turns a vehicle's key, of the shunt where
// there is one, and nothing where relays turn it.
func TestCheckSaysWhatIsBeforeTheKey(t *testing.T) {
	for name, c := range map[string]struct{ key, shunt bool }{"training": {true, false}, "parked": {true, true}, "driven": {false, false}} { // each by itself
		files, err := parts.Read("../../testdata/benches/" + name + ".toml")
		if err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		if err := check(&out, name, files.Read); err != nil {
			t.Error(err)
		}
		if s := out.String(); !strings.Contains(s, ": all right\n") || strings.Contains(s, "handbrake on") != c.key || strings.Contains(s, "shunt in the battery's path bridged") != c.shunt {
			t.Errorf("%s:\n%s", name, s)
		}
	}
}

// A bus that cannot be opened, and a socket that cannot be had, end the start with an
// error that says which.
func TestServiceThatCannotStart(t *testing.T) {
	files, err := parts.Read("../../testdata/benches/training.toml")
	if err != nil {
		t.Fatal(err)
	}
	clock, err := adc.NewRealClock()
	if err != nil {
		t.Fatal(err)
	}
	quiet := slog.New(slog.DiscardHandler)
	err = serve(t.Context(), flags{}, files, clock, func(name string) (i2c.Bus, adc.Clock, error) {
		x, err := parts.OpenKernelBus("/dev/i2c-97", files.Read.Chips)
		return x, clock, err
	}, nil, quiet)
	if err == nil || !strings.Contains(err.Error(), "/dev/i2c-1") {
		t.Errorf("a bus that is not there: %v", err)
	}
	files.Read.Health = "unix:" + filepath.Join(t.TempDir(), "none", "health.sock")
	bus := adctest.NewBus(adctest.BusOptions{Clock: clock})
	err = serve(t.Context(), flags{}, files, clock, func(string) (i2c.Bus, adc.Clock, error) { return bus, bus, nil }, nil, quiet)
	if err == nil || !strings.Contains(err.Error(), "health") {
		t.Errorf("a socket that cannot be had: %v", err)
	}
}
