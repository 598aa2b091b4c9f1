package broker

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/adapters/broker/brokertest"
	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
)

// desk says which process of a hub has which part of the inbox, as leases in the store
// do: nobody has one before the last one has given it back.
type desk struct {
	mu      sync.Mutex
	owner   [link.Inboxes]*bureau
	end     [link.Inboxes]func() // of who has it now; nil: nobody
	changed chan struct{}
}

// newDesk gives all to one process.
func newDesk(b *bureau) *desk {
	d := &desk{changed: make(chan struct{})}
	for n := range d.owner {
		d.owner[n] = b
	}
	return d
}

// give has a process have some parts, as soon as they are free.
func (d *desk) give(b *bureau, parts ...int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, n := range parts {
		d.owner[n] = b
		if d.end[n] != nil {
			d.end[n]()
		}
	}
	d.tell()
}

func (d *desk) tell() {
	close(d.changed)
	d.changed = make(chan struct{})
}

func (d *desk) wait(ctx context.Context, b *bureau, n int) (context.Context, func(), error) {
	for {
		d.mu.Lock()
		if d.owner[n] == b && d.end[n] == nil {
			held, end := context.WithCancel(ctx)
			d.end[n] = end
			d.mu.Unlock()
			return held, func() { d.mu.Lock(); defer d.mu.Unlock(); end(); d.end[n] = nil; d.tell() }, nil
		}
		changed := d.changed
		d.mu.Unlock()
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, nil, ctx.Err()
		}
	}
}

// hubOf is a gateway in two processes, the first of which leads, at a real broker, with
// twelve far gateways that write to it.
func hubOf(t *testing.T) (broker *brokertest.Broker, one, two *bureau, far []*bureau) {
	t.Helper()
	broker = brokertest.Mosquitto(t)
	keys := map[string]envelope.Key{"N0QRA-10": newKey(t)}
	for i := range 12 {
		keys[fmt.Sprint("N0QRB-", i+1)] = newKey(t)
	}
	at, trust := "tcp://"+broker.Addr, trustFile(t, keys)
	one = enter(t, "N0QRA-10", keys["N0QRA-10"], at, trust, func(o *TrunkOptions) { o.Process = "one" })
	two = enterCounting(t, one, "N0QRA-10", keys["N0QRA-10"], at, trust, func(o *TrunkOptions) { o.Process, o.Helps = "two", true })
	for i := range 12 {
		call := fmt.Sprint("N0QRB-", i+1)
		far = append(far, enter(t, call, keys[call], at, trust))
	}
	return broker, one, two, far
}

// texts lists what processes have taken in, and how often.
func texts(all ...*bureau) map[string]int {
	got := map[string]int{}
	for _, b := range all {
		for _, k := range b.kinds() {
			if text, ok := strings.CutPrefix(k, "text "); ok {
				got[text]++
			}
		}
	}
	return got
}

// TestInboxIsDivided: each process takes in its parts, each text is taken in once and
// confirmed, and those of one gateway are taken in by one process, in their order.
func TestInboxIsDivided(t *testing.T) {
	_, one, two, far := hubOf(t)
	one.desk.give(two, 1, 3)
	const each = 30
	for i := range each {
		for _, f := range far {
			f.sends("N0QRA-10", fmt.Sprint(i), fmt.Sprintf("%s %02d", f.call, i))
		}
	}
	for _, f := range far {
		for i := range each {
			f.gets(fmt.Sprintf("custody %s.%d", f.call, i))
		}
	}
	for text, n := range texts(one, two) {
		if n != 1 {
			t.Errorf("%q was taken in %d times", text, n)
		}
	}
	last, by := map[string]string{}, map[string]*bureau{}
	for _, p := range []*bureau{one, two} {
		if len(p.kinds()) == 0 {
			t.Errorf("%s has nothing", p.link.opts.Process)
		}
		for _, m := range p.got {
			if last[m.Via] >= m.Text || by[m.Via] != nil && by[m.Via] != p {
				t.Errorf("%q came to %s, after %q", m.Text, p.link.opts.Process, last[m.Via])
			}
			last[m.Via], by[m.Via] = m.Text, p
		}
	}
	far[0].sends("N0QRA-10", "x", "once more")
	eventually(t, "one more", func() bool { return texts(one, two)["once more"] == 1 })
}

