package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/link"
	"keyturn/protocol"
)

// This file proves the way of a result beyond the machine: broker, access rules, and a
// result that is numbered, sent and stored.

// access logs in, publishes a nonce as a reply to itself, and reads it back: a broker
// acknowledges what its access rules make it drop.
func (x *examination) access(o daemon.Options) bool {
	var b [8]byte
	_, _ = rand.Read(b[:]) // it never fails
	nonce := hex.EncodeToString(b[:])
	r := &protocol.Reply{Header: protocol.Header{Bench: o.Bench, Boot: o.Boot}, Client: "doctor", ID: nonce, Verb: protocol.VerbIdentify, Status: protocol.ReplyDone}
	payload, err := protocol.Encode(r)
	if err != nil {
		return x.verdict("broker", err, "", "")
	}
	topic, err := protocol.TopicOf(o.Root, r)
	if err != nil {
		return x.verdict("broker", err, "", "")
	}
	back := make(chan struct{}, 1)
	broker := o.Broker
	broker.ClientID += "-nonce"
	ctx, stop := context.WithTimeout(x.ctx, x.d.Wait)
	defer stop()
	sub, err := link.NewSubscriber(ctx, link.SubscriberOptions{Broker: broker, Filters: []string{strings.TrimSuffix(topic, nonce) + "+"}, Take: func(m link.Message) {
		defer m.Ack()
		if m.Topic == topic && string(m.Payload) == string(payload) {
			select {
			case back <- struct{}{}:
			default:
			}
		}
	}})
	todo := "is it running, and are the name, password or certificate right?"
	if errors.Is(err, os.ErrNotExist) {
		todo = "put the file into credentials/ beside the bench file, and switch its LoadCredential= line on (systemctl cat keyturnd)"
	}
	if !x.verdict("broker", err, fmt.Sprintf("%s lets %s in", broker.URL, who(broker)), todo) {
		return false
	}
	defer sub.Close()
	if err = sub.Publish(ctx, topic, false, payload); err == nil {
		select {
		case <-back:
		case <-ctx.Done():
			err = errors.New("what was published as " + topic + " did not come back")
		}
	}
	return x.verdict("access rules", err, "what the bench publishes comes back", "the broker's access rules must let this user write its bench's topics and read reply/doctor/+, stored/+ and request/+")
}

func who(b link.Broker) string {
	switch {
	case b.Username != "":
		return b.Username
	case b.CertFile != "":
		return "the certificate's owner"
	}
	return "anyone"
}

// whole runs the daemon until chips, store, broker and record keepers have all done
// their part, or the time is over.
func (x *examination) whole(b config.Bench, o daemon.Options) {
	quiet := slog.New(slog.DiscardHandler)
	box, _, closeBox, err := parts.OpenOutbox(b, true, quiet)
	if _, missing := os.Stat(b.Store); err == nil && b.Store != "" && missing != nil {
		x.say(checked{"store", notice, b.Store + " is not there yet", "the daemon makes it"})
	} else if err != nil || b.Store != "" {
		if !x.verdict("store", err, b.Store+" can be read and written", "stop the daemon; if the file is unsound, the daemon sets it aside and begins a new one") {
			return
		}
	}
	ctx, stop := context.WithTimeout(x.ctx, x.d.Wait)
	defer stop()
	health := &daemon.Health{}
	o.Outbox, o.Findings, o.Health, o.Logger = box, nil, health, quiet
	done := make(chan error, 1)
	go func() { done <- daemon.Run(ctx, o) }()
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	for last := (daemon.Progress{}); ; {
		select {
		case <-tick.C:
			last = health.Progress()
			if last.Blind == 0 && last.Leads > 0 && last.Delivered == last.Last && last.Last > 0 {
				stop()
			}
			continue
		case err = <-done:
		}
		x.chips(last)
		said, todo := "the broker has taken it", ""
		if keepers := b.MQTT.Keepers; len(keepers) > 0 {
			said, todo = strings.Join(keepers, " and ")+" stored it", "is every record keeper of the bench file running, and may it write stored/<its name>?"
		}
		if err == nil && last.Delivered < last.Last {
			err = fmt.Errorf("result %d of %d has arrived", last.Delivered, last.Last)
		}
		x.verdict("result", errors.Join(err, closeBox()), fmt.Sprintf("a result was numbered %d, and %s", last.Last, said), todo)
		return
	}
}

func (x *examination) chips(p daemon.Progress) {
	if p.Leads == 0 || p.Blind > 0 {
		x.say(checked{"chips", failed, fmt.Sprintf("%d of %d leads cannot be judged: %s", p.Blind, p.Leads, strings.Join(p.Why, "; ")), x.d.command("leads") + " shows each lead and chip"})
		return
	}
	for _, c := range p.Chips {
		x.say(checked{what: "chip", said: fmt.Sprintf("%s: %d samples, %d proofs that it keeps to its data sheet, %d faults", c.Chip, c.Samples, c.Verified, c.Faults)})
	}
}
