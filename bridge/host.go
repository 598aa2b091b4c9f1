package bridge

import (
	"context"
	"strings"
	"time"
	"unicode"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/message"
	"posthouse/bridge/presence"
)

// host is the bridge as one link sees it.
type host struct {
	b  *Bridge
	ln *line
}

// Accept implements link.Host.
func (h *host) Accept(ctx context.Context, in ...message.Message) ([]link.Verdict, error) {
	return h.b.accept(ctx, h.ln, in)
}

// Judge implements link.Host.
func (h *host) Judge(m message.Message) link.Verdict {
	m.Link = h.ln.Name
	if _, ref := h.b.consider(h.ln, h.ln, &m, false); ref != nil {
		return link.Verdict{Code: ref.Code, Why: ref.Why}
	}
	return link.Verdict{}
}

// withoutDigits strips a reason of its numbers: another local port or time of day
// does not make it a new reason.
func withoutDigits(why string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsDigit(r) {
			return -1
		}
		return r
	}, why)
}

// State implements link.Host.
func (h *host) State(up bool, why string) {
	ln := h.ln
	ln.mu.Lock()
	was, again := ln.up.Load(), ln.everUp
	changed := was != up
	news := withoutDigits(why) != withoutDigits(ln.why)
	ln.why = why
	if changed {
		ln.since = time.Now()
		ln.everUp = ln.everUp || up
	}
	ln.up.Store(up)
	ln.mu.Unlock()
	h.b.meter.LinkUp(ln.Name, up)
	switch {
	case !changed && !up && news && !h.b.stopping.Load(): // it never came up, or now fails for another reason
		h.b.log.Info("link is still down", "link", ln.Name, "why", why)
	case !changed:
		return
	case up:
		ln.silence.up(h.b.clock.Age())
		h.b.log.Info("link is up", "link", ln.Name, "why", why)
		if again {
			h.b.meter.Reconnected(ln.Name)
		}
		ln.courier.Wake()
	case h.b.stopping.Load():
		h.b.log.Info("link is closed", "link", ln.Name)
	default:
		h.b.log.Warn("link is down", "link", ln.Name, "why", why)
	}
}

// Trouble implements link.Host.
func (h *host) Trouble(what string) {
	h.ln.mu.Lock()
	defer h.ln.mu.Unlock()
	h.ln.trouble = what
}

// Heard implements link.Host.
func (h *host) Heard(call string) []link.Hearing {
	now := h.b.clock.Age()
	var out []link.Hearing
	for _, e := range h.b.heard.find(callsign.Base(call)) {
		if e.call == call || callsign.Base(call) == call {
			out = append(out, link.Hearing{Link: e.link, Radio: h.b.isRadio(e.link), Ago: now.Sub(e.at)})
		}
	}
	return out
}

// Interest implements link.Host.
func (h *host) Interest() link.Interest {
	return h.b.interest()
}

// AcceptMarked implements link.TrunkHost.
func (h *host) AcceptMarked(ctx context.Context, marks map[string][]byte, in ...message.Message) ([]link.Verdict, error) {
	return h.b.acceptMarked(ctx, h.ln, marks, in)
}

// Mark implements link.TrunkHost.
func (h *host) Mark(ctx context.Context, key string) ([]byte, error) {
	return h.b.store.Setting(ctx, markKey+h.ln.Name+"/"+key)
}

// Draw implements link.TrunkHost.
func (h *host) Draw(ctx context.Context, key string, n, least uint64) (uint64, error) {
	return h.b.draw(ctx, markKey+h.ln.Name+"/"+key, n, least)
}

// Inbox implements link.TrunkHost.
func (h *host) Inbox(ctx context.Context, part int) (held context.Context, giveBack func(), err error) {
	return h.b.share.Inbox(ctx, part)
}

// Present implements link.TrunkHost.
func (h *host) Present(s presence.Say, retained bool) {
	if s.Call == h.b.own.String() {
		return
	}
	if !retained {
		h.b.hearsOn(h.ln)
	}
	h.b.far.meet(s.Call, h.ln.Name, false, time.Now())
	if h.b.far.table.Hear(s, retained, time.Now()) {
		h.b.farNews.Store(true)
	}
}

// Absent implements link.TrunkHost.
func (h *host) Absent(call string, boot uint64) {
	if h.b.far.table.Gone(call, boot) {
		h.b.farNews.Store(true)
	}
}

// Spoke implements link.TrunkHost.
func (h *host) Spoke(call string) {
	h.b.far.table.Spoke(call, time.Now())
	h.b.far.meet(call, h.ln.Name, false, time.Now())
}

// Dated implements link.TrunkHost.
func (h *host) Dated(agrees bool) { h.b.clock.Deny(h.b.dates.note(agrees, time.Now())) }

// FarHeard implements link.TrunkHost.
func (h *host) FarHeard(f link.FarHearing) {
	if h.b.far.hear(h.ln.Name, f, time.Now()) {
		h.b.control.toRelease(callsign.Base(f.Call))
		h.b.wakeRelease()
		h.b.lookFar() // for the gateways of that mesh
	}
}

// TakenBy implements link.TrunkHost.
func (h *host) TakenBy(t link.Taken) { h.b.takenBy(context.Background(), t) }

// TurnedAway implements link.Host.
func (h *host) TurnedAway(m message.Message, code, why string) {
	m.Link, m.Kind = h.ln.Name, message.Text
	h.b.refused(h.ln, &m, identify(&m), code, why)
}

// Refuse implements link.TrunkHost.
func (h *host) Refuse(code string) { h.b.meter.Refused(h.ln.Name, code) }

// FarPosition implements link.TrunkHost.
func (h *host) FarPosition(p link.FarPosition) {
	h.b.far.locate(h.ln.Name, p, time.Now())
	h.b.positionTold(&p)
}

// Trusts implements link.TrunkHost.
func (h *host) Trusts(believed func(call, key string) bool, fallen []string) {
	for _, call := range fallen {
		h.b.far.forget(call)
	}
	if !h.b.leads {
		return
	}
	h.b.parkUnbelieved(context.Background(), h.ln.Name, believed)
}

// TrustBroken implements link.TrunkHost.
func (h *host) TrustBroken(broken bool) {
	h.b.meter.TrustBroken(h.ln.Name, broken)
	what := ""
	if broken {
		what = "its trust file cannot be read, an older list is in force"
	}
	h.Trouble(what)
}

// Count implements link.Host.
func (h *host) Count(reason string) { h.b.meter.Dropped(h.ln.Name, reason) }

func (b *Bridge) isRadio(name string) bool {
	ln := b.byName[name]
	return ln != nil && ln.props.Radio
}
