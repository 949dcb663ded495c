package handbook

import (
	"fmt"
	"strings"
)

// Standing says how a value came into its table.
type Standing string

// The standings, best first.
const (
	// Published was read in the document, or in what ReadIn names.
	Published Standing = "published"
	// WorkedExample was taken from figures that a publication works out.
	WorkedExample Standing = "worked example"
	// CommonPractice is what the trade does; no standard prescribes it.
	CommonPractice Standing = "common practice"
	// FromMemory was recalled, and confirmed on no page.
	FromMemory Standing = "value from memory"
)

// Source is where a value comes from.
type Source struct {
	Document string // standard or publication; empty where there is none
	Place    string // clause, table or figure, where known
	ReadIn   string // what was read, where it was not the document itself
	Standing Standing
}

// String is the source as it is printed beside a value. It names no maker.
func (s Source) String() string {
	if s.Document == "" {
		return string(s.Standing) + ", no published source"
	}
	words := []string{s.Document}
	if s.Place != "" {
		words = append(words, s.Place)
	}
	if s.ReadIn != "" {
		words = append(words, "as given by "+s.ReadIn)
	}
	text := strings.Join(words, ", ")
	if s.Standing != Published {
		text += " (" + string(s.Standing) + ")"
	}
	return text
}

// NotInTable is the error of a question that a table does not answer.
type NotInTable struct {
	Table string // what was looked up
	Asked string // with its unit
	Has   string // what the table has, with its unit
}

// Error says what was asked and what there is.
func (e *NotInTable) Error() string {
	return fmt.Sprintf("%s: %s is not in the table, which has %s", e.Table, e.Asked, e.Has)
}
