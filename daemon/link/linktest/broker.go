// Package linktest runs Debian's MQTT broker, mosquitto, for the tests of whatever
// speaks MQTT: an outside judge, that can also be killed.
package linktest

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// Broker is a mosquitto on a loopback port of its own.
type Broker struct {
	// Port is where it listens.
	Port string

	t    testing.TB
	conf string
	cmd  *exec.Cmd
}

// listensWithin is how long a broker may take to start.
const listensWithin = 10 * time.Second

// Start runs a broker until the end of the test. conf is what its configuration says
// beside the listener; without a word about it anybody may do anything.
func Start(t testing.TB, conf string) *Broker {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &Broker{Port: strconv.Itoa(l.Addr().(*net.TCPAddr).Port), t: t, conf: filepath.Join(t.TempDir(), "mosquitto.conf")}
	l.Close()
	if conf == "" {
		conf = "allow_anonymous true\n"
	}
	// Started by the superuser it would become another, who cannot read the test's files.
	text := "user root\nlog_dest none\nlistener " + b.Port + " 127.0.0.1\n" + conf
	if err := os.WriteFile(b.conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	b.Restart()
	t.Cleanup(b.Kill)
	return b
}

// Address is host:port, URL the same as a broker's URL.
func (b *Broker) Address() string { return "127.0.0.1:" + b.Port }

// URL is the broker's, without TLS.
func (b *Broker) URL() string { return "tcp://" + b.Address() }

// Kill ends it as a power cut does.
func (b *Broker) Kill() {
	_ = b.cmd.Process.Kill() // it may have ended by itself
	_ = b.cmd.Wait()
}

// Restart starts it again with the same configuration, and waits until it listens.
func (b *Broker) Restart() {
	b.t.Helper()
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto"
	}
	b.cmd = exec.Command(program, "-c", b.conf)
	if err := b.cmd.Start(); err != nil {
		b.t.Fatalf("start mosquitto (Debian package mosquitto): %v", err)
	}
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(listensWithin); ; {
		if c, err := net.Dial("tcp", b.Address()); err == nil {
			c.Close()
			return
		}
		select {
		case <-tick.C:
		case <-deadline:
			b.t.Fatal("mosquitto does not listen")
		}
	}
}

// Passwords writes a password file for users who all have the same password.
func Passwords(t testing.TB, path, password string, users ...string) {
	t.Helper()
	text := ""
	for _, u := range users {
		text += u + ":" + password + "\n"
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mosquitto_passwd", "-U", path).CombinedOutput(); err != nil {
		t.Fatalf("mosquitto_passwd (Debian package mosquitto): %v: %s", err, out)
	}
}
