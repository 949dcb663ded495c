package measure

import "keyturn/adc"

// This file notices a voltage that falls slowly: a capacitor running down after
// its source has opened. Every declineBlock samples it compares r with a block
// ago; the source opened where the falling began, long before r fell below the
// threshold.

const (
	declineBlock = 16    // samples: 0.1 s at a 6 ms interval
	declineR     = 0.003 // fall of r per block that counts: a time constant of up to 30 s
)

// decline follows the slow falling of one lead.
type decline struct {
	have     bool
	falling  bool
	last     adc.Instant // begin of the latest block
	lastR    float64
	began    adc.Instant // begin of the block before the first that fell
	beganR   float64
	previous adc.Instant
}

// take notes the first sample of a block.
func (d *decline) take(p *point) {
	switch {
	case !d.have:
		d.have = true
	case p.r < d.lastR-declineR:
		if !d.falling {
			d.falling, d.began, d.beganR = true, d.previous, d.lastR
			if d.began == 0 {
				d.began = d.last
			}
		}
	default:
		d.falling = false
	}
	d.previous, d.last, d.lastR = d.last, p.from, p.r
}
