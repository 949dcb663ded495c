package dashboard

import (
	"keyturn/daemon/judge"
	"keyturn/daemon/report"
)

// few reports whether a question has so few answers that one of them is pressed. A feed has
// too many reasons for that.
func few(q *judge.Question) bool { return q.Asks != judge.AsksFeed && len(judge.Choices(q)) > 0 }

// chosenFrom are the answers to press. The last leaves a question open, for what was
// pressed cannot be let go of.
func chosenFrom(q *judge.Question) (out []option) {
	for _, word := range judge.Choices(q) {
		out = append(out, option{word, report.Choice(q, word)})
	}
	return append(out, option{"", "not known yet"})
}

// choice is the one of a question's few answers that a text says, in whatever words; the
// text itself where it says none of them.
func choice(q *judge.Question, text string) string {
	said, err := q.Read(text)
	if err != nil || said.Blank {
		return typed(text, false)
	}
	for _, word := range judge.Choices(q) {
		if x, err := q.Read(word); err == nil && x.Behaviour == said.Behaviour && x.Side == said.Side && x.Yes == said.Yes {
			return word
		}
	}
	return text
}
