package web

import (
	"fmt"
	"math"
	"slices"

	"posthouse/bridge/desk"
)

// plot is where the stations are, north up, without a map under it.
type plot struct {
	Dots  []dot
	Width float64 // of the drawing; its height is plotHeight
	Scale float64 // length of the scale bar
	Km    string  // what that is
}

// dot is one station in the drawing.
type dot struct {
	X, Y  float64
	Call  string
	Fresh bool
	Label bool // there is room for its call sign
	Left  bool // its call sign stands left of it
}

// The drawing's own units.
const (
	plotWidth, plotHeight = 400.0, 300.0
	plotEdge              = 30.0
	letterWidth           = 6.5
	lineHeight            = 12.0
	kmPerDegree           = 111.2 // of latitude, mean earth radius 6371 km
	leastKm               = 0.5   // a plot is never smaller than that
)

// newPlot draws the stations whose position is known; nil: there are none. What
// is heard twice is drawn once.
func newPlot(stations []desk.Station) *plot {
	var at []desk.Station
	seen := map[string]bool{}
	for _, s := range stations {
		if !seen[s.Call] && locator(s.Lat, s.Lon) != "" {
			seen[s.Call] = true
			at = append(at, s)
		}
	}
	if len(at) == 0 {
		return nil
	}
	east, north := inKm(at)
	x0, x1 := bounds(east)
	y0, y1 := bounds(north)
	perKm := min((plotWidth-2*plotEdge)/(x1-x0), (plotHeight-2*plotEdge)/(y1-y0))
	p := &plot{Width: plotWidth}
	for i, s := range at {
		p.Dots = append(p.Dots, dot{
			X: round(plotWidth/2 + (east[i]-(x0+x1)/2)*perKm), Y: round(plotHeight/2 - (north[i]-(y0+y1)/2)*perKm),
			Call: s.Call, Fresh: s.Fresh,
		})
	}
	p.label()
	km := math.Pow(10, math.Floor(math.Log10(100/perKm)))
	for _, step := range []float64{5, 2} {
		if km*step*perKm <= 100 {
			km *= step
			break
		}
	}
	p.Scale, p.Km = round(km*perKm), fmt.Sprintf("%g km", km)
	return p
}

// inKm lays the stations flat around their middle.
func inKm(at []desk.Station) (east, north []float64) {
	lat0, lon0 := 0.0, *at[0].Lon
	for _, s := range at {
		lat0 += *s.Lat / float64(len(at))
	}
	for _, s := range at {
		lon := math.Remainder(*s.Lon-lon0, 360) // the short way round
		east = append(east, lon*kmPerDegree*math.Cos(lat0*math.Pi/180))
		north = append(north, *s.Lat*kmPerDegree)
	}
	return east, north
}

func bounds(list []float64) (low, high float64) {
	low, high = list[0], list[0]
	for _, v := range list {
		low, high = min(low, v), max(high, v)
	}
	if room := leastKm - (high - low); room > 0 {
		low, high = low-room/2, high+room/2
	}
	return low, high
}

// label writes each call sign that covers no dot and no call sign before it;
// the others show theirs on pointing, and the table has them all.
func (p *plot) label() {
	var taken []box
	for _, d := range p.Dots {
		taken = append(taken, box{d.X - 5, d.Y - 5, d.X + 5, d.Y + 5})
	}
	for i := range p.Dots {
		d := &p.Dots[i]
		d.Left = d.X > plotWidth*2/3
		width := letterWidth * float64(len(d.Call))
		words := box{d.X + 6, d.Y - lineHeight/2, d.X + 8 + width, d.Y + lineHeight/2}
		if d.Left {
			words.left, words.right = d.X-8-width, d.X-6
		}
		if d.Label = !slices.ContainsFunc(taken, words.meets); d.Label {
			taken = append(taken, words)
		}
	}
}

// box is a part of the drawing.
type box struct{ left, top, right, bottom float64 }

func (b box) meets(o box) bool {
	return b.left < o.right && o.left < b.right && b.top < o.bottom && o.top < b.bottom
}

func round(f float64) float64 { return math.Round(f*10) / 10 }
