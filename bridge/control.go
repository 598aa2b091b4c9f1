package bridge

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/callsign"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// AllLinks is the operator's name for every link.
const AllLinks = "all"

const (
	quietKey = "quiet/"
	blockKey = "block/"
)

// block is one entry of the block list, as on disk.
type block struct {
	Pattern string      `cbor:"1,keyasint"`
	Why     string      `cbor:"2,keyasint"`
	Since   queue.Stamp `cbor:"3,keyasint"`
}

// controls is what the operator changes while the gateway runs. It is on disk
// before a command returns, and so survives a restart.
type controls struct {
	mu      sync.RWMutex
	quiet   map[string]bool
	blocks  map[string]block
	block   rules.Patterns // of the settings and of blocks together
	release map[string]bool
	sweep   bool   // somebody was blocked: their messages in the queue have to end
	swept   uint64 // Seq up to which the queue was searched for them

	exercise exercise
	players  rules.Patterns // who takes part in it; none: everybody
}

func (b *Bridge) loadControls(ctx context.Context) error {
	c := &b.control
	c.quiet, c.blocks, c.release = map[string]bool{}, map[string]block{}, map[string]bool{}
	quiet, err := b.store.Settings(ctx, quietKey)
	if err != nil {
		return err
	}
	for key := range quiet {
		c.quiet[strings.TrimPrefix(key, quietKey)] = true
	}
	if c.players, err = rules.ParsePatterns(b.cfg.ExerciseStations); err != nil {
		return fmt.Errorf("stations of the exercise: %w", err)
	}
	err = errors.Join(b.loadBlocks(ctx), b.loadExercise(ctx))
	c.sweep = len(c.blocks)+len(b.cfg.Block) > 0 // the last run may not have finished it
	return err
}

// loadBlocks reads the block list, and starts a sweep if there is a new entry.
func (b *Bridge) loadBlocks(ctx context.Context) error {
	all, err := b.store.Settings(ctx, blockKey)
	if err != nil {
		return err
	}
	blocks := map[string]block{}
	for key, v := range all {
		var e block
		if err := cbor.Unmarshal(v, &e); err != nil {
			return fmt.Errorf("block list entry %s: %w", key, err)
		}
		blocks[e.Pattern] = e
	}
	c := &b.control
	c.mu.Lock()
	defer c.mu.Unlock()
	for p := range blocks {
		if _, known := c.blocks[p]; !known {
			c.sweep, c.swept = true, 0
		}
	}
	c.blocks = blocks
	return b.joinBlocks()
}

// joinBlocks makes one list of the settings' blocks and the operator's.
func (b *Bridge) joinBlocks() error {
	list := slices.Clone(b.cfg.Block)
	for p := range b.control.blocks {
		list = append(list, p)
	}
	patterns, err := rules.ParsePatterns(list)
	if err != nil {
		return fmt.Errorf("block list: %w", err)
	}
	b.control.block = patterns
	return nil
}

func (c *controls) isQuiet(name string) bool {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.quiet[AllLinks] || c.quiet[name]
}

func (c *controls) blocked() rules.Patterns {
	c.mu.RLock()
	defer c.mu.RUnlock()
	return c.block
}

// toRelease notes a station for which something may be held.
func (c *controls) toRelease(base string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.release) < stationsPerLink {
		c.release[base] = true
	}
}

func (c *controls) takeReleases() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := slices.Sorted(maps.Keys(c.release))
	clear(c.release)
	return out
}

// Quiet stops all sending on a link, or on all, at once and until Resume, also after
// a restart; receiving and queueing go on. A Send that has begun is finished. by names
// the operator, for the log, here and below.
func (b *Bridge) Quiet(ctx context.Context, name, by string) error {
	if err := b.knowsLink(name); err != nil {
		return err
	}
	b.control.mu.Lock()
	b.control.quiet[name] = true // before it is on disk: the operator wants silence now
	b.control.mu.Unlock()
	b.hush()
	b.log.Warn("sending stopped by the operator", "link", name, "by", by)
	if _, err := b.store.Apply(ctx, queue.Op{Urgent: true, Put: map[string][]byte{quietKey + name: {1}}}); err != nil {
		return fmt.Errorf("sending is stopped (%s), but only until a restart, since it could not be saved: %w", name, err)
	}
	return nil
}

