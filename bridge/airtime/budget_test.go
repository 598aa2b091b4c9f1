package airtime

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/message"
)

// The numbers of these tests follow from the rules in the package comment: 10 %
// of an hour are 360 s, 20 % of them in reserve leave 288 s, a quarter is 90 s,
// 5 % are 18 s, and a frame counts three times.

// DefaultLimits are those of a link for which nothing is set.
var DefaultLimits = Limits{Airtime: 10, Reserve: 20, Repeats: 3}

func newBudget(t testing.TB, l Limits) *Budget {
	t.Helper()
	b, err := New(l)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func spend(t testing.TB, b *Budget, now clock.Age, r Request) {
	t.Helper()
	if err := b.Spend(now, r, func([]byte) error { return nil }); err != nil {
		t.Fatal(err)
	}
}

func routine(sender string, cost time.Duration) Request {
	return Request{Cost: cost, Precedence: message.Routine, Sender: sender}
}

// spent is a frame that costs so much on the channel with three transmissions.
func spent(sender string, channel time.Duration) Request { return routine(sender, channel/3) }

func TestWait(t *testing.T) {
	emergencyFrame := func(sender string, channel time.Duration) Request {
		r := spent(sender, channel)
		r.Precedence = message.Emergency
		return r
	}
	noticeFrame := func(channel time.Duration) Request {
		r := spent("N0QRA-10", channel)
		r.Notice = true
		return r
	}
	ordinary := []Request{spent("A", 72*time.Second), spent("B", 72*time.Second), spent("C", 72*time.Second), spent("D", 72*time.Second)}
	for _, tt := range []struct {
		name   string
		limits Limits
		before []Request
		r      Request
		want   Reason
	}{
		{"an empty hour lets all go", DefaultLimits, nil, spent("A", 30*time.Second), Go},
		{"288 s are there for all but emergencies", DefaultLimits, ordinary[:3], spent("D", 72*time.Second), Go},
		{"what is above them is kept in reserve", DefaultLimits, ordinary, spent("E", 3*time.Millisecond), ReserveKept},
		{"an emergency may have it", DefaultLimits, ordinary, emergencyFrame("E", 72*time.Second), Go},
		{"and more", DefaultLimits, ordinary, emergencyFrame("E", 400*time.Second), Go},
		{"an emergency does not use up what is for others", DefaultLimits, []Request{emergencyFrame("A", 72*time.Second)}, spent("B", 90*time.Second), Go},
		{"but all together is never over budget", DefaultLimits, append([]Request{emergencyFrame("A", 73*time.Second)}, ordinary[:3]...), spent("E", 72*time.Second), BudgetUsed},
		{"nobody is above the transmitter's limit", Limits{Airtime: 10, Duty: 1, Repeats: 3}, []Request{emergencyFrame("A", 108*time.Second)}, emergencyFrame("A", 3*time.Millisecond), DutyUsed},
		{"the transmitter's limit counts own transmissions only", Limits{Airtime: 10, Duty: 1, Repeats: 3}, []Request{emergencyFrame("A", 105*time.Second)}, emergencyFrame("A", 3*time.Second), Go},
		{"a sender may have a quarter", DefaultLimits, []Request{spent("A", 60*time.Second)}, spent("A", 30*time.Second), Go},
		{"and no more", DefaultLimits, []Request{spent("A", 60*time.Second)}, spent("A", 30*time.Second+3*time.Millisecond), SenderShare},
		{"other senders do not mind", DefaultLimits, []Request{spent("A", 90*time.Second)}, spent("B", 30*time.Second), Go},
		{"a frame larger than a quarter goes alone", DefaultLimits, nil, spent("A", 200*time.Second), Go},
		{"an emergency is in no share", DefaultLimits, []Request{spent("A", 90*time.Second)}, emergencyFrame("A", 3*time.Second), Go},
		{"notices may have 5 %", DefaultLimits, []Request{noticeFrame(9 * time.Second)}, noticeFrame(9 * time.Second), Go},
		{"and no more", DefaultLimits, []Request{noticeFrame(9 * time.Second)}, noticeFrame(10 * time.Second), NoticeShare},
		{"a frame above budget less reserve never goes", DefaultLimits, nil, spent("A", 289*time.Second), NeverPossible},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBudget(t, tt.limits)
			for _, r := range tt.before {
				spend(t, b, 0, r)
			}
			wait, why := b.Wait(0, tt.r)
			if why != tt.want {
				t.Fatalf("waits %v for %q, want %q", wait, why, tt.want)
			}
			switch {
			case why == Go && wait != 0, why == NeverPossible && wait != Never:
				t.Errorf("waits %v for %q", wait, why)
			case why != Go && why != NeverPossible && (wait < time.Hour || wait > time.Hour+10*time.Minute):
				t.Errorf("waits %v for what was spent now", wait)
			}
		})
	}
}

