package simulation

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"
)

// Some nodes count the ids of their texts from 1 again: they were reset, or were
// without power. What they write then comes under ids that they have used, to the same
// people, in other words, and is new; the same words are a repetition.

// resetNodes has that befall a station of each third world. What it draws is of a stream
// of its own: the rest of the world stays as it was.
func (p *plan) resetNodes() {
	draw := rand.New(rand.NewPCG(p.seed, 3))
	if p.ring || draw.IntN(3) > 0 { // in a ring each id comes back under each of its names
		return
	}
	used := p.writtenBy(p.stations[draw.IntN(len(p.stations))].call)
	for tries := 0; len(used) == 0 && tries < len(p.stations); tries++ {
		used = p.writtenBy(p.stations[draw.IntN(len(p.stations))].call)
	}
	if len(used) == 0 {
		return
	}
	used = used[:min(len(used), 1+draw.IntN(3))]
	call, at := used[0].from, used[len(used)-1].at+time.Minute+time.Duration(draw.Int64N(int64(3*time.Minute)))
	p.happens(at, func(w *world) { w.stations[call].reset() }, "the node of %s is reset, and counts from the beginning", call)
	for _, was := range used {
		at += time.Second + time.Duration(draw.Int64N(int64(20*time.Second)))
		l := &letter{n: len(p.letters) + 1, from: call, to: was.to, id: was.id, group: was.group, mail: was.mail, once: draw.IntN(2) == 0, at: at}
		l.text = fmt.Sprintf("nr%d this is something else", l.n)
		p.letters = append(p.letters, l)
		p.happens(at, func(w *world) { w.stations[call].write(l) }, "%s writes to %s under the used id %s: %s", call, l.to, l.id, l.text)
	}
	same := used[draw.IntN(len(used))]
	at += time.Second + time.Duration(draw.Int64N(int64(time.Minute)))
	p.happens(at, func(w *world) { w.stations[call].write(same) }, "%s writes the same to %s once more under the used id %s: %s", call, same.to, same.id, same.text)
	p.end = max(p.end, at+time.Minute)
}

// writtenBy lists what a station writes under ids, the first first.
func (p *plan) writtenBy(call string) (out []*letter) {
	for _, l := range p.letters {
		if l.from == call && l.id != "" && l.at > 0 && l.bad == "" && !l.naks {
			out = append(out, l)
		}
	}
	slices.SortFunc(out, func(a, b *letter) int { return int(a.at - b.at) })
	return out
}

// reset has a station's node forget what it has sent.
func (s *station) reset() {
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.mine)
	s.resets++
}

// notKnownUnseen is invariant 1: nobody says of a text that he has it who has never had
// it. It may be on disk without his having said so.
func (j *judge) notKnownUnseen(f *file) {
	for _, k := range f.find(known) {
		first := f.entries[0].at - time.Second // what a stranger brings is there before anybody answers
		if f.at > 0 {
			first = min(first, f.at)
		}
		had := slices.ContainsFunc(f.entries, func(e entry) bool {
			return (e.what == taken || e.what == takenFar) && e.gateway == k.gateway && e.at <= k.at
		})
		if !had && !j.troubled(k.gateway, first, k.at, crashed, stopped, badDisk, restored) {
			j.fault(1, "%s said at %.1f s that it has %v, which it had never taken", k.gateway, k.at.Seconds(), f)
			return
		}
	}
}

// hasReceipt tells whether the writer had a receipt after a time that may be for the
// letter: another one may have had the same id.
func (j *judge) hasReceipt(f *file, after time.Duration) bool {
	return slices.ContainsFunc(j.l.all, func(e entry) bool {
		return e.what == receipted && e.station == f.from && e.frame == f.id && e.to == f.name() && e.at > after
	})
}

// anotherWasAcked tells whether the addressee said on the writer's own mesh that it has
// another text under the same id, while a gateway waited for that: it cannot know of which
// of the two he speaks, and the writer cannot, either. So it is if a gateway of the mesh gives
// the writer the receipt of that one.
func (j *judge) anotherWasAcked(f *file) bool {
	if f.id == "" {
		return false
	}
	begun := f.entries[0].at
	shares := slices.ContainsFunc(j.files, func(o file) bool { return o.n != f.n && o.from == f.from && o.to == f.to && o.id == f.id })
	return shares && j.hasReceipt(f, begun) || slices.ContainsFunc(j.l.all, func(e entry) bool {
		return e.what == acks && e.station == f.to && e.frame == f.id && e.letter > 0 && e.letter != f.n && e.at > begun && j.files[e.letter-1].from == f.from
	})
}

// firstAcked is when its addressee first said that it arrived, or the mail server had it.
func (f *file) firstAcked() time.Duration {
	for _, e := range f.entries {
		if e.what == acks || e.what == mailed {
			return e.at
		}
	}
	return ever
}
