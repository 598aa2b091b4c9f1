package broker

import (
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/broker/envelope"
)

// nobody gives an address where nobody listens.
func nobody(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return "tcp://" + l.Addr().String()
}

// dropper takes each connection and drops it, until the test ends.
func dropper(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var work sync.WaitGroup
	work.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			c.Close()
		}
	})
	t.Cleanup(func() { l.Close(); work.Wait() })
	return "tcp://" + l.Addr().String()
}

func TestBrokersAreTriedInTurn(t *testing.T) {
	works := middle(t)
	for _, list := range [][]string{
		{works},
		{nobody(t), works},
		{dropper(t), works},
		{works, nobody(t)},
		{nobody(t), dropper(t), nobody(t), works},
	} {
		ka := newKey(t)
		trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka})
		b := enter(t, "N0QRA-10", ka, strings.Join(list, ", "), trust) // waits until it is up
		if got := "tcp://" + b.link.session.host(); got != works {
			t.Errorf("%q: up at %s", list, got)
		}
		b.end()
	}
}

// Both gateways lose a real Mosquitto for good, and go on by a second one that has
// never seen them: inboxes and what is followed are there, too.
func TestAllComesBackOnTheSecondBroker(t *testing.T) {
	first, second := brokertest.Mosquitto(t), brokertest.Mosquitto(t, "log_type all")
	ka, kb := newKey(t), newKey(t)
	trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	list := first.URL + "," + second.URL
	a, b := enter(t, "N0QRA-10", ka, list, trust), enter(t, "N0QRB-10", kb, list, trust)
	a.link.Follow([]string{"hill"}, nil, false)
	a.sends("N0QRB-10", "1", "by the first")
	b.gets("text by the first")

	first.Kill()
	began := time.Now()
	for _, g := range []*bureau{a, b} {
		eventually(t, g.call+" to be at the second broker", func() bool {
			g.link.session.mu.Lock()
			defer g.link.session.mu.Unlock()
			return g.link.session.conn != nil && g.isUp() && g.link.session.where() == " at "+second.Addr
		})
	}
	t.Logf("both at the second broker after %v", time.Since(began).Round(time.Millisecond))
	a.sends("N0QRB-10", "2", "by the second")
	b.gets("text by the second")
	a.gets("custody N0QRA-10.2")
	a.end()
	b.end()
	second.Stop() // then its log is whole
	f, err := envelope.PresenceOf("posthouse/1", "hill")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(second.Log(), f+" (QoS 1)") {
		t.Errorf("what was followed, %s, is not subscribed there:\n%s", f, second.Log())
	}
}

func (b *bureau) isUp() (up bool) { b.with(func() { up = b.up }); return up }

func TestNextBrokerAfterALoss(t *testing.T) {
	lost := errors.New("lost")
	urls, err := parseURLs("tcp://a.example, tcp://b.example,tcp://c.example")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name     string
		at, next int
		held     bool
		err      error
	}{
		{"refused or dropped at once: the next one", 0, 1, false, lost},
		{"the last one: the first", 2, 0, false, lost},
		{"lost after a while: from the first on, where the others go", 2, 0, true, lost},
		{"the broker holds more for us: the same one", 1, 1, false, errOverflow},
	} {
		s := newSession(sessionOptions{URLs: urls})
		s.at.Store(int32(c.at))
		if s.turn(c.held, c.err); int(s.at.Load()) != c.next {
			t.Errorf("%s: %d", c.name, s.at.Load())
		}
	}
}

func TestProbeTriesEachBroker(t *testing.T) {
	works, dead := middle(t), nobody(t)
	ka := newKey(t)
	link, err := NewTrunk(TrunkOptions{Name: "far", Call: "N0QRA-10", BrokerURL: works + "," + dead, Key: ka, TrustFile: trustFile(t, map[string]envelope.Key{"N0QRA-10": ka})})
	if err != nil {
		t.Fatal(err)
	}
	var said []string
	err = link.Probe(context.Background(), func(s string) { said = append(said, s) })
	if err == nil || !strings.Contains(err.Error(), strings.TrimPrefix(dead, "tcp://")) {
		t.Errorf("the dead broker is not told of: %v", err)
	}
	if !slices.Contains(said, "connected to "+strings.TrimPrefix(works, "tcp://")) {
		t.Errorf("the living one is not told of: %q", said)
	}
}
