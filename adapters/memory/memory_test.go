package memory

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"posthouse/adapters/adaptertest"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestAdapter(t *testing.T) {
	adaptertest.Run(t, kit(link.Properties{Batch: 4, Parallel: 8}))
}

func TestAdapterOfANarrowMedium(t *testing.T) {
	adaptertest.Run(t, kit(link.Properties{
		Medium: fit.Medium{MaxBytes: 67, MaxParts: 3, ASCII: true, Replace: map[rune]string{'{': "(", '~': "-"}},
		Acks:   true, AckWait: time.Second,
	}))
}

func kit(props link.Properties) adaptertest.Kit {
	return adaptertest.Kit{
		New: func(t testing.TB, _ *slog.Logger) (link.Link, adaptertest.Peer) {
			l := New(props)
			return l, peer(t, l)
		},
		In:        message.Message{From: "N0QRA-7", To: "N0QRB-9"},
		Out:       message.Message{From: "N0QRB-9", To: "N0QRA-7"},
		Confirms:  true,
		SaysNo:    true,
		Connected: true,
	}
}

// peer makes the far side of l: one goroutine for each text said, one that reads.
func peer(t testing.TB, l *Link) adaptertest.Peer {
	ctx := t.Context()
	var work sync.WaitGroup
	t.Cleanup(work.Wait)
	heard := make(chan string, 100)
	work.Go(func() {
		for {
			select {
			case f := <-l.Sent():
				heard <- f.Text
			case <-ctx.Done():
				return
			}
		}
	})
	fail := func(err error) func() { return func() { l.FailNext(err) } }
	resume := func() {}
	return adaptertest.Peer{
		Say: func(m message.Message) <-chan adaptertest.Answer {
			answers := make(chan adaptertest.Answer, 1)
			work.Go(func() {
				switch v, err := l.Hear(ctx, m); {
				case errors.Is(err, link.ErrDown) || errors.Is(err, context.Canceled): // nobody answers
				case err != nil:
					answers <- adaptertest.Later
				case v.Refused():
					answers <- adaptertest.Refused
				default:
					answers <- adaptertest.Taken
				}
			})
			return answers
		},
		Heard:  heard,
		Cut:    func() { l.Down("the far side hung up") },
		Mend:   func() { resume(); l.Up() },
		Refuse: fail(link.Permanent(link.CodeBlocked, errors.New("refused"))),
		Defer:  fail(link.RetryAfter(time.Minute, errors.New("busy"))),
		Stall:  func() { resume = l.Stall() },
	}
}

// A link in a bubble: a day passes at once, and acks find their way.
func TestBubble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, host := New(link.Properties{}), &adaptertest.Host{}
		ctx, cancel := context.WithCancel(t.Context())
		var work sync.WaitGroup
		work.Go(func() { _ = l.Run(ctx, host) })
		synctest.Wait()

		l.Down("night")
		time.Sleep(24 * time.Hour)
		l.Up()
		text := message.Message{Kind: message.Text, From: "N0QRA-7", To: "N0QRB-9", Text: "QSL?"}
		frame := link.Frame{Message: text, Text: text.Text, ID: "4F2A1", Part: 1, Parts: 1}
		if err := l.Send(ctx, []link.Frame{frame})[0]; err != nil {
			t.Fatal(err)
		}
		if _, err := l.Ack(ctx, <-l.Sent()); err != nil {
			t.Fatal(err)
		}
		cancel()
		work.Wait()

		want := []adaptertest.State{{Up: true}, {Why: "night"}, {Up: true}}
		if got := host.States(); !slices.Equal(got, want) {
			t.Errorf("states %+v, want %+v", got, want)
		}
		ack := host.Kept()[0]
		if ack.Kind != message.Receipt || ack.From != "N0QRB-9" || ack.To != "N0QRA-7" || ack.Acks != "4F2A1" || ack.Nak {
			t.Errorf("the ack came as %+v", ack)
		}
	})
}

func TestNakIsAReceiptThatRefuses(t *testing.T) {
	m := receipt(link.Frame{Message: message.Message{From: "N0QRA", To: "N0QRB"}, ID: "4F2A1"}, true)
	if m.Kind != message.Receipt || !m.Nak || m.Acks != "4F2A1" || m.From != "N0QRB" {
		t.Errorf("the nak is %+v", m)
	}
}
