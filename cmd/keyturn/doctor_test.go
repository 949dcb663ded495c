package main

import (
	"bytes"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

func examine(t *testing.T, d *doctor) (*examination, *bytes.Buffer) {
	t.Helper()
	out := &bytes.Buffer{}
	return &examination{ctx: t.Context(), d: d, out: out, width: 400}, out
}

// On a practice bench the whole way is proved; what a bench should have and this one
// lacks is noted, not failed.
func TestDoctorOnAPracticeBench(t *testing.T) {
	x, out := examine(t, &doctor{benchFlags: benchFlags{Practice: true}, Wait: time.Minute})
	if err := x.run(); err != nil {
		t.Fatal(err)
	}
	text := out.String()
	if x.failed > 0 {
		t.Errorf("%d checks failed", x.failed)
	}
	for _, want := range []string{"bench practice: 16 leads", "never calibrated", "kHz of 400", "names no store", "what the bench publishes comes back",
		"adc-4:", "proofs", "a result was numbered ", ", and the broker has taken it"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not said", want)
		}
	}
	t.Log("\n" + text)
}

// A broker whose access rules let the bench write, but not where it should, is found
// out: it acknowledges what it drops.
func TestDoctorFindsWrongAccessRules(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	passwords := filepath.Join(dir, "passwords")
	linktest.Passwords(t, passwords, "plain words", "bench-1", "bench-2")
	acl := write("acl", "pattern write keyturn/v1/%u/#\npattern read keyturn/v1/%u/reply/doctor/+\n")
	broker := linktest.Start(t, "password_file "+passwords+"\nacl_file "+acl+"\n")
	secret := write("secret", "plain words\n")
	for user, want := range map[string]string{"bench-1": "what the bench publishes comes back", "bench-2": "did not come back", "stranger": "not Authorized"} {
		x, out := examine(t, &doctor{Wait: 2 * time.Second})
		o := daemon.Options{Bench: "bench-1", Root: protocol.DefaultRoot, Boot: "0123abcd",
			Broker: link.Broker{URL: broker.URL(), ClientID: "doctor", Username: user, PasswordFile: secret}}
		if ok := x.access(o); ok != (user == "bench-1") || !strings.Contains(out.String(), want) {
			t.Errorf("%s: %t\n%s", user, ok, out)
		}
	}
}

// With a record keeper the result must come back as its receipt; a keeper that is not
// there is found out.
func TestDoctorWaitsForTheRecordKeeper(t *testing.T) {
	url := linktest.Start(t, "").URL()
	for _, there := range []bool{false, true} {
		store := filepath.Join(t.TempDir(), "results.db")
		s, _, err := outbox.OpenStore(outbox.StoreOptions{Path: store})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		clock, err := adc.NewRealClock()
		if err != nil {
			t.Fatal(err)
		}
		p := &probe{calibration: &parts.Calibration{}}
		d := &doctor{benchFlags: benchFlags{Practice: true}, Wait: 4 * time.Second}
		if there {
			d.Wait = time.Minute
			receipts := make(chan *protocol.Receipt, 16)
			sub, err := link.NewSubscriber(t.Context(), link.SubscriberOptions{Broker: link.Broker{URL: url, ClientID: "records"}, Filters: []string{protocol.ResultFilter(protocol.DefaultRoot, "+")},
				Take: func(m link.Message) {
					defer m.Ack()
					d, err := protocol.Decode(m.Payload)
					if err != nil {
						t.Error(err)
						return
					}
					h := d.(protocol.Result).ResultHead()
					receipts <- &protocol.Receipt{Header: h.Header, Keeper: "records", Stream: h.Stream, UpToSeq: h.Seq}
				}})
			if err != nil {
				t.Fatal(err)
			}
			defer sub.Close()
			go func() {
				for r := range receipts {
					topic, _ := protocol.TopicOf(protocol.DefaultRoot, r)
					payload, _ := protocol.Encode(r)
					if err := sub.Publish(t.Context(), topic, false, payload); err != nil {
						return // the test is over
					}
				}
			}()
		}
		files, open, err := d.files(p, clock)
		if err != nil {
			t.Fatal(err)
		}
		files.Read.Store, files.Read.MQTT.Broker, files.Read.MQTT.Keepers = store, url, []string{"records"}
		o, _, err := parts.Prepare(files, "keyturn-doctor", version, parts.ScanMode, open)
		if err != nil {
			t.Fatal(err)
		}
		x, out := examine(t, d)
		x.whole(files.Read, o)
		want := "is every record keeper of the bench file running"
		if there {
			want = "and records stored it"
		}
		if (x.failed == 0) != there || !strings.Contains(out.String(), want) {
			t.Errorf("keeper there: %t, %d checks failed\n%s", there, x.failed, out)
		}
	}
}

// While the daemon runs nothing else is to touch the bus.
func TestDoctorLeavesARunningDaemonAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "health.sock")
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: &daemon.Health{}}
	go func() { _ = s.Serve(l) }() // it ends when it is closed
	defer s.Close()
	if said := running("unix:" + path); said != "nothing was sampled yet" {
		t.Errorf("it says %q", said)
	}
	if said := running("unix:" + path + "-none"); said != "" {
		t.Errorf("a daemon that is not there says %q", said)
	}
}
