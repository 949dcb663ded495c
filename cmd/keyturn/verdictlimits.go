package main

import (
	"fmt"

	"keyturn/daemon/judge"
)

// limitFlags are what the slots of a box are held to where its file says nothing.
type limitFlags struct {
	LeaveOut []string `help:"What not to test: contact (resistance and strength), sides (feed side and back-feed), start (fall while cranking). The verdict says so." enum:"contact,sides,start" placeholder:"CHECK"`
	Pass     float64  `name:"contact-pass-mohm" help:"The most that a good contact has." default:"30"`
	Fail     float64  `name:"contact-fail-mohm" help:"Above it a contact fails." default:"60"`
	Above    float64  `name:"contact-above-mohm" help:"So much above matching slots a contact fails." default:"20"`
	Probe    float64  `name:"probe-mohm" help:"The most that the contact of a probe has, where the load's current flows through it." default:"50"`
	OnWithin float64  `name:"on-within-s" help:"The most from the key's move until a slot that follows it is live." default:"0.1"`
	Fall     float64  `name:"fall-v" help:"The most that a slot falls further than the battery while cranking." default:"1"`
}

// limits are the flags as the judge takes them.
func (c *limitFlags) limits() (judge.Limits, error) {
	l := judge.Limits{ContactPassMOhm: c.Pass, ContactFailMOhm: c.Fail, ContactAboveMOhm: c.Above, ProbeMOhm: c.Probe, OnWithinS: c.OnWithin, FallV: c.Fall}
	for _, x := range []struct {
		flag string
		v    float64
	}{{"contact-pass-mohm", c.Pass}, {"contact-above-mohm", c.Above}, {"probe-mohm", c.Probe}, {"on-within-s", c.OnWithin}, {"fall-v", c.Fall}} {
		if !(x.v >= 0 && x.v <= 1e6) {
			return l, fmt.Errorf("--%s %g: want a figure from 0 to 1e6", x.flag, x.v)
		}
	}
	if !(c.Fail >= c.Pass && c.Fail <= 1e6) {
		return l, fmt.Errorf("--contact-fail-mohm %g: want a figure from --contact-pass-mohm, %g, to 1e6", c.Fail, c.Pass)
	}
	for _, x := range c.LeaveOut {
		l.LeftOut = append(l.LeftOut, judge.Check(x))
	}
	return l, nil
}