// Resume undoes Quiet. Resuming all also resumes each link.
func (b *Bridge) Resume(ctx context.Context, name, by string) error {
	if err := b.knowsLink(name); err != nil {
		return err
	}
	put := map[string][]byte{quietKey + name: nil}
	if name == AllLinks {
		for _, ln := range b.lines {
			put[quietKey+ln.Name] = nil
		}
	}
	if _, err := b.store.Apply(ctx, queue.Op{Urgent: true, Put: put}); err != nil {
		return err
	}
	b.control.mu.Lock()
	for key := range put {
		delete(b.control.quiet, strings.TrimPrefix(key, quietKey))
	}
	b.control.mu.Unlock()
	b.hush()
	b.log.Info("sending goes on", "link", name, "by", by)
	for _, ln := range b.lines {
		ln.courier.Wake()
	}
	return nil
}

// QuietLinks lists what is quiet, sorted.
func (b *Bridge) QuietLinks() []string {
	b.control.mu.RLock()
	defer b.control.mu.RUnlock()
	var out []string
	for name := range b.control.quiet {
		out = append(out, name)
	}
	slices.Sort(out)
	return out
}

func (b *Bridge) knowsLink(name string) error {
	if name == AllLinks || b.byName[name] != nil {
		return nil
	}
	names := []string{AllLinks}
	for _, ln := range b.lines {
		names = append(names, ln.Name)
	}
	return fmt.Errorf("%w: there is no link %q; say one of %s", desk.ErrUsage, name, strings.Join(names, ", "))
}

// Block refuses a call sign or mail address (or a pattern with *) from now on, and
// ends its messages that still wait to be sent.
func (b *Bridge) Block(ctx context.Context, pattern, why, by string) error {
	if strings.Trim(pattern, "* ") == "" {
		return fmt.Errorf("%w: that would block everybody, and end all that waits; to stop all sending say 'posthouse quiet all'", desk.ErrUsage)
	}
	p, err := rules.ParsePattern(pattern)
	if err != nil {
		return fmt.Errorf("%w: %w", desk.ErrUsage, err)
	}
	if p.Match(b.own.String()) {
		return fmt.Errorf("%w: that would block this gateway itself, and whoever writes to it; to stop all sending say 'posthouse quiet all'", desk.ErrUsage)
	}
	if !b.mayName(pattern) {
		return fmt.Errorf("%w: %q is nobody: write a call sign or mail address, with * for any characters", desk.ErrUsage, pattern)
	}
	pattern = p.String() // one entry, however it is written
	e := block{Pattern: pattern, Why: why, Since: b.stamp()}
	v, err := cbor.Marshal(e)
	if err != nil {
		return err
	}
	if _, err := b.store.Apply(ctx, queue.Op{Urgent: true, Put: map[string][]byte{blockKey + pattern: v}}); err != nil {
		return err
	}
	b.control.mu.Lock()
	b.control.blocks[pattern] = e
	b.control.sweep, b.control.swept = true, 0
	err = b.joinBlocks()
	b.control.mu.Unlock()
	b.log.Warn("blocked by the operator", "pattern", pattern, "why", why, "by", by)
	return err
}

