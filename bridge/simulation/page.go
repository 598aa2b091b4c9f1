package simulation

import (
	"context"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"posthouse/bridge/message"
)

// breakPage has a page of a gateway's data file be overwritten while it works; its store
// finds that, sets the file aside and goes on with what can be read. Some minutes before
// it a station writes to many, and some of them acknowledge nothing yet.
func (p *plan) breakPage(mesh, gateway string) {
	at := p.span(settle+5*time.Minute, settle+8*time.Minute)
	for range 30 { // more than a page holds
		from, to := p.oneOff(mesh), p.oneOn(mesh)
		p.write(from, to, p.span(settle, at))
		p.write(to, from, p.span(settle, at))
		if p.n(2) == 0 {
			p.happens(at-4*time.Minute, func(w *world) { w.stations[to].silence(6 * time.Minute) }, "%s acknowledges nothing", to)
		}
	}
	nth := p.n(1000)
	p.happens(at, func(w *world) { w.gateway(gateway).breakPage(nth) }, "a page of the store of %s breaks", gateway)
}

// mostInAPage is how many records lie in a page of 4096 bytes: each takes 200 or more.
const mostInAPage = 20

// breakPage overwrites a page, waits until that is mended, and notes what was lost. The
// file is compacted before: which page has what then goes by what there is, and not by how
// it came, and there is no older copy of anything.
func (g *gateway) breakPage(nth int) {
	ctx := context.Background()
	l := g.alive()
	g.w.turns.take("page", g.call)
	if l.disk.Compact(ctx) != nil {
		return
	}
	had := l.records()
	g.w.turns.take("page", g.call) // nobody reads it in this moment
	overwritePage(filepath.Join(g.dir, queueFile), nth)
	g.w.ledger.note(entry{what: broken, gateway: g.call})
	_ = l.disk.Verify(ctx) // whoever reads it first finds it
	time.Sleep(time.Second)
	if err := l.disk.Healthy(); err != nil {
		g.w.ledger.complain("%s: a page broke, and a second later: %v", g.call, err)
		return
	}
	has, lost := l.records(), 0
	for _, seq := range slices.Sorted(maps.Keys(had)) {
		if _, there := has[seq]; !there {
			g.w.ledger.note(entry{what: lostRecord, gateway: g.call, letter: had[seq]})
			lost++
		}
	}
	if lost > mostInAPage {
		g.w.ledger.complain("%s: a page broke, and %d of %d records are lost", g.call, lost, len(had))
	}
}

// records gives the letter that each record is about; 0 for none.
func (l *life) records() map[uint64]int {
	all, err := l.disk.List(context.Background(), false, 0, 10_000)
	if err != nil {
		l.g.w.ledger.complain("%s: %v", l.g.call, err)
	}
	about := map[uint64]int{}
	for _, r := range all {
		about[r.Seq] = l.g.w.plan.about(&r.Message)
	}
	return about
}

// about finds the letter that a message is, or that it says something of.
func (p *plan) about(m *message.Message) int {
	if n := p.letterBy(m.From, m.Text); n != 0 {
		return n
	}
	i := slices.IndexFunc(p.letters, func(l *letter) bool { return l.from == m.To && l.id == m.Acks && l.id != "" })
	return i + 1
}

// overwritePage puts zeros into one of the pages behind the meta pages.
func overwritePage(file string, nth int) {
	f, err := os.OpenFile(file, os.O_RDWR, 0)
	if err != nil {
		panic(err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		panic(err)
	}
	pages := int(info.Size()-metas) / page
	if _, err := f.WriteAt(make([]byte, page), int64(metas+nth%pages*page)); err != nil {
		panic(err)
	}
}
