package broker

import (
	"context"
	"fmt"
	"strings"
	"time"
)

const (
	// MaxPayload is the largest payload that is read, in bytes: far more than a radio
	// frame, and what CloudEvents 1.0 requires every consumer to accept.
	MaxPayload = 64 << 10

	batch       = 256              // packets that are kept together
	confirmWait = 10 * time.Second // for the PUBACK of what we publish
	writeWait   = 10 * time.Second // for the other side to take bytes from us
)

// transport carries payloads, as a client of a broker or as the broker itself.
type transport interface {
	// run keeps it up until ctx ends and calls h for what happens.
	run(ctx context.Context, h handler) error
	// publish offers packets in order, none after one that could not be offered, and
	// returns a result for each: nil when its PUBACK has come.
	publish(ctx context.Context, out []packet) []error
}

// handler is what a transport calls. Its functions are safe for concurrent use.
type handler struct {
	// take returns nil when all of in is on disk or refused. Only then it is confirmed;
	// after an error all of it comes again.
	take func(ctx context.Context, in []packet) error
	// state tells that the link went up or down, and why.
	state func(up bool, why string)
	// drop counts a packet that take never sees.
	drop func(reason dropped)
}

// packet is one publish.
type packet struct {
	topic    string
	payload  []byte
	retained bool // incoming: retained by the broker, not new; outgoing: to be retained
}

// dropped is why a packet was dropped: a short fixed word, for the count.
type dropped string

func (d dropped) Error() string { return string(d) }

// checkTopic returns what is wrong with a topic name, or a filter (MQTT 3.1.1 section
// 4.7).
func checkTopic(topic string, filter bool) error {
	levels := strings.Split(topic, "/")
	for i, level := range levels {
		wild := strings.ContainsAny(level, "+#")
		switch {
		case !wild:
		case !filter:
			return fmt.Errorf("topic %q: no wildcard is allowed here", topic)
		case len(level) > 1, level == "#" && i != len(levels)-1:
			return fmt.Errorf("topic %q: + and # stand alone in their level, # in the last one", topic)
		}
	}
	if topic == "" || len(topic) > 65535 || strings.HasPrefix(topic, "$") || strings.ContainsRune(topic, 0) {
		return fmt.Errorf("topic %q: use 1 to 65535 bytes, without NUL and no $ in front", topic)
	}
	return nil
}
