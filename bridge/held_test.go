package bridge_test

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"posthouse/adapters/memory"
	"posthouse/bridge"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/metrics"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// slowStore does something between a text's routing and its commit.
type slowStore struct {
	queue.Store
	meanwhile func()
}

func (s *slowStore) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	for _, op := range ops {
		if op.New != nil && s.meanwhile != nil {
			do := s.meanwhile
			s.meanwhile = nil
			do()
		}
	}
	return s.Store.Apply(ctx, ops...)
}

// A station that is heard while a text for it is on its way to the disk gets it
// at once: the clerk, who looked before it was there, looks again.
func TestHeardBetweenRoutingAndCommit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg, findings := config.Load(settings(), config.Hooks{})
		if config.HasErrors(findings) {
			t.Fatal(findings)
		}
		bolt, err := boltstore.Open(filepath.Join(t.TempDir(), "queue.db"), boltstore.Options{NoSync: true, MinFree: -1})
		if err != nil {
			t.Fatal(err)
		}
		w := &world{t: t, cfg: cfg, links: map[string]*memory.Link{}, store: bolt}
		ways := map[string]link.Link{}
		for _, l := range cfg.Links {
			w.links[l.Name] = memory.New(properties(&l))
			ways[l.Name] = w.links[l.Name]
		}
		store := &slowStore{Store: bolt}
		w.bridge, err = bridge.New(t.Context(), bridge.Options{
			Config: cfg, Links: ways, Store: store, Log: slog.New(slog.DiscardHandler),
			Clock: clock.New(clock.Saved{}, time.Now, func() bool { return true }),
			Meter: metrics.New(prometheus.NewRegistry(), nil, link.Codes),
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- w.bridge.Run(ctx) }()
		synctest.Wait()
		store.meanwhile = func() {
			m := message.Message{Kind: message.Beacon, From: "N0QRB-9", Messaging: true}
			if _, err := w.links["hill"].Hear(ctx, m); err != nil {
				t.Error(err)
			}
			time.Sleep(time.Second) // the clerk has looked
		}
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "are you there")
		w.want(w.gets("hill", time.Second), "text N0QRA-7>N0QRB-9 are you there")
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		if err := bolt.Close(); err != nil {
			t.Error(err)
		}
	})
}

// A thousand texts may wait for a station that nobody has heard: one more costs no
// look at all of them.
func TestOneMoreHeldCostsNoLookAtTheOthers(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_RATE=1000/10m"}, func(t *testing.T, w *world) {
		const texts = 200
		for i := range texts {
			w.says("valley", "N0QRA-7", "N0QRX-9", fmt.Sprint(i), fmt.Sprintf("are you there, %d", i))
			time.Sleep(time.Second)
		}
		if got := w.read.Load(); got > 5*texts {
			t.Errorf("%d texts that are held had %d records read", texts, got)
		}
	})
}

// What is held is tried once more each time its station is heard, and not each time
// another text for it has had its round: two that nobody acknowledged set each other off
// until their lifetimes ended.
func TestTextsHeldForOneStationDoNotSetEachOtherOff(t *testing.T) {
	inCountry(t, []string{"N0QRA-10 valley coast", "N0QRB-10 hill"}, func(t *testing.T, c *country) {
		valley := c.airs["valley"]
		valley.beacon(birch)
		valley.silence(birch, true)
		for _, id := range []string{"1", "2", "3"} {
			c.airs["coast"].says(alder, birch, id, "text "+id)
			time.Sleep(5 * time.Minute)
		}
		time.Sleep(time.Hour)
		if n := count(valley.told(birch), "text"); n != 9 {
			t.Errorf("three texts with two resends each went out %d times", n)
		}
		c.posts["N0QRB-10"].restart() // a gateway that goes and comes is no word of the station
		time.Sleep(20 * time.Minute)
		if n := count(valley.told(birch), "text"); n != 9 {
			t.Errorf("a gateway came, and they had gone out %d times", n)
		}
		valley.beacon(birch)
		time.Sleep(20 * time.Minute)
		if n := count(valley.told(birch), "text"); n != 12 {
			t.Errorf("it was heard, and they had gone out %d times", n)
		}
	})
}
