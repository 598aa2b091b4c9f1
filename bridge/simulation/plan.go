package simulation

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"posthouse/bridge/message"
)

// Size is how large a world is.
type Size int

// The sizes: a few gateways for a quarter of an hour, or tens of them with
// hundreds of stations.
const (
	Small Size = iota
	Large
)

// plan is what a seed means: who is there, who writes what to whom, and what goes
// wrong when.
type plan struct {
	seed     uint64
	rand     *rand.Rand
	more     *rand.Rand // for what came later: it leaves the rest of a world as it was
	remote   bool       // stores lie beyond a network
	exercise string     // that goes on; empty: none
	duty     bool       // radios have a limit for their own transmitters
	signed   bool       // gateways sign what they publish on the trunk, and check what comes
	calm     bool       // one thing happens, and nothing else goes wrong
	past     string     // the gateway whose clock stands in the past
	liar     bool       // a gateway that everybody believes lies
	ring     bool       // foreign bridges join the meshes in a ring
	old      string     // the gateway with a normaliser of its own
	any      bool       // and take texts from gateways that they do not know
	faults   faults
	wire     meshPlan
	meshes   []meshPlan
	gateways []gatewayPlan
	stations []stationPlan
	letters  []*letter
	events   []happening
	end      time.Duration
	late     time.Duration // of the last event, when that is long after the end
	ids      map[string]int
}

type meshPlan struct {
	name        string
	loss, twice float64
	late        time.Duration
	radio       *radioPlan // nil: its air is not counted
}

// radioPlan are the settings of a mesh's radio, as the model reckons with them.
type radioPlan struct {
	sf, bw, repeats, overhead int
	airtime                   int // percent of an hour
}

type gatewayPlan struct {
	call       string
	mesh       string
	mail, aprs bool
	env        []string
}

type stationPlan struct{ call, mesh string }

// letter is one text that somebody writes.
type letter struct {
	n                  int
	from, to, id, text string
	licence            string // of a mail writer
	group, mail        bool
	bad                string // why it must be refused; empty: it need not be
	encrypted          bool
	once               bool          // it is not said again when no receipt comes
	naks               bool          // its addressee refuses it
	at                 time.Duration // when a station writes it
	written, said      string        // what a phone wrote, and to whom; empty: the text, to its addressee
	heardBy            string        // the only gateway that hears it at first; empty: all
	alike              int           // the letter of somebody else's whose words it has
	answers            bool          // who wrote to it last
}

// happening is one event of the script.
type happening struct {
	at   time.Duration
	what string
	do   func(*world)
}

const settle = 2 * time.Minute // until all gateways know each other

func newPlan(seed uint64, size Size) *plan {
	p := &plan{seed: seed, rand: rand.New(rand.NewPCG(seed, 1)), more: rand.New(rand.NewPCG(seed, 2)), ids: map[string]int{}}
	if p.odds(3, 4) {
		p.faults = faults{refuse: p.upTo(0.1), unanswered: p.upTo(0.05), crashSent: p.upTo(0.02)}
	}
	p.wire = meshPlan{loss: p.upTo(0.1), twice: p.upTo(0.1), late: p.span(100*time.Millisecond, 5*time.Second)}
	meshes, gateways, each, letters, troubles := 1+p.n(3), 2+p.n(3), 2+p.n(3), 15+p.n(15), 3+p.n(8)
	p.end = settle + 12*time.Minute
	if size == Large {
		meshes, gateways, each, letters, troubles = 8, 20+p.n(10), 25, 300, 40
		p.end = settle + 30*time.Minute
	}
	p.drawRules()
	if p.calm = calm(seed, size); p.calm {
		p.faults, meshes = faults{}, max(meshes, 2)
		gateways = max(gateways, meshes+1)
	}
	p.settle(meshes, max(gateways, meshes), each)
	for len(p.letters) < letters {
		from, at := p.stations[p.n(len(p.stations))].call, p.when()
		to := p.addressee(from)
		p.write(from, to, at)
		for range 3 * p.n(2) * p.n(2) { // some have more to say
			at += p.span(time.Second, 5*time.Second)
			p.write(from, to, at)
		}
	}
	if p.calm {
		p.calmly()
		p.resetNodes()
		p.addPhones()
		return p
	}
	for range troubles {
		p.spoil()
	}
	p.mischief()
	p.spoilStores()
	p.addMore()
	p.sign()
	p.resetNodes()
	p.addRare()
	p.addPhones()
	return p
}