func TestTooLong(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	if b.TooLong(96 * time.Second) {
		t.Error("288 s on the channel can go")
	}
	if !b.TooLong(96*time.Second + 1) {
		t.Error("more than 288 s on the channel can't go")
	}
	if b = newBudget(t, Limits{Airtime: 10, Repeats: 1, Duty: 1}); b.TooLong(36*time.Second) || !b.TooLong(37*time.Second) {
		t.Error("36 s is what the transmitter may at most")
	}
	if wrong := (Params{SF: 99}); !b.TooLong(wrong.TimeOnAir(1)) {
		t.Error("a frame of wrong settings must never go")
	}
}

func TestUsed(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	spend(t, b, 0, spent("A", 90*time.Second))
	if got := b.Used(0); got != 0.25 {
		t.Errorf("used %v, want 0.25", got)
	}
	if got := b.Used(clock.Age(0).Add(time.Hour)); got != 0.25 {
		t.Errorf("used %v after an hour, want 0.25", got)
	}
	if got := b.Used(clock.Age(0).Add(time.Hour + 3*time.Minute)); got != 0 {
		t.Errorf("used %v after that, want 0", got)
	}
	b.Exhaust(0)
	if wait, why := b.Wait(0, spent("A", time.Second)); why != ReserveKept && why != BudgetUsed || wait < time.Hour {
		t.Errorf("an exhausted hour: waits %v for %q", wait, why)
	}
}

// Next is what Forecast goes by.
func (b *Budget) Next(now clock.Age, queue []Request) (i int, wait time.Duration, why Reason) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ledger.expire(now)
	return b.limits.next(b.ledger, now, queue)
}

func TestNext(t *testing.T) {
	p := func(p message.Precedence, sender string, waited time.Duration) Request {
		return Request{Cost: time.Second, Precedence: p, Sender: sender, Waited: waited}
	}
	for _, tt := range []struct {
		name   string
		before []Request
		queue  []Request
		want   []int // the order in which they go
	}{
		{"by precedence", nil, []Request{p(message.Routine, "A", 0), p(message.Welfare, "B", 0), p(message.Priority, "C", 0), p(message.Emergency, "D", 0)}, []int{3, 2, 1, 0}},
		{"the longest waiting first", nil, []Request{p(message.Routine, "A", 0), p(message.Routine, "B", time.Minute)}, []int{1, 0}},
		{"senders take turns", nil, []Request{p(message.Routine, "A", 9*time.Minute), p(message.Routine, "A", 8*time.Minute), p(message.Routine, "B", 1*time.Minute)}, []int{0, 2, 1}},
		{"who had less goes first", []Request{spent("A", time.Second)}, []Request{p(message.Routine, "A", 9*time.Minute), p(message.Routine, "B", 0)}, []int{1, 0}},
		{"what has waited over two hours goes before priority", nil, []Request{p(message.Priority, "A", 0), p(message.Routine, "B", 2*time.Hour+1), p(message.Welfare, "C", 2*time.Hour+2)}, []int{2, 1, 0}},
		{"but not two hours sharp", nil, []Request{p(message.Priority, "A", 0), p(message.Routine, "B", 2*time.Hour)}, []int{0, 1}},
		{"nor before an emergency", nil, []Request{p(message.Emergency, "A", 0), p(message.Routine, "B", 3*time.Hour)}, []int{0, 1}},
		{"nor when such have had their tenth", []Request{{Cost: 12 * time.Second, Precedence: message.Routine, Sender: "C", Waited: 3 * time.Hour}},
			[]Request{p(message.Priority, "A", 0), p(message.Routine, "B", 3*time.Hour)}, []int{0, 1}},
		{"who has used up his share lets others pass", []Request{spent("A", 90*time.Second)}, []Request{p(message.Priority, "A", 0), p(message.Routine, "B", 0)}, []int{1, 0}},
		{"none given is routine", nil, []Request{p(message.Unset, "A", 0), p(message.Welfare, "B", 0)}, []int{1, 0}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBudget(t, DefaultLimits)
			for _, r := range tt.before {
				spend(t, b, 0, r)
			}
			var got []int
			left := slices.Clone(tt.queue)
			now := clock.Age(0)
			for len(got) < len(left) {
				var queue []Request
				var index []int
				for i, r := range left {
					if !slices.Contains(got, i) {
						queue, index = append(queue, r), append(index, i)
					}
				}
				i, wait, _ := b.Next(now, queue)
				if i < 0 {
					t.Fatal("none may go")
				}
				now = now.Add(wait)
				if wait > 0 {
					continue
				}
				spend(t, b, now, queue[i])
				got = append(got, index[i])
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("went in order %v, want %v", got, tt.want)
			}
		})
	}
	t.Run("nothing to send", func(t *testing.T) {
		if i, wait, _ := newBudget(t, DefaultLimits).Next(0, nil); i != -1 || wait != Never {
			t.Errorf("got %d, %v", i, wait)
		}
	})
	t.Run("a big frame is not overtaken by small ones while it waits for the budget", func(t *testing.T) {
		b := newBudget(t, DefaultLimits)
		for _, s := range []string{"A", "B", "C"} {
			spend(t, b, 0, spent(s, 80*time.Second))
		}
		big, small := p(message.Priority, "D", 0), p(message.Routine, "E", 0)
		big.Cost, small.Cost = 20*time.Second, time.Second
		if i, wait, why := b.Next(0, []Request{small, big}); i != 1 || wait < time.Hour || why != ReserveKept {
			t.Errorf("next is %d after %v for %q, want the big one", i, wait, why)
		}
	})
}

