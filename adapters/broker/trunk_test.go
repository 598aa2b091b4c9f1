package broker

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"posthouse/adapters/broker/envelope"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// bureau is a gateway behind a trunk, as the trunk sees it.
type bureau struct {
	counter *bureau // whose numbers and marks it has; nil: its own
	desk    *desk   // who has which part of the inbox; nil: no hub
	t       *testing.T
	call    string
	key     envelope.Key
	link    *Trunk
	end     func()

	mu       sync.Mutex
	up       bool
	marks    map[string][]byte
	got      []message.Message
	says     []presence.Say
	recalled []presence.Say // of those the broker's memory of old ones
	heard    []link.FarHearing
	places   []link.FarPosition
	taken    []link.Taken
	spoke    []string
	dated    []bool
	dropped  []string
	refused  []string
	fallen   []string
	believes func(call, key string) bool
	full     bool // keeps nothing
	broken   bool // its trust file
}

func newKey(t *testing.T) envelope.Key {
	t.Helper()
	k, err := envelope.MakeKey()
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// trustFile lists gateways and their keys.
func trustFile(t *testing.T, of map[string]envelope.Key) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "trust.jwk")
	writeFile(t, path, trustLines(of))
	return path
}

func trustLines(of map[string]envelope.Key) (lines string) {
	for call, k := range of {
		lines += k.Public().JWK(call) + "\n"
	}
	return lines
}

// enter starts a gateway's trunk at a broker.
func enter(t *testing.T, call string, key envelope.Key, broker, trust string, alter ...func(*TrunkOptions)) *bureau {
	t.Helper()
	return enterCounting(t, nil, call, key, broker, trust, alter...)
}

func enterCounting(t *testing.T, counter *bureau, call string, key envelope.Key, broker, trust string, alter ...func(*TrunkOptions)) *bureau {
	t.Helper()
	b := &bureau{t: t, counter: counter, call: call, key: key, marks: map[string][]byte{}}
	if counter != nil {
		b.desk = counter.desk
	}
	o := TrunkOptions{Name: "far", Call: call, BrokerURL: broker, Key: key, TrustFile: trust, Groups: []string{"ALL"}, Meshes: []string{"of" + call[:5]}}
	for _, a := range alter {
		a(&o)
	}
	if o.Process != "" && b.desk == nil {
		b.desk = newDesk(b)
	}
	var err error
	if b.link, err = NewTrunk(o); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- b.link.Run(ctx, b) }()
	b.end = sync.OnceFunc(func() {
		cancel()
		<-done
	})
	t.Cleanup(b.end)
	eventually(t, call+" to be up", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return b.up })
	return b
}

func (b *bureau) with(do func()) { b.mu.Lock(); defer b.mu.Unlock(); do() }

func (b *bureau) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	return b.AcceptMarked(ctx, nil, in...)
}
func (b *bureau) Judge(message.Message) link.Verdict         { return link.Verdict{} }
func (b *bureau) State(up bool, _ string)                    { b.with(func() { b.up = up }) }
func (b *bureau) Heard(string) []link.Hearing                { return nil }
func (b *bureau) Interest() link.Interest                    { return link.Interest{} }
func (b *bureau) TurnedAway(message.Message, string, string) {}
func (b *bureau) Count(why string)                           { b.with(func() { b.dropped = append(b.dropped, why) }) }
func (b *bureau) Absent(string, uint64)                      {}
func (b *bureau) Spoke(call string)                          { b.with(func() { b.spoke = append(b.spoke, call) }) }
func (b *bureau) Dated(agrees bool)                          { b.with(func() { b.dated = append(b.dated, agrees) }) }
func (b *bureau) FarHeard(h link.FarHearing)                 { b.with(func() { b.heard = append(b.heard, h) }) }
func (b *bureau) FarPosition(p link.FarPosition)             { b.with(func() { b.places = append(b.places, p) }) }
func (b *bureau) TakenBy(t link.Taken)                       { b.with(func() { b.taken = append(b.taken, t) }) }
func (b *bureau) Refuse(code string)                         { b.with(func() { b.refused = append(b.refused, code) }) }

