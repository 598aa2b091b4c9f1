package bridge_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/airtime"
	"posthouse/bridge/desk"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

// slow are the settings of a mesh whose channel is slower than Morse.
var slow = []string{"POSTHOUSE_HILL_SF=12", "POSTHOUSE_HILL_BW=125", "POSTHOUSE_HILL_CR=4/5", "POSTHOUSE_HILL_OVERHEAD_BYTES=16", "POSTHOUSE_RATE=10000/1m"}

// fast are those of one that hardly makes anybody wait.
var fast = []string{"POSTHOUSE_HILL_SF=7", "POSTHOUSE_HILL_BW=500", "POSTHOUSE_HILL_CR=4/5", "POSTHOUSE_RATE=10000/1m"}

// channel is what a frame costs on the hill's slow channel, repeats included.
func channel(f link.Frame) time.Duration {
	p := airtime.Params{SF: 12, BW: 125, CR: 5, Preamble: 8}
	size := len(f.Text)
	if f.Message.Kind == message.Receipt {
		size = 20
	}
	return 3 * p.TimeOnAir(size+16)
}

// heardFrame is a frame and when it went out.
type heardFrame struct {
	link.Frame
	at time.Time
}

// collects reads all that a link sends for a time.
func (w *world) collects(name string, during time.Duration) []heardFrame {
	var all []heardFrame
	end := time.After(during)
	for {
		select {
		case f := <-w.links[name].Sent():
			all = append(all, heardFrame{f, time.Now()})
		case <-end:
			return all
		}
	}
}

func long(n int) string { return strings.Repeat("water is rising ", n/16+1)[:n] }

func TestPartsOnAPacedChannelGoOutOnceEach(t *testing.T) {
	for _, to := range []string{"N0QRB-9", "ALL"} {
		t.Run(to, func(t *testing.T) {
			inWorld(t, fast, func(t *testing.T, w *world) {
				w.beacon("hill", "N0QRB-9")
				w.says("valley", "N0QRA-7", to, "1", long(300))
				var parts []int
				for _, f := range w.collects("hill", time.Minute) {
					parts = append(parts, f.Part)
				}
				if fmt.Sprint(parts) != "[1 2 3]" {
					t.Errorf("parts %v", parts)
				}
			})
		})
	}
}

func TestEmergencyGoesBetweenPartsOnASlowChannel(t *testing.T) {
	inWorld(t, slow, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", long(300))
		w.says("valley", "N0QRA-7", "N0QRB-9", "2", "behind it")
		first := w.gets("hill", soon)
		w.says("valley", "N0QRC-7", "ALL", "3", "EMERGENCY house on fire")
		var got []string
		for _, f := range append([]heardFrame{{Frame: first}}, w.collects("hill", 50*time.Minute)...) {
			got = append(got, fmt.Sprintf("%s %d", f.Message.OriginID, f.Part))
			if f.Part == f.Parts && f.ID != "" {
				w.ack("hill", f.Frame)
			}
		}
		if len(got) < 5 || !slices.Equal(got[:5], []string{"1 1", "3 1", "1 2", "1 3", "2 1"}) {
			t.Errorf("went out: %q", got)
		}
	})
}

// The budget is ten percent of an hour, a fifth of it kept for emergencies
// (defaults of the settings); any sliding hour counts, also over restarts.
func TestNoSlidingHourHoldsMoreThanTheBudget(t *testing.T) {
	inWorld(t, slow, func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9", "N0QRD-9")
		var all []heardFrame
		for i := range 12 {
			for n := range 8 {
				w.says("valley", fmt.Sprintf("N0QR%c-7", 'E'+n), "ALL", fmt.Sprint(i, n), long(90))
				w.says("valley", fmt.Sprintf("N0QR%c-7", 'E'+n), "N0QRB-9", fmt.Sprint(i, n), long(60))
			}
			all = append(all, w.collects("hill", 17*time.Minute)...)
			w.restart()
		}
		most, mostOf := time.Duration(0), time.Duration(0)
		for i := range all {
			sum, of := time.Duration(0), map[string]time.Duration{}
			for _, f := range all[i:] {
				if f.at.Sub(all[i].at) >= time.Hour {
					break
				}
				sum += channel(f.Frame)
				of[f.Message.From] += channel(f.Frame)
				mostOf = max(mostOf, of[f.Message.From])
			}
			most = max(most, sum)
		}
		if budget := 6 * time.Minute * 8 / 10; most > budget || most < budget/2 {
			t.Errorf("%v of %v in one hour", most, budget)
		}
		if quarter := 6 * time.Minute / 4; mostOf > quarter {
			t.Errorf("one sender had %v, a quarter is %v", mostOf, quarter)
		}
		if len(all) < 10 {
			t.Errorf("only %d frames went out", len(all))
		}
	})
}

