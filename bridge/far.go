package bridge

import (
	"context"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/config"
	"posthouse/bridge/desk"
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

	// partnerFor is how long a gateway is followed after something was to go there.
	partnerFor = time.Hour

	maxSought    = 2000  // stations asked for at once
	maxPortable  = 8     // portable forms of one of them
	perStation   = 16    // gateways that heard one of them
	maxPartners  = 1000  // gateways followed by themselves
	maxPositions = 10000 // far stations of which the place is remembered

	// mostUnreceipted is how many messages may be on their way to one gateway
	// without its custody receipt.
	mostUnreceipted = 20
)

// far is what is known of far gateways and of whom they hear. It is in memory
// only: the trunk's broker remembers it.
type far struct {
	table *presence.Table

	mu       sync.Mutex
	sought   map[string]time.Time            // base call -> when last asked for
	portable map[string][]string             // base call -> its portable forms that somebody wrote to
	stations map[string][]farHearing         // base call -> where it was heard
	partners map[string]partner              // by call sign
	room     map[string]map[uint64]time.Time // gateway -> records on their way there
	places   map[string]farPlace             // station -> where it was last
}

// partner is a gateway with which this one has something to do.
type partner struct {
	trunk string    // on which it was heard last
	since time.Time // when something was last to go there; zero: nothing is
}

type farHearing struct {
	link.FarHearing
	trunk string
	at    time.Time // when it was heard, by our own time
}

// farPlace is where a station was that a far gateway hears by radio.
type farPlace struct {
	link.FarPosition
	trunk string
	at    time.Time // when it was there, by our own time
}

func newFar() *far {
	return &far{
		table: presence.NewTable(), sought: map[string]time.Time{}, portable: map[string][]string{}, stations: map[string][]farHearing{},
		partners: map[string]partner{}, room: map[string]map[uint64]time.Time{}, places: map[string]farPlace{},
	}
}

// want notes that somebody wrote to a station, whose whereabouts are needed; it
// tells whether it was not asked for until now.
func (f *far) want(call string, now time.Time) bool {
	base := callsign.Base(call)
	f.mu.Lock()
	defer f.mu.Unlock()
	_, known := f.sought[base]
	if !known && len(f.sought) >= maxSought {
		return false
	}
	f.sought[base] = now
	forms := f.portable[base]
	if strings.Contains(call, "/") && !slices.Contains(forms, call) && len(forms) < maxPortable {
		f.portable[base] = append(forms, call)
		known = false
	}
	return !known
}

// meet notes on which trunk a gateway is, and, with something to go there, that
// it is to be followed. It tells whether it was not until now.
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

// followed lists the gateways to which something is to go.
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