func (p *plan) n(below int) int           { return p.rand.IntN(below) }
func (p *plan) odds(n, of int) bool       { return p.n(of) < n }
func (p *plan) upTo(most float64) float64 { return p.rand.Float64() * most }
func (p *plan) span(lo, hi time.Duration) time.Duration {
	return lo + time.Duration(p.rand.Int64N(int64(hi-lo)))
}

// when is some time of the script.
func (p *plan) when() time.Duration { return p.span(settle, p.end-time.Minute) }

func (p *plan) happens(at time.Duration, do func(*world), format string, args ...any) {
	p.events = append(p.events, happening{at, fmt.Sprintf(format, args...), do})
}

// callSign gives the nth of the call signs that nobody has.
func callSign(n int, ssid int) string {
	return fmt.Sprintf("N0%c%c%c-%d", 'Q', 'R'+n/26%4, 'A'+n%26, ssid)
}

// settle sets up meshes, gateways and stations.
func (p *plan) settle(meshes, gateways, each int) {
	for i := range meshes {
		m := meshPlan{name: fmt.Sprintf("mesh%c", 'a'+i), loss: p.upTo(0.3), twice: p.upTo(0.1), late: p.span(time.Second, 4*time.Second)}
		if p.odds(1, 3) && !p.calm {
			m.radio = &radioPlan{sf: 8 + p.n(3), bw: 125, repeats: 2 + p.n(3), overhead: 24, airtime: 1 + 4*p.n(2)}
		}
		p.meshes = append(p.meshes, m)
		for s := range each {
			p.stations = append(p.stations, stationPlan{callSign(26+(i*each+s)%78, 1+(i*each+s)/78), m.name})
		}
	}
	aprs := p.odds(1, 3)
	if aprs {
		p.meshes = append(p.meshes, meshPlan{name: aprsNet})
		p.stations = append(p.stations, stationPlan{callSign(24, 5), aprsNet}, stationPlan{callSign(25, 5), aprsNet})
	}
	for i := range gateways {
		g := gatewayPlan{call: callSign(i%24, 10+i/24), mesh: p.meshes[i%meshes].name, mail: i == 0 || p.odds(1, 3), aprs: aprs && i == 0}
		if i >= meshes {
			g.mesh = p.meshes[p.n(meshes)].name
		}
		p.gateways = append(p.gateways, g)
	}
	for i := range p.gateways {
		p.gateways[i].env = p.settings(&p.gateways[i])
	}
}

// settings are a gateway's, with short lifetimes so that a run ends soon.
func (p *plan) settings(g *gatewayPlan) []string {
	names := []string{"far", "air"}
	env := []string{
		"CALLSIGN=" + g.call, "COUNTRY=US", "RATE=1000/10m", "LIFETIME=25m", "BLOCK=" + blockedCall,
		"FAR_KIND=trunk", "FAR_BROKER_URL=tcp://127.0.0.1:1883", "FAR_SIGNING_KEY_FILE=none", "FAR_TRUST=any",
		"AIR_KIND=mesh", "AIR_BROKER_URL=tcp://127.0.0.1:1883", "AIR_MESH=" + g.mesh, "AIR_ACK_WAIT=20s",
	}
	if p.exercise != "" {
		env = append(env, "EXERCISE="+p.exercise)
	}
	for _, m := range p.meshes {
		if r := m.radio; r != nil && m.name == g.mesh {
			if p.duty {
				env = append(env, fmt.Sprint("AIR_DUTY=", duty))
			}
			env = append(env, fmt.Sprintf("AIR_SF=%d", r.sf), fmt.Sprintf("AIR_BW=%d", r.bw), "AIR_CR=4/5", "AIR_PREAMBLE=8",
				fmt.Sprintf("AIR_OVERHEAD_BYTES=%d", r.overhead), fmt.Sprintf("AIR_REPEATS=%d", r.repeats), fmt.Sprintf("AIR_AIRTIME=%d", r.airtime))
		}
	}
	if g.mail {
		names = append(names, "post")
		env = append(env, "POST_KIND=mail", "POST_DOMAIN=radio.example", "POST_SMARTHOST=127.0.0.1:25", "POST_SMARTHOST_TLS=none", "POST_LIFETIME=40m")
	}
	if g.aprs {
		names = append(names, "aprs")
		env = append(env, "APRS_KIND=aprs", "APRS_SERVER=127.0.0.1:14580", "APRS_PASSCODE=1")
	}
	env = append(env, "LINKS="+strings.Join(names, ","))
	for i := range env {
		env[i] = "POSTHOUSE_" + env[i]
	}
	return env
}

