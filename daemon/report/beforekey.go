package report

import "keyturn/protocol"

// BeforeKey is what a person looks at before he turns the key, an item a sentence; none
// where no person does. shunt: there is one in the battery's path. Common practice, no
// published source; the 60 V are where voltage class B begins (ISO 6469-3, value from
// memory). Local rules and the practice of the trade come first.
func BeforeKey(subject protocol.Subject, shunt bool) []string {
	if subject != protocol.Vehicle {
		return nil
	}
	items := []string{
		"Neutral or park, handbrake on; wheels chocked where it could roll.",
		"Nobody, no tool and no lead near the engine, belts and fans; one person at the key, who says when.",
		"Battery charger off and its clamps away.",
		"Exhaust gas led outside, should the engine run.",
		"No lead on anything of 60 V and above or orange cable, nor in a slot of airbags, belt tensioners, brakes or steering.",
	}
	if shunt {
		items = append(items, "The shunt in the battery's path bridged: the current of a starter burns it.")
	}
	return items
}
