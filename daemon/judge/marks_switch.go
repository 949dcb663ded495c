package judge

// switchUnseen is the mark of what a slot does where the box file says that a switch works
// it and the bench saw no hand at one. What the slot showed so is what the switch happened
// to stand at: neither the answer that names the switch nor the one that names what was
// shown is right or wrong, and none would be. Any other answer is marked.
func (q *Question) switchUnseen(said *Said, f *Found) (m Mark, ok bool) {
	unseen := q.Expected == SwitchOperated && f.Behaviour != SwitchOperated && shows(SwitchOperated, f.Behaviour)
	if !unseen || !said.Blank && said.Behaviour != SwitchOperated && said.Behaviour != f.Behaviour {
		return m, false
	}
	return unmarked(SwitchNotSeen), true
}
