package simulation

import (
	"flag"
	"fmt"
	"maps"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
)

var (
	seeds = flag.Int("seeds", 0, "how many worlds to run; 0: 300, eight with the race detector")
	from  = flag.Uint64("from", 1, "the first seed")
	first = flag.Bool("first", false, "stop at the first fault")
	seed  = flag.Uint64("seed", 0, "run this world alone; with -v its story is told")
	logs  = flag.Bool("logs", false, "with -seed and -v: the gateways' logs, too")
)

// TestSeeds runs worlds, each from its seed, and wants all invariants to hold.
func TestSeeds(t *testing.T) {
	begin, n := *from, *seeds
	switch {
	case *seed != 0:
		begin, n = *seed, 1
	case n == 0 && withRace: // of each kind one
		n = 8
	case n == 0:
		n = 300
	}
	for i := range n {
		s := begin + uint64(i)
		t.Run(fmt.Sprint(s), func(t *testing.T) {
			if !*first {
				t.Parallel()
			}
			play(t, s, Small)
		})
		if *first && t.Failed() {
			return
		}
	}
}

// TestTensOfGatewaysHundredsOfStations runs large worlds.
func TestTensOfGatewaysHundredsOfStations(t *testing.T) {
	if os.Getenv("POSTHOUSE_LONG") == "" {
		t.Skip("takes a minute: set POSTHOUSE_LONG=1")
	}
	play(t, max(*seed, *from), Large)
}

// play runs one world and says what must not be.
func play(t *testing.T, seed uint64, size Size) {
	r := Play(t, seed, size, *logs)
	if testing.Verbose() && flag.Lookup("seed").Value.String() != "0" {
		fmt.Println(strings.Join(r.Story, "\n"))
		for call, log := range r.Logs {
			fmt.Printf("== log of %s\n%s", call, log)
		}
	}
	if len(r.Faults) > 0 {
		t.Errorf("seed %d:\n%s", seed, strings.Join(r.Faults, "\n"))
	}
	t.Log(r.Lived, r.Counts)
}

// TestSameSeedSameStory: a seed repeats its run to the nanosecond and the letter,
// on however many processors, and whichever goroutine the scheduler prefers.
func TestSameSeedSameStory(t *testing.T) {
	n := 12
	switch {
	case *seeds > 0:
		n = *seeds
	case withRace: // which shuffles what runs first, on purpose
		n = 2
	}
	for i := range n {
		s := *from + uint64(i)
		a := playOn(t, s, 1)
		if b := playOn(t, s, 2); !slices.Equal(a.Story, b.Story) {
			t.Errorf("seed %d: %s", s, firstDifference(a.Story, b.Story))
		} else if !slices.Equal(a.Faults, b.Faults) || !maps.Equal(a.Counts, b.Counts) {
			t.Errorf("seed %d: one story, and two verdicts:\n%q %v\n%q %v", s, a.Faults, a.Counts, b.Faults, b.Counts)
		} else if a.Turns != b.Turns {
			t.Errorf("seed %d: one story, but somebody took his turn elsewhere: another time the stories may differ", s)
		}
	}
}

// playOn runs a world on so many processors.
func playOn(t *testing.T, seed uint64, processors int) *Report {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(processors))
	return Play(t, seed, Small, false)
}

func firstDifference(a, b []string) string {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return fmt.Sprintf("line %d is\n%s\nand then\n%s", i, a[i], b[i])
		}
	}
	return fmt.Sprintf("it has %d lines, and then %d", len(a), len(b))
}
