package bridge

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/callsign"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// A hub is one gateway in several processes that share a queue. One of them leads: it
// runs the links that may exist only once, takes from the trunks what is for groups and
// for all gateways of a mesh, announces the gateway there, and runs the clerk. The others
// help: they receive and send on the links that run in every process, each for its share
// of the lanes and of the trunks' inbox (queue.Share). A Bridge leads or helps all its
// life; a process that becomes the leader makes a new one, which reads from the store
// what the last one wrote.

// runs tells whether a link runs in this process.
func (b *Bridge) runs(ln *line) bool { return b.leads || !ln.Once() }

// mayWork tells whether this process may send on a link now. It loses that right before
// another process gets it.
func (b *Bridge) mayWork(ln *line) bool {
	switch {
	case b.share == nil:
		return true
	case ln.Once():
		return b.leads && b.share.Leads()
	}
	return b.share.Lives()
}

// lanesOf returns the function that tells a courier which lanes are its own; nil: all.
func (b *Bridge) lanesOf(ln *line) func(queue.Lane) (func(), bool) {
	if b.share == nil || ln.Once() {
		return nil
	}
	return b.share.Take
}

// help is the clerk of a process that does not lead.
func (b *Bridge) help(ctx context.Context) {
	tick := time.NewTicker(clerkEvery)
	defer tick.Stop()
	saved := time.Now()
	for {
		select {
		case <-ctx.Done():
			return
		case <-b.released:
			b.control.takeReleases() // the process that leads releases what is held
		case <-b.farther:
			b.seek(ctx)
		case <-tick.C:
			b.control.takeReleases()
			b.gauges()
			b.seek(ctx)
			b.recount(ctx)
			if time.Since(saved) >= b.saveEvery() {
				saved = time.Now()
				b.saveHeard(ctx)
				b.forgetLately()
			}
		}
	}
}

// hubSaves is how often a hub saves who was heard, and its age, for its other processes.
// Without a hub it is done more rarely, to spare the disk.
const hubSaves = 10 * time.Second

func (b *Bridge) saveEvery() time.Duration {
	if b.share != nil {
		return hubSaves
	}
	return saveEvery
}

// learn updates the memory by what other processes have written, until ctx ends.
func (b *Bridge) learn(ctx context.Context) {
	if b.share == nil {
		return
	}
	for {
		select {
		case <-ctx.Done():
			return
		case <-b.share.News():
			settings, lanes := b.share.Learn()
			for _, key := range settings {
				if err := b.learnSetting(ctx, key); err != nil && ctx.Err() == nil {
					b.log.Error("reading what another process has set failed", "setting", key, "err", err)
				}
			}
			if lanes {
				for _, ln := range b.lines {
					ln.courier.Reshared()
				}
			}
		}
	}
}

// learnSetting reads one setting from the store.
func (b *Bridge) learnSetting(ctx context.Context, key string) error {
	kind, rest, _ := strings.Cut(key, "/")
	switch kind + "/" {
	case quietKey:
		return b.learnQuiet(ctx, rest)
	case blockKey:
		return b.loadBlocks(ctx)
	case exerciseKey + "/":
		return b.loadExercise(ctx)
	case heardKey:
		return b.learnHeard(ctx, key)
	case clockKey + "/":
		saved, err := SavedClock(ctx, b.store)
		b.clock.Advance(saved.Age)
		return err
	}
	return nil
}

func (b *Bridge) learnQuiet(ctx context.Context, name string) error {
	v, err := b.store.Setting(ctx, quietKey+name)
	if err != nil {
		return err
	}
	c := &b.control
	c.mu.Lock()
	was, is := c.quiet[name], v != nil
	if delete(c.quiet, name); is {
		c.quiet[name] = true
	}
	c.mu.Unlock()
	if was == is {
		return nil
	}
	b.log.Warn("changed by the operator through another process", "link", name, "quiet", is)
	b.hush()
	for _, ln := range b.lines {
		ln.courier.Wake()
	}
	return nil
}

// learnHeard reads who was heard on a link that another process runs.
func (b *Bridge) learnHeard(ctx context.Context, key string) error {
	name, call, _ := strings.Cut(strings.TrimPrefix(key, heardKey), "/")
	ln := b.byName[name]
	if ln == nil || b.runs(ln) {
		return nil
	}
	v, err := b.store.Setting(ctx, key)
	if err != nil {
		return err
	}
	if v == nil {
		b.heard.learn(call, name, nil)
		return nil
	}
	var s storedHearing
	if err := cbor.Unmarshal(v, &s); err != nil {
		return err
	}
	b.heard.learn(call, name, &s)
	return nil
}

// learn notes when another process heard a station; nil: it has forgotten it.
func (t *heardTable) learn(call, name string, s *storedHearing) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if s == nil {
		t.forget(func(e *hearing) bool { return e.call == call && e.link == name }, callsign.Base(call))
		return
	}
	news := t.news
	e := t.entry(call, name)
	e.at, e.answers, e.snr, e.rssi, e.where = s.At, s.Answers, s.SNR, s.RSSI, s.Where
	t.news = news // this one is on disk
}

