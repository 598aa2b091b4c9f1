package bridge

import (
	"context"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// unacknowledgedAfter is when operators are told that nobody acknowledged an
// emergency.
const unacknowledgedAfter = 5 * time.Minute

// mayDeclareEmergency tells whether a sender's emergency goes as one: not from a
// mail sender who is not on the allow list, not from a station that is not on the mesh's
// station list, and not the fourth in ten minutes. With count set this one counts.
func (b *Bridge) mayDeclareEmergency(m *message.Message, count bool) bool {
	if isAnswerOnly(b.cfg, m) {
		return false
	}
	if ln := b.byName[m.Link]; ln != nil && ln.stations != nil {
		if _, ok := ln.stations.Find(m.From); !ok {
			return false
		}
	}
	return !count || b.emergencyRate.Allow(m.From, b.clock.Age())
}

// alarmKey is the prefix of emergencies of which POSTHOUSE_ALERT_TO has not been told
// yet: a crash in between must not lose an alert.
const alarmKey = "alarm/"

// pending is such an emergency on disk.
type pending struct {
	From string `cbor:"1,keyasint"`
	To   string `cbor:"2,keyasint"`
	Text string `cbor:"3,keyasint"`
}

// needsAlarm returns what to write together with a new emergency; nil: nobody has
// to be told. Exercise traffic never raises a real alarm.
func (b *Bridge) needsAlarm(m *message.Message, id queue.Identity) map[string][]byte {
	if rules.Drill(m) || len(b.cfg.AlertTo) == 0 {
		return nil
	}
	v, _ := cbor.Marshal(pending{m.From, m.To, m.Text}) // plain fields: cannot fail
	return map[string][]byte{alarmKey + hex.EncodeToString(id[:]): v}
}

// alarm tells POSTHOUSE_ALERT_TO of an emergency that is on disk now, unless it
// turned out to be a duplicate.
func (b *Bridge) alarm(ctx context.Context, m *message.Message, onDisk map[string][]byte, done queue.Done) {
	if done.Duplicate {
		for key := range onDisk {
			b.raised(ctx, key)
		}
		return
	}
	b.log.Warn("EMERGENCY came in", "link", m.Link, "id", b.id(done.Seq), "from", m.From, "to", m.To)
	for key := range onDisk {
		b.raiseAlarm(ctx, key, pending{m.From, m.To, m.Text}, done.Seq)
	}
}

// cameIn makes the alerts about an emergency, to be stored together with it.
func (b *Bridge) cameIn(m *message.Message, seq uint64) []*queue.Record {
	if rules.Drill(m) {
		return nil
	}
	b.log.Warn("EMERGENCY came in", "link", m.Link, "id", b.id(seq), "from", m.From, "to", m.To)
	return b.alerts(seq, message.Priority, cameInText(m.From, m.To, m.Text))
}

func cameInText(from, to, text string) string {
	return fmt.Sprintf("EMERGENCY from %s to %s: %s", from, to, text)
}

// alarmNotTaken makes the alerts about an emergency that is refused for its address
// or length: somebody in distress does not think of call signs.
func (b *Bridge) alarmNotTaken(ln *line, m *message.Message, ref *rules.Refusal) []*queue.Record {
	switch ref.Code {
	case link.CodeNoRoute, link.CodeTooLong, link.CodeNotAllowed, link.CodeThirdParty:
	default:
		return nil
	}
	drill := *m // with a wrong address it was refused before its exercise was set
	b.setExercise(&drill)
	_, err := callsign.Parse(m.From)
	if err != nil || rules.Precedence(m) != message.Emergency || rules.Drill(&drill) || !ln.transmits() || !b.mayDeclareEmergency(m, true) {
		return nil
	}
	b.log.Warn("EMERGENCY was not taken", "link", m.Link, "from", m.From, "to", m.To, "rule", ref.Code)
	return b.alerts(0, message.Priority, fmt.Sprintf("EMERGENCY from %s NOT TAKEN (%s): %s", m.From, ref.Why, visible(showable(m.Text, refusalText))))
}

// raised files that the alert was raised.
func (b *Bridge) raised(ctx context.Context, key string) {
	_, _ = b.store.Apply(ctx, queue.Op{Urgent: true, Lazy: true, Put: map[string][]byte{key: nil}}) // lazy: it is tried until it is done
}

func (b *Bridge) raiseAlarm(ctx context.Context, key string, p pending, seq uint64) {
	ops := b.alertOps(seq, message.Priority, cameInText(p.From, p.To, p.Text))
	ops = append(ops, queue.Op{Urgent: true, Put: map[string][]byte{key: nil}})
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		b.log.Error("telling of an emergency failed; it is tried again at the next start", "id", b.id(seq), "err", err)
	}
}

// resumeAlarms raises the alerts that the last run could not raise.
func (b *Bridge) resumeAlarms(ctx context.Context) {
	left, err := b.store.Settings(ctx, alarmKey)
	if err != nil {
		b.log.Error("reading emergencies for which no alert was raised yet failed", "err", err)
	}
	for key, v := range left {
		var p pending
		if cbor.Unmarshal(v, &p) == nil {
			b.raiseAlarm(ctx, key, p, 0)
		}
	}
}

// unconfirmed makes the alerts that nobody has confirmed an emergency in time.
func (b *Bridge) unconfirmed(r *queue.Record) []*queue.Record {
	return b.alertAbout(r, fmt.Sprintf("EMERGENCY from %s to %s NOT CONFIRMED after %v: %s", r.Message.From, r.Message.To, unacknowledgedAfter, r.Message.Text))
}

// closed makes the alerts about the end of an emergency that was not delivered, or
// that had been reported as not confirmed.
func (b *Bridge) closed(r *queue.Record) []*queue.Record {
	m := &r.Message
	switch {
	case m.Kind != message.Text || m.Precedence != message.Emergency || r.Restored:
		return nil
	case r.Outcome == queue.Failed || r.Outcome == queue.Expired || r.Outcome == queue.Dropped:
		return b.alertAbout(r, fmt.Sprintf("EMERGENCY from %s to %s NOT DELIVERED (%s): %s", m.From, m.To, failedWhy(r), m.Text))
	case hasStep(r, alerted):
		return b.alertAbout(r, fmt.Sprintf("OK: the EMERGENCY from %s to %s is %s now: %s", m.From, m.To, r.Outcome, quote(m.Text)))
	}
	return nil
}

func (b *Bridge) alertAbout(r *queue.Record, text string) []*queue.Record {
	if rules.Drill(&r.Message) {
		return nil
	}
	return b.alerts(r.Seq, message.Priority, text)
}
