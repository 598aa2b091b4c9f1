package broker

import (
	"fmt"
	"slices"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"posthouse/bridge/config"
)

// want sets the filters to subscribe to besides Topics, now and at each connect. A refusal
// or loss ends the connection, which is then made again.
func (s *session) want(filters []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	set := make(map[string]bool, len(filters))
	var more, less []string
	for _, f := range filters {
		set[f] = true
		if !s.wanted[f] {
			more = append(more, f)
		}
	}
	for f := range s.wanted {
		if !set[f] {
			less = append(less, f)
		}
	}
	s.wanted = set
	if s.conn == nil || len(more)+len(less) == 0 {
		return
	}
	if len(less) > 0 {
		s.conn.client.Unsubscribe(less...)
	}
	if c := s.conn; len(more) > 0 {
		c.keeping.Go(func() { c.subscribe(more) })
	}
}

// subscribe adds subscriptions to a running connection, and makes sure that they are
// granted. A broker may refuse one because it uses the same packet id in the other
// direction (the built-in one's library has one table for both); then the next try, with
// another id, succeeds.
func (c *connection) subscribe(filters []string) {
	for try := time.Duration(1); ; try++ {
		t := c.client.SubscribeMultiple(atQoS1(filters), nil)
		select {
		case <-t.Done():
		case <-time.After(subscribeWait):
			c.end(errUnanswered)
			return
		case <-c.lost:
			return
		}
		err := granted(t)
		if err == nil {
			return
		}
		if try > subscribeTries {
			c.end(err)
			return
		}
		select {
		case <-time.After(try * 20 * time.Millisecond):
		case <-c.lost:
			return
		}
	}
}

const subscribeTries = 5

var errUnanswered = fmt.Errorf("the broker did not answer a subscription within %v", subscribeWait)

func (s *session) filters() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := slices.Clone(s.opts.Topics)
	for f := range s.wanted {
		out = append(out, f)
	}
	return out
}

func atQoS1(topics []string) map[string]byte {
	filters := map[string]byte{}
	for _, topic := range topics {
		filters[topic] = 1
	}
	return filters
}

// granted reads the SUBACK: to the library a refused topic is no error.
func granted(t mqtt.Token) error {
	if err := t.Error(); err != nil {
		return fmt.Errorf("subscribe: %w", err)
	}
	sub, ok := t.(*mqtt.SubscribeToken)
	if !ok {
		return fmt.Errorf("subscribe: unexpected token %T", t)
	}
	for topic, qos := range sub.Result() {
		switch {
		case qos >= 0x80: // 0x80 by MQTT 3.1.1; the built-in broker gives the codes of MQTT 5
			return fmt.Errorf("the broker refuses the subscription to %s: give its user the right to read there", topic)
		case qos == 0:
			return fmt.Errorf("the broker grants only QoS 0 on %s, so that nothing could be confirmed: let it grant QoS 1", topic)
		}
	}
	return nil
}

// wanted tells whether we subscribe to a topic: the broker's session may still have a
// subscription from before the settings were changed.
func (c *connection) wanted(topic string) bool {
	return slices.ContainsFunc(c.filters(), func(filter string) bool { return config.Covers(filter, topic) })
}
