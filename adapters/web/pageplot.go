package web

import (
	"fmt"
	"math"
	"slices"

	"posthouse/bridge/desk"
)

// plot is where the stations are, north up, without a map under it.
type plot struct {
	Dots    []dot
	Squares squares
	Width   float64 // of the drawing; its height is plotHeight
	Scale   float64 // length of the scale bar
	Km      string  // what that is
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
	letterWidth           = 8.2
	lineHeight            = 15.0
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
	s := newSheet(at)
	p := &plot{Width: plotWidth, Squares: s.squares()}
	for _, one := range at {
		p.Dots = append(p.Dots, dot{X: s.x(*one.Lon), Y: s.y(*one.Lat), Call: one.Call, Fresh: one.Fresh})
	}
	p.label()
	km := math.Pow(10, math.Floor(math.Log10(100/s.perKm)))
	for _, step := range []float64{5, 2} {
		if km*step*s.perKm <= 100 {
			km *= step
			break
		}
	}
	p.Scale, p.Km = round(km*s.perKm), fmt.Sprintf("%g km", km)
	return p
}

// sheet lays a part of the earth flat around the middle of the stations.
type sheet struct {
	lon0, perLon float64 // a meridian, and km of a degree of longitude
	east, north  float64 // the middle of the drawing in km, from lon0 and from the equator
	perKm        float64 // units of the drawing
}

func newSheet(at []desk.Station) sheet {
	lat0 := 0.0
	for _, s := range at {
		lat0 += *s.Lat / float64(len(at))
	}
	s := sheet{lon0: *at[0].Lon, perLon: kmPerDegree * math.Cos(lat0*math.Pi/180)}
	var east, north []float64
	for _, one := range at {
		east, north = append(east, s.lon(*one.Lon)*s.perLon), append(north, *one.Lat*kmPerDegree)
	}
	x0, x1 := bounds(east)
	y0, y1 := bounds(north)
	s.east, s.north = (x0+x1)/2, (y0+y1)/2
	s.perKm = min((plotWidth-2*plotEdge)/(x1-x0), (plotHeight-2*plotEdge)/(y1-y0))
	return s
}

// lon is how far east of lon0, the short way round.
func (s sheet) lon(lon float64) float64 { return math.Remainder(lon-s.lon0, 360) }

func (s sheet) x(lon float64) float64 {
	return round(plotWidth/2 + (s.lon(lon)*s.perLon-s.east)*s.perKm)
}

func (s sheet) y(lat float64) float64 {
	return round(plotHeight/2 - (lat*kmPerDegree-s.north)*s.perKm)
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
// the others show theirs on pointing, and the table has them all. Names of
// squares make room for both.
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
	p.Squares.Names = slices.DeleteFunc(p.Squares.Names, func(n dot) bool {
		return slices.ContainsFunc(taken, box{n.X, n.Y - lineHeight, n.X + letterWidth*float64(len(n.Call)), n.Y}.meets)
	})
}

// box is a part of the drawing.
type box struct{ left, top, right, bottom float64 }

func (b box) meets(o box) bool {
	return b.left < o.right && o.left < b.right && b.top < o.bottom && o.top < b.bottom
}

func round(f float64) float64 { return math.Round(f*10) / 10 }