func (b *bureau) Present(s presence.Say, retained bool) {
	b.with(func() {
		b.says = append(b.says, s)
		if retained {
			b.recalled = append(b.recalled, s)
		}
	})
}

func (b *bureau) Inbox(ctx context.Context, n int) (context.Context, func(), error) {
	return b.desk.wait(ctx, b, n)
}

// store is who keeps the marks.
func (b *bureau) store() *bureau {
	if b.counter != nil {
		return b.counter
	}
	return b
}

func (b *bureau) Draw(_ context.Context, key string, n, least uint64) (first uint64, err error) {
	b = b.store()
	b.with(func() {
		last, _ := strconv.ParseUint(string(b.marks[key]), 10, 64) // none: 0
		first = max(last+1, least)
		b.marks[key] = strconv.AppendUint(nil, first+n-1, 10)
	})
	return first, nil
}

func (b *bureau) Trouble(string) {}

func (b *bureau) TrustBroken(broken bool) { b.with(func() { b.broken = broken }) }

func (b *bureau) Trusts(believes func(call, key string) bool, fallen []string) {
	b.with(func() { b.believes, b.fallen = believes, append(b.fallen, fallen...) })
}

func (b *bureau) Mark(_ context.Context, key string) ([]byte, error) {
	b = b.store()
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.marks[key], nil
}

func (b *bureau) AcceptMarked(_ context.Context, marks map[string][]byte, in ...message.Message) ([]link.Verdict, error) {
	b.store().with(func() {
		for k, v := range marks {
			b.store().marks[k] = v
		}
	})
	b.mu.Lock()
	defer b.mu.Unlock()
	b.got = append(b.got, in...)
	verdicts := make([]link.Verdict, len(in))
	for i := range verdicts {
		verdicts[i].Kept = !b.full
	}
	return verdicts, nil
}

// kinds lists what was accepted so far, a word each.
func (b *bureau) kinds() (out []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, m := range b.got {
		out = append(out, string(m.Kind)+" "+m.Text+m.Acks)
	}
	return out
}

func (b *bureau) gets(what string) {
	b.t.Helper()
	eventually(b.t, b.call+" to get "+what, func() bool { return slices.Contains(b.kinds(), what) })
}

// sends hands a text for another gateway to the trunk.
func (b *bureau) sends(to, id, text string) {
	b.t.Helper()
	m := message.Message{Kind: message.Text, From: "N0QRC-7", To: "N0QRD-9", Text: text}
	f := link.Frame{Message: m, Gateway: to, Record: b.call + "." + id, Left: time.Hour}
	if err := b.link.Send(b.t.Context(), []link.Frame{f})[0]; err != nil {
		b.t.Fatal(err)
	}
}

// middle is a trunk's broker of its own.
func middle(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &trunkServer{root: "posthouse/1", listen: l, log: slog.New(slog.DiscardHandler)}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.run(ctx) }()
	t.Cleanup(func() { cancel(); <-done })
	return "tcp://" + l.Addr().String()
}

func TestCustodyReceiptIsRepeatedAtMostEveryHalfMinute(t *testing.T) {
	ka, kb := newKey(t), newKey(t)
	trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	broker := middle(t)
	a, b := enter(t, "N0QRA-10", ka, broker, trust), enter(t, "N0QRB-10", kb, broker, trust)
	for i := range 5 {
		a.sends("N0QRB-10", "1", "hello")
		eventually(t, "the copy to arrive", func() bool { return len(b.kinds()) > i })
	}
	a.sends("N0QRB-10", "2", "other")
	a.gets("custody N0QRA-10.2")
	if n := strings.Count(strings.Join(a.kinds(), ","), "custody N0QRA-10.1"); n != 1 {
		t.Errorf("%d custody receipts for one event within a second", n)
	}
	b.with(func() { b.full = true })
	a.sends("N0QRB-10", "3", "no room")
	b.gets("text no room")
	a.sends("N0QRB-10", "4", "no room either")
	b.gets("text no room either")
	if got := a.kinds(); slices.Contains(got, "custody N0QRA-10.3") {
		t.Errorf("custody of what was not kept: %q", got)
	}
	if !slices.Contains(b.spoke, "N0QRA-10") {
		t.Error("who has just spoken is not known to be alive")
	}
}

