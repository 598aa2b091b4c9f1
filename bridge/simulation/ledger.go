package simulation

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// word says what an entry of the ledger is about.
type word string

// What crosses the edges, and what befalls gateways.
const (
	said        word = "said"        // somebody wrote a letter
	taken       word = "taken"       // a gateway confirmed it to the writer's side
	known       word = "known"       // it said that it has it already
	refused     word = "refused"     // it refused it, with a code
	takenFar    word = "takenFar"    // a gateway took it from another one
	custody     word = "custody"     // and gave a custody receipt
	custodyLost word = "custodyLost" // the wire lost that: who gave the letter does not know that it was taken
	passed      word = "passed"      // a gateway published it on the trunk

	transmitted word = "transmitted" // a gateway sent it to a station or group
	rejected    word = "rejected"    // the other side did not take it from the gateway
	lost        word = "lost"        // a station that would have acknowledged it did not hear it
	got         word = "got"         // a station received it
	acks        word = "acks"        // the station acknowledges
	missed      word = "missed"      // a gateway of the mesh did not hear what a station said: that ack, or anything
	ackTaken    word = "ackTaken"    // a gateway confirmed to have that
	mailed      word = "mailed"      // the mail server has it
	unanswered  word = "unanswered"  // but its answer was lost

	receipted word = "receipted" // a gateway gave the writer a receipt
	naked     word = "naked"     // or told his station that it failed
	noticed   word = "noticed"   // or told him in words

	crashed  word = "crashed"
	stopped  word = "stopped"
	severed  word = "severed"
	linkDown word = "linkDown"
	badDisk  word = "badDisk"
	quieted  word = "quieted"
	unheard  word = "unheard" // another gateway (to) takes it for dead: its announcements got lost
	started  word = "started"
	blocked  word = "blocked" // an operator blocked a station
	heardOf  word = "heardOf" // a gateway heard a station
	toldOf   word = "toldOf"  // a far gateway told it that it hears a station, and until when it did
	resumed  word = "resumed"

	disbelieved word = "disbelieved" // its operator took another gateway off the list
	misled      word = "misled"      // it gave a text to the gateway that lies; frame is its own id of it
	replayed    word = "replayed"    // a stranger said it again, and its gateway had no clock to say until when it lives
	restored    word = "restored"    // it went on with a backup; until is when that was made
	broken      word = "broken"      // a page of its store was overwritten
	lostRecord  word = "lostRecord"  // and a record about the letter was on it
)

// entry is one line of the ledger.
type entry struct {
	at      time.Duration
	what    word
	letter  int // 0: about none
	gateway string
	mesh    string
	station string
	frame   string
	record  string // what a gateway sends: its own id of it; custody: the id that the giver has for it
	part    int
	parts   int
	to      string // receipts and notices: in whose name; passed: the far gateway
	text    string
	bytes   int
	urgent  bool // an emergency
	until   time.Duration
	undated bool // what came by the trunk does not say when it was filed
}

// ledger is the model's own list of all that was said, confirmed, delivered,
// refused and told.
type ledger struct {
	w *world

	mu      sync.Mutex
	all     []entry
	letters []*letter
	faults  []string
}

func newLedger(w *world) *ledger { return &ledger{w: w, letters: w.plan.letters} }

func (l *ledger) note(e entry) {
	e.at = l.w.since()
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all = append(l.all, e)
}

// has tells whether something happened to a gateway.
func (l *ledger) has(what word, gateway string) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return slices.ContainsFunc(l.all, func(e entry) bool { return e.what == what && e.gateway == gateway })
}

// complain writes down what must not be.
func (l *ledger) complain(format string, args ...any) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.faults = append(l.faults, fmt.Sprintf(format, args...))
}

var numbers = regexp.MustCompile(`\bnr(\d+)\b`)

// number finds which letter a text is of; 0: none.
func number(text string) int {
	m := numbers.FindStringSubmatch(text)
	if m == nil {
		return 0
	}
	n, _ := strconv.Atoi(m[1])
	return n
}

