package simulation

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"posthouse/adapters/broker"
	"posthouse/adapters/broker/envelope"
	"posthouse/bridge"
	"posthouse/bridge/desk"
	"posthouse/queue/boltstore"
)

// restoreBackup has an operator make a backup while a station does not acknowledge
// its text, lose the disk some minutes later, when it has, and go on with the backup.
// What it brought back he drops: he knows that it may have gone out.
func (p *plan) restoreBackup() {
	mesh := p.gateways[p.more.IntN(len(p.gateways))].mesh
	g := p.gateways[slices.IndexFunc(p.gateways, func(g gatewayPlan) bool { return g.mesh == mesh })].call // the first transmits
	from, to := p.oneOff(mesh), p.oneOn(mesh)
	n := len(p.letters) + 1
	l := &letter{n: n, from: from, to: to, text: fmt.Sprintf("nr%d is the road open again", n)}
	if from != "" {
		p.ids[from]++
		l.id = fmt.Sprint(p.ids[from])
		p.letters = append(p.letters, l)
	}
	at := min(p.sometime(), p.end-6*time.Minute)
	old := 2*time.Minute + time.Duration(p.more.Int64N(int64(3*time.Minute)))
	p.happens(at, func(w *world) {
		x := w.gateway(g)
		if from != "" {
			w.stations[to].silence(50 * time.Second)
			w.stations[from].write(l)
			time.Sleep(40 * time.Second)
		}
		made := w.since()
		backup := x.backup()
		if backup == nil {
			return
		}
		time.Sleep(old)
		x.restore(made, backup)
		x.on()
		time.Sleep(20*time.Second + 300*time.Millisecond)
		if l := x.alive(); l != nil {
			_, _ = l.bridge.OrderRestored(context.Background(), desk.Order{Do: desk.Drop, By: "the operator"}) // heal does it again
		}
	}, "%s loses its disk, and goes on with a backup that is %v old", g, old)
}

// backup gives a copy of the store, as the command makes it; nil when there is
// nobody to make it.
func (g *gateway) backup() []byte {
	l := g.alive()
	if l == nil || l.dark.Load() || l.bridge.Checkpoint(context.Background()) != nil {
		return nil
	}
	var b bytes.Buffer
	if err := l.disk.Backup(&b); err != nil || l.dark.Load() {
		return nil
	}
	return b.Bytes()
}

// restore puts a backup in the place of the store, and makes it safe to go on with,
// as the command does.
func (g *gateway) restore(made time.Duration, backup []byte) {
	<-g.power
	defer func() { g.power <- struct{}{} }()
	if l := g.leave(); l != nil {
		g.w.ledger.note(entry{what: stopped, gateway: g.call})
		l.stop()
	}
	image{queueFile: backup}.put(g.dir)
	g.w.ledger.note(entry{what: restored, gateway: g.call, until: made})
	if err := g.makeSafe(made); err != nil {
		panic(fmt.Sprintf("%s: restoring: %v", g.call, err))
	}
}

func (g *gateway) makeSafe(made time.Duration) error {
	ctx := context.Background()
	s, err := boltstore.Open(filepath.Join(g.dir, queueFile), boltstore.Options{NoSync: true, MinFree: -1, LogBytes: logBytes})
	if err != nil {
		return err
	}
	defer s.Close()
	n := bridge.Restoration{Made: g.w.start.Add(made), Trunks: []string{"far"}, Marks: g.restoredMarks}
	if g.wall.synced() {
		n.Now = g.wall.now()
	}
	for _, l := range g.cfg.Links {
		if l.Mesh != nil && l.Mesh.SF != 0 {
			n.Paced = append(n.Paced, l.Name)
		}
	}
	if n.Last, err = s.Last(ctx); err != nil {
		return err
	}
	if err := s.Skip(ctx, n.FirstNumber()); err != nil {
		return err
	}
	_, err = bridge.Restored(ctx, s, n)
	return err
}

func (g *gateway) restoredMarks(_ string, marks map[string][]byte) (map[string][]byte, error) {
	believed, err := envelope.ParseTrust(g.trustList())
	if err != nil {
		return nil, err
	}
	now := time.Time{}
	if g.wall.synced() {
		now = g.wall.now()
	}
	return broker.RestoredMarks(marks, believed, now)
}

// isForgotten tells whether a letter was taken after a backup that a gateway went on
// with: nobody can know it.
func (j *judge) isForgotten(f *file) bool {
	return slices.ContainsFunc(f.entries, func(e entry) bool {
		return (e.what == taken || e.what == takenFar || e.what == ackTaken) && j.forgot(e)
	})
}

// droppedWithBackup tells whether all gateways that took a letter went on with a backup
// later: what that brings back, and waits, the operator drops.
func (j *judge) droppedWithBackup(takes []entry) bool {
	return !slices.ContainsFunc(takes, func(e entry) bool { return !j.troubled(e.gateway, e.at, ever, restored) })
}

// firstAt is how a gateway first took a letter.
func (f *file) firstAt(gateway string) entry {
	i := slices.IndexFunc(f.entries, func(e entry) bool { return e.gateway == gateway && (e.what == taken || e.what == takenFar) })
	if i < 0 {
		return entry{}
	}
	return f.entries[i]
}

// forgot tells whether a gateway went on with a backup that does not have an entry:
// what was sent is marked a while later.
func (j *judge) forgot(e entry) bool {
	onDisk := e.at
	if e.what == transmitted || e.what == mailed {
		onDisk += lateMark
	}
	return slices.ContainsFunc(j.l.all, func(r entry) bool {
		return r.what == restored && r.gateway == e.gateway && onDisk >= r.until && e.at <= r.at
	})
}
