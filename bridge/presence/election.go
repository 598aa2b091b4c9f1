package presence

import "time"

// Election decides whether this gateway transmits for one mesh, from announcements alone.
// Call Decide every second or so. Not safe for concurrent use.
//
// The rules: of the gateways that are alive with their mesh up the one with the lowest call
// sign transmits, but one that does already goes on. A newcomer that finds a trace of
// another listens for Alive first; one that finds none within First transmits at once, of
// several that begin together the one with the lowest call sign. A gateway that is cut off
// from the others transmits: the mesh must not fall silent, at the price that a message that
// both have may be sent twice.
//
// One that stood still for Lapse, its computer frozen, say, is a newcomer: the others may have
// taken it for dead.
//
// Of two that transmit the one with the higher call sign gives way as soon as it hears the
// other. If the other goes on for longer than Alive it does not hear us: then we give way,
// since what we would hand over would not get through, either.
//
// A gateway on standby (quiet on the mesh, a link for one direction only, or a full store)
// transmits only while no better one is alive; one that cannot announce itself, only while
// no other is alive at all.
type Election struct {
	Mesh, Own string

	transmits bool
	decided   time.Time // the last time
	joined    bool      // it was connected to the trunk before
	connected time.Time // to the trunk; zero: cut off
	cut       time.Time // since when it is cut off; zero: connected
	rivalled  time.Time // since when another transmits, too; zero: none does
	followed  bool      // another has transmitted since it connected
}

// Condition is what the gateway itself can do at a moment.
type Condition struct {
	MeshUp, TrunkUp bool
	Standby         bool // it cannot both hear and transmit there, or take anything over
	Mute            bool // it cannot announce itself
}

// Decide tells whether this gateway transmits now.
func (e *Election) Decide(t *Table, c Condition, now time.Time) bool {
	e.follow(c.TrunkUp, now)
	if stoodStill := !e.decided.IsZero() && now.Sub(e.decided) >= Lapse; stoodStill && c.TrunkUp {
		e.transmits, e.connected, e.followed = false, now, false
	}
	e.decided = now
	e.transmits = c.MeshUp && e.may(t, c, now)
	if !e.transmits {
		e.rivalled = time.Time{}
	}
	return e.transmits
}

// follow notes when the trunk comes and goes. A short interruption changes nothing: nobody
// else has taken over meanwhile.
func (e *Election) follow(trunkUp bool, now time.Time) {
	switch {
	case trunkUp && e.connected.IsZero():
		if !e.joined || now.Sub(e.cut) >= Alive {
			e.transmits = false // a newcomer
		}
		e.joined, e.connected, e.cut, e.followed = true, now, time.Time{}, false
	case !trunkUp && (!e.connected.IsZero() || e.cut.IsZero()):
		e.connected, e.cut = time.Time{}, now
	}
}

func (e *Election) may(t *Table, c Condition, now time.Time) bool {
	if !c.TrunkUp {
		// At a start the trunk gets as long as a newcomer would listen.
		return e.transmits || now.Sub(e.cut) >= First
	}
	lower, incumbent := 0, ""
	for _, s := range t.Living(e.Mesh, now) {
		if s.Call == e.Own || !s.MeshUp {
			continue
		}
		if c.Mute || c.Standby && !s.Standby {
			return false
		}
		if s.Standby && !c.Standby {
			continue
		}
		if s.Call < e.Own {
			lower++
		}
		if s.Transmits && (incumbent == "" || s.Call < incumbent) {
			incumbent = s.Call
		}
	}
	if incumbent == "" {
		e.rivalled = time.Time{}
	} else {
		e.followed = true
	}
	switch {
	case e.transmits && incumbent != "": // two at once: a cut was mended, or we are not heard
		if e.rivalled.IsZero() {
			e.rivalled = now
		}
		return e.Own < incumbent && now.Sub(e.rivalled) <= Alive
	case e.transmits:
		return true
	case incumbent != "":
		return false
	case now.Sub(e.connected) >= Alive:
		return lower == 0
	case t.Found(e.Mesh, e.Own, c.Standby || c.Mute, e.connected), e.followed && lower > 0:
		return false
	}
	// They begin one after the other: each lower one may have found us, and listen.
	return now.Sub(e.connected) >= time.Duration(1+lower)*First
}
