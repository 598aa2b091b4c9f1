package bridge

import (
	"slices"
	"time"

	"posthouse/bridge/callsign"
)

const (
	// partnerFor is how long a gateway is followed after we had something for it.
	partnerFor  = time.Hour
	maxPartners = 1000 // gateways followed by themselves

	// mostUnreceipted is how many messages may be on their way to one gateway
	// without its custody receipt.
	mostUnreceipted = 20
)

// partner is a far gateway that this one deals with.
type partner struct {
	trunk string    // on which it was heard last
	since time.Time // when we last had something for it; zero: never
}

// meet notes on which trunk a gateway is, and with to set that it has to be
// followed. It tells whether that is new.
func (f *far) meet(call, trunk string, to bool, now time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	p, known := f.partners[call]
	if !known && len(f.partners) >= maxPartners {
		f.forgetPartner(now)
	}
	was := p.since
	if p.trunk == "" || !to {
		p.trunk = trunk
	}
	if to {
		p.since = now
	}
	f.partners[call] = p
	return to && was.IsZero()
}

// forgetPartner makes room for another.
func (f *far) forgetPartner(now time.Time) {
	for call, p := range f.partners {
		if now.Sub(p.since) > partnerFor {
			delete(f.partners, call)
			return
		}
	}
	for call := range f.partners {
		delete(f.partners, call)
		return
	}
}

// followed lists the gateways that have to be followed.
func (f *far) followed(now time.Time) []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []string
	for call, p := range f.partners {
		if now.Sub(p.since) <= partnerFor {
			out = append(out, call)
		} else {
			p.since = time.Time{}
			f.partners[call] = p
		}
	}
	for _, list := range f.stations {
		for _, h := range list {
			if h.Mesh == "" { // heard through a network: no mesh leads to the gateway
				out = append(out, h.Gateway)
			}
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// keepRoom reserves room for a record on its way to a gateway; false: too many are
// on their way there. Room that was not given back is free again after the longest
// wait for a receipt.
func (f *far) keepRoom(gateway string, seq uint64, now time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	taken := f.room[gateway]
	if taken == nil {
		taken = map[uint64]time.Time{}
		f.room[gateway] = taken
	}
	if _, ok := taken[seq]; !ok && len(taken) >= mostUnreceipted {
		for s, at := range taken {
			if now.Sub(at) > longestRoom {
				delete(taken, s)
			}
		}
		if len(taken) >= mostUnreceipted {
			return false
		}
	}
	taken[seq] = now
	return true
}

const longestRoom = 11 * time.Minute

// freeRoom gives back a record's room at any gateway.
func (f *far) freeRoom(seq uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for gateway, taken := range f.room {
		delete(taken, seq)
		if len(taken) == 0 {
			delete(f.room, gateway)
		}
	}
}

// trunkTo is the trunk on which a gateway is; empty: none.
func (b *Bridge) trunkTo(gateway string) string {
	b.far.mu.Lock()
	p := b.far.partners[gateway]
	b.far.mu.Unlock()
	if p.trunk != "" {
		return p.trunk
	}
	for _, ln := range b.trunks() {
		return ln.Name
	}
	return ""
}

// gatewayFor finds the far gateway that gets a message on a trunk: the transmitter
// of the mesh on which the addressee was heard, else the gateway that heard it; for a
// mail address, and for a station that only a route of the operator's sends this way,
// one that offers such a link.
func (b *Bridge) gatewayFor(trunk, to string, mail bool) string {
	now := time.Now()
	if !mail {
		var best *farHearing
		taker := ""
		for _, h := range b.far.where(callsign.Base(to), now) {
			if h.trunk == trunk && (h.Call == to || callsign.Base(to) == to) && (best == nil || h.at.After(best.at)) {
				if g := b.takerOf(h, now); g != "" {
					best, taker = &h, g
				}
			}
		}
		if best != nil {
			return taker
		}
	}
	offer := "aprs"
	if mail {
		offer = "mail"
	}
	for _, s := range b.far.table.Living("", now) {
		if s.Call != b.own.String() && slices.Contains(s.Offers, offer) && b.trunkTo(s.Call) == trunk {
			return s.Call
		}
	}
	return ""
}

// takerOf is the gateway that gets messages for a station that was heard; empty if it
// takes nothing over.
func (b *Bridge) takerOf(h farHearing, now time.Time) string {
	g := h.Gateway
	if t, ok := b.far.table.Transmitter(h.Mesh, now); ok && h.Mesh != "" {
		g = t
	}
	if !b.far.table.Takes(g, now) {
		return ""
	}
	return g
}
