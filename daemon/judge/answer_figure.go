package judge

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

// This file reads figures as people write them.

// number is one number at the beginning of a text; what follows is its unit.
var number = regexp.MustCompile(`^[+\-−]?(\d+(?:[.,]\d+)*|[.,]\d+)`)

// thousands is a figure whose comma may be a decimal sign as well as a mark of
// thousands.
var thousands = regexp.MustCompile(`^[1-9]\d{0,2},\d{3}$`)

// digitsMost is the longest number, in characters.
const digitsMost = 16

// figure is a number as written; whole without a fraction.
type figure struct {
	v     float64
	whole bool
}

// readNumber reads the number that a text begins with, and returns what stands behind it.
func readNumber(whole, text string) (f figure, unit string, err error) {
	m := number.FindString(text)
	digits := strings.TrimLeft(m, "+-−")
	switch {
	case m == "":
		return f, "", unclear(whole, "which figure? write it like 12.4 V or 350 ms")
	case len(m) > digitsMost:
		return f, "", unclear(whole, "that is more than anybody measures; how many digits does the meter show?")
	case strings.Count(digits, ".")+strings.Count(digits, ",") > 1:
		return f, "", unclear(whole, "which of the signs is the decimal one? write no mark of thousands")
	case thousands.MatchString(digits):
		return f, "", unclear(whole, "is the comma a decimal sign? write %s or %s", strings.Replace(digits, ",", ".", 1), strings.Replace(digits, ",", "", 1))
	}
	point := strings.Replace(digits, ",", ".", 1)
	v, err := strconv.ParseFloat(point, 64)
	if err != nil {
		return f, "", unclear(whole, "which figure? write it like 12.4 V or 350 ms")
	}
	if m[0] == '-' || strings.HasPrefix(m, "−") {
		return f, "", unclear(whole, "less than nothing? write what the meter shows with its leads the right way round, or the time after key-off")
	}
	return figure{v, !strings.Contains(point, ".")}, strings.TrimSpace(text[len(m):]), nil
}

// readVolts reads a voltage; a bare number is volts.
func readVolts(text string) (*float64, error) {
	clean := strings.TrimSpace(strings.ReplaceAll(text, "\u00a0", " "))
	f, unit, err := readNumber(text, clean)
	if err != nil {
		return nil, err
	}
	switch strings.TrimRight(unit, ".") {
	case "", "V", "v", "volt", "volts", "Volt", "Volts":
		return &f.v, nil
	case "mV", "mv", "millivolt", "millivolts":
		v := f.v / 1000
		return &v, nil
	case "MV", "Mv":
		return nil, unclear(text, "millivolts? write mV")
	}
	return nil, unclear(text, "volts or millivolts? write one figure and its unit, like 12.4 V or 85 mV")
}

// unitS is how many seconds a unit of time has; 0: it is none.
func unitS(unit string) float64 {
	switch unit {
	case "ms", "msec", "millisecond", "milliseconds":
		return 1e-3
	case "s", "sec", "secs", "second", "seconds":
		return 1
	case "min", "mins", "minute", "minutes":
		return 60
	case "h", "hour", "hours":
		return 3600
	}
	return 0
}

func afterWords() []phrase[After] {
	return []phrase[After]{
		{After{AtOnce: true}, []string{"at once", "immediately", "instantly", "straight away", "with the key"}},
		{After{Open: true}, []string{"never", "stays on", "never goes off", "stays live", "does not go off", "always on", "permanent", "still on", "still live"}},
	}
}

// readAfter reads a time after key-off.
func readAfter(text, words string) (*After, error) {
	if a, ok := meaning(afterWords(), words); ok {
		return &a, nil
	}
	rest := strings.ToLower(strings.TrimSpace(strings.ReplaceAll(text, "\u00a0", " ")))
	if strings.HasPrefix(rest, "<") || strings.HasPrefix(words, "less than") || strings.HasPrefix(words, "under") {
		return nil, unclear(text, "how long then? write the time, or at once")
	}
	var a After
	for _, open := range []string{"still on after ", "still live after ", "more than ", "at least ", "longer than ", "over ", ">=", "≥", ">"} {
		if after, ok := strings.CutPrefix(rest, open); ok {
			a.Open, rest = true, strings.TrimSpace(after)
			break
		}
	}
	s, err := readSeconds(text, rest)
	if a.S = s; a.Open && s == 0 && err == nil {
		return nil, unclear(text, "still on after how long? write the time, or never")
	}
	return &a, err
}

var unitAt = regexp.MustCompile(`^[a-z]+`)

// readSeconds reads a time of one unit or more: "4 min 10 s".
func readSeconds(whole, text string) (sum float64, err error) {
	const how = "write the figure with its unit, like 0.35 s, 350 ms, 4 min 10 s"
	larger, fraction := math.Inf(1), false // the unit before
	for rest := text; rest != ""; {
		n, behind, err := readNumber(whole, rest)
		if err != nil {
			return 0, err
		}
		unit := unitAt.FindString(behind)
		s := unitS(unit)
		switch {
		case strings.HasPrefix(behind, ":"):
			return 0, unclear(whole, "minutes and seconds, or hours and minutes? write 4 min 10 s")
		case behind == "":
			return 0, unclear(whole, "seconds, milliseconds or minutes? %s", how)
		case unit == "m":
			return 0, unclear(whole, "minutes or milliseconds? write min or ms")
		case s == 0:
			return 0, unclear(whole, "what unit is that? %s", how)
		case s >= larger || n.v*s >= larger:
			return 0, unclear(whole, "how long is that? write the larger unit first, and less than a whole one of it behind")
		case fraction:
			return 0, unclear(whole, "a fraction, and more behind it? %s", how)
		}
		sum, larger, fraction = sum+n.v*s, s, !n.whole
		rest = without(strings.TrimSpace(behind[len(unit):]), ",", " ", "and ")
	}
	if math.IsInf(larger, 1) {
		return 0, unclear(whole, "how long? %s", how)
	}
	return sum, nil
}
