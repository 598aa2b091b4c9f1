package bridge

import (
	"context"
	"slices"
	"time"

	"posthouse/bridge/config"
	"posthouse/bridge/link"
)

// Up to fewGateways far gateways all are followed, so that everybody is known before
// the first message is written; beyond that only those that matter here.
const fewGateways = 200

// fewForHub is the same for a hub, which has a larger machine: the outcome of what one
// process sent may come to another, and from another gateway of that mesh.
const fewForHub = 2000

// wantsAll tells whether all gateways are to be followed: there are few, or a route
// of the operator's sends by the trunk what any gateway with the right link may take.
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

// lookFar wakes the clerk to ask the trunks at once for what is of interest now.
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

// meshes lists the meshes on which far gateways hear stations that are sought.
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

// followEvery is how often the trunks are updated if nothing has changed.
const followEvery = 10 * time.Second

// followFar updates the trunks: what we seek, whom we hear. The clerk calls it each
// second.
func (b *Bridge) followFar(ctx context.Context) {
	b.vote()
	b.tellUnsaid(ctx)
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

// releaseAll has everything that is held looked at: a gateway came or went, so there
// may be another way now.
func (b *Bridge) releaseAll(ctx context.Context) {
	held, err := b.store.Sought(ctx, maxSought)
	if err != nil {
		b.farNews.Store(true)
	}
	for _, base := range held {
		b.control.toRelease(base)
	}
	b.wakeRelease()
}

// heardHere lists the stations that this gateway heard itself, by radio or on APRS,
// and can reach.
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
