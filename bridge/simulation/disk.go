package simulation

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
	"posthouse/queue/boltstore"
)

// disk is the real store of a gateway on a disk that takes its time, fills, fails
// and loses power.
type disk struct {
	*boltstore.Store
	g   *gateway
	dir string

	slow   time.Duration // what a commit takes
	remote *remote       // nil: it is in this computer

	mu     sync.Mutex
	cut    *cut
	before image // the files after the commit before
	off    bool  // the power is gone: what is written now is not
}

// cut is a power cut that is to come in the middle of a commit.
type cut struct {
	how  string
	done chan image // gets what the disk holds after it
}

var errOff = errors.New("the power is gone")
var errDisk = errors.New("input/output error")

// logBytes is the size of a store's log: small, so that a start reads little and
// checkpoints come often.
const logBytes = 512 << 10

func openDisk(g *gateway, dir string, o boltstore.Options) (*disk, error) {
	d := &disk{g: g, dir: dir, slow: g.w.chance.between(time.Millisecond, 20*time.Millisecond, "commit", g.call)}
	if g.w.plan.remote {
		d.remote = newRemote(d)
	}
	o.OnCommit = d.committed
	var err error
	d.Store, err = boltstore.Open(filepath.Join(dir, queueFile), o)
	return d, err
}

// Apply implements queue.Store.
func (d *disk) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	turns, turn := d.g.w.turns, append([]string{"store", d.g.call}, wordsOf(ops)...)
	n := turns.take(turn...)
	defer turns.take(append(turn, n)...) // of two about the same the one that came first
	if len(ops) > 0 && ops[0].Lazy {     // it is written whole seconds later: not in the instant of a tick
		time.Sleep(d.g.w.chance.between(0, time.Microsecond, "lazy", d.g.call))
		turns.take(turn...) // two may sleep as long
	}
	return d.apply(ctx, d.inTurn(ops))
}

// inTurn has the last whom a commit tells what came of ops wait until those before him
// have done with it: else it would be chance how often a courier looks.
func (d *disk) inTurn(ops []queue.Op) []queue.Op {
	for i := len(ops) - 1; i >= 0; i-- {
		if then := ops[i].Then; then != nil {
			ops = slices.Clone(ops)
			ops[i].Then = func(done queue.Done) {
				d.g.w.turns.take(hint, d.g.call, "told")
				then(done)
			}
			break
		}
	}
	return ops
}

// hint begins the words of what only wakes somebody: it goes before all else.
const hint = ""

// Watch implements queue.Store.
func (d *disk) Watch() <-chan string {
	hints, out := d.Store.Watch(), make(chan string, 100)
	go func() {
		defer close(out)
		for name := range hints {
			names := []string{name}
			d.g.w.turns.take(hint, d.g.call, "hints") // by then all of one commit are there, which come in any order
			for len(hints) > 0 {
				names = append(names, <-hints)
			}
			slices.Sort(names)
			for _, name := range names {
				d.g.w.turns.take(hint, d.g.call, name)
				select {
				case out <- name:
				default: // nobody reads them any more
				}
			}
		}
	}()
	return out
}

// Fresh implements queue.Store. With it a courier's worker begins, while the courier may
// go on choosing for the next: mail goes out by several at once.
func (d *disk) Fresh(ctx context.Context, r *queue.Record) (*queue.Record, error) {
	if slices.ContainsFunc(r.Deliveries, func(d queue.Delivery) bool { return d.Link == "post" }) {
		d.g.w.turns.take("carry", d.g.call, fmt.Sprint(r.Seq))
	}
	return d.Store.Fresh(ctx, r)
}

// Expiring implements queue.Store. With it the clerk's round begins: timers may fire
// in one instant, and then it matters who looks first.
func (d *disk) Expiring(ctx context.Context, until clock.Age, n int) ([]uint64, error) {
	d.g.w.turns.take("clerk", d.g.call)
	return d.Store.Expiring(ctx, until, n)
}

// Heads implements queue.Store. With those of the highest precedence a courier begins
// to choose.
func (d *disk) Heads(ctx context.Context, name string, p message.Precedence, now clock.Age, after uint64, n int) ([]queue.Item, error) {
	if p == message.Emergency {
		d.g.w.turns.take("courier", d.g.call, name, fmt.Sprint(n)) // the clerk looks at fewer
	}
	return d.Store.Heads(ctx, name, p, now, after, n)
}

// wordsOf says what ops are about.
func wordsOf(ops []queue.Op) (words []string) {
	for _, op := range ops {
		if r := op.New; r != nil {
			words = append(words, r.Message.From, r.Message.To, r.Message.Text, r.Message.Acks)
		} else {
			words = append(words, fmt.Sprint(op.Seq))
		}
		words = append(words, slices.Sorted(maps.Keys(op.Put))...)
	}
	return words
}

func (d *disk) apply(ctx context.Context, ops []queue.Op) ([]queue.Done, error) {
	d.mu.Lock()
	off := d.off
	d.mu.Unlock()
	switch {
	case off:
		return nil, errOff
	case len(ops) > 0 && ops[0].Lazy:
	case d.g.fails("disk"):
		return nil, errDisk
	case d.g.fails("full") && d.wantsRoom(ctx, ops):
		return nil, fmt.Errorf("%w: a file elsewhere takes it all", queue.ErrFull)
	}
	if d.remote != nil {
		return d.remote.apply(ctx, ops)
	}
	return d.Store.Apply(ctx, ops...)
}