func TestResultsOfFarReceiptsCross(t *testing.T) {
	ka, kb := newKey(t), newKey(t)
	trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	broker := middle(t)
	a, b := enter(t, "N0QRA-10", ka, broker, trust), enter(t, "N0QRB-10", kb, broker, trust)
	for i, result := range []string{message.ResultDelivered, message.ResultSent, message.ResultNak, message.ResultExpired, message.ResultFailed, message.ResultDropped} {
		m := message.Message{Kind: message.Receipt, From: "N0QRD-9", To: "N0QRC-7", Acks: fmt.Sprint("N0QRB-10.", i), Result: result, Text: "why"}
		m.Nak = result != message.ResultDelivered && result != message.ResultSent
		f := link.Frame{Message: m, Gateway: "N0QRB-10", Record: fmt.Sprint("N0QRA-10.", i), Left: time.Hour}
		if err := a.link.Send(t.Context(), []link.Frame{f})[0]; err != nil {
			t.Fatal(err)
		}
		b.gets("receipt why" + m.Acks)
		b.with(func() {
			got := b.got[len(b.got)-1]
			if got.Result != result || got.Nak != m.Nak || got.From != m.From || !got.Handed || got.Left <= 0 || got.Left > time.Hour {
				t.Errorf("%s came as %+v", result, got)
			}
		})
	}
}

func TestPositionsAndStates(t *testing.T) {
	ka, kb := newKey(t), newKey(t)
	trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	broker := middle(t)
	a, b := enter(t, "N0QRA-10", ka, broker, trust), enter(t, "N0QRB-10", kb, broker, trust)
	a.link.Announce([]presence.Say{{Mesh: "ofN0QRA", Call: "N0QRA-10", Boot: 1, Count: 1, MeshUp: true}})
	a.link.Report([]link.FarHearing{{Call: "N0QRC-7", Gateway: "N0QRA-10", Mesh: "ofN0QRA"}})
	b.link.Follow(nil, []string{"N0QRA-10"}, false)
	b.link.Seek([]string{"N0QRC"})
	eventually(t, "the presence of one gateway", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.says) > 0 })
	eventually(t, "where the station was heard", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.heard) > 0 })
	a.link.Report([]link.FarHearing{{Call: "N0QRC-7", Gateway: "N0QRA-10", Mesh: "another"}})
	eventually(t, "word of its new mesh at once", func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return b.heard[len(b.heard)-1].Mesh == "another"
	})
	alt := 430.0
	m := message.Message{Kind: message.Position, From: "N0QRC-7", Mesh: "ofN0QRA", Where: &message.Where{Lat: 46.5, Lon: -122.9, Alt: &alt, Comment: "on foot"}}
	if err := a.link.Send(t.Context(), []link.Frame{{Message: m, Part: 1, Parts: 1, Attempt: 1}})[0]; err != nil {
		t.Fatal(err)
	}
	eventually(t, "the position", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.places) > 0 })
	if p := b.places[0]; p.Call != "N0QRC-7" || p.Gateway != "N0QRA-10" || p.Where.Lat != 46.5 || *p.Where.Alt != 430 || p.Where.Comment != "on foot" {
		t.Errorf("position %+v", p)
	}
}

