package queuetest

import (
	"context"
	"errors"
	"os"
	"reflect"
	"sync"
	"testing"
	"time"

	"posthouse/bridge/clock"
	"posthouse/queue"
)

func newRecords(t *testing.T, open Opener) {
	f := start(t, open)
	for i, r := range []*queue.Record{full(), {}, text("a", "N0QRA", "N0QRB")} {
		before := clone(r)
		d := f.apply(queue.Op{New: r})[0]
		if d.Seq != uint64(i+1) || d.Duplicate || d.Err != nil {
			t.Fatalf("Done is %+v, want Seq %d", d, i+1)
		}
		if !reflect.DeepEqual(r, before) {
			t.Errorf("Apply changed the caller's record: %+v", r)
		}
		before.Seq = d.Seq
		if !reflect.DeepEqual(d.Record, before) {
			t.Errorf("Done.Record:\n got %+v\nwant %+v", d.Record, before)
		}
		if got := f.get(d.Seq); !reflect.DeepEqual(got, before) {
			t.Errorf("Get:\n got %+v\nwant %+v", got, before)
		}
	}
	_, err := f.Get(f.ctx, 4)
	wantErr(t, "Get of a number that was never given", err, queue.ErrNotFound)
}

func inOrder(t *testing.T, open Opener) {
	f := start(t, open)
	add := func(word string) queue.Op {
		return queue.Op{Seq: 1, Change: func(r *queue.Record) ([]*queue.Record, error) {
			r.Message.Text += word
			return nil, nil
		}}
	}
	f.apply(queue.Op{New: text("a", "N0QRA", "N0QRB")}, add(" a"), queue.Op{Put: map[string][]byte{"k": []byte("v")}}, add(" b"))
	if got := f.get(1).Message.Text; got != "hello a b" {
		t.Errorf("text is %q: the ops of one Apply were not done in order", got)
	}
	if v, err := f.Setting(f.ctx, "k"); string(v) != "v" || err != nil {
		t.Errorf("Setting: %q, %v", v, err)
	}
}

