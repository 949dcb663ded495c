package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"keyturn/adc"
	"keyturn/cmd/internal/parts"
	"keyturn/daemon"
	"keyturn/daemon/config"
	"keyturn/daemon/link"
	"keyturn/daemon/report"
	"keyturn/protocol"
)

// doctor proves the whole way of a result: bus, chips, calibration, clock, disk,
// broker, access rules, record keeper. It runs the daemon itself for a moment.
type doctor struct {
	benchFlags
	Wait time.Duration `help:"How long everything may take to be well." default:"20s"`
}

// checked is what was found of one thing.
type checked struct {
	what  string
	level level
	said  string
	todo  string // empty if nothing is to be done
}

type level uint8

const (
	well level = iota
	notice
	failed
)

func (l level) String() string { return [...]string{"ok", "note", "FAILED"}[l] }

// errUnwell ends the program with an exit code that says so.
var errUnwell = errors.New("not everything is well")

// Run checks one thing after the other and says what it found as it goes.
func (d *doctor) Run(ctx context.Context) error {
	x := &examination{ctx: ctx, d: d, out: os.Stdout, width: terminalWidth(os.Stdout)}
	if err := x.run(); err != nil {
		return err
	}
	if x.failed > 0 {
		return fmt.Errorf("%w: %d of %d checks failed", errUnwell, x.failed, x.count)
	}
	fmt.Fprintln(x.out, "All is well.")
	return nil
}

// examination is one run of the doctor.
type examination struct {
	ctx           context.Context
	d             *doctor
	out           io.Writer
	width         int
	count, failed int
}

func (x *examination) say(c checked) {
	x.count++
	if c.level == failed {
		x.failed++
	}
	lead := fmt.Sprintf("%-13s %-6s  ", c.what, c.level)
	room := max(x.width-len(lead), 20)
	text := report.Wrap(c.said, room, "")
	if c.todo != "" {
		text += "\n" + report.Wrap("-> "+c.todo, room, "   ")
	}
	for line := range strings.SplitSeq(text, "\n") {
		fmt.Fprintln(x.out, lead+line)
		lead = strings.Repeat(" ", len(lead))
	}
}

// verdict says the outcome of something that may have failed.
func (x *examination) verdict(what string, err error, said, todo string) bool {
	if err != nil {
		x.say(checked{what, failed, strings.ReplaceAll(err.Error(), "\n", "; "), todo})
		return false
	}
	x.say(checked{what: what, said: said})
	return true
}

func (x *examination) run() error {
	p := &probe{calibration: &parts.Calibration{}}
	defer p.Close()
	clock, err := adc.NewRealClock()
	if err != nil {
		return fmt.Errorf("read the monotonic clock: %w", err)
	}
	files, open, err := x.d.files(p, clock)
	if err != nil {
		if errors.Is(err, errWhichBench) {
			return err
		}
		x.verdict("bench file", err, "", "correct the file: keyturnd --check says the same")
		return nil
	}
	b := files.Read
	x.say(checked{what: "bench file", said: "bench " + b.ID + ": " + parts.Size(b)})
	x.calibration(b)
	x.clock()
	if said := running(b.Health); said != "" {
		x.say(checked{"daemon", failed, "it is running, and says: " + said, "stop it first: one program at a time on a bus (systemctl stop keyturnd)"})
		return nil
	}
	o, speeds, err := parts.Prepare(files, "keyturn-doctor", version, parts.ScanMode, open)
	if !x.verdict("buses", err, speedsOf(b, speeds), "is the bus enabled, and may this user open it (group i2c)?") {
		return nil
	}
	for _, f := range o.Findings {
		x.say(checked{"buses", failed, f, "see force_turbo or core_freq in the machine's boot configuration"})
	}
	x.disk(b)
	if x.d.Practice {
		broker, err := startBroker()
		if err != nil {
			return err
		}
		defer broker.Close()
		o.Broker.URL = broker.url
	}
	if x.access(o) {
		x.whole(b, o)
	}
	return nil
}

// errWhichBench is returned where no bench was named.
var errWhichBench = errors.New("which bench? say --config FILE, or --practice for a simulated one")

// files reads the bench, or makes the practice bench.
func (d *doctor) files(p *probe, clock adc.Clock) (parts.Files, parts.Open, error) {
	switch {
	case d.Practice:
		open, err := p.practice(clock)
		for i, l := range p.bench.Leads {
			if l.Role == config.RoleBatterySense {
				p.hands[i].hold(practiceV)
			}
		}
		return parts.Files{Bench: "practice", Read: p.bench, Calibration: p.calibration}, open, err
	case d.Config == "":
		return parts.Files{}, nil, errWhichBench
	}
	f, err := parts.Read(d.Config)
	p.bench = f.Read
	return f, p.openKernel(clock), err
}