func TestNoticesHaveATwentiethOfTheAir(t *testing.T) {
	inWorld(t, slow, func(t *testing.T, w *world) {
		for i := range 60 { // each of them refused, with a notice
			w.says("hill", fmt.Sprintf("N0QRA-%d", i%15+1), "POST", fmt.Sprint(i), "hello who is there")
		}
		sum := time.Duration(0)
		for _, f := range w.collects("hill", time.Hour-time.Minute) {
			if f.Message.Kind != message.Notice {
				t.Fatal(show(f.Frame))
			}
			sum += channel(f.Frame)
		}
		if sum > 6*time.Minute/20 || sum == 0 {
			t.Errorf("notices had %v of %v", sum, 6*time.Minute/20)
		}
	})
}

func TestEmergencyUsesTheReserve(t *testing.T) {
	inWorld(t, slow, func(t *testing.T, w *world) {
		for i := range 40 {
			w.says("valley", fmt.Sprintf("N0QR%c-7", 'E'+i%10), "ALL", fmt.Sprint(i), long(120))
		}
		w.collects("hill", 30*time.Minute)
		w.says("valley", "N0QRA-7", "ALL", "e", "EMERGENCY house on fire")
		if f := w.gets("hill", soon); f.Text != "EMERGENCY house on fire" {
			t.Error(f.Text)
		}
	})
}

// There and back, three repeats each: 3 * (140+16 bytes and an ack) at SF12.
func TestAnAckIsAwaitedForThreeRoundTrips(t *testing.T) {
	inWorld(t, append([]string{"POSTHOUSE_HILL_AIRTIME=100", "POSTHOUSE_HILL_ACK_WAIT=1s"}, slow...), func(t *testing.T, w *world) {
		w.beacon("hill", "N0QRB-9")
		w.says("valley", "N0QRA-7", "N0QRB-9", "1", "hello")
		w.gets("hill", soon)
		start := time.Now()
		f := w.gets("hill", time.Hour)
		full := f
		full.Text = long(140)
		if least := 3 * (channel(full) + channel(link.Frame{Text: "N0QRB-9 acknowledged"})); time.Since(start) < least-time.Millisecond {
			t.Errorf("sent again after %v, three round trips take %v", time.Since(start), least)
		}
	})
}

// What waits shows as a time: for each message in the list, for the whole queue
// as a metric, which falls to nothing with it.
func TestExpectedWaitIsShown(t *testing.T) {
	inWorld(t, slow, func(t *testing.T, w *world) {
		wait := func() time.Duration {
			return time.Duration(w.metric("posthouse_airtime_wait_seconds", "link", "hill") * float64(time.Second))
		}
		time.Sleep(2 * time.Second)
		if got := wait(); got != 0 {
			t.Errorf("an empty queue takes %v", got)
		}
		for i := range 60 { // some 600 s on the channel, of 288 an hour
			w.says("valley", fmt.Sprintf("N0QR%c-7", 'E'+i%10), "ALL", fmt.Sprint(i), long(60))
		}
		w.collects("hill", 5*time.Minute)
		var last time.Duration
		err := w.bridge.Queue(t.Context(), 0, func(r desk.Row) error {
			if r.Expected == nil {
				t.Errorf("%s has no expected wait", r.ID)
				return nil
			}
			last = max(last, time.Duration(*r.Expected*float64(time.Second)))
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if got := wait(); last < time.Hour/2 || got < last/2 || got > last*3/2 {
			t.Errorf("the whole queue takes %v, its last message %v", got, last)
		}
		w.collects("hill", 6*time.Hour)
		if got := wait(); got != 0 {
			t.Errorf("%v when all has gone", got)
		}
	})
}

// A proper stop knows what was sent: a restart costs no air. (After a crash the
// open block counts as used: bridge/airtime.)
func TestARestartCostsNoAir(t *testing.T) {
	inWorld(t, slow, func(t *testing.T, w *world) {
		w.says("valley", "N0QRA-7", "ALL", "1", "hello")
		w.gets("hill", soon)
		time.Sleep(2 * time.Second)
		before := w.metric("posthouse_airtime_used_ratio", "link", "hill")
		for range 5 {
			w.restart()
			time.Sleep(2 * time.Second)
		}
		if after := w.metric("posthouse_airtime_used_ratio", "link", "hill"); after != before || after == 0 {
			t.Errorf("used %v of the hour, %v after five restarts", before, after)
		}
	})
}
