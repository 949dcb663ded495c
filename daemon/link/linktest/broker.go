// Package linktest runs Debian's MQTT broker, mosquitto, for the tests of whatever
// speaks MQTT: an outside judge, that can also be killed.
package linktest

import (
	"math/rand/v2"
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

	t     testing.TB
	conf  string
	cmd   *exec.Cmd
	ended chan struct{}
}

const (
	// listensWithin is how long a broker may take to start, staysFor how long it must
	// then go on: one whose port is taken ends at once.
	listensWithin = 10 * time.Second
	staysFor      = 20 * time.Millisecond
	portsMost     = 20 // are tried
	// The ports lie below those that the kernel gives to clients (32768 and up): a test's
	// own connections must not take the port of a broker that is to come back.
	portFrom, ports = 20000, 12000
)

// Start runs a broker until the end of the test. conf is what its configuration says
// beside the listener; without a word about it anybody may do anything.
func Start(t testing.TB, conf string) *Broker {
	t.Helper()
	if conf == "" {
		conf = "allow_anonymous true\n"
	}
	b := &Broker{t: t, conf: filepath.Join(t.TempDir(), "mosquitto.conf")}
	for range portsMost {
		b.Port = strconv.Itoa(portFrom + rand.IntN(ports))
		// Started by the superuser it would become another, who cannot read the test's files.
		text := "user root\nlog_dest none\nlistener " + b.Port + " 127.0.0.1\n" + conf
		if err := os.WriteFile(b.conf, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if b.start() {
			t.Cleanup(b.Kill)
			return b
		}
	}
	t.Fatal("mosquitto does not start")
	return nil
}

// Address is host:port, URL the same as a broker's URL.
func (b *Broker) Address() string { return "127.0.0.1:" + b.Port }

// URL is the broker's, without TLS.
func (b *Broker) URL() string { return "tcp://" + b.Address() }

// PID is the number of its process.
func (b *Broker) PID() int { return b.cmd.Process.Pid }

// Kill ends it as a power cut does.
func (b *Broker) Kill() {
	_ = b.cmd.Process.Kill() // it may have ended by itself
	<-b.ended
}

// Restart starts it again with the same configuration, and waits until it listens.
func (b *Broker) Restart() {
	b.t.Helper()
	if !b.start() {
		b.t.Fatal("mosquitto does not start again")
	}
}

// start starts it and reports whether it listens.
func (b *Broker) start() bool {
	b.t.Helper()
	program, err := exec.LookPath("mosquitto")
	if err != nil {
		program = "/usr/sbin/mosquitto"
	}
	cmd, ended := exec.Command(program, "-c", b.conf), make(chan struct{})
	if err := cmd.Start(); err != nil {
		b.t.Fatalf("start mosquitto (Debian package mosquitto): %v", err)
	}
	b.cmd, b.ended = cmd, ended
	go func() {
		_ = cmd.Wait() // it is killed in the end
		close(ended)
	}()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.After(listensWithin); ; {
		if c, err := net.Dial("tcp", b.Address()); err == nil {
			c.Close()
			select {
			case <-ended:
				return false
			case <-time.After(staysFor):
				return true
			}
		}
		select {
		case <-tick.C:
		case <-ended:
			return false
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
