//go:build hub

package etcdstore

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"slices"
	"strconv"
	"sync"
	"time"

	clientv3 "go.etcd.io/etcd/client/v3"

	"posthouse/bridge/link"
	"posthouse/queue"
)

// What one process has for itself hangs on its lease: a key for each part of the
// work, created by whoever finds that nobody has it. The first part, lead, is for
// what may exist once only. The lanes of links that run in every process are divided
// into shares, and so is what comes in by trunks (link.Inboxes): as many for each
// process as for any other, but for one.
//
// Nobody loses a part but with its lease, or by its own will: a process that has
// too many shares takes nothing new from some of them, and gives each up once what
// it had taken from there is on disk. The next owner begins when its mirror shows all that
// was written before.

const (
	lead   = "lead"
	shares = 64 // more than there are ever processes, so that they divide well
)

// kinds are the parts that all processes have some of.
var kinds = [][]string{named("", shares), named("in", link.Inboxes)}

func named(kind string, n int) (all []string) {
	for i := range n {
		all = append(all, kind+strconv.Itoa(i))
	}
	return all
}

var _ queue.Share = (*Store)(nil)

// owned is who has which part.
type owned struct {
	s    *Store
	wake chan struct{}
	won  chan struct{} // closed when this process has become the one that leads

	mu     sync.Mutex
	owner  map[string]owner // of each part, as the follower saw
	mine   map[string]*part
	gained chan struct{} // closed when this process has more, and made anew
}

// owner is who has a part, and since which revision.
type owner struct {
	process  string
	revision int64
}

// part is one that this process has.
type part struct {
	revision int64         // of the key's creation
	out      int           // what was taken from it and is not filed
	leaving  bool          // nothing new is taken
	left     chan struct{} // closed with that
}

// leave has nothing new taken from a part.
func (p *part) leave() {
	p.leaving = true
	close(p.left)
}

func newOwned(s *Store) *owned {
	return &owned{s: s, wake: make(chan struct{}, 1), won: make(chan struct{}), owner: map[string]owner{}, mine: map[string]*part{}, gained: make(chan struct{})}
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
	life, living := o.s.session.life(), o.s.session.living()
	rank := slices.Index(living, o.s.process)
	if life == 0 || rank < 0 {
		return nil
	}
	if err := o.find(ctx, life); err != nil {
		return err
	}
	claim, leave := o.due(rank, len(living))
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
// may give up now: the process of this rank, of so many.
func (o *owned) due(rank, living int) (claim, leave []string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.owner[lead].process == "" && o.mine[lead] == nil {
		claim = append(claim, lead)
	}
	for _, names := range kinds {
		quota := (len(names) + living - 1 - rank) / living // all quotas together are all names
		var free []string
		for _, name := range names {
			p := o.mine[name]
			switch {
			case p == nil && o.owner[name].process == "":
				free = append(free, name)
			case p == nil || p.leaving:
			case quota > 0:
				quota--
			default:
				p.leave()
			}
			if p != nil && p.leaving && p.out == 0 {
				leave = append(leave, name)
			}
		}
		claim = append(claim, free[:min(quota, len(free))]...)
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
		o.mine[name] = &part{revision: revision, left: make(chan struct{})}
		if name == lead {
			close(o.won) // once: it is never given up
		}
	}
	close(o.gained)
	o.gained = make(chan struct{})
	o.mu.Unlock()
	o.s.news.reshared()
	o.s.log.Debug("this process has more of the work", "leads", slices.Contains(names, lead), "shares", o.count(), "of", shares)
}

// count is how many shares this process has.
func (o *owned) count() (n int) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, name := range kinds[0] {
		if o.mine[name] != nil {
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

// take takes something from a part, which is kept until that is given back.
func (o *owned) take(name string) (left <-chan struct{}, giveBack func(), ok bool) {
	if o.s.session.life() == 0 {
		return nil, nil, false
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	p := o.mine[name]
	if p == nil || p.leaving {
		return nil, nil, false
	}
	p.out++
	return p.left, func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		if p.out--; p.leaving && p.out == 0 {
			o.look()
		}
	}, true
}

// hold is take once this process has a part. What it gives ends when the part is to be
// given up, or is lost.
func (o *owned) hold(ctx context.Context, name string) (held context.Context, giveBack func(), err error) {
	for ctx.Err() == nil {
		o.mu.Lock()
		gained := o.gained
		o.mu.Unlock()
		if left, giveBack, ok := o.take(name); ok {
			held, end := context.WithCancel(ctx)
			go func() {
				defer end()
				select {
				case <-left:
				case <-o.s.Lost():
				case <-held.Done():
				}
			}()
			return held, func() { end(); giveBack() }, nil
		}
		select {
		case <-gained:
		case <-ctx.Done():
		}
	}
	return nil, nil, ctx.Err()
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
func (s *Store) Take(l queue.Lane) (giveBack func(), ok bool) {
	_, giveBack, ok = s.owned.take(shareOf(l))
	return giveBack, ok
}

// Inbox implements queue.Share.
func (s *Store) Inbox(ctx context.Context, n int) (held context.Context, giveBack func(), err error) {
	held, back, err := s.owned.hold(ctx, kinds[1][n])
	if err != nil {
		return nil, nil, err
	}
	return held, func() {
		defer back()
		// What is not known to be on disk is settled before this is: the next one
		// would not find it.
		for s.Lives() {
			if _, err := s.Apply(context.WithoutCancel(ctx), queue.Op{Put: map[string][]byte{inboxKey: []byte(s.process)}}); err == nil || errors.Is(err, queue.ErrClosed) {
				return
			}
			if !s.pause(retry) {
				return
			}
		}
	}, nil
}

// inboxKey is a setting that says who had a part of the inbox last.
const inboxKey = "inbox"

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
