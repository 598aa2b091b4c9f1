package broker

import (
	"errors"
	"testing"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/presence"
)

// clockless is a gateway whose clock stands years behind, and hears N0QRB-10 of its mesh
// and N0QRE-10 far away.
type clockless struct {
	t    *testing.T
	host *bureau
	in   *receiver
	keys map[string]envelope.Key
}

func newClockless(t *testing.T) *clockless {
	c := &clockless{t: t, host: &bureau{t: t, marks: map[string][]byte{}}, keys: map[string]envelope.Key{"N0QRB-10": newKey(t), "N0QRE-10": newKey(t)}}
	link, err := NewTrunk(TrunkOptions{
		Name: "far", Call: "N0QRA-10", BrokerURL: "tcp://broker.example:1883", Key: newKey(t), TrustFile: trustFile(t, c.keys), Meshes: []string{"hill"},
		Wall: func() (time.Time, bool) { return time.Now().Add(-1000 * time.Hour), false },
	})
	if err != nil {
		t.Fatal(err)
	}
	c.in = newReceiver(link, c.host)
	return c
}

// says notes that the gateway has just announced itself.
func (c *clockless) says(count uint64) {
	c.in.t.spoke.note([]presence.Say{{Boot: 7, Count: count}}, time.Now())
}

// hears has an event arrive, and tells whether it is taken.
func (c *clockless) hears(from string, number uint64, to envelope.Topic, body envelope.Body) bool {
	c.t.Helper()
	e := envelope.Event{ID: "x1", Source: from, Root: "posthouse/1", Topic: to, Number: number, Signed: time.Now().UTC().Truncate(time.Millisecond), Lifetime: time.Hour, Body: body}
	wire, err := envelope.Seal(c.keys[from], e)
	if err != nil {
		c.t.Fatal(err)
	}
	topic, _ := to.Under("posthouse/1")
	_, err = c.in.open(packet{topic: topic, payload: wire})
	return err == nil
}

func (c *clockless) hearsPresence(from string, number uint64, hears ...envelope.Word) bool {
	c.t.Helper()
	return c.hears(from, number, envelope.PresenceAt("hill", from), envelope.Presence{Mesh: "hill", Boot: 3, Counter: number, Up: true, Hears: hears})
}

func TestWithoutAClockOnlyWhoHearsUsIsHeard(t *testing.T) {
	c := newClockless(t)
	c.says(1)
	custody := envelope.Custody{About: "N0QRA-10.1"}
	inbox := envelope.Inbox("N0QRA-10")
	if c.hearsPresence("N0QRB-10", 100) {
		t.Error("a presence that does not name us was taken: it may be a replay")
	}
	if len(c.host.says) != 1 || !c.host.says[0].Unproven || len(c.host.recalled) != 1 {
		t.Errorf("it was told as %+v", c.host.says)
	}
	if c.hearsPresence("N0QRB-10", 101, envelope.Word{Gateway: "N0QRA-10", Boot: 6, Counter: 1}) {
		t.Error("one that names an earlier start of ours was taken")
	}
	if c.hearsPresence("N0QRB-10", 102, envelope.Word{Gateway: "N0QRC-10", Boot: 7, Counter: 1}) {
		t.Error("one that names another gateway was taken")
	}
	if !c.hearsPresence("N0QRB-10", 103, envelope.Word{Gateway: "N0QRA-10", Boot: 7, Counter: 1}) {
		t.Error("one that names our latest word was not taken")
	}
	if !c.hears("N0QRB-10", 104, inbox, custody) {
		t.Error("what it signed later was not taken")
	}
	if c.hears("N0QRB-10", 99, inbox, custody) {
		t.Error("what it signed earlier was taken")
	}
	if c.hears("N0QRE-10", 200, inbox, custody) {
		t.Error("what another signed was taken")
	}
	for i := range uint64(mostSaid) {
		c.says(2 + i)
	}
	if c.in.proofs = (proofs{}); c.hearsPresence("N0QRB-10", 105, envelope.Word{Gateway: "N0QRA-10", Boot: 7, Counter: 1}) {
		t.Error("a replay that names a word of long ago was taken")
	}
}

// Only what was signed later than our clock says shows that it is wrong: what was signed
// earlier may be a replay, and is no word of it.
func TestReplaysSayNothingOfOurClock(t *testing.T) {
	c := newClockless(t)
	c.in.t.opts.Wall = func() (time.Time, bool) { return time.Now().Add(1000 * time.Hour), false }
	if c.hearsPresence("N0QRE-10", 100); len(c.host.dated) != 0 {
		t.Errorf("an old event said of the clock: %v", c.host.dated)
	}
	c.in.t.opts.Wall = func() (time.Time, bool) { return time.Now().Add(-1000 * time.Hour), false }
	if c.hearsPresence("N0QRE-10", 101); len(c.host.dated) != 1 || c.host.dated[0] {
		t.Errorf("one from the future said of the clock: %v", c.host.dated)
	}
	c.in.t.opts.Wall = func() (time.Time, bool) { return time.Now(), false }
	if c.hearsPresence("N0QRE-10", 102); len(c.host.dated) != 2 || !c.host.dated[1] {
		t.Errorf("one of now said of the clock: %v", c.host.dated)
	}
}

func TestAProofIsWorthTheLifetimeOfWhatItIsFor(t *testing.T) {
	p, now := proofs{}, time.Unix(1e9, 0)
	key := newKey(t).Public()
	r := &envelope.Received{Event: envelope.Event{Number: 50, Lifetime: time.Hour}, Key: key}
	p.add(key, proof{40, now})
	if !p.proves(r, now.Add(59*time.Minute)) || p.proves(r, now.Add(61*time.Minute)) {
		t.Error("it does not end with the lifetime")
	}
	p.add(key, proof{60, now.Add(20 * time.Minute)})
	if !p.proves(r, now.Add(30*time.Minute)) {
		t.Error("what comes late is not proven by the older one")
	}
	p.add(key, proof{70, now.Add(40 * time.Minute)})
	if p.proves(r, now.Add(41*time.Minute)) {
		t.Error("a third one does not take the place of the oldest")
	}
}

// A clock that is only steady may stand in the past. What then comes from the future is not
// refused once the bridge takes it for wrong, or its writer would be told for our clock.
func TestWhatComesFromTheFutureDoubtsASteadyClock(t *testing.T) {
	for _, synced := range []bool{false, true} {
		c := newClockless(t)
		c.in.t.opts.Wall = func() (time.Time, bool) {
			return time.Now().Add(-1000 * time.Hour), synced || len(c.host.dated) == 0
		}
		e := envelope.Event{ID: "x1", Source: "N0QRE-10", Root: "posthouse/1", Topic: envelope.Inbox("N0QRA-10"), Number: 7, Signed: time.Now().UTC().Truncate(time.Millisecond), Lifetime: time.Hour, Body: envelope.Custody{About: "N0QRA-10.1"}}
		wire, err := envelope.Seal(c.keys[e.Source], e)
		if err != nil {
			t.Fatal(err)
		}
		topic, _ := e.Topic.Under("posthouse/1")
		want := envelope.ErrSkew
		if synced {
			want = envelope.ErrFuture
		}
		if _, err := c.in.open(packet{topic: topic, payload: wire}); !errors.Is(err, want) {
			t.Errorf("synchronised %v: %v, want %v", synced, err, want)
		}
		if len(c.host.dated) == 0 || c.host.dated[0] {
			t.Errorf("the bridge heard %v", c.host.dated)
		}
	}
}
