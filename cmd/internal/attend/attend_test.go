package attend

import (
	"context"
	"runtime"
	"strings"
	"testing"

	"periph.io/x/conn/v3/gpio"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/drive"
)

// standIn begins a script of the example bench; the daemon is a function.
func standIn(t *testing.T, typed string, key gpio.PinIn, as func(ctx context.Context, d *daemon.Drive) error) (string, error) {
	t.Helper()
	files, err := parts.Read("../../../testdata/benches/driven.toml")
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	a, d := New(files.Read, drive.Script{}, &parts.Lines{KeySwitch: key}, func() adc.Instant { return 0 }, Cautions, Typed(strings.NewReader(typed)), &out)
	err = a.Serve(t.Context(), d, func(ctx context.Context) error { return as(ctx, d) })
	return out.String(), err
}

// confirmed waits until a bench is armed, or nobody wants to.
func confirmed(ctx context.Context, d *daemon.Drive) bool {
	d.Tell(drive.Event{Kind: drive.Ready})
	for !d.Armed() && ctx.Err() == nil {
		runtime.Gosched()
	}
	return d.Armed()
}

// The bench's own id, typed, arms it; cautions stand before the question. The end of the
// script is the end of the program.
func TestTypedIDArms(t *testing.T) {
	out, err := standIn(t, "driven\n", nil, func(ctx context.Context, d *daemon.Drive) error {
		if !confirmed(ctx, d) {
			t.Error("not armed")
		}
		for _, e := range []drive.Event{{Kind: drive.Armed, At: 5e9}, {Kind: drive.Moved, At: 6e9, Position: drive.On}, {Kind: drive.Switched, At: 7e9, Output: 4, On: true}, {Kind: drive.Ended, At: 8e9}} {
			d.Tell(e)
		}
		if d.Armed() {
			t.Error("armed after the end")
		}
		d.Over("")
		<-ctx.Done()
		return nil
	})
	const want = "   0.00 s  armed\n   1.00 s  key to on\n   2.00 s  load-f01 on\n   3.00 s  script over, everything off\n"
	before, after, asked := strings.Cut(out, "Type the bench's id (driven)")
	if err != nil || !asked || !strings.Contains(before, "never a vehicle") || !strings.HasSuffix(after, want) {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestAnythingElseArmsNothing(t *testing.T) {
	for _, typed := range []string{"", "\n", "yes\n", "drive\n"} {
		out, err := standIn(t, typed, nil, func(ctx context.Context, d *daemon.Drive) error {
			if confirmed(ctx, d) {
				t.Errorf("%q arms", typed)
			}
			return nil
		})
		if err == nil || !strings.Contains(err.Error(), "nothing was armed") {
			t.Errorf("%q: %v\n%s", typed, err, out)
		}
	}
}

// A key switch arms where there is one, and then nothing that is typed.
func TestKeySwitchArms(t *testing.T) {
	var chip adctest.GPIO
	key := chip.Line(6)
	out, err := standIn(t, "driven\n", key, func(_ context.Context, d *daemon.Drive) error {
		d.Tell(drive.Event{Kind: drive.Ready})
		if d.Armed() {
			t.Error("armed with the switch off")
		}
		key.Put(true)
		if !d.Armed() {
			t.Error("not armed with the switch on")
		}
		d.Over("the emergency stop is pressed")
		return nil
	})
	if err == nil || err.Error() != "the script was stopped: the emergency stop is pressed" || strings.Contains(out, "Type") {
		t.Errorf("%v\n%s", err, out)
	}
}
