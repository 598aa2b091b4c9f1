package queuetest

import (
	"context"
	"fmt"
	"os"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// Verifier is a store that can check its own indexes; the suite asks it at the
// end of each case.
type Verifier interface {
	Verify(ctx context.Context) error
}

// random does random operations to a store and to a model, and compares every
// read. On failure rapid prints the seed and the shortest run that fails.
func random(t *testing.T, open Opener) {
	base := t.TempDir()
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(base, "")
		if err != nil {
			rt.Fatal(err)
		}
		m := &machine{dir: dir, reopen: func() queue.Store { return open(t, dir) }, model: newModel()}
		m.store = m.reopen()
		defer func() {
			m.store.Close()
			os.RemoveAll(dir)
		}()
		rt.Repeat(rapid.StateMachineActions(m))
		if v, ok := m.store.(Verifier); ok {
			if err := v.Verify(t.Context()); err != nil {
				rt.Fatal(err)
			}
		}
	})
}

// machine is the store under test beside its model.
type machine struct {
	dir    string
	reopen func() queue.Store
	store  queue.Store
	model  *model
	now    clock.Age
}

// Small domains, so that things meet.
var (
	genLink  = rapid.SampledFrom([]string{"", "a", "b"})
	genCall  = rapid.SampledFrom([]string{"N0QRA", "N0QRA-7", "N0QRB", "ALL", "x@county.example", "\xff\x00"})
	genPrec  = rapid.SampledFrom([]message.Precedence{message.Emergency, message.Routine})
	genFrame = rapid.SampledFrom([]string{"", "f1", "f2"})
	genState = rapid.SampledFrom([]queue.State{queue.Ready, queue.Ready, queue.Later, queue.Later, queue.Held, queue.Parked,
		queue.Local, queue.Passed, queue.Shadow, queue.Gathering, queue.Sent, queue.Delivered, queue.Failed})
	genDue = rapid.SampledFrom([]clock.Age{0, 0, 5, 10, 20})
)

func drawDelivery(t *rapid.T) queue.Delivery {
	d := queue.Delivery{
		Link: genLink.Draw(t, "link"), To: genCall.Draw(t, "to"), State: genState.Draw(t, "state"),
		Due: genDue.Draw(t, "due"), Begun: rapid.Bool().Draw(t, "begun"),
	}
	for _, id := range rapid.SliceOfN(genFrame, 0, 2).Draw(t, "frames") {
		d.Parts = append(d.Parts, queue.Part{ID: id})
	}
	return d
}

func (m *machine) drawRecord(t *rapid.T) *queue.Record {
	m.now += clock.Age(rapid.IntRange(0, 2*3600e3).Draw(t, "passed"))
	r := &queue.Record{
		Message:  message.Message{Kind: message.Text, From: genCall.Draw(t, "from"), Precedence: genPrec.Draw(t, "precedence")},
		Accepted: queue.Stamp{Age: m.now},
		Expires:  genDue.Draw(t, "expires"),
	}
	if id := rapid.IntRange(0, 3).Draw(t, "identity"); id > 0 {
		r.Identity = queue.Identity{byte(id)}
	}
	if id := rapid.IntRange(0, 3).Draw(t, "event"); id > 0 {
		r.Event = queue.Identity{9, byte(id)}
	}
	for range rapid.IntRange(0, 3).Draw(t, "deliveries") {
		r.Deliveries = append(r.Deliveries, drawDelivery(t))
	}
	return r
}

// New stores one to three records in one Apply.
func (m *machine) New(t *rapid.T) {
	var ops []queue.Op
	for range rapid.IntRange(1, 3).Draw(t, "records") {
		op := queue.Op{New: m.drawRecord(t)}
		if rapid.Bool().Draw(t, "same") {
			op.SameFor = 3 * time.Hour
		}
		if rapid.Bool().Draw(t, "same event") {
			op.EventFor = 3 * time.Hour
		}
		ops = append(ops, op)
	}
	done := m.apply(t, ops...)
	for i, op := range ops {
		seq, dup := m.model.create(op.New, op.SameFor, op.EventFor)
		if done[i].Seq != seq || done[i].Duplicate != dup {
			t.Fatalf("New gave %d %v, the model has %d %v", done[i].Seq, done[i].Duplicate, seq, dup)
		}
	}
}

// Change alters a record, lazily or not, and may skip or create others.
func (m *machine) Change(t *rapid.T) {
	seq := uint64(rapid.IntRange(1, int(m.model.seq)+1).Draw(t, "seq"))
	skip := rapid.IntRange(0, 5).Draw(t, "skip") == 0
	var fresh []queue.Delivery
	for range rapid.IntRange(0, 3).Draw(t, "deliveries") {
		fresh = append(fresh, drawDelivery(t))
	}
	expires := genDue.Draw(t, "expires")
	var spawn []*queue.Record
	if rapid.IntRange(0, 3).Draw(t, "spawn") == 0 {
		spawn = append(spawn, m.drawRecord(t))
	}
	change := func(r *queue.Record) ([]*queue.Record, error) {
		if skip {
			return nil, queue.ErrSkip
		}
		r.Deliveries, r.Expires = fresh, expires
		return spawn, nil
	}
	op := queue.Op{Seq: seq, Change: change, Lazy: rapid.Bool().Draw(t, "lazy")}
	done := m.apply(t, op)[0]
	wanted := m.model.change(seq, change)
	if !op.Lazy && (!reflect.DeepEqual(done.Record, wanted.Record) || !slices.Equal(done.Spawned, wanted.Spawned) || (done.Err == nil) != (wanted.Err == nil)) {
		t.Fatalf("Change gave %+v, the model has %+v", done, wanted)
	}
}

