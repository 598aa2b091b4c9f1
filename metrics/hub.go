package metrics

import "github.com/prometheus/client_golang/prometheus"

// Hub shows which part of a hub's work this process has, as the functions tell at each
// scrape. It is called once, and only in a hub.
func (m *Metrics) Hub(leads func() bool, shares func() int) {
	m.reg.MustRegister(
		prometheus.NewGaugeFunc(prometheus.GaugeOpts(opts("leads", "Whether this process leads the hub: it runs what may exist once only.")), func() float64 { return number(leads()) }),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts(opts("shares", "Parts of the hub's sending that this process has, of 64.")), func() float64 { return float64(shares()) }),
	)
}
