package bridge_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// log reads the station log of a span.
func (w *world) logOf(span desk.Span) (lines []desk.Line) {
	w.t.Helper()
	err := w.bridge.Log(w.t.Context(), span, true, func(l desk.Line) error {
		lines = append(lines, l)
		return nil
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return lines
}

// records reads everything that is in the store.
func (w *world) records() (all []*queue.Record) {
	w.t.Helper()
	for after := uint64(0); ; {
		list, err := w.store.List(w.t.Context(), false, after, 100)
		if err != nil {
			w.t.Fatal(err)
		}
		if len(list) == 0 {
			return all
		}
		all, after = append(all, list...), list[len(list)-1].Seq
	}
}

// traffic is some days of random texts, acks and silence.
func (w *world) traffic(rnd *rand.Rand, texts int) {
	for i := range texts {
		time.Sleep(time.Duration(rnd.IntN(40)) * time.Minute)
		to := []string{"N0QRB-9", "N0QRX-1", "ann@club.example", "ALL"}[rnd.IntN(4)]
		w.says("valley", "N0QRA-7", to, fmt.Sprint(i), fmt.Sprintf("text %d", i))
		if rnd.IntN(5) == 0 {
			w.beacon("hill", "N0QRB-9")
		}
		synctest.Wait()
		for _, l := range w.links {
			for more := true; more; {
				select {
				case f := <-l.Sent():
					if rnd.IntN(3) > 0 && f.ID != "" && f.Message.Kind == message.Text && !message.IsMail(f.Message.To) {
						if _, err := l.Ack(w.t.Context(), f); err != nil {
							w.t.Fatal(err)
						}
					}
				default:
					more = false
				}
			}
		}
	}
}

// The log has a line for every record, with its own fate, and each span has
// exactly those that were accepted in it.
func TestLogLinesAreTheStoresContents(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		rnd := rand.New(rand.NewPCG(1, 2))
		w.traffic(rnd, 120)
		w.unsure.Store(true)
		w.restart() // nobody knows the time for ten minutes
		w.traffic(rnd, 2)
		w.unsure.Store(false)
		w.restart()
		w.traffic(rnd, 30)
		lines := w.logOf(desk.Span{}) // first: it files what the store had not yet
		records := w.records()
		if len(lines) != len(records) {
			t.Fatalf("%d lines for %d records", len(lines), len(records))
		}
		for i, r := range records {
			w.sameFate(&lines[i], r)
		}
		begin, end := lines[0].Accepted.At, time.Now()
		for range 200 {
			span := desk.Span{Since: begin.Add(time.Duration(rnd.Int64N(int64(end.Sub(begin)))))}
			span.Until = span.Since.Add(time.Duration(rnd.Int64N(int64(end.Sub(span.Since)))))
			before, in, after := w.logOf(desk.Span{Until: span.Since}), w.logOf(span), w.logOf(desk.Span{Since: span.Until})
			if all := append(append(before, in...), after...); !reflect.DeepEqual(ids(all), ids(lines)) {
				t.Fatalf("%v: before, in and after it are %d, %d and %d lines of %d", span, len(before), len(in), len(after), len(lines))
			}
		}
	})
}

// That a text was sent is a mark which waits up to five seconds for a commit. Whoever
// asks at once is told all the same.
func TestLogKnowsWhatWasSentJustNow(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		v := w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.gets("hill", soon)
		synctest.Wait()
		if lines := w.logOf(desk.Span{}); len(lines) != 1 || lines[0].Result != "sent" {
			t.Errorf("the log says %+v", lines)
		}
		w.says("valley", "N0QRA-7", "ALL", "2", "hello again")
		w.gets("hill", soon)
		synctest.Wait()
		if st, err := w.bridge.Story(t.Context(), v.ID); err != nil || st.Result != "sent" {
			t.Errorf("its story says %q, %v", st.Result, err)
		}
		w.broken.Store(true)
		if lines := w.logOf(desk.Span{}); len(lines) != 2 {
			t.Errorf("on a disk that cannot be written: %+v", lines)
		}
	})
}

func ids(lines []desk.Line) (out []string) {
	for _, l := range lines {
		out = append(out, l.ID)
	}
	return out
}

