package picture

// Colour is one of the colours that a page may set.
type Colour struct {
	Property string // the CSS custom property
	Light    string // what is drawn where the page does not set it; prints on white
	Dark     string // what suits a dark page
	About    string
}

// Colours lists the custom properties of a page's style that pictures follow. A
// page that sets them for a dark screen does so within @media screen, so that it
// still prints black on white.
func Colours() []Colour {
	return []Colour{
		{"--kt-ink", "#16191d", "#eceff2", "text, changes of state"},
		{"--kt-soft", "#4d5661", "#b4bec9", "lesser text, no volts, hatching"},
		{"--kt-paper", "#ffffff", "#14181c", "the ground, halos"},
		{"--kt-live", "#1f4f78", "#8cc0ea", "live"},
		{"--kt-live-ink", "#ffffff", "#0d1a26", "text on live"},
		{"--kt-key-1", "#f2f3f5", "#1d2227", "key at accessory"},
		{"--kt-key-2", "#e6e9ec", "#272d34", "key at on"},
		{"--kt-key-3", "#cdd3da", "#3d4651", "key at start"},
		{"--kt-volts", "#83460c", "#f2b877", "the battery's voltage"},
		{"--kt-grid", "#c3c9d0", "#434c56", "grid, edges of the key's bands"},
	}
}

// colour writes a colour as a presentation attribute takes it: any rule of the
// page's style wins over it.
func colour(name string) string {
	for _, c := range Colours() {
		if c.Property == "--kt-"+name {
			return "var(" + c.Property + ", " + c.Light + ")"
		}
	}
	return "none"
}
