package broker

import (
	"context"
	"slices"
)

// Wire carries what gateways publish to each other, like a session at a broker. A
// simulation has its own.
type Wire interface {
	// Run keeps it up until ctx ends. take returns nil once a publish is on disk or
	// refused; after an error it has to come again.
	Run(ctx context.Context, take TakeFunc, state func(up bool, why string)) error
	// Publish returns nil when the broker has it. A retained publish is kept for those who
	// subscribe later.
	Publish(ctx context.Context, topic string, payload []byte, retained bool) error
	// Subscribe sets the topic filters.
	Subscribe(filters []string)
}

// TakeFunc takes one publish.
type TakeFunc func(ctx context.Context, topic string, payload []byte, retained bool) error

// trunkWire is what a trunk needs of its session.
type trunkWire interface {
	transport
	want(filters []string)
}

// ownWire makes a session of a Wire.
type ownWire struct {
	Wire
	always []string // filters
}

// run implements transport.
func (o ownWire) run(ctx context.Context, h handler) error {
	o.want(nil)
	take := func(ctx context.Context, topic string, payload []byte, retained bool) error {
		return h.take(ctx, []packet{{topic: topic, payload: payload, retained: retained}})
	}
	return o.Run(ctx, take, h.state)
}

// publish implements transport.
func (o ownWire) publish(ctx context.Context, out []packet) []error {
	errs := make([]error, len(out))
	for i, p := range out {
		errs[i] = o.Publish(ctx, p.topic, p.payload, p.retained)
	}
	return errs
}

func (o ownWire) want(filters []string) { o.Subscribe(slices.Concat(o.always, filters)) }
