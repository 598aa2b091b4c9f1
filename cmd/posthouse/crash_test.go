package main

import (
	"math/rand/v2"
	"os"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// crashRounds is how often the daemon is killed; POSTHOUSE_CRASH_ROUNDS asks for
// more.
func crashRounds(t *testing.T) int {
	v := os.Getenv("POSTHOUSE_CRASH_ROUNDS")
	if v == "" {
		return 10
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 {
		t.Fatalf("POSTHOUSE_CRASH_ROUNDS=%s: write a number", v)
	}
	return n
}

// crashSeed chooses the moments; POSTHOUSE_CRASH_SEED repeats a run.
func crashSeed(t *testing.T) uint64 {
	v := os.Getenv("POSTHOUSE_CRASH_SEED")
	if v == "" {
		return rand.Uint64()
	}
	seed, err := strconv.ParseUint(v, 10, 64)
	if err != nil {
		t.Fatalf("POSTHOUSE_CRASH_SEED=%s: write a number", v)
	}
	return seed
}

// TestKilledAtAnyMomentLosesNothing: the daemon under load is killed at random
// moments and started again. All that its writers have a confirmation for
// arrives: texts to all and direct ones at the far station, mail at the sink,
// and the acks at the writers. The window that no protocol can close, between
// send and its mark on disk, shows as duplicates, which are counted.
func TestKilledAtAnyMomentLosesNothing(t *testing.T) {
	for name, begin := range map[string]func(*testing.T, ...string) *traffic{"Mosquitto": between, "built-in broker": around} {
		t.Run(name, func(t *testing.T) {
			rounds, seed := crashRounds(t), crashSeed(t)
			random := rand.New(rand.NewPCG(seed, 0))
			x := begin(t)
			for range rounds {
				x.birch.publish(said{From: "N0QRB-9"}) // who was heard is not written down for each frame
				pause := time.NewTimer(50*time.Millisecond + time.Duration(random.Int64N(int64(600*time.Millisecond))))
				<-pause.C
				x.kill()
				x.start()
			}
			confirmed, copies := x.settle()
			t.Logf("seed %d: killed %d times, %d messages confirmed, all arrived, and %d copies beyond the first", seed, rounds, confirmed, copies)
			if most := rounds * inFlight; copies > most {
				t.Errorf("%d copies after %d kills, want at most %d", copies, rounds, most)
			}
			x.stop()
		})
	}
}

// inFlight is how much one kill may send twice: what the links have sent and not
// yet marked, since marks of finished deliveries ride along with later commits.
const inFlight = 200

// TestStandstill: the daemon is stopped for longer than its peers have patience
// (SIGSTOP), or its brokers are killed. Nothing is lost when it goes on.
func TestStandstill(t *testing.T) {
	t.Parallel()
	frozen := 3 * time.Second
	if patient() {
		frozen = time.Minute // longer than one and a half keep-alives: the brokers have given it up
	}
	freeze := func(x *traffic, meanwhile func()) {
		x.t.Helper()
		if err := x.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
			x.t.Fatal(err)
		}
		late := time.NewTimer(frozen)
		meanwhile()
		<-late.C
		if err := x.cmd.Process.Signal(syscall.SIGCONT); err != nil {
			x.t.Fatal(err)
		}
	}
	x := between(t)
	x.brokersDie = true
	for _, c := range []struct {
		name string
		do   func()
	}{
		{"frozen", func() { freeze(x, func() {}) }},
		{"frozen, and its connections are gone when it wakes", func() {
			freeze(x, func() {
				x.valley.Kill()
				x.hill.Kill()
				x.valley.Restart()
				x.hill.Restart()
			})
		}},
		{"the writers' broker killed", func() { x.valley.Kill(); x.valley.Restart() }},
		{"the far broker killed", func() { x.hill.Kill(); x.hill.Restart() }},
		{"both brokers killed", func() { x.valley.Kill(); x.hill.Kill(); x.hill.Restart(); x.valley.Restart() }},
	} {
		x.flows(5)
		c.do()
		x.flows(5)
		if t.Failed() {
			t.Fatalf("%s: it does not go on", c.name)
		}
	}
	confirmed, copies := x.settle()
	t.Logf("%d messages confirmed, all arrived, and %d copies beyond the first", confirmed, copies)
	x.stop()
}
