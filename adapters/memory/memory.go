// Package memory is a link without a medium: what is sent goes into a channel, what
// comes in is a method call. It is the reference implementation of the contract in
// package link, and the link of the bridge's own tests and simulation. It opens no
// socket, so it works in a testing/synctest bubble.
//
// A Link has two sides. The bridge calls Run, Send and Properties. The test, as
// the far side, calls Hear, Ack and Nak to speak, reads Sent to listen, and
// takes the link Down and Up.
package memory

import (
	"context"
	"fmt"
	"sync"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// window is how many frames the far side takes without reading them; then Send
// waits for it.
const window = 1024

// Link is both ends of the link. Make it with New; safe for concurrent use.
type Link struct {
	props link.Properties
	sent  chan link.Frame

	turn sync.Mutex     // held over a change of state, so that the host hears of changes in their order
	busy sync.WaitGroup // the accepts that Run has to wait for

	mu    sync.Mutex
	run   context.Context // of Run; nil while it does not run
	host  link.Host       // nil while Run does not run
	lost  chan struct{}   // closed when the connection is lost; nil: there is none
	down  bool            // the far side is away
	fails []error         // what the next frames get
	stall chan struct{}   // sends wait until it is closed; nil: they don't
}

// New makes a link that can do what props says, with the far side there. A
// Batch or Parallel below 1 becomes 1.
func New(props link.Properties) *Link {
	props.Batch, props.Parallel = max(1, props.Batch), max(1, props.Parallel)
	return &Link{props: props, sent: make(chan link.Frame, window)}
}

// Properties implements link.Link.
func (l *Link) Properties() link.Properties { return l.props }

// Run implements link.Link. It returns ctx's error.
func (l *Link) Run(ctx context.Context, host link.Host) error {
	l.change(func() { l.run, l.host = ctx, host }, "")
	<-ctx.Done()
	l.change(func() { l.run, l.host = nil, nil }, "")
	l.busy.Wait()
	return ctx.Err()
}

// Down takes the far side away: the connection is lost, sends get link.ErrDown.
func (l *Link) Down(why string) { l.change(func() { l.down = true }, why) }

// Up brings the far side back.
func (l *Link) Up() { l.change(func() { l.down = false }, "") }

// Trouble has the link do half of its work only; empty: all of it.
func (l *Link) Trouble(what string) {
	l.mu.Lock()
	host := l.host
	l.mu.Unlock()
	host.Trouble(what)
}

// change alters what the connection depends on, makes or breaks it accordingly,
// and tells the host.
func (l *Link) change(alter func(), why string) {
	l.turn.Lock()
	defer l.turn.Unlock()
	l.mu.Lock()
	alter()
	switch up := l.host != nil && !l.down; {
	case up && l.lost == nil:
		l.lost = make(chan struct{})
	case !up && l.lost != nil:
		close(l.lost)
		l.lost = nil
	}
	host, up := l.host, l.lost != nil
	l.mu.Unlock()
	if host != nil {
		host.State(up, why)
	}
}

// Send implements link.Link. A frame that does not fit the medium is refused
// for good; fitting is the bridge's work, cutting would falsify the text.
func (l *Link) Send(ctx context.Context, frames []link.Frame) []error {
	return link.OneByOne(frames, func(f link.Frame) error { return l.send(ctx, f) })
}

func (l *Link) send(ctx context.Context, f link.Frame) error {
	lost, err := l.connection()
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := l.fits(f.Text); err != nil {
		return err
	}
	if err := l.nextFailure(); err != nil {
		return err
	}
	for {
		taking, stall := l.sent, l.stalled()
		if stall != nil {
			taking = nil
		}
		select {
		case taking <- f:
			return nil
		case <-stall:
		case <-lost:
			return link.ErrDown
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// connection gives the channel that closes when the connection is lost.
func (l *Link) connection() (<-chan struct{}, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lost == nil {
		return nil, link.ErrDown
	}
	return l.lost, nil
}

func (l *Link) stalled() <-chan struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.stall
}

// Stall makes the far side take nothing and say nothing, with the connection
// up, until resume is called.
func (l *Link) Stall() (resume func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	stall := make(chan struct{})
	l.stall = stall
	return sync.OnceFunc(func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.stall == stall {
			l.stall = nil
		}
		close(stall)
	})
}

func (l *Link) fits(text string) error {
	m := l.props.Medium
	if m.MaxBytes > 0 && len(text) > m.MaxBytes {
		return link.Permanent(link.CodeTooLong, fmt.Errorf("frame of %d bytes, the medium takes %d", len(text), m.MaxBytes))
	}
	for _, r := range text {
		_, forbidden := m.Replace[r]
		if forbidden || m.ASCII && (r < ' ' || r > '~') {
			return link.Permanent(link.CodeNotText, fmt.Errorf("the medium cannot carry %q", r))
		}
	}
	return nil
}

// Sent is where the far side reads the frames that it has taken, in order.
func (l *Link) Sent() <-chan link.Frame { return l.sent }

// FailNext makes the next frames fail, each with one of errs; a nil lets one
// pass. The far side does not get a frame that fails.
func (l *Link) FailNext(errs ...error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.fails = append(l.fails, errs...)
}

func (l *Link) nextFailure() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.fails) == 0 {
		return nil
	}
	err := l.fails[0]
	l.fails = l.fails[1:]
	return err
}

// Hear speaks as the far side and waits for the confirmation. A nil error says
// that the bridge answered: it took the message over, or refused it for good. An
// error says that there was no confirmation, so the far side has to try again:
// link.ErrDown when the connection is lost, also while accept was at work (the
// message may then have been kept); ctx's error when the far side gave up
// waiting; else accept's own.
func (l *Link) Hear(ctx context.Context, m message.Message) (link.Verdict, error) {
	run, host, lost, err := l.begin()
	if err != nil {
		return link.Verdict{}, err
	}
	var verdict link.Verdict
	done := make(chan error, 1)
	go func() {
		defer l.busy.Done()
		verdicts, err := host.Accept(run, m)
		if err == nil {
			verdict = verdicts[0]
		}
		done <- err
	}()
	select {
	case err := <-done:
		return verdict, err
	case <-lost:
		return link.Verdict{}, link.ErrDown
	case <-ctx.Done():
		return link.Verdict{}, ctx.Err()
	}
}

// TurnAway refuses a message as an adapter does by itself; Run must be at work.
func (l *Link) TurnAway(m message.Message, code, why string) error {
	_, host, _, err := l.begin()
	if err != nil {
		return err
	}
	defer l.busy.Done()
	host.TurnedAway(m, code, why)
	return nil
}

// begin registers an accept with Run, which waits for it.
func (l *Link) begin() (context.Context, link.Host, <-chan struct{}, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.lost == nil {
		return nil, nil, nil, link.ErrDown
	}
	l.busy.Add(1)
	return l.run, l.host, l.lost, nil
}

// Ack acknowledges a frame as its addressee does; otherwise it is Hear.
func (l *Link) Ack(ctx context.Context, f link.Frame) (link.Verdict, error) {
	return l.Hear(ctx, receipt(f, false))
}

// Nak refuses a frame as its addressee does; otherwise it is Hear.
func (l *Link) Nak(ctx context.Context, f link.Frame) (link.Verdict, error) {
	return l.Hear(ctx, receipt(f, true))
}

func receipt(f link.Frame, nak bool) message.Message {
	return message.Message{Kind: message.Receipt, From: f.Message.To, To: f.Message.From, Acks: f.ID, Nak: nak}
}
