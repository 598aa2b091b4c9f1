package bridge_test

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/adapters/memory"
	"posthouse/bridge"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/metrics"
	"posthouse/queue"
	"posthouse/queue/boltstore"

	"github.com/prometheus/client_golang/prometheus"
)

// hub is one gateway in two processes that share a store in memory of one: what
// etcdstore does over a network is done here by the test.
type hub struct {
	t     *testing.T
	cfg   *config.Config
	store *boltstore.Store
	said  strings.Builder
	log   *slog.Logger // one for both: they write at the same time
	both  [2]*half
}

// half is one of the processes. Its share: lanes of even and of uneven writers.
type half struct {
	*hub
	no    int
	leads atomic.Bool
	dead  atomic.Bool

	links  map[string]*memory.Link
	far    *still // nil: there is no trunk
	bridge *bridge.Bridge
	stop   func()

	hints chan string
	word  chan struct{}
	mu    sync.Mutex
	news  map[string]bool
}

func inHub(t *testing.T, test func(t *testing.T, h *hub), extra ...string) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		h := &hub{t: t}
		h.log = slog.New(slog.NewTextHandler(&h.said, nil))
		var findings []config.Finding
		h.cfg, findings = config.Load(settings(append([]string{"POSTHOUSE_RATE=1000/1s"}, extra...)...), config.Hooks{})
		for _, f := range findings {
			if f.Level == config.Error && !strings.HasSuffix(f.Variable, "SIGNING_KEY_FILE") { // nothing is signed here
				t.Fatal(f)
			}
		}
		var err error
		if h.store, err = boltstore.Open(filepath.Join(t.TempDir(), "queue.db"), boltstore.Options{NoSync: true, MinFree: -1}); err != nil {
			t.Fatal(err)
		}
		for i := range h.both {
			h.both[i] = &half{hub: h, no: i, hints: make(chan string, 100), word: make(chan struct{}, 1), news: map[string]bool{}}
		}
		hinting := make(chan struct{})
		go func() {
			defer close(hinting)
			for name := range h.store.Watch() {
				for _, p := range h.both {
					select {
					case p.hints <- name:
					default:
					}
				}
			}
		}()
		h.both[0].leads.Store(true)
		h.both[0].start()
		h.both[1].start()
		test(t, h)
		for _, p := range h.both {
			p.stop()
		}
		if err := h.store.Close(); err != nil {
			t.Error(err)
		}
		<-hinting
		if t.Failed() {
			t.Log(h.said.String())
		}
	})
}

func (p *half) start() {
	ctx, cancel := context.WithCancel(p.t.Context())
	p.links = map[string]*memory.Link{}
	ways, labels := map[string]link.Link{}, []metrics.Link(nil)
	for _, l := range p.cfg.Links {
		labels = append(labels, metrics.Link{Name: l.Name, Kind: l.Kind})
		if l.Trunk != nil {
			p.far = &still{sent: make(chan link.Frame, 100)}
			ways[l.Name] = p.far
			continue
		}
		p.links[l.Name] = memory.New(properties(&l))
		ways[l.Name] = p.links[l.Name]
	}
	saved, err := bridge.SavedClock(ctx, p.store)
	if err != nil {
		p.t.Fatal(err)
	}
	p.bridge, err = bridge.New(ctx, bridge.Options{
		Config: p.cfg, Links: ways, Store: shared{p.store, p}, Share: p, Helps: !p.leads.Load(),
		Clock: clock.New(saved, time.Now, func() bool { return true }), Meter: metrics.New(prometheus.NewRegistry(), labels, link.Codes),
		Log: p.log.With("process", p.no),
	})
	if err != nil {
		p.t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- p.bridge.Run(ctx) }()
	p.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			p.t.Errorf("Run: %v", err)
		}
	})
	synctest.Wait()
}

// shared is the store as one of the processes sees it.
type shared struct {
	*boltstore.Store
	p *half
}

func (s shared) Watch() <-chan string { return s.p.hints }

func (s shared) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	if s.p.dead.Load() {
		return nil, errText("fenced")
	}
	for i := range ops {
		ops[i].Lazy = false // so that what is set is there when the other one hears of it
	}
	done, err := s.Store.Apply(ctx, ops...)
	for _, op := range ops {
		for _, p := range s.p.both {
			p.mu.Lock()
			for name := range op.Put {
				p.news[name] = true
			}
			p.mu.Unlock()
			select {
			case p.word <- struct{}{}:
			default:
			}
		}
	}
	return done, err
}

func (p *half) Process() string       { return fmt.Sprint("p", p.no) }
func (p *half) Lives() bool           { return !p.dead.Load() }
func (p *half) Leads() bool           { return p.leads.Load() && p.Lives() }
func (p *half) News() <-chan struct{} { return p.word }

func (p *half) Learn() ([]string, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	names := slices.Collect(maps.Keys(p.news))
	clear(p.news)
	return names, true
}

func (p *half) Take(l queue.Lane) (func(), bool) {
	if !p.Lives() || p.both[1-p.no].Lives() && int(l.From[len(l.From)-1])%2 != p.no {
		return nil, false
	}
	return func() {}, true
}

func (p *half) Inbox(ctx context.Context, _ int) (context.Context, func(), error) {
	<-ctx.Done() // these links have none
	return nil, nil, ctx.Err()
}

func (p *half) Draw(ctx context.Context, setting string, n, least uint64) (uint64, error) {
	v, err := p.store.Setting(ctx, setting)
	if err != nil {
		return 0, err
	}
	last, _ := strconv.ParseUint(string(v), 10, 64) // none: 0
	first := max(last+1, least)
	_, err = p.store.Apply(ctx, queue.Op{Put: map[string][]byte{setting: strconv.AppendUint(nil, first+n-1, 10)}})
	return first, err
}

