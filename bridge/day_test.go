package bridge_test

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"posthouse/bridge/desk"
)

// sum is the whole day in one slot.
func (w *world) sum() (all desk.Slot) {
	for _, s := range w.bridge.Day() {
		all.Add(s)
	}
	return all
}

// counted adds up a metric, of these results only if there are any.
func (w *world) counted(name string, results ...string) (n float64) {
	w.t.Helper()
	families, err := w.reg.Gather()
	if err != nil {
		w.t.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() != name {
			continue
		}
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				if l.GetName() == "result" && !slices.Contains(results, l.GetValue()) {
					m.Counter = nil
				}
			}
			n += m.GetCounter().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	return n
}

// What the plots of the last day show is what the metrics count, in slots that
// end now, and a restart changes nothing of it.
func TestDayCountsWhatTheMetricsCount(t *testing.T) {
	inWorld(t, nil, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.traffic(rand.New(rand.NewPCG(3, 4)), 40) // 13 hours
		synctest.Wait()
		day := w.bridge.Day()
		if len(day) != desk.DaySlots {
			t.Fatalf("%d slots, want %d", len(day), desk.DaySlots)
		}
		for i, s := range day[1:] {
			if s.At.Sub(day[i].At) != desk.SlotTime {
				t.Fatalf("slot %d begins at %v, the one before at %v", i+1, s.At, day[i].At)
			}
		}
		if ago := time.Since(day[len(day)-1].At); ago < 0 || ago >= desk.SlotTime {
			t.Errorf("the last slot began %v ago", ago)
		}
		sum := w.sum()
		total := sum.Total()
		for _, c := range []struct {
			what string
			got  int
			want float64
		}{
			{"taken over", total.In, w.counted("posthouse_messages_accepted_total")},
			{"refused", total.Refused, w.counted("posthouse_messages_refused_total")},
			{"out", total.Out, w.counted("posthouse_deliveries_total", "delivered", "sent", "passed")},
			{"lost", total.Lost, w.counted("posthouse_deliveries_total", "expired", "failed", "dropped")},
			{"delays", sum.Delays.N(), w.counted("posthouse_delivery_seconds")},
		} {
			if float64(c.got) != c.want || c.got == 0 && c.what != "refused" && c.what != "lost" {
				t.Errorf("%s: %d, the metrics say %v", c.what, c.got, c.want)
			}
		}
		w.restart()
		if again := w.sum(); !reflect.DeepEqual(again, sum) {
			t.Errorf("after a restart %+v, before %+v", again.Total(), total)
		}
		time.Sleep(25 * time.Hour)
		if late := w.sum(); late.Total().In != 0 {
			t.Errorf("a day later it is still there: %+v", late.Total())
		}
	})
}