// A day with more priority traffic than the budget can carry: what has waited
// long gets its tenth all the same, and the budget is used to the full.
func TestLongWaitingGetsItsTenth(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	var all, long time.Duration
	now, end := clock.Age(0), clock.Age(0).Add(24*time.Hour)
	for n := 0; now < end; n++ {
		queue := []Request{
			{Cost: time.Second, Precedence: message.Priority, Sender: fmt.Sprint("P", n%40)},
			{Cost: time.Second, Precedence: message.Routine, Sender: fmt.Sprint("R", n%40), Waited: 3 * time.Hour},
		}
		i, wait, _ := b.Next(now, queue)
		if wait > 0 {
			now = now.Add(wait)
			continue
		}
		spend(t, b, now, queue[i])
		all += 3 * time.Second
		if i == 1 {
			long += 3 * time.Second
		}
		now = now.Add(3 * time.Second)
	}
	if full := 25 * 288 * time.Second; all < full*95/100 || all > full {
		t.Errorf("%v were sent in a day, of %v that are allowed", all, full)
	}
	if tenth := 24 * 36 * time.Second; long < tenth*95/100 || long > tenth*115/100 {
		t.Errorf("%v were for what has waited, want about %v", long, tenth)
	}
}

// A gateway that loses power every ten seconds while it sends all it may: some
// of the budget goes to waste with the blocks, but none is used twice
// (TestNoSlidingHourIsOverBudget).
func TestKillLoop(t *testing.T) {
	var disk []byte
	var sent time.Duration
	now, end := clock.Age(0), clock.Age(0).Add(10*time.Hour)
	for now < end {
		b := newBudget(t, DefaultLimits)
		if err := b.Load(disk); err != nil {
			t.Fatal(err)
		}
		for n, off := 0, now.Add(10*time.Second); now < off; n++ {
			r := routine(fmt.Sprint("S", n%40), time.Second/2)
			if wait, _ := b.Wait(now, r); wait == 0 {
				if err := b.Spend(now, r, func(b []byte) error { disk = bytes.Clone(b); return nil }); err != nil {
					t.Fatal(err)
				}
				sent += 3 * r.Cost
			}
			now = now.Add(3 * time.Second / 2)
		}
	}
	if full := 10 * 288 * time.Second; sent < full/3 {
		t.Errorf("%v were sent in 10 h, of %v that are allowed", sent, full)
	}
}

