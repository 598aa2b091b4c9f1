package broker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/link"
)

// bench hands out tokens that the test ends.
type bench struct {
	flights
	offered []string
	open    map[string]*delivery
	down    bool
}

// says are packets to one topic.
func says(payloads ...string) (out []packet) {
	for _, p := range payloads {
		out = append(out, packet{topic: "valley/to", payload: []byte(p)})
	}
	return out
}

func (b *bench) offer(p packet) token {
	b.offered = append(b.offered, string(p.payload))
	if b.down {
		return over{link.ErrDown}
	}
	d := &delivery{done: make(chan struct{})}
	if b.open == nil {
		b.open = map[string]*delivery{}
	}
	b.open[string(p.payload)] = d
	return d
}

func (b *bench) try(payload string, wait time.Duration) error {
	ctx, cancel := context.WithTimeout(context.Background(), wait)
	defer cancel()
	return b.send(ctx, nil, says(payload), b.offer)[0]
}

func TestOnePayloadIsInTheAirOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b bench
		begin := time.Now()
		if err := b.try("a", time.Hour); !errors.Is(err, errUnconfirmed) || time.Since(begin) != confirmWait {
			t.Errorf("without a PUBACK: %v after %v, want %v after %v", err, time.Since(begin), errUnconfirmed, confirmWait)
		}
		if err := b.try("a", time.Second); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("again: %v, want its context's error", err)
		}
		b.open["a"].end(nil) // late
		if err := b.try("a", time.Second); err != nil {
			t.Errorf("after the late PUBACK: %v", err)
		}
		if want := []string{"a"}; !slices.Equal(b.offered, want) {
			t.Errorf("published %q, want %q", b.offered, want)
		}

		if err := b.try("a", time.Second); err == nil { // a resend of its own
			t.Error("the resend was confirmed by an old PUBACK")
		}
		b.open["a"].end(link.ErrDown) // lost, and nobody was waiting
		if err := b.try("a", time.Second); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("after a loss: %v, want a new publish that waits", err)
		}
		if want := []string{"a", "a", "a"}; !slices.Equal(b.offered, want) {
			t.Errorf("published %q, want %q", b.offered, want)
		}
	})
}

func TestOpenPublishesAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b bench
		for i := range maxOpen {
			if err := b.try(fmt.Sprint(i), time.Millisecond); !errors.Is(err, context.DeadlineExceeded) {
				t.Fatal(err)
			}
		}
		if err := b.try("one more", time.Millisecond); !errors.Is(err, errTooMany) {
			t.Errorf("publish %d: %v, want %v", maxOpen+1, err, errTooMany)
		}
		b.open["0"].end(nil)
		if err := b.try("one more", time.Millisecond); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("when one was confirmed: %v, want a new publish that waits", err)
		}
		lost := make(chan struct{})
		close(lost)
		if err := b.send(context.Background(), lost, says("1"), b.offer)[0]; !errors.Is(err, errLost) {
			t.Errorf("with the connection lost: %v, want %v", err, errLost)
		}
	})
}

func TestNothingIsOfferedBehindWhatCouldNotBe(t *testing.T) {
	b := bench{down: true}
	errs := b.send(t.Context(), nil, says("a", "b", "c"), b.offer)
	for i, err := range errs {
		if !errors.Is(err, link.ErrDown) {
			t.Errorf("packet %d: %v, want link.ErrDown", i+1, err)
		}
	}
	if want := []string{"a"}; !slices.Equal(b.offered, want) {
		t.Errorf("offered %q, want %q", b.offered, want)
	}
	if len(b.flights.open) != 0 {
		t.Errorf("%d count as under way, want none", len(b.flights.open))
	}
}

// Two texts to a group may say the same, to the byte: each is sent.
func TestTwoThatSayTheSameAreTwo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b bench
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		for _, err := range b.send(ctx, nil, says("ALL OK", "ALL OK"), b.offer) {
			if !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("unconfirmed: %v", err)
			}
		}
		if want := []string{"ALL OK", "ALL OK"}; !slices.Equal(b.offered, want) {
			t.Errorf("offered %q, want %q", b.offered, want)
		}
		b.send(ctx, nil, says("ALL OK", "ALL OK"), b.offer)
		if len(b.offered) != 2 {
			t.Errorf("offered again while they are under way: %q", b.offered)
		}
	})
}
