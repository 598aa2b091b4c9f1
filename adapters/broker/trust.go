package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"slices"
	"sync/atomic"
	"syscall"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
)

// trust is the list of trusted gateways, read again when its file changes and on SIGHUP.
type trust struct {
	path string
	any  bool
	log  *slog.Logger

	list    atomic.Pointer[envelope.Trust]
	changed time.Time // the file's time when it was read last
	missing bool      // it was not there at the last look
}

// lookEvery is how often the file is looked at.
const lookEvery = 5 * time.Second

func (t *trust) get() *envelope.Trust { return t.list.Load() }

// load reads the file; on an error the list stays as it was.
func (t *trust) load() error {
	list := &envelope.Trust{}
	if t.path != "" {
		info, err := os.Stat(t.path)
		if err != nil {
			return err
		}
		if info.Size() > envelope.MaxTrustFile {
			return fmt.Errorf("%s has %d bytes, more than %d", t.path, info.Size(), envelope.MaxTrustFile)
		}
		b, err := os.ReadFile(t.path)
		if err != nil {
			return err
		}
		t.changed = info.ModTime()
		if list, err = envelope.ParseTrust(b); err != nil {
			return fmt.Errorf("%s: %w", t.path, err)
		}
	}
	list.Any = t.any
	t.list.Store(list)
	return nil
}

// believes tells whether a key is still trusted for a gateway.
func (t *trust) believes(call, key string) bool {
	list := t.get()
	if !list.Knows(call) {
		return list.Any
	}
	return slices.ContainsFunc(list.Keys(call), func(k envelope.PublicKey) bool { return shortKey(k) == key })
}

// watch reads the file again until ctx ends. It tells the host at the start, since the file
// may have changed while we did not run, and after each change, which gateways were removed
// or lost a key, or that the file is broken.
func (t *trust) watch(ctx context.Context, host link.TrunkHost) {
	host.Trusts(t.believes, nil)
	if t.path == "" {
		return
	}
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-hup:
		case <-tick.C:
			if info, err := os.Stat(t.path); err != nil && t.missing || err == nil && info.ModTime().Equal(t.changed) {
				continue
			}
		}
		old := t.get()
		err := t.load()
		t.missing = errors.Is(err, os.ErrNotExist)
		host.TrustBroken(err != nil)
		if err != nil {
			t.log.Error("the trust file cannot be read; the old list stays in force", "err", err)
			continue
		}
		t.log.Info("the trust file was read again", "gateways", len(t.get().Calls()))
		host.Trusts(t.believes, fallen(old, t.get()))
	}
}

// fallen lists the gateways that lost a key between two lists.
func fallen(old, now *envelope.Trust) (calls []string) {
	for _, call := range old.Calls() {
		keys := now.Keys(call)
		if slices.ContainsFunc(old.Keys(call), func(k envelope.PublicKey) bool { return !slices.Contains(keys, k) }) {
			calls = append(calls, call)
		}
	}
	return calls
}

// sequence numbers the events, also across restarts: a block of numbers is marked as used
// on disk before its first one is used.
type sequence struct {
	shared bool // several processes number their events together

	busy  chan struct{} // a lock that can be given up, since drawing may take a commit
	last  uint64
	until uint64    // numbers up to here are on disk as used
	drawn time.Time // when they were
	host  link.TrunkHost
}

const (
	numberMark  = "number"
	numberBlock = 600_000 // ten minutes' worth of milliseconds, so that an idle gateway writes seldom

	// If several processes draw, their numbers must stay close together: receivers refuse
	// what is further below the highest than envelope.WindowSize. So a block is small and
	// soon stale, which is enough for 2,000 events a second.
	sharedBlock = 64
	sharedFor   = 2 * time.Second
)

func newSequence(shared bool) *sequence {
	return &sequence{shared: shared, busy: make(chan struct{}, 1)}
}

func (n *sequence) begin(host link.TrunkHost) {
	n.busy <- struct{}{}
	n.host = host
	<-n.busy
}

func (n *sequence) next(ctx context.Context, now time.Time) (uint64, error) {
	select {
	case n.busy <- struct{}{}:
		defer func() { <-n.busy }()
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	next, block := envelope.NextNumber(n.last, now), uint64(numberBlock)
	if n.shared {
		next, block = n.last+1, sharedBlock
	}
	if next > n.until || n.shared && time.Since(n.drawn) > sharedFor {
		if n.host == nil {
			return 0, link.ErrDown // before Run
		}
		drawn := time.Now()
		first, err := n.host.Draw(ctx, numberMark, block, envelope.NextNumber(n.last, now))
		if err != nil {
			return 0, fmt.Errorf("writing down the numbers of events: %w", err)
		}
		next, n.until, n.drawn = first, first+block-1, drawn
	}
	n.last = next
	return next, nil
}
