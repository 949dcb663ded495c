package protocol

import (
	"fmt"
	"strings"
)

// DefaultRoot is the root of all topics unless configured otherwise.
const DefaultRoot = "keyturn"

// rootLevelsMax is the most levels a root may have.
const rootLevelsMax = 4

// versionLevel follows the root in every topic.
const versionLevel = "v1"

// CheckRoot returns an *Error unless root is one to four ids joined by slashes.
func CheckRoot(root string) error {
	levels := strings.Split(root, "/")
	if len(levels) > rootLevelsMax {
		return &Error{"topic root", fmt.Errorf("%w: %q has more than %d levels", ErrTopic, clip(root), rootLevelsMax)}
	}
	for _, l := range levels {
		if err := CheckID(l); err != nil {
			return &Error{"topic root", err}
		}
	}
	return nil
}

// Topic returns the full topic of a message of a bench. Each level in braces of
// its name takes one of the ids.
func (m Message) Topic(root, bench string, ids ...string) (string, error) {
	if err := CheckRoot(root); err != nil {
		return "", err
	}
	if err := CheckID(bench); err != nil {
		return "", &Error{"bench", err}
	}
	levels := strings.Split(m.Name, "/")
	for i, l := range levels {
		if !strings.HasPrefix(l, "{") {
			continue
		}
		if len(ids) == 0 {
			return "", &Error{m.Name, fmt.Errorf("%w: no id for %s", ErrTopic, l)}
		}
		if err := CheckID(ids[0]); err != nil {
			return "", &Error{strings.Trim(l, "{}"), err}
		}
		levels[i], ids = ids[0], ids[1:]
	}
	if len(ids) > 0 {
		return "", &Error{m.Name, fmt.Errorf("%w: more ids than levels", ErrTopic)}
	}
	return root + "/" + versionLevel + "/" + bench + "/" + strings.Join(levels, "/"), nil
}

// TopicOf returns the full topic of a document.
func TopicOf(root string, d Document) (string, error) {
	var ids []string
	if a, ok := d.(interface{ levels() []string }); ok {
		ids = a.levels()
	}
	return MessageOf(d).Topic(root, d.Head().Bench, ids...)
}

// ParseTopic takes a topic under root apart: Topic of what it returns is the same
// topic. ids are what stands for the levels in braces of the message's name. The
// *Error wraps ErrTopic or ErrID.
func ParseTopic(root, topic string) (bench string, m Message, ids []string, err error) {
	if err := CheckRoot(root); err != nil {
		return "", Message{}, nil, err
	}
	where := "topic " + clip(topic)
	rest, ok := strings.CutPrefix(topic, root+"/"+versionLevel+"/")
	if !ok {
		return "", Message{}, nil, &Error{where, fmt.Errorf("%w: want it under %s/%s/", ErrTopic, clip(root), versionLevel)}
	}
	bench, name, _ := strings.Cut(rest, "/")
	if err := CheckID(bench); err != nil {
		return "", Message{}, nil, &Error{where, err}
	}
	for _, m := range Messages() {
		if ids, ok := m.match(name); ok {
			return bench, m, ids, nil
		}
	}
	return "", Message{}, nil, &Error{where, fmt.Errorf("%w: no message %q", ErrTopic, clip(name))}
}

// match reports whether a topic below the bench's own is one of the message's, and
// the ids in it.
func (m Message) match(name string) (ids []string, ok bool) {
	want, got := strings.Split(m.Name, "/"), strings.Split(name, "/")
	if len(want) != len(got) {
		return nil, false
	}
	for i, w := range want {
		if strings.HasPrefix(w, "{") && CheckID(got[i]) == nil {
			ids = append(ids, got[i])
		} else if w != got[i] || strings.HasPrefix(w, "{") {
			return nil, false
		}
	}
	return ids, true
}

// BenchFilter is the subscription to everything of one bench; "+" for bench
// means every bench.
func BenchFilter(root, bench string) string { return root + "/" + versionLevel + "/" + bench + "/#" }

// MessageFilter is the subscription to one message of one bench, without ids in its
// topic; "+" for bench means every bench.
func MessageFilter(root, bench string, k Kind) string {
	for _, m := range Messages() {
		if m.Kind == k && !m.Result && !strings.Contains(m.Name, "{") {
			return root + "/" + versionLevel + "/" + bench + "/" + m.Name
		}
	}
	return ""
}

// ResultFilter is the subscription to every result of one bench; "+" for bench
// means every bench.
func ResultFilter(root, bench string) string {
	return root + "/" + versionLevel + "/" + bench + "/result/+"
}

// InwardFilter is the subscription to everything of a message that others publish
// for one bench.
func InwardFilter(root, bench string, k Kind) string {
	for _, m := range Messages() {
		if m.Inward && m.Kind == k {
			name, _, _ := strings.Cut(m.Name, "/")
			return root + "/" + versionLevel + "/" + bench + "/" + name + "/+"
		}
	}
	return ""
}
