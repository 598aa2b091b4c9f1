package bridge

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/clock"
	"posthouse/bridge/desk"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// Refused messages are no records: strangers can make any number of them. They are
// kept within bounds for each link, in number and in rate, with a share for each
// sender; the rest is counted by code, one line an hour.
const (
	refusalsKept      = 2500 // of one link; the oldest goes first
	refusalsPerHour   = 250  // of one link, each with its text
	refusalsPerSender = 40   // an hour
	refusalText       = 600  // bytes of a text that are kept
	refusalWord       = 100  // bytes of a sender, an addressee, a subject
	refusalsShown     = 120  // the latest, in memory for the page
	refusalsSeen      = 2000 // texts whose repetitions are recognised

	// saveRefusalsEvery bounds the writes of a flood, and what a power failure loses.
	saveRefusalsEvery = 30 * time.Second
	refusalsKey       = "refused/"
)

// refusal is one refused message on disk, or the sum of those of an hour that were
// too many to be written one by one.
type refusal struct {
	Number     uint64             `cbor:"1,keyasint"` // counts those of its link
	At         queue.Stamp        `cbor:"2,keyasint"`
	Code       string             `cbor:"3,keyasint,omitempty"`
	Why        string             `cbor:"4,keyasint,omitempty"`
	From       string             `cbor:"5,keyasint,omitempty"`
	To         string             `cbor:"6,keyasint,omitempty"`
	Subject    string             `cbor:"7,keyasint,omitempty"`
	Text       string             `cbor:"8,keyasint,omitempty"`
	Precedence message.Precedence `cbor:"9,keyasint,omitempty"`
	Exercise   string             `cbor:"10,keyasint,omitempty"`
	More       map[string]int     `cbor:"11,keyasint,omitempty"` // of a sum: how many by code

	link string // is in its key
}

func (r *refusal) key() string {
	return fmt.Sprintf("%s%s/%04d", refusalsKey, r.link, r.Number%refusalsKept)
}

// refusals keeps what was refused: the latest in memory, all of it on disk.
type refusals struct {
	mu      sync.Mutex
	links   *rules.Rate // by link
	senders *rules.Rate
	next    map[string]uint64   // by link: the number of the next
	sums    map[string]*refusal // by link: of this hour
	seen    map[queue.Identity]clock.Age
	unsaved map[string]*refusal // by key
	latest  []*refusal          // the oldest first
	oldest  clock.Age           // no kept one is older; MaxInt64: there is none
}

// newRefusals reads what an earlier run left.
func newRefusals(ctx context.Context, store queue.Store) (*refusals, error) {
	f := &refusals{
		links:   rules.NewRate(rules.Limit{N: refusalsPerHour, Per: time.Hour}),
		senders: rules.NewRate(rules.Limit{N: refusalsPerSender, Per: time.Hour}),
		next:    map[string]uint64{}, sums: map[string]*refusal{},
		seen: map[queue.Identity]clock.Age{}, unsaved: map[string]*refusal{}, oldest: math.MaxInt64,
	}
	all, err := f.all(ctx, store)
	if err != nil {
		return nil, err
	}
	for _, r := range all {
		f.next[r.link] = max(f.next[r.link], r.Number+1)
	}
	if len(all) > 0 {
		f.oldest = all[0].At.Age
	}
	f.latest = slices.Clone(all[max(0, len(all)-refusalsShown):])
	return f, nil
}

// note keeps one refusal. Radios repeat their texts: an equal one within same does
// not count.
func (f *refusals) note(r *refusal, id queue.Identity, same time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	at := r.At.Age
	if last, known := f.seen[id]; known && at.Sub(last) <= same {
		return
	}
	if len(f.seen) >= refusalsSeen {
		clear(f.seen) // a repetition may then be written again
	}
	f.seen[id] = at
	if !f.senders.Allow(r.From, at) || !f.links.Allow(r.link, at) {
		f.count(r)
		return
	}
	f.keep(r)
}

// count adds one to the sum of its hour.
func (f *refusals) count(r *refusal) {
	sum := f.sums[r.link]
	if sum == nil || r.At.Age.Sub(sum.At.Age) >= time.Hour {
		sum = &refusal{At: r.At, More: map[string]int{}, link: r.link}
		f.sums[r.link] = sum
		f.keep(sum)
	}
	sum.More[r.Code]++
	f.unsaved[sum.key()] = sum
}

func (f *refusals) keep(r *refusal) {
	r.Number = f.next[r.link]
	f.next[r.link]++
	f.unsaved[r.key()] = r
	if f.latest = append(f.latest, r); len(f.latest) > refusalsShown {
		f.latest = slices.Delete(f.latest, 0, 1)
	}
	f.oldest = min(f.oldest, r.At.Age)
}

// copied is a copy that no goroutine changes any more.
func (r *refusal) copied() *refusal {
	c := *r
	c.More = maps.Clone(r.More)
	return &c
}

// all returns what is kept, saved or not yet, the oldest first.
func (f *refusals) all(ctx context.Context, store queue.Store) ([]*refusal, error) {
	saved, err := store.Settings(ctx, refusalsKey)
	if err != nil {
		return nil, err
	}
	byKey := map[string]*refusal{}
	for key, v := range saved {
		name, _, ok := strings.Cut(strings.TrimPrefix(key, refusalsKey), "/")
		r := &refusal{link: name}
		if cbor.Unmarshal(v, r) == nil && ok && r.key() == key { // skip what is damaged
			byKey[key] = r
		}
	}
	f.mu.Lock()
	for key, r := range f.unsaved {
		byKey[key] = r.copied()
	}
	f.mu.Unlock()
	list := slices.Collect(maps.Values(byKey))
	slices.SortFunc(list, func(a, b *refusal) int {
		return cmp.Or(cmp.Compare(a.At.Age, b.At.Age), cmp.Compare(a.link, b.link), cmp.Compare(a.Number, b.Number))
	})
	return list, nil
}

