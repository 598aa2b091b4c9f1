package queuetest

import (
	"fmt"
	"strings"
	"testing"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
	"posthouse/queue"
)

const routine = message.Routine

func laneOrder(t *testing.T, open Opener) {
	f := start(t, open)
	ab := func() *queue.Record { return text("a", "N0QRA", "N0QRB") }
	urgent := ab()
	urgent.Message.Precedence = message.Emergency
	f.add(ab(), ab(), text("a", "N0QRA", "N0QRC"), ab(), urgent, text("b", "N0QRA", "N0QRB"))
	lane := queue.Lane{Link: "a", Precedence: routine, From: "N0QRA", To: "N0QRB"}
	behind := func(after uint64, n int) []uint64 {
		items, err := f.Behind(f.ctx, lane, after, n)
		if err != nil {
			t.Fatalf("Behind: %v", err)
		}
		return seqs(items)
	}
	want(t, "heads", f.heads("a", routine, 0, 0, 9), []queue.Item{{Seq: 1}, {Seq: 3}})
	want(t, "heads of another precedence", seqs(f.heads("a", message.Emergency, 0, 0, 9)), []uint64{5})
	want(t, "heads of another link", seqs(f.heads("b", routine, 0, 0, 9)), []uint64{6})
	want(t, "heads after", seqs(f.heads("a", routine, 0, 1, 9)), []uint64{3})
	want(t, "behind the head", behind(1, 9), []uint64{2, 4})
	want(t, "one behind the head", behind(1, 1), []uint64{2})

	f.change(2, finish) // from the middle
	want(t, "heads", seqs(f.heads("a", routine, 0, 0, 9)), []uint64{1, 3})
	f.change(1, finish)
	want(t, "heads once the first has gone", seqs(f.heads("a", routine, 0, 0, 9)), []uint64{3, 4})
	f.change(1, func(r *queue.Record) { with(r, queue.Ready, 0, false) })
	want(t, "heads once the first is back", seqs(f.heads("a", routine, 0, 0, 9)), []uint64{1, 3})
	f.change(1, func(r *queue.Record) { r.Deliveries[0].Link = "b" })
	want(t, "heads once the first has moved", seqs(f.heads("a", routine, 0, 0, 9)), []uint64{3, 4})
	want(t, "heads where it went", seqs(f.heads("b", routine, 0, 0, 9)), []uint64{1})
	f.change(4, func(r *queue.Record) { with(r, queue.Parked, 0, false) })
	want(t, "behind when all but a parked one have gone", behind(0, 9), nil)
}

func headWaits(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"), text("a", "N0QRA", "N0QRB"), text("a", "N0QRA", "N0QRC"))
	f.change(1, func(r *queue.Record) { with(r, queue.Later, 500, false) })
	want(t, "heads before its time", seqs(f.heads("a", routine, 499, 0, 9)), []uint64{3})
	want(t, "heads at its time", f.heads("a", routine, 500, 0, 9), []queue.Item{{Seq: 1, Due: 500}, {Seq: 3}})
	want(t, "heads after it", seqs(f.heads("a", routine, 500, 1, 9)), []uint64{3})
	want(t, "due before its time", f.due("a", 499, 9), nil)
	want(t, "due at its time", f.due("a", 500, 9), []queue.Item{{Seq: 1, Due: 500}})
	if due, ok, err := f.NextDue(f.ctx, "a"); due != 500 || !ok || err != nil {
		t.Errorf("NextDue: %d %v %v", due, ok, err)
	}
	// The second of a lane waits for the first, whatever its own time.
	f.change(2, func(r *queue.Record) { with(r, queue.Later, 100, false) })
	want(t, "due with an earlier one behind", seqs(f.due("a", 1000, 9)), []uint64{1})
	f.change(1, finish)
	want(t, "due once it is the head", f.due("a", 1000, 9), []queue.Item{{Seq: 2, Due: 100}})
	f.change(2, func(r *queue.Record) { with(r, queue.Ready, 0, false) })
	want(t, "due once it is ready", f.due("a", 1000, 9), nil)
	if _, ok, _ := f.NextDue(f.ctx, "a"); ok {
		t.Error("NextDue names something that is not there")
	}
}

func begunLeaves(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(text("a", "N0QRA", "N0QRB"), text("a", "N0QRA", "N0QRB"))
	f.change(1, func(r *queue.Record) { with(r, queue.Later, 90, true) })
	want(t, "heads while the first waits for its ack", seqs(f.heads("a", routine, 1000, 0, 9)), []uint64{2})
	want(t, "due", f.due("a", 1000, 9), []queue.Item{{Seq: 1, Due: 90}})
}