func TestBlocks(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	commits := 0
	var disk []byte
	commit := func(b []byte) error { commits++; disk = bytes.Clone(b); return nil }
	for i := range 10 { // 10 frames of 0.1 s in 10 s: one block of 360/60 s covers them
		if err := b.Spend(clock.Age(i*1000), routine("A", time.Second/10), commit); err != nil {
			t.Fatal(err)
		}
	}
	if commits != 1 {
		t.Errorf("%d commits, want 1", commits)
	}
	crashed := newBudget(t, DefaultLimits)
	if err := crashed.Load(disk); err != nil {
		t.Fatal(err)
	}
	if got := crashed.Used(0) * 360; got < 5.99 || got > 6.01 {
		t.Errorf("%.3f s count after a crash, want the whole block of 6 s", got)
	}
	stopped := newBudget(t, DefaultLimits)
	if err := stopped.Load(b.Save()); err != nil {
		t.Fatal(err)
	}
	if got := stopped.Used(0) * 360; got < 2.99 || got > 3.01 {
		t.Errorf("%.3f s count after a proper stop, want the 3 s that were used", got)
	}
	if err := b.Spend(20_000, routine("A", time.Second/10), commit); err != nil || commits != 2 {
		t.Errorf("after Save: %v, %d commits, want a new block", err, commits)
	}
	if err := b.Spend(20_000+60_000, routine("A", time.Second/10), commit); err != nil || commits != 3 {
		t.Errorf("a minute later: %v, %d commits, want a new block", err, commits)
	}
	if err := b.Spend(90_000, routine("A", 10*time.Second), commit); err != nil || commits != 4 {
		t.Errorf("a frame larger than a block: %v, %d commits, want a new block", err, commits)
	}
}

func TestSpendTakesNothingWithoutCommit(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	full := fmt.Errorf("no space left")
	for range 2 { // the second time, too: the block is not open
		if err := b.Spend(0, routine("A", time.Second), func([]byte) error { return full }); err == nil {
			t.Fatal("the frame may go although nothing was committed")
		}
	}
	if got := b.Used(0); got != 0 {
		t.Errorf("used %v, want 0", got)
	}
}

func TestLoadRefusesDamage(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	for i := range 5 {
		spend(t, b, clock.Age(i*90_000), routine("A", time.Second))
	}
	good := b.Save()
	for i := range len(good) * 8 {
		bad := bytes.Clone(good)
		bad[i/8] ^= 1 << (i % 8)
		if newBudget(t, DefaultLimits).Load(bad) == nil {
			t.Fatalf("bit %d flipped, and nobody noticed", i)
		}
	}
	for i := range good {
		if newBudget(t, DefaultLimits).Load(good[:i]) == nil {
			t.Fatalf("cut to %d bytes, and nobody noticed", i)
		}
	}
	if err := b.Load(nil); err != nil {
		t.Errorf("a new link: %v", err)
	}
}

func FuzzLoad(f *testing.F) {
	b := newBudget(f, DefaultLimits)
	spend(f, b, 0, routine("A", time.Second))
	f.Add(b.Save()[4:])
	f.Fuzz(func(t *testing.T, body []byte) {
		b := newBudget(t, DefaultLimits)
		if b.Load(withChecksum(body)) != nil {
			return
		}
		again := newBudget(t, DefaultLimits)
		if err := again.Load(b.Save()); err != nil || again.Used(0) != b.Used(0) {
			t.Fatalf("loaded, saved and loaded: %v, %v used, then %v", err, b.Used(0), again.Used(0))
		}
	})
}

// However many write: the ledger of an hour stays small, and what no longer
// fits in it counts against everybody.
func TestLedgerIsBounded(t *testing.T) {
	b := newBudget(t, Limits{Airtime: 100, Repeats: 1})
	for i := range 100_000 {
		spend(t, b, clock.Age(i*60), routine(fmt.Sprint(i), time.Millisecond))
	}
	if n, most := len(b.ledger), 62*slotEntries; n > most {
		t.Errorf("%d entries, at most %d are wanted", n, most)
	}
	if got := b.Used(100_000*60) * 3600; got < 60 || got > 61 {
		t.Errorf("%.3f s count, want those of the last hour: 60", got)
	}
	if n := len(b.Save()); n > 40_000 {
		t.Errorf("%d bytes to store", n)
	}
}

func TestLimitsValidateNamesTheField(t *testing.T) {
	for field, l := range map[string]Limits{
		"airtime 0":   {Repeats: 3},
		"airtime 101": {Airtime: 101, Repeats: 1},
		"airtime NaN": {Airtime: math.NaN(), Repeats: 1},
		"reserve 100": {Airtime: 10, Reserve: 100, Repeats: 1},
		"duty -1":     {Airtime: 10, Duty: -1, Repeats: 1},
		"repeats 0":   {Airtime: 10},
	} {
		if _, err := New(l); err == nil || !strings.HasPrefix(err.Error(), field+":") {
			t.Errorf("%+v: error %v, want one that begins with %q", l, err, field)
		}
	}
	if err := DefaultLimits.Validate(); err != nil {
		t.Error(err)
	}
}