// wantsRoom tells whether something in ops is new and may not use the reserve.
func (d *disk) wantsRoom(ctx context.Context, ops []queue.Op) bool {
	for _, op := range ops {
		r := op.New
		if r == nil || op.Urgent || r.Message.Kind == message.Receipt || r.Message.Precedence == message.Emergency {
			continue
		}
		if _, known, err := d.Known(ctx, r.Identity, r.Accepted.Age.Add(-op.SameFor)); err == nil && !known {
			return true
		}
	}
	return false
}

// committed runs in the committer once a commit is written and before anybody
// hears of it.
func (d *disk) committed(time.Duration) {
	d.mu.Lock()
	c := d.cut
	d.mu.Unlock()
	if c != nil {
		d.g.w.turns.take("cut", d.g.call) // when the others have seen what was written
		d.cutNow(c)
	}
	time.Sleep(d.slow)
}

// cutNow cuts the power at the second commit after it was asked for: the first
// one gives the state to fall back to.
func (d *disk) cutNow(c *cut) {
	now := takeImage(d.dir)
	d.mu.Lock()
	before := d.before
	d.before = now
	if before == nil || d.off {
		d.mu.Unlock()
		return
	}
	d.off, d.cut = true, nil
	d.mu.Unlock()
	d.g.alive().darken()
	c.done <- tear(before, now, c.how, d.g.w.chance, d.g.call)
}

// cutSoon asks for a power cut in the middle of a commit, or within a time.
func (d *disk) cutSoon(how string, within time.Duration) image {
	c := &cut{how, make(chan image, 1)}
	d.mu.Lock()
	d.cut, d.before = c, nil
	d.mu.Unlock()
	select {
	case img := <-c.done:
		return img
	case <-time.After(within):
	}
	d.mu.Lock()
	if d.off { // it came in this very moment
		d.mu.Unlock()
		return <-c.done
	}
	d.off, d.cut = true, nil
	d.mu.Unlock()
	d.g.alive().darken()
	return takeImage(d.dir)
}

// image is what is on a disk: the files of a folder.
type image map[string][]byte

const (
	queueFile = "queue.db"
	logFile   = queueFile + ".wal"
)

// takeImage copies what is on the disk. The log comes first: a data file that is
// newer has all that the log has, one that is older may lack what it no longer has.
func takeImage(dir string) image {
	img := image{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		panic(err)
	}
	slices.SortStableFunc(entries, func(a, b os.DirEntry) int {
		return strings.Compare(filepath.Ext(b.Name()), filepath.Ext(a.Name())) // .wal before .db
	})
	for _, e := range entries {
		if e.Type().IsRegular() && filepath.Ext(e.Name()) != ".lock" {
			b, err := os.ReadFile(filepath.Join(dir, e.Name()))
			if err != nil {
				panic(err)
			}
			img[e.Name()] = b
		}
	}
	return img
}

// put makes a folder hold just that.
func (img image) put(dir string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		panic(err)
	}
	for _, e := range entries {
		if e.Type().IsRegular() {
			_ = os.Remove(filepath.Join(dir, e.Name()))
		}
	}
	for name, b := range img {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			panic(err)
		}
	}
}

// What may be left of a write at a power cut.
const (
	cutBefore = "nothing of it"
	cutData   = "some of the data, or of the log"
	cutMeta   = "the data, and a torn meta page, or some of the log"
	cutAfter  = "all of it, but nobody was told"
)

var cuts = []string{cutBefore, cutData, cutMeta, cutAfter}

const (
	sector = 512 // the least that a disk writes
	page   = 4096
	metas  = 2 * page // the data file's meta pages: they are written last, after a sync
)

// tear gives what is left when the power goes in the middle of the writes that
// lead from one image to another: a checkpoint, maybe, which changes the data file
// and is synced, and then a frame of the log.
func tear(before, after image, how string, c *chance, who string) image {
	if how == cutAfter {
		return after
	}
	out := maps.Clone(before)
	if how == cutBefore {
		return out
	}
	for name, b := range after {
		if name != logFile {
			out[name] = b
		}
	}
	logged := !bytes.Equal(before[logFile], after[logFile])
	was, is := before[queueFile], after[queueFile]
	switch n := changedMetas(was, is); {
	case n == 1 && (!logged || c.hits(0.5, "in the checkpoint", who)):
		out[queueFile] = tearFile(was, is, how, metas, c, who+queueFile)
	case n > 1 && !logged: // of two checkpoints, the second cannot be told from the first
		return before
	default:
		out[logFile] = tearFile(before[logFile], after[logFile], cutData, 0, c, who+logFile)
	}
	return out
}

// changedMetas counts the meta pages that differ: a checkpoint writes one of them,
// in turn.
func changedMetas(was, is []byte) (n int) {
	for at := 0; at < metas; at += page {
		if len(was) < metas || len(is) < metas || !bytes.Equal(was[at:at+page], is[at:at+page]) {
			n++
		}
	}
	return n
}

// tearFile tears a write; head is how long the part is that is written last.
func tearFile(before, after []byte, how string, head int, c *chance, key string) []byte {
	out := make([]byte, len(after))
	copy(out, before)
	unit := sector
	if c.hits(0.5, "unit", key) {
		unit = page
	}
	share := float64(c.below(100, "share", key)) / 100
	for at := 0; at < len(after); at += unit {
		end := min(at+unit, len(after))
		same := at < len(before) && end <= len(before) && string(before[at:end]) == string(after[at:end])
		switch {
		case same:
		case at < head && how == cutMeta:
			copy(out[at:at+40], after[at:at+40]) // the checksum is behind that
		case at < head:
		case how == cutMeta || c.hits(share, "sector", key, fmt.Sprint(at)):
			copy(out[at:end], after[at:end])
		}
	}
	return out
}
