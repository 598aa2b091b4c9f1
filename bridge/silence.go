package bridge

import (
	"context"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/clock"
)

// A link is deaf if it is up, and silent for three times its own longest silence of
// the last seven days, and at least an hour: an APRS server after an hour, a mesh
// that sleeps at night after more than a day, one with a weekly net after three
// weeks. A link that was first heard less than a day ago is never called deaf.
const (
	silenceKey   = "silence/"
	silenceDays  = 7
	leastSilence = time.Hour
	timesSilence = 3
	knowsItself  = 24 * time.Hour
	oneDay       = clock.Age(24 * time.Hour / time.Millisecond)
)

// silence knows how long a link usually hears nothing.
type silence struct {
	mu      sync.Mutex
	from    clock.Age // when it came up last: the time before does not count
	history heardHistory
	dirty   bool
}

// heardHistory is a silence as on disk.
type heardHistory struct {
	First clock.Age               `cbor:"1,keyasint"` // when it was heard first; 0: never
	Last  clock.Age               `cbor:"2,keyasint"`
	Days  map[int64]time.Duration `cbor:"3,keyasint"` // day of age -> the longest silence that ended on it
}

// heard notes that something came in.
func (s *silence) heard(now clock.Age) {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := &s.history
	if h.First == 0 {
		h.First = max(now, 1)
	} else {
		s.longest(now, now.Sub(max(h.Last, s.from)))
	}
	h.Last, s.dirty = now, true
}

// longest notes a silence that ended, and removes days that no longer count.
func (s *silence) longest(now clock.Age, d time.Duration) {
	h := &s.history
	if h.Days == nil {
		h.Days = map[int64]time.Duration{}
	}
	today := int64(now / oneDay)
	h.Days[today] = max(h.Days[today], d)
	for day := range h.Days {
		if today-day > silenceDays {
			delete(h.Days, day)
		}
	}
}

// up notes that the link came up.
func (s *silence) up(now clock.Age) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.from = now
}

// deaf returns since when the link has heard nothing, and whether that is unusually long.
func (s *silence) deaf(now clock.Age) (since clock.Age, is bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := &s.history
	since = max(h.Last, s.from)
	if h.First == 0 || now.Sub(h.First) < knowsItself {
		return since, false
	}
	limit := leastSilence
	for day, d := range h.Days {
		if int64(now/oneDay)-day <= silenceDays {
			limit = max(limit, timesSilence*d)
		}
	}
	return since, now.Sub(since) > limit
}

// isDeaf returns since when a link has heard nothing, and whether it is deaf.
func (b *Bridge) isDeaf(ln *line) (since clock.Age, is bool) {
	since, is = ln.silence.deaf(b.clock.Age())
	return since, is && ln.up.Load() && ln.MayReceive()
}

// deafSince is when a deaf link was heard last (RFC 3339); empty for others.
func (b *Bridge) deafSince(ln *line) string {
	since, is := b.isDeaf(ln)
	if !is {
		return ""
	}
	return b.wallAt(since).At.Format(time.RFC3339)
}

// hearsOn notes that a link has heard something.
func (b *Bridge) hearsOn(ln *line) { ln.silence.heard(b.clock.Age()) }

// saveSilences adds to put what has changed since the last time.
func (b *Bridge) saveSilences(put map[string][]byte) {
	for _, ln := range b.lines {
		ln.silence.mu.Lock()
		if ln.silence.dirty {
			put[silenceKey+ln.Name], _ = cbor.Marshal(ln.silence.history) // plain fields: cannot fail
			ln.silence.dirty = false
		}
		ln.silence.mu.Unlock()
	}
}

// loadSilences reads what was known at the last stop.
func (b *Bridge) loadSilences(ctx context.Context) error {
	for _, ln := range b.lines {
		v, err := b.store.Setting(ctx, silenceKey+ln.Name)
		if err != nil {
			return err
		}
		if v != nil && cbor.Unmarshal(v, &ln.silence.history) != nil {
			ln.silence.history = heardHistory{} // it learns anew
		}
	}
	return nil
}
