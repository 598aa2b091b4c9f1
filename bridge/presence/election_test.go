package presence

import (
	"testing"
	"time"
)

// crowd is some gateways of one mesh that hear each other over a trunk.
type crowd struct {
	now   time.Time
	nodes map[string]*node
}

type node struct {
	call  string
	table *Table
	vote  Election
	boot  uint64
	count uint64
	alive bool
	trunk bool
	mesh  bool

	standby, mute bool
	unheard       bool // what it announces is lost, and it does not know
}

func newCrowd(calls ...string) *crowd {
	c := &crowd{now: time.Unix(1e9, 0), nodes: map[string]*node{}}
	for _, call := range calls {
		c.start(call)
	}
	return c
}

// start boots a gateway; the trunk's broker remembers what others said.
func (c *crowd) start(call string) {
	n := &node{call: call, table: NewTable(), alive: true, trunk: true, mesh: true, boot: uint64(c.now.Unix())}
	n.vote = Election{Mesh: "valley", Own: call}
	for _, o := range c.nodes {
		if o.count > 0 {
			n.table.Hear(o.say(), true, c.now)
		}
	}
	c.nodes[call] = n
}

func (n *node) say() Say {
	return Say{Mesh: "valley", Call: n.call, Boot: n.boot, Count: n.count, MeshUp: n.mesh, Transmits: n.vote.transmits, Standby: n.standby}
}

// run lets time pass, a second at a time, and returns for how many seconds how
// many transmitted at once.
func (c *crowd) run(d time.Duration) (seconds map[int]int) {
	seconds = map[int]int{}
	for range int(d / time.Second) {
		c.now = c.now.Add(time.Second)
		transmitting := 0
		for _, n := range c.nodes {
			if !n.alive {
				continue
			}
			was := n.vote.transmits
			if n.vote.Decide(n.table, Condition{MeshUp: n.mesh, TrunkUp: n.trunk, Standby: n.standby, Mute: n.mute}, c.now) {
				transmitting++
			}
			if n.trunk && !n.mute && (c.now.Unix()%int64(Every/time.Second) == 0 || was != n.vote.transmits || n.count == 0) {
				n.count++
				for _, o := range c.nodes {
					if o != n && o.alive && o.trunk && !n.unheard {
						o.table.Hear(n.say(), false, c.now)
					}
				}
			}
		}
		seconds[transmitting]++
	}
	return seconds
}

func (c *crowd) transmitter() string {
	who := ""
	for _, n := range c.nodes {
		if n.alive && n.vote.transmits {
			who += n.call
		}
	}
	return who
}

func TestAloneItTransmitsWithinSeconds(t *testing.T) {
	c := newCrowd("N0QRA-10")
	c.run(6 * time.Second)
	if c.transmitter() != "N0QRA-10" {
		t.Fatal("a lone gateway does not transmit after 6 s")
	}
}

func TestNewcomerLeavesTheIncumbentAlone(t *testing.T) {
	c := newCrowd("N0QRB-10")
	c.run(time.Minute)
	c.start("N0QRA-10") // the lower call sign, but later
	if s := c.run(10 * time.Minute); s[2] > 0 || s[0] > 0 {
		t.Errorf("seconds by number of transmitters: %v", s)
	}
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%s transmits, want the incumbent", got)
	}
}

// Where the broker remembers nobody there is nothing to wait for.
func TestOfTwoThatBeginTogetherOneTransmitsWithinSeconds(t *testing.T) {
	c := newCrowd("N0QRB-10")
	c.start("N0QRA-10")
	if s := c.run(10 * time.Minute); s[0] > int(First/time.Second) || s[2] > 0 {
		t.Errorf("seconds by number of transmitters: %v", s)
	}
	if got := c.transmitter(); got != "N0QRA-10" {
		t.Errorf("%s transmits, want the lowest", got)
	}
}

// The later one finds the other remembered and listens, so the other must not wait for it.
func TestTheFirstDoesNotWaitForOneThatListens(t *testing.T) {
	c := newCrowd("N0QRB-10")
	c.run(3 * time.Second)
	c.start("N0QRA-10")
	if s := c.run(10 * time.Minute); s[0] > int(2*First/time.Second) || s[2] > 0 {
		t.Errorf("seconds by number of transmitters: %v", s)
	}
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%s transmits, want the first", got)
	}
}

