package adaptertest

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

const (
	soon  = 5 * time.Second        // for what has to end
	quiet = 100 * time.Millisecond // for what must not happen
)

// rig is one link on the bench: between a Host and a Peer.
type rig struct {
	*testing.T
	kit  Kit
	wait time.Duration // the kit's patience
	link link.Link
	peer Peer
	host *Host

	ctx    context.Context // of Run
	cancel context.CancelFunc
	ended  chan error // gets what Run returned; nil: it was not started

	said int // numbers what is said and sent, so that no two are the same by chance
	sent int

	mu    sync.Mutex
	shown bytes.Buffer // all that could be seen: the log and the errors
}

// start builds a rig whose link does not run yet. Its end checks that no secret
// was shown and no goroutine is left.
func start(t *testing.T, kit Kit) *rig {
	before := goleak.IgnoreCurrent()
	t.Cleanup(func() { goleak.VerifyNone(t, before) })
	r := &rig{T: t, kit: kit, wait: cmp.Or(kit.Patience, 20*time.Second), host: &Host{}}
	r.link, r.peer = kit.New(t, slog.New(slog.NewTextHandler(r, &slog.HandlerOptions{Level: slog.LevelDebug})))
	r.ctx, r.cancel = context.WithCancel(context.Background())
	t.Cleanup(r.hidesSecret)
	t.Cleanup(func() { r.stop() })
	return r
}

// Write takes the link's log.
func (r *rig) Write(p []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.shown.Write(p)
}

func (r *rig) hidesSecret() {
	for _, s := range r.host.States() {
		fmt.Fprintln(r, s.Why)
	}
	if r.kit.Secret != "" && strings.Contains(r.shown.String(), r.kit.Secret) {
		r.Errorf("the secret shows in a log line, an error or the reason of a state:\n%s", r.shown.String())
	}
	if r.Failed() {
		r.Logf("the link's log and errors:\n%s", r.shown.String())
	}
}

// need skips a case that the medium has no means for.
func (r *rig) need(has bool, what string) {
	r.Helper()
	if !has {
		r.Skip("this medium or its peer has no " + what)
	}
}

// run starts Run and waits until the link is up.
func (r *rig) run() {
	r.Helper()
	ended := make(chan error, 1)
	go func() { ended <- r.link.Run(r.ctx, r.host) }()
	r.ended = ended
	r.up()
}

func (r *rig) up() {
	r.Helper()
	if r.kit.Connected {
		r.await("the link reports that it is up", r.host.Up)
	}
}

// stop ends Run and checks that it ended soon and for no reason of its own.
func (r *rig) stop() {
	r.Helper()
	r.cancel()
	if r.ended == nil {
		return
	}
	select {
	case err := <-r.ended:
		if err != nil && !errors.Is(err, context.Canceled) {
			r.Errorf("Run returned %v, want nil or its context's error", err)
		}
	case <-time.After(soon):
		r.Errorf("Run did not return within %v of its context's end", soon)
	}
	r.ended = nil
}

// await waits until ok holds, which depends on the host.
func (r *rig) await(what string, ok func() bool) {
	r.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), r.wait)
	defer cancel()
	if !r.host.Wait(ctx, ok) {
		r.Fatalf("waited %v in vain until %s", r.wait, what)
	}
}

// say sends text from the far side, each time as a message of its own.
func (r *rig) say(text string) <-chan Answer {
	r.said++
	return r.repeat(text)
}

// repeat says text as the same message as the last one.
func (r *rig) repeat(text string) <-chan Answer {
	m := r.kit.In
	m.Kind, m.Text, m.OriginID = message.Text, text, fmt.Sprint(r.said)
	return r.peer.Say(m)
}

// answer waits for the link's answer.
func (r *rig) answer(answers <-chan Answer, want Answer) {
	r.Helper()
	select {
	case got := <-answers:
		if got != want {
			r.Fatalf("the far side was answered %q, want %q", got, want)
		}
	case <-time.After(r.wait):
		r.Fatalf("the far side was not answered within %v, want %q", r.wait, want)
	}
}

// taken waits for the answer where the medium gives one.
func (r *rig) taken(answers <-chan Answer) {
	r.Helper()
	if r.kit.Confirms {
		r.answer(answers, Taken)
	}
}