// answered is a gateway's answer to what came in.
func (l *ledger) answered(gateway, name string, m *message.Message, v link.Verdict) {
	e := entry{gateway: gateway, mesh: name, station: m.From, letter: l.w.plan.letterBy(m.From, m.Text), to: m.Via}
	if l.w.plan.ring && l.w.gateway(m.From) != nil {
		e.letter = 0 // a notice came round: it quotes a letter, and may have cut its number
	}
	if name != "far" && m.Via == "" && !message.IsMail(m.From) {
		l.note(entry{what: heardOf, gateway: gateway, station: m.From, mesh: name})
	}
	switch {
	case m.Kind == message.Receipt && m.Nak:
		return
	case m.Kind == message.Receipt && name != "far":
		e.what, e.frame, e.to, e.letter = ackTaken, m.Acks, m.To, l.letterOf(m)
	case m.Kind != message.Text || m.Via != "" && name != "far":
		return
	case v.Duplicate:
		e.what = known
	case v.Refused():
		e.what, e.text = refused, v.Code
	case name == "far":
		e.what, e.undated = takenFar, m.Filed.IsZero()
	default:
		e.what = taken
	}
	l.note(e)
	l.w.story("%s answers %s with %s %s", gateway, words(m), e.what, e.text)
}

// letterOf finds which letter a station's ack is about.
func (l *ledger) letterOf(m *message.Message) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := len(l.all) - 1; i >= 0; i-- {
		if e := &l.all[i]; e.what == acks && e.station == m.From && e.frame == m.Acks {
			return e.letter
		}
	}
	return 0
}

// transmitted is a frame that a gateway puts on the air.
func (l *ledger) transmitted(gateway, mesh string, f *link.Frame) {
	m := &f.Message
	e := entry{
		gateway: gateway, mesh: mesh, station: m.To, letter: l.w.plan.letterIn(f), frame: f.ID, record: f.Record, part: f.Part, parts: f.Parts,
		text: f.Text, bytes: len(f.Text), urgent: m.Precedence == message.Emergency,
	}
	switch {
	case m.Kind == message.Receipt:
		e.what, e.to, e.frame, e.bytes, e.letter = receipted, m.From, m.Acks, ackBytes, l.answeredBy(m)
		if m.Nak {
			e.what = naked
		}
	case m.Kind == message.Notice:
		e.what, e.to = noticed, m.From
	default:
		e.what = transmitted
	}
	l.note(e)
}

// answeredBy finds which letter a receipt for its writer is about.
func (l *ledger) answeredBy(m *message.Message) int {
	for _, f := range l.letters {
		if f.from == m.To && f.id == m.Acks && f.name() == m.From {
			return f.n
		}
	}
	return 0
}

// ackBytes is what a receipt takes on the air, as the manual says.
const ackBytes = 24

// got is a frame that a station hears.
func (l *ledger) got(station, by, mesh string, f *link.Frame) {
	l.note(entry{what: got, letter: l.w.plan.letterIn(f), station: station, gateway: by, mesh: mesh, frame: f.ID, part: f.Part, parts: f.Parts})
}

// mailed is a mail that the mail server has.
func (l *ledger) mailed(gateway string, f *link.Frame) {
	e := entry{what: mailed, letter: l.w.plan.letterIn(f), gateway: gateway, station: f.Message.To, record: f.Record, text: f.Text}
	if f.Message.Kind != message.Notice {
		l.note(e)
		return
	}
	e.what, e.to = noticed, f.Message.From
	for _, text := range strings.Split(f.Text, "\nnot delivered") { // several failures may be told in one
		e.text, e.letter = text, l.w.plan.letterBy(e.station, text)
		l.note(e)
	}
}

func (l *ledger) custody(gateway string, m *message.Message) {
	l.note(entry{what: custody, letter: l.w.plan.letterBy(m.From, m.Text), gateway: gateway, to: m.Via, record: m.TrunkID})
}

func (l *ledger) passed(gateway string, f *link.Frame) {
	if f.Message.Kind == message.Text {
		l.note(entry{what: passed, letter: l.w.plan.letterIn(f), gateway: gateway, to: f.Gateway})
	}
}
