package simulation

import (
	"context"
	"fmt"
	"maps"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/desk"
)

// world is everything of one seed.
type world struct {
	plan   *plan
	chance *chance
	ledger *ledger
	turns  *turns
	faults faults
	start  time.Time

	wire      *wire
	mail      *mailServer
	meshes    map[string]*mesh
	gateways  []*gateway
	stations  map[string]*station
	everybody []*station // the same, in order
	groups    map[string]bool

	keepLogs bool
	mu       sync.Mutex
	over     bool
	lines    []string
}

// faults are how often things go wrong that are nobody's event.
type faults struct {
	refuse     float64 // a node or mail server says that it is busy
	unanswered float64 // a mail server takes a mail, and the answer is lost
	crashSent  float64 // a gateway loses power right after a frame went out
}

// Play runs the world of a seed, in a bubble of its own, and gives what came of
// it. With logs it keeps the gateways' logs for Report.Logs.
func Play(t *testing.T, seed uint64, size Size, logs bool) (r *Report) {
	dir := memory(t)
	signal.Notify(make(chan os.Signal, 1), syscall.SIGHUP) // its goroutine must be in no bubble
	synctest.Test(t, func(*testing.T) {
		w := newWorld(newPlan(seed, size), dir)
		w.keepLogs = logs
		w.run()
		r = w.report()
	})
	return r
}

