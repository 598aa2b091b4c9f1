package broker

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"
)

const (
	maxOpen  = 256             // publishes that wait for a PUBACK
	pubackIn = 2 * time.Minute // a PUBACK that is still missing then will not come
)

var (
	errUnconfirmed = fmt.Errorf("no PUBACK within %v", confirmWait)
	errTooMany     = errors.New("too many publishes wait for their PUBACK")
	errOwing       = fmt.Errorf("what was published was not confirmed within %v (no PUBACK): may the user publish there?", pubackIn)

	// errLost is not link.ErrDown: if the other side goes away over this very frame, as a
	// program does that crashes over it, the frame would go out again with each connection,
	// and nothing else. So it counts as a try, and others go first.
	errLost = errors.New("connection lost before the PUBACK")
)

// token is one publish that waits for its PUBACK.
type token interface {
	Done() <-chan struct{}
	Error() error // nil once the PUBACK is there
}

// flights are the publishes of one connection that wait for their PUBACK. If the PUBACK
// does not come in time the publish is still under way: when the same payload is offered
// again it waits for that PUBACK instead of being published twice.
type flights struct {
	turn sync.Mutex // held while one call offers, so that calls do not mix

	mu   sync.Mutex
	open map[string]flight // by topic and payload
}

type flight struct {
	token
	since time.Time
}

// send offers each packet, in order, and waits for all PUBACKs, or until lost. After one
// that could not be offered no other is.
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

// keysOf returns a key for each packet, from topic and payload. Equal packets are numbered.
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

// offer returns the open token for key, else a new one. The caller holds turn. mu is not
// held during publish, which may wait for the connection.
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
		f.open = map[string]flight{}
	}
	f.open[key] = flight{t, time.Now()}
	return t
}

func (f *flights) find(key string) token {
	f.mu.Lock()
	defer f.mu.Unlock()
	if t, ok := f.open[key]; ok && !failed(t) {
		return t.token
	}
	if len(f.open) >= maxOpen {
		f.sweep()
	}
	if len(f.open) >= maxOpen {
		return over{errTooMany}
	}
	return nil
}

// failed tells whether a publish has ended without its PUBACK, so that it can be
// published again.
func failed(t token) bool {
	select {
	case <-t.Done():
		return t.Error() != nil
	default:
		return false
	}
}

// owing are the publishes whose PUBACK will not come any more. MQTT 3.1.1 (section 4.4) lets
// nobody publish them again but on a new connection.
func (f *flights) owing() (late []token) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, t := range f.open {
		select {
		case <-t.Done():
		default:
			if time.Since(t.since) > pubackIn {
				late = append(late, t.token)
			}
		}
	}
	return late
}

// sweep forgets publishes that were confirmed late and not offered again.
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
		return errLost
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// land removes a finished token, so that the next offer publishes again.
func (f *flights) land(key string, t token) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.open[key].token == t {
		delete(f.open, key)
	}
	return t.Error()
}

// over is a token of a publish that failed at once.
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
