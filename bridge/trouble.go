package bridge

import (
	"cmp"
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/fxamacker/cbor/v2"

	"posthouse/bridge/clock"
	"posthouse/bridge/desk"
	"posthouse/bridge/message"
	"posthouse/queue"
)

// How long something has to be wrong before an alert, and right before the alert
// that it is over. If it is right for a shorter time the trouble goes on, so that a
// link that flaps is one trouble.
const (
	downAfter, downOver   = 10 * time.Minute, 5 * time.Minute
	deafAfter, deafOver   = 0, time.Minute
	diskAfter, diskOver   = time.Minute, 10 * time.Minute
	clockAfter, clockOver = 15 * time.Minute, 5 * time.Minute
	clockOffAfter         = 2 * time.Minute

	// troubleRest is the least time between two alerts of a kind: with the one that
	// it is over, at most two messages an hour of each.
	troubleRest = time.Hour
)

const troubleKey = "trouble/"

// condition is what can be wrong, as it is now.
type condition struct {
	key         string
	wrong       bool
	since       clock.Age // when it went wrong, if known
	after, over time.Duration
	what, well  string // for people: "link valley is down", "link valley is up again"
	do          string // for the log: why, and what to do; empty: what says it all
}

// trouble is the history of a condition.
type trouble struct {
	wrong, well clock.Age // since when; 0: it is not
	told        bool      // the alert was sent
	rest        clock.Age // no new alert before
}

// storedTrouble is a trouble of which an alert was sent, on disk: a restart neither
// repeats the alert nor forgets the one that it is over.
type storedTrouble struct {
	Since clock.Age `cbor:"1,keyasint"`
	Told  bool      `cbor:"2,keyasint,omitempty"`
	Rest  clock.Age `cbor:"3,keyasint"`
}

func (b *Bridge) loadTroubles(ctx context.Context) error {
	all, err := b.store.Settings(ctx, troubleKey)
	if err != nil {
		return err
	}
	for key, v := range all {
		var s storedTrouble
		if cbor.Unmarshal(v, &s) == nil {
			b.troubles[strings.TrimPrefix(key, troubleKey)] = &trouble{wrong: s.Since, told: s.Told, rest: s.Rest}
		}
	}
	return nil
}

// watchTroubles checks everything that can be wrong. The clerk calls it.
func (b *Bridge) watchTroubles(ctx context.Context) {
	now := b.clock.Age()
	for _, c := range b.conditions() {
		t := b.troubles[c.key]
		if t == nil {
			t = &trouble{}
			b.troubles[c.key] = t
		}
		switch t.step(c, now) {
		case begins:
			about := []any{"what", c.what, "for", now.Sub(t.wrong).Round(time.Second)}
			if c.do != "" {
				about = append(about, "why", c.do)
			}
			b.log.Warn("trouble", about...)
			b.tellTrouble(ctx, c, trouble{wrong: t.wrong, told: true, rest: now.Add(troubleRest)},
				fmt.Sprintf("ALERT %s: %s (%s)", b.own, c.what, desk.Brief(now.Sub(t.wrong))))
		case ends:
			b.log.Info("trouble is over", "what", c.well, "after", now.Sub(t.wrong).Round(time.Second))
			b.tellTrouble(ctx, c, trouble{well: t.well, rest: t.rest}, fmt.Sprintf("OK %s: %s after %s", b.own, c.well, desk.Brief(t.well.Sub(t.wrong))))
		}
	}
}

// change is what an alert is sent about.
type change int

const (
	nothingNew change = iota
	begins
	ends
)

// step updates a trouble, and returns what to alert people about.
func (t *trouble) step(c condition, now clock.Age) change {
	if c.wrong {
		t.well = 0
		if t.wrong == 0 {
			t.wrong = max(cmp.Or(c.since, now), 1)
		}
		if !t.told && now.Sub(t.wrong) >= c.after && now >= t.rest {
			return begins
		}
		return nothingNew
	}
	if t.well == 0 {
		t.well = max(now, 1)
	}
	switch {
	case now.Sub(t.well) < c.over:
	case t.told:
		return ends
	default:
		t.wrong = 0
	}
	return nothingNew
}

// tellTrouble sends an alert, and files in the same commit that it was sent. If
// that fails the next look does it again.
func (b *Bridge) tellTrouble(ctx context.Context, c condition, now trouble, text string) {
	v, _ := cbor.Marshal(storedTrouble{now.wrong, now.told, now.rest}) // plain fields: cannot fail
	ops := append(b.alertOps(0, message.Routine, text), queue.Op{Urgent: true, Put: map[string][]byte{troubleKey + c.key: v}})
	if _, err := b.store.Apply(ctx, ops...); err != nil {
		return // the store says what is wrong with it
	}
	*b.troubles[c.key] = now
}

// conditions lists what can be wrong, as it is now.
func (b *Bridge) conditions() []condition {
	var all []condition
	for _, ln := range b.lines {
		all = append(all, condition{
			key: "down/" + ln.Name, wrong: !ln.up.Load(), after: downAfter, over: downOver,
			what: "link " + ln.Name + " is down", well: "link " + ln.Name + " is up again",
		})
		ln.mu.Lock()
		half := ln.trouble
		ln.mu.Unlock()
		all = append(all, condition{
			key: "half/" + ln.Name, wrong: half != "" && ln.up.Load(), after: downAfter, over: downOver,
			what: "link " + ln.Name + ": " + half, well: "link " + ln.Name + " does all of its work again",
		})
		if ln.MayReceive() {
			since, deaf := b.isDeaf(ln)
			all = append(all, condition{
				key: "deaf/" + ln.Name, wrong: deaf, since: since, after: deafAfter, over: deafOver,
				what: "link " + ln.Name + " is up and hears nothing", well: "link " + ln.Name + " hears again",
			})
		}
	}
	all = append(all, b.clockCondition())
	if b.room != nil {
		all = append(all, condition{
			key: "disk", wrong: b.isFilling(), after: diskAfter, over: diskOver,
			what: "the disk is filling", well: "the disk has room again",
		})
	}
	return all
}

// isFilling tells whether room is getting short: less than four times what the
// store needs, or more than 80 % of its limit. It stays true until there is clearly
// more room.
func (b *Bridge) isFilling() bool {
	r, ok := b.room()
	if t := b.troubles["disk"]; t != nil && t.wrong != 0 {
		return ok && (r.Free < 5*r.Least || r.Used > r.Most/10*7)
	}
	return ok && (r.Free < 4*r.Least || r.Used > r.Most/10*8)
}