// memory gives a folder that is in memory where there is such a thing.
func memory(t *testing.T) string {
	base := "/dev/shm"
	if _, err := os.Stat(base); err != nil {
		return t.TempDir()
	}
	dir, err := os.MkdirTemp(base, "simulation")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

func newWorld(p *plan, dir string) *world {
	w := &world{
		plan: p, chance: newChance(p.seed), turns: newTurns(), faults: p.faults, start: time.Now(),
		meshes: map[string]*mesh{}, stations: map[string]*station{}, groups: map[string]bool{"ALL": true},
	}
	w.ledger = newLedger(w)
	w.wire = newWire(w)
	w.wire.loss, w.wire.twice, w.wire.late = p.wire.loss, p.wire.twice, p.wire.late
	w.mail = &mailServer{w}
	for _, m := range p.meshes {
		w.meshes[m.name] = &mesh{w: w, name: m.name, loss: m.loss, twice: m.twice, late: m.late, via: true}
	}
	for _, s := range p.stations {
		st := &station{w: w, call: s.call, mesh: w.meshes[s.mesh], mine: map[string]bool{}}
		w.stations[s.call] = st
		w.everybody = append(w.everybody, st)
	}
	for _, g := range p.gateways {
		w.gateways = append(w.gateways, newGateway(w, g, filepath.Join(dir, g.call)))
	}
	return w
}

// since is the time of the world.
func (w *world) since() time.Duration { return time.Since(w.start) }

// after has something happen a while later, and up to a second more: at an
// instant that follows from the words.
func (w *world) after(d time.Duration, do func(), words ...string) {
	time.AfterFunc(d+w.chance.between(0, time.Second, words...), func() {
		w.mu.Lock()
		over := w.over
		w.mu.Unlock()
		if !over {
			w.turns.take(words...)
			do()
		}
	})
}

// story writes down what happens, for people and to compare two runs.
func (w *world) story(format string, args ...any) {
	line := fmt.Sprintf("%14.9f  %s", w.since().Seconds(), fmt.Sprintf(format, args...))
	w.mu.Lock()
	defer w.mu.Unlock()
	w.lines = append(w.lines, line)
}

// run lets everything happen, and then come to rest.
func (w *world) run() {
	w.believe(func(*gateway, map[string][]int) {})
	go w.turns.give()
	defer close(w.turns.over)
	for _, g := range w.gateways {
		w.after(0, g.on, "on", g.call)
	}
	for _, s := range w.everybody {
		w.after(3*time.Second, s.beacon, "first", s.call)
		w.keepBeacon(s)
	}
	for _, e := range w.plan.events {
		time.AfterFunc(e.at, func() {
			w.turns.take(e.what)
			w.story("-- %s", e.what)
			e.do(w)
		})
	}
	time.Sleep(w.plan.end)
	w.story("-- all is well from now on")
	w.faults = faults{}
	for _, g := range w.gateways {
		w.after(0, func() { g.heal() }, "heal", g.call)
	}
	w.rest()
	w.judgeStores()
	w.mu.Lock()
	w.over = true
	w.mu.Unlock()
	for _, g := range w.gateways {
		g.off()
	}
	time.Sleep(time.Nanosecond) // until nobody waits for his turn any more
}

func (w *world) keepBeacon(s *station) {
	w.after(w.chance.between(3*time.Minute, 8*time.Minute, "beacon", s.call), func() {
		s.beacon()
		w.keepBeacon(s)
	}, "beacon", s.call)
}

// heal ends every trouble of a gateway.
func (g *gateway) heal() {
	g.mu.Lock()
	clear(g.until)
	g.mu.Unlock()
	g.wall.set()
	g.on()
	l := g.alive()
	for _, name := range slices.Sorted(maps.Keys(l.ports)) {
		l.ports[name].sever(false)
	}
	if r := l.disk.remote; r != nil { // what it has in hand is settled first
		r.busy <- struct{}{}
		<-r.busy
	}
	g.w.ledger.note(entry{what: resumed, gateway: g.call})
	if w := g.w; w.plan.signed {
		_, _ = l.bridge.OrderRestored(context.Background(), desk.Order{Do: desk.Drop, By: "the operator"}) // at once: the store is there
	}
	if err := l.bridge.Resume(context.Background(), "all", "the operator"); err != nil {
		g.w.ledger.complain("%s: resuming: %v", g.call, err)
	}
}

// longestRest is by when nothing may be open any more: the longest lifetimes are
// those of receipts to a gateway that is away.
const longestRest = 30 * time.Hour

// rest waits until no gateway has anything to do.
func (w *world) rest() {
	for t := time.Duration(0); t < longestRest; t += 5 * time.Minute {
		time.Sleep(5 * time.Minute)
		if len(w.open()) == 0 && w.since() > w.plan.late {
			return
		}
	}
	for _, line := range w.open() {
		w.ledger.complain("left open: %s", line)
	}
}

// open lists what is not over.
func (w *world) open() (out []string) {
	for _, g := range w.gateways {
		l := g.alive()
		if l == nil {
			out = append(out, g.call+" is off")
			continue
		}
		list, err := l.disk.List(context.Background(), true, 0, 1000)
		if err != nil {
			out = append(out, fmt.Sprintf("%s: %v", g.call, err))
		}
		for _, r := range list {
			out = append(out, fmt.Sprintf("%s: %d %s %s>%s %.30q %+v", g.call, r.Seq, r.Message.Kind, r.Message.From, r.Message.To, r.Message.Text, r.Deliveries))
		}
	}
	return out
}

// judgeStores has each store check itself.
func (w *world) judgeStores() {
	for _, g := range w.gateways {
		l := g.alive()
		if err := l.disk.Verify(context.Background()); err != nil {
			w.ledger.complain("%s: the store is damaged: %v", g.call, err)
		}
		if st := l.disk.Stats(); st.Damaged > 0 && !w.ledger.has(broken, g.call) {
			w.ledger.complain("%s: %d records are damaged", g.call, st.Damaged)
		}
	}
}

// Report is what came of a run.
type Report struct {
	Seed   uint64
	Faults []string // what must not be; empty: all invariants held
	Counts map[string]int
	Story  []string          // in the order of time
	Logs   map[string]string // of the gateways, when kept
	Lived  time.Duration     // of the world's time
	Turns  uint64            // a sum of who entered the world when, which tells two runs apart sooner than their stories
}

func (w *world) report() *Report {
	slices.Sort(w.lines)
	faults, counts := w.ledger.judge()
	r := &Report{Seed: w.plan.seed, Faults: faults, Counts: counts, Story: w.lines, Logs: map[string]string{}, Lived: w.since(), Turns: w.turns.sum.Sum64()}
	for _, g := range w.gateways {
		r.Logs[g.call] = g.log.String()
	}
	return r
}
