package metrics

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"posthouse/bridge"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
)

var update = flag.Bool("update", false, "write the golden files anew")

var _ bridge.Meter = (*Metrics)(nil)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var links = []Link{{"valley", "mesh"}, {"far", "trunk"}, {"aprs", "aprs"}, {"post", "mail"}}

func newMetrics() (*Metrics, *prometheus.Registry) {
	reg := prometheus.NewPedanticRegistry()
	m := New(reg, links, link.Codes)
	m.Build("v1.2.3", "0123abc")
	m.Queue(func() Snapshot { return Snapshot{} })
	m.Log(func() int64 { return 0 })
	m.Hub(func() bool { return true }, func() int { return 32 })
	return m, reg
}

// Prometheus' own linter knows the naming rules of prometheus.io/docs/practices/naming.
func TestNamesPassPrometheusLinter(t *testing.T) {
	_, reg := newMetrics()
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// The golden list is what dashboards and alerts rely on: name, type, labels, help.
func TestNamesAreAsPublished(t *testing.T) {
	_, reg := newMetrics()
	var got strings.Builder
	for _, f := range own(t, reg) {
		fmt.Fprintf(&got, "%s %s {%s} %s\n", f.GetName(), strings.ToLower(f.GetType().String()), labelNames(f), f.GetHelp())
	}
	const golden = "testdata/names.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("metrics are\n%s\nwant (go test ./metrics -update writes them)\n%s", got.String(), want)
	}
}

// own gathers the gateway's metrics, without those of Go and the process.
func own(t testing.TB, reg prometheus.Gatherer) []*dto.MetricFamily {
	t.Helper()
	all, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	return slices.DeleteFunc(all, func(f *dto.MetricFamily) bool { return !strings.HasPrefix(f.GetName(), "posthouse_") })
}

func labelNames(f *dto.MetricFamily) string {
	var names []string
	for _, l := range f.GetMetric()[0].GetLabel() {
		names = append(names, l.GetName())
	}
	return strings.Join(names, ",")
}

func TestGoAndProcessAreThere(t *testing.T) {
	_, reg := newMetrics()
	for _, name := range []string{"go_goroutines", "process_resident_memory_bytes"} {
		if n, err := testutil.GatherAndCount(reg, name); n != 1 || err != nil {
			t.Errorf("%s: %d series, error %v; want 1", name, n, err)
		}
	}
}

// A counter that starts at its first event hides that event from rate().
func TestForeseeableSeriesStartAtZero(t *testing.T) {
	m, reg := newMetrics()
	perLink := len(links) + 1 // and none
	want := map[string]int{
		"posthouse_messages_accepted_total":           perLink,
		"posthouse_messages_refused_total":            perLink * len(link.Codes),
		"posthouse_messages_dropped_total":            len(DropReasons["mesh"]) + len(DropReasons["trunk"]) + len(DropReasons["aprs"]) + len(DropReasons["mail"]) + len(link.Codes),
		"posthouse_deliveries_total":                  perLink * len(Results),
		"posthouse_queue_messages":                    perLink * len(message.Precedences),
		"posthouse_queue_oldest_seconds":              perLink,
		"posthouse_delivery_seconds":                  1,
		"posthouse_send_seconds":                      len(links),
		"posthouse_link_info":                         len(links),
		"posthouse_link_up":                           len(links),
		"posthouse_link_last_heard_timestamp_seconds": len(links),
		"posthouse_link_reconnects_total":             len(links),
		"posthouse_trust_file_broken":                 1,
		"posthouse_airtime_used_ratio":                1,
		"posthouse_airtime_wait_seconds":              1,
		"posthouse_airtime_seconds_total":             1,
		"posthouse_stations_heard":                    len(links),
		"posthouse_store_commit_seconds":              1,
		"posthouse_store_records":                     1,
		"posthouse_store_damaged_records":             1,
		"posthouse_store_bytes":                       1,
		"posthouse_store_failing":                     1,
		"posthouse_clock_trusted":                     1,
		"posthouse_journal_lines_lost_total":          1,
		"posthouse_log_lines_lost_total":              1,
		"posthouse_build_info":                        1,
		"posthouse_leads":                             1,
		"posthouse_shares":                            1,
	}
	for _, f := range own(t, reg) {
		if n := len(f.GetMetric()); n != want[f.GetName()] {
			t.Errorf("%s has %d series at the start, want %d", f.GetName(), n, want[f.GetName()])
		}
		delete(want, f.GetName())
	}
	for name := range want {
		t.Errorf("%s is missing", name)
	}
	if v := testutil.ToFloat64(m.refused.WithLabelValues("valley", link.CodeTooLong)); v != 0 {
		t.Errorf("refusals start at %v", v)
	}
}

