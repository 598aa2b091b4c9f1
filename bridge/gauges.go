package bridge

import (
	"posthouse/bridge/link"
	"posthouse/queue"
)

// gauges updates the metrics that are not counted as things happen.
func (b *Bridge) gauges() {
	_, trusted := b.clock.Wall()
	b.meter.Clock(trusted)
	now := b.clock.Age()
	heard := map[string]int{}
	for _, e := range b.heard.all(func(e *hearing) bool {
		ln := b.byName[e.link]
		return ln != nil && now.Sub(e.at) <= ln.HeardFor
	}) {
		heard[e.link]++
	}
	stats := b.store.Stats() // counters: the queue is never walked for a gauge
	for _, ln := range b.lines {
		if !b.runs(ln) {
			continue
		}
		b.meter.StationsHeard(ln.Name, heard[ln.Name])
		if ln.pace != nil {
			b.meter.Airtime(ln.Name, ln.pace.budget.Used(now))
			b.meter.AirtimeWait(ln.Name, ln.pace.expectedWait(now, waitingOn(stats, ln.Name)))
		}
	}
}

// waitingOn counts the open deliveries of a link.
func waitingOn(s queue.Stats, link string) (n int64) {
	for _, count := range s.Open[link] {
		n += count
	}
	return n
}

// transmitted notes each frame that a link has taken.
func (b *Bridge) transmitted(ln *line, f *link.Frame) {
	b.journal.note(b.journalLine(ln, f))
	if mesh := ln.meshName(); ln.vote != nil && f.Text != "" {
		b.kin.note(mesh, queue.Identity{}, frameHash(f.Message.From, f.Message.To, f.Text))
	}
	b.log.Debug("transmitted", "link", ln.Name, "id", f.Record, "kind", string(f.Message.Kind), "from", f.Message.From,
		"to", f.Message.To, "part", f.Part, "of", f.Parts, "frame", f.ID)
}
