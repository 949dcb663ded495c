package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/protocol"
)

// With the access rules that are shipped, the apprentices' account hears which benches
// there are, and no word of what they measure or of marks; a viewer's hears all of it.
// Marks are written by a record keeper, under its own name only.
func TestApprenticesHearNoMeasurement(t *testing.T) {
	dir := t.TempDir()
	passwords := filepath.Join(dir, "passwords")
	linktest.Passwords(t, passwords, "plain words", "bench-1", "records", "viewer", "apprentice")
	rules, err := filepath.Abs("../../systemd/mosquitto/keyturn.acl")
	if err != nil {
		t.Fatal(err)
	}
	broker := linktest.Start(t, "password_file "+passwords+"\nacl_file "+rules+"\n")
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte("plain words\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	heard := map[string][]string{}
	for _, user := range []string{"viewer", "apprentice"} {
		sub, err := link.NewSubscriber(t.Context(), link.SubscriberOptions{Broker: link.Broker{URL: broker.URL(), ClientID: user, Username: user, PasswordFile: secret},
			Filters: []string{protocol.BenchFilter(protocol.DefaultRoot, "+")}, Take: func(m link.Message) {
				mu.Lock()
				defer mu.Unlock()
				heard[user] = append(heard[user], strings.TrimPrefix(m.Topic, "keyturn/v1/bench-1/"))
			}})
		if err != nil {
			t.Fatal(err)
		}
		defer sub.Close()
	}
	topics := []string{"bench", "now", "waveform", "result/transition", "result/crank", "result/cycle", "result/bench-fault", "reply/records/1", "presence"}
	say := func(user, topic string) {
		out, err := exec.Command("mosquitto_pub", "-h", "127.0.0.1", "-p", broker.Port, "-u", user, "-P", "plain words", "-q", "1", "-t", "keyturn/v1/bench-1/"+topic, "-m", "6.789 V").CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	for _, user := range []string{"bench-1", "viewer", "apprentice"} { // what the rules refuse is dropped
		say(user, "marks/"+user)
		say(user, "marks/records")
	}
	say("records", "marks/others")
	say("records", "marks/records")
	for _, topic := range topics { // the last is heard by both
		say("bench-1", topic)
	}
	waitUntil(t, "both have heard the last", func() bool {
		mu.Lock()
		defer mu.Unlock()
		return slices.Contains(heard["viewer"], "presence") && slices.Contains(heard["apprentice"], "presence")
	})
	mu.Lock()
	defer mu.Unlock()
	if !slices.Equal(heard["viewer"], append([]string{"marks/records"}, topics...)) || !slices.Equal(heard["apprentice"], []string{"presence"}) {
		t.Errorf("heard: %q", heard)
	}
}
