package daemon_test

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"keyturn/daemon"
	"keyturn/daemon/dashboard"
	"keyturn/daemon/link"
	"keyturn/daemon/link/linktest"
	"keyturn/daemon/outbox"
	"keyturn/daemon/records"
	"keyturn/daemon/records/recordstest"
	"keyturn/protocol"
)

// long runs the chaos ten times as long; see DEVELOPERS.md.
var long = flag.Bool("long", false, "the long run")

// settledFor is how long before a kill a result must have been handed over so that
// it must be on the disk.
const settledFor = 250 * time.Millisecond

// TestChaos kills the daemon and the broker and breaks the network between them,
// at random instants while results flow. Nothing that was measured may be lost,
// nothing may differ, and what arrives twice is kept once. The broker keeps its
// default of saving twice an hour: what it acknowledged dies with it, and the record
// keeper's receipts bring it back.
func TestChaos(t *testing.T) {
	for _, database := range []string{"sqlite", "postgres"} {
		t.Run(database, func(t *testing.T) { runChaos(t, database) })
	}
}

func runChaos(t *testing.T, database string) {
	kills := map[string]int{"daemon": 50, "broker": 30, "network": 100}
	speed, pause := 10.0, 250*time.Millisecond
	switch {
	case daemon.Raced:
		kills = map[string]int{"daemon": 8, "broker": 5, "network": 16}
		speed = 2
	case *long:
		kills = map[string]int{"daemon": 500, "broker": 300, "network": 1000}
	case database == "postgres": // what is killed is the same: less will do
		kills = map[string]int{"daemon": 15, "broker": 10, "network": 30}
	}
	url := filepath.Join(t.TempDir(), "records.db")
	if database == "postgres" {
		url = recordstest.Postgres(t)
	}
	c := newChaos(t, child{Speed: speed}, url)
	var deck []string
	for _, what := range []string{"daemon", "broker", "network"} {
		for range kills[what] {
			deck = append(deck, what)
		}
	}
	rng := rand.New(rand.NewPCG(1, 4))
	rng.Shuffle(len(deck), func(i, j int) { deck[i], deck[j] = deck[j], deck[i] })
	for _, what := range deck {
		<-time.After(pause/2 + time.Duration(rng.Int64N(int64(pause))))
		switch what {
		case "daemon":
			c.killDaemon()
			c.startDaemon(false)
		case "broker":
			c.broker.Kill()
			c.broker.Restart()
		case "network":
			c.breakNetwork(rng)
		}
	}
	c.drain()
	c.compare(kills)
}

// chaos is a bench, a broker, the network between them, and a record keeper.
type chaos struct {
	t             *testing.T
	store         string
	child         child
	broker        *linktest.Broker
	bench, shop   *proxy // the daemon's way and the record keeper's
	keeper        *dashboard.Keeper
	records       *records.Store
	machine       *machine
	run           *incarnation
	incarnations  []*incarnation
	stopKeeper    context.CancelFunc
	keeperStopped chan struct{}
}

