package config

import (
	"math"
	"strconv"
	"strings"
)

// Position is a place on the earth in degrees, north and east positive. The
// zero value means that none is known: 0,0 is open sea, and what devices
// without a fix report.
type Position struct{ Lat, Lon float64 }

// IsZero tells that no position is known.
func (p Position) IsZero() bool { return p == Position{} }

// String gives lat,lon with five decimals, which is about a metre; nothing when
// none is known.
func (p Position) String() string {
	if p.IsZero() {
		return ""
	}
	return trimZeros(p.Lat) + "," + trimZeros(p.Lon)
}

func trimZeros(f float64) string {
	s := strings.TrimRight(strconv.FormatFloat(f, 'f', 5, 64), "0")
	return strings.TrimSuffix(s, ".")
}

// UnmarshalText reads "lat,lon" in degrees, or a grid square.
func (p *Position) UnmarshalText(b []byte) error {
	q, err := ParsePosition(string(b))
	if err == nil {
		*p = q
	}
	return err
}

// ParsePosition reads "lat,lon" in degrees, or a grid square of 2 to 8
// characters, of which it gives the centre. 0,0 is no position.
func ParsePosition(s string) (Position, error) {
	lat, lon, ok := strings.Cut(s, ",")
	if !ok {
		return parseLocator(s)
	}
	var p Position
	var err1, err2 error
	p.Lat, err1 = strconv.ParseFloat(strings.TrimSpace(lat), 64)
	p.Lon, err2 = strconv.ParseFloat(strings.TrimSpace(lon), 64)
	// Written so that NaN fails too.
	if err1 != nil || err2 != nil || !(math.Abs(p.Lat) <= 90) || !(math.Abs(p.Lon) <= 180) {
		return Position{}, errPosition(s)
	}
	if math.Abs(p.Lat) < 1e-5 && math.Abs(p.Lon) < 1e-5 {
		return Position{}, fault{"is 0,0, which devices report that do not know", "write where the gateway stands"}
	}
	return p, nil
}

func errPosition(s string) error {
	return fault{"is " + quote(s), "write lat,lon in degrees (46.5,-122.9) or a grid square (CN86nm)"}
}

// parseLocator reads a grid square by the Maidenhead system: pairs of letters
// A-R, digits, letters A-X, digits; longitude comes first in each pair, from
// 180 degrees west, latitude from the south pole.
func parseLocator(s string) (Position, error) {
	if len(s) < 2 || len(s) > 8 || len(s)%2 != 0 {
		return Position{}, errPosition(s)
	}
	steps := []struct {
		first byte
		count int
	}{{'A', 18}, {'0', 10}, {'A', 24}, {'0', 10}}
	lon, lat := -180.0, -90.0
	width, height := 360.0, 180.0
	up := strings.ToUpper(s)
	if len(up) != len(s) {
		return Position{}, errPosition(s) // a letter outside ASCII
	}
	for i := 0; i < len(up); i += 2 {
		step := steps[i/2]
		x, y := int(up[i])-int(step.first), int(up[i+1])-int(step.first)
		if x < 0 || x >= step.count || y < 0 || y >= step.count {
			return Position{}, errPosition(s)
		}
		width, height = width/float64(step.count), height/float64(step.count)
		lon, lat = lon+float64(x)*width, lat+float64(y)*height
	}
	return Position{Lat: lat + height/2, Lon: lon + width/2}, nil
}
