package metrics

import "github.com/prometheus/client_golang/prometheus"

// Log shows how many lines of the log were lost, as the function tells at each scrape. It is
// called once.
func (m *Metrics) Log(lost func() int64) {
	m.reg.MustRegister(prometheus.NewCounterFunc(
		prometheus.CounterOpts(opts("log_lines_lost_total", "Lines of the daemon's log that were lost, since whoever reads it did not.")),
		func() float64 { return float64(lost()) }))
}
