package judge

import "strings"

// This file has the words that people write, all in the form that plain gives. A word
// that could mean two behaviours is in no list: it is asked back.

func behaviourWords() []phrase[Behaviour] {
	return []phrase[Behaviour]{
		{Permanent, []string{"permanent", "always live", "always on", "always", "live always", "live in every position", "live in all positions", "all the time", "constant", "permanently live", "battery", "live all the time", "terminal 30", "30"}},
		{Ignition, []string{"ignition", "live with the ignition on", "live with ignition on", "live with ignition", "live when the ignition is on", "live from on", "from on", "with ignition", "with the ignition", "ignition on", "ignition live", "ignition switched", "terminal 15", "15"}},
		{Accessory, []string{"accessory", "live from accessory on", "live with accessory", "live in accessory and on", "accessory and on", "from accessory on", "with accessory", "acc", "terminal 75", "75"}},
		{StartOnly, []string{"start only", "live only while starting", "live only while cranking", "live only in start", "only while starting", "only while cranking", "only in start", "only when starting", "terminal 50", "50"}},
		{EngineRunning, []string{"engine running", "live only with the engine running", "only with the engine running", "with the engine running", "only with engine running", "only when the engine runs", "live only with engine running", "live only when the engine runs", "only while the engine runs", "live only while the engine runs"}},
		{Awake, []string{"awake", "live while the vehicle is awake", "while the vehicle is awake", "until the vehicle sleeps", "until it sleeps", "live until the vehicle sleeps", "live until it sleeps", "while awake"}},
		{SwitchOperated, []string{"switch operated", "works from another switch", "works from its own switch", "live when its switch is closed", "live with its switch closed", "from another switch", "another switch", "by another switch", "own switch", "by its own switch"}},
		{Intermittent, []string{"intermittent", "comes and goes by itself", "comes and goes", "on and off by itself", "loose contact"}},
		{NoVolts, []string{"no volts", "none", "no volts in any position", "no volts at all", "never any volts", "dead in every position", "never live", "dead", "nothing", "no voltage", "not live"}},
	}
}

// twofold are words that people use for two behaviours, with the question back.
func twofold() []phrase[string] {
	return []phrase[string]{
		{"live when? permanent, ignition, accessory or another", []string{"live", "on", "hot", "yes", "plus", "12 v", "12v"}},
		{"switched by what? the ignition, accessory, or another switch (switch-operated)", []string{"switched", "switched live", "key", "with the key", "with key", "key on", "follows the key"}},
		{"only while starting, or only with the engine running?", []string{"start", "starter", "starting", "engine", "with the engine", "engine on", "crank", "cranking"}},
		{"permanent, awake (until the vehicle sleeps), or switch-operated?", []string{"delayed", "timer", "timed", "with a delay", "stays on"}},
	}
}

func readBehaviour(text, words string) (Behaviour, error) {
	words = strings.NewReplacer("kl. ", "terminal ", "kl ", "terminal ").Replace(words)
	if b, ok := meaning(behaviourWords(), words); ok {
		return b, nil
	}
	if ask, ok := meaning(twofold(), words); ok {
		return "", unclear(text, "%s", ask)
	}
	return "", unclear(text, "what does it do? write one of: %s", firsts(behaviourWords()))
}

func sideWords() []phrase[string] {
	return []phrase[string]{
		{"left", []string{"left", "left side", "left hand", "lh"}},
		{"right", []string{"right", "right side", "right hand", "rh"}},
		{"upper", []string{"upper", "upper side", "top", "up", "above"}},
		{"lower", []string{"lower", "lower side", "bottom", "down", "below"}},
		{"middle", []string{"middle", "centre", "center", "in the middle"}},
	}
}