// draw takes n numbers from a setting, see queue.Share.
func (b *Bridge) draw(ctx context.Context, setting string, n, least uint64) (uint64, error) {
	if b.share != nil {
		return b.share.Draw(ctx, setting, n, least)
	}
	v, err := b.store.Setting(ctx, setting)
	if err != nil {
		return 0, err
	}
	first := least
	if v != nil {
		last, err := strconv.ParseUint(string(v), 10, 64)
		if err != nil {
			return 0, fmt.Errorf("setting %s: %w", setting, err)
		}
		first = max(last+1, least)
	}
	_, err = b.store.Apply(ctx, queue.Op{Put: map[string][]byte{setting: strconv.AppendUint(nil, first+n-1, 10)}})
	return first, err
}

// recount gives back the room at far gateways that was reserved for messages that are
// no longer on their way: their receipts may have come to another process.
func (b *Bridge) recount(ctx context.Context) {
	if b.share == nil {
		return
	}
	freed := false
	for _, seq := range b.far.crowded() {
		r, err := b.store.Get(ctx, seq)
		if err == nil && !slices.ContainsFunc(r.Deliveries, func(d queue.Delivery) bool { return d.Gateway != "" && waits(&d) }) {
			b.far.freeRoom(seq)
			freed = true
		}
	}
	if !freed {
		return
	}
	for _, ln := range b.trunks() {
		ln.courier.Wake()
	}
}

// isForLeader tells whether only the process that leads can decide about a text:
// another gateway of a shared mesh has handed it over, and only the leader knows what
// was sent on that mesh and who transmits there. The text is kept as a shadow, and the
// leader's clerk looks at it next.
func (b *Bridge) isForLeader(ln *line, m *message.Message) bool {
	return !b.leads && ln.trunk != nil && m.Handed && b.sharedLine(m.Mesh) != nil && b.far.table.Serves(m.Mesh, m.Via)
}

// The steps of such a record.
const (
	forLeader = "left to the one that leads"
	decided   = "decided"
)

// decideForHelper is emerge for a text that a helping process has left to this one.
func (b *Bridge) decideForHelper(ln *line, r *queue.Record, it queue.Item, at queue.Stamp, tell func(*message.Message) telling) func(*queue.Record) ([]*queue.Record, error) {
	m := r.Message
	home := b.adopt(ln, &m)
	if home != ln && b.isMistaken(&m) {
		return func(r *queue.Record) ([]*queue.Record, error) { return b.endShadow(r, it, queue.Taken, "", at, tell) }
	}
	var to []queue.Delivery
	var ref *rules.Refusal
	if b.isGroup(m.To) && !home.transmits() {
		to = b.shadows(&m)
	} else if ref = b.readLate(b.sharedLine(m.Mesh), &m, b.writtenAt(&m)); ref == nil {
		to, ref = b.route(home, &m)
	}
	if ref == nil && len(to) > 0 {
		b.noteKept(&m, r.Identity, to)
		b.lookForHeld(&m, to)
	}
	return func(r *queue.Record) ([]*queue.Record, error) {
		switch {
		case r.Deliveries[it.Delivery].State != queue.Shadow:
			return nil, queue.ErrSkip
		case ref != nil:
			return b.endShadow(r, it, queue.Failed, ref.Code+": "+ref.Why, at, tell)
		case len(to) == 0:
			return b.endShadow(r, it, queue.Sent, "", at, tell)
		}
		readAs(r, &m)
		r.Message.Link, r.Deliveries = m.Link, slices.Clone(to)
		r.Note(at, decided, m.Link, b.wayOf(&m, to))
		return nil, nil
	}
}

// crowded lists the records that are on their way to gateways without room for more.
func (f *far) crowded() (seqs []uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, taken := range f.room {
		if len(taken) < mostUnreceipted {
			continue
		}
		for seq := range taken {
			seqs = append(seqs, seq)
		}
	}
	return seqs
}

// overdueAlarm is how long a process has to raise an alarm before the leader does it.
const overdueAlarm = time.Minute

// watchAlarms raises the alarms that a process of the hub has not raised: it has died.
func (b *Bridge) watchAlarms(ctx context.Context) {
	if b.share == nil {
		return
	}
	left, err := b.store.Settings(ctx, alarmKey)
	if err != nil {
		return
	}
	for key, v := range left {
		var p pending
		at, seen := b.alarmsSeen[key]
		switch {
		case !seen:
			b.alarmsSeen[key] = b.clock.Age()
		case b.clock.Age().Sub(at) >= overdueAlarm && cbor.Unmarshal(v, &p) == nil:
			b.raiseAlarm(ctx, key, p, 0)
		}
	}
	for key := range b.alarmsSeen {
		if left[key] == nil {
			delete(b.alarmsSeen, key)
		}
	}
}
