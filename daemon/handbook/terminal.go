package handbook

import (
	"fmt"
	"slices"
)

// Terminal is a number that stands beside a contact.
type Terminal struct {
	Number string
	Words  string
	Source Source
}

var (
	// Wikipedia "DIN 72552"; the table on studylib 18037421; mvwautomotive.com.
	terminalPages = Source{Document: "DIN 72552", ReadIn: "public tables of terminal numbers", Standing: Published}
	// memim.com
	terminalPage   = Source{Document: "DIN 72552", ReadIn: "one public table of terminal numbers", Standing: Published}
	terminalMemory = Source{Document: "DIN 72552", Standing: FromMemory}
	terminalMakers = Source{Document: "marks of vehicle makers, not in DIN 72552", Standing: FromMemory}

	terminals = []Terminal{
		{"15", "live with the ignition on", terminalPages},
		{"15a", "from the ballast resistor to coil and starter", terminalPages},
		{"15e", "live with the ignition on, and while starting", terminalPage},
		{"17", "glow plugs while starting", terminalPages},
		{"19", "glow plugs before starting", terminalPages},
		{"30", "straight from battery plus", terminalPages},
		{"30a", "straight from the second battery's plus", terminalPages},
		{"30g", "from battery plus through a protecting switch; does not follow the key", terminalPage},
		{"31", "straight to battery minus or earth", terminalPages},
		{"31a", "to the second battery's minus", terminalPages},
		{"31b", "to battery minus through a switch or relay", terminalPages},
		{"31c", "to the first battery's minus", terminalPages},
		{"45", "output of the starter relay", terminalPages},
		{"45a", "output to the first starter", terminalPages},
		{"45b", "output to the second starter", terminalPages},
		{"49", "into the flasher", terminalPages},
		{"49a", "out of the flasher", terminalPages},
		{"50", "starter control: live while starting", terminalPages},
		{"50a", "starter control, from the battery changeover relay", terminalMemory},
		{"50b", "starter control, two starters in parallel", terminalMemory},
		{"53", "into the wiper motor", terminalPages},
		{"53a", "wiper, parking", terminalPages},
		{"54", "brake lamps", terminalPages},
		{"55", "fog lamps", terminalPages},
		{"56", "headlamps", terminalPages},
		{"56a", "main beam", terminalPages},
		{"56b", "dipped beam", terminalPages},
		{"56d", "headlamp flash", terminalPages},
		{"57a", "parking lamps", terminalPages},
		{"57L", "parking lamps, left", terminalPages},
		{"57R", "parking lamps, right", terminalPages},
		{"58", "side, tail, number plate and panel lamps", terminalMemory},
		{"58L", "side and tail lamps, left", terminalPages},
		{"58R", "side and tail lamps, right", terminalPages},
		{"61", "charge warning lamp: live when the generator runs", terminalPages},
		{"75", "accessory: radio, cigarette lighter", terminalMemory},
		{"85", "relay coil, end towards minus", terminalMemory},
		{"86", "relay coil, end towards plus", terminalMemory},
		{"86s", "key is in the lock", terminalMakers},
		{"87", "relay contact: feed or make contact", terminalMemory},
		{"87a", "relay break contact", terminalMemory},
		{"87b", "relay, second make contact", terminalMemory},
		{"D+", "generator, to the charge warning lamp", terminalMemory},
		{"R", "key in the accessory position", terminalMakers},
		{"S", "key is in the lock", terminalMakers},
	}
)

// Terminals are all numbers that are known here, in their order.
func Terminals() []Terminal { return slices.Clone(terminals) }

// FindTerminal is what a number means. Upper and lower case differ.
func FindTerminal(number string) (Terminal, error) {
	for _, t := range terminals {
		if t.Number == number {
			return t, nil
		}
	}
	return Terminal{}, &NotInTable{"terminal numbers", fmt.Sprintf("%q", number), fmt.Sprintf("%d numbers, from %s to %s", len(terminals), terminals[0].Number, terminals[len(terminals)-1].Number)}
}
