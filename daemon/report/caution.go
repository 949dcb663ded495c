package report

// Caution says a caution of an exercise file in full. Local rules and the practice of the
// trade come first.
func Caution(word string) string {
	switch word {
	case "battery":
		return "A battery or bench supply drives hundreds of amperes through a ring or a tool: rings, watches and chains off, tips of probes covered, never two contacts bridged."
	case "meter":
		return "Meter on volts, its leads in the sockets for volts: on amperes it is a short. Prove it on a known feed before and after."
	case "engine":
		return "An engine starts: brake on, out of gear, wheels chocked, hands, hair and sleeves clear of belts and fans, exhaust led outside. Only the person at the key says when; ten seconds at most, then let the starter rest."
	case "hot":
		return "Planted resistors and loads get hot enough to burn: do not touch them, keep them clear of wires and covers, supply off before they are moved."
	case "avoided":
		return "Nobody probes, loads or unplugs airbags, belt tensioners, brakes, steering or what runs the engine, nor anything of 60 V and above or orange. Some fire or move when probed."
	}
	return word
}