// hears has a process hear a message on a link.
func (p *half) hears(name string, m message.Message) link.Verdict {
	p.t.Helper()
	v, err := p.links[name].Hear(p.t.Context(), m)
	if err != nil {
		p.t.Fatal(err)
	}
	return v
}

func (p *half) mail(from, to, id string) link.Verdict {
	p.t.Helper()
	return p.hears("post", message.Message{Kind: message.Text, From: from, To: to, OriginID: id, Text: "mail " + id, SenderCall: "N0QRC"})
}

// sent empties what a link of a process has sent.
func (p *half) sent(name string) (texts []string) {
	synctest.Wait()
	for {
		select {
		case f := <-p.links[name].Sent():
			texts = append(texts, f.Text)
		default:
			return texts
		}
	}
}

// settle lets what was written reach everybody.
func settle() { time.Sleep(15 * time.Second); synctest.Wait() }

func TestHubAMeshIsSentToByTheOneThatLeads(t *testing.T) {
	inHub(t, func(t *testing.T, h *hub) {
		h.both[0].hears("hill", message.Message{Kind: message.Beacon, From: "N0QRB-9", Messaging: true})
		settle() // the other hears of the station
		h.both[1].mail("ann@club.example", "N0QRB-9", "1")
		settle()
		if got := h.both[0].sent("hill"); len(got) == 0 || !strings.Contains(got[0], "mail 1") {
			t.Errorf("the one that leads sent %q", got)
		}
		if got := h.both[1].sent("hill"); len(got) > 0 {
			t.Errorf("the one that helps sent %q on the mesh", got)
		}
		for _, l := range h.both[1].bridge.Links() {
			if l.Elsewhere != (l.Kind != config.KindMail) {
				t.Errorf("link %s (%s) runs elsewhere: %v", l.Name, l.Kind, l.Elsewhere)
			}
		}
	})
}

func TestHubMailIsSentByTheOneThatHasTheLane(t *testing.T) {
	inHub(t, func(t *testing.T, h *hub) {
		for i := range 10 {
			h.both[0].hears("valley", message.Message{Kind: message.Text, From: fmt.Sprint("N0QRA-", i+1), To: "ann@club.example", OriginID: "1", Text: fmt.Sprint("text ", i)})
		}
		settle()
		one, two := h.both[0].sent("post"), h.both[1].sent("post")
		if len(one) != 5 || len(two) != 5 {
			t.Errorf("they sent %q and %q", one, two)
		}
		h.both[1].dead.Store(true)
		h.both[0].hears("valley", message.Message{Kind: message.Text, From: "N0QRA-1", To: "ann@club.example", OriginID: "2", Text: "one more"})
		settle()
		if got := h.both[0].sent("post"); len(got) != 1 {
			t.Errorf("with the other one dead the first sent %q", got)
		}
		if got := h.both[1].sent("post"); len(got) != 0 {
			t.Errorf("dead, the other one sent %q", got)
		}
	})
}

func TestHubDoesWhatTheOperatorSaidToTheOther(t *testing.T) {
	inHub(t, func(t *testing.T, h *hub) {
		by := h.both[1].bridge
		if err := by.Quiet(t.Context(), "hill", "N0QRZ"); err != nil {
			t.Fatal(err)
		}
		if err := by.Block(t.Context(), "N0QRA-3", "jamming", "N0QRZ"); err != nil {
			t.Fatal(err)
		}
		if _, err := by.StartExercise(t.Context(), "SPRING", "N0QRZ"); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		on := h.both[0].bridge
		if got := on.QuietLinks(); len(got) != 1 || got[0] != "hill" {
			t.Errorf("quiet are %q", got)
		}
		if v := h.both[0].hears("valley", message.Message{Kind: message.Text, From: "N0QRA-3", To: "ALL", OriginID: "1", Text: "me"}); v.Code != link.CodeBlocked {
			t.Errorf("a blocked station's text is %+v", v)
		}
		if got := on.Exercise().Name; got != "SPRING" {
			t.Errorf("the exercise is %q", got)
		}
		if err := by.Resume(t.Context(), bridge.AllLinks, "N0QRZ"); err != nil {
			t.Fatal(err)
		}
		if err := by.Unblock(t.Context(), "N0QRA-3", "N0QRZ"); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if len(on.QuietLinks()) > 0 || len(on.Blocks()) > 0 {
			t.Errorf("still quiet: %q, blocked: %v", on.QuietLinks(), on.Blocks())
		}
	})
}

// TestHubIsLedByAnother: the one that leads has lost its part, another leads, and has
// who was heard, the age and what waits.
func TestHubIsLedByAnother(t *testing.T) {
	inHub(t, func(t *testing.T, h *hub) {
		first, second := h.both[0], h.both[1]
		first.hears("hill", message.Message{Kind: message.Beacon, From: "N0QRB-9", Messaging: true})
		settle()
		first.links["hill"].Down("")
		v := first.hears("valley", message.Message{Kind: message.Text, From: "N0QRA-7", To: "N0QRB-9", OriginID: "1", Text: "hello"})
		first.dead.Store(true)
		first.links["hill"].Up()
		settle()
		if got := first.sent("hill"); len(got) > 0 {
			t.Errorf("once it had lost its part it sent %q", got)
		}
		second.stop()
		second.leads.Store(true)
		second.start()
		settle()
		if got := second.sent("hill"); len(got) == 0 || got[0] != "hello" {
			t.Errorf("the other one sent %q, not what was taken over as %s", got, v.ID)
		}
		second.mail("ann@club.example", "N0QRB-9", "2")
		settle()
		if got := second.sent("hill"); len(got) == 0 {
			t.Error("it does not know who was heard")
		}
	})
}