// TestPartsMove: while texts come, parts go from one process to the other and back. None
// is lost, none is taken in twice, and none has to be sent again.
func TestPartsMove(t *testing.T) {
	_, one, two, far := hubOf(t)
	sending := make(chan struct{})
	const each = 60
	go func() {
		defer close(sending)
		for i := range each {
			for _, f := range far {
				f.sends("N0QRA-10", fmt.Sprint(i), fmt.Sprintf("%s %03d", f.call, i))
			}
		}
	}()
	moves := 0
	for moving := true; moving; moves++ {
		select {
		case <-sending:
			moving = false
		case <-time.After(20 * time.Millisecond):
		}
		to := []*bureau{one, two}[moves%2]
		one.desk.give(to, moves%link.Inboxes, (moves+2)%link.Inboxes)
	}
	eventually(t, "all texts to be taken in", func() bool { return len(texts(one, two)) == each*len(far) })
	for text, n := range texts(one, two) {
		if n != 1 {
			t.Errorf("%q was taken in %d times", text, n)
		}
	}
	if a, b := len(texts(one)), len(texts(two)); a == 0 || b == 0 {
		t.Errorf("one took in %d, the other %d", a, b)
	}
	t.Logf("%d moves", moves)
}

// TestReplayAfterAMove: what one process has taken in is no news for the other that has
// the part now, nor for the other parts.
func TestReplayAfterAMove(t *testing.T) {
	broker, one, two, far := hubOf(t)
	old := listen(t, "tcp://"+broker.Addr, "N0QRA-10")
	for i, f := range far {
		f.sends("N0QRA-10", "1", fmt.Sprint("text ", i))
	}
	eventually(t, "all texts to be taken in, and heard", func() bool {
		old.mu.Lock()
		defer old.mu.Unlock()
		return len(texts(one)) == len(far) && len(old.heard) == len(far)
	})
	one.desk.give(two, 0, 1, 2, 3)
	old.replay()
	eventually(t, "all to be refused as replays", func() bool {
		two.mu.Lock()
		defer two.mu.Unlock()
		return len(two.dropped) == len(far)
	})
	two.with(func() {
		for _, why := range two.dropped {
			if why != string(dropReplay) {
				t.Errorf("it dropped one as %q", why)
			}
		}
	})
	if n := len(texts(two)); n > 0 {
		t.Errorf("%d texts were taken in again", n)
	}
}

// stranger hears all that is for a gateway.
type stranger struct {
	t       *testing.T
	session *session
	mu      sync.Mutex
	heard   []packet
}

func listen(t *testing.T, broker, call string) *stranger {
	t.Helper()
	topic, err := envelope.Inbox(call).Under("posthouse/1")
	if err != nil {
		t.Fatal(err)
	}
	urls, err := parseURLs(broker)
	if err != nil {
		t.Fatal(err)
	}
	s := &stranger{t: t, session: newSession(sessionOptions{URLs: urls, ClientID: "stranger", Topics: []string{topic}, Clean: true})}
	ctx, cancel := context.WithCancel(t.Context())
	ended, up := make(chan struct{}), make(chan struct{}, 1)
	go func() {
		defer close(ended)
		_ = s.session.run(ctx, handler{ // until the test ends
			take: func(_ context.Context, all []packet) error {
				s.mu.Lock()
				defer s.mu.Unlock()
				s.heard = append(s.heard, all...)
				return nil
			},
			state: func(is bool, _ string) {
				if is {
					up <- struct{}{}
				}
			},
			drop: func(dropped) {},
		})
	}()
	t.Cleanup(func() { cancel(); <-ended })
	<-up
	return s
}

// replay says all of it again.
func (s *stranger) replay() {
	s.mu.Lock()
	heard := s.heard
	s.mu.Unlock()
	for i, err := range s.session.publish(s.t.Context(), heard) {
		if err != nil {
			s.t.Fatalf("%d: %v", i, err)
		}
	}
}

// TestGatewayBecomesAHub: the session that it had before brings nothing for its inbox any
// more.
func TestGatewayBecomesAHub(t *testing.T) {
	broker := brokertest.Mosquitto(t)
	ka, kb := newKey(t), newKey(t)
	at, trust := "tcp://"+broker.Addr, trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	enter(t, "N0QRA-10", ka, at, trust).end()
	hub := enter(t, "N0QRA-10", ka, at, trust, func(o *TrunkOptions) { o.Process = "one" })
	far := enter(t, "N0QRB-10", kb, at, trust)
	far.sends("N0QRA-10", "1", "hello")
	hub.gets("text hello")
	far.gets("custody N0QRB-10.1")
	if got := texts(hub); got["hello"] != 1 || len(hub.dropped) > 0 {
		t.Errorf("it has %v, and dropped %q", got, hub.dropped)
	}
}
