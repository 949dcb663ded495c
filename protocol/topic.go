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

// Topic returns the full topic of a message of a bench.
func (m Message) Topic(root, bench string) (string, error) {
	if err := CheckRoot(root); err != nil {
		return "", err
	}
	if err := CheckID(bench); err != nil {
		return "", &Error{"bench", err}
	}
	return root + "/" + versionLevel + "/" + bench + "/" + m.Name, nil
}

// TopicOf returns the full topic of a document.
func TopicOf(root string, d Document) (string, error) {
	return MessageOf(d).Topic(root, d.Head().Bench)
}

// ParseTopic takes a topic under root apart: Topic of what it returns is the same
// topic. The *Error wraps ErrTopic or ErrID.
func ParseTopic(root, topic string) (bench string, m Message, err error) {
	if err := CheckRoot(root); err != nil {
		return "", Message{}, err
	}
	where := "topic " + clip(topic)
	rest, ok := strings.CutPrefix(topic, root+"/"+versionLevel+"/")
	if !ok {
		return "", Message{}, &Error{where, fmt.Errorf("%w: want it under %s/%s/", ErrTopic, clip(root), versionLevel)}
	}
	bench, name, _ := strings.Cut(rest, "/")
	if err := CheckID(bench); err != nil {
		return "", Message{}, &Error{where, err}
	}
	for _, m := range Messages() {
		if m.Name == name {
			return bench, m, nil
		}
	}
	return "", Message{}, &Error{where, fmt.Errorf("%w: no message %q", ErrTopic, clip(name))}
}

// BenchFilter is the subscription to everything of one bench; "+" for bench
// means every bench.
func BenchFilter(root, bench string) string { return root + "/" + versionLevel + "/" + bench + "/#" }

// ResultFilter is the subscription to every result of one bench; "+" for bench
// means every bench.
func ResultFilter(root, bench string) string {
	return root + "/" + versionLevel + "/" + bench + "/result/+"
}
