package envelope

import (
	"os"
	"strings"
	"testing"
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
