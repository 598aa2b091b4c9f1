package bridge

import (
	"context"
	"slices"
	"sync"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
	"posthouse/bridge/presence"
	"posthouse/bridge/route"
)

const (
	// ownFresh is how long our own hearing of a station goes before what others
	// say, so that it is not asked for.
	ownFresh = 10 * time.Minute
	// soughtFor is how long a station's whereabouts are asked for after somebody
	// wrote to it: memory grows with our own traffic, not with the network.
	soughtFor = time.Hour

	maxSought  = 2000 // stations asked for at once
	perStation = 16   // gateways that heard one of them
)

// far is what is known of far gateways and of whom they hear. It is in memory
// only: the trunk's broker remembers it.
type far struct {
	table *presence.Table

	mu       sync.Mutex
	sought   map[string]time.Time    // base call -> when last asked for
	stations map[string][]farHearing // base call -> where it was heard
}

type farHearing struct {
	link.FarHearing
	trunk string
	at    time.Time // when it was heard, by our own time
}

func newFar() *far {
	return &far{table: presence.NewTable(), sought: map[string]time.Time{}, stations: map[string][]farHearing{}}
}

// want notes that somebody wrote to a station, whose whereabouts are needed.
func (f *far) want(base string, now time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, ok := f.sought[base]; ok || len(f.sought) < maxSought {
		f.sought[base] = now
	}
}

// wanted lists who is sought, and forgets those nobody wrote to any more.
func (f *far) wanted(held []string, now time.Time) []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, base := range held {
		if _, ok := f.sought[base]; ok || len(f.sought) < maxSought {
			f.sought[base] = now
		}
	}
	var out []string
	for base, at := range f.sought {
		if now.Sub(at) > soughtFor {
			delete(f.sought, base)
			delete(f.stations, base)
			continue
		}
		out = append(out, base)
	}
	slices.Sort(out)
	return out
}

// hear takes in where a far gateway heard a station; it tells whether that is
// news.
func (f *far) hear(trunk string, h link.FarHearing, now time.Time) bool {
	base := callsign.Base(h.Call)
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, ok := f.sought[base]; !ok {
		return false
	}
	list := slices.DeleteFunc(f.stations[base], func(o farHearing) bool { return o.Call == h.Call && o.Gateway == h.Gateway })
	if len(list) >= perStation {
		oldest := 0
		for i := range list {
			if list[i].at.Before(list[oldest].at) {
				oldest = i
			}
		}
		list = slices.Delete(list, oldest, oldest+1)
	}
	f.stations[base] = append(list, farHearing{h, trunk, now.Add(-max(h.Ago, 0))}) // a future time is cut to now
	return true
}

// forget drops what a gateway said: its key is no longer believed.
func (f *far) forget(call string) {
	f.table.Forget(call)
	f.mu.Lock()
	defer f.mu.Unlock()
	for base, list := range f.stations {
		f.stations[base] = slices.DeleteFunc(list, func(h farHearing) bool { return h.Gateway == call })
	}
}

// where lists where a station was heard by gateways that are alive.
func (f *far) where(base string, now time.Time) []farHearing {
	f.mu.Lock()
	list := slices.Clone(f.stations[base])
	f.mu.Unlock()
	return slices.DeleteFunc(list, func(h farHearing) bool { return !f.table.IsAlive(h.Gateway, now) })
}

// hearings are the far ones as routing wants them.
func (b *Bridge) farHearings(base string) []route.Hearing {
	var out []route.Hearing
	now := time.Now()
	for _, h := range b.far.where(base, now) {
		out = append(out, route.Hearing{Call: h.Call, Link: h.trunk, Mesh: h.Mesh, Ago: now.Sub(h.at), Messaging: h.Messaging})
	}
	return out
}

