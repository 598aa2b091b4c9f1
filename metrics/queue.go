package metrics

import (
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"posthouse/bridge/message"
)

// Snapshot is how the queue and its store stand.
type Snapshot struct {
	Open    map[string]map[message.Precedence]int64 // open deliveries by link (empty: none yet) and precedence
	Oldest  map[string]time.Duration                // how long the oldest of them has waited, by link
	Records int64                                   // all that the store keeps, finished ones included
	Damaged int64                                   // records that could not be read
	Bytes   int64                                   // of the store's file
	Failing bool                                    // the store takes nothing over: its disk fails or hangs
}

// Queue shows what snapshot tells, which is asked at each scrape and must be
// cheap: counters, no walk through the store. It is called once.
func (m *Metrics) Queue(snapshot func() Snapshot) {
	m.reg.MustRegister(&queueCollector{links: m.links, snapshot: snapshot, fold: m.link})
}

var (
	queueMessages = desc("queue_messages", "Open deliveries; link none: no way is known yet.", "link", "precedence")
	queueOldest   = desc("queue_oldest_seconds", "How long the oldest open delivery has waited; 0: none is open.", "link")
	storeRecords  = desc("store_records", "Messages in the store, finished ones included.")
	storeDamaged  = desc("store_damaged_records", "Messages in the store that could not be read.")
	storeBytes    = desc("store_bytes", "Size of the store's file.")
	storeFailing  = desc("store_failing", "Whether the store fails, so that nothing is taken over: /healthz says why. A full one does not.")
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(prometheus.BuildFQName(namespace, "", name), help, labels, nil)
}

type queueCollector struct {
	links    words
	snapshot func() Snapshot
	fold     func(link string) string
}

// Describe implements prometheus.Collector.
func (c *queueCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{queueMessages, queueOldest, storeRecords, storeDamaged, storeBytes, storeFailing} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (c *queueCollector) Collect(ch chan<- prometheus.Metric) {
	s := c.snapshot()
	open, oldest := c.byLabel(s)
	for link, counts := range open {
		for p, n := range counts {
			ch <- gauge(queueMessages, float64(n), link, p.String())
		}
		ch <- gauge(queueOldest, oldest[link].Seconds(), link)
	}
	ch <- gauge(storeRecords, float64(s.Records))
	ch <- gauge(storeDamaged, float64(s.Damaged))
	ch <- gauge(storeBytes, float64(s.Bytes))
	ch <- gauge(storeFailing, number(s.Failing))
}

// byLabel adds up what falls under one label, and fills in zeros. A link that
// is no longer configured counts as other, a missing precedence as routine.
func (c *queueCollector) byLabel(s Snapshot) (map[string]map[message.Precedence]int64, map[string]time.Duration) {
	open, oldest := map[string]map[message.Precedence]int64{}, map[string]time.Duration{}
	row := func(link string) map[message.Precedence]int64 {
		if open[link] == nil {
			open[link] = map[message.Precedence]int64{}
			for _, p := range message.Precedences {
				open[link][p] = 0
			}
		}
		return open[link]
	}
	for _, link := range c.links.list {
		row(link)
	}
	for link, counts := range s.Open {
		for p, n := range counts {
			if !slices.Contains(message.Precedences[:], p) {
				p = message.Routine
			}
			row(c.fold(link))[p] += n
		}
	}
	for link, age := range s.Oldest {
		row(c.fold(link))
		oldest[c.fold(link)] = max(oldest[c.fold(link)], age)
	}
	return open, oldest
}

func gauge(d *prometheus.Desc, value float64, labels ...string) prometheus.Metric {
	return prometheus.MustNewConstMetric(d, prometheus.GaugeValue, value, labels...)
}
