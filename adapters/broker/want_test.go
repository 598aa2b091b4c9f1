package broker

import (
	"context"
	"net"
	"net/url"
	"sync"
	"testing"
	"time"

	"log/slog"
)

// The built-in broker's library refuses a subscription whose packet id it is
// using for a publish to the same client: seen as whereabouts that never came
// until the next connect.
func TestSubscriptionUnderAPacketIDInUseIsTriedAgain(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var work sync.WaitGroup
	defer work.Wait()
	defer cancel()
	server := &trunkServer{root: "root", listen: l, log: slog.New(slog.DiscardHandler)}
	work.Go(func() { server.run(ctx) })

	held, got := make(chan struct{}), make(chan packet, 64)
	join := func(id string, take func(context.Context, []packet) error) *session {
		s := newSession(sessionOptions{URLs: []*url.URL{{Scheme: "tcp", Host: l.Addr().String()}}, ClientID: id, Topics: []string{"root/in/" + id}})
		up := make(chan bool, 64)
		work.Go(func() {
			s.run(ctx, handler{take: take, state: func(is bool, _ string) { up <- is }, drop: func(dropped) {}})
		})
		for !<-up {
		}
		return s
	}
	a := join("a", func(context.Context, []packet) error { return nil })
	b := join("b", func(ctx context.Context, in []packet) error {
		for _, p := range in {
			got <- p
		}
		select { // nothing is confirmed: the broker keeps the ids of these
		case <-held:
		case <-ctx.Done():
		}
		return nil
	})
	if err := a.publish(ctx, []packet{{topic: "root/heard/x", payload: []byte("here"), retained: true}})[0]; err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if err := a.publish(ctx, []packet{{topic: "root/in/b", payload: []byte(time.Now().String())}})[0]; err != nil {
			t.Fatal(err)
		}
	}
	<-got
	b.want([]string{"root/heard/x"})
	close(held)
	for {
		select {
		case p := <-got:
			if p.topic == "root/heard/x" && p.retained {
				return
			}
		case <-time.After(10 * time.Second):
			t.Fatal("what the broker remembers did not come")
		}
	}
}
