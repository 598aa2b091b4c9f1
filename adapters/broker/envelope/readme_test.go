package envelope

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"
)

// The published text shows the golden event, and names every type, topic and
// result.
func TestReadmeIsTrue(t *testing.T) {
	b, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	golden, err := os.ReadFile("testdata/event.golden")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(golden)) {
		if line = strings.TrimSpace(line); !strings.HasPrefix(line, "-- ") && !strings.Contains(text, line) {
			t.Errorf("README.md does not show %s", line)
		}
	}
	for kind := range readers {
		if !strings.Contains(text, "`"+kind+"`") {
			t.Errorf("README.md does not tell of %s", kind)
		}
	}
	for _, kind := range []TopicKind{InInbox, InGroup, OfPresence, OfHeard, OfTaken} {
		if !strings.Contains(text, "\n      "+string(kind)+"/") {
			t.Errorf("README.md does not tell of the topics %s/", kind)
		}
	}
	for _, result := range Results {
		if !strings.Contains(text, "`"+string(result)+"`") {
			t.Errorf("README.md does not tell of the result %s", result)
		}
	}
}

// The published text shows a key and one event that it signed: whoever copies both can
// check one with the other.
func TestTheEventInTheReadmeVerifies(t *testing.T) {
	b, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	line := func(start string) string {
		_, rest, ok := strings.Cut(string(b), "\n    "+start)
		if !ok {
			t.Fatalf("README.md shows no line that begins with %s", start)
		}
		rest, _, _ = strings.Cut(rest, "\n")
		return start + rest
	}
	key, wire := line(`{"kid":`), line(`{"payload":`)
	trust, err := ParseTrust([]byte(key))
	if err != nil {
		t.Fatal(err)
	}
	want := Want{Root: "posthouse/1", Topic: "posthouse/1/in/N0QRB-10", Own: "N0QRB-10", Now: time.Date(2026, 11, 25, 14, 6, 0, 0, time.UTC), ClockTrusted: true}
	r, err := Open([]byte(wire), trust, want)
	if err != nil {
		t.Fatal(err)
	}
	if r.Source != "N0QRA-10" || !r.Listed {
		t.Errorf("it is by %s, listed %v", r.Source, r.Listed)
	}
	if _, err := Open([]byte(strings.Replace(wire, "2.1 m", "2.2 m", 1)), trust, want); !errors.Is(err, ErrSignature) {
		t.Errorf("altered in one byte: %v", err)
	}
}