// refused counts, logs and keeps a refusal.
func (b *Bridge) refused(ln *line, m *message.Message, id queue.Identity, code, why string) {
	b.meter.Refused(ln.Name, code)
	level := slog.LevelInfo
	if code == link.CodeFull { // our own fault, not the sender's
		level = slog.LevelWarn
	}
	b.log.Log(context.Background(), level, "refused", "link", ln.Name, "from", m.From, "to", m.To, "rule", code, "why", why)
	if !isFate(code) {
		return
	}
	if m.Exercise == "" {
		b.setExercise(m)
	}
	b.refusals.note(&refusal{
		At: b.stamp(), Code: code, Why: why, Precedence: rules.Precedence(m), Exercise: m.Exercise, link: ln.Name,
		From: showable(m.From, refusalWord), To: showable(m.To, refusalWord),
		Subject: showable(m.Subject, refusalWord), Text: showable(m.Text, refusalText),
	}, id, sameAs(&ln.Link, m))
}

// isFate tells whether a refusal is what became of a message. Of a duplicate, or a
// text that a gateway sent, the first copy is in the log.
func isFate(code string) bool { return code != link.CodeDuplicate && code != link.CodeLooped }

// showable makes a stranger's words fit for a log: bounded, UTF-8, without control
// characters.
func showable(s string, most int) string {
	if len(s) > most {
		s = s[:most-3] + "..."
	}
	return strings.Map(func(r rune) rune {
		if !unicode.IsGraphic(r) && r != '\n' {
			return unicode.ReplacementChar
		}
		return r
	}, strings.ToValidUTF8(s, string(unicode.ReplacementChar)))
}

// saveRefusals saves what is new. While the store is full it stays in memory, within
// the same bounds.
func (b *Bridge) saveRefusals(ctx context.Context) {
	f := b.refusals
	f.mu.Lock()
	put, written := map[string][]byte{}, map[string]*refusal{}
	for key, r := range f.unsaved {
		put[key], _ = cbor.Marshal(r) // plain fields: cannot fail
		written[key] = r.copied()
	}
	f.mu.Unlock()
	if len(put) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, queue.Op{Put: put}); err != nil {
		b.log.Warn("saving refusals failed, trying again", "err", err)
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for key, was := range written { // meanwhile a sum may have grown, or a key may have been reused
		if now := f.unsaved[key]; now != nil && now.Number == was.Number && maps.Equal(now.More, was.More) {
			delete(f.unsaved, key)
		}
	}
}

// forgetRefusals removes what is older than the log is kept.
func (b *Bridge) forgetRefusals(ctx context.Context) {
	f, limit := b.refusals, b.clock.Age().Add(-b.cfg.KeepLog)
	f.mu.Lock()
	due := f.oldest < limit
	f.mu.Unlock()
	if !due {
		return
	}
	all, err := f.all(ctx, b.store)
	if err != nil {
		b.log.Error("reading old refusals failed", "err", err)
		return
	}
	gone, oldest := map[string][]byte{}, clock.Age(math.MaxInt64)
	for _, r := range all {
		if r.At.Age < limit {
			gone[r.key()] = nil
		} else {
			oldest = min(oldest, r.At.Age)
		}
	}
	f.mu.Lock()
	f.oldest = oldest
	for key := range gone {
		delete(f.unsaved, key)
	}
	f.latest = slices.DeleteFunc(f.latest, func(r *refusal) bool { return r.At.Age < limit })
	f.mu.Unlock()
	if _, err := b.store.Apply(ctx, queue.Op{Put: gone, Lazy: true}); err != nil {
		b.log.Error("removing old refusals failed", "err", err)
	}
}

// latestRefusals returns the latest refusals, the newest first.
func (b *Bridge) latestRefusals() []*refusal {
	b.refusals.mu.Lock()
	defer b.refusals.mu.Unlock()
	out := make([]*refusal, 0, len(b.refusals.latest))
	for _, r := range slices.Backward(b.refusals.latest) {
		out = append(out, r.copied())
	}
	return out
}

// refusalLine is a refusal as a line of the station log. It has no id.
func refusalLine(r *refusal) desk.Line {
	l := desk.Line{
		Head: desk.Head{
			Accepted: moment(r.At), Kind: message.Text, Precedence: r.Precedence, From: r.From, To: r.To,
			In: r.link, Exercise: r.Exercise, Subject: r.Subject, Text: r.Text,
		},
		Result: resultRefused, Code: r.Code, Why: r.Why, Ended: moment(r.At),
	}
	if len(r.More) == 0 {
		return l
	}
	var codes []string
	for _, code := range slices.Sorted(maps.Keys(r.More)) {
		l.More += r.More[code]
		codes = append(codes, fmt.Sprintf("%s %d", code, r.More[code]))
	}
	l.Why = fmt.Sprintf("%d more in the hour from here, not listed one by one: %s", l.More, strings.Join(codes, ", "))
	return l
}