// unanswered looks for a short while that no answer comes, but for those allowed.
func (r *rig) unanswered(answers <-chan Answer, allowed ...Answer) {
	r.Helper()
	select {
	case got := <-answers:
		if !slices.Contains(allowed, got) {
			r.Fatalf("the far side was answered %q", got)
		}
	case <-time.After(quiet):
	}
}

// offered waits until Accept has been given text n times.
func (r *rig) offered(text string, n int) {
	r.Helper()
	r.await(fmt.Sprintf("accept was given %q %d times", text, n), func() bool { return count(r.host.Offered(), text) >= n })
}

// kept waits until Accept has taken text over, and checks who it is from and for.
func (r *rig) kept(text string) {
	r.Helper()
	r.await(fmt.Sprintf("accept took over %q", text), func() bool { return count(r.host.Kept(), text) > 0 })
	for _, m := range r.host.Kept() {
		if m.Text == text && (m.From != r.kit.In.From || m.To != r.kit.In.To || m.Kind != message.Text) {
			r.Errorf("accept was given a %q from %q to %q, want a text from %q to %q", m.Kind, m.From, m.To, r.kit.In.From, r.kit.In.To)
		}
	}
}

func count(in []message.Message, text string) (n int) {
	for _, m := range in {
		if m.Text == text {
			n++
		}
	}
	return n
}

// frame is text as it is given to Send, each time of a message of its own.
func (r *rig) frame(text string) link.Frame {
	r.sent++
	m := r.kit.Out
	m.Kind, m.Text, m.OriginID = message.Text, text, fmt.Sprint(r.sent)
	return link.Frame{
		Message: m, Text: text, ID: fmt.Sprintf("T%04d", r.sent), Record: fmt.Sprint(r.sent),
		Part: 1, Parts: 1, Attempt: 1,
	}
}

// send sends text, waits for its result and gives it.
func (r *rig) send(text string) error {
	r.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), r.wait)
	defer cancel()
	return r.results(r.link.Send(ctx, []link.Frame{r.frame(text)}), 1)[0]
}

// results checks that there are n of them and notes what they show.
func (r *rig) results(errs []error, n int) []error {
	r.Helper()
	if len(errs) != n {
		r.Fatalf("Send gave %d results for %d frames", len(errs), n)
	}
	for _, err := range errs {
		if err != nil {
			fmt.Fprintln(r, err)
		}
	}
	return errs
}

// sends sends text, which has to arrive.
func (r *rig) sends(text string) {
	r.Helper()
	if err := r.send(text); err != nil {
		r.Fatalf("Send of %q: %v", text, err)
	}
	r.hears(text)
}

// hears waits for the next text on the far side.
func (r *rig) hears(want string) {
	r.Helper()
	select {
	case got := <-r.peer.Heard:
		if got != want {
			r.Fatalf("the far side got\n  %q, want\n  %q", got, want)
		}
	case <-time.After(r.wait):
		r.Fatalf("the far side did not get %q within %v", want, r.wait)
	}
}

// hearsNothing looks for a short while that the far side gets nothing.
func (r *rig) hearsNothing() {
	r.Helper()
	select {
	case got := <-r.peer.Heard:
		r.Fatalf("the far side got %q", got)
	case <-time.After(quiet):
	}
}

// hearsAtLast waits for a text on the far side and passes over others.
func (r *rig) hearsAtLast(want string) {
	r.Helper()
	late := time.After(r.wait)
	for {
		select {
		case got := <-r.peer.Heard:
			if got == want {
				return
			}
		case <-late:
			r.Fatalf("the far side did not get %q within %v", want, r.wait)
		}
	}
}

// until calls try every now and then until it says that it is done.
func (r *rig) until(what string, try func() bool) {
	r.Helper()
	again := time.NewTicker(quiet)
	defer again.Stop()
	late := time.After(r.wait)
	for !try() {
		select {
		case <-again.C:
		case <-late:
			r.Fatalf("tried for %v in vain until %s", r.wait, what)
		}
	}
}

// worksBothWays checks that the link is well, whatever happened before.
func (r *rig) worksBothWays() {
	r.Helper()
	in, out := fmt.Sprintf("still there %d", r.said), fmt.Sprintf("still here %d", r.sent)
	r.until("a text came in", func() bool {
		r.say(in)
		ctx, cancel := context.WithTimeout(context.Background(), 5*quiet)
		defer cancel()
		return r.host.Wait(ctx, func() bool { return count(r.host.Kept(), in) > 0 })
	})
	r.until("a text went out", func() bool { return r.send(out) == nil })
	r.hearsAtLast(out)
}