func fresh(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"))
	f.add(text("a", "N0QRA", "N0QRC"))
	known, err := f.Get(f.ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	known.Message.Text = "as its holder left it"
	f.change(2, func(r *queue.Record) { r.Deliveries[0].Attempts++ })
	if got, err := f.Fresh(f.ctx, known); got != known || err != nil {
		t.Errorf("when only another record was written: %p %v, want %p itself", got, err, known)
	}
	f.change(1, func(r *queue.Record) { r.Deliveries[0].Attempts++ })
	got, err := f.Fresh(f.ctx, known)
	if err != nil {
		t.Fatal(err)
	}
	if got == known || got.Message.Text == known.Message.Text || got.Deliveries[0].Attempts != 1 {
		t.Errorf("when it was written since: %+v", got)
	}
	if again, err := f.Fresh(f.ctx, got); again != got || err != nil {
		t.Errorf("what Fresh gave is not known to it: %v", err)
	}
	_, err = f.Fresh(f.ctx, &queue.Record{Seq: 9})
	wantErr(t, "Fresh of a number that was never given", err, queue.ErrNotFound)
}

// A record that was given away is altered in place of the one on disk only as long as
// it is the same.
func given(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"))
	first, err := f.Get(f.ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	second, err := f.Get(f.ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	try := func(r *queue.Record) ([]*queue.Record, error) { r.Deliveries[0].Attempts++; return nil, nil }
	end := func(r *queue.Record) ([]*queue.Record, error) { r.Deliveries[0].State = queue.Sent; return nil, nil }
	for _, op := range []queue.Op{{Seq: 1, Read: first, Change: try}, {Seq: 1, Read: second, Change: end}} {
		if done := f.apply(op); done[0].Err != nil {
			t.Fatal(done[0].Err)
		}
	}
	if d := f.get(1).Deliveries[0]; d.Attempts != 1 || d.State != queue.Sent {
		t.Errorf("after two changes of one record as both had read it: %+v", d)
	}
}

func oneThing(t *testing.T, open Opener) {
	f := start(t, open)
	r := text("a", "N0QRA", "N0QRB")
	for _, op := range []queue.Op{{}, {New: r, Put: map[string][]byte{"k": nil}}, {New: r, Lazy: true}} {
		if _, err := f.Apply(f.ctx, queue.Op{New: r}, op); err == nil {
			t.Errorf("Apply(%+v) gave no error", op)
		}
	}
	if n := f.Stats().Records; n != 0 {
		t.Errorf("%d records were stored by an Apply that failed", n)
	}
	if done, err := f.Apply(f.ctx); len(done) != 0 || err != nil {
		t.Errorf("Apply of nothing: %v, %v", done, err)
	}
}

func duplicates(t *testing.T, open Opener) {
	f := start(t, open)
	const hour = clock.Age(3600e3)
	add := func(id byte, at clock.Age, same time.Duration) queue.Done {
		return f.apply(queue.Op{New: named(text("a", "N0QRA", "N0QRB"), id, at), SameFor: same})[0]
	}
	steps := []struct {
		what string
		id   byte
		at   clock.Age
		same time.Duration
		seq  uint64
		dup  bool
	}{
		{"first sight", 1, 10 * hour, time.Hour, 1, false},
		{"at once", 1, 10 * hour, time.Hour, 1, true},
		{"at the end of its time", 1, 11 * hour, time.Hour, 1, true},
		{"another identity", 2, 11 * hour, time.Hour, 2, false},
		{"a moment after its time", 1, 11*hour + 1, time.Hour, 3, false},
		{"counted from the new first sight", 1, 12*hour + 1, time.Hour, 3, true},
		{"over many hours", 2, 35 * hour, 24 * time.Hour, 2, true},
		{"no time: always new", 1, 12*hour + 2, 0, 4, false},
	}
	for _, s := range steps {
		if d := add(s.id, s.at, s.same); d.Seq != s.seq || d.Duplicate != s.dup {
			t.Fatalf("%s: Seq %d duplicate %v, want %d %v", s.what, d.Seq, d.Duplicate, s.seq, s.dup)
		}
	}
	if seq, ok, err := f.Known(f.ctx, queue.Identity{2, 1}, 11*hour); seq != 2 || !ok || err != nil {
		t.Errorf("Known at first sight: %d %v %v", seq, ok, err)
	}
	if _, ok, err := f.Known(f.ctx, queue.Identity{2, 1}, 11*hour+1); ok || err != nil {
		t.Errorf("Known after first sight: %v %v", ok, err)
	}
	none := text("a", "N0QRA", "N0QRB")
	for range 2 {
		if f.apply(queue.Op{New: none, SameFor: time.Hour})[0].Duplicate {
			t.Error("a record without identity was called a duplicate")
		}
	}
	d := f.apply(queue.Op{New: named(text("a", "A", "B"), 9, 1), SameFor: time.Hour}, queue.Op{New: named(text("a", "A", "B"), 9, 1), SameFor: time.Hour})
	if d[0].Duplicate || !d[1].Duplicate || d[0].Seq != d[1].Seq {
		t.Errorf("twice in one Apply: %+v", d)
	}
}

func duplicatesAtOnce(t *testing.T, open Opener) {
	f := start(t, open)
	const callers, ids = 16, 20
	var mu sync.Mutex
	created, first := map[byte]int{}, map[byte]uint64{}
	var wg sync.WaitGroup
	for range callers {
		wg.Go(func() {
			for id := range byte(ids) {
				d, err := f.Apply(f.ctx, queue.Op{New: named(text("a", "N0QRA", "N0QRB"), id, 5), SameFor: time.Hour})
				if err != nil {
					t.Errorf("Apply: %v", err)
					return
				}
				mu.Lock()
				if !d[0].Duplicate {
					created[id]++
				}
				if was, ok := first[id]; ok && was != d[0].Seq {
					t.Errorf("identity %d is record %d and record %d", id, was, d[0].Seq)
				}
				first[id] = d[0].Seq
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	for id := range byte(ids) {
		if created[id] != 1 {
			t.Errorf("identity %d was created %d times", id, created[id])
		}
	}
	if n := f.Stats().Records; n != ids {
		t.Errorf("%d records, want %d", n, ids)
	}
}

func copies(t *testing.T, open Opener) {
	f := start(t, open)
	spoil := func(r *queue.Record) {
		r.Message.Hops[0], r.Deliveries[0].To, r.History[0].Note = "spoilt", "spoilt", "spoilt"
		r.Deliveries[0].Parts[0].ID = "spoilt"
	}
	mine := full()
	d := f.apply(queue.Op{New: mine})[0]
	spoil(mine)
	spoil(d.Record)
	spoil(f.get(1))
	var inside *queue.Record
	parts := []queue.Part{{ID: "00a1b", Acked: true, Sent: true}, {}}
	after := f.change(1, func(r *queue.Record) { inside = r; r.Deliveries[0].Parts = parts })
	spoil(after)
	spoil(inside)
	list, err := f.List(f.ctx, false, 0, 10)
	if err != nil || len(list) != 1 {
		t.Fatalf("List: %d records, %v", len(list), err)
	}
	spoil(list[0])
	wanted := full()
	wanted.Seq = 1
	if got := f.get(1); !reflect.DeepEqual(got, wanted) {
		t.Errorf("a caller's copy reached into the store:\n got %+v\nwant %+v", got, wanted)
	}
	value := []byte("value")
	f.apply(queue.Op{Put: map[string][]byte{"k": value}})
	value[0] = 'X'
	got, _ := f.Setting(f.ctx, "k")
	got[1] = 'X'
	if again, _ := f.Setting(f.ctx, "k"); string(again) != "value" {
		t.Errorf("setting is %q", again)
	}
}

func changes(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"))
	const callers, each = 8, 25
	var wg sync.WaitGroup
	for range callers {
		wg.Go(func() {
			for range each {
				f.change(1, func(r *queue.Record) { r.Deliveries[0].Attempts++ })
			}
		})
	}
	wg.Wait()
	if n := f.get(1).Deliveries[0].Attempts; n != callers*each {
		t.Errorf("%d of %d changes are in the record", n, callers*each)
	}
}

func changeFails(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"))
	own := errors.New("own")
	fail := func(err error) queue.Op {
		return queue.Op{Seq: 1, Change: func(r *queue.Record) ([]*queue.Record, error) {
			r.Message.Text = "spoilt"
			return []*queue.Record{text("a", "N0QRA", "N0QRC")}, err
		}}
	}
	panics := queue.Op{Seq: 1, Change: func(*queue.Record) ([]*queue.Record, error) { panic("a bug in a change") }}
	renames := queue.Op{Seq: 1, Change: func(r *queue.Record) ([]*queue.Record, error) { r.Identity[0]++; return nil, nil }}
	missing := queue.Op{Seq: 77, Change: func(*queue.Record) ([]*queue.Record, error) {
		t.Error("Change was called for a record that is not there")
		return nil, nil
	}}
	d := f.apply(fail(queue.ErrSkip), fail(own), panics, renames, missing, queue.Op{New: text("a", "N0QRA", "N0QRD")})
	wantErr(t, "skipped", d[0].Err, queue.ErrSkip)
	wantErr(t, "own error", d[1].Err, own)
	if d[2].Err == nil || d[3].Err == nil {
		t.Errorf("a panic gave %v, a change of the identity %v", d[2].Err, d[3].Err)
	}
	wantErr(t, "missing record", d[4].Err, queue.ErrNotFound)
	if d[5].Err != nil || d[5].Seq == 0 {
		t.Errorf("the op behind was disturbed: %+v", d[5])
	}
	if got := f.get(1).Message.Text; got != "hello" {
		t.Errorf("text is %q after changes that failed", got)
	}
	if n := f.Stats().Records; n != 2 {
		t.Errorf("%d records, want 2", n)
	}
}

func spawned(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"))
	d := f.apply(queue.Op{Seq: 1, Change: func(r *queue.Record) ([]*queue.Record, error) {
		finish(r)
		return []*queue.Record{named(text("b", "N0QRB", "N0QRA"), 7, 50), text("b", "N0QRB", "N0QRC")}, nil
	}})[0]
	want(t, "Spawned", d.Spawned, []uint64{2, 3})
	if d.Record.Open() {
		t.Error("Done.Record is the record before the change")
	}
	want(t, "heads of the new ones", seqs(f.heads("b", 4, 0, 0, 9)), []uint64{2, 3})
	if seq, ok, _ := f.Known(f.ctx, queue.Identity{7, 1}, 0); seq != 2 || !ok {
		t.Errorf("the identity of a spawned record: %d %v", seq, ok)
	}
}

func reopen(t *testing.T, open Opener) {
	dir := t.TempDir()
	s := open(t, dir)
	f := &fixture{t, s, t.Context()}
	f.add(full(), text("a", "N0QRA", "N0QRB"), text("a", "N0QRA", "N0QRB"))
	f.apply(queue.Op{Put: map[string][]byte{"k": []byte("v")}})
	f.change(2, finish)
	f.apply(queue.Op{Seq: 3, Lazy: true, Change: func(r *queue.Record) ([]*queue.Record, error) {
		r.Deliveries[0].Attempts = 9
		return nil, nil
	}})
	if err := s.Close(); err != nil {
		t.Fatalf("Close: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatalf("second Close: %v", err)
	}
	f.Store = open(t, dir)
	defer f.Close()
	wanted := full()
	wanted.Seq = 1
	if got := f.get(1); !reflect.DeepEqual(got, wanted) {
		t.Errorf("after opening again:\n got %+v\nwant %+v", got, wanted)
	}
	if n := f.get(3).Deliveries[0].Attempts; n != 9 {
		t.Error("a lazy change before Close is gone")
	}
	want(t, "heads", seqs(f.heads("a", 4, 0, 0, 9)), []uint64{3})
	if v, _ := f.Setting(f.ctx, "k"); string(v) != "v" {
		t.Errorf("setting is %q", v)
	}
	if st := f.Stats(); st.Records != 3 || st.Open["a"][4] != 1 {
		t.Errorf("Stats: %+v", st)
	}
	want(t, "the next number", f.add(text("a", "N0QRA", "N0QRB")), []uint64{4})
}

func cancelled(t *testing.T, open Opener) {
	f := start(t, open)
	ctx, cancel := context.WithCancel(f.ctx)
	cancel()
	_, err := f.Apply(ctx, queue.Op{New: text("a", "N0QRA", "N0QRB")})
	wantErr(t, "Apply", err, context.Canceled)
	_, err = f.Get(ctx, 1)
	wantErr(t, "Get", err, context.Canceled)
	_, err = f.List(ctx, false, 0, 1)
	wantErr(t, "List", err, context.Canceled)
	_, err = f.Purge(ctx, 1, 1, 1)
	wantErr(t, "Purge", err, context.Canceled)

	// Cancelled while under way: an error means that nothing was stored.
	var wg sync.WaitGroup
	var mu sync.Mutex
	stored := int64(0)
	for i := range 200 {
		wg.Go(func() {
			ctx, cancel := context.WithTimeout(f.ctx, time.Duration(i)*20*time.Microsecond)
			defer cancel()
			if _, err := f.Apply(ctx, queue.Op{New: text("a", "N0QRA", call(i))}); err == nil {
				mu.Lock()
				stored++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	f.apply(queue.Op{Put: map[string][]byte{"flush": nil}})
	if n := f.Stats().Records; n != stored {
		t.Errorf("%d records, but %d calls were told that theirs is stored", n, stored)
	}
}

func closed(t *testing.T, open Opener) {
	dir, err := os.MkdirTemp(t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	s := open(t, dir)
	hints := s.Watch()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, ok := <-hints; ok {
		t.Error("the watch channel gave a hint")
	}
	_, err = s.Apply(t.Context(), queue.Op{New: text("a", "N0QRA", "N0QRB")})
	wantErr(t, "Apply", err, queue.ErrClosed)
	_, err = s.Apply(t.Context(), queue.Op{Lazy: true, Put: map[string][]byte{"k": nil}})
	wantErr(t, "lazy Apply", err, queue.ErrClosed)
	_, err = s.Get(t.Context(), 1)
	wantErr(t, "Get", err, queue.ErrClosed)
	_, err = s.Heads(t.Context(), "a", 4, 0, 0, 1)
	wantErr(t, "Heads", err, queue.ErrClosed)
	if _, ok := <-s.Watch(); ok {
		t.Error("a watch of a closed store is open")
	}
}

// clone copies a record without help from the store.
func clone(r *queue.Record) *queue.Record {
	c := *r
	c.Message.Hops = append([]string(nil), r.Message.Hops...)
	c.Deliveries = append([]queue.Delivery(nil), r.Deliveries...)
	for i := range c.Deliveries {
		c.Deliveries[i].Parts = append([]queue.Part(nil), c.Deliveries[i].Parts...)
	}
	c.History = append([]queue.Step(nil), r.History...)
	return &c
}
