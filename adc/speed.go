package adc

import (
	"fmt"
	"slices"
	"time"
)

// Speed is what a bus does, as the host sees it.
type Speed struct {
	// Hz is the clock of the bus while a transfer runs.
	Hz float64
	// Overhead is what the host adds to each transaction, in the median.
	Overhead time.Duration
}

// Transferer is a bus: it writes w and reads r in one transaction. An i2c.Bus is
// one.
type Transferer interface {
	Tx(addr uint16, w, r []byte) error
}

const (
	// speedReads is how many reads of each length are timed. So many may fail
	// meanwhile: fewer on a stuck bus, which takes a second each time.
	speedReads = 61
	failsMost  = 12
	stuckMost  = 1
	// shortRead is a register's two bytes. The clock of longRead bytes more makes
	// little of a host's jitter, and 6 ms at 100 kHz.
	shortRead, longRead = 2, 66
	// readClocks is the bus clocks of a read but for its bytes: START, address,
	// STOP; byteClocks those of a byte.
	readClocks, byteClocks = 11, 9
	// slowestHz and fastestHz bound what can be a bus clock: an ADS1x15 takes 10 kHz
	// to 3.4 MHz (SBAS444E 5.6).
	slowestHz, fastestHz = 10e3, 5e6
)

// MeasureSpeed tells how fast a bus is from the durations of reads of two lengths
// from one chip: their difference is the bus's clock alone, what is left of the
// short ones the host's. A bus may run slower than it is configured to (the clock
// that it is divided from is changed under way, and the divider is not).
//
// It reads without writing a pointer, so nothing changes in the chip, and ignores
// what it reads: the host makes the clock, whatever the chip sends beyond its
// register. It must have the bus to itself, takes 0.4 s at 100 kHz, and
// nothing may scan the bus meanwhile.
func MeasureSpeed(bus Transferer, clock Clock, addr uint16) (Speed, error) {
	buf := make([]byte, longRead)
	var took [2][]time.Duration
	for fails, stuck := 0, 0; len(took[1]) < speedReads; {
		// In turns, so that what changes slowly meets both.
		kind := len(took[0]) - len(took[1])
		before := clock.Now()
		err := bus.Tx(addr, nil, buf[:[2]int{shortRead, longRead}[kind]])
		if err != nil {
			class := ClassifyTransfer(err)
			if fails++; class == ErrBusTrouble {
				stuck++
			}
			if fails > failsMost || stuck > stuckMost {
				return Speed{}, fmt.Errorf("measure the bus's speed at %#02x: %w: %w", addr, class, err)
			}
			continue
		}
		took[kind] = append(took[kind], clock.Now().Sub(before))
	}
	short, long := median(took[0]), median(took[1])
	hz := (longRead - shortRead) * byteClocks / (long - short).Seconds()
	if long <= short || hz < slowestHz || hz > fastestHz {
		return Speed{}, fmt.Errorf("measure the bus's speed at %#02x: %d bytes take %v, %d bytes %v: that is no bus clock",
			addr, shortRead, short, longRead, long)
	}
	clocks := time.Duration((readClocks + shortRead*byteClocks) / hz * 1e9)
	return Speed{Hz: hz, Overhead: max(0, short-clocks)}, nil
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}
