// Package presence knows which far gateways are alive and, of the gateways of one mesh,
// which one transmits. It goes by their announcements and by the reader's own monotonic
// time, so that no clock need be right.
//
// It is pure: announcements come in through Hear, and every question gets the present
// time. A gateway is alive if the counter that it announces has grown within the last
// Alive; a retained announcement proves nothing until a newer one follows.
package presence

import (
	"slices"
	"strings"
	"sync"
	"time"
)

const (
	// Every is how often a gateway announces itself.
	Every = 20 * time.Second
	// Alive is how long an announcement counts: three may be lost.
	Alive = 70 * time.Second
	// Lapse is after what time without an announcement another gateway may have taken over:
	// the last one may have been made Every earlier.
	Lapse = Alive - Every
	// First is how long a newcomer listens for others before it transmits.
	First = 5 * time.Second

	// maxGateways bounds a table; beyond it the one heard longest ago is forgotten.
	maxGateways = 5000
)

// Say is what one gateway announces about one mesh.
type Say struct {
	Mesh, Call string
	Boot       uint64   // number of the gateway's start; a later start has a higher one
	Count      uint64   // grows with each announcement of one start
	MeshUp     bool     // the link to its mesh works
	Transmits  bool     // it routes and transmits for the mesh
	Standby    bool     // it does so only while no other can do better
	Closed     bool     // it takes nothing over, since its clock is wrong
	Offers     []string // kinds of links that others may use through it
	Hears      []Word   // the last announcements that it heard of the mesh's other gateways

	// Unproven: it may be a replay, since its time cannot be judged. Like a retained one it
	// only makes a newcomer listen.
	Unproven bool
}

// Word identifies a gateway's announcement by its numbers.
type Word struct {
	Call        string
	Boot, Count uint64
}

// maxWords is how many other gateways an announcement names.
const maxWords = 16

// later tells whether s was said after t.
func (s Say) later(t Say) bool {
	return s.Boot > t.Boot || s.Boot == t.Boot && s.Count > t.Count
}

type key struct{ mesh, call string }

type entry struct {
	say   Say
	heard time.Time // when the counter last grew; zero: only retained by the broker
	came  time.Time
	first time.Time // when it became known
	trace bool      // by what the broker had kept, or what may be a replay
}

// Table has the announcements of gateways. Safe for concurrent use.
type Table struct {
	mu    sync.Mutex
	all   map[key]*entry
	spoke map[string]time.Time // by call sign, see Spoke
}

// NewTable makes an empty table.
func NewTable() *Table { return &Table{all: map[key]*entry{}, spoke: map[string]time.Time{}} }

// Hear notes an announcement; retained: the broker had kept it. It returns whether
// something changed that others may act on.
func (t *Table) Hear(s Say, retained bool, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	k := key{s.Mesh, s.Call}
	e := t.all[k]
	if e == nil || e.say.Unproven && !s.Unproven {
		if len(t.all) >= maxGateways {
			t.forgetOldest()
		}
		e = &entry{say: s, came: now, first: now, trace: retained || s.Unproven || e != nil}
		t.all[k] = e
		if !retained && !s.Unproven {
			e.heard = now
		}
		return true
	}
	if s.Unproven || !s.later(e.say) {
		return false
	}
	was := e.alive(now)
	changed := !was || e.say.MeshUp != s.MeshUp || e.say.Transmits != s.Transmits || e.say.Standby != s.Standby || e.say.Closed != s.Closed || !slices.Equal(e.say.Offers, s.Offers)
	e.say, e.heard, e.came = s, now, now
	return changed
}

// Spoke notes that a gateway has just signed a message for us with a new number: that
// proves that it is alive, like an announcement, but says nothing about its meshes.
func (t *Table) Spoke(call string, now time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(t.spoke) >= maxGateways {
		clear(t.spoke)
	}
	t.spoke[call] = now
}

// Gone notes a gateway's last will: it counts as away on all its meshes, until a later
// start.
func (t *Table) Gone(call string, boot uint64) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	gone := false
	for k, e := range t.all {
		if k.call == call && e.say.Boot == boot && !e.heard.IsZero() {
			e.heard, gone = time.Time{}, true
		}
	}
	if gone {
		delete(t.spoke, call)
	}
	return gone
}

// Forget makes a gateway's announcements count for nothing: its key is no longer trusted.
// Which meshes it serves stays known, so that with its next key it can continue there.
func (t *Table) Forget(call string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for k, e := range t.all {
		if k.call == call {
			e.say.Unproven, e.heard = true, time.Time{}
		}
	}
	delete(t.spoke, call)
}

func (t *Table) forgetOldest() {
	var oldest key
	var at time.Time
	for k, e := range t.all {
		if at.IsZero() || e.came.Before(at) {
			oldest, at = k, e.came
		}
	}
	delete(t.all, oldest)
}

func (e *entry) alive(now time.Time) bool { return !e.heard.IsZero() && now.Sub(e.heard) < Alive }

