package envelope

import (
	"fmt"
	"strings"
)

// TopicKind is the first level below the root.
type TopicKind string

// The kinds of topics. Events in an inbox or a group are passing; the others
// are states, published retained by one writer each.
const (
	InInbox    TopicKind = "in"     // in/CALL: what one gateway gets
	InGroup    TopicKind = "group"  // group/GROUP: what every gateway gets that carries the group
	OfPresence TopicKind = "bridge" // bridge/MESH/CALL: a gateway is alive
	OfHeard    TopicKind = "heard"  // heard/STATION/CALL: a gateway hears a station
	OfTaken    TopicKind = "taken"  // taken/MESH: what the mesh's gateways have in hand, and hear
)

// Topic is a topic below the root. The names are plain: a call sign's slash is
// escaped only in the string.
type Topic struct {
	Kind    TopicKind
	Name    string // call sign of the gateway, group, mesh or station
	Gateway string // the writer, for OfPresence and OfHeard
}

// Inbox is where a gateway gets what is for it alone.
func Inbox(call string) Topic { return Topic{Kind: InInbox, Name: call} }

// Group is where a group's texts go.
func Group(name string) Topic { return Topic{Kind: InGroup, Name: name} }

// PresenceAt is where a gateway says that it serves a mesh.
func PresenceAt(mesh, gateway string) Topic {
	return Topic{Kind: OfPresence, Name: mesh, Gateway: gateway}
}

// HeardAt is where a gateway says that it hears a station.
func HeardAt(station, gateway string) Topic {
	return Topic{Kind: OfHeard, Name: station, Gateway: gateway}
}

// TakenAt is where a mesh's gateways say what they have in hand.
func TakenAt(mesh string) Topic { return Topic{Kind: OfTaken, Name: mesh} }

// Under writes the whole topic. It fails when a name is none of its kind, so no
// wildcard ever gets into a topic.
func (t Topic) Under(root string) (string, error) {
	if err := t.check(root); err != nil {
		return "", err
	}
	s := root + "/" + string(t.Kind) + "/" + escape(t.Name)
	if t.Gateway != "" {
		s += "/" + escape(t.Gateway)
	}
	return s, nil
}

// ParseTopic takes a whole topic apart; the inverse of Under.
func ParseTopic(root, topic string) (Topic, error) {
	below, ok := strings.CutPrefix(topic, root+"/")
	if !ok {
		return Topic{}, fmt.Errorf("topic %q is not below %q", clip(topic), root)
	}
	levels := strings.Split(below, "/")
	if len(levels) < 2 || len(levels) > 3 {
		return Topic{}, fmt.Errorf("topic %q has %d levels below the root", clip(topic), len(levels))
	}
	t := Topic{Kind: TopicKind(levels[0]), Name: unescape(levels[1])}
	if len(levels) == 3 {
		t.Gateway = unescape(levels[2])
	}
	if whole, err := t.Under(root); err != nil || whole != topic { // %2f, or an empty level
		return Topic{}, fmt.Errorf("topic %q is none of the trunk's", clip(topic))
	}
	return t, nil
}

// The filters to subscribe to, where one topic is not enough.

// EveryPresence matches the presence of all gateways.
func EveryPresence(root string) string { return root + "/" + string(OfPresence) + "/+/+" }

// PresenceOf matches the presence of the gateways of one mesh.
func PresenceOf(root, mesh string) (string, error) {
	return siblings(root, Topic{Kind: OfPresence, Name: mesh, Gateway: filler})
}

// PresenceBy matches the presence of one gateway, on all its meshes.
func PresenceBy(root, gateway string) (string, error) {
	t := PresenceAt(anyMesh, gateway)
	s, err := t.Under(root)
	if err != nil {
		return "", err
	}
	return strings.Replace(s, "/"+anyMesh+"/", "/+/", 1), nil
}

// anyMesh stands for any mesh in a filter that is made of a topic.
const anyMesh = "-any-"

// HeardOf matches what all gateways say of one station.
func HeardOf(root, station string) (string, error) {
	return siblings(root, Topic{Kind: OfHeard, Name: station, Gateway: filler})
}

// filler stands for any gateway; it is never part of a topic.
const filler = "N0CALL"

// siblings turns the last level of a topic into a wildcard.
func siblings(root string, t Topic) (string, error) {
	s, err := t.Under(root)
	if err != nil {
		return "", err
	}
	return strings.TrimSuffix(s, filler) + "+", nil
}

func (t Topic) check(root string) error {
	if !isRoot(root) {
		return fmt.Errorf("%q cannot be the root of the trunk's topics", clip(root))
	}
	ok := false
	switch t.Kind {
	case InInbox:
		ok = isCall(t.Name) && t.Gateway == ""
	case InGroup:
		ok = isGroup(t.Name) && t.Gateway == ""
	case OfPresence:
		ok = isMesh(t.Name) && isCall(t.Gateway)
	case OfHeard:
		ok = isCall(t.Name) && isCall(t.Gateway)
	case OfTaken:
		ok = isMesh(t.Name) && t.Gateway == ""
	}
	if !ok {
		return fmt.Errorf("%q with %q and %q is no topic of the trunk", clip(string(t.Kind)), clip(t.Name), clip(t.Gateway))
	}
	return nil
}

// escape keeps a call sign in one level. Call signs are the only names with a
// slash, and no name has a percent sign.
func escape(name string) string { return strings.ReplaceAll(name, "/", "%2F") }

func unescape(level string) string { return strings.ReplaceAll(level, "%2F", "/") }

// isRoot tells whether s can stand before the trunk's topics: no wildcard, no
// leading $ (MQTT 3.1.1 section 4.7), no control character (CloudEvents).
func isRoot(s string) bool {
	for _, r := range s {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == '+' || r == '#' || r == '\uFFFD' {
			return false
		}
	}
	return s != "" && len(s) <= 1024 && s[0] != '$' && s[0] != '/' && s[len(s)-1] != '/'
}

// isGroup tells whether s is a group's name: 1 to 16 capitals and digits, and no
// call sign.
func isGroup(s string) bool {
	for i := range len(s) {
		if ch := s[i]; !(ch >= 'A' && ch <= 'Z' || ch >= '0' && ch <= '9') {
			return false
		}
	}
	return s != "" && len(s) <= 16 && !isCall(s)
}

// isMesh tells whether s is a mesh's name: 1 to 32 letters, digits, - and _.
func isMesh(s string) bool {
	for i := range len(s) {
		ch := s[i]
		if !(ch >= 'a' && ch <= 'z' || ch >= 'A' && ch <= 'Z' || ch >= '0' && ch <= '9' || ch == '-' || ch == '_') {
			return false
		}
	}
	return s != "" && len(s) <= 32
}
