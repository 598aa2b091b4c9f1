package bridge_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"posthouse/adapters/memory"
	"posthouse/bridge"
	"posthouse/bridge/clock"
	"posthouse/bridge/config"
	"posthouse/bridge/fit"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/metrics"
	"posthouse/queue"
	"posthouse/queue/boltstore"

	"github.com/prometheus/client_golang/prometheus"
)

const gateway = "N0QRZ-10"

// world is one gateway with two meshes, an APRS network and mail around it, all
// in memory, in a bubble whose time the test moves.
type world struct {
	t      *testing.T
	dir    string
	cfg    *config.Config
	links  map[string]*memory.Link
	store  *boltstore.Store
	bridge *bridge.Bridge
	reg    *prometheus.Registry
	log    strings.Builder

	broken atomic.Bool  // every write to the store fails
	packed atomic.Bool  // the store has no room for anything, not even for a change
	unsaid atomic.Bool  // a write fails that changes a record which its caller has not given away
	read   atomic.Int64 // records that were read
	listed atomic.Int64 // records that were read in lists
	room   int64        // for the store; 0: enough
	disk   func() (queue.Room, bool)
	jumped atomic.Int64 // nanoseconds by which the clock on the wall is wrong
	unsure atomic.Bool  // nobody synchronises it

	stop func()
}

// settings are those of a gateway as the README sets it up; of a variable that is set
// twice the later value counts.
func settings(extra ...string) []string {
	all := append([]string{
		"POSTHOUSE_CALLSIGN=" + gateway, "POSTHOUSE_LINKS=valley,hill,aprs,post", "POSTHOUSE_COUNTRY=US",
		"POSTHOUSE_VALLEY_KIND=mesh", "POSTHOUSE_VALLEY_BROKER_URL=tcp://127.0.0.1:1883",
		"POSTHOUSE_HILL_KIND=mesh", "POSTHOUSE_HILL_BROKER_URL=tcp://127.0.0.1:1883",
		"POSTHOUSE_APRS_KIND=aprs", "POSTHOUSE_APRS_SERVER=127.0.0.1:14580", "POSTHOUSE_APRS_PASSCODE=1", "POSTHOUSE_APRS_POSITIONS=true",
		"POSTHOUSE_POST_KIND=mail", "POSTHOUSE_POST_DOMAIN=radio.example", "POSTHOUSE_POST_SMARTHOST=127.0.0.1:25",
		"POSTHOUSE_POST_SMARTHOST_TLS=none",
	}, extra...)
	slices.Reverse(all) // config.Load takes the first
	return all
}

// inWorld runs a test in a bubble of its own.
func inWorld(t *testing.T, env []string, test func(t *testing.T, w *world)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := &world{t: t, dir: t.TempDir()}
		cfg, findings := config.Load(settings(env...), config.Hooks{})
		if config.HasErrors(findings) {
			t.Fatal(findings)
		}
		w.cfg = cfg
		w.start()
		defer w.shut()
		test(t, w)
	})
}

