package bridge_test

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/queue"

	"pgregory.net/rapid"
)

// act is one thing that happens in a random history.
type act struct {
	what    string
	name    string // of a link
	from    int    // stations by number
	to      int
	n       int
	seconds int
}

var (
	places  = []string{"valley", "hill", "aprs"}
	callers = []string{"N0QRA-7", "N0QRB-9", "N0QRC-5", "N0QRD-3", "N0QRE-1"} // each lives where its number says
	// addressees are the callers, a station nobody hears before the end, groups and mail.
	addressees = append(slices.Clone(callers), "N0QRX-9", "ALL", "ann@club.example")
)

func home(station int) string { return places[station%len(places)] }

func anAct() *rapid.Generator[act] {
	whats := []string{
		"say", "say", "say", "say", "say", "long", "emergency", "repeat", "repeat", "ack", "ack", "ack", "ack", "nak", "beacon",
		"fail", "refuse", "down", "up", "up", "quiet", "resume", "resume", "restart", "crash", "wait", "wait", "wait",
	}
	return rapid.Custom(func(t *rapid.T) act {
		return act{
			what:    rapid.SampledFrom(whats).Draw(t, "what"),
			name:    rapid.SampledFrom([]string{"valley", "hill", "aprs", "post"}).Draw(t, "link"),
			from:    rapid.IntRange(0, len(callers)-1).Draw(t, "from"),
			to:      rapid.IntRange(0, len(addressees)-1).Draw(t, "to"),
			n:       rapid.IntRange(0, 30).Draw(t, "n"),
			seconds: rapid.SampledFrom([]int{0, 0, 1, 1, 6, 31, 95, 400, 4000}).Draw(t, "seconds"),
		}
	})
}

// said is a text that was taken over.
type said struct {
	id, from, to, origin, text, place string
	written                           string // the name in which its receipt comes
}

// got is a frame that the far side of a link was given.
type got struct {
	link.Frame
	name  string
	order int
	epoch int // crashes before it
	acked bool
}

// model is the world outside of the gateway, and what it remembers.
type model struct {
	*world
	texts   []said
	frames  []*got
	quiet   map[string]bool
	crashes int
	wrong   []string
	receipt map[string]bool // place, writer, origin id
	notices map[string]int  // by writer
	naks    map[string]bool // records that a station or server refused
}

func (m *model) complain(format string, args ...any) {
	m.wrong = append(m.wrong, fmt.Sprintf(format, args...))
}

// reads takes what the links have sent.
func (m *model) reads() {
	synctest.Wait()
	for _, name := range []string{"post", "valley", "hill", "aprs"} { // mail is its own receipt, which goes out elsewhere
		for range len(m.links[name].Sent()) {
			m.take(name, <-m.links[name].Sent())
		}
	}
}

func (m *model) take(name string, f link.Frame) {
	if m.quiet[name] || m.quiet["all"] {
		m.complain("%s sent %s while it was quiet", name, show(f))
	}
	switch f.Message.Kind {
	case message.Notice:
		m.notices[f.Message.To]++
	case message.Receipt:
		m.checkReceipt(name, f)
	case message.Text:
		g := &got{Frame: f, name: name, order: len(m.frames), epoch: m.crashes}
		m.checkTwice(g)
		m.frames = append(m.frames, g)
	}
}

// checkReceipt: an ack is given only when the addressee has acknowledged.
func (m *model) checkReceipt(name string, f link.Frame) {
	if f.Message.Nak {
		return
	}
	known, right := false, false
	for _, s := range m.texts {
		if s.place != name || s.from != f.Message.To || s.origin != f.Message.Acks || s.written != f.Message.From {
			continue
		}
		known = true
		if m.arrived(s) {
			m.receipt[s.id], right = true, true
		}
	}
	if right {
		return
	}
	m.complain("a receipt for what has not arrived, known %v: %s", known, show(f))
}

// arrived tells whether every part of a text has been acknowledged, or the mail
// server has taken it.
func (m *model) arrived(s said) bool {
	parts := map[int]bool{}
	of := -1
	for _, g := range m.frames {
		if g.Record == s.id && (g.acked || g.name == "post") {
			parts[g.Part], of = true, g.Parts
		}
	}
	return len(parts) == of
}

// checkTwice: what was acknowledged, or what needs no acknowledgement, does not
// go to the same addressee again, unless a crash came between.
func (m *model) checkTwice(g *got) {
	for _, o := range m.frames {
		if o.Record != g.Record || o.Part != g.Part || o.Message.To != g.Message.To || o.name != g.name || o.epoch != g.epoch {
			continue
		}
		if o.acked || o.ID == "" || o.name == "post" {
			m.complain("%s got part %d of %s (%q) again, acked %v", g.Message.To, g.Part, g.Record, g.Text, o.acked)
		}
	}
}

