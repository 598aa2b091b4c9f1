package web

import (
	"fmt"
	"math"
)

// squares are the grid squares under the stations: the borders, as pieces of an
// SVG path, and the names of those that have room for it.
type squares struct {
	Lines []string
	Names []dot
}

// The sizes of grid squares in degrees, and the letters of their names
// (Maidenhead locator system, IARU).
var squareSizes = []struct {
	lon, lat float64
	letters  int
}{{2.0 / 24, 1.0 / 24, 6}, {2, 1, 4}, {20, 10, 2}}

// mostSquares is how many of them may lie side by side.
const mostSquares = 12

// squares draws the smallest squares that are not too many.
func (s sheet) squares() (out squares) {
	wide, high := plotWidth/s.perKm, plotHeight/s.perKm // km
	west, south := (s.east-wide/2)/s.perLon, (s.north-high/2)/kmPerDegree
	for _, size := range squareSizes {
		if wide/s.perLon > mostSquares*size.lon || high/kmPerDegree > mostSquares*size.lat {
			continue
		}
		// Borders lie at whole steps, the first one at or before the edge.
		lon0 := math.Floor((west+s.lon0)/size.lon) * size.lon
		lat0 := math.Floor(south/size.lat) * size.lat
		for i := range mostSquares + 2 {
			x := plotWidth/2 + ((lon0+float64(i)*size.lon-s.lon0)*s.perLon-s.east)*s.perKm
			y := plotHeight/2 - ((lat0+float64(i)*size.lat)*kmPerDegree-s.north)*s.perKm
			out.Lines = append(out.Lines, across(x, plotWidth, "M%g 0V300"), across(y, plotHeight, "M0 %gH400"))
			for j := range mostSquares + 2 {
				out.name(s, lon0+float64(i)*size.lon, lat0+float64(j)*size.lat, size.lon, size.lat, size.letters)
			}
		}
		return out
	}
	return out
}

// across is a line at a place inside of the drawing.
func across(at, most float64, path string) string {
	if at <= 0 || at >= most {
		return ""
	}
	return fmt.Sprintf(path, round(at))
}

// name writes a square's name into its upper left corner, as far as that is in
// the drawing and has room.
func (q *squares) name(s sheet, lon, lat, width, height float64, letters int) {
	left := max(0, plotWidth/2+((lon-s.lon0)*s.perLon-s.east)*s.perKm)
	right := min(plotWidth, plotWidth/2+((lon+width-s.lon0)*s.perLon-s.east)*s.perKm)
	top := max(0, plotHeight/2-((lat+height)*kmPerDegree-s.north)*s.perKm)
	bottom := min(plotHeight, plotHeight/2-(lat*kmPerDegree-s.north)*s.perKm)
	if right-left < letterWidth*float64(letters)+8 || bottom-top < lineHeight+6 {
		return
	}
	middle, north := math.Remainder(lon+width/2, 360), lat+height/2
	if whole := locator(&north, &middle); whole != "" {
		q.Names = append(q.Names, dot{X: round(left + 4), Y: round(top + lineHeight), Call: whole[:letters]})
	}
}