// command is another command for the same bench, as it is typed.
func (d *doctor) command(name string) string {
	if d.Practice {
		return "keyturn " + name + " --practice"
	}
	return "sudo keyturn " + name + " --config " + d.Config
}

// oldAfter is the age from which a calibration is to be made anew (common practice,
// no published source).
const oldAfter = 365 * 24 * time.Hour

func (x *examination) calibration(b config.Bench) {
	var never, old []string
	for i := range b.Leads {
		l := &b.Leads[i]
		switch made, err := time.Parse(time.DateOnly, dateOf(l)); {
		case err != nil:
			never = append(never, l.Name)
		case time.Since(made) > oldAfter:
			old = append(old, l.Name)
		}
	}
	switch {
	case len(never) > 0:
		x.say(checked{"calibration", notice, fmt.Sprintf("%d of %d leads were never calibrated: %s", len(never), len(b.Leads), some(never)), x.d.command("calibrate")})
	case len(old) > 0:
		x.say(checked{"calibration", notice, fmt.Sprintf("%d of %d leads were calibrated more than a year ago: %s", len(old), len(b.Leads), some(old)), x.d.command("calibrate")})
	default:
		x.say(checked{what: "calibration", said: "every lead is calibrated, within a year"})
	}
}

func dateOf(l *config.Lead) string {
	if l.Calibration == nil {
		return ""
	}
	return l.Calibration.Date
}

// some lists a few names.
func some(names []string) string {
	const most = 4
	if len(names) > most {
		return strings.Join(names[:most], ", ") + ", ..."
	}
	return strings.Join(names, ", ")
}

func (x *examination) clock() {
	if bound, ok := parts.WallBound(); ok {
		x.say(checked{what: "clock", said: fmt.Sprintf("the wall clock is known to %v", bound.Round(time.Millisecond))})
		return
	}
	x.say(checked{"clock", notice, "nothing has set the wall clock: results carry no time of day, only that of the boot", "let the machine reach a time server, or give it a battery clock"})
}

// running asks a daemon how it is; empty if none answers.
func running(address string) string {
	if address == "" {
		return ""
	}
	network, at := "tcp", address
	if path, ok := strings.CutPrefix(address, "unix:"); ok {
		network, at = "unix", path
	}
	const most = 2 * time.Second
	c := &http.Client{Timeout: most, Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, network, at)
	}}}
	r, err := c.Get("http://keyturnd/healthz")
	if err != nil {
		return ""
	}
	defer r.Body.Close()
	text, err := io.ReadAll(io.LimitReader(r.Body, 1000))
	if err != nil {
		return ""
	}
	return strings.ReplaceAll(strings.TrimSpace(string(text)), "\n", "; ")
}

func speedsOf(b config.Bench, speeds map[string]adc.Speed) string {
	var said []string
	for _, bus := range b.Buses {
		if s, ok := speeds[bus.Name]; ok {
			said = append(said, fmt.Sprintf("%s runs at %.0f kHz of %d, the host adds %v to a transfer", bus.Name, s.Hz/1e3, bus.Hz/1000, s.Overhead.Round(time.Microsecond)))
		} else {
			said = append(said, bus.Name+" is open; no chip answers for its speed to be measured")
		}
	}
	return strings.Join(said, "; ")
}

// leastFree is the room on the disk below which it is said, in bytes.
const leastFree = 256 << 20

// disk tries whether the store's folder takes a file, for good.
func (x *examination) disk(b config.Bench) {
	if b.Store == "" {
		x.say(checked{"disk", notice, "the bench file names no store: results are lost when the daemon ends", `add store = "/var/lib/keyturn/results.db"`})
		return
	}
	dir := filepath.Dir(b.Store)
	if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) {
		x.say(checked{"disk", notice, dir + " is not there yet", "the service makes it at its first start"})
		return
	}
	took, err := writeTest(dir)
	var fs syscall.Statfs_t
	if err == nil {
		err = syscall.Statfs(dir, &fs)
	}
	free := int64(fs.Bavail) * int64(fs.Bsize)
	if !x.verdict("disk", err, fmt.Sprintf("%s takes a file for good in %v; %d MB free", dir, took.Round(100*time.Microsecond), free>>20), "make the folder, and let the daemon's user write there") {
		return
	}
	if free < leastFree {
		x.say(checked{"disk", failed, fmt.Sprintf("only %d MB free", free>>20), "make room: key cycles are refused when the disk is full"})
	}
}

// writeTest writes a file and waits until the disk has it.
func writeTest(dir string) (time.Duration, error) {
	began := time.Now()
	f, err := os.CreateTemp(dir, ".keyturn-doctor-*")
	if err != nil {
		return 0, err
	}
	defer os.Remove(f.Name()) // nothing is left to be done about it
	_, err = f.WriteString("written to see whether it can be\n")
	err = errors.Join(err, f.Sync(), f.Close())
	return time.Since(began), err
}

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
