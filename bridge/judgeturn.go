package bridge

import (
	"time"

	"posthouse/bridge/clock"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/rules"
	"posthouse/queue"
)

// InTurn makes the judge treat all later questions as sent one after the other, and
// count duplicates, the sender's rate and emergencies.
func (j *Judge) InTurn() {
	j.turns = &turns{
		seen:   map[queue.Identity]clock.Age{},
		rate:   rules.NewRate(rules.Limit{N: j.cfg.Rate.Count, Per: j.cfg.Rate.Per}),
		alarms: rules.NewRate(rules.Emergencies),
	}
}

// turns is what the judge remembers of earlier questions.
type turns struct {
	now    clock.Age
	seen   map[queue.Identity]clock.Age
	rate   *rules.Rate
	alarms *rules.Rate
}

// maxSeen bounds the memory for a long list of questions.
const maxSeen = 100_000

// history is what came before a text: from its question, or counted by the judge.
type history struct {
	known bool                        // the same text was here lately
	full  func(*message.Message) bool // one more is above its sender's rate
	alarm func(*message.Message) bool // one more emergency is too many
	took  func()                      // the text passes
}

// before returns the history of a text. It must be called before the text is changed.
func (j *Judge) before(m *message.Message, q Question) history {
	t := j.turns
	if t == nil {
		return history{
			known: q.Known,
			full:  func(*message.Message) bool { return q.Sent >= j.cfg.Rate.Count },
			alarm: func(*message.Message) bool { return q.Alarms >= rules.Emergencies.N },
			took:  func() {},
		}
	}
	t.now = t.now.Add(q.After)
	id := identify(m)
	at, seen := t.seen[id]
	known := q.Known || seen && t.now.Sub(at) < j.knownFor(m, q)
	return history{
		known: known,
		full:  func(m *message.Message) bool { return !t.rate.Allow(m.From, t.now) },
		alarm: func(m *message.Message) bool { return !known && !t.alarms.Allow(m.From, t.now) },
		took: func() {
			if len(t.seen) >= maxSeen {
				clear(t.seen)
			}
			t.seen[id] = t.now
		},
	}
}

// knownFor is how long an equal text counts as the same, as in the running gateway.
func (j *Judge) knownFor(m *message.Message, q Question) time.Duration {
	if m.OriginID == "" {
		return sameWithoutID
	}
	if l := j.cfg.Links.Find(q.In); l != nil {
		return sameFor(l)
	}
	return j.cfg.DedupWindow
}

// refusal refuses a text for what came before it. An emergency has no rate, and a
// duplicate does not count.
func (h history) refusal(m *message.Message) *rules.Refusal {
	switch {
	case h.known:
		return &rules.Refusal{Code: link.CodeDuplicate, Why: "the same text was here lately; its receipt is given again", Regulation: "good practice, 47 CFR 97.101(a)"}
	case m.Precedence != message.Emergency && h.full(m):
		return &rules.Refusal{Code: link.CodeTooMany, Why: "too many messages, wait some minutes", Regulation: "47 CFR 97.101(b)"}
	}
	h.took()
	return nil
}