// start brings the gateway up, on the store that is there already.
func (w *world) start() {
	w.t.Helper()
	ctx, cancel := context.WithCancel(w.t.Context())
	var err error
	log := slog.New(slog.NewTextHandler(&w.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	if w.store, err = boltstore.Open(filepath.Join(w.dir, "queue.db"), boltstore.Options{NoSync: true, MinFree: -1, MaxBytes: w.room, Log: log}); err != nil {
		w.t.Fatal(err)
	}
	saved, err := bridge.SavedClock(ctx, w.store)
	if err != nil {
		w.t.Fatal(err)
	}
	w.links = map[string]*memory.Link{}
	ways := map[string]link.Link{}
	var labels []metrics.Link
	for _, l := range w.cfg.Links {
		w.links[l.Name] = memory.New(properties(&l))
		ways[l.Name] = w.links[l.Name]
		labels = append(labels, metrics.Link{Name: l.Name, Kind: l.Kind})
	}
	w.reg = prometheus.NewRegistry()
	w.bridge, err = bridge.New(ctx, bridge.Options{
		Config: w.cfg, Links: ways, Store: breakable{w.store, &w.broken, &w.packed, &w.unsaid, &w.read, &w.listed}, Log: log,
		Clock: clock.New(saved, w.now, func() bool { return !w.unsure.Load() }),
		Meter: metrics.New(w.reg, labels, link.Codes), JournalDir: filepath.Join(w.dir, "air"), Room: w.disk,
	})
	if err != nil {
		w.t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- w.bridge.Run(ctx) }()
	w.stop = func() {
		cancel()
		if err := <-done; err != nil {
			w.t.Errorf("Run: %v", err)
		}
		if err := w.store.Close(); err != nil {
			w.t.Errorf("closing the store: %v", err)
		}
	}
	synctest.Wait()
}

// breakable is a store whose disk fails while the test says so.
type breakable struct {
	*boltstore.Store
	broken *atomic.Bool
	packed *atomic.Bool
	unsaid *atomic.Bool
	read   *atomic.Int64
	listed *atomic.Int64
}

func (s breakable) Get(ctx context.Context, seq uint64) (*queue.Record, error) {
	s.read.Add(1)
	return s.Store.Get(ctx, seq)
}

func (s breakable) List(ctx context.Context, openOnly bool, after uint64, n int) ([]*queue.Record, error) {
	list, err := s.Store.List(ctx, openOnly, after, n)
	s.listed.Add(int64(len(list)))
	return list, err
}

func (s breakable) Apply(ctx context.Context, ops ...queue.Op) ([]queue.Done, error) {
	if s.broken.Load() || s.unsaid.Load() && ops[0].Change != nil && ops[0].Read == nil && !ops[0].Lazy {
		return nil, errors.New("input/output error")
	}
	if s.packed.Load() {
		return nil, queue.ErrFull
	}
	return s.Store.Apply(ctx, ops...)
}

func (w *world) shut() {
	if w.stop != nil {
		w.stop()
		w.stop = nil
	}
	if w.t.Failed() {
		w.t.Log(w.log.String())
	}
}

func (w *world) restart() {
	w.shut()
	w.start()
}

// outside is a moment with a monotonic reading, which time in a bubble has not.
var outside = time.Now()

// bubbleBegan is when each bubble begins (package testing/synctest).
var bubbleBegan = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// now is the time as the computer tells it: its monotonic reading is right, the
// clock on the wall may not be.
func (w *world) now() time.Time {
	now := time.Now()
	t := outside.Add(now.Sub(bubbleBegan))
	wall := (*uint64)(unsafe.Pointer(&t)) // seconds from bit 30 on: nothing in package time takes the two apart
	*wall += uint64(now.Add(time.Duration(w.jumped.Load())).Unix()-t.Unix()) << 30
	return t
}

// properties are what the real adapters say of their media.
func properties(l *config.Link) link.Properties {
	switch {
	case l.Mesh != nil:
		return link.Properties{
			Medium: fit.Medium{MaxBytes: l.Mesh.MaxBytes, MaxParts: l.Mesh.MaxParts}, Acks: true, Radio: true,
			AckWait: l.Mesh.AckWait, Resends: l.Mesh.Resends, Batch: 64, Parallel: 1, InOrder: true,
		}
	case l.APRS != nil:
		return link.Properties{
			Medium: fit.APRS(l.APRS.MaxParts), Acks: true, AckWait: l.APRS.AckWait, Resends: l.APRS.Resends,
			OnePerAddressee: true, Batch: 1, Parallel: 1, Positions: l.APRS.Positions,
		}
	}
	return link.Properties{Final: true, Batch: 1, Parallel: 4}
}

// says has a station write a text on a link.
func (w *world) says(name, from, to, id, text string) link.Verdict {
	w.t.Helper()
	v, err := w.links[name].Hear(w.t.Context(), message.Message{Kind: message.Text, From: from, To: to, OriginID: id, Text: text})
	if err != nil {
		w.t.Fatalf("%s says %q on %s: %v", from, text, name, err)
	}
	return v
}

// beacon has a station be heard.
func (w *world) beacon(name string, calls ...string) {
	w.t.Helper()
	for _, call := range calls {
		m := message.Message{Kind: message.Beacon, From: call, Messaging: true}
		if _, err := w.links[name].Hear(w.t.Context(), m); err != nil {
			w.t.Fatal(err)
		}
	}
	synctest.Wait()
}

// gets reads the next frame that a link sends, within a time.
func (w *world) gets(name string, within time.Duration) link.Frame {
	w.t.Helper()
	select {
	case f := <-w.links[name].Sent():
		return f
	case <-time.After(within):
		w.t.Fatalf("nothing was sent on %s within %v", name, within)
	}
	return link.Frame{}
}

// silent checks that a link sends nothing for a time.
func (w *world) silent(name string, during time.Duration) {
	w.t.Helper()
	select {
	case f := <-w.links[name].Sent():
		w.t.Fatalf("%s sent %s", name, show(f))
	case <-time.After(during):
	}
}

// ack has the addressee of a frame acknowledge it.
func (w *world) ack(name string, f link.Frame) {
	w.t.Helper()
	if _, err := w.links[name].Ack(w.t.Context(), f); err != nil {
		w.t.Fatal(err)
	}
}

// show gives a frame in one line.
func show(f link.Frame) string {
	m := f.Message
	s := fmt.Sprintf("%s %s>%s", m.Kind, m.From, m.To)
	if m.Kind == message.Receipt {
		s += " " + m.Acks
		if m.Nak {
			s += " nak"
		}
		return s
	}
	return s + " " + f.Text
}

// want compares a frame with its line.
func (w *world) want(f link.Frame, line string) {
	w.t.Helper()
	if got := show(f); got != line {
		w.t.Errorf("got  %s\nwant %s", got, line)
	}
}

// record reads what the store has of an id.
func (w *world) record(id string) *queue.Record {
	w.t.Helper()
	var seq uint64
	if _, err := fmt.Sscanf(strings.TrimPrefix(id, gateway+"."), "%d", &seq); err != nil {
		w.t.Fatalf("id %q: %v", id, err)
	}
	r, err := w.store.Get(w.t.Context(), seq)
	if err != nil {
		w.t.Fatal(err)
	}
	return r
}

// ackHeard has a station acknowledge a text that another one of its own mesh
// sent.
func (w *world) ackHeard(name, from, to, id string) {
	w.t.Helper()
	m := message.Message{Kind: message.Receipt, From: from, To: to, Acks: id}
	if _, err := w.links[name].Hear(w.t.Context(), m); err != nil {
		w.t.Fatal(err)
	}
}

// where has a station tell its position.
func (w *world) where(name, call string, lat, lon float64) {
	w.t.Helper()
	m := message.Message{Kind: message.Position, From: call, Where: &message.Where{Lat: lat, Lon: lon}}
	if _, err := w.links[name].Hear(w.t.Context(), m); err != nil {
		w.t.Fatal(err)
	}
}

// hears has a link hear any message.
func (w *world) hears(name string, m message.Message) {
	w.t.Helper()
	if _, err := w.links[name].Hear(w.t.Context(), m); err != nil {
		w.t.Fatal(err)
	}
}

// metric adds up the samples of a metric that have a label's value.
func (w *world) metric(name, label, value string) (sum float64) {
	w.t.Helper()
	families, err := w.reg.Gather()
	if err != nil {
		w.t.Fatal(err)
	}
	for _, f := range families {
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				if f.GetName() == name && l.GetName() == label && l.GetValue() == value {
					sum += m.GetCounter().GetValue() + m.GetGauge().GetValue()
				}
			}
		}
	}
	return sum
}