// sameFate compares a line with its record.
func (w *world) sameFate(l *desk.Line, r *queue.Record) {
	w.t.Helper()
	result := string(r.Outcome)
	if r.Open() {
		result = "open"
	}
	m := &r.Message
	want := []any{fmt.Sprintf("%s.%d", gateway, r.Seq), m.From, m.To, m.Kind, m.Precedence, m.Text, result, len(r.Deliveries), len(r.History)}
	got := []any{l.ID, l.From, l.To, l.Kind, l.Precedence, l.Text, l.Result, len(l.Ways), len(l.Steps)}
	if !reflect.DeepEqual(got, want) {
		w.t.Errorf("the log has %v\nthe store %v", got, want)
	}
	for i, d := range r.Deliveries {
		if l.Ways[i].State != string(d.State) || l.Ways[i].Link != d.Link || l.Ways[i].Tries != d.Attempts {
			w.t.Errorf("%s: way %+v, delivery %+v", l.ID, l.Ways[i], d)
		}
	}
	if (l.Seconds == nil) != r.Open() {
		w.t.Errorf("%s: open %v and %v seconds", l.ID, r.Open(), l.Seconds)
	}
}

func TestStoryTellsTheWholeWay(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		v := w.says("valley", "N0QRA-7", "N0QRB-9", "4f2a", "hello")
		f := w.gets("hill", soon)
		w.gets("hill", 100*time.Second)
		time.Sleep(3 * time.Second)
		w.ack("hill", f)
		w.gets("valley", soon)
		st, err := w.bridge.Story(t.Context(), v.ID)
		if err != nil {
			t.Fatal(err)
		}
		var steps []string
		for _, s := range st.Steps {
			steps = append(steps, fmt.Sprintf("%s %s %s %s", s.At, s.What, s.Link, s.Note))
		}
		want := []string{
			"2000-01-01 00:00:00Z accepted valley hill",
			"2000-01-01 00:00:00Z sent hill try 1, waiting 1m30s for an acknowledgement",
			"2000-01-01 00:01:30Z sent hill try 2, waiting 3m0s for an acknowledgement",
			"2000-01-01 00:01:33Z acked hill N0QRB-9",
			"2000-01-01 00:01:33Z delivered hill N0QRB-9",
		}
		if !reflect.DeepEqual(steps, want) {
			t.Errorf("got  %q\nwant %q", steps, want)
		}
		if st.Result != "delivered" || *st.Seconds != 93 || !st.Receipted || st.OriginID != "4f2a" {
			t.Errorf("story %+v", st)
		}
	})
}

func (w *world) queueRows(most int) (rows []desk.Row) {
	w.t.Helper()
	err := w.bridge.Queue(w.t.Context(), most, func(r desk.Row) error {
		rows = append(rows, r)
		return nil
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return rows
}

func TestQueueListsTheMostUrgentFirstAndWhenItGoes(t *testing.T) {
	inWorld(t, append([]string{"POSTHOUSE_HILL_AIRTIME=1"}, slow...), func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.links["hill"].Down("no power")
		for i := range 12 {
			w.says("valley", fmt.Sprintf("N0QRA-%d", i+1), "N0QRB-9", "1", "a routine text that takes its time on the air")
		}
		w.says("valley", "N0QRC-7", "N0QRB-9", "1", "EMERGENCY need help")
		w.says("valley", "N0QRC-7", "N0QRX-1", "2", "hello")
		rows := w.queueRows(0)
		if len(rows) != 14 || rows[0].Precedence != message.Emergency {
			t.Fatalf("%d rows, the first %+v", len(rows), rows[0].Head)
		}
		last := 0.0
		for _, r := range rows[:13] {
			switch {
			case r.Expected == nil:
				t.Fatalf("%s: nothing is expected", r.ID)
			case *r.Expected < last:
				t.Errorf("%s is expected before what is in front of it", r.ID)
			}
			last = *r.Expected
		}
		if last < 3*3600 || last > 5*3600 { // 2.7 s, three times over, of 36 s an hour less a fifth: 3 an hour
			t.Errorf("the whole queue is expected to go in %v s", last)
		}
		if r := rows[13]; r.Expected != nil || r.Why != "until N0QRX-1 is heard" || r.State != "held" {
			t.Errorf("what nobody can be expected to take: %+v", r)
		}
		if n := w.bridge.Waiting(); n != 14 {
			t.Errorf("%d wait", n)
		}
		if some := w.queueRows(3); !reflect.DeepEqual(some, rows[:3]) {
			t.Errorf("the first three are %+v", some)
		}
	})
}

func TestStationsTheLatestFirst(t *testing.T) {
	inWorld(t, []string{"POSTHOUSE_HEARD_FOR=1h"}, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		time.Sleep(2 * time.Hour)
		w.where("valley", "N0QRA-7", 46.5, -122.9)
		list := w.bridge.Stations()
		if len(list) != 2 || list[0].Call != "N0QRA-7" || !list[0].Fresh || *list[0].Lat != 46.5 || list[1].Fresh || list[1].Ago != 7200 {
			t.Errorf("stations %+v", list)
		}
	})
}
