package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
)

// crashRounds is how often the daemon is killed; POSTHOUSE_CRASH_ROUNDS asks for
// more.
func crashRounds(t *testing.T) int {
	v := os.Getenv("POSTHOUSE_CRASH_ROUNDS")
	if v == "" {
		return 3
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
// moments and started again. All that its writers have a PUBACK for arrives:
// texts to all at the far station, direct ones there and their acks at the
// writers. The window that no protocol can close, between send and its mark on
// disk, shows as duplicates, which are counted.
func TestKilledAtAnyMomentLosesNothing(t *testing.T) {
	t.Run("Mosquitto", func(t *testing.T) {
		valley := brokertest.Mosquitto(t, "max_queued_messages 0", "max_inflight_messages 100")
		hill := brokertest.Mosquitto(t, "max_queued_messages 0", "max_inflight_messages 100")
		crash(t, valley.Addr, hill.Addr, append(mesh("valley", valley.Addr), mesh("hill", hill.Addr)...))
	})
	t.Run("built-in broker", func(t *testing.T) {
		valley, hill := freePort(t), freePort(t)
		crash(t, valley, hill, append(ownMesh("valley", valley), ownMesh("hill", hill)...))
	})
}

// writers are who keeps the gateway busy, half of them with texts to all.
const writers = 6

func crash(t *testing.T, valley, hill string, settings []string) {
	seed := crashSeed(t)
	random := rand.New(rand.NewPCG(seed, 0))
	d := newDaemon(t, append(settings, "POSTHOUSE_LINKS=valley,hill", "POSTHOUSE_RATE=10000/1s", "POSTHOUSE_LOG_LEVEL=warn",
		"POSTHOUSE_HILL_ACK_WAIT=2s", "POSTHOUSE_HILL_RESENDS=20")...)
	d.ship()
	d.start()
	birch := join(t, hill, "hill", "N0QRB-9")
	node := join(t, valley, "valley", "N0QRA-1") // one client speaks for the whole mesh
	stop := make(chan struct{})
	var load sync.WaitGroup
	crew := make([]*writer, writers)
	for i := range crew {
		crew[i] = &writer{node: node, call: fmt.Sprintf("N0QRA-%d", i+1), to: []string{"ALL", "N0QRB-9"}[i%2]}
		load.Go(func() { crew[i].work(stop) })
	}
	for range crashRounds(t) {
		birch.publish(said{From: "N0QRB-9"}) // who was heard is not written down for each frame
		pause := time.NewTimer(50*time.Millisecond + time.Duration(random.Int64N(int64(600*time.Millisecond))))
		<-pause.C
		d.kill()
		d.start()
	}
	birch.publish(said{From: "N0QRB-9"})
	close(stop)
	load.Wait()
	written, texts := 0, map[string]int{}
	for _, w := range crew {
		written += len(w.confirmed)
		if len(w.confirmed) == 0 {
			t.Errorf("%s wrote nothing", w.call)
		}
	}
	missing := func() (all []string) {
		texts = map[string]int{}
		for _, f := range birch.all(func(f said) bool { return f.Text != "" }) {
			texts[f.From+" "+f.Text]++
		}
		for _, w := range crew {
			all = append(all, w.missing(texts)...)
		}
		return all
	}
	if !becomes(2*patience, func() bool { return len(missing()) == 0 }) {
		t.Errorf("seed %d: %d of %d confirmed messages are missing: %s", seed, len(missing()), written, strings.Join(missing(), ", "))
	}
	twice := 0
	for _, n := range texts {
		twice += n - 1
	}
	t.Logf("seed %d: killed %d times, %d messages confirmed, %d arrived, %d of them again (duplicates)", seed, crashRounds(t), written, len(texts), twice)
	d.stop()
}

// writer is a station that writes one text after another.
type writer struct {
	node      *station
	call, to  string
	confirmed []string // the ids of texts that have a PUBACK
}

// work writes until it is stopped, at a pace that the brokers and the test can
// bear on the same two cores. A text without a PUBACK is said again.
func (w *writer) work(stop chan struct{}) {
	pace := time.NewTicker(10 * time.Millisecond)
	defer pace.Stop()
	for n := 1; ; n++ {
		select {
		case <-stop:
			return
		case <-pace.C:
		}
		id := strconv.Itoa(n)
		text := said{ID: id, From: w.call, To: w.to, Text: "text " + id + " of many"}
		if !becomes(patience, func() bool { t := w.node.publish(text); return t.WaitTimeout(patience) && t.Error() == nil }) {
			w.node.t.Errorf("%s: no PUBACK for %s", w.call, id)
			return
		}
		w.confirmed = append(w.confirmed, id)
	}
}

// missing lists what has not arrived, or whose ack has not come back.
func (w *writer) missing(arrived map[string]int) (all []string) {
	acked := map[string]bool{}
	for _, f := range w.node.all(func(f said) bool { return f.Ack != "" && f.To == w.call }) {
		acked[f.Ack] = true
	}
	for _, id := range w.confirmed {
		switch {
		case arrived[w.call+" text "+id+" of many"] == 0:
			all = append(all, w.call+" "+id)
		case w.to != "ALL" && !acked[id]:
			all = append(all, w.call+" "+id+"'s ack")
		}
	}
	return all
}
