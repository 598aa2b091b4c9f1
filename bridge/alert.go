package bridge

import (
	"strings"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/route"
	"posthouse/queue"
)

// alerts makes notices of the gateway's own to everybody in POSTHOUSE_ALERT_TO, each
// by a way that works.
func (b *Bridge) alerts(about uint64, p message.Precedence, text string) []*queue.Record {
	at := b.stamp()
	var out []*queue.Record
	for _, to := range b.cfg.AlertTo {
		m := message.Message{Kind: message.Notice, From: b.own.String(), To: canonical(to), Text: text, Precedence: p, Filed: at.Wall}
		if a, ok := b.table.Aliases[strings.ToUpper(to)]; ok {
			m.To = a
		}
		deliveries := b.alertWay(&m)
		if len(deliveries) == 0 {
			b.log.Error("no link can carry an alert", "to", to, "rule", link.CodeNoRoute)
			continue
		}
		r := &queue.Record{About: about, Accepted: at, Until: at.Age.Add(noticeLifetime), Message: m, Deliveries: deliveries}
		r.Expires = r.Until
		out = append(out, r)
	}
	return out
}

func (b *Bridge) alertOps(about uint64, p message.Precedence, text string) []queue.Op {
	var ops []queue.Op
	for _, r := range b.alerts(about, p, text) {
		ops = append(ops, queue.Op{New: r, Urgent: true})
	}
	return ops
}

// alertWay is the normal way of a message if that link works, else any working link
// where the addressee was heard.
func (b *Bridge) alertWay(m *message.Message) []queue.Delivery {
	d := b.decide(m, true)
	ways := d.Targets
	if !message.IsMail(m.To) && !b.isGroup(m.To) {
		for _, e := range b.heard.find(callsign.Base(m.To)) {
			if e.call == m.To || callsign.Base(m.To) == m.To {
				ways = append(ways, route.Target{Link: e.link, To: e.call})
			}
		}
	}
	for _, t := range ways {
		if b.whyShut(t.Link) == "" && b.byName[t.Link].MaySend() && b.mayTake(m, t) == nil {
			return b.deliveriesTo(t)
		}
	}
	switch {
	case len(d.Targets) > 0:
		return b.deliveriesTo(d.Targets[0])
	case d.Hold:
		return []queue.Delivery{{To: m.To, State: queue.Held}}
	}
	return nil
}