func newChaos(t *testing.T, as child, recordsURL string) *chaos {
	c := &chaos{t: t, child: as, store: filepath.Join(t.TempDir(), "results.db"), broker: linktest.Start(t, "allow_anonymous true\npersistence true\npersistence_location "+t.TempDir()+"/\n"), keeperStopped: make(chan struct{}), machine: watchMachine(t)}
	c.bench, c.shop = newProxy(t, c.broker.Address()), newProxy(t, c.broker.Address())
	t.Cleanup(c.bench.close)
	t.Cleanup(c.shop.close)
	var ctx context.Context
	ctx, c.stopKeeper = context.WithCancel(context.Background())
	var err error
	if c.records, err = records.Open(ctx, records.Options{URL: recordsURL}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.records.Close() })
	c.keeper, err = dashboard.NewKeeper(dashboard.KeeperOptions{Broker: link.Broker{URL: c.shop.url(), ClientID: chaosKeeper}, Root: protocol.DefaultRoot, Name: chaosKeeper,
		Records: c.records, Again: 500 * time.Millisecond, Repeat: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	go func() { c.keeper.Run(ctx); close(c.keeperStopped) }()
	t.Cleanup(func() { c.stopKeeper(); <-c.keeperStopped })
	c.startDaemon(as.Quiet)
	t.Cleanup(func() { _ = c.run.cmd.Process.Kill() })
	return c
}

// incarnation is one process of the daemon.
type incarnation struct {
	cmd    *exec.Cmd
	killed time.Time
	done   chan struct{}

	mu                      sync.Mutex
	puts                    []put
	last, delivered, queued int64
	trouble                 string
}

// put is a result as it was handed to the store.
type put struct {
	at    time.Time
	print string
}

func (c *chaos) startDaemon(quiet bool) {
	as := c.child
	as.Broker, as.Store, as.Nth, as.Quiet = c.bench.url(), c.store, len(c.incarnations), quiet
	as.Waits = link.Waits{Ack: time.Second, Receipt: time.Second, AgainFirst: 50 * time.Millisecond, AgainMost: 500 * time.Millisecond}
	text, err := json.Marshal(as)
	if err != nil {
		c.t.Fatal(err)
	}
	r := &incarnation{cmd: exec.Command(os.Args[0]), done: make(chan struct{})}
	r.cmd.Env = append(os.Environ(), childEnv+"="+string(text))
	r.cmd.Stderr = os.Stderr
	out, err := r.cmd.StdoutPipe()
	if err != nil {
		c.t.Fatal(err)
	}
	if err := r.cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
	go r.follow(out)
	c.run, c.incarnations = r, append(c.incarnations, r)
}

// follow reads what a daemon says.
func (r *incarnation) follow(out io.Reader) {
	defer close(r.done)
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		f := strings.Fields(lines.Text())
		number := func(i int) int64 { n, _ := strconv.ParseInt(f[i], 10, 64); return n }
		r.mu.Lock()
		switch {
		case len(f) == 3 && f[0] == "put":
			r.puts = append(r.puts, put{time.Unix(0, number(1)), f[2]})
		case len(f) == 4 && f[0] == "counts":
			r.last, r.delivered, r.queued = number(1), number(2), number(3)
		default:
			r.trouble = lines.Text()
		}
		r.mu.Unlock()
	}
}

func (c *chaos) killDaemon() {
	c.run.killed = time.Now()
	if err := c.run.cmd.Process.Kill(); err != nil {
		c.t.Fatalf("%v; it said %q", err, c.run.trouble)
	}
	<-c.run.done
	_ = c.run.cmd.Wait() // it was killed
}

// breakNetwork does one of the things that networks do, on one of the two ways.
func (c *chaos) breakNetwork(rng *rand.Rand) {
	p := c.bench
	if rng.IntN(2) == 0 {
		p = c.shop
	}
	switch rng.IntN(4) {
	case 0:
		p.cut()
	case 1:
		p.stallFor(time.Duration(100+rng.IntN(1500)) * time.Millisecond)
	case 2:
		p.halfOpen()
		time.AfterFunc(2*time.Second, p.cut) // the subscriber's own deadline is longer than this test
	case 3:
		p.swallowFor(time.Duration(100+rng.IntN(1500)) * time.Millisecond)
	}
}

// drain lets everything arrive, and ends the last daemon as a service manager does.
func (c *chaos) drain() {
	c.killDaemon()
	c.startDaemon(true)
	c.settle()
}

// settle waits until all has arrived, and ends the daemon.
func (c *chaos) settle() {
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(90 * time.Second)
	for begun := time.Now(); ; {
		c.run.mu.Lock()
		arrived := c.run.last > 0 && c.run.last == c.run.delivered && c.run.queued == 0
		text := fmt.Sprintf("last %d, delivered %d, queued %d", c.run.last, c.run.delivered, c.run.queued)
		c.run.mu.Unlock()
		if arrived && time.Since(begun) > 3*time.Second {
			break
		}
		select {
		case <-tick.C:
		case <-deadline:
			c.t.Fatalf("not everything arrives: %s", text)
		}
	}
	if err := c.run.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		c.t.Fatal(err)
	}
	<-c.run.done
	if err := c.run.cmd.Wait(); err != nil {
		c.t.Errorf("the daemon ended with %v; it said %q", err, c.run.trouble)
	}
	c.run.killed = time.Now().Add(time.Hour) // it was not: nothing may be missing
}