func (m *model) does(a act) {
	l := m.links[a.name]
	switch a.what {
	case "say", "long", "emergency":
		m.say(a)
	case "repeat":
		if len(m.texts) > 0 {
			s := m.texts[a.n%len(m.texts)]
			m.hear(s, message.Unset)
		}
	case "ack", "nak":
		m.answer(a.n, a.what == "nak")
	case "beacon":
		l := m.links[home(a.from)]
		_, _ = l.Hear(m.t.Context(), message.Message{Kind: message.Beacon, From: callers[a.from], Messaging: true}) // it may be down
	case "fail":
		l.FailNext(errText("try later"))
	case "refuse":
		if a.name == "post" { // elsewhere it may hit a receipt, which is lost then
			l.FailNext(link.Permanent("refused", errText("never")))
		}
	case "down":
		l.Down("cut")
	case "up":
		l.Up()
	case "quiet":
		m.must(m.bridge.Quiet(m.t.Context(), a.name, "N0QRA"))
		m.reads()
		m.quiet[a.name] = true
	case "resume":
		m.quiet = map[string]bool{}
		m.must(m.bridge.Resume(m.t.Context(), "all", "N0QRA"))
	case "restart":
		m.stopped()
		m.start()
	case "crash":
		m.crash()
	}
	m.reads()
	for range a.seconds {
		if a.seconds > 100 {
			time.Sleep(time.Duration(a.seconds) * time.Second)
			m.reads()
			return
		}
		time.Sleep(time.Second)
		m.reads()
	}
}

func (m *model) must(err error) {
	if err != nil {
		m.complain("%v", err)
	}
}

// stopped ends the gateway as a clean stop does; what it sent until then counts.
func (m *model) stopped() {
	links := m.links
	m.stop()
	m.stop = nil
	m.links = links
	m.reads()
}

// crash goes on with what is on disk at this moment.
func (m *model) crash() {
	m.reads()
	// The log first: what a checkpoint takes out of it is in the data file then.
	disk := [2][]byte{}
	files := [2]string{filepath.Join(m.dir, "queue.db.wal"), filepath.Join(m.dir, "queue.db")}
	for i, name := range files {
		var err error
		disk[i], err = os.ReadFile(name)
		m.must(err)
	}
	m.stop() // what it does now has never been
	m.stop = nil
	for i, name := range files {
		m.must(os.WriteFile(name, disk[i], 0o600))
	}
	m.crashes++
	m.start()
}

func (m *model) say(a act) {
	s := said{
		from: callers[a.from], to: addressees[a.to], place: home(a.from), origin: fmt.Sprint("i", len(m.texts)),
		text: fmt.Sprintf("text %d of many", len(m.texts)), written: addressees[a.to],
	}
	switch {
	case s.from == s.to, s.place == "aprs" && message.IsMail(s.to): // nine characters name an addressee there
		return
	case a.what == "long":
		s.text += long(150 + 8*a.n)
	case a.what == "emergency":
		s.text = "EMERGENCY " + s.text
	}
	m.hear(s, message.Unset)
}

// hear has a text be heard once more, or for the first time.
func (m *model) hear(s said, p message.Precedence) {
	v, err := m.links[s.place].Hear(m.t.Context(), message.Message{Kind: message.Text, From: s.from, To: s.to, OriginID: s.origin, Text: s.text, Precedence: p})
	switch {
	case errors.Is(err, link.ErrDown):
	case err != nil:
		m.complain("%q: %v", s.text, err)
	case v.Refused() && v.Code != link.CodeTooMany && v.Code != link.CodeTooLong && v.Code != link.CodeThirdParty:
		m.complain("%q refused: %s %s", s.text, v.Code, v.Why)
	case v.Code == "" && v.ID != "":
		if i := slices.IndexFunc(m.texts, func(o said) bool { return o.id == v.ID }); i < 0 { // after the window it is a new one
			s.id = v.ID
			m.texts = append(m.texts, s)
		}
	}
}

// answer has an addressee acknowledge one of the last frames, or refuse it.
func (m *model) answer(back int, nak bool) {
	i := len(m.frames) - 1 - back%10
	if i < 0 || m.frames[i].ID == "" || m.frames[i].name == "post" {
		return
	}
	g := m.frames[i]
	l := m.links[g.name]
	if nak {
		if _, err := l.Nak(m.t.Context(), g.Frame); err == nil {
			m.naks[g.Record] = true
		}
		return
	}
	if _, err := l.Ack(m.t.Context(), g.Frame); err == nil {
		m.acked(g)
	}
}

// acked marks all copies of a frame.
func (m *model) acked(g *got) {
	for _, o := range m.frames {
		if o.Record == g.Record && o.Part == g.Part && o.name == g.name && o.ID == g.ID {
			o.acked = true
		}
	}
}

