package simulation

import (
	"math"
	"time"
)

// onAir is the time on air of a LoRa frame in seconds: the formula of the SX1276
// data sheet, section 4.1.1.7, in its own words, with an explicit header, a CRC
// and coding rate 4/5. bw is in kHz.
func onAir(sf, bw, payload int) float64 {
	symbol := math.Exp2(float64(sf)) / (float64(bw) * 1000)
	lowRate := 0.0
	if symbol > 0.016 {
		lowRate = 1
	}
	n := 8 + math.Max(math.Ceil((8*float64(payload)-4*float64(sf)+28+16)/(4*(float64(sf)-2*lowRate)))*5, 0)
	return (8+4.25)*symbol + n*symbol
}

// air is invariant 5: in no hour does a gateway fill more of a channel than its
// operator allows, restarts included.
func (j *judge) air() {
	for _, m := range j.l.w.plan.meshes {
		if m.radio == nil {
			continue
		}
		for _, g := range j.l.w.gateways {
			j.airOf(g.call, m)
		}
	}
}

func (j *judge) airOf(gateway string, m meshPlan) {
	type frame struct {
		at      time.Duration
		seconds float64
		urgent  bool
	}
	budget := float64(m.radio.airtime) / 100 * 3600
	const reserve = 0.2 // for emergencies, which count in the budget and have all of it
	var hour []frame
	used, ordinary, own := 0.0, 0.0, 0.0
	count := func(f frame, sign float64) {
		used += sign * f.seconds
		own += sign * f.seconds / float64(m.radio.repeats)
		if !f.urgent {
			ordinary += sign * f.seconds
		}
	}
	for _, e := range j.l.all {
		if e.gateway != gateway || e.mesh != m.name || e.what != transmitted && e.what != receipted && e.what != naked && e.what != noticed {
			continue
		}
		f := frame{e.at, onAir(m.radio.sf, m.radio.bw, min(e.bytes+m.radio.overhead, 255)) * float64(m.radio.repeats), e.urgent}
		hour = append(hour, f)
		count(f, +1)
		for hour[0].at <= e.at-time.Hour {
			count(hour[0], -1)
			hour = hour[1:]
		}
		j.counts["frames with counted air"]++
		if j.l.w.plan.duty && own > duty/100*3600+1e-6 {
			j.fault(5, "%s transmitted on %s for %.3f s of the hour before %.1f s; its transmitter may %.1f s, emergencies included", gateway, m.name, own, e.at.Seconds(), duty/100*3600)
			return
		}
		if !f.urgent && (used > budget+1e-6 || ordinary > budget*(1-reserve)+1e-6) {
			j.fault(5, "%s filled %s for %.3f s of the hour before %.1f s, %.3f s of it not with emergencies; it may %.0f s, less a fifth", gateway, m.name, used, e.at.Seconds(), ordinary, budget)
			return
		}
	}
}
