package picture

import (
	"bytes"
	"encoding/xml"
	"strings"
	"unicode"
	"unicode/utf8"
)

// longest is how many characters of one text from a document are drawn at most,
// so that a hostile legend makes no hostile picture.
const longest = 400

// longestStory is the same for the words that stand for a whole picture.
const longestStory = 4000

// clean is printable, cut to the longest text drawn.
func clean(s string) string { return cleanTo(s, longest) }

func cleanTo(s string, most int) string {
	n := 0
	for i := range s {
		if n++; n > most {
			return printable(s[:i]) + "…"
		}
	}
	return printable(s)
}

// printable makes one printable line of a text from a document. Control characters
// would break the XML; those that turn the direction of writing would make
// another text of the words beside it.
func printable(s string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case r == '\u00a0':
			b.WriteRune(r)
		case unicode.IsSpace(r):
			b.WriteRune(' ')
		case unicode.IsControl(r), unicode.Is(unicode.Cf, r), r == 0xFFFE, r == 0xFFFF:
			b.WriteRune('\uFFFD')
		default:
			b.WriteRune(r)
		}
	}
	return strings.TrimSpace(b.String())
}

// escaped writes a text as XML takes it, in an element or a quoted attribute.
func escaped(s string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(s)) // a bytes.Buffer never fails
	return b.String()
}

// wide estimates how wide a text is drawn, rather too wide than too narrow: the
// font is the reader's and not known here.
func wide(s string, size float64) float64 {
	var em float64
	for _, r := range s {
		switch {
		case strings.ContainsRune("iljtfrI.,:;'|!()[] ", r):
			em += 0.36
		case r >= 0x1100:
			em++
		case unicode.IsUpper(r), r == 'm', r == 'w', r == '%', r == '±':
			em += 0.78
		default:
			em += 0.58
		}
	}
	return em * size
}

// bold is how much wider a bold text is.
const bold = 1.12

// fit shortens a text to a width; what is cut is told by an ellipsis.
func fit(s string, size, width float64) string {
	if wide(s, size) <= width {
		return s
	}
	for s != "" {
		_, n := utf8.DecodeLastRuneInString(s)
		s = s[:len(s)-n]
		if t := strings.TrimRight(s, " ,;:(") + "…"; wide(t, size) <= width {
			return t
		}
	}
	return ""
}

// wrap breaks a text into at most so many lines of a width; the last is cut
// where more remains.
func wrap(s string, size, width float64, most int) []string {
	var lines []string
	words := strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) // not at a no-break space
	for len(words) > 0 && len(lines) < most {
		n := 1
		for n < len(words) && wide(strings.Join(words[:n+1], " "), size) <= width {
			n++
		}
		if len(lines) == most-1 {
			n = len(words)
		}
		lines = append(lines, fit(strings.Join(words[:n], " "), size, width))
		words = words[n:]
	}
	return lines
}