// place keeps room for a record that is to go to a gateway; false: too many are
// on their way there already. Places that nobody gave back are free again after
// the longest wait for a receipt.
func (f *far) place(gateway string, seq uint64, now time.Time) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	taken := f.room[gateway]
	if taken == nil {
		taken = map[uint64]time.Time{}
		f.room[gateway] = taken
	}
	if _, ok := taken[seq]; !ok && len(taken) >= mostUnreceipted {
		for s, at := range taken {
			if now.Sub(at) > longestPlace {
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

const longestPlace = 11 * time.Minute

// free gives back a record's place at whatever gateway.
func (f *far) free(seq uint64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for gateway, taken := range f.room {
		delete(taken, seq)
		if len(taken) == 0 {
			delete(f.room, gateway)
		}
	}
}

// mark notes where a far station is.
func (f *far) mark(trunk string, p link.FarPosition, now time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.places) >= maxPositions {
		clear(f.places)
	}
	f.places[p.Call] = farPlace{p, trunk, now.Add(-max(p.Ago, 0))}
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
			delete(f.portable, base)
			continue
		}
		out = append(append(out, base), f.portable[base]...)
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
	delete(f.partners, call)
	for station, p := range f.places {
		if p.Gateway == call {
			delete(f.places, station)
		}
	}
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

// farHearings are the far ones as routing wants them. What another gateway of our
// own mesh heard there is within reach of that mesh.
func (b *Bridge) farHearings(base string) []route.Hearing {
	var out []route.Hearing
	now := time.Now()
	for _, h := range b.far.where(base, now) {
		r := route.Hearing{Call: h.Call, Link: h.trunk, Mesh: h.Mesh, Ago: now.Sub(h.at), Messaging: h.Messaging}
		if ln := b.sharedLine(h.Mesh); ln != nil {
			r.Link, r.Mesh = ln.Name, ""
		}
		out = append(out, r)
	}
	return out
}

// sharedLine finds the link to a mesh that other gateways may serve, too.
func (b *Bridge) sharedLine(mesh string) *line {
	for _, ln := range b.lines {
		if ln.vote != nil && ln.meshName() == mesh {
			return ln
		}
	}
	return nil
}

// trunkTo is the trunk on which a gateway is, empty without any.
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

// farStations lists where stations are that far gateways heard by radio, as far as
// they told.
func (b *Bridge) farStations() []desk.Station {
	now := time.Now()
	b.far.mu.Lock()
	places := slices.Collect(maps.Values(b.far.places))
	b.far.mu.Unlock()
	var out []desk.Station
	for _, p := range places {
		ago := now.Sub(p.at)
		s := desk.Station{
			Call: p.Call, Link: p.trunk, Gateway: p.Gateway, Ago: ago.Seconds(), At: b.wallAt(b.clock.Age().Add(-ago)).At,
			Answers: true, Lat: &p.Where.Lat, Lon: &p.Where.Lon, // it is on a mesh
		}
		if ln := b.byName[p.trunk]; ln != nil {
			s.Fresh = ago <= ln.HeardFor && b.far.table.IsAlive(p.Gateway, now)
		}
		out = append(out, s)
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

// takerOf is the gateway to which goes what is for a station that was heard; none if it
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

// meshes lists those on which far gateways hear the stations that are sought.
func (f *far) meshes() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []string
	for _, list := range f.stations {
		for _, h := range list {
			if h.Mesh != "" && !slices.Contains(out, h.Mesh) {
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

// fewForHub is the same for a hub, which has more of a machine: any of its processes may
// be told by the sibling of a gateway what became of what another one has sent there.
const fewForHub = 2000

// wantsAll tells whether there are few gateways, or the operator's routes send by
// a trunk what any gateway with the right links may take, so that all have to be
// known.
func (b *Bridge) wantsAll(trunk string) bool {
	few := fewGateways
	if b.share != nil {
		few = fewForHub
	}
	if b.cfg.Unheard == trunk || b.far.table.Size(time.Now()) < few {
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

// lookFar has the clerk ask the trunks at once for what has just become of
// interest.
func (b *Bridge) lookFar() {
	select {
	case b.farther <- struct{}{}:
	default:
	}
}

// seek asks the trunks for the stations and gateways that are of interest.
func (b *Bridge) seek(ctx context.Context) {
	held, err := b.store.Sought(ctx, maxSought)
	if err != nil {
		return
	}
	now := time.Now()
	sought, meshes, gateways := b.far.wanted(held, now), b.far.meshes(), b.far.followed(now)
	for _, ln := range b.trunks() {
		ln.trunk.Seek(sought)
		ln.trunk.Follow(meshes, gateways, b.wantsAll(ln.Name))
	}
}

// followEvery is how often the trunks are brought up to what is sought and heard
// here when nothing has changed of it but the time.
const followEvery = 10 * time.Second

// followFar brings the trunks up to what is sought and heard here. The clerk
// calls it each second.
func (b *Bridge) followFar(ctx context.Context) {
	b.vote()
	trunks, says := b.trunks(), b.says()
	for _, ln := range trunks {
		ln.trunk.Announce(says)
	}
	came := b.farNews.Swap(false)
	if heard := b.heard.changed(); !came && !heard && time.Since(b.followed) < followEvery {
		return
	}
	b.followed = time.Now()
	b.seek(ctx)
	if came {
		b.releaseAll(ctx)
	}
	heard := b.heardHere()
	for _, ln := range trunks {
		ln.trunk.Report(heard)
	}
}

// releaseAll has all that is held looked at: a gateway came or went, and what waits
// may have another way now.
func (b *Bridge) releaseAll(ctx context.Context) {
	held, err := b.store.Sought(ctx, maxSought)
	if err != nil {
		b.farNews.Store(true)
	}
	for _, base := range held {
		b.control.toRelease(base)
	}
	b.letRelease()
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