func hostileLanes(t *testing.T, open Opener) {
	f := start(t, open)
	long := strings.Repeat("x", 70000)
	ends := [][2]string{
		{"", ""}, {"A", "BC"}, {"AB", "C"}, {"A\x00", "C"}, {"A", "\x00C"}, {"\xff\xff", "\xff"}, {"\xff", "\xff\xff"},
		{long, "C"}, {long + "y", "C"}, {"C", long}, {"A\x00B", ""}, {"A", "\x00B"},
		{strings.Repeat("z", 254), "C"}, {strings.Repeat("z", 255), "C"}, {strings.Repeat("z", 256), "C"},
	}
	var all []uint64
	for i, e := range ends {
		all = append(all, f.add(text("a", e[0], e[1]), text("a", e[0], e[1]))[0])
		lane := queue.Lane{Link: "a", Precedence: routine, From: e[0], To: e[1]}
		got, err := f.Behind(f.ctx, lane, 0, 9)
		if err != nil {
			t.Fatal(err)
		}
		want(t, fmt.Sprintf("lane %d", i), seqs(got), []uint64{uint64(2*i + 1), uint64(2*i + 2)})
	}
	want(t, "heads", seqs(f.heads("a", routine, 0, 0, 99)), all)
	for i, e := range ends {
		f.change(all[i], func(r *queue.Record) { with(r, queue.Held, 0, false) })
		got, err := f.Held(f.ctx, e[1], 99)
		if err != nil || len(got) == 0 {
			t.Fatalf("Held(%.10q): %v, %v", e[1], got, err)
		}
	}
	calls, err := f.Sought(f.ctx, 99)
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, c := range calls {
		found[c] = true
	}
	for _, e := range ends {
		if !found[e[1]] {
			t.Errorf("Sought does not name %.10q (%d bytes)", e[1], len(e[1]))
		}
	}
}

func manyLanes(t *testing.T, open Opener) {
	f := start(t, open)
	var all []*queue.Record
	for i := range 1000 {
		all = append(all, text("a", call(i), "N0QRZ"), text("a", call(i), "N0QRZ"))
	}
	f.add(all...)
	var got []uint64
	for after := uint64(0); ; {
		page := f.heads("a", routine, 0, after, 77)
		if len(page) == 0 {
			break
		}
		got = append(got, seqs(page)...)
		after = got[len(got)-1]
	}
	var wanted []uint64
	for i := range uint64(1000) {
		wanted = append(wanted, 2*i+1)
	}
	want(t, "heads of 1,000 lanes in pages", got, wanted)
}

func wholeRecords(t *testing.T, open Opener) {
	f := start(t, open)
	three := func() *queue.Record {
		r := text("a", "N0QRA", "x@county.example")
		for _, to := range []string{"y@county.example", "z@county.example"} {
			r.Deliveries = append(r.Deliveries, queue.Delivery{Link: "a", To: to, State: queue.Ready})
		}
		return r
	}
	other := three()
	other.Message.From = "N0QRB"
	f.add(three(), other)
	for n, wanted := range map[int][]uint64{2: {1, 1}, 3: {1, 1, 1}, 5: {1, 1, 1}, 6: {1, 1, 1, 2, 2, 2}} {
		want(t, fmt.Sprintf("%d heads", n), seqs(f.heads("a", routine, 0, 0, n)), wanted)
	}
}

func dueOrder(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(
		with(text("a", "N0QRA", "N0QRB"), queue.Later, 300, true),
		with(text("a", "N0QRA", "N0QRC"), queue.Local, 100, false),
		with(text("a", "N0QRA", "N0QRD"), queue.Passed, 200, false),
		with(text("b", "N0QRA", "N0QRE"), queue.Later, 50, true),
		with(text("a", "N0QRA", "N0QRF"), queue.Later, 1<<40, true),
		with(text("", "N0QRA", "N0QRG"), queue.Local, 70, false),
		with(text("a", "N0QRA", "N0QRH"), queue.Parked, 1, false),
		with(text("a", "N0QRA", "N0QRH"), queue.Delivered, 1, false),
	)
	want(t, "due", f.due("a", 300, 9), []queue.Item{{Seq: 2, Due: 100}, {Seq: 3, Due: 200}, {Seq: 1, Due: 300}})
	want(t, "the first two", seqs(f.due("a", 300, 2)), []uint64{2, 3})
	want(t, "due without a link", seqs(f.due("", 300, 9)), []uint64{6})
	for link, wanted := range map[string]clock.Age{"a": 100, "b": 50, "": 70} {
		if due, ok, err := f.NextDue(f.ctx, link); due != wanted || !ok || err != nil {
			t.Errorf("NextDue(%q): %d %v %v, want %d", link, due, ok, err, wanted)
		}
	}
	if _, ok, err := f.NextDue(f.ctx, "c"); ok || err != nil {
		t.Errorf("NextDue of an unknown link: %v %v", ok, err)
	}
}