// settles lets everybody be heard and everything be acknowledged, for longer
// than anything lives.
func (m *model) settles() {
	m.quiet = map[string]bool{}
	m.must(m.bridge.Resume(m.t.Context(), "all", "N0QRA"))
	for _, l := range m.links {
		l.Up()
	}
	for round := range 35 {
		for i := range callers {
			_, _ = m.links[home(i)].Hear(m.t.Context(), message.Message{Kind: message.Beacon, From: callers[i], Messaging: true})
		}
		m.reads()
		for _, g := range m.frames {
			if !g.acked && g.ID != "" && g.name != "post" {
				if _, err := m.links[g.name].Ack(m.t.Context(), g.Frame); err == nil {
					m.acked(g)
				}
			}
		}
		m.reads()
		time.Sleep(10 * time.Minute)
		if round > 20 {
			time.Sleep(40 * time.Minute)
		}
		m.reads()
	}
}

// checkEnds: nothing that was taken over is lost in silence.
func (m *model) checkEnds() {
	for _, s := range m.texts {
		var seq uint64
		_, _ = fmt.Sscanf(strings.TrimPrefix(s.id, gateway+"."), "%d", &seq)
		r, err := m.store.Get(m.t.Context(), seq)
		if err != nil {
			m.complain("%s (%q): %v", s.id, s.text, err)
			continue
		}
		group := s.to == "ALL"
		switch {
		case r.Open():
			m.complain("%s (%q) is still open: %+v", s.id, s.text, r.Deliveries)
		case r.Outcome == queue.Delivered && !r.Deliveries[0].Begun && r.Deliveries[0].Link == s.place:
			// local: the model's stations never acknowledge there
			m.complain("%s (%q) local and delivered", s.id, s.text)
		case r.Outcome == queue.Delivered:
			if !m.arrived(s) {
				m.complain("%s (%q) is on record as delivered and did not arrive", s.id, s.text)
			}
			if !m.receipt[s.id] {
				m.complain("%s (%q) was delivered and its writer has no receipt", s.id, s.text)
			}
		case !group && m.notices[s.from] == 0:
			m.complain("%s (%q) ended as %s and its writer was never told", s.id, s.text, r.Outcome)
		}
	}
}

// checkOrder: in a lane the first transmissions go in the order of acceptance,
// of those that were neither held nor failed so often that others may pass.
func (m *model) checkOrder() {
	first := map[string]int{}
	for _, g := range m.frames {
		key := g.name + " " + g.Record
		if _, ok := first[key]; !ok && g.Part == 1 {
			first[key] = g.order
		}
	}
	last := map[string]int{}
	lastID := map[string]string{}
	for _, s := range m.texts {
		r := m.recordOf(s.id)
		if r == nil || slices.ContainsFunc(r.History, func(h queue.Step) bool {
			return h.What == "held" || h.What == "heard" || h.What == "try failed" || strings.Contains(h.Note, "held")
		}) {
			continue
		}
		for _, d := range r.Deliveries {
			at, ok := first[d.Link+" "+s.id]
			lane := fmt.Sprint(r.LaneOf(&d))
			if ok && at < last[lane] {
				m.complain("in lane %s %s went before %s", lane, s.id, lastID[lane])
			}
			if ok {
				last[lane], lastID[lane] = at, s.id
			}
		}
	}
}

func (m *model) recordOf(id string) *queue.Record {
	var seq uint64
	if _, err := fmt.Sscanf(strings.TrimPrefix(id, gateway+"."), "%d", &seq); err != nil {
		return nil
	}
	r, err := m.store.Get(m.t.Context(), seq)
	if err != nil {
		return nil
	}
	return r
}

// Whatever happens to the links, the stations and the gateway itself: nothing
// that was taken over is lost in silence, nobody gets a thing twice but around a
// crash, an ack is the addressee's own, the order in a lane is kept, and quiet is
// quiet.
func TestAnyHistoryKeepsThePromises(t *testing.T) {
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue { // each is hours of a gateway's life
		defer flag.Set("rapid.checks", f.DefValue)
		flag.Set("rapid.checks", "10")
	}
	rapid.Check(t, func(rt *rapid.T) {
		acts := rapid.SliceOfN(anAct(), 1, 60).Draw(rt, "acts")
		var wrong []string
		inWorld(t, []string{"POSTHOUSE_RATE=10000/1s", "POSTHOUSE_LIFETIME=6h", "POSTHOUSE_POST_LIFETIME=6h"}, func(t *testing.T, w *world) {
			m := &model{world: w, quiet: map[string]bool{}, receipt: map[string]bool{}, notices: map[string]int{}, naks: map[string]bool{}}
			for i := range callers {
				w.beacon(home(i), callers[i])
			}
			for _, a := range acts {
				m.does(a)
			}
			m.settles()
			m.checkEnds()
			m.checkOrder()
			wrong = m.wrong
		})
		if len(wrong) > 0 {
			rt.Fatalf("%s", strings.Join(wrong[:min(len(wrong), 10)], "\n"))
		}
	})
}
