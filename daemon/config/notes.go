package config

import (
	"net/netip"
	"net/url"
	"slices"
	"time"
)

// Notes returns what a valid bench had better have, a sentence each: it runs without,
// and sees less.
func (b Bench) Notes() (notes []string) {
	battery, key, current := false, b.IgnitionSlot != "", false
	for i := range b.Leads {
		switch b.Leads[i].Role {
		case RoleBatterySense:
			battery = true
		case RoleTerminal75, RoleTerminal15:
			key = true
		case RoleCurrent:
			current = true
		}
	}
	if !battery {
		notes = append(notes, "no lead is battery-sense: live and dead go by fixed voltages, and no start is measured against the battery")
	}
	if !key {
		notes = append(notes, "no lead on terminal 15 or 75 and no ignition_slot: the key is not seen; somebody must say where it is")
	}
	if current && b.Params().WithDefaults().WatchFor < judgedAfter {
		notes = append(notes, "the current is watched for less than the hour after which common practice judges it: write watch_s = 4500")
	}
	if b.BoxFile == "" && b.Subject == onVehicle {
		notes = append(notes, "no box file: nothing here knows which slots must be avoided; see for yourself that no lead is in one")
	}
	for _, l := range b.Outputs() {
		told := func(x Line) bool { return x.Role == LineReadBack && x.Of == l.Name }
		if l.Role == LineWatchdog && !slices.ContainsFunc(b.Lines, told) {
			notes = append(notes, "no read-back of line "+l.Name+": a watchdog relay that has welded is not seen; try it before each use")
		}
	}
	if b.Store == "" {
		notes = append(notes, "no store: results that the broker has not taken are lost when the daemon ends")
	}
	for _, x := range b.Buses {
		if x.Hz < 400000 {
			notes = append(notes, "bus "+x.Name+" is to run below 400 kHz: samples come later than with the 400 kHz that the converters take")
		}
	}
	if u, err := url.Parse(b.MQTT.Broker); err == nil && b.MQTT.PasswordFile != "" && !b.secure() && !local(u.Hostname()) {
		notes = append(notes, "the password goes over the network to "+u.Hostname()+" in the clear: write the broker like ssl://host:8883")
	}
	return notes
}

// judgedAfter is when a draw after key-off is judged (common practice, no published
// source), and the least watch that sees it.
const judgedAfter = time.Hour + time.Minute

// local reports whether a host is this machine.
func local(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}