func TestWhatIsCounted(t *testing.T) {
	m, _ := newMetrics()
	m.Accepted("valley")
	m.Accepted("")
	m.Refused("aprs", link.CodeLooped)
	m.Dropped("aprs", "malformed")
	m.Delivery("post", "delivered")
	m.LinkUp("far", true)
	m.LinkHeard("far", time.UnixMilli(1_700_000_000_500))
	m.Reconnected("far")
	m.Airtime("valley", 0.25)
	m.AirtimeSpent("valley", 1500*time.Millisecond)
	m.AirtimeSpent("valley", -time.Hour)
	m.StationsHeard("valley", 7)
	m.Clock(true)
	m.JournalLost(3)
	for name, c := range map[string]struct {
		metric prometheus.Collector
		want   float64
	}{
		"accepted from a link":    {m.accepted.WithLabelValues("valley"), 1},
		"accepted from ourselves": {m.accepted.WithLabelValues("none"), 1},
		"refused":                 {m.refused.WithLabelValues("aprs", "looped"), 1},
		"dropped":                 {m.dropped.WithLabelValues("aprs", "malformed"), 1},
		"delivered":               {m.deliveries.WithLabelValues("post", "delivered"), 1},
		"up":                      {m.linkUp.WithLabelValues("far"), 1},
		"last heard":              {m.linkHeard.WithLabelValues("far"), 1_700_000_000.5},
		"reconnects":              {m.reconnects.WithLabelValues("far"), 1},
		"airtime used":            {m.airtimeUsed.WithLabelValues("valley"), 0.25},
		"airtime spent":           {m.airtimeSpent.WithLabelValues("valley"), 1.5},
		"stations":                {m.stations.WithLabelValues("valley"), 7},
		"clock":                   {m.clock, 1},
		"journal":                 {m.journalLost, 3},
	} {
		if got := testutil.ToFloat64(c.metric); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

func TestTimesFallIntoBuckets(t *testing.T) {
	m, reg := newMetrics()
	m.DeliveryTime(90 * time.Second)
	m.DeliveryTime(6 * 24 * time.Hour)
	m.Commit(20 * time.Millisecond)
	m.SendTime("post", 3*time.Second)
	under := func(name string, bound float64) (n uint64) {
		for _, f := range own(t, reg) {
			for _, metric := range f.GetMetric() {
				for _, b := range metric.GetHistogram().GetBucket() {
					if f.GetName() == "posthouse_"+name && b.GetUpperBound() == bound {
						n += b.GetCumulativeCount()
					}
				}
			}
		}
		return n
	}
	for _, c := range []struct {
		name  string
		bound float64
		want  uint64
	}{
		{"delivery_seconds", 60, 0}, {"delivery_seconds", 120, 1}, {"delivery_seconds", 7 * day, 2},
		{"store_commit_seconds", 0.01, 0}, {"store_commit_seconds", 0.025, 1},
		{"send_seconds", 2, 0}, {"send_seconds", 5, 1},
	} {
		if got := under(c.name, c.bound); got != c.want {
			t.Errorf("%s: %d up to %v s, want %d", c.name, got, c.bound, c.want)
		}
	}
}

func TestQueueShowsTheSnapshot(t *testing.T) {
	reg := prometheus.NewPedanticRegistry()
	m := New(reg, links[:1], nil)
	m.Queue(func() Snapshot {
		return Snapshot{
			Open: map[string]map[message.Precedence]int64{
				"valley": {message.Emergency: 1, message.Routine: 5},
				"":       {message.Welfare: 2},
				"gone":   {message.Routine: 3}, "gone too": {message.Unset: 4},
			},
			Oldest:  map[string]time.Duration{"valley": 90 * time.Second, "gone": time.Minute, "gone too": time.Hour},
			Records: 100, Damaged: 1, Bytes: 4096, Failing: true,
		}
	})
	want := `
# HELP posthouse_queue_messages Open deliveries; link none: no way is known yet.
# TYPE posthouse_queue_messages gauge
posthouse_queue_messages{link="none",precedence="emergency"} 0
posthouse_queue_messages{link="none",precedence="priority"} 0
posthouse_queue_messages{link="none",precedence="routine"} 0
posthouse_queue_messages{link="none",precedence="welfare"} 2
posthouse_queue_messages{link="other",precedence="emergency"} 0
posthouse_queue_messages{link="other",precedence="priority"} 0
posthouse_queue_messages{link="other",precedence="routine"} 7
posthouse_queue_messages{link="other",precedence="welfare"} 0
posthouse_queue_messages{link="valley",precedence="emergency"} 1
posthouse_queue_messages{link="valley",precedence="priority"} 0
posthouse_queue_messages{link="valley",precedence="routine"} 5
posthouse_queue_messages{link="valley",precedence="welfare"} 0
# HELP posthouse_queue_oldest_seconds How long the oldest open delivery has waited; 0: none is open.
# TYPE posthouse_queue_oldest_seconds gauge
posthouse_queue_oldest_seconds{link="none"} 0
posthouse_queue_oldest_seconds{link="other"} 3600
posthouse_queue_oldest_seconds{link="valley"} 90
# HELP posthouse_store_bytes Size of the store's file.
# TYPE posthouse_store_bytes gauge
posthouse_store_bytes 4096
# HELP posthouse_store_damaged_records Messages in the store that could not be read.
# TYPE posthouse_store_damaged_records gauge
posthouse_store_damaged_records 1
# HELP posthouse_store_failing Whether the store fails, so that nothing is taken over: /healthz says why. A full one does not.
# TYPE posthouse_store_failing gauge
posthouse_store_failing 1
# HELP posthouse_store_records Messages in the store, finished ones included.
# TYPE posthouse_store_records gauge
posthouse_store_records 100
`
	if err := testutil.GatherAndCompare(reg, strings.NewReader(want), "posthouse_queue_messages", "posthouse_queue_oldest_seconds",
		"posthouse_store_bytes", "posthouse_store_damaged_records", "posthouse_store_failing", "posthouse_store_records"); err != nil {
		t.Error(err)
	}
}

// Whatever strangers write, no series is made of it: the label values stay in
// the closed sets, and the number of series in its bound.
func TestHostileWordsMakeNoSeries(t *testing.T) {
	allowed := slices.Concat([]string{"none", "other", "v1.2.3", "0123abc", "valley", "far", "aprs", "post", "mesh", "trunk", "mail"},
		link.Codes, Results, dropWords(nil).list, []string{"emergency", "priority", "welfare", "routine"})
	m, reg := newMetrics()
	bound := series(own(t, reg)) + 2*(len(link.Codes)+len(Results)+len(links)) + len(links)*len(dropWords(link.Codes).list) + 40 // the rows and columns of other and none
	hostile := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"N0QRA-7", "eoc@county.example", "", "a\nb", "\xff", `x"} 1`, "valley "}))
	rapid.Check(t, func(rt *rapid.T) {
		name, word := hostile.Draw(rt, "link"), hostile.Draw(rt, "word")
		m.Accepted(name)
		m.Refused(name, word)
		m.Dropped(name, word)
		m.Delivery(name, word)
		m.SendTime(name, time.Second)
		m.LinkUp(name, true)
		m.LinkHeard(name, time.Now())
		m.Reconnected(name)
		m.Airtime(name, 1)
		m.AirtimeSpent(name, time.Second)
		m.StationsHeard(name, 1)
	})
	all := own(t, reg)
	if n := series(all); n > bound {
		t.Errorf("%d series, want at most %d", n, bound)
	}
	for _, f := range all {
		for _, metric := range f.GetMetric() {
			for _, l := range metric.GetLabel() {
				if l.GetName() != "goversion" && !slices.Contains(allowed, l.GetValue()) {
					t.Errorf("%s has the label %s=%q", f.GetName(), l.GetName(), l.GetValue())
				}
			}
		}
	}
}

func series(families []*dto.MetricFamily) (n int) {
	for _, f := range families {
		n += len(f.GetMetric())
	}
	return n
}

// What a message costs in metrics: one accept, one send, one delivery.
func BenchmarkMessage(b *testing.B) {
	m, _ := newMetrics()
	b.ReportAllocs()
	for b.Loop() {
		m.Accepted("valley")
		m.SendTime("post", time.Millisecond)
		m.Delivery("post", "delivered")
		m.DeliveryTime(time.Second)
	}
}

// What a scrape costs.
func BenchmarkGather(b *testing.B) {
	_, reg := newMetrics()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := reg.Gather(); err != nil {
			b.Fatal(err)
		}
	}
}
