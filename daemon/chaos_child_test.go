package daemon_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	"testing"
	"time"

	"keyturn/adc"
	"keyturn/adc/adctest"
	"keyturn/adc/ads1x15"
	"keyturn/adc/vehicle"
	"keyturn/daemon"
	"keyturn/daemon/link"
	"keyturn/daemon/measure"
	"keyturn/daemon/outbox"
	"keyturn/protocol"
)

// childEnv makes the test binary a bench daemon on a simulated vehicle.
const childEnv = "KEYTURN_TEST_BENCH"

func TestMain(m *testing.M) {
	for name, run := range map[string]func(string) error{childEnv: runChild, loadEnv: runLoad} { // one at most
		if text := os.Getenv(name); text != "" {
			if err := run(text); err != nil {
				fmt.Println("trouble", err)
				os.Exit(1)
			}
			os.Exit(0)
		}
	}
	os.Exit(m.Run())
}

// child says how a bench in a process of its own is run.
type child struct {
	Broker string
	Store  string
	Nth    int     // how many there were before on this boot
	Speed  float64 // of the simulated time
	Quiet  bool    // the vehicle is left alone: nothing new is measured
	Memory bool    // results are kept in memory
	Waits  link.Waits
}

const (
	chaosBench  = "chaos"
	chaosKeeper = "records"
)

// runChild runs the daemon, whole but for the command around it, until it is told
// to stop. It says of every result when it was handed to the store, and now and
// then how far the store is.
func runChild(text string) error {
	var c child
	if err := json.Unmarshal([]byte(text), &c); err != nil {
		return err
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	store, notice, err := outbox.OpenStore(outbox.StoreOptions{Path: c.Store, Keepers: []string{chaosKeeper}})
	if err != nil {
		return err
	}
	if notice.SetAside != "" {
		return fmt.Errorf("the store was set aside: %s", notice.Why)
	}
	o, err := simulated(uint64(c.Nth), adc.Instant(c.Nth+1)*adc.Instant(1000*time.Second), c.Quiet, pace(ctx, c.Speed))
	if err != nil {
		return err
	}
	o.Bench, o.Root, o.Boot = chaosBench, protocol.DefaultRoot, "0c4a05fe"
	o.Broker = link.Broker{URL: c.Broker, ClientID: "keyturnd-chaos"}
	o.Receipts, o.Waits, o.Outbox = !c.Memory, c.Waits, &told{store}
	if c.Memory {
		o.Outbox = &told{outbox.NewMemory(outbox.MemoryOptions{Stream: "s-memory"})}
	}
	go func() {
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		for range tick.C {
			n := o.Outbox.Counts()
			fmt.Println("counts", n.Last, n.Delivered, n.Queued)
		}
	}()
	if err := daemon.Run(ctx, o); err != nil {
		return err
	}
	return store.Close()
}

// told is an outbox that says what it is given.
type told struct{ daemon.Outbox }

func (s *told) Put(ctx context.Context, d protocol.Result) error {
	print, err := fingerprint(d)
	if err != nil {
		return err
	}
	fmt.Println("put", time.Now().UnixNano(), print)
	return s.Outbox.Put(ctx, d)
}

// fingerprint names what a result says, its number apart.
func fingerprint(d protocol.Result) (string, error) {
	h := d.ResultHead()
	stream, seq := h.Stream, h.Seq
	h.Stream, h.Seq = "s", 1
	b, err := protocol.Encode(d)
	h.Stream, h.Seq = stream, seq
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:12]), err
}

// pace holds simulated time back to a multiple of real time.
func pace(ctx context.Context, speed float64) func(since time.Duration) {
	began := time.Now()
	return func(since time.Duration) {
		ahead := time.Duration(float64(since)/speed) - time.Since(began)
		if ahead < 2*time.Millisecond {
			return
		}
		select {
		case <-time.After(ahead):
		case <-ctx.Done():
		}
	}
}

// simulated is a bench of 16 leads on a simulated vehicle, on simulated time.
func simulated(seed uint64, start adc.Instant, quiet bool, pace func(time.Duration)) (daemon.Options, error) {
	v := vehicle.New(seed, vehicle.Options{Start: start})
	p := measure.Params{
		Leads: v.Leads, BatterySense: v.BatterySense, WatchFor: vehicle.WatchSeconds * time.Second,
		Key: measure.KeySense{Accessory: v.Terminal75, On: v.Terminal15, Start: v.Terminal50, Running: v.Terminal61, IgnitionSlot: measure.NoLead},
	}
	for _, s := range v.Slots {
		slot := measure.Slot{Name: s.Name, Legend: s.Legend}
		for i, l := range s.Leads {
			side := ""
			if len(s.Sides) > 0 {
				side = s.Sides[i]
			}
			slot.Leads = append(slot.Leads, measure.SlotLead{Lead: l, Side: side})
		}
		if s.Name == v.IgnitionSlot && v.IgnitionSlot != "" {
			p.Key.IgnitionSlot = s.Leads[0]
		}
		p.Slots = append(p.Slots, slot)
	}
	bus := adctest.NewBus(adctest.BusOptions{Seed: seed, Start: start, OverheadMin: 50 * time.Microsecond, OverheadMax: 50 * time.Microsecond})
	bus.Inject = func(_ int, at adc.Instant, _ uint16) adctest.Fault {
		pace(at.Sub(start))
		return adctest.NoFault
	}
	b := daemon.Bus{Name: "simulated", Clock: bus}
	for i := range 4 {
		co := adctest.ADS1x15Options{Address: uint16(0x48 + i), Seed: seed<<4 + uint64(i), NoiseV: adctest.DataSheetNoiseV}
		var inputs []adc.PlannedInput
		for k, l := range v.Leads {
			if l.Chip == fmt.Sprintf("adc-%d", i+1) {
				inputs = append(inputs, adc.PlannedInput{Input: l.Input, Lead: k})
				if !quiet {
					co.Inputs[l.Input] = v.Wave(k)
				}
			}
		}
		bus.Add(adctest.NewADS1x15(co))
		d, err := ads1x15.New(bus, ads1x15.Options{Name: fmt.Sprintf("adc-%d", i+1), Address: co.Address})
		if err != nil {
			return daemon.Options{}, err
		}
		b.Plans = append(b.Plans, d.Plan(400000, inputs...))
	}
	d := protocol.Description{Software: "a test's bench", Subject: protocol.Vehicle}
	return daemon.Options{Params: p, Description: d, Buses: []daemon.Bus{b}}, nil
}