func heldByCall(t *testing.T, open Opener) {
	f := start(t, open)
	f.add(
		with(text("", "N0QRA", "N0QRB-7"), queue.Held, 0, false),
		with(text("a", "N0QRC", "N0QRB"), queue.Held, 0, false),
		with(text("", "N0QRA", "x@county.example"), queue.Held, 0, false),
		with(text("", "N0QRA", "N0QRD-1"), queue.Held, 0, false),
	)
	held := func(call string, n int) []uint64 {
		items, err := f.Held(f.ctx, call, n)
		if err != nil {
			t.Fatal(err)
		}
		return seqs(items)
	}
	want(t, "held for N0QRB", held("N0QRB", 9), []uint64{1, 2})
	want(t, "one of them", held("N0QRB", 1), []uint64{1})
	want(t, "held for a mail address", held("x@county.example", 9), []uint64{3})
	want(t, "held for nobody", held("N0QR", 9), nil)
	sought, err := f.Sought(f.ctx, 9)
	if err != nil {
		t.Fatal(err)
	}
	if len(sought) != 3 {
		t.Errorf("Sought: %q", sought)
	}
	if two, _ := f.Sought(f.ctx, 2); len(two) != 2 {
		t.Errorf("Sought(2): %q", two)
	}
	f.change(4, func(r *queue.Record) { with(r, queue.Ready, 0, false) })
	want(t, "held once it is heard", held("N0QRD", 9), nil)
}

func frameFinds(t *testing.T, open Opener) {
	f := start(t, open)
	r := text("a", "N0QRA", "N0QRB")
	r.Deliveries = append(r.Deliveries, queue.Delivery{Link: "b", To: "N0QRB", State: queue.Later, Begun: true, Due: 9,
		Parts: []queue.Part{{ID: "aaaaa"}, {}, {ID: "bbbbb"}}})
	f.add(r)
	it, part, err := f.Frame(f.ctx, "b", "N0QRB", "bbbbb")
	if it != (queue.Item{Seq: 1, Delivery: 1}) || part != 2 || err != nil {
		t.Errorf("Frame: %+v part %d, %v", it, part, err)
	}
	for _, miss := range [][3]string{{"a", "N0QRB", "bbbbb"}, {"b", "N0QRC", "bbbbb"}, {"b", "N0QRB", "bbbb"}, {"b", "N0QRB", ""}} {
		_, _, err := f.Frame(f.ctx, miss[0], miss[1], miss[2])
		wantErr(t, fmt.Sprint("Frame ", miss), err, queue.ErrNotFound)
	}
	f.change(1, finish)
	if _, _, err := f.Frame(f.ctx, "b", "N0QRB", "aaaaa"); err != nil {
		t.Errorf("the frame of a finished record: %v", err)
	}
	if n, err := f.Purge(f.ctx, 1<<40, 0, 9); n != 1 || err != nil {
		t.Fatalf("Purge: %d %v", n, err)
	}
	_, _, err = f.Frame(f.ctx, "b", "N0QRB", "aaaaa")
	wantErr(t, "the frame of a purged record", err, queue.ErrNotFound)
}

func expiring(t *testing.T, open Opener) {
	f := start(t, open)
	for i, at := range []clock.Age{300, 100, 200, 100} {
		r := text("a", "N0QRA", call(i))
		r.Expires = at
		f.add(r)
	}
	list := func(until clock.Age, n int) []uint64 {
		got, err := f.Expiring(f.ctx, until, n)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	want(t, "expiring by 99", list(99, 9), nil)
	want(t, "expiring by 200", list(200, 9), []uint64{2, 4, 3})
	want(t, "the first of them", list(200, 1), []uint64{2})
	f.change(2, finish)
	f.change(3, func(r *queue.Record) { r.Expires = 50 })
	want(t, "expiring after changes", list(200, 9), []uint64{3, 4})
}
