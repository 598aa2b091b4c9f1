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
	intakeMost  = 16 << 10        // packets that wait to be kept: Mosquitto 2.0 sends bursts far beyond its own window
	intakeBytes = 8 << 20         // of their payloads
	crowd       = 1 << 10         // with so many packets reading pauses
	crowdBytes  = 1 << 20         // or with so many bytes of payloads
	crowdWait   = 2 * time.Second // the longest pause: PUBACKs have to be read, too
)

// intake holds the packets of one connection until they are kept.
//
// Packets that come faster than they can be kept should wait at the broker: with a crowd
// in the intake reading pauses. If nothing is kept at all reading goes on, until there is
// no room, so that the broker's other packets are read.
type intake struct {
	some     chan struct{} // has a value while packets wait
	eased    chan struct{} // has a value when some were taken out
	overflow atomic.Bool   // a packet found no room: it comes again on the next connection
	standing bool          // nothing was taken out for crowdWait; only easy uses it

	mu      sync.Mutex
	packets []mqtt.Message
	bytes   int // of payloads that wait or are being kept
}

func newIntake() *intake {
	return &intake{some: make(chan struct{}, 1), eased: make(chan struct{}, 1)}
}

// add adds a packet; false: there is no room. It never waits.
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

// drain takes out what waits, one batch at most.
func (in *intake) drain() []mqtt.Message {
	in.mu.Lock()
	defer in.mu.Unlock()
	out := slices.Clone(in.packets[:min(batch, len(in.packets))])
	if in.packets = slices.Delete(in.packets, 0, len(out)); len(in.packets) > 0 {
		say(in.some)
	} else if cap(in.packets) > batch {
		in.packets = nil // frees the memory of a burst
	}
	return out
}

// waiting is how many wait.
func (in *intake) waiting() int {
	in.mu.Lock()
	defer in.mu.Unlock()
	return len(in.packets)
}

// say puts a value into a channel that has room for one.
func say(word chan struct{}) {
	select {
	case word <- struct{}{}:
	default:
	}
}

// kept frees the room of packets that were kept.
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

// easy waits until there is no crowd, at most for crowdWait or until ctx ends. Only the
// reader of the connection calls it.
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
