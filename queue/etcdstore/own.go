//go:build hub

package etcdstore

import (
	"context"
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"strconv"
	"sync"
	"time"

	clientv3 "go.etcd.io/etcd/client/v3"

	"posthouse/queue"
)

// What one process has for itself hangs on its lease: a key for each part of the
// work, created by whoever finds that nobody has it. The first part, lead, is for
// what may exist once only; the lanes of links that run in every process are
// divided into shares, as many for each process as for any other, but for one.
//
// Nobody loses a part but with its lease, or by its own will: a process that has
// too many shares takes nothing new from some of them, and gives each up once what
// it had taken from there is on disk. The next owner begins when its mirror shows all that
// was written before.

const (
	lead   = "lead"
	shares = 64 // more than there are ever processes, so that they divide well
)

var _ queue.Share = (*Store)(nil)

// owned is who has which part.
type owned struct {
	s    *Store
	wake chan struct{}
	won  chan struct{} // closed when this process has become the one that leads

	mu    sync.Mutex
	owner map[string]owner // of each part, as the follower saw
	mine  map[string]*part
}

// owner is who has a part, and since which revision.
type owner struct {
	process  string
	revision int64
}

// part is one that this process has.
type part struct {
	revision int64 // of the key's creation
	out      int   // deliveries that were taken from it and are not filed
	leaving  bool  // nothing new is taken
}

func newOwned(s *Store) *owned {
	return &owned{s: s, wake: make(chan struct{}, 1), won: make(chan struct{}), owner: map[string]owner{}, mine: map[string]*part{}}
}

// hear takes in what the follower saw of a part; no process: nobody has it.
func (o *owned) hear(name, process string, revision int64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if delete(o.owner, name); process != "" {
		o.owner[name] = owner{process, revision}
	}
	o.look()
}

// forget empties what hear filled.
func (o *owned) forget() {
	o.mu.Lock()
	defer o.mu.Unlock()
	clear(o.owner)
}

// look has run look at once.
func (o *owned) look() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// lookOwned is how often a process looks whether there is a part for it, when
// nothing tells it to.
const lookOwned = time.Second

// run claims and gives up until ctx ends. first is closed after the first look.
func (o *owned) run(ctx context.Context, first chan<- struct{}) {
	tick := time.NewTicker(lookOwned)
	defer tick.Stop()
	o.s.follower.reached(ctx, o.s.session.life()) // what a former life of this process had is gone from the mirror, too
	for {
		if err := o.balance(ctx); err != nil && ctx.Err() == nil {
			o.s.complain(fmt.Errorf("dividing the work: %w", err))
		}
		if first != nil {
			close(first)
			first = nil
		}
		select {
		case <-ctx.Done():
			return
		case <-o.wake:
		case <-tick.C:
		}
	}
}

// balance brings what this process has nearer to what is its due.
func (o *owned) balance(ctx context.Context) error {
	life, living := o.s.session.life(), len(o.s.session.living())
	if life == 0 || living == 0 {
		return nil
	}
	if err := o.find(ctx, life); err != nil {
		return err
	}
	claim, leave := o.due(living)
	for _, name := range leave {
		if err := o.giveUp(ctx, name); err != nil {
			return err
		}
	}
	if len(claim) == 0 {
		return nil
	}
	return o.claim(ctx, life, claim)
}

// find takes up a part of this process's own that it does not know of: the answer to
// its claim was lost.
func (o *owned) find(ctx context.Context, life int64) error {
	ctx, cancel := context.WithTimeout(ctx, o.s.opts.Timeout)
	defer cancel()
	for name, revision := range o.unknown() {
		key := o.s.keys.part(name)
		resp, err := o.s.client.Txn(ctx).If( // it may have been given up, and the follower has not told yet
			clientv3.Compare(clientv3.CreateRevision(key), "=", revision), clientv3.Compare(clientv3.CreateRevision(o.s.session.key()), "=", life),
		).Commit()
		if err != nil {
			return o.s.explain(err)
		}
		if resp.Succeeded && o.s.follower.reached(ctx, revision) {
			o.begin([]string{name}, revision)
		}
	}
	return nil
}

// unknown lists such parts.
func (o *owned) unknown() map[string]int64 {
	o.mu.Lock()
	defer o.mu.Unlock()
	all := map[string]int64{}
	for name, of := range o.owner {
		if of.process == o.s.process && o.mine[name] == nil {
			all[name] = of.revision
		}
	}
	return all
}

// due tells which free parts this process should claim, and which of its own it
// may give up now.
func (o *owned) due(living int) (claim, leave []string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.owner[lead].process == "" && o.mine[lead] == nil {
		claim = append(claim, lead)
	}
	have := 0
	for name, p := range o.mine {
		if name != lead && !p.leaving {
			have++
		}
	}
	quota := (shares + living - 1) / living
	for _, name := range slices.Sorted(maps.Keys(o.mine)) {
		if have > quota && name != lead && !o.mine[name].leaving {
			o.mine[name].leaving = true
			have--
		}
		if p := o.mine[name]; p.leaving && p.out == 0 {
			leave = append(leave, name)
		}
	}
	for i := 0; i < shares && have < quota; i++ {
		if name := strconv.Itoa(i); o.owner[name].process == "" && o.mine[name] == nil {
			claim = append(claim, name)
			have++
		}
	}
	return claim, leave
}