// mayName tells whether a pattern can match anybody: with a typing error, or a
// character of another pattern language, it would look as if it blocked somebody.
func (b *Bridge) mayName(pattern string) bool {
	if strings.Contains(pattern, "@") || b.isGroup(strings.ToUpper(pattern)) {
		return true
	}
	_, err := callsign.Parse(pattern)
	return err == nil || strings.Contains(pattern, "*") && !strings.ContainsAny(pattern, `?[]{}()^$|\`)
}

// Unblock removes an entry that Block made.
func (b *Bridge) Unblock(ctx context.Context, pattern, by string) error {
	same := func(p string) bool { return strings.EqualFold(p, pattern) }
	b.control.mu.RLock()
	entries := slices.Collect(maps.Keys(b.control.blocks))
	b.control.mu.RUnlock()
	i := slices.IndexFunc(entries, same)
	switch {
	case i < 0 && slices.ContainsFunc(b.cfg.Block, same):
		return fmt.Errorf("%w: %s is blocked in POSTHOUSE_BLOCK; remove it there and restart", desk.ErrUsage, pattern)
	case i < 0:
		return fmt.Errorf("%w: %s is not on the block list; 'posthouse block list' shows it", desk.ErrUsage, pattern)
	}
	pattern = entries[i]
	if _, err := b.store.Apply(ctx, queue.Op{Urgent: true, Put: map[string][]byte{blockKey + pattern: nil}}); err != nil {
		return err
	}
	b.control.mu.Lock()
	defer b.control.mu.Unlock()
	delete(b.control.blocks, pattern)
	b.log.Info("unblocked by the operator", "pattern", pattern, "by", by)
	return b.joinBlocks()
}

// Blocks lists the block list, the settings' entries first.
func (b *Bridge) Blocks() []desk.Block {
	b.control.mu.RLock()
	defer b.control.mu.RUnlock()
	var out []desk.Block
	for _, p := range b.cfg.Block {
		out = append(out, desk.Block{Pattern: p, Why: "POSTHOUSE_BLOCK"})
	}
	own := len(out)
	for _, e := range b.control.blocks {
		out = append(out, desk.Block{Pattern: e.Pattern, Why: e.Why, Since: e.Since.Wall.UTC().Format(time.RFC3339)})
	}
	slices.SortFunc(out[own:], func(a, b desk.Block) int { return strings.Compare(a.Pattern, b.Pattern) })
	return out
}

// Send takes over a message of the operator's own, and returns its id. The rules apply
// as to any other: a refusal is a *desk.Refused.
func (b *Bridge) Send(ctx context.Context, d desk.Draft) (string, error) {
	if strings.ContainsAny(d.To, ",;") {
		return "", cannot("%q is more than one addressee: send it to each by itself, or to a group", d.To)
	}
	m := &message.Message{
		Kind: message.Text, From: b.own.String(), To: canonical(d.To), Text: rules.Normalise(d.Text), Precedence: d.Precedence, Operator: d.By,
	}
	if a, ok := b.table.Aliases[strings.ToUpper(d.To)]; ok {
		m.To = a
	}
	if ref := rules.Check(m, b.policy(nil)); ref != nil {
		return "", refused(ref)
	}
	m.Precedence = rules.Precedence(m)
	b.setExercise(m)
	b.setFiled(m)
	deliveries, ref := b.route(nil, m)
	if ref != nil {
		return "", refused(ref)
	}
	r := b.record(m, deliveries)
	r.Identity = identify(m)
	done, err := b.store.Apply(ctx, queue.Op{New: r, Urgent: true})
	if err != nil {
		return "", err
	}
	id := b.id(done[0].Seq)
	b.meter.Accepted("")
	b.log.Info("accepted", "link", "", "id", id, "from", m.From, "to", m.To, "precedence", m.Precedence.String(), "way", b.wayOf(m, deliveries), "by", d.By)
	b.lookForHeld(m, deliveries)
	return id, nil
}

// refused makes a rule's refusal the error of a command.
func refused(ref *rules.Refusal) error { return &desk.Refused{Code: ref.Code, Why: ref.Why} }

// Station is the gateway's call sign.
func (b *Bridge) Station() string { return b.own.String() }

// Links returns the state of each link.
func (b *Bridge) Links() []desk.LinkState {
	var out []desk.LinkState
	for _, ln := range b.lines {
		var air *float64
		if ln.pace != nil {
			used := ln.pace.budget.Used(b.clock.Age())
			air = &used
		}
		ln.mu.Lock()
		out = append(out, desk.LinkState{
			Air: air, Name: ln.Name, Kind: ln.Kind, Up: ln.up.Load(), Transmits: ln.transmits(), Quiet: b.control.isQuiet(ln.Name),
			Elsewhere: !b.runs(ln), Why: ln.why, Trouble: ln.trouble, Since: ln.since.UTC().Format(time.RFC3339), Deaf: b.deafSince(ln),
		})
		ln.mu.Unlock()
	}
	return out
}
