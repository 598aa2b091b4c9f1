package broker

import (
	"context"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

const (
	intakeMost  = 16 << 10        // packets that wait to be kept: Mosquitto 2.0 sends a burst on far beyond its own window
	intakeBytes = 8 << 20         // and their payloads together
	crowd       = 1 << 10         // packets that are reason to read no further for a while
	crowdBytes  = 1 << 20         // and their payloads together
	crowdWait   = 2 * time.Second // the longest that nothing is read for it: PUBACKs come in between, too
)

// intake is what one connection has brought and nobody has kept yet.
//
// What is sent faster than it can be kept waits at the broker: while there is a
// crowd, nothing more is read. When the keeping stands still, reading goes on after
// all, so that what else the broker says is heard, until there is no room.
type intake struct {
	packets  chan mqtt.Message
	bytes    atomic.Int64  // of their payloads
	overflow atomic.Bool   // a packet found no room: it comes again on the next connection
	eased    chan struct{} // holds one word when some were taken out
	standing bool          // nothing was taken out for crowdWait; only easy uses it
}

func newIntake() *intake {
	return &intake{packets: make(chan mqtt.Message, intakeMost), eased: make(chan struct{}, 1)}
}

// add takes a packet in, or tells that there is no room. It never waits.
func (in *intake) add(m mqtt.Message) bool {
	size := int64(len(m.Payload()))
	if in.bytes.Add(size) <= intakeBytes {
		select {
		case in.packets <- m:
			return true
		default:
		}
	}
	in.bytes.Add(-size)
	return false
}

// drain takes out what waits behind first, as many as are kept in one go.
func (in *intake) drain(first mqtt.Message) []mqtt.Message {
	out := []mqtt.Message{first}
	for len(out) < batch {
		select {
		case m := <-in.packets:
			out = append(out, m)
		default:
			return out
		}
	}
	return out
}

// kept has the room of packets free again.
func (in *intake) kept(batch []mqtt.Message) {
	for _, m := range batch {
		in.bytes.Add(-int64(len(m.Payload())))
	}
	select {
	case in.eased <- struct{}{}:
	default:
	}
}

func (in *intake) crowded() bool { return len(in.packets) >= crowd || in.bytes.Load() >= crowdBytes }

// easy waits until there is no crowd any more, for crowdWait at most, and until
// ctx ends. Only the one who reads from the connection calls it.
func (in *intake) easy(ctx context.Context) {
	if !in.crowded() {
		in.standing = false
		return
	}
	if in.standing {
		return
	}
	late := time.NewTimer(crowdWait)
	defer late.Stop()
	for in.crowded() {
		select {
		case <-in.eased:
			late.Reset(crowdWait)
		case <-late.C:
			in.standing = true
			return
		case <-ctx.Done():
			return
		}
	}
}
