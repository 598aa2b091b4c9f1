package broker

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"

	"posthouse/bridge/link"
)

// maxOpen bounds what waits for a PUBACK in all.
const maxOpen = 256

var (
	errUnconfirmed = fmt.Errorf("no PUBACK within %v", confirmWait)
	errTooMany     = errors.New("too many publishes wait for their PUBACK")
)

// token is one publish that waits for its PUBACK.
type token interface {
	Done() <-chan struct{}
	Error() error // nil once the PUBACK is there
}

// flights are the publishes of one connection. A payload is in the air once: a
// frame whose PUBACK did not come in time is still under way, so when it is
// offered again it waits for, or finds, the PUBACK of the first time instead of
// going out twice.
type flights struct {
	turn sync.Mutex // held while one call offers, so that calls do not mix

	mu   sync.Mutex
	open map[string]token // by topic and payload
}

// send offers each packet, in order, and waits for all. It ends early with lost.
// Behind one that could not be offered none is.
func (f *flights) send(ctx context.Context, lost <-chan struct{}, out []packet, offer func(packet) token) []error {
	ctx, cancel := context.WithTimeoutCause(ctx, confirmWait, errUnconfirmed)
	defer cancel()
	keys, tokens := keysOf(out), make([]token, len(out))
	f.turn.Lock()
	for i, p := range out {
		if tokens[i] = f.offer(keys[i], func() token { return offer(p) }); isOver(tokens[i]) {
			fill(tokens[i+1:], tokens[i])
			break
		}
	}
	f.turn.Unlock()
	errs := make([]error, len(out))
	for i, t := range tokens {
		errs[i] = f.wait(ctx, lost, keys[i], t)
	}
	return errs
}

// keysOf names each packet by what it says and where. Two that say the same are
// two, the second one is named by its turn.
func keysOf(out []packet) []string {
	keys, seen := make([]string, len(out)), make(map[string]int, len(out))
	for i, p := range out {
		key := p.topic + "\x00" + string(p.payload)
		keys[i] = key
		if n := seen[key]; n > 0 {
			keys[i] += "\x00" + strconv.Itoa(n)
		}
		seen[key]++
	}
	return keys
}

// offer gives the token that is open for key, else a new one. It is called with
// turn held; publish may wait for the connection, so mu is not held over it.
func (f *flights) offer(key string, publish func() token) token {
	if t := f.find(key); t != nil {
		return t
	}
	t := publish()
	if isOver(t) {
		return t
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.open == nil {
		f.open = map[string]token{}
	}
	f.open[key] = t
	return t
}

func (f *flights) find(key string) token {
	f.mu.Lock()
	defer f.mu.Unlock()
	if t, ok := f.open[key]; ok && !failed(t) {
		return t
	}
	if len(f.open) >= maxOpen {
		f.sweep()
	}
	if len(f.open) >= maxOpen {
		return over{errTooMany}
	}
	return nil
}

// failed tells whether a publish has ended without its PUBACK: nobody waits for
// it any more, it can go out anew.
func failed(t token) bool {
	select {
	case <-t.Done():
		return t.Error() != nil
	default:
		return false
	}
}

// sweep forgets what was confirmed too late and nobody asked for again.
func (f *flights) sweep() {
	for key, t := range f.open {
		select {
		case <-t.Done():
			delete(f.open, key)
		default:
		}
	}
}

func (f *flights) wait(ctx context.Context, lost <-chan struct{}, key string, t token) error {
	select {
	case <-t.Done():
		return f.land(key, t)
	default:
	}
	select {
	case <-t.Done():
		return f.land(key, t)
	case <-lost:
		return fmt.Errorf("connection lost before the PUBACK: %w", link.ErrDown)
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// land takes a finished token out, so that the next offer goes out anew.
func (f *flights) land(key string, t token) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.open[key] == t {
		delete(f.open, key)
	}
	return t.Error()
}

// over is a token that ended before it began.
type over struct{ err error }

var closed = func() chan struct{} { c := make(chan struct{}); close(c); return c }()

func (o over) Done() <-chan struct{} { return closed }
func (o over) Error() error          { return o.err }

func isOver(t token) bool {
	_, is := t.(over)
	return is
}

func fill(all []token, with token) {
	for i := range all {
		all[i] = with
	}
}