// Living lists the gateways of a mesh that are alive, by call sign; the empty
// name lists those of all meshes.
func (t *Table) Living(mesh string, now time.Time) []Say {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []Say
	for k, e := range t.all {
		if (mesh == "" || k.mesh == mesh) && e.alive(now) {
			out = append(out, e.say)
		}
	}
	slices.SortFunc(out, func(a, b Say) int {
		if c := strings.Compare(a.Call, b.Call); c != 0 {
			return c
		}
		return strings.Compare(a.Mesh, b.Mesh)
	})
	return out
}

// IsAlive tells whether a gateway is alive, on whatever mesh, or has just spoken.
func (t *Table) IsAlive(call string, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	for k, e := range t.all {
		if k.call == call && e.alive(now) {
			return true
		}
	}
	at, ok := t.spoke[call]
	return ok && now.Sub(at) < Alive
}

// Takes tells whether a gateway is alive and takes over what is handed to it.
func (t *Table) Takes(call string, now time.Time) bool {
	if !t.IsAlive(call, now) {
		return false
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	for k, e := range t.all {
		if k.call == call && e.say.Closed && e.alive(now) {
			return false
		}
	}
	return true
}

// Words lists the latest announcements of a mesh's other gateways: one that finds its own in
// our announcement knows that ours is newer.
func (t *Table) Words(mesh, but string) []Word {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []Word
	for k, e := range t.all {
		if k.mesh == mesh && k.call != but && !e.say.Unproven {
			out = append(out, Word{k.call, e.say.Boot, e.say.Count})
		}
	}
	slices.SortFunc(out, func(a, b Word) int { return strings.Compare(a.Call, b.Call) })
	return out[:min(len(out), maxWords)]
}

// Serves tells whether a gateway has ever announced a mesh, as far as remembered.
func (t *Table) Serves(mesh, call string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.all[key{mesh, call}] != nil
}

// Names tells whether a name is the call sign, with or without SSID, of a gateway that has
// ever announced a mesh, as far as remembered.
func (t *Table) Names(mesh, name string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	for k := range t.all {
		if base, _, _ := strings.Cut(k.call, "-"); k.mesh == mesh && (k.call == name || base == name) {
			return true
		}
	}
	return false
}

// Size is how many announcements are remembered, without those of gateways that were silent
// for an hour, which it forgets.
func (t *Table) Size(now time.Time) int {
	t.mu.Lock()
	defer t.mu.Unlock()
	for k, e := range t.all {
		if now.Sub(e.came) > time.Hour {
			delete(t.all, k)
		}
	}
	return len(t.all)
}

// Known tells whether a gateway of a mesh other than but is known, alive or not.
func (t *Table) Known(mesh, but string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	for k := range t.all {
		if k.mesh == mesh && k.call != but {
			return true
		}
	}
	return false
}

// Found tells whether a gateway that connected then found another of its mesh there: one
// that the broker remembered, or that was known before. One that began to speak since is as
// new. standby counts those on standby, too.
func (t *Table) Found(mesh, own string, standby bool, then time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	for k, e := range t.all {
		if k.mesh == mesh && k.call != own && (standby || !e.say.Standby) && (e.trace || then.Sub(e.first) > First) {
			return true
		}
	}
	return false
}

// Transmitter returns the gateway that transmits for a mesh, of those alive with their mesh
// up: first those that say they transmit, then the others, then those on standby, last those
// that take nothing over; of equals the one with the lowest call sign.
func (t *Table) Transmitter(mesh string, now time.Time) (string, bool) {
	return t.Ahead(Say{Mesh: mesh}, now)
}

// Ahead returns the gateway that transmits for a mesh, or will be the next to do so, as
// Transmitter does, but none if that is the gateway that announces own. So of two that both
// listen one keeps what is for the mesh, and the other hands it over.
func (t *Table) Ahead(own Say, now time.Time) (string, bool) {
	best := own
	for _, s := range t.Living(own.Mesh, now) {
		if r := s.rank(); r > best.rank() || r == best.rank() && r > 0 && s.Call < best.Call {
			best = s
		}
	}
	if best.rank() == 0 || best.Call == own.Call {
		return "", false
	}
	return best.Call, true
}

// rank is how suitable a gateway is as the transmitter; 0: not at all.
func (s Say) rank() int {
	if !s.MeshUp {
		return 0
	}
	rank := 1
	if !s.Closed {
		rank += 2
	}
	if !s.Standby {
		rank += 2
	}
	if s.Transmits {
		rank++
	}
	return rank
}

// Transmits tells whether a gateway that is alive says that it transmits for a mesh.
func (t *Table) Transmits(mesh, call string, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	e := t.all[key{mesh, call}]
	return e != nil && e.alive(now) && e.say.Transmits
}

// Siblings tells whether two gateways serve a common mesh, as far as is known.
func (t *Table) Siblings(a, b string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	for k := range t.all {
		if k.call == a && t.all[key{k.mesh, b}] != nil {
			return true
		}
	}
	return a == b
}
