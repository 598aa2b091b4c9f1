package bridge

import (
	"maps"
	"slices"
	"time"

	"posthouse/bridge/desk"
	"posthouse/bridge/link"
)

// maxPositions is how many positions of far stations are remembered.
const maxPositions = 10000

// farPlace is the position of a station that a far gateway hears by radio.
type farPlace struct {
	link.FarPosition
	trunk string
	at    time.Time // when it was there, by our clock
}

// locate notes where a far station is.
func (f *far) locate(trunk string, p link.FarPosition, now time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.places) >= maxPositions {
		clear(f.places)
	}
	f.places[p.Call] = farPlace{p, trunk, now.Add(-max(p.Ago, 0))}
}

// farStations lists the positions of stations that far gateways heard by radio.
func (b *Bridge) farStations() []desk.Station {
	now := time.Now()
	b.far.mu.Lock()
	places := slices.Collect(maps.Values(b.far.places))
	b.far.mu.Unlock()
	var out []desk.Station
	for _, p := range places {
		ago := now.Sub(p.at)
		s := desk.Station{
			Call: p.Call, Link: p.trunk, Gateway: p.Gateway, Ago: ago.Seconds(), Moment: b.wallAt(b.clock.Age().Add(-ago)),
			Answers: true, Lat: &p.Where.Lat, Lon: &p.Where.Lon, // it is on a mesh
		}
		if ln := b.byName[p.trunk]; ln != nil {
			s.Fresh = ago <= ln.HeardFor && b.far.table.IsAlive(p.Gateway, now)
		}
		out = append(out, s)
	}
	return out
}
