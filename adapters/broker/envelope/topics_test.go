package envelope

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestTopics(t *testing.T) {
	for want, topic := range map[string]Topic{
		"posthouse/1/in/N0QRA-10":                 Inbox("N0QRA-10"),
		"posthouse/1/in/DL%2FN0QRC%2FP-7":         Inbox("DL/N0QRC/P-7"),
		"posthouse/1/group/ALL":                   Group("ALL"),
		"posthouse/1/bridge/valley/N0QRA-10":      PresenceAt("valley", "N0QRA-10"),
		"posthouse/1/heard/DL%2FN0QRC-7/N0QRA-10": HeardAt("DL/N0QRC-7", "N0QRA-10"),
		"posthouse/1/taken/valley":                TakenAt("valley"),
	} {
		if got, err := topic.Under(root); err != nil || got != want {
			t.Errorf("%+v: got %q, %v, want %q", topic, got, err, want)
		}
		if got, err := ParseTopic(root, want); err != nil || got != topic {
			t.Errorf("%q: got %+v, %v, want %+v", want, got, err, topic)
		}
	}
}

func TestFilters(t *testing.T) {
	for want, get := range map[string]func() (string, error){
		"posthouse/1/bridge/+/+":             func() (string, error) { return EveryPresence(root), nil },
		"posthouse/1/bridge/valley/+":        func() (string, error) { return PresenceOf(root, "valley") },
		"posthouse/1/heard/DL%2FN0QRC-7/+":   func() (string, error) { return HeardOf(root, "DL/N0QRC-7") },
		"no filter of a mesh with wildcards": func() (string, error) { return PresenceOf(root, "+") },
		"no filter of every station":         func() (string, error) { return HeardOf(root, "#") },
	} {
		got, err := get()
		if refused := strings.HasPrefix(want, "no "); (err != nil) != refused || !refused && got != want {
			t.Errorf("got %q, %v, want %q", got, err, want)
		}
	}
}

// No wildcard, no empty level, nothing that names two topics (MQTT 3.1.1
// section 4.7), however it gets in.
func TestNoTopics(t *testing.T) {
	for _, topic := range []Topic{
		{}, Inbox(""), Inbox("+"), Inbox("#"), Inbox("n0qra-10"), Inbox("N0QRA-0"), Inbox("N0QRA%2FP"), Inbox("N0QRA\x00"),
		{Kind: InInbox, Name: "N0QRA-10", Gateway: "N0QRB-10"}, Group(""), Group("all"), Group("#"), Group("N0QRA"), Group("A/B"),
		Group(strings.Repeat("A", 17)), PresenceAt("+", "N0QRA-10"), PresenceAt("a/b", "N0QRA-10"), PresenceAt("valley", ""),
		PresenceAt("valley", "+"), PresenceAt("vällig", "N0QRA-10"), HeardAt("+", "N0QRA-10"), HeardAt("N0QRA-7", "#"), TakenAt(""), TakenAt("#"),
		TakenAt(strings.Repeat("a", 33)), {Kind: "out", Name: "N0QRA-10"},
	} {
		if got, err := topic.Under(root); err == nil {
			t.Errorf("%+v becomes %q", topic, got)
		}
	}
	for _, bad := range []string{"", "/", "a/", "/a", "$SYS", "a/+", "#", "a\x00", "a\n", "a\x7f", "a\u0085", "\xff", strings.Repeat("a", 1025)} {
		if got, err := Inbox(gatewayA).Under(bad); err == nil {
			t.Errorf("root %q becomes %q", bad, got)
		}
	}
	for _, s := range []string{
		"", root, root + "/", root + "/in", root + "/in/", root + "/in//N0QRA-10", root + "/in/N0QRA-10/", root + "/in/DL/N0QRC-10",
		root + "/in/DL%2fN0QRC-10", root + "/in/%4E0QRA-10", root + "/heard/N0QRA-7", root + "/heard/N0QRA-7/N0QRA-10/x", root + "/taken/valley/",
		root + "/out/N0QRA-10", "/" + root + "/in/N0QRA-10", root + "x/in/N0QRA-10", "x" + root + "/in/N0QRA-10", root + "/heard/+/N0QRA-10",
	} {
		if topic, err := ParseTopic(root, s); err == nil {
			t.Errorf("%q is read as %+v", s, topic)
		}
	}
}

// FuzzTopic: what is read is written the same again, and has no wildcard.
func FuzzTopic(f *testing.F) {
	f.Add(root, root+"/heard/DL%2FN0QRC-7/N0QRA-10")
	f.Add("a", "a/group/ALL")
	f.Fuzz(func(t *testing.T, root, s string) {
		topic, err := ParseTopic(root, s)
		if err != nil {
			return
		}
		if again, err := topic.Under(root); err != nil || again != s || strings.ContainsAny(s, "+#\x00") {
			t.Fatalf("%q is %+v, written again %q, %v", s, topic, again, err)
		}
	})
}

func TestTopicsOfEventsKeepTheirNames(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		_, topic := genBody(t)
		s, err := topic.Under(root)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := ParseTopic(root, s); err != nil || got != topic {
			t.Fatalf("%q is read as %+v, %v", s, got, err)
		}
	})
}