// gatewayFor finds the far gateway to which a message for an addressee is handed
// on a trunk: the transmitter of the mesh on which the station was heard, else
// who heard it; for a mail address, and for a station that only the operator's
// route sends this way, one that offers such a link.
func (b *Bridge) gatewayFor(trunk, to string, mail bool) string {
	now := time.Now()
	if !mail {
		var best *farHearing
		for _, h := range b.far.where(callsign.Base(to), now) {
			if h.trunk == trunk && (h.Call == to || callsign.Base(to) == to) && (best == nil || h.at.After(best.at)) {
				best = &h
			}
		}
		if best != nil {
			if t, ok := b.far.table.Transmitter(best.Mesh, now); ok && best.Mesh != "" {
				return t
			}
			return best.Gateway
		}
	}
	offer := "aprs"
	if mail {
		offer = "mail"
	}
	for _, s := range b.far.table.Living("", now) {
		if s.Call != b.own.String() && slices.Contains(s.Offers, offer) {
			return s.Call
		}
	}
	return ""
}

// meshes lists those on which far gateways hear the stations that are sought.
func (f *far) meshes() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []string
	for _, list := range f.stations {
		for _, h := range list {
			if !slices.Contains(out, h.Mesh) {
				out = append(out, h.Mesh)
			}
		}
	}
	slices.Sort(out)
	return out
}

// fewGateways is up to how many far gateways all are followed: in a small network
// everybody is known before the first message is written, in a large one only
// those that matter here.
const fewGateways = 200

// wantsAll tells whether there are few gateways, or the operator's routes send by a trunk what any gateway
// with the right links may take, so that all have to be known.
func (b *Bridge) wantsAll(trunk string) bool {
	if b.cfg.Unheard == trunk || b.far.table.Size(time.Now()) < fewGateways {
		return true
	}
	hasMail := false
	for _, ln := range b.lines {
		hasMail = hasMail || ln.Kind == config.KindMail && ln.MaySend()
	}
	return !hasMail || slices.ContainsFunc(b.cfg.Routes, func(r config.Route) bool { return r.Link == trunk })
}

// trunks are the links to far gateways.
func (b *Bridge) trunks() []*line {
	var out []*line
	for _, ln := range b.lines {
		if ln.trunk != nil {
			out = append(out, ln)
		}
	}
	return out
}

// followFar brings the trunks up to what is sought and heard here. The clerk
// calls it.
func (b *Bridge) followFar(ctx context.Context) {
	trunks := b.trunks()
	if len(trunks) == 0 {
		return
	}
	b.vote()
	held, err := b.store.Sought(ctx, maxSought)
	if err != nil {
		return
	}
	if b.farNews.Swap(false) { // a gateway came or went: what waits may have another way now
		for _, base := range held {
			b.control.toRelease(base)
		}
		b.letRelease()
	}
	sought := b.far.wanted(held, time.Now())
	heard := b.heardHere()
	says := b.says()
	for _, ln := range trunks {
		ln.trunk.Seek(sought)
		ln.trunk.Follow(b.far.meshes(), b.wantsAll(ln.Name))
		ln.trunk.Report(heard)
		ln.trunk.Announce(says)
	}
}

// heardHere lists the stations that this gateway heard itself, by radio or on
// APRS, as far as they may be reached.
func (b *Bridge) heardHere() []link.FarHearing {
	now := b.clock.Age()
	var out []link.FarHearing
	for _, e := range b.heard.all(func(e *hearing) bool {
		ln := b.byName[e.link]
		return ln != nil && ln.trunk == nil && ln.MaySend() && now.Sub(e.at) <= ln.HeardFor
	}) {
		h := link.FarHearing{Call: e.call, Gateway: b.own.String(), Ago: now.Sub(e.at), Messaging: e.answers}
		h.Mesh = b.byName[e.link].meshName()
		out = append(out, h)
	}
	return out
}

// meshName is the name of the mesh that a link serves, empty for other kinds.
func (ln *line) meshName() string {
	switch {
	case ln.Mesh == nil:
		return ""
	case ln.Mesh.Mesh == "":
		return ln.Name
	}
	return ln.Mesh.Mesh
}
