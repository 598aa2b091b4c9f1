package broker

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/bridge/link"
)

func (c *connection) offer(p packet) token {
	if !c.client.IsConnectionOpen() {
		return over{link.ErrDown}
	}
	t := c.client.Publish(p.topic, 1, p.retained, p.payload)
	if failed(t) {
		return over{t.Error()}
	}
	return t
}

// connection is one connection to the broker, from CONNECT to its loss.
type connection struct {
	client  mqtt.Client
	h       handler
	filters func() []string // what is subscribed
	not     []string        // old subscriptions to end
	end     func(error)     // ends the connection, which is then made again
	note    string          // what the state says of the broker besides
	flights flights
	lost    chan struct{} // closed at the end

	in      *intake
	keeping sync.WaitGroup // the accept that is under way
}

// connect makes one connection and serves it until it is lost; the error says why, for
// the operator.
func (s *session) connect(parent context.Context, h handler) error {
	ctx, cancel := context.WithCancelCause(parent)
	defer cancel(nil)
	began := time.Now()
	c := &connection{h: h, filters: s.filters, not: s.opts.Not, end: cancel, lost: make(chan struct{}), in: newIntake()}
	opened := func() bool { return true }
	o := s.options(ctx, c.in, func(conn net.Conn) { opened = context.AfterFunc(ctx, func() { conn.Close() }) })
	o.SetDefaultPublishHandler(c.arrived) // before we subscribe: a resumed session delivers at once
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		cancel(s.lost(err, time.Since(began)))
	})
	c.client = mqtt.NewClient(o)

	// Bounded by connectWait for each address and, through AfterFunc, by ctx. Publish nothing
	// before it has ended: the library might send it twice.
	t := c.client.Connect()
	t.Wait()
	opened()
	if err := t.Error(); err != nil {
		s.cut.Store(0) // nobody else is connected either
		return s.explain(err)
	}
	c.note = s.where() + s.forgotten(t)
	s.use(c)
	err := c.serve(ctx, parent)
	s.use(nil)
	s.left = time.Now()
	if parent.Err() == nil {
		h.state(false, err.Error()) // at once: the accept may take long
	}
	c.keeping.Wait()          // what it stores is still confirmed, if the broker is there
	cancel(nil)               // ends waiting for room in the intake
	c.client.Disconnect(1000) // returns earlier, when the library's goroutines have ended
	return err
}

func (s *session) use(c *connection) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.conn != nil {
		close(s.conn.lost)
	}
	s.conn = c
}

// serve subscribes, each time since the broker may have lost the session, and keeps what
// comes in, one batch at a time. Both go on at once: what the broker has kept may arrive
// before the SUBACK, and be more than there is room for.
func (c *connection) serve(ctx, parent context.Context) error {
	if len(c.not) > 0 {
		c.client.Unsubscribe(c.not...)
	}
	sub := c.client.SubscribeMultiple(atQoS1(c.filters()), nil)
	confirmed := sub.Done()
	late := time.NewTimer(subscribeWait)
	defer late.Stop()
	kept, end := make(chan error, 1), make(chan struct{})
	defer close(end)
	c.keeping.Go(func() { kept <- c.keepAll(parent, end) })
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-confirmed:
			if sub.Error() != nil { // the connection is lost: ctx will say why, or late
				confirmed = nil
				continue
			}
			if err := granted(sub); err != nil {
				return err
			}
			late.Stop()
			confirmed = nil
			c.h.state(true, "connected to the broker"+c.note)
		case <-late.C:
			return errUnanswered
		case err := <-kept:
			return err
		}
	}
}

// keepAll keeps what comes in, until something cannot be kept or the connection is lost.
// An accept that has begun is finished even then.
func (c *connection) keepAll(parent context.Context, end <-chan struct{}) error {
	for {
		select {
		case <-end:
			return nil
		case <-c.in.some:
			if err := c.keep(parent); err != nil {
				return err
			}
		}
	}
}

// arrived is called by the library for each publish, in order and one at a time
// (OrderMatters). It never publishes and never waits, so that it cannot block the library,
// its PUBACKs included.
func (c *connection) arrived(_ mqtt.Client, m mqtt.Message) {
	if m.Qos() > 0 && c.in.overflow.Load() {
		return // keep the order: nothing after the one for which there was no room
	}
	switch {
	case c.in.add(m):
	case m.Qos() == 0:
		c.h.drop(dropOverflow)
	default:
		c.in.overflow.Store(true)
	}
}

// keep takes over what waits, in one batch, and confirms it in order.
func (c *connection) keep(ctx context.Context) error {
	batch := c.in.drain()
	if len(batch) == 0 {
		return nil // they came with the last ones
	}
	var in []packet
	for _, m := range batch {
		if c.wanted(m.Topic()) {
			in = append(in, packet{topic: m.Topic(), payload: m.Payload(), retained: m.Retained()})
		} else {
			c.h.drop(dropOtherTopic)
		}
	}
	if err := c.h.take(ctx, in); err != nil {
		return fmt.Errorf("what came in could not be kept, asking the broker for it again: %w", err)
	}
	c.in.kept(batch)
	for _, m := range batch {
		m.Ack()
	}
	if c.in.overflow.Load() && c.in.waiting() == 0 {
		return errOverflow
	}
	return nil
}

// errOverflow is no fault of the connection: what there was room for has been kept, so the
// wait before the next connection need not grow.
var errOverflow = errors.New("more came in than could be kept, asking the broker for the rest again")
