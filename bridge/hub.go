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

// A hub is one gateway in several processes that share its queue. One of them
// leads: it runs the links that may exist once only, takes in what trunks bring for
// groups and for all gateways of a mesh, speaks for the gateway there, and has the
// clerk. The others help: they take over and send what goes by links that run in
// every process, each the lanes and the parts of the trunks' inbox that it has
// (queue.Share). A Bridge leads or helps all its life; a process that
// comes to lead makes a new one, which reads everything that the last one wrote.

// runs tells whether a link runs in this process.
func (b *Bridge) runs(ln *line) bool { return b.leads || !ln.Once() }

// mayWork tells whether this process may send on a link now: it has lost that
// before another process gets it.
func (b *Bridge) mayWork(ln *line) bool {
	switch {
	case b.share == nil:
		return true
	case ln.Once():
		return b.leads && b.share.Leads()
	}
	return b.share.Lives()
}

// lanesOf is what a courier asks whether a lane is its own; nil: all are.
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
			b.control.takeReleases() // what is held is let go by the one that leads
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

// hubSaves is how often a hub writes down who was heard, and its age, for the other
// processes. One gateway alone spares its disk.
const hubSaves = 10 * time.Second

func (b *Bridge) saveEvery() time.Duration {
	if b.share != nil {
		return hubSaves
	}
	return saveEvery
}

// learn keeps what is in memory up to what other processes have written, until ctx
// ends.
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
					b.log.Error("taking in what another process has set failed", "setting", key, "err", err)
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

// learnSetting takes in one setting, as the store has it now.
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
	b.log.Warn("the operator spoke to another process", "link", name, "quiet", is)
	b.hush()
	for _, ln := range b.lines {
		ln.courier.Wake()
	}
	return nil
}

// learnHeard takes in who was heard on a link that another process runs.
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

// learn takes in what another process heard of a station; nil: it has forgotten it.
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
	t.news = news // it is on disk
}

// draw takes n numbers from a setting, as queue.Share has it.
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

// recount gives back the places at far gateways that were kept for what is no more
// on its way: the receipts come to the process that has the gateway's part of the
// inbox.
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

// isForLeader tells whether the process that leads has to decide about a text that
// this one has taken in: another gateway of a mesh that both serve has handed it over,
// and the one that leads alone knows what went out on that mesh, and who transmits
// there. It is kept as a shadow, which the clerk looks at next.
func (b *Bridge) isForLeader(ln *line, m *message.Message) bool {
	return !b.leads && ln.trunk != nil && m.Handed && b.sharedLine(m.Mesh) != nil && b.far.table.Serves(m.Mesh, m.Via)
}

// The steps of such a record.
const (
	forLeader = "left to the one that leads"
	decided   = "decided"
)

// decideForHelper is emerge for what a process that helps has left to this one.
func (b *Bridge) decideForHelper(ln *line, r *queue.Record, it queue.Item, at queue.Stamp, tell func(*message.Message) telling) func(*queue.Record) ([]*queue.Record, error) {
	m := r.Message
	home := b.adopt(ln, &m)
	if home != ln && b.kin.isFrame(&m) {
		return func(r *queue.Record) ([]*queue.Record, error) { return b.endShadow(r, it, queue.Taken, "", at, tell) }
	}
	var to []queue.Delivery
	var ref *rules.Refusal
	if b.isGroup(m.To) && !home.transmits() {
		to = b.shadows(&m)
	} else {
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
		r.Message.Link, r.Deliveries = m.Link, slices.Clone(to)
		r.Note(at, decided, m.Link, b.wayOf(&m, to))
		return nil, nil
	}
}

// crowded lists what is on its way to gateways that have no room for more.
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

// overdueAlarm is after how long a process that was to tell of an emergency is taken
// not to have come to it.
const overdueAlarm = time.Minute

// watchAlarms tells of the emergencies of which a process of the hub did not come
// to tell: it has died.
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
