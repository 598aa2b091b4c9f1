package main

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

// The demo is the first thing that a stranger runs: it has to tell each story
// and end well, in less than the 20 s that people wait.
func TestDemoTellsEachStory(t *testing.T) {
	if testing.Short() {
		t.Skip("two gateways listen some seconds whether they are alone")
	}
	var out, errs bytes.Buffer
	begin := time.Now()
	if code := run([]string{"demo"}, streams{nil, &out, &errs}, nil); code != 0 {
		t.Fatalf("exit %d\n%s\n%s", code, out.String(), errs.String())
	}
	for _, s := range stories {
		if !strings.Contains(out.String(), s.title) {
			t.Errorf("the table has no line %q", s.title)
		}
	}
	if !strings.Contains(out.String(), "0 missing") {
		t.Errorf("the demo does not say that nothing is missing:\n%s", out.String())
	}
	if took := time.Since(begin); took > time.Minute {
		t.Errorf("the demo took %v", took)
	}
}
