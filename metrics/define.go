package metrics

import (
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promauto"
)

const day = 24 * 3600

// The buckets, in seconds. Classic ones, since a native histogram shows nothing
// but its count in the text format.
var (
	// From a text to a neighbour up to a mail that outlives a long week-end.
	deliveryBuckets = []float64{1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600, 2 * 3600, 6 * 3600, 12 * 3600, day, 2 * day, 4 * day, 7 * day}
	// From a broker on the same machine up to a mail server that thinks.
	sendBuckets = []float64{0.001, 0.005, 0.02, 0.1, 0.5, 1, 2, 5, 10, 30, 60, 300}
	// From a solid-state disk (0.1 ms) over an SD card (5 to 50 ms) to a dying one.
	commitBuckets = []float64{0.0001, 0.00025, 0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 5}
)

// define makes all metrics and registers them.
func (m *Metrics) define() {
	d := definer{promauto.With(m.reg)}
	m.accepted = d.counter("messages_accepted_total", "Messages from a link that are on disk.", "link")
	m.refused = d.counter("messages_refused_total", "Messages refused, by the rule's code.", "link", "rule")
	m.dropped = d.counter("messages_dropped_total", "Frames that did not become messages: unreadable, or not for this gateway.", "link", "reason")
	m.deliveries = d.counter("deliveries_total", "Results of deliveries, and tries that will be repeated (retried).", "link", "result")
	m.deliveryTime = d.NewHistogram(histogram("delivery_seconds", "Time from accept to the end-to-end confirmation.", deliveryBuckets))
	m.sendTime = d.NewHistogramVec(histogram("send_seconds", "Time until the other side took a frame.", sendBuckets), []string{"link"})

	m.linkInfo = d.gauge("link_info", "The configured links and their kinds.", "link", "kind")
	m.linkUp = d.gauge("link_up", "Whether the link is connected.", "link")
	m.linkHeard = d.gauge("link_last_heard_timestamp_seconds", "Time when something readable last came in; 0: never since the start.", "link")
	m.reconnects = d.counter("link_reconnects_total", "Reconnections after a loss.", "link")
	m.trustBroken = d.gauge("trust_file_broken", "Whether the trunk's trust file cannot be read, so that an older list is in force.", "link")
	m.airtimeUsed = d.gauge("airtime_used_ratio", "Part of the hourly airtime budget that is used.", "link")
	m.airtimeWait = d.gauge("airtime_wait_seconds", "Expected time until all that waits on the link has been sent, by its airtime budget and the usual airtime of a message.", "link")
	m.airtimeSpent = d.counter("airtime_seconds_total", "Computed time on air, repeats included.", "link")
	m.stations = d.gauge("stations_heard", "Stations that count as heard.", "link")

	m.commitTime = d.NewHistogram(histogram("store_commit_seconds", "Time of one commit to disk.", commitBuckets))
	m.clock = d.NewGauge(prometheus.GaugeOpts(opts("clock_trusted", "Whether the wall clock is trusted.")))
	m.journalLost = d.NewCounter(prometheus.CounterOpts(opts("journal_lines_lost_total", "Transmissions that could not be written into the journal.")))
	m.build = d.gauge("build_info", "What this program was built from.", "version", "commit", "goversion")
}

type definer struct{ promauto.Factory }

func (d definer) counter(name, help string, labels ...string) *prometheus.CounterVec {
	return d.NewCounterVec(prometheus.CounterOpts(opts(name, help)), labels)
}

func (d definer) gauge(name, help string, labels ...string) *prometheus.GaugeVec {
	return d.NewGaugeVec(prometheus.GaugeOpts(opts(name, help)), labels)
}

func opts(name, help string) prometheus.Opts {
	return prometheus.Opts{Namespace: namespace, Name: name, Help: help}
}

func histogram(name, help string, buckets []float64) prometheus.HistogramOpts {
	return prometheus.HistogramOpts{Namespace: namespace, Name: name, Help: help, Buckets: buckets}
}
