package simulation

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
)

var (
	seeds = flag.Int("seeds", 0, "how many worlds to run; 0: 300, ten with the race detector")
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
	case n == 0 && withRace:
		n = 10
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

// TestSameSeedSameStory: what happens outside of the gateways is the same in most
// runs of a seed. What is left goes by which goroutine of a gateway runs first.
func TestSameSeedSameStory(t *testing.T) {
	if withRace {
		t.Skip("the race detector shuffles what runs first, on purpose")
	}
	const n = 10
	same := 0
	for s := range uint64(n) {
		a, b := Play(t, s+1, Small, false), Play(t, s+1, Small, false)
		if slices.Equal(a.Story, b.Story) {
			same++
			continue
		}
		for i := range min(len(a.Story), len(b.Story)) {
			if a.Story[i] != b.Story[i] {
				t.Logf("seed %d: line %d of %d is\n%s\nand then\n%s", s+1, i, len(a.Story), a.Story[i], b.Story[i])
				break
			}
		}
	}
	t.Logf("%d of %d stories are the same to the nanosecond", same, n)
	if same < n/2 {
		t.Errorf("only %d of %d", same, n)
	}
}