const blockedCall = "N0QUZ-9"

// nobodyHears is a station that is nowhere.
var nobodyHears = callSign(102, 9)

var phrases = []string{
	"water is rising at the bridge", "net at eight on the usual channel", "all well at the camp", "need two more blankets",
	"road closed behind the mill", "please call home when you can", "arrived at the hut", "who has the spare battery",
}

// body makes a text that carries its number in each of its parts.
func (p *plan) body(n int) string {
	s := fmt.Sprintf("nr%d %s", n, phrases[p.n(len(phrases))])
	if p.odds(1, 5) {
		for len(s) < 300 {
			s += fmt.Sprintf(" nr%d %s", n, phrases[p.n(len(phrases))])
		}
	}
	return s
}

// write has somebody write something to somebody.
func (p *plan) write(from, to string, at time.Duration) {
	l := &letter{n: len(p.letters) + 1}
	p.letters = append(p.letters, l)
	l.from, l.to, l.text = from, to, p.body(l.n)
	l.group, l.mail, l.once = l.to == "ALL", message.IsMail(l.to), p.odds(1, 2)
	if word := p.n(20); word < 2 {
		l.text = []string{"EMERGENCY ", "PRIORITY "}[word] + l.text
	}
	if !p.odds(1, 10) {
		p.ids[from]++
		l.id = fmt.Sprint(p.ids[from])
	}
	switch p.n(25) {
	case 0:
		l.bad, l.encrypted = "it was encrypted", true
	case 1:
		l.bad, l.from = "its writer is blocked", blockedCall
	case 2, 3, 4:
		p.writeMail(l)
		return
	}
	l.at = at
	p.happens(at, func(w *world) {
		s := w.stations[from]
		if l.from != from { // the blocked one borrows a place
			s = &station{w: w, call: l.from, mesh: s.where(), mine: map[string]bool{}}
		}
		s.write(l)
	}, "%s writes to %s: %s", l.from, l.to, l.text)
}

func (p *plan) addressee(from string) string {
	k := p.n(20)
	if p.meshOf(from) == aprsNet {
		k += 6 // where an addressee has nine characters, nobody writes to a mail address
	}
	switch {
	case k < 2:
		return "ALL"
	case k < 5:
		return []string{"ann@club.example", "bob@county.example"}[p.n(2)]
	case k == 5:
		return nobody
	case k == 6:
		return nobodyHears
	}
	for {
		if to := p.stations[p.n(len(p.stations))].call; to != from {
			return to
		}
	}
}

// writeMail has somebody mail a station.
func (p *plan) writeMail(l *letter) {
	l.from, l.id, l.licence = "ann@club.example", fmt.Sprintf("m%d@club.example", l.n), callSign(103, 0)
	for l.group = false; !strings.HasPrefix(l.to, "N0"); {
		l.to = p.addressee("")
	}
	l.mail = false
	var with []string
	for _, g := range p.gateways {
		if g.mail {
			with = append(with, g.call)
		}
	}
	by := with[p.n(len(with))]
	p.happens(p.when(), func(w *world) { w.post(w.gateway(by), l) }, "%s mails %s by %s: %s", l.from, l.to, by, l.text)
}

func (w *world) gateway(call string) *gateway {
	for _, g := range w.gateways {
		if g.call == call {
			return g
		}
	}
	return nil
}