func TestForecast(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	var queue []Request
	for i := range 30 { // 30 frames of 30 s: 9 in the first hour, then 9 more every hour
		queue = append(queue, Request{Cost: 10 * time.Second, Precedence: message.Routine, Sender: fmt.Sprint(i), Waited: time.Duration(-i)})
	}
	queue = append(queue, routine("X", 100*time.Second))
	got := b.Forecast(0, queue)
	for i, wait := range got[:30] {
		hours := time.Duration(i/9) * time.Hour
		if wait < hours || wait > hours+time.Hour/2 {
			t.Errorf("frame %d has to expect %v, want %v or some minutes more", i, wait, hours)
		}
	}
	if got[30] != Never {
		t.Errorf("a frame that is too long has to expect %v, want never", got[30])
	}
	if b.Used(0) != 0 {
		t.Error("a forecast spends nothing")
	}
	for i, r := range queue[:9] { // what it says comes true
		at := clock.Age(0).Add(got[i])
		if j, wait, _ := b.Next(at, queue[i:30]); j != 0 || wait != 0 {
			t.Fatalf("at %v frame %d has to wait %v", got[i], i, wait)
		}
		spend(t, b, at, r)
	}
}

func TestForecastOfALongQueue(t *testing.T) {
	b := newBudget(t, DefaultLimits)
	var queue []Request
	for i := range 5000 {
		queue = append(queue, Request{Cost: time.Second, Precedence: message.Routine, Sender: fmt.Sprint(i), Waited: time.Duration(-i)})
	}
	got := b.Forecast(0, queue)
	if !slices.IsSorted(got) {
		t.Error("those behind wait less")
	}
	// 5000 × 3 s at 288 s an hour
	if want := 52 * time.Hour; got[4999] < want*9/10 || got[4999] > want*11/10 {
		t.Errorf("the last has to expect %v, want about %v", got[4999], want)
	}
}

func BenchmarkNext(b *testing.B) {
	budget := newBudget(b, DefaultLimits)
	for i := range 90 {
		spend(b, budget, clock.Age(i*40_000), routine(fmt.Sprint(i%20), time.Second))
	}
	var queue []Request
	for i := range 50 {
		queue = append(queue, routine(fmt.Sprint(i), time.Second))
	}
	b.ReportAllocs()
	for b.Loop() {
		budget.Next(90*40_000, queue)
	}
}

func BenchmarkForecast(b *testing.B) {
	budget := newBudget(b, DefaultLimits)
	var queue []Request
	for i := range 1000 {
		queue = append(queue, routine(fmt.Sprint(i%50), time.Second))
	}
	for b.Loop() {
		budget.Forecast(0, queue)
	}
}

// The wait of a whole queue, reckoned from its sum alone, is that of its last
// frame, less what waiting for senders' shares and whole slots adds.
func TestDrainAgreesWithTheForecastOfTheLast(t *testing.T) {
	for _, n := range []int{1, 5, 20, 60, 99} {
		for _, before := range []int{0, 10, 28} {
			b := newBudget(t, Limits{Airtime: 10, Reserve: 20, Repeats: 3})
			now := clock.Age(0)
			for i := range before {
				spend(t, b, now, routine(fmt.Sprint("before ", i%9), 3*time.Second))
				now = now.Add(time.Minute)
			}
			var queue []Request
			for i := range n {
				queue = append(queue, routine(fmt.Sprint("sender ", i), 3*time.Second))
			}
			last := slices.Max(b.Forecast(now, queue))
			got := b.Drain(now, time.Duration(n)*9*time.Second)
			if got < last*7/10-10*time.Second || got > last*13/10+10*time.Second {
				t.Errorf("%d frames behind %d: %v, the last one is to go after %v", n, before, got, last)
			}
		}
	}
	if got := newBudget(t, DefaultLimits).Drain(0, 0); got != 0 {
		t.Errorf("nothing takes %v", got)
	}
}

// A frame fills the channel until its last repeat has ended, and counts for an
// hour from then.
func TestAFrameCountsFromTheEndOfItsLastRepeat(t *testing.T) {
	b := newBudget(t, Limits{Airtime: 10, Repeats: 3})
	for i := range 4 { // all of the 360 s, in frames that end 90 s after their start
		spend(t, b, 0, routine(fmt.Sprint("sender ", i), 30*time.Second))
	}
	if wait, why := b.Wait(0, routine("another", time.Second)); wait < time.Hour+90*time.Second || why != BudgetUsed {
		t.Errorf("%v (%s): the last repeat ends 90 s after the start", wait, why)
	}
}