func TestTrustFileChangesWhileRunning(t *testing.T) {
	ka, kb, other := newKey(t), newKey(t), newKey(t)
	all := map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb}
	trust := trustFile(t, all)
	broker := middle(t)
	a := enter(t, "N0QRA-10", ka, broker, trustFile(t, all))
	b := enter(t, "N0QRB-10", kb, broker, trust)
	a.sends("N0QRB-10", "1", "hello")
	b.gets("text hello")
	short := b.got[0].Key
	if short == "" || !b.believes("N0QRA-10", short) {
		t.Errorf("the key %q of a listed gateway is not believed", short)
	}
	change := func(text string) {
		t.Helper()
		writeFile(t, trust, text)
		later := time.Now().Add(time.Duration(len(text)) * time.Second) // a new time, whatever the file system's grain
		if err := os.Chtimes(trust, later, later); err != nil {
			t.Fatal(err)
		}
	}
	change("this is no key")
	eventually(t, "the file to be read", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return b.broken })
	a.sends("N0QRB-10", "2", "still believed")
	b.gets("text still believed")
	change(trustLines(map[string]envelope.Key{"N0QRA-10": other, "N0QRB-10": kb}))
	eventually(t, "the gateway to fall", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return slices.Contains(b.fallen, "N0QRA-10") })
	if b.believes("N0QRA-10", short) {
		t.Error("a removed key is believed")
	}
	a.sends("N0QRB-10", "3", "not any more")
	eventually(t, "the refusal", func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return slices.Contains(b.refused, link.CodeBadSignature)
	})
	if got := b.kinds(); slices.Contains(got, "text not any more") {
		t.Errorf("taken: %q", got)
	}
}

func TestAnyGatewayMayBringTextsAndNothingElse(t *testing.T) {
	ka, kb := newKey(t), newKey(t)
	broker := middle(t)
	a := enter(t, "N0QRA-10", ka, broker, trustFile(t, map[string]envelope.Key{"N0QRB-10": kb}))
	b := enter(t, "N0QRB-10", kb, broker, "", func(o *TrunkOptions) { o.TrustAny = true })
	b.link.Follow(nil, nil, true)
	a.link.Announce([]presence.Say{{Mesh: "ofN0QRA", Call: "N0QRA-10", Boot: 1, Count: 1, MeshUp: true}})
	a.sends("N0QRB-10", "1", "from a stranger")
	b.gets("text from a stranger")
	a.gets("custody N0QRA-10.1")
	m := message.Message{Kind: message.Receipt, From: "N0QRD-9", To: "N0QRC-7", Acks: "N0QRB-10.1"}
	a.link.Send(t.Context(), []link.Frame{{Message: m, Gateway: "N0QRB-10", Record: "N0QRA-10.9", Left: time.Hour}})
	eventually(t, "the refusals", func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.refused) >= 2 }) // presence and receipt
	if len(b.says) > 0 || slices.Contains(b.kinds(), "receipt N0QRB-10.1") || len(b.spoke) > 0 {
		t.Errorf("a stranger was believed: %v, %q", b.says, b.kinds())
	}
	for k := range b.marks {
		if strings.HasPrefix(k, windowMark) {
			t.Errorf("a stranger has something written to the disk: %s", k)
		}
	}
}

