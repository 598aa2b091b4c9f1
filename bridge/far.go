package bridge

import (
	"slices"
	"strings"
	"sync"
	"time"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
	"posthouse/bridge/presence"
	"posthouse/bridge/route"
)

const (
	// ownFresh: a station that we heard ourselves this lately is not sought on the
	// trunks.
	ownFresh = 10 * time.Minute
	// soughtFor is how long a station is sought after somebody wrote to it: memory
	// grows with our own traffic, not with the network.
	soughtFor = time.Hour

	maxSought   = 2000 // stations sought at once
	maxPortable = 8    // portable forms of one of them
	perStation  = 16   // gateways that heard one of them
)

// far is what is known about far gateways and whom they hear. It is in memory only:
// the trunk's broker retains it.
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

type farHearing struct {
	link.FarHearing
	trunk string
	at    time.Time // when it was heard, by our clock
}

func newFar() *far {
	return &far{
		table: presence.NewTable(), sought: map[string]time.Time{}, portable: map[string][]string{}, stations: map[string][]farHearing{},
		partners: map[string]partner{}, room: map[string]map[uint64]time.Time{}, places: map[string]farPlace{},
	}
}

// want notes that somebody wrote to a station, so that it has to be sought. It tells
// whether that is new.
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

// wanted lists the stations that are sought, and forgets those to which nobody wrote
// lately.
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

// hear notes where a far gateway heard a station, and tells whether that is news.
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
	f.stations[base] = append(list, farHearing{h, trunk, now.Add(-max(h.Ago, 0))}) // the future counts as now
	return true
}

// forget drops what a gateway said: its key is no longer trusted.
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

// where lists the living gateways that heard a station.
func (f *far) where(base string, now time.Time) []farHearing {
	f.mu.Lock()
	list := slices.Clone(f.stations[base])
	f.mu.Unlock()
	return slices.DeleteFunc(list, func(h farHearing) bool { return !f.table.IsAlive(h.Gateway, now) })
}

// farHearings are the far hearings for routing. What another gateway of our own mesh
// heard there is in reach of our mesh link.
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