// Put sets or removes a setting.
func (m *machine) Put(t *rapid.T) {
	key := genCall.Draw(t, "key")
	val := rapid.SampledFrom([][]byte{nil, {}, []byte("x")}).Draw(t, "value")
	m.apply(t, queue.Op{Put: map[string][]byte{key: val}, Lazy: rapid.Bool().Draw(t, "lazy")})
	m.model.put(key, val)
}

// Purge removes what is finished.
func (m *machine) Purge(t *rapid.T) {
	before := m.now - clock.Age(rapid.IntRange(0, 10*3600e3).Draw(t, "young"))
	memory := m.now - 4*3600e3 // SameFor is 3 h
	n := rapid.IntRange(0, 3).Draw(t, "n")
	m.flush(t)
	gone, err := m.store.Purge(t.Context(), before, memory, n)
	if err != nil {
		t.Fatal(err)
	}
	if wanted := m.model.purge(before, memory, n); gone != wanted {
		t.Fatalf("Purge took %d, the model %d", gone, wanted)
	}
}

// Reopen closes the store and opens it again.
func (m *machine) Reopen(t *rapid.T) {
	if err := m.store.Close(); err != nil {
		t.Fatal(err)
	}
	m.store = m.reopen()
}

func (m *machine) apply(t *rapid.T, ops ...queue.Op) []queue.Done {
	done, err := m.store.Apply(t.Context(), ops...)
	if err != nil {
		t.Fatalf("Apply: %v", err)
	}
	return done
}

// flush waits for the lazy ops: they go before any later one.
func (m *machine) flush(t *rapid.T) {
	m.apply(t, queue.Op{Put: map[string][]byte{"flush": nil}})
}

// Check compares every read after each operation.
func (m *machine) Check(t *rapid.T) {
	m.flush(t)
	s, ctx := m.store, t.Context()
	same := func(what string, got, wanted any, err error) {
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if !reflect.DeepEqual(got, wanted) && (reflect.ValueOf(got).Kind() != reflect.Slice || reflect.ValueOf(got).Len()+reflect.ValueOf(wanted).Len() > 0) {
			t.Fatalf("%s:\n got %+v\nwant %+v", what, got, wanted)
		}
	}
	after := uint64(rapid.IntRange(0, 5).Draw(t, "after"))
	n := rapid.IntRange(1, 20).Draw(t, "n")
	until := genDue.Draw(t, "until")
	for _, openOnly := range []bool{false, true} {
		got, err := s.List(ctx, openOnly, after, n)
		for i := range got {
			got[i] = plain(got[i])
		}
		same(fmt.Sprint("List open ", openOnly), got, m.model.list(openOnly, after, n), err)
	}
	for _, link := range []string{"", "a", "b"} {
		for _, p := range []message.Precedence{message.Emergency, message.Routine} {
			got, err := s.Heads(ctx, link, p, until, after, n)
			same(fmt.Sprintf("Heads %q %v now %d after %d n %d", link, p, until, after, n), byItem(got), m.model.heads(link, p, until, after, n), err)
		}
		got, err := s.Due(ctx, link, until, n)
		same(fmt.Sprintf("Due %q", link), got, m.model.due(link, until, n), err)
		next, ok, err := s.NextDue(ctx, link)
		wanted := m.model.due(link, 1<<40, 1)
		same("NextDue there", ok, len(wanted) > 0, err)
		if ok {
			same("NextDue", next, wanted[0].Due, nil)
		}
		for _, to := range []string{"N0QRA", "N0QRA-7", "ALL"} {
			it, part, err := s.Frame(ctx, link, to, "f1")
			wantIt, wantPart, found := m.model.frame(link, to, "f1")
			if (err == nil) != found {
				t.Fatalf("Frame %q %q: %v, the model %v", link, to, err, found)
			}
			same("Frame", it, wantIt, nil)
			same("part of Frame", part, wantPart, nil)
		}
	}
	for lane, wanted := range m.model.lanes() {
		got, err := s.Behind(ctx, lane, 0, 1000)
		same(fmt.Sprintf("Behind %+v", lane), got, wanted, err)
	}
	for _, call := range []string{"N0QRA", "N0QRB", "ALL", "N0QRA-7"} {
		got, err := s.Held(ctx, call, n)
		same("Held "+call, got, m.model.held(call, n), err)
	}
	sought, err := s.Sought(ctx, 100)
	slices.Sort(sought)
	same("Sought", sought, m.model.sought(), err)
	expiring, err := s.Expiring(ctx, until, n)
	same("Expiring", expiring, m.model.expiring(until, n), err)
	for id := range byte(4) {
		since := m.now - 3*3600e3
		seq, ok, err := s.Known(ctx, queue.Identity{id}, since)
		wantSeq, wantOk := m.model.known(queue.Identity{id}, since)
		same(fmt.Sprint("Known ", id), []any{seq, ok}, []any{wantSeq, wantOk}, err)
	}
	settings, err := s.Settings(ctx, "")
	same("Settings", settings, m.model.settings, err)
	m.checkStats(t)
}

func (m *machine) checkStats(t *rapid.T) {
	st := m.store.Stats()
	open, oldest := m.model.counters()
	if st.Records != int64(len(m.model.records)) || !reflect.DeepEqual(st.Open, open) || !reflect.DeepEqual(st.Oldest, oldest) {
		t.Fatalf("Stats: %+v\nwant %d records, open %v, oldest %v", st, len(m.model.records), open, oldest)
	}
}
