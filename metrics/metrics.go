// Package metrics defines every metric of the gateway in one place: its name,
// its help, its labels and the values that they may take.
//
// The names follow Prometheus' naming rules: the program's name first, base
// units, counters in _total. A label value is a link's name from the settings
// or one of a few fixed words, never a call sign, an address or an id: each of
// those would be a series for ever. Whatever else is handed in, a stranger's
// words included, counts as "other". Every series that can be foreseen is there
// from the start, at zero, so that a rate over it is right from its first event.
package metrics

import (
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

const namespace = "posthouse"

// Link is one link as the labels know it: Name is its name in the settings,
// Kind one of mesh, trunk, aprs and mail.
type Link struct{ Name, Kind string }

// Metrics takes down what happens. Safe for concurrent use; no method blocks or
// fails.
type Metrics struct {
	reg     prometheus.Registerer
	links   words
	rules   words
	reasons words
	results words

	accepted     *prometheus.CounterVec
	refused      *prometheus.CounterVec
	dropped      *prometheus.CounterVec
	deliveries   *prometheus.CounterVec
	deliveryTime prometheus.Histogram
	sendTime     *prometheus.HistogramVec
	linkInfo     *prometheus.GaugeVec
	linkUp       *prometheus.GaugeVec
	linkHeard    *prometheus.GaugeVec
	reconnects   *prometheus.CounterVec
	trustBroken  *prometheus.GaugeVec
	airtimeUsed  *prometheus.GaugeVec
	airtimeWait  *prometheus.GaugeVec
	airtimeSpent *prometheus.CounterVec
	stations     *prometheus.GaugeVec
	commitTime   prometheus.Histogram
	clock        prometheus.Gauge
	journalLost  prometheus.Counter
	build        *prometheus.GaugeVec
}

// New registers all metrics, and those of the Go runtime and the process, with
// reg. Codes are the refusal codes. It panics when reg has one of them already:
// a gateway has one Metrics.
func New(reg prometheus.Registerer, links []Link, codes []string) *Metrics {
	m := &Metrics{
		reg:     reg,
		links:   linkWords(links),
		rules:   newWords(codes...),
		reasons: dropWords(codes),
		results: newWords(Results...),
	}
	m.define()
	reg.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	m.start(links)
	return m
}

// start creates the series that can be foreseen.
func (m *Metrics) start(links []Link) {
	for _, link := range m.links.list {
		m.accepted.WithLabelValues(link)
		for _, rule := range m.rules.list {
			m.refused.WithLabelValues(link, rule)
		}
		for _, result := range m.results.list {
			m.deliveries.WithLabelValues(link, result)
		}
	}
	for _, link := range links {
		m.linkInfo.WithLabelValues(link.Name, link.Kind).Set(1)
		m.linkUp.WithLabelValues(link.Name)
		m.linkHeard.WithLabelValues(link.Name)
		m.reconnects.WithLabelValues(link.Name)
		m.stations.WithLabelValues(link.Name)
		m.sendTime.WithLabelValues(link.Name)
		for _, reason := range dropReasons(link.Kind, m.rules.list) {
			m.dropped.WithLabelValues(link.Name, reason)
		}
		if link.Kind == "trunk" {
			m.trustBroken.WithLabelValues(link.Name)
		}
		if link.Kind == "mesh" {
			m.airtimeUsed.WithLabelValues(link.Name)
			m.airtimeWait.WithLabelValues(link.Name)
			m.airtimeSpent.WithLabelValues(link.Name)
		}
	}
}

// Accepted counts a message that was taken over; the link is empty for the
// gateway's own.
func (m *Metrics) Accepted(link string) { m.accepted.WithLabelValues(m.link(link)).Inc() }

// Refused counts a message that was refused under a refusal code.
func (m *Metrics) Refused(link, rule string) {
	m.refused.WithLabelValues(m.link(link), m.rules.fold(rule)).Inc()
}

// Dropped counts a frame that did not become a message; reason is one of
// DropReasons, or for a mail link a refusal code.
func (m *Metrics) Dropped(link, reason string) {
	m.dropped.WithLabelValues(m.link(link), m.reasons.fold(reason)).Inc()
}

// Delivery counts what came of one try or one delivery; result is one of
// Results. The link is empty for a delivery that found none.
func (m *Metrics) Delivery(link, result string) {
	m.deliveries.WithLabelValues(m.link(link), m.results.fold(result)).Inc()
}

// DeliveryTime takes the time from accept to the end-to-end confirmation.
func (m *Metrics) DeliveryTime(d time.Duration) { m.deliveryTime.Observe(d.Seconds()) }

// SendTime takes how long the far side took to take what one Send offered.
func (m *Metrics) SendTime(link string, d time.Duration) {
	m.sendTime.WithLabelValues(m.link(link)).Observe(d.Seconds())
}

// Elsewhere takes out what is told of a link's connection: another process of a hub
// has it, until LinkUp says otherwise.
func (m *Metrics) Elsewhere(link string) {
	m.linkUp.DeleteLabelValues(link)
	m.linkHeard.DeleteLabelValues(link)
}

// LinkUp sets whether the link has its connection.
func (m *Metrics) LinkUp(link string, up bool) {
	m.linkUp.WithLabelValues(m.link(link)).Set(number(up))
}

// LinkHeard sets when something readable last came in on a link.
func (m *Metrics) LinkHeard(link string, at time.Time) {
	m.linkHeard.WithLabelValues(m.link(link)).Set(float64(at.UnixMilli()) / 1000)
}

// Reconnected counts a connection that was made anew.
func (m *Metrics) Reconnected(link string) { m.reconnects.WithLabelValues(m.link(link)).Inc() }

// TrustBroken sets whether a trunk's trust file cannot be read.
func (m *Metrics) TrustBroken(link string, broken bool) {
	m.trustBroken.WithLabelValues(m.link(link)).Set(number(broken))
}

// Airtime sets how much of its hourly budget a link has used, 1 being all.
func (m *Metrics) Airtime(link string, usedRatio float64) {
	m.airtimeUsed.WithLabelValues(m.link(link)).Set(usedRatio)
}

// AirtimeWait sets how long it takes, by the airtime budget, until all that waits
// on a link has gone.
func (m *Metrics) AirtimeWait(link string, expected time.Duration) {
	m.airtimeWait.WithLabelValues(m.link(link)).Set(expected.Seconds())
}

// AirtimeSpent adds time on air that a link has spent, repeats included; a
// negative time adds nothing.
func (m *Metrics) AirtimeSpent(link string, d time.Duration) {
	m.airtimeSpent.WithLabelValues(m.link(link)).Add(max(0, d).Seconds())
}

// StationsHeard sets how many stations count as heard on a link.
func (m *Metrics) StationsHeard(link string, n int) {
	m.stations.WithLabelValues(m.link(link)).Set(float64(n))
}

// Commit takes how long one commit of the store took.
func (m *Metrics) Commit(d time.Duration) { m.commitTime.Observe(d.Seconds()) }

// Clock sets whether the wall clock is trusted.
func (m *Metrics) Clock(trusted bool) { m.clock.Set(number(trusted)) }

// JournalLost counts transmissions that could not be written down.
func (m *Metrics) JournalLost(lines int) { m.journalLost.Add(float64(max(0, lines))) }

// Build sets what this program was built from; it is meant to be called once.
func (m *Metrics) Build(version, commit string) {
	m.build.Reset()
	m.build.WithLabelValues(version, commit, runtime.Version()).Set(1)
}

// link is the label value for a link's name.
func (m *Metrics) link(name string) string {
	if name == "" {
		return noLink
	}
	return m.links.fold(name)
}

func number(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}