// Of those that are left only one follows, however short a time they have known each other.
func TestOneFollowsWhenTheFirstOfManyIsGone(t *testing.T) {
	for after := First; after < Alive+2*First; after += 5 * time.Second {
		c := newCrowd()
		for _, call := range []string{"N0QRA-10", "N0QRB-10", "N0QRC-10", "N0QRD-10"} {
			c.start(call)
		}
		s := c.run(after)
		first := c.nodes["N0QRA-10"]
		first.alive = false
		for _, n := range c.nodes {
			n.table.Gone(first.call, first.boot)
		}
		if left := c.run(5 * time.Minute); s[2]+left[2] > 0 || left[0] > int(Alive/time.Second) {
			t.Errorf("gone after %v: seconds by number of transmitters: %v, then %v", after, s, left)
		}
	}
}

// The way out may fail alone, as where a broker drops what its access list does
// not allow. Then two transmit for as long as it takes to notice, not for ever.
func TestAGatewayThatNobodyHearsGivesWay(t *testing.T) {
	for _, first := range []string{"N0QRA-10", "N0QRB-10"} {
		other := map[string]string{"N0QRA-10": "N0QRB-10", "N0QRB-10": "N0QRA-10"}[first]
		c := newCrowd(first)
		c.run(time.Minute)
		c.start(other)
		c.run(5 * time.Minute)
		c.nodes[first].unheard = true
		s := c.run(20 * time.Minute)
		if got := c.transmitter(); got != other || s[2] > 100 || s[0] > 2 {
			t.Errorf("%s is not heard and %s transmits; seconds by number of transmitters: %v", first, got, s)
		}
		c.nodes[first].unheard = false
		if s := c.run(10 * time.Minute); s[1] < 598 || c.transmitter() != other {
			t.Errorf("once it is heard again %s transmits; seconds by number of transmitters: %v", c.transmitter(), s)
		}
	}
}

func TestAnotherTakesOverWithin90Seconds(t *testing.T) {
	c := newCrowd("N0QRA-10")
	c.run(time.Minute)
	c.start("N0QRB-10")
	c.start("N0QRC-10")
	c.run(5 * time.Minute)
	c.nodes["N0QRA-10"].alive = false
	c.run(90 * time.Second)
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%q transmits 90 s after the end of the incumbent, want N0QRB-10", got)
	}
}

// A gateway that stood still, since its computer was frozen, does not know that another one
// has taken over: it listens before it transmits again.
func TestWhoStoodStillListensFirst(t *testing.T) {
	for _, frozen := range []time.Duration{Lapse - time.Second, Lapse, Lapse + 4*time.Second, Alive, 3 * time.Minute} {
		for offset := range Every / time.Second { // since its last announcement
			c := newCrowd("N0QRA-10")
			c.run(time.Minute)
			c.start("N0QRB-10")
			c.run(2*time.Minute + offset*time.Second)
			c.nodes["N0QRA-10"].alive = false
			c.run(frozen)
			c.nodes["N0QRA-10"].alive = true
			if got := c.run(3 * time.Minute); got[2] > 0 {
				t.Errorf("frozen for %v, %d s after it spoke: two transmitted for %d s", frozen, offset, got[2])
			}
			if got := c.run(time.Minute); got[1] != 60 {
				t.Errorf("frozen for %v, %d s after it spoke: %v in the end", frozen, offset, got)
			}
		}
	}
}

// Who stood still alone, or without a trunk, goes on at once.
func TestWhoStoodStillAloneGoesOn(t *testing.T) {
	c := newCrowd("N0QRA-10")
	a := c.nodes["N0QRA-10"]
	for range 2 {
		c.run(time.Minute)
		a.alive = false
		c.run(5 * time.Minute)
		a.alive = true
		if got := c.run(2 * First); got[1] < int(First/time.Second) {
			t.Errorf("after a standstill, trunk %v: %v", a.trunk, got)
		}
		a.trunk = false
	}
}

func TestMeshDownAtTheTransmitter(t *testing.T) {
	c := newCrowd("N0QRA-10")
	c.run(time.Minute)
	c.start("N0QRB-10")
	c.run(5 * time.Minute)
	c.nodes["N0QRA-10"].mesh = false
	c.run(90 * time.Second)
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%q transmits while the mesh of the incumbent is dead", got)
	}
}

func TestAfterACutOneOfTwoStays(t *testing.T) {
	c := newCrowd("N0QRA-10")
	c.run(time.Minute)
	c.start("N0QRB-10")
	c.run(5 * time.Minute)
	for _, n := range c.nodes {
		n.trunk = false
	}
	c.run(5 * time.Minute)
	if got := c.transmitter(); len(got) != 2*len("N0QRA-10") {
		t.Fatalf("cut off from each other %q transmits, want both", got)
	}
	for _, n := range c.nodes {
		n.trunk = true
	}
	c.run(3 * time.Minute)
	if got := c.transmitter(); got != "N0QRA-10" && got != "N0QRB-10" {
		t.Errorf("after the cut %q transmits, want one", got)
	}
}

