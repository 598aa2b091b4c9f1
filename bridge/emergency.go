package bridge

import (
	"context"
	"fmt"
	"strings"
	"time"

	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// unacknowledgedAfter is when a human is told that nobody acknowledged an
// emergency.
const unacknowledgedAfter = 5 * time.Minute

// mayDeclareEmergency tells whether a sender's emergency goes as one: not from a
// mail sender without a call sign, not from a station that is missing on a list
// that exists, and not more than three in ten minutes, of which this is one when
// it counts.
func (b *Bridge) mayDeclareEmergency(m *message.Message, count bool) bool {
	if message.IsMail(m.From) && m.SenderCall == "" {
		return false
	}
	if ln := b.byName[m.Link]; ln != nil && ln.stations != nil {
		if _, ok := ln.stations.Find(m.From); !ok {
			return false
		}
	}
	return !count || b.alarms.Allow(m.From, b.clock.Age())
}

// alarm tells the people of POSTHOUSE_ALERT_TO that an emergency came in. Exercise
// traffic never raises a real alarm.
func (b *Bridge) alarm(ctx context.Context, m *message.Message, seq uint64) {
	b.log.Warn("EMERGENCY came in", "link", m.Link, "id", b.id(seq), "from", m.From, "to", m.To)
	if rules.Drill(m) {
		return
	}
	b.alert(ctx, seq, fmt.Sprintf("EMERGENCY from %s to %s: %s", m.From, m.To, m.Text))
}

// alarmUnacknowledged tells them that nobody confirmed it.
func (b *Bridge) alarmUnacknowledged(r *queue.Record) {
	if rules.Drill(&r.Message) {
		return
	}
	b.alert(context.Background(), r.Seq, fmt.Sprintf("EMERGENCY from %s to %s NOT CONFIRMED after %v: %s",
		r.Message.From, r.Message.To, unacknowledgedAfter, r.Message.Text))
}

// alert sends a word of the gateway's own to everybody in POSTHOUSE_ALERT_TO, by
// whatever way leads there.
func (b *Bridge) alert(ctx context.Context, about uint64, text string) {
	at := b.stamp()
	var ops []queue.Op
	for _, to := range b.cfg.AlertTo {
		m := message.Message{Kind: message.Notice, From: b.own.String(), To: canonical(to), Text: text, Precedence: message.Priority, Filed: at.Wall}
		if a, ok := b.table.Aliases[strings.ToUpper(to)]; ok {
			m.To = a
		}
		d := b.decide(&m, true)
		deliveries := []queue.Delivery{{To: m.To, State: queue.Held}}
		if len(d.Targets) > 0 {
			deliveries = []queue.Delivery{{Link: d.Targets[0].Link, To: d.Targets[0].To, State: queue.Ready}}
		} else if !d.Hold {
			b.log.Error("an alert has no way to go", "to", to, "rule", link.CodeNoRoute)
			continue
		}
		r := &queue.Record{About: about, Accepted: at, Until: at.Age.Add(noticeLifetime), Message: m, Deliveries: deliveries}
		r.Expires = r.Until
		ops = append(ops, queue.Op{New: r, Urgent: true})
	}
	if len(ops) == 0 {
		return
	}
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		b.log.Error("storing an alert failed", "err", err)
	}
}
