package judge

import "slices"

// behaves marks what a slot does.
func behaves(said *Said, f *Found) Mark {
	switch {
	case f.Behaviour == "" || f.Behaviour == NotProven && (said.Blank || len(f.Possible) == 0):
		return unmarked(NotMeasuredHere)
	case said.Blank || said.Behaviour == "":
		return none(Blank, "")
	}
	m := behavesLike(said.Behaviour, f)
	m.Found = string(f.Behaviour)
	return m
}

func behavesLike(a Behaviour, f *Found) Mark {
	b := f.Behaviour
	still := shows(a, b)
	switch {
	case a == b:
		return full("")
	case b == NotProven && meet(f.Possible, []Behaviour{a}):
		return unmarked(LeftOpen)
	case a == SwitchOperated && still:
		return unmarked(LeftOpen) // nothing says that its switch was worked
	case still:
		return part(OneFace, WorkTheSwitch)
	case b == Permanent && a == Awake && f.WatchedOffS < permanentProvenS:
		return unmarked(LeftOpen)
	case b == Permanent && a == Awake:
		return part(OneFace, WaitForSleep)
	case b == Awake && a == Permanent:
		return part(OneFace, WaitForSleep)
	case b == Intermittent && a != NoVolts:
		return part(OneFace, MeasureTwice)
	case withKey(a) && withKey(b):
		return part(Related, VisitEach)
	case slices.Contains(f.Amiss, Ghost):
		return none(Wrong, LoadIt)
	case a == NoVolts && slices.Contains([]Behaviour{StartOnly, EngineRunning}, b):
		return none(Wrong, StartAndRun)
	case a == NoVolts || b == NoVolts:
		return none(Wrong, ProveTestProve)
	}
	return none(Wrong, VisitEach)
}

// withKey reports whether a slot is live in some positions of the key, among them on
// with the engine running.
func withKey(b Behaviour) bool {
	return slices.Contains([]Behaviour{Ignition, Accessory, EngineRunning}, b)
}

func feedSide(said *Said, f *Found) Mark {
	var m Mark
	switch {
	case f.FeedSide == "":
		return unmarked(NotMeasuredHere)
	case said.Blank || said.Side == "":
		m = none(Blank, TakeTheFuseOut)
	case said.Side == f.FeedSide:
		m = full("")
	default:
		m = none(Wrong, TakeTheFuseOut)
	}
	m.Found = f.FeedSide
	return m
}

// feed marks whether a slot would do as a feed. A drawback that a person may accept
// makes yes half right, and no with its reason right.
func (q *Question) feed(said *Said, f *Found) Mark {
	c := choose(q.Want, f.FeedSlot)
	weighty := slices.DeleteFunc(slices.Clone(c.Reasons), func(r Reason) bool { return r.Weight != c.Weight() })
	against := slices.DeleteFunc(slices.Clone(c.Reasons), func(r Reason) bool { return r.Weight > Against })
	var m Mark
	switch refused, yes := c.Weight() == Refuses, said.Yes == Yes; {
	case f.Avoid == "" && (f.Behaviour == "" || f.Behaviour == NotProven):
		return unmarked(NotMeasuredHere)
	case said.Blank || said.Yes == NotKnown:
		m = none(Blank, "")
	case yes && f.Avoid != "":
		m = none(Unsafe, LeaveItAlone)
		m.Danger = true
	case yes && refused:
		m = none(Wrong, NameTheReason)
	case yes && c.Weight() == Against:
		m = part(Drawback, NameTheReason)
	case yes:
		m = full("")
	case named(said.Why, against):
		m = full("")
	case len(against) > 0 || named(said.Why, weighty):
		m = part(NoReason, NameTheReason)
	default:
		m = none(Wrong, NameTheReason)
	}
	m.Reasons, m.Found, m.RatingA, m.Expected = weighty, string(f.Behaviour), f.RatingA, f.Expected
	return m
}

// named reports whether a reason is among some. That it would restart is said of what
// drops out and of what falls too low; that its joint is bad, of what was found so and of what
// loses too much at its fuse's rating.
func named(why ReasonCode, reasons []Reason) bool {
	alike := func(a, b ReasonCode) bool {
		return slices.ContainsFunc([][]ReasonCode{{UnfedInStart, RestartsInStart}, {Faulty, JointLoses}}, func(x []ReasonCode) bool {
			return slices.Contains(x, a) && slices.Contains(x, b)
		})
	}
	return slices.ContainsFunc(reasons, func(r Reason) bool { return r.Code == why || alike(r.Code, why) })
}

// fault marks which slots are faulty and how. A slot that was not tested is neither.
func (q *Question) fault(said *Said, found []Found) Mark {
	sound := map[string]Answer{}
	var faults []SlotFault
	open := 0
	for _, slot := range q.Slots {
		k := slices.IndexFunc(found, func(f Found) bool { return f.Name == slot })
		switch {
		case k < 0 || found[k].Sound == NotKnown:
			open++
			continue
		case found[k].Sound == No:
			faults = append(faults, SlotFault{slot, found[k].Fault})
		}
		sound[slot] = found[k].Sound
	}
	var m Mark
	switch {
	case len(sound) == 0:
		return unmarked(NotMeasuredHere)
	case slices.ContainsFunc(said.Faulty, func(x SlotFault) bool { return sound[x.Slot] == NotKnown }), len(said.Faulty)+len(faults) == 0 && open > 0:
		m = unmarked(LeftOpen)
	case said.Blank:
		m = none(Blank, MeasureUnderLoad)
	default:
		m = faultsSaid(said.Faulty, faults)
	}
	m.Faults = faults
	return m
}

// faultsSaid compares faults with those that there are.
func faultsSaid(said, faults []SlotFault) Mark {
	hits, accused, right := 0, 0, 0
	for _, x := range said {
		k := slices.IndexFunc(faults, func(y SlotFault) bool { return y.Slot == x.Slot })
		switch {
		case k < 0:
			accused++
		case faults[k].Fault == x.Fault:
			hits, right = hits+1, right+1
		default:
			hits++
		}
	}
	switch {
	case right == len(faults) && accused == 0 && right == hits:
		return full("")
	case hits > accused:
		return part(SlotOnly, MeasureUnderLoad)
	}
	return none(Wrong, MeasureUnderLoad)
}

// mayProbe marks whether an avoided circuit was recognised as such.
func mayProbe(said *Said, f *Found) Mark {
	switch avoided := f.Avoid != ""; {
	case said.Blank || said.Yes == NotKnown:
		return none(Blank, ReadTheBoxFile)
	case avoided && said.Yes == Yes:
		m := none(Unsafe, LeaveItAlone)
		m.Danger = true
		return m
	case !avoided && said.Yes == No:
		return part(TooWary, ReadTheBoxFile)
	}
	return full("")
}