func TestWhoOnlyReceivesPublishesNothing(t *testing.T) {
	ka := newKey(t)
	broker := middle(t)
	a := enter(t, "N0QRA-10", ka, broker, trustFile(t, nil), func(o *TrunkOptions) { o.TrustAny = true })
	b := enter(t, "N0QRB-10", envelope.Key{}, broker, "", func(o *TrunkOptions) { o.ReceiveOnly, o.TrustAny = true, true })
	a.link.Follow(nil, nil, true)
	b.link.Announce([]presence.Say{{Mesh: "ofN0QRB", Call: "N0QRB-10", Boot: 1, Count: 1, MeshUp: true}})
	m := message.Message{Kind: message.Text, From: "N0QRC-7", To: "ALL", Text: "net at eight"}
	if err := a.link.Send(t.Context(), []link.Frame{{Message: m, Record: "N0QRA-10.1", Left: time.Hour}})[0]; err != nil {
		t.Fatal(err)
	}
	b.gets("text net at eight")
	a.sends("N0QRB-10", "2", "to it alone")
	b.gets("text to it alone")
	if err := b.link.Took(t.Context(), link.Taken{Mesh: "ofN0QRB", Identities: [][16]byte{{1}}}); err != nil {
		t.Error(err)
	}
	if got := a.kinds(); len(got) > 0 || len(a.says)+len(a.refused) > 0 {
		t.Errorf("it said %q", got)
	}
}

// What a broker remembers of a gateway proves that it is alive only when it was
// signed a moment ago, by clocks that both are trusted.
func TestRememberedAnnouncementThatIsFresh(t *testing.T) {
	broker := middle(t)
	ka, kb := newKey(t), newKey(t)
	trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	a := enter(t, "N0QRA-10", ka, broker, trust)
	a.link.Announce([]presence.Say{{Mesh: "ofN0QRA", Call: "N0QRA-10", Boot: 1, Count: 1, MeshUp: true}})
	witness := enter(t, "N0QRE-10", newKey(t), broker, trust, func(o *TrunkOptions) { o.Meshes = []string{"ofN0QRA"} })
	eventually(t, "the announcement", func() bool { witness.mu.Lock(); defer witness.mu.Unlock(); return len(witness.says) > 0 })
	for _, row := range []struct {
		what    string
		later   time.Duration // the reader's clock
		trusted bool
		fresh   bool
	}{
		{"a moment ago", 5 * time.Second, true, true},
		{"by an untrusted clock", 5 * time.Second, false, false},
		{"long ago", presence.Every + 5*time.Second, true, false},
		{"in the future", -5 * time.Second, true, false},
	} {
		b := enter(t, "N0QRB-10", kb, broker, trust, func(o *TrunkOptions) {
			o.Wall = func() (time.Time, bool) { return time.Now().Add(row.later), row.trusted }
		})
		b.link.Follow([]string{"ofN0QRA"}, nil, false)
		eventually(t, "the presence, "+row.what, func() bool { b.mu.Lock(); defer b.mu.Unlock(); return len(b.says) > 0 })
		b.end()
		if fresh := len(b.recalled) == 0; fresh != row.fresh {
			t.Errorf("%s: fresh %v", row.what, fresh)
		}
	}
}

func TestPortableStationsAreFound(t *testing.T) {
	ka, kb := newKey(t), newKey(t)
	trust := trustFile(t, map[string]envelope.Key{"N0QRA-10": ka, "N0QRB-10": kb})
	broker := middle(t)
	a, b := enter(t, "N0QRA-10", ka, broker, trust), enter(t, "N0QRB-10", kb, broker, trust)
	var heard []link.FarHearing
	for _, call := range []string{"N0QRD/P", "N0QRD-9", "DL/N0QRE-3", "DL/N0QRD"} {
		heard = append(heard, link.FarHearing{Call: call, Gateway: "N0QRA-10", Mesh: "ofN0QRA"})
	}
	a.link.Report(heard)
	b.link.Seek([]string{"DL/N0QRE-3", "N0QRD"})
	for _, call := range []string{"N0QRD/P", "N0QRD-9", "DL/N0QRE-3"} {
		eventually(t, "word of "+call, func() bool {
			b.mu.Lock()
			defer b.mu.Unlock()
			return slices.ContainsFunc(b.heard, func(h link.FarHearing) bool { return h.Call == call })
		})
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if slices.ContainsFunc(b.heard, func(h link.FarHearing) bool { return h.Call == "DL/N0QRD" }) {
		t.Error("told of a form that nobody asked for")
	}
}