// compare holds the store to what was measured, and the record keeper to the store.
func (c *chaos) compare(kills map[string]int) {
	t := c.t
	c.stopKeeper()
	<-c.keeperStopped
	s, notice, err := outbox.OpenStore(outbox.StoreOptions{Path: c.store})
	if err != nil || notice.SetAside != "" {
		t.Fatalf("%v, %+v", err, notice)
	}
	defer s.Close()
	kept := c.kept(s.Stream())
	stored, gaps, different, missing := map[string]int{}, 0, 0, 0
	count := int64(0)
	for after := int64(0); ; {
		entries := s.Next(after, 500)
		if len(entries) == 0 {
			break
		}
		for _, e := range entries {
			if e.Seq != after+1 {
				t.Fatalf("result %d follows %d in the store", e.Seq, after)
			}
			after, count = e.Seq, count+1
			d, err := protocol.Decode(e.Payload)
			if err != nil {
				t.Fatal(err)
			}
			if _, ok := d.(*protocol.Gap); ok {
				gaps++
			}
			print, err := fingerprint(d.(protocol.Result))
			if err != nil {
				t.Fatal(err)
			}
			stored[print]++
			switch got, ok := kept[e.Seq]; {
			case !ok:
				missing++
			case string(got) != string(e.Payload):
				different++
			}
		}
	}
	puts, lost, excused, late, foreign, slowest := 0, 0, 0, 0, map[string]int{}, time.Duration(0)
	for print, n := range stored { // summed up in any order
		foreign[print] = n
	}
	for _, r := range c.incarnations {
		if r.trouble != "" {
			t.Errorf("a daemon said %q", r.trouble)
		}
		slow := c.machine.late(r.killed)
		slowest = max(slowest, slow)
		for _, p := range r.puts {
			puts++
			if foreign[p.print]--; stored[p.print] > 0 {
				stored[p.print]--
			} else if r.killed.Sub(p.at) >= settledFor+2*slow { // a commit under way, and its own
				lost++
			} else if r.killed.Sub(p.at) >= settledFor {
				excused++ // the machine was late by as much
			} else {
				late++
			}
		}
	}
	unknown := 0
	for _, n := range foreign { // likewise
		unknown += max(0, n)
	}
	t.Logf("%d kills of the daemon, %d of the broker, %d network faults", kills["daemon"], kills["broker"], kills["network"])
	t.Logf("the machine itself was late by at most %v at a kill", slowest.Round(time.Millisecond))
	t.Logf("%d results measured, %d stored, %d lost, %d more on a machine that was late itself, %d less than %v old at a kill and not stored, %d stored that nobody measured; %d gaps",
		puts, count, lost, excused, late, settledFor, unknown, gaps)
	n := c.keeper.Counts()
	t.Logf("the record keeper: %d kept, %d missing, %d different, %d came again and were known, %d refused; it connected %d times",
		len(kept), missing, different, n.Known, n.Refused, n.Connects)
	// What was committed while its connection ended is not counted as new: nobody learned
	// of it, and it was known when it came again.
	if lost+gaps+missing+different+unknown+int(n.Refused) > 0 || int64(len(kept)) != count || n.New > count || n.New+n.Known < count {
		t.Error("results were lost or changed")
	}
	least := 5 * kills["daemon"]
	if daemon.Raced {
		least = kills["daemon"]
	}
	if puts < least || count < int64(least) {
		t.Errorf("only %d results in all: this proves little", puts)
	}
}

// kept is what the records have of a stream.
func (c *chaos) kept(stream string) map[int64][]byte {
	c.t.Helper()
	out := map[int64][]byte{}
	for after := int64(0); ; {
		entries, err := c.records.Read(context.Background(), stream, after, 500)
		if err != nil {
			c.t.Fatal(err)
		}
		if len(entries) == 0 {
			return out
		}
		for _, e := range entries {
			after, out[e.Seq] = e.Seq, e.Payload
		}
	}
}
