package mqtt

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"throwline/ingest"
)

// Kind is what a message should hold, told by its topic.
type Kind uint8

const (
	Unknown    Kind = iota // a topic that names no cabinet, or no turnout, as it should
	Throw                  // one throw of the topic's turnout
	State                  // the cabinet is there, or is not
	Conditions             // what the cabinet measured of its surroundings
	Mapped                 // of a further topic: what a cabinet that cannot be changed sends
)

// String returns the topic's word for the kind, or "unknown".
func (k Kind) String() string {
	switch k {
	case Throw:
		return "throw"
	case State:
		return "state"
	case Conditions:
		return "conditions"
	case Mapped:
		return "mapped"
	}
	return "unknown"
}

// DefaultPrefix stands before the cabinet in every topic, unless something
// else is configured.
const DefaultPrefix = "throwline/v1"

// ThrowTopic is where the cabinet sends the turnout's throws.
func ThrowTopic(prefix, cabinet, turnout string) string {
	return prefix + "/" + cabinet + "/throw/" + turnout
}

// StateTopic is where the cabinet, or the broker for it, says whether it is there.
func StateTopic(prefix, cabinet string) string { return prefix + "/" + cabinet + "/state" }

// ConditionsTopic is where the cabinet sends what it measures of its surroundings.
func ConditionsTopic(prefix, cabinet string) string { return prefix + "/" + cabinet + "/conditions" }

// ReceiptTopic is where the cabinet reads which of its throws are stored.
func ReceiptTopic(prefix, cabinet string) string { return prefix + "/" + cabinet + "/receipt" }

// ParseTopic takes a topic to pieces. turnout is "" but for a throw. It is not
// ok where the topic does not stand under the prefix, is none that a cabinet
// sends to, or has a name that is no valid name.
func ParseTopic(prefix, topic string) (kind Kind, cabinet, turnout string, ok bool) {
	rest, ok := strings.CutPrefix(topic, prefix)
	if !ok || rest == "" || rest[0] != '/' {
		return Unknown, "", "", false
	}
	cabinet, rest, _ = strings.Cut(rest[1:], "/")
	if !ingest.ValidName(cabinet) {
		return Unknown, "", "", false
	}
	switch rest {
	case "state":
		return State, cabinet, "", true
	case "conditions":
		return Conditions, cabinet, "", true
	}
	turnout, ok = strings.CutPrefix(rest, "throw/")
	if !ok || !ingest.ValidName(turnout) {
		return Unknown, "", "", false
	}
	return Throw, cabinet, turnout, true
}

// filters returns what is subscribed to.
func filters(prefix string) []string {
	return []string{ThrowTopic(prefix, "+", "+"), StateTopic(prefix, "+"), ConditionsTopic(prefix, "+")}
}

// CheckPrefix says what is wrong with a prefix of topics.
func CheckPrefix(prefix string) error {
	switch {
	case prefix == "":
		return errors.New("prefix: expected a topic, found nothing")
	case strings.ContainsAny(prefix, "+#\x00") || !utf8.ValidString(prefix):
		return fmt.Errorf("prefix: expected a topic without + and #, found %q", prefix)
	case strings.HasPrefix(prefix, "/") || strings.HasSuffix(prefix, "/"):
		return fmt.Errorf("prefix: expected no / at its ends, found %q", prefix)
	case len(prefix) > 1024:
		return fmt.Errorf("prefix: expected at most 1024 bytes, found %d", len(prefix))
	}
	return nil
}
