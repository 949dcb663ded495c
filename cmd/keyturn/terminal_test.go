package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// terminal is a real terminal: a program in a tmux session of its own (Debian
// package tmux).
type terminal struct {
	t      *testing.T
	socket string
}

// inTerminal starts a program in a terminal of a size.
func inTerminal(t *testing.T, width, height int, command ...string) *terminal {
	t.Helper()
	x := &terminal{t, filepath.Join(t.TempDir(), "tmux")}
	x.tmux("new-session", "-d", "-x", fmt.Sprint(width), "-y", fmt.Sprint(height), strings.Join(command, " ")+"; echo it has ended; cat")
	t.Cleanup(func() { _ = exec.Command("tmux", "-S", x.socket, "kill-server").Run() })
	return x
}

func (x *terminal) tmux(args ...string) string {
	x.t.Helper()
	c := exec.Command("tmux", append([]string{"-S", x.socket, "-f", "/dev/null"}, args...)...)
	c.Env = append(os.Environ(), "TERM=xterm-256color", "LC_ALL=C.UTF-8")
	out, err := c.CombinedOutput()
	if err != nil {
		x.t.Fatalf("tmux %v: %v\n%s", args, err, out)
	}
	return string(out)
}

func (x *terminal) keys(keys ...string) {
	x.t.Helper()
	x.tmux(append([]string{"send-keys"}, keys...)...)
}

// waitFor waits until the screen shows a text and returns the screen.
func (x *terminal) waitFor(text string) string { x.t.Helper(); return x.waitForTimes(text, 1) }

// waitForTimes waits until it shows the text so many times.
func (x *terminal) waitForTimes(text string, times int) string {
	x.t.Helper()
	deadline := time.After(20 * time.Second)
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	screen := ""
	for {
		select {
		case <-deadline:
			x.t.Fatalf("the screen does not show %q:\n%s", text, screen)
		case <-look.C:
		}
		if screen = x.tmux("capture-pane", "-p"); strings.Count(screen, text) >= times {
			return screen
		}
	}
}

// A person calibrates: one lead well, one with a typing error and a wrong
// voltage, then ends.
func TestCalibrateInATerminal(t *testing.T) {
	x := inTerminal(t, 100, 45, keyturn(t), "calibrate", "--practice", "--lead", "lead-03", "--lead", "lead-09")
	x.waitFor("1 of 2: lead-03 (terminal 15), wired to adc-1 input 2")
	x.keys("Enter")
	x.waitFor("what does the meter show")
	x.keys("12,61 V", "Enter")
	x.waitFor("Left over")
	x.waitFor("2 of 2: lead-09")
	x.keys("Enter")
	x.waitForTimes("what does the meter show", 2)
	x.keys("twelve", "Enter")
	x.waitFor(`"twelve" is no voltage`)
	x.keys("13.2", "Enter")
	x.waitFor("more than the parts explain")
	x.waitFor("Enter tries again")
	x.keys("s", "Enter")
	screen := x.waitFor("it has ended")
	for _, want := range []string{"Done. 1 leads calibrated.", "(k = 2, 0 to 45 °C)", "Practice: nothing is written."} {
		if !strings.Contains(screen, want) {
			t.Errorf("the screen does not show %q:\n%s", want, screen)
		}
	}
	t.Logf("the screen:\n%s", screen)
}

// The lead that is touched stands out, at any width; Ctrl-C gives the screen back.
func TestLeadsInATerminal(t *testing.T) {
	for _, width := range []int{110, 60} {
		x := inTerminal(t, width, 30, keyturn(t), "leads", "--practice")
		for _, lead := range []string{"lead-01", "lead-02"} {
			found := ""
			for found != lead {
				for line := range strings.Lines(x.waitFor("<-- moved by 12.")) {
					if strings.Contains(line, "<-- moved") {
						found = strings.Fields(line)[0]
					}
					if len([]rune(strings.TrimRight(line, "\n"))) > width {
						t.Errorf("line of %d columns: %q", len(line), line)
					}
				}
			}
		}
		screen := x.waitFor("Ctrl-C ends.")
		t.Logf("the screen:\n%s", screen)
		x.keys("C-c")
		if screen := x.waitFor("it has ended"); strings.Contains(screen, "lead-01") {
			t.Errorf("the screen was not given back:\n%s", screen)
		}
	}
}
