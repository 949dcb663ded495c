// Package parts puts a bench together from its configuration: the one list of
// chip families, their drivers, and the buses of the machine. It holds no logic
// of measuring.
package parts

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/host/v3/sysfs"

	"keyturn/adc"
	"keyturn/adc/ads1x15"
	"keyturn/adc/ina226"
	"keyturn/daemon"
	"keyturn/daemon/config"
)

// Families is every chip family a bench file may name.
func Families() []config.Family {
	addresses := []int{0x48, 0x49, 0x4A, 0x4B}
	ranges := []float64{6.144, 4.096, 2.048, 1.024, 0.512, 0.256}
	var shuntAddresses []int
	for a := 0x40; a <= 0x4F; a++ {
		shuntAddresses = append(shuntAddresses, a)
	}
	return []config.Family{
		{Name: "ads1115", Inputs: 4, Addresses: addresses, Rates: []int{8, 16, 32, 64, 128, 250, 475, 860}, RangesV: ranges},
		{Name: "ads1015", Inputs: 4, Addresses: addresses, Rates: []int{128, 250, 490, 920, 1600, 2400, 3300}, RangesV: ranges},
		{Name: FamilyINA226, Inputs: 1, Addresses: shuntAddresses, Rates: ina226.Rates(), RangesV: []float64{0.08192}, Shunt: true},
	}
}

// FamilyINA226 is the family of the shunt monitor in a bench file.
const FamilyINA226 = "ina226"

// overhead is what a host adds to each transaction when a bound is stated before
// anything was measured.
const overhead = 50 * time.Microsecond

// Bench is a bench ready to run.
type Bench struct {
	Buses []daemon.Bus
	// Bound is the longest sample interval a chip's plan allows.
	Bound map[string]time.Duration
}

// Mode says how a bench is sampled.
type Mode uint8

// The modes. CrankMode lets each chip that has a crank lead serve only that.
const (
	ScanMode Mode = iota
	CrankMode
)

// Assemble makes the drivers of every chip on the buses that open returns.
func Assemble(b config.Bench, mode Mode, open func(name string) (i2c.Bus, adc.Clock, error)) (*Bench, error) {
	out := &Bench{Bound: map[string]time.Duration{}}
	for _, bus := range b.Buses {
		conn, clock, err := open(bus.Name)
		if err != nil {
			return nil, fmt.Errorf("open bus %s: %w", bus.Name, err)
		}
		made := daemon.Bus{Name: bus.Name, Clock: clock}
		var transfers time.Duration
		for _, c := range b.Chips {
			if c.Bus != bus.Name {
				continue
			}
			d, err := device(conn, bus, c)
			if err != nil {
				return nil, err
			}
			var inputs []adc.PlannedInput
			for i, l := range b.Leads {
				if l.Chip == c.Name && (mode == ScanMode || c.CrankLead == "" || c.CrankLead == l.Name) {
					inputs = append(inputs, adc.PlannedInput{Input: l.Input, Lead: i})
				}
			}
			if len(inputs) == 0 {
				continue
			}
			clocks, transactions := d.ReadClocks()
			transfers += time.Duration(d.StartClocks()+clocks)*time.Second/time.Duration(bus.Hz) + time.Duration(1+transactions)*overhead
			plan := d.Plan(bus.Hz, inputs...)
			plan.Continuous = mode == CrankMode && c.CrankLead != ""
			made.Plans = append(made.Plans, plan)
		}
		for _, p := range made.Plans {
			t := p.Chip.Timing()
			one := transfers / time.Duration(len(made.Plans))
			out.Bound[p.Chip.Name()] = time.Duration(len(p.Inputs)) * max(t.Max+t.Wake+one, transfers)
		}
		if len(made.Plans) > 0 {
			out.Buses = append(out.Buses, made)
		}
	}
	return out, nil
}

// driver is what every family's driver offers.
type driver interface {
	Plan(busHz int, inputs ...adc.PlannedInput) adc.ChipPlan
	// StartClocks and ReadClocks are the bus clocks of a start and of a read.
	StartClocks() int
	ReadClocks() (clocks, transactions int)
}

// device makes the driver of one chip.
func device(conn i2c.Bus, bus config.Bus, c config.Chip) (driver, error) {
	if c.Family == FamilyINA226 {
		return ina226.New(conn, ina226.Options{Name: c.Name, Address: uint16(c.Address), Rate: c.Rate, SplitRead: bus.SplitRead})
	}
	family := ads1x15.ADS1115
	if c.Family == "ads1015" {
		family = ads1x15.ADS1015
	}
	return ads1x15.New(conn, ads1x15.Options{
		Name: c.Name, Family: family, Address: uint16(c.Address), Rate: c.Rate,
		FullScaleUV: int32(c.RangeV * 1e6), SplitRead: bus.SplitRead,
	})
}

// OpenKernelBus opens /dev/i2c-N. It refuses a bus on which a kernel driver
// holds one of the chips' addresses, for both would talk to the chip.
func OpenKernelBus(name string, chips []config.Chip) (i2c.BusCloser, error) {
	if err := CheckBusName(name); err != nil {
		return nil, err
	}
	number, _ := strconv.Atoi(strings.TrimPrefix(name, kernelBus))
	for _, c := range chips {
		if c.Bus != name {
			continue
		}
		if err := notHeld(devices, number, c); err != nil {
			return nil, err
		}
	}
	return sysfs.NewI2C(number)
}

// kernelBus begins the name of every bus of the kernel.
const kernelBus = "/dev/i2c-"

// CheckBusName returns an error unless a name is that of a bus of the kernel.
func CheckBusName(name string) error {
	if _, err := strconv.Atoi(strings.TrimPrefix(name, kernelBus)); err != nil || !strings.HasPrefix(name, kernelBus) {
		return fmt.Errorf("%q is no kernel bus: name it like /dev/i2c-1", name)
	}
	return nil
}

// Size is how many of what a bench has, in words.
func Size(b config.Bench) string {
	some := func(n int, one string) string {
		if n == 1 {
			return "1 " + one
		}
		return fmt.Sprintf("%d %ss", n, one)
	}
	return some(len(b.Leads), "lead") + " in " + some(len(b.Slots), "slot") + " on " + some(len(b.Chips), "chip")
}

// devices is where the kernel lists the chips that its own drivers hold.
const devices = "/sys/bus/i2c/devices"

// notHeld returns an error if a kernel driver has a chip.
func notHeld(devices string, bus int, c config.Chip) error {
	held := filepath.Join(devices, fmt.Sprintf("%d-%04x", bus, c.Address), "driver")
	if _, err := os.Stat(held); err == nil {
		return fmt.Errorf("chip %s at %#02x is held by a kernel driver (%s): unbind it first", c.Name, c.Address, held)
	}
	return nil
}

// Boot is the kernel's name of this boot; a random one where it has none.
func Boot() string {
	if b, err := os.ReadFile("/proc/sys/kernel/random/boot_id"); err == nil {
		return strings.TrimSpace(string(b))
	}
	return fmt.Sprintf("%08x", uint32(time.Now().UnixNano()))
}