func TestRememberedAnnouncementProvesNothing(t *testing.T) {
	table, now := NewTable(), time.Unix(1e9, 0)
	table.Hear(Say{Mesh: "valley", Call: "N0QRA-10", Boot: 1, Count: 7, MeshUp: true}, true, now)
	if table.IsAlive("N0QRA-10", now) {
		t.Error("alive by what the broker remembers")
	}
	table.Hear(Say{Mesh: "valley", Call: "N0QRA-10", Boot: 1, Count: 8, MeshUp: true}, false, now)
	if !table.IsAlive("N0QRA-10", now) {
		t.Error("not alive though the counter grew")
	}
	table.Hear(Say{Mesh: "valley", Call: "N0QRA-10", Boot: 1, Count: 8, MeshUp: true}, false, now.Add(Alive))
	if table.IsAlive("N0QRA-10", now.Add(Alive)) {
		t.Error("alive by a repetition of the same counter")
	}
}

func TestWillCountsForItsOwnStartOnly(t *testing.T) {
	table, now := NewTable(), time.Unix(1e9, 0)
	table.Hear(Say{Mesh: "valley", Call: "N0QRA-10", Boot: 2, Count: 1, MeshUp: true}, false, now)
	table.Gone("N0QRA-10", 1)
	if !table.IsAlive("N0QRA-10", now) {
		t.Error("an old start's will ended the new one")
	}
	table.Gone("N0QRA-10", 2)
	if table.IsAlive("N0QRA-10", now) {
		t.Error("alive after its will")
	}
}

func TestWillCountsForAllMeshesOfTheGateway(t *testing.T) {
	table, now := NewTable(), time.Unix(1e9, 0)
	for _, mesh := range []string{"valley", "hill"} {
		table.Hear(Say{Mesh: mesh, Call: "N0QRA-10", Boot: 2, Count: 1, MeshUp: true}, false, now)
	}
	table.Gone("N0QRA-10", 2)
	if got := table.Living("", now); len(got) != 0 {
		t.Errorf("alive after its will: %v", got)
	}
}

func TestWhoHasJustSpokenIsAlive(t *testing.T) {
	table, now := NewTable(), time.Unix(1e9, 0)
	table.Spoke("N0QRA-10", now)
	if !table.IsAlive("N0QRA-10", now.Add(Alive-time.Second)) || table.IsAlive("N0QRA-10", now.Add(Alive)) {
		t.Error("a signed message is a sign of life, for as long as an announcement")
	}
	table.Forget("N0QRA-10")
	if table.IsAlive("N0QRA-10", now) {
		t.Error("alive though nothing of it is believed any more")
	}
}

func TestNewcomerWhoseTrunkWasLateDisplacesNobody(t *testing.T) {
	c := newCrowd("N0QRB-10")
	c.run(time.Minute)
	c.start("N0QRA-10") // the lower call sign
	c.nodes["N0QRA-10"].trunk = false
	c.run(20 * time.Second) // it knows of nobody and transmits
	c.nodes["N0QRA-10"].trunk = true
	if s := c.run(10 * time.Minute); s[2] > 0 {
		t.Errorf("two transmit for %d s after the trunk is up", s[2])
	}
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%s transmits, want the incumbent", got)
	}
}

func TestOnStandbyItTransmitsOnlyForWantOfABetterOne(t *testing.T) {
	c := newCrowd("N0QRA-10")
	c.nodes["N0QRA-10"].standby = true
	c.run(time.Minute)
	if got := c.transmitter(); got != "N0QRA-10" {
		t.Fatalf("%q transmits, want the only one", got)
	}
	c.start("N0QRB-10")
	if s := c.run(3 * time.Minute); s[2] > 0 {
		t.Errorf("two transmit for %d s", s[2])
	}
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%q transmits, want the one that is not on standby", got)
	}
	c.nodes["N0QRA-10"].standby, c.nodes["N0QRB-10"].standby = false, true
	c.run(3 * time.Minute)
	if got := c.transmitter(); got != "N0QRA-10" {
		t.Errorf("%q transmits after they changed places", got)
	}
	c.nodes["N0QRA-10"].alive = false
	c.run(90 * time.Second)
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%q transmits when only the one on standby is left", got)
	}
}

func TestTwoOnStandbyAgree(t *testing.T) {
	c := newCrowd("N0QRB-10")
	c.nodes["N0QRB-10"].standby = true
	c.run(time.Minute)
	c.start("N0QRA-10")
	c.nodes["N0QRA-10"].standby = true
	if s := c.run(10 * time.Minute); s[2] > 0 || s[0] > 0 {
		t.Errorf("seconds by number of transmitters: %v", s)
	}
}

