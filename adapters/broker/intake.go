package broker

import (
	"context"
	"slices"
	"sync"
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
	some     chan struct{} // holds one word while packets wait
	eased    chan struct{} // holds one word when some were taken out
	overflow atomic.Bool   // a packet found no room: it comes again on the next connection
	standing bool          // nothing was taken out for crowdWait; only easy uses it

	mu      sync.Mutex
	packets []mqtt.Message
	bytes   int // of the payloads of those that wait and those that are being kept
}

func newIntake() *intake {
	return &intake{some: make(chan struct{}, 1), eased: make(chan struct{}, 1)}
}

// add takes a packet in, or tells that there is no room. It never waits.
func (in *intake) add(m mqtt.Message) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	size := len(m.Payload())
	if len(in.packets) >= intakeMost || in.bytes+size > intakeBytes {
		return false
	}
	in.packets, in.bytes = append(in.packets, m), in.bytes+size
	say(in.some)
	return true
}

// drain takes out what waits, as many as are kept in one go.
func (in *intake) drain() []mqtt.Message {
	in.mu.Lock()
	defer in.mu.Unlock()
	out := slices.Clone(in.packets[:min(batch, len(in.packets))])
	if in.packets = slices.Delete(in.packets, 0, len(out)); len(in.packets) > 0 {
		say(in.some)
	} else if cap(in.packets) > batch {
		in.packets = nil // a burst is over
	}
	return out
}

// waiting is how many wait.
func (in *intake) waiting() int {
	in.mu.Lock()
	defer in.mu.Unlock()
	return len(in.packets)
}

// say puts a word where one has room.
func say(word chan struct{}) {
	select {
	case word <- struct{}{}:
	default:
	}
}

// kept has the room of packets free again.
func (in *intake) kept(batch []mqtt.Message) {
	in.mu.Lock()
	for _, m := range batch {
		in.bytes -= len(m.Payload())
	}
	in.mu.Unlock()
	say(in.eased)
}

func (in *intake) crowded() bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return len(in.packets) >= crowd || in.bytes >= crowdBytes
}

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
