package memory

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"posthouse/adapters/adaptertest"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// mistakes are links that break one promise each: the suite has to find every
// one of them, under the name of that promise.
var mistakes = []struct {
	promise string
	mistake
}{
	{"properties are sane and do not change", mistake{properties: func(p *link.Properties) { p.Parallel = 0 }}},
	{"confirms only after accept returned", mistake{host: func(h link.Host) link.Host { return early{h} }}},
	{"a failed accept is not confirmed and can come again", mistake{host: func(h link.Host) link.Host { return blind{h} }}},
	{"a refused message is answered for good and not offered again", mistake{host: func(h link.Host) link.Host { return insisting{h} }}},
	{"the same message twice is handed on twice", mistake{host: func(h link.Host) link.Host { return &once{Host: h} }}},
	{"a text comes in byte for byte", mistake{host: func(h link.Host) link.Host { return altering{h, strings.ToLower} }}},
	{"a text goes out byte for byte", mistake{text: func(s string) string { return strings.ReplaceAll(s, "  ", " ") }}},
	{"a full frame arrives, a longer one is never cut", mistake{text: func(s string) string { return s[:min(len(s), narrow.MaxBytes)] }}},
	{"what the medium cannot carry is never altered", mistake{text: strings.NewReplacer("ü", "ue", "ß", "ss").Replace}},
	{"one result a frame, in the frames' order", mistake{results: func(errs []error) []error { return errs[:min(1, len(errs))] }}},
	{"as many sends at once as declared", mistake{text: func(s string) string { return strings.Replace(s, "at once 1", "at once 0", 1) }}},
	{"a link that does not run yet is down", mistake{err: func(err error) error { return errors.New(err.Error()) }}},
	{"a link without its far side is down, and comes back", mistake{host: func(h link.Host) link.Host { return optimist{h} }}},
	{"permanent stays permanent", mistake{err: func(err error) error { return fmt.Errorf("send: %v", err) }}},
	{"temporary is not permanent", mistake{err: func(err error) error { return link.Permanent("failed", err) }}},
	{"send returns soon after its context ends", mistake{send: context.WithoutCancel}},
	{"run returns soon after its context ends", mistake{run: context.WithoutCancel}},
	{"a connection lost during accept loses nothing", mistake{host: func(h link.Host) link.Host { return &deaf{Host: h} }}},
	{"a connection lost during send tells so", mistake{err: func(err error) error { return nil }}},
	{"properties are sane and do not change", mistake{leak: true}}, // a goroutine is left after any case
	{"permanent stays permanent", mistake{err: func(err error) error { return fmt.Errorf("login with %s: %w", secret, err) }}},
}

const secret = "correct-horse-battery"

var narrow = fit.Medium{MaxBytes: 67, ASCII: true}

// TestSuiteFindsMistakes runs one case of the suite on each mistaken link, in a
// process of its own, since a failing test cannot be taken back.
func TestSuiteFindsMistakes(t *testing.T) {
	for i, m := range mistakes {
		t.Run(fmt.Sprint(i, " ", m.promise), func(t *testing.T) {
			t.Parallel()
			name := strings.ReplaceAll(m.promise, " ", "_")
			child := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestMistake$/^"+name+"$", "-test.timeout=30s")
			child.Env = append(os.Environ(), fmt.Sprint("POSTHOUSE_TEST_MISTAKE=", i))
			out, _ := child.CombinedOutput()
			if want := "--- FAIL: TestMistake/" + name; !strings.Contains(string(out), want) {
				t.Errorf("the suite did not find it; want %q in:\n%s", want, out)
			}
		})
	}
}

// TestMistake is what TestSuiteFindsMistakes runs.
func TestMistake(t *testing.T) {
	var i int
	if _, err := fmt.Sscan(os.Getenv("POSTHOUSE_TEST_MISTAKE"), &i); err != nil {
		t.Skip("runs as a part of TestSuiteFindsMistakes")
	}
	k := kit(link.Properties{Medium: narrow, Batch: 4, Parallel: 8})
	k.Patience, k.Secret = time.Second, secret
	right := k.New
	k.New = func(t testing.TB, log *slog.Logger) (link.Link, adaptertest.Peer) {
		l, p := right(t, log)
		return mistaken{l.(*Link), mistakes[i].mistake}, p
	}
	adaptertest.Run(t, k)
}

// mistake is what a mistaken link does wrong; nil functions change nothing.
type mistake struct {
	host       func(link.Host) link.Host // what lies between it and the bridge
	properties func(*link.Properties)
	text       func(string) string // of what is sent
	results    func([]error) []error
	err        func(error) error // of what was not sent
	send, run  func(context.Context) context.Context
	leak       bool
}

type mistaken struct {
	*Link
	m mistake
}

func (l mistaken) Properties() link.Properties {
	p := l.Link.Properties()
	if l.m.properties != nil {
		l.m.properties(&p)
	}
	return p
}

func (l mistaken) Run(ctx context.Context, host link.Host) error {
	if l.m.leak {
		go func() { select {} }()
	}
	if l.m.host != nil {
		host = l.m.host(host)
	}
	if l.m.run != nil {
		ctx = l.m.run(ctx)
	}
	return l.Link.Run(ctx, host)
}

func (l mistaken) Send(ctx context.Context, frames []link.Frame) []error {
	if l.m.send != nil {
		ctx = l.m.send(ctx)
	}
	for i := range frames {
		if l.m.text != nil {
			frames[i].Text = l.m.text(frames[i].Text)
		}
	}
	errs := l.Link.Send(ctx, frames)
	for i := range errs {
		if errs[i] != nil && l.m.err != nil {
			errs[i] = l.m.err(errs[i])
		}
	}
	if l.m.results != nil {
		errs = l.m.results(errs)
	}
	return errs
}

// early confirms before accept has returned.
type early struct{ link.Host }

func (e early) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	go func() { _, _ = e.Host.Accept(ctx, in...) }()
	return make([]link.Verdict, len(in)), nil
}

// blind does not look whether accept failed.
type blind struct{ link.Host }

func (b blind) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	_, _ = b.Host.Accept(ctx, in...)
	return make([]link.Verdict, len(in)), nil
}

// insisting offers a refused message again.
type insisting struct{ link.Host }

func (i insisting) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	verdicts, err := i.Host.Accept(ctx, in...)
	if err == nil && verdicts[0].Refused() {
		return i.Host.Accept(ctx, in...)
	}
	return verdicts, err
}

// once takes the decision about duplicates away from accept.
type once struct {
	link.Host
	seen sync.Map
}

func (o *once) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	if _, again := o.seen.LoadOrStore(in[0].Text, true); again {
		return make([]link.Verdict, len(in)), nil
	}
	return o.Host.Accept(ctx, in...)
}

// deaf hands on nothing more once the connection was lost.
type deaf struct {
	link.Host
	lost atomic.Bool
}

func (d *deaf) State(up bool, why string) {
	if !up {
		d.lost.Store(true)
	}
	d.Host.State(up, why)
}

func (d *deaf) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	if d.lost.Load() {
		return make([]link.Verdict, len(in)), nil
	}
	return d.Host.Accept(ctx, in...)
}

// altering changes what comes in.
type altering struct {
	link.Host
	change func(string) string
}

func (a altering) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	for i := range in {
		in[i].Text = a.change(in[i].Text)
	}
	return a.Host.Accept(ctx, in...)
}

// optimist never says that the link is down.
type optimist struct{ link.Host }

func (o optimist) State(up bool, why string) {
	if up {
		o.Host.State(up, why)
	}
}