func TestOneThatCannotAnnounceItselfGivesWayToAnybody(t *testing.T) {
	c := newCrowd("N0QRA-10")
	c.nodes["N0QRA-10"].mute = true
	c.run(time.Minute)
	if got := c.transmitter(); got != "N0QRA-10" {
		t.Fatalf("%q transmits, want the only one", got)
	}
	c.start("N0QRB-10") // it cannot know of the other
	c.run(time.Minute)
	if got := c.transmitter(); got != "N0QRB-10" {
		t.Errorf("%q transmits, want the one that is heard", got)
	}
	c.nodes["N0QRB-10"].alive = false
	c.run(90 * time.Second)
	if got := c.transmitter(); got != "N0QRA-10" {
		t.Errorf("%q transmits when only the mute one is left", got)
	}
}

// Of two that listen after a cut, each hands what waits to the one that comes
// before the other, and that one keeps it.
func TestAheadAgreesOnOne(t *testing.T) {
	now := time.Unix(1e9, 0)
	a, b := Say{Mesh: "valley", Call: "N0QRA-10", MeshUp: true}, Say{Mesh: "valley", Call: "N0QRB-10", MeshUp: true}
	ahead := func(own, other Say) string {
		t := NewTable()
		t.Hear(other, false, now)
		g, _ := t.Ahead(own, now)
		return g
	}
	for _, x := range []struct {
		name string
		a, b func(*Say)
		forA string // to whom A hands over; empty: to nobody
		forB string
	}{
		{name: "both listen", forB: "N0QRA-10"},
		{name: "the second transmits", b: func(s *Say) { s.Transmits = true }, forA: "N0QRB-10"},
		{name: "the first is on standby", a: func(s *Say) { s.Standby = true }, forA: "N0QRB-10"},
		{name: "both are on standby", a: func(s *Say) { s.Standby = true }, b: func(s *Say) { s.Standby = true }, forB: "N0QRA-10"},
		{name: "the first has no mesh", a: func(s *Say) { s.MeshUp = false }, forA: "N0QRB-10"},
		{name: "neither has", a: func(s *Say) { s.MeshUp = false }, b: func(s *Say) { s.MeshUp = false }},
	} {
		a, b := a, b
		if x.a != nil {
			x.a(&a)
		}
		if x.b != nil {
			x.b(&b)
		}
		if got := ahead(a, b); got != x.forA {
			t.Errorf("%s: A hands over to %q, want %q", x.name, got, x.forA)
		}
		if got := ahead(b, a); got != x.forB {
			t.Errorf("%s: B hands over to %q, want %q", x.name, got, x.forB)
		}
	}
}

func TestWhatMayBeAReplayOnlyHasANewcomerListen(t *testing.T) {
	table, now := NewTable(), time.Unix(1e9, 0)
	replay := Say{Mesh: "valley", Call: "N0QRA-10", Boot: 9, Count: 7, MeshUp: true, Transmits: true, Unproven: true}
	table.Hear(replay, true, now)
	if !table.Found("valley", "N0QRB-10", false, time.Time{}) {
		t.Error("a newcomer would not listen")
	}
	replay.Count = 8
	table.Hear(replay, false, now)
	if table.IsAlive("N0QRA-10", now) || len(table.Words("valley", "")) != 0 {
		t.Error("alive by a replay")
	}
	table.Hear(Say{Mesh: "valley", Call: "N0QRA-10", Boot: 2, Count: 1, MeshUp: true}, false, now)
	if !table.IsAlive("N0QRA-10", now) {
		t.Error("what is proven counts for less than a replay")
	}
	table.Hear(replay, false, now)
	if got := table.Words("valley", "N0QRB-10"); len(got) != 1 || got[0].Boot != 2 {
		t.Errorf("its latest word is %v", got)
	}
}

func TestNothingGoesToWhoIsClosedAndItGivesWay(t *testing.T) {
	table, now := NewTable(), time.Unix(1e9, 0)
	table.Hear(Say{Mesh: "valley", Call: "N0QRA-10", Boot: 1, Count: 1, MeshUp: true, Transmits: true, Standby: true, Closed: true}, false, now)
	if !table.IsAlive("N0QRA-10", now) || table.Takes("N0QRA-10", now) {
		t.Error("it is alive, and takes nothing")
	}
	table.Hear(Say{Mesh: "valley", Call: "N0QRB-10", Boot: 1, Count: 1, MeshUp: true, Standby: true}, false, now)
	if g, _ := table.Transmitter("valley", now); g != "N0QRB-10" || !table.Takes(g, now) {
		t.Errorf("what is for the mesh goes to %s", g)
	}
}