// spoil has something go wrong.
func (p *plan) spoil() {
	at, g, s := p.when(), p.gateways[p.n(len(p.gateways))].call, p.stations[p.n(len(p.stations))]
	off, long := p.span(2*time.Second, 4*time.Minute), p.span(5*time.Second, 5*time.Minute)
	switch p.n(14) {
	case 0, 1, 2:
		how := cuts[p.n(len(cuts))]
		p.happens(at, func(w *world) {
			w.gateway(g).cut(how)
			time.Sleep(off)
			w.gateway(g).on()
		}, "power cut at %s for %v, of the last write is left: %s", g, off, how)
	case 3:
		p.happens(at, func(w *world) {
			w.gateway(g).off()
			time.Sleep(off)
			w.gateway(g).on()
		}, "%s is restarted, off for %v", g, off)
	case 4:
		emptied := p.odds(1, 2)
		p.happens(at, func(w *world) { w.wire.restart(off, emptied) }, "the trunk's broker is away for %v, emptied: %v", off, emptied)
	case 5:
		p.happens(at, func(w *world) { w.wire.sever(g, long) }, "%s is cut off from the trunk for %v", g, long)
	case 6, 7:
		name := []string{"air", "post"}[p.n(2)]
		p.happens(at, func(w *world) { w.gateway(g).lose(name, long) }, "%s loses its link %s for %v", g, name, long)
	case 8:
		what := []string{"full", "disk"}[p.n(2)]
		p.happens(at, func(w *world) { w.gateway(g).trouble(what, long) }, "%s has a disk that is %s for %v", g, what, long)
	case 9:
		p.spoilClock(at, g)
	case 10:
		to := p.meshes[p.n(len(p.meshes))].name
		if s.mesh != aprsNet && to != aprsNet {
			p.happens(at, func(w *world) { w.stations[s.call].move(w.meshes[to]) }, "%s roams to %s", s.call, to)
		}
	case 11:
		p.happens(at, func(w *world) { w.stations[s.call].silence(long) }, "%s acknowledges nothing for %v", s.call, long)
	case 12:
		p.happens(at, func(w *world) { w.stations[s.call].vanish(long) }, "%s is away for %v", s.call, long)
	case 13:
		p.spoilQuiet(at, g, long)
	}
}

// spoilClock has a gateway's clock jump, and be put right.
func (p *plan) spoilClock(at time.Duration, g string) {
	wrong := []time.Duration{-20 * 365 * 24 * time.Hour, 99 * 365 * 24 * time.Hour, -3 * time.Hour, 26 * time.Hour}[p.n(4)]
	for9 := p.span(30*time.Second, 5*time.Minute)
	reboot := p.odds(1, 2)
	p.happens(at, func(w *world) {
		x := w.gateway(g)
		if reboot {
			x.off()
		}
		x.wall.wrong.Store(int64(wrong))
		x.wall.unsure.Store(true)
		if reboot {
			x.on()
		}
		time.Sleep(for9)
		x.wall.set()
	}, "the clock of %s is off by %v for %v, with a start: %v", g, wrong, for9, reboot)
}

// spoilQuiet has the operator stop all sending of a gateway, over a restart.
func (p *plan) spoilQuiet(at time.Duration, g string, long time.Duration) {
	p.happens(at, func(w *world) {
		x := w.gateway(g)
		l := x.alive()
		if l == nil || l.dark.Load() || l.bridge.Quiet(context.Background(), "air", "the operator") != nil || l.dark.Load() {
			return
		}
		w.ledger.note(entry{what: quieted, gateway: g})
		time.Sleep(long / 2)
		x.off()
		time.Sleep(time.Second)
		x.on()
		time.Sleep(long / 2)
		if l = x.alive(); l != nil {
			w.ledger.note(entry{what: resumed, gateway: g})
			_ = l.bridge.Resume(context.Background(), "air", "the operator") // heal does it again
		}
	}, "the operator of %s wants silence for %v, over a restart", g, long)
}

// mischief is what strangers and liars do.
func (p *plan) mischief() {
	if !p.odds(2, 3) {
		return
	}
	for range 5 + p.n(10) {
		n := p.n(1 << 20)
		p.happens(p.when(), func(w *world) { w.wire.replay(n) }, "a replay")
	}
	if p.odds(1, 3) { // when nobody remembers the text any more
		p.late = p.end + 100*time.Minute
		for range 30 {
			n := p.n(1 << 20)
			p.happens(p.span(p.end+95*time.Minute, p.late), func(w *world) { w.wire.replay(n) }, "a late replay")
		}
	}
	for range 20 {
		victim := p.gateways[p.n(len(p.gateways))].call
		l, seq := p.letters[p.n(len(p.letters))], 1+p.n(3*len(p.letters)/len(p.gateways)+3)
		if l.group || message.IsMail(l.from) {
			continue
		}
		p.happens(p.when(), func(w *world) { w.wire.forge(liar, victim, fmt.Sprintf("%s.%d", victim, seq), l.to, l.from) },
			"%s tells %s that its %d is delivered", liar, victim, seq)
	}
}

// lose takes a link's broker away for a time.
func (g *gateway) lose(name string, d time.Duration) {
	l := g.alive()
	if l == nil || l.ports[name] == nil {
		return
	}
	g.w.ledger.note(entry{what: linkDown, gateway: g.call, until: g.w.since() + d})
	l.ports[name].sever(true)
	time.Sleep(d)
	l.ports[name].sever(false)
}