// readSide reads a side of those that the slot has. One letter is taken where it can
// mean one side only.
func readSide(text, words string, sides []string) (string, error) {
	side, ok := meaning(sideWords(), strings.TrimPrefix(words, "the "))
	has := map[string]bool{}
	for _, s := range sides {
		has[s] = true
	}
	switch {
	case words == "l" && has["left"] && !has["lower"]:
		side, ok = "left", true
	case words == "r" && has["right"]:
		side, ok = "right", true
	case words == "l" && has["lower"]:
		return "", unclear(text, "left or lower? the contacts lie %s; write the whole word", strings.Join(sides, " and "))
	}
	if !ok || !has[side] {
		return "", unclear(text, "which side? its contacts are %s; hold the box as its file says and write one of them", strings.Join(sides, " and "))
	}
	return side, nil
}

// live is what a person says of a slot in one key position.
type live struct {
	yes   Answer
	ghost bool
}

func liveWords() []phrase[live] {
	return []phrase[live]{
		{live{Yes, false}, []string{"live", "hot", "yes", "a feed"}},
		{live{No, false}, []string{"no volts", "dead", "not live", "nothing", "no voltage"}},
		{live{No, true}, []string{"ghost", "a ghost", "ghost voltage", "volts without strength"}},
	}
}

func faultWords() []phrase[Amiss] {
	return []phrase[Amiss]{
		{HighResistance, []string{"high resistance", "bad joint", "series resistance", "falls under load", "volt drop", "corroded joint", "corroded"}},
		{OpenCircuit, []string{"open", "open circuit", "interrupted", "broken", "broken wire", "no connection"}},
		{BackFed, []string{"back fed", "back feed", "backfeed", "fed from its load side", "fed backwards"}},
		{Ghost, []string{"ghost", "ghost voltage", "volts without strength"}},
		{ContactLost, []string{"contact lost", "loose contact", "comes and goes", "intermittent"}},
		{Pulsed, []string{"pulsed", "switched on and off fast"}},
	}
}

// feedReasons are what people say against a feed.
func feedReasons() []phrase[ReasonCode] {
	return []phrase[ReasonCode]{
		{Avoided, []string{"nobody may touch it", "avoided", "avoid", "safety circuit"}},
		{WrongBehaviour, []string{"wrong behaviour", "not that kind of feed", "not permanent", "not switched", "permanent", "switched", "no volts"}},
		{OnTooLong, []string{"stays on too long", "on too long", "on too long after key off", "drains the battery"}},
		{UnfedInStart, []string{"off while cranking", "drops out while cranking", "off in start", "restarts while cranking", "would restart"}},
		{RestartsInStart, []string{"falls too low while cranking", "too low while cranking", "sags too low", "volts too low while cranking"}},
		{TooLittleSpare, []string{"too little to spare", "too little spare", "fuse too small", "not enough current", "overloads the fuse", "too much current"}},
		{NoFuseFits, []string{"no fuse fits", "no added fuse fits"}},
		{Faulty, []string{"faulty", "bad joint", "high resistance", "ghost", "back fed", "pulsed"}},
		{NotAsInBox, []string{"not as in the box file", "not what the box file says", "other than the box file says", "against the box file"}},
		{OnlyWithEngine, []string{"only with the engine running", "only with engine running"}},
		{Untestable, []string{"needs the network", "switched by the network", "cannot be tested here"}},
		{SideNotKnown, []string{"feed side not known"}},
	}
}

// FaultNames are the faults of a slot, each in the word that Read knows it by.
func FaultNames() []string { return list(faultWords()) }

// Choices are the answers of a question that has few, each in the word that Read knows it
// by; none for one that is answered by a figure or in several words.
func Choices(q *Question) []string {
	switch q.Asks {
	case AsksBehaviour:
		return list(behaviourWords())
	case AsksFeedSide:
		return q.Sides
	case AsksMayProbe:
		return []string{"yes", "no"}
	case AsksFeed:
		out := []string{"yes"}
		for _, p := range feedReasons() {
			out = append(out, "no, "+p.said[0])
		}
		return out
	}
	return nil
}