// claim takes parts that nobody has: all of them, or none when another process was
// faster with one.
func (o *owned) claim(ctx context.Context, life int64, names []string) error {
	ctx, cancel := context.WithTimeout(ctx, o.s.opts.Timeout)
	defer cancel()
	compare := []clientv3.Cmp{clientv3.Compare(clientv3.CreateRevision(o.s.session.key()), "=", life)}
	var then []clientv3.Op
	for _, name := range names {
		key := o.s.keys.part(name)
		compare = append(compare, clientv3.Compare(clientv3.CreateRevision(key), "=", 0))
		then = append(then, clientv3.OpPut(key, o.s.process, clientv3.WithLease(o.s.session.leaseID())))
	}
	resp, err := o.s.client.Txn(ctx).If(compare...).Then(then...).Commit()
	if err != nil || !resp.Succeeded {
		return o.s.explain(err) // the follower tells who has it
	}
	if !o.s.follower.reached(ctx, resp.Header.Revision) {
		return fmt.Errorf("the mirror is behind: %w", ctx.Err())
	}
	o.begin(names, resp.Header.Revision)
	return nil
}

// begin notes parts that this process has from now on.
func (o *owned) begin(names []string, revision int64) {
	o.mu.Lock()
	for _, name := range names {
		o.mine[name] = &part{revision: revision}
		if name == lead {
			close(o.won) // once: it is never given up
		}
	}
	o.mu.Unlock()
	o.s.news.reshared()
	o.s.log.Debug("this process has more of the work", "leads", slices.Contains(names, lead), "shares", o.count(), "of", shares)
}

// count is how many shares this process has.
func (o *owned) count() (n int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for name := range o.mine {
		if name != lead {
			n++
		}
	}
	return n
}

// giveUp lets others have a share from which nothing is out.
func (o *owned) giveUp(ctx context.Context, name string) error {
	ctx, cancel := context.WithTimeout(ctx, o.s.opts.Timeout)
	defer cancel()
	o.mu.Lock()
	p := o.mine[name]
	o.mu.Unlock()
	key := o.s.keys.part(name)
	_, err := o.s.client.Txn(ctx).If(clientv3.Compare(clientv3.CreateRevision(key), "=", p.revision)).Then(clientv3.OpDelete(key)).Commit()
	if err != nil {
		return o.s.explain(err) // it stays on the list of those to give up
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	delete(o.mine, name)
	return nil
}

// has tells whether this process has a part now.
func (o *owned) has(name string) bool {
	if o.s.session.life() == 0 {
		return false
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	p := o.mine[name]
	return p != nil && !p.leaving
}

// take is Take for the share of a lane.
func (o *owned) take(name string) (giveBack func(), ok bool) {
	if o.s.session.life() == 0 {
		return nil, false
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	p := o.mine[name]
	if p == nil || p.leaving {
		return nil, false
	}
	p.out++
	return func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		if p.out--; p.leaving && p.out == 0 {
			o.look()
		}
	}, true
}

// shareOf is the share that a lane belongs to. All texts of one writer to one
// addressee are in one share, whatever their precedence.
func shareOf(l queue.Lane) string {
	h := fnv.New32a()
	fmt.Fprintf(h, "%s\x00%s\x00%s", l.Link, l.From, l.To)
	return strconv.Itoa(int(h.Sum32() % shares))
}

// Process implements queue.Share.
func (s *Store) Process() string { return s.process }

// Lives implements queue.Share.
func (s *Store) Lives() bool { return s.session.life() != 0 }

// Leads implements queue.Share.
func (s *Store) Leads() bool { return s.owned.has(lead) }

// Shares is how many of the 64 shares of the lanes this process has.
func (s *Store) Shares() int {
	if !s.Lives() {
		return 0
	}
	return s.owned.count()
}

// Won is closed once this process leads.
func (s *Store) Won() <-chan struct{} { return s.owned.won }

// Take implements queue.Share.
func (s *Store) Take(l queue.Lane) (giveBack func(), ok bool) { return s.owned.take(shareOf(l)) }

// Draw implements queue.Share.
func (s *Store) Draw(ctx context.Context, setting string, n, least uint64) (uint64, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*s.opts.Timeout)
	defer cancel()
	key := s.keys.setting(setting)
	for {
		life := s.session.life()
		if life == 0 {
			return 0, errFenced
		}
		resp, err := s.client.Get(ctx, key)
		if err != nil {
			return 0, s.explain(err)
		}
		first, revision := least, int64(0)
		for _, kv := range resp.Kvs {
			last, err := strconv.ParseUint(string(kv.Value), 10, 64)
			if err != nil {
				return 0, fmt.Errorf("setting %s: %w", setting, err)
			}
			first, revision = last+1, kv.ModRevision
		}
		put, err := s.client.Txn(ctx).If(
			clientv3.Compare(clientv3.ModRevision(key), "=", revision),
			clientv3.Compare(clientv3.CreateRevision(s.session.key()), "=", life),
		).Then(clientv3.OpPut(key, strconv.FormatUint(first+n-1, 10))).Commit()
		if err != nil {
			return 0, s.explain(err) // what was drawn and not answered is left out
		}
		if put.Succeeded {
			return first, nil
		}
	}
}
