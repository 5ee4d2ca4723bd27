package sparkplug

import (
	"strings"
	"unicode/utf8"
)

// Namespace stands before everything in a topic of Sparkplug B.
const Namespace = "spBv1.0"

// MessageType is what a message is, by its topic.
type MessageType string

// What edge nodes send, and NCmd, which they are sent.
const (
	NCmd   MessageType = "NCMD"
	NBirth MessageType = "NBIRTH"
	NDeath MessageType = "NDEATH"
	NData  MessageType = "NDATA"
	DBirth MessageType = "DBIRTH"
	DDeath MessageType = "DDEATH"
	DData  MessageType = "DDATA"
)

// Topic is a topic on which an edge node sends.
type Topic struct {
	Group  string
	Type   MessageType
	Node   string
	Device string // "" of the node itself
}

// ParseTopic takes a topic to pieces; not ok where it is none of an edge node's.
func ParseTopic(s string) (Topic, bool) {
	l := strings.Split(s, "/")
	if len(l) < 4 || len(l) > 5 || l[0] != Namespace || !utf8.ValidString(s) {
		return Topic{}, false
	}
	t := Topic{Group: l[1], Type: MessageType(l[2]), Node: l[3]}
	ofDevice := len(l) == 5
	if ofDevice {
		t.Device = l[4]
	}
	switch t.Type {
	case NBirth, NDeath, NData:
		ofDevice = !ofDevice
	case DBirth, DDeath, DData:
	default:
		return Topic{}, false
	}
	return t, ofDevice && t.Group != "" && t.Node != "" && (len(l) == 4 || t.Device != "")
}

// String returns the topic.
func (t Topic) String() string {
	s := Namespace + "/" + t.Group + "/" + string(t.Type) + "/" + t.Node
	if t.Device != "" {
		s += "/" + t.Device
	}
	return s
}

// Command is where the edge node listens for commands.
func (t Topic) Command() string { return Topic{Group: t.Group, Type: NCmd, Node: t.Node}.String() }

// Filters returns what a host application subscribes to for a group; "+" is
// every group.
func Filters(group string) (list []string) {
	for _, t := range []MessageType{NBirth, NDeath, NData} {
		list = append(list, Topic{group, t, "+", ""}.String())
	}
	for _, t := range []MessageType{DBirth, DDeath, DData} {
		list = append(list, Topic{group, t, "+", "+"}.String())
	}
	return list
}

// ValidID reports whether s can name a group, an edge node, a device or a host.
func ValidID(s string) bool {
	return s != "" && len(s) <= 256 && utf8.ValidString(s) && !strings.ContainsAny(s, "+/#\x00")
}

// StateTopic is where a host application says whether it is there.
func StateTopic(host string) string { return Namespace + "/STATE/" + host }
