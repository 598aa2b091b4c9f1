package queuetest

import (
	"context"
	"maps"
	"slices"
	"testing"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

func listPages(t *testing.T, open Opener) {
	f := start(t, open)
	for i := range 20 {
		r := text([]string{"a", "b", ""}[i%3], "N0QRA", call(i))
		if i%2 == 0 {
			r.Deliveries = append(r.Deliveries, queue.Delivery{Link: "c", To: call(i), State: queue.Ready})
		}
		f.add(r)
	}
	var all, left []uint64
	for seq := uint64(1); seq <= 20; seq++ {
		all = append(all, seq)
		if seq%4 == 0 {
			f.change(seq, finish)
		} else {
			left = append(left, seq)
		}
	}
	walk := func(openOnly bool) (got []uint64) {
		for after := uint64(0); ; after = got[len(got)-1] {
			page, err := f.List(f.ctx, openOnly, after, 7)
			if err != nil {
				t.Fatal(err)
			}
			if len(page) == 0 {
				return got
			}
			for _, r := range page {
				got = append(got, r.Seq)
			}
		}
	}
	want(t, "all", walk(false), all)
	want(t, "open", walk(true), left)
}

func settings(t *testing.T, open Opener) {
	f := start(t, open)
	get := func(key string) []byte {
		v, err := f.Setting(f.ctx, key)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	if get("clock") != nil {
		t.Error("an unset key has a value")
	}
	f.apply(queue.Op{Put: map[string][]byte{"block/a": []byte("1"), "block/b": {}, "blocks": []byte("3"), "": []byte("4"), "\xff": []byte("5")}})
	if v := get("block/b"); v == nil || len(v) != 0 {
		t.Errorf("an empty value comes back as %v", v)
	}
	if v := get(""); string(v) != "4" {
		t.Errorf("the empty key holds %q", v)
	}
	list := func(prefix string) []string {
		got, err := f.Settings(f.ctx, prefix)
		if err != nil {
			t.Fatal(err)
		}
		return slices.Sorted(maps.Keys(got))
	}
	want(t, "keys under block/", list("block/"), []string{"block/a", "block/b"})
	want(t, "all keys", list(""), []string{"", "block/a", "block/b", "blocks", "\xff"})
	f.apply(queue.Op{Put: map[string][]byte{"block/a": nil, "blocks": []byte("6"), "unset": nil}})
	want(t, "keys after removal", list("b"), []string{"block/b", "blocks"})
	if v := get("blocks"); string(v) != "6" {
		t.Errorf("the value set last is %q", v)
	}
}

func purge(t *testing.T, open Opener) {
	f := start(t, open)
	for i := range 6 {
		r := text("a", "N0QRA", call(i))
		r.Accepted.Age = clock.Age(i+1) * 100
		f.add(r)
	}
	for _, seq := range []uint64{1, 3, 4, 5} {
		f.change(seq, finish)
	}
	left := func() (all []uint64) {
		list, err := f.List(f.ctx, false, 0, 99)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			all = append(all, r.Seq)
		}
		return all
	}
	steps := []struct {
		before clock.Age
		n      int
		gone   int
		left   []uint64
	}{
		{100, 9, 0, []uint64{1, 2, 3, 4, 5, 6}}, // accepted at, not before
		{500, 2, 2, []uint64{2, 4, 5, 6}},       // the oldest first, open ones stay
		{500, 9, 1, []uint64{2, 5, 6}},
		{1 << 40, 9, 1, []uint64{2, 6}},
		{1 << 40, 9, 0, []uint64{2, 6}},
	}
	for _, s := range steps {
		n, err := f.Purge(f.ctx, s.before, 0, s.n)
		if n != s.gone || err != nil {
			t.Fatalf("Purge before %d: %d, %v; want %d", s.before, n, err, s.gone)
		}
		want(t, "left", left(), s.left)
	}
	_, err := f.Get(f.ctx, 1)
	wantErr(t, "Get of a purged record", err, queue.ErrNotFound)
	f.change(6, finish)
	f.change(2, finish)
	if n, err := f.Purge(f.ctx, 1<<40, 0, 9); n != 2 || err != nil {
		t.Fatalf("Purge of the rest: %d, %v", n, err)
	}
	want(t, "a number is never given twice", f.add(text("a", "N0QRA", "N0QRB")), []uint64{7})
}

func purgeIdentities(t *testing.T, open Opener) {
	f := start(t, open)
	const hour = clock.Age(3600e3)
	f.add(named(text("a", "N0QRA", "N0QRB"), 1, 1*hour), named(text("a", "N0QRA", "N0QRB"), 2, 5*hour))
	f.change(1, finish)
	f.change(2, finish)
	if n, err := f.Purge(f.ctx, 9*hour, 5*hour, 9); n != 2 || err != nil {
		t.Fatalf("Purge: %d, %v", n, err)
	}
	if seq, ok, err := f.Known(f.ctx, queue.Identity{2, 1}, 5*hour); seq != 2 || !ok || err != nil {
		t.Errorf("an identity within its time: %d %v %v", seq, ok, err)
	}
	d := f.apply(queue.Op{New: named(text("a", "N0QRA", "N0QRB"), 2, 5*hour+9), SameFor: time.Hour})[0]
	if !d.Duplicate {
		t.Error("the identity of a purged record is no duplicate within its time")
	}
	if n, err := f.Purge(f.ctx, 0, 100*hour, 0); n != 0 || err != nil {
		t.Fatalf("Purge of identities: %d, %v", n, err)
	}
}

// lazyInTime looks again and again until the op is seen: in a bubble that takes no
// time, elsewhere somewhat more than the five seconds.
func lazyInTime(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"))
	begun := time.Now()
	value := []byte("v")
	done := f.apply(add(" a"), queue.Op{Lazy: true, Put: map[string][]byte{"k": value}})
	value[0] = 'X'
	if done[0].Record != nil {
		t.Errorf("a lazy Apply returned %+v", done)
	}
	for f.get(1).Message.Text != "hello a" {
		if time.Since(begun) > 5*time.Second+slack {
			t.Fatalf("after five seconds the text is %q", f.get(1).Message.Text)
		}
		time.Sleep(100 * time.Millisecond)
	}
	if v, _ := f.Setting(f.ctx, "k"); string(v) != "v" {
		t.Errorf("after five seconds the setting is %q", v)
	}
}

// slack is what a loaded machine may be late.
const slack = 20 * time.Second

// add is a lazy op that adds a word to the text of record 1.
func add(word string) queue.Op {
	return queue.Op{Lazy: true, Seq: 1, Change: func(r *queue.Record) ([]*queue.Record, error) {
		r.Message.Text += word
		return nil, nil
	}}
}

func lazyInOrder(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"))
	f.apply(add(" b"))
	f.apply(add(" c"))
	last := add(" d")
	last.Lazy = false
	if got := f.apply(last)[0].Record.Message.Text; got != "hello b c d" {
		t.Errorf("lazy ops were not done before a later one: %q", got)
	}
}

func thenTold(t *testing.T, open Opener) {
	f := start(t, open)
	told := make(chan queue.Done, 9)
	then := func(d queue.Done) { told <- d }
	add := func(r *queue.Record) ([]*queue.Record, error) { r.Deliveries[0].Attempts++; return nil, nil }
	f.apply(queue.Op{New: text("a", "N0QRA", "N0QRB"), Then: then})
	if d := <-told; d.Seq != 1 || d.Record == nil || d.Record.Seq != 1 {
		t.Errorf("of a New it heard %+v", d)
	}
	f.apply(queue.Op{Seq: 1, Change: add, Lazy: true, Then: then})
	f.apply(queue.Op{Seq: 77, Change: add, Then: func(queue.Done) { panic("a bug in a Then") }})
	d := <-told
	if d.Record == nil || d.Record.Deliveries[0].Attempts != 1 || d.Err != nil {
		t.Errorf("of a lazy Change it heard %+v", d)
	}
	d.Record.Deliveries[0].To = "spoilt"
	if got := f.get(1).Deliveries[0]; got.Attempts != 1 || got.To != "N0QRB" {
		t.Errorf("when it heard of it the record had %+v", got)
	}
	f.apply(queue.Op{Seq: 77, Change: add, Then: then})
	wantErr(t, "what it heard of a record that is not there", (<-told).Err, queue.ErrNotFound)
	if len(told) != 0 {
		t.Errorf("it was told %d times more", len(told))
	}
}

func statsTrue(t *testing.T, open Opener) {
	f := start(t, open)
	if st := f.Stats(); st.Records != 0 || len(st.Open) != 0 || len(st.Oldest) != 0 {
		t.Errorf("Stats of an empty store: %+v", st)
	}
	for i := range 4 {
		r := text("a", "N0QRA", call(i))
		r.Accepted.Age = clock.Age(100 + i)
		r.Deliveries = append(r.Deliveries, queue.Delivery{Link: "b", To: call(i), State: queue.Parked})
		f.add(r)
	}
	f.change(1, func(r *queue.Record) { r.Deliveries[0].State = queue.Sent })
	f.change(2, finish)
	st := f.Stats()
	open4 := func(link string) int64 { return st.Open[link][message.Routine] }
	if st.Records != 4 || open4("a") != 2 || open4("b") != 3 || st.Damaged != 0 {
		t.Errorf("Stats: %+v", st)
	}
	if st.Oldest["a"] != 102 || st.Oldest["b"] != 100 {
		t.Errorf("Oldest: %v", st.Oldest)
	}
	if st.Bytes <= 0 || st.Commits < 6 {
		t.Errorf("Bytes %d, Commits %d", st.Bytes, st.Commits)
	}
}

func watch(t *testing.T, open Opener) {
	f := start(t, open)
	ctx, cancel := context.WithTimeout(f.ctx, 10*time.Second)
	defer cancel()
	hints, slow := f.Watch(), f.Watch()
	f.add(text("a", "N0QRA", "N0QRB"), with(text("b", "N0QRA", "N0QRB"), queue.Later, 5, true), with(text("", "N0QRA", "N0QRB"), queue.Local, 5, false))
	for _, ch := range []<-chan string{hints, slow} {
		heard := map[string]bool{}
		for len(heard) < 3 {
			select {
			case link := <-ch:
				heard[link] = true
			case <-ctx.Done():
				t.Fatalf("heard of %v only", heard)
			}
		}
		want(t, "links", slices.Sorted(maps.Keys(heard)), []string{"", "a", "b"})
	}
	// What waits behind a head is news too.
	f.add(text("b", "N0QRA", "N0QRB"), text("b", "N0QRA", "N0QRB"))
	for _, ch := range []<-chan string{hints, slow} {
		select {
		case link := <-ch:
			if link != "b" {
				t.Errorf("heard of %q", link)
			}
		case <-ctx.Done():
			t.Fatal("nobody was told of what waits behind a head")
		}
	}
	// A watcher that does not listen holds up nobody.
	for range 300 {
		f.add(text("a", "N0QRA", "N0QRB"))
	}
}
