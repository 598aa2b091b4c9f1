package broker

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// Probe tries the mesh's broker, and says what worked. With the built-in broker there is
// nothing to try.
func (m *Mesh) Probe(ctx context.Context, say func(string)) error {
	return probe(ctx, m.transport, say)
}

// Probe tries the trunk's broker, and says what worked.
func (t *Trunk) Probe(ctx context.Context, say func(string)) error { return probe(ctx, t.session, say) }

func probe(ctx context.Context, t transport, say func(string)) error {
	s, ok := t.(*session)
	if !ok {
		return nil
	}
	var failed []error
	for _, u := range s.opts.URLs { // all of them: any may be needed tomorrow
		opts := s.opts
		opts.URLs = []*url.URL{u}
		if err := newSession(opts).probe(ctx, say); err != nil {
			failed = append(failed, err)
		}
	}
	switch len(failed) {
	case 0:
		return nil
	case 1:
		return failed[0]
	}
	return unreachable(failed)
}

// probe logs in and subscribes without disturbing a running gateway: with another client
// id, a clean session and no will. It ignores what comes in.
func (s *session) probe(ctx context.Context, say func(string)) error {
	conn, err := s.dial(ctx) // first, since the library hides the kind of error
	if err == nil {
		err = objection(conn)
		conn.Close()
	}
	if err != nil {
		return fmt.Errorf("no connection to the broker at %s: %w", s.host(), err)
	}
	word := "connected to " + s.host()
	if s.opts.URLs[0].Scheme == "ssl" {
		word += " with TLS"
	}
	say(word)
	o := mqtt.NewClientOptions().AddBroker(s.opts.URLs[0].String()).
		SetClientID(s.opts.ClientID + "-check-" + rand.Text()[:6]).SetUsername(s.opts.Username).SetPassword(s.opts.Password).
		SetProtocolVersion(4).SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).SetConnectTimeout(connectWait).SetStore(noStore{}).
		SetDefaultPublishHandler(func(mqtt.Client, mqtt.Message) {}).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
			conn, err := s.dial(ctx)
			if err != nil {
				return nil, err
			}
			return cutting(conn, func() {}), nil
		})
	client := mqtt.NewClient(o)
	defer client.Disconnect(100)
	if err := within(ctx, client.Connect()); err != nil {
		return s.explain(err)
	}
	if s.opts.Username == "" {
		say("let in without a user name")
	} else {
		say("logged in as " + s.opts.Username)
	}
	for _, topic := range s.opts.Topics {
		t := client.Subscribe(topic, 1, nil)
		if err := within(ctx, t); err != nil && t.(*mqtt.SubscribeToken).Result()[topic] != refused {
			return fmt.Errorf("subscribing to %s: %w", topic, err)
		}
		if t.(*mqtt.SubscribeToken).Result()[topic] == refused {
			return fmt.Errorf("the broker does not let %s read %s: change its access list", who(s.opts.Username), topic)
		}
		if t.(*mqtt.SubscribeToken).Result()[topic] == 0 {
			return fmt.Errorf("the broker grants only QoS 0 on %s, so that nothing could be confirmed: let it grant QoS 1", topic)
		}
		say("may read " + topic)
	}
	return nil
}

// objectionWait is how long a server may take to reject our certificate.
const objectionWait = time.Second

// objection waits for a TLS 1.3 server to reject our certificate, which it does after the
// handshake is over for us (RFC 8446 section 4.4.2.4). If we wrote first its alert would be
// lost. A broker sends nothing else before CONNECT.
func objection(conn net.Conn) error {
	if _, ok := conn.(*tls.Conn); !ok {
		return nil
	}
	if err := conn.SetReadDeadline(time.Now().Add(objectionWait)); err != nil {
		return err
	}
	if _, err := conn.Read(make([]byte, 1)); err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
		return err
	}
	return nil
}

// refused is a broker's answer to a subscription (MQTT 3.1.1 section 3.9.3).
const refused = 0x80

func who(user string) string {
	if user == "" {
		return "clients without a user name"
	}
	return user
}

// within waits for the library.
func within(ctx context.Context, t mqtt.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(connectWait):
		return errors.New("no answer")
	}
}
