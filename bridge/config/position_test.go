package config

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestGridSquares: published values, see testdata/SOURCES.md.
func TestGridSquares(t *testing.T) {
	for _, c := range []struct {
		locator  string
		lat, lon float64 // of the centre
	}{
		{"JN58TD25", 48.147916666666674, 11.60416666666666},
		{"DN40bi", 40.35416666666667, -111.875},
		{"dn40BI", 40.35416666666667, -111.875},
		// By the definition alone: the first field begins at the south pole and
		// 180 degrees west, a field is 20 by 10 degrees.
		{"AA", -85, -170},
		{"RR", 85, 170},
		{"JJ00", 0.5, 1},
	} {
		p, err := ParsePosition(c.locator)
		if err != nil || math.Abs(p.Lat-c.lat) > 1e-9 || math.Abs(p.Lon-c.lon) > 1e-9 {
			t.Errorf("%s is %v, %v, want %v,%v", c.locator, p, err, c.lat, c.lon)
		}
	}
	// A place named in the same sources lies in the square that they give.
	p, err := ParsePosition("BP65aa")
	if err != nil || math.Abs(p.Lat-65) > 1./24 || math.Abs(p.Lon+148) > 1./12 {
		t.Errorf("BP65aa is %v, %v, and 65,-148 is not in it", p, err)
	}
}

func TestNoPosition(t *testing.T) {
	for _, s := range []string{"", "J", "JN5", "SA00", "JN58YA", "JN5A", "JN58TD2", "JN58TD25AA", "1,2,3", "1;2", "NaN,1", "Inf,1", "1,181", "-91,0", "0,0", "0.000001,-0.0", "ſſ", "ıı00"} {
		if p, err := ParsePosition(s); err == nil || !p.IsZero() {
			t.Errorf("%q is %v, %v", s, p, err)
		}
	}
}

// TestEveryPlaceIsInItsSquare: the square that a place lies in, by an encoder
// written for this test alone, is read as a centre at most half a square away.
func TestEveryPlaceIsInItsSquare(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lat := rapid.Float64Range(-90, 89.9999).Draw(t, "lat")
		lon := rapid.Float64Range(-180, 179.9999).Draw(t, "lon")
		x, y := math.Floor((lon+180)*12), math.Floor((lat+90)*24) // subsquares of 5' by 2.5'
		locator := fmt.Sprintf("%c%c%d%d%c%c", 'A'+int(x)/240, 'A'+int(y)/240, int(x)/24%10, int(y)/24%10, 'a'+int(x)%24, 'a'+int(y)%24)
		p, err := ParsePosition(locator)
		if err != nil || math.Abs(p.Lat-lat) > 1./48+1e-9 || math.Abs(p.Lon-lon) > 1./24+1e-9 {
			t.Errorf("%v,%v is in %s, read as %v, %v", lat, lon, locator, p, err)
		}
	})
}

func FuzzPosition(f *testing.F) {
	for _, s := range []string{"46.5,-122.9", "CN86nm", "JN58TD25", "0,0", "1e1,2e1", " 1 , 2 "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePosition(s)
		if err != nil {
			if !p.IsZero() {
				t.Fatalf("%q: %v and an error", s, p)
			}
			return
		}
		if p.IsZero() || math.Abs(p.Lat) > 90 || math.Abs(p.Lon) > 180 {
			t.Fatalf("%q: %v", s, p)
		}
		q, err := ParsePosition(p.String())
		if err != nil || p.String() != q.String() || math.Abs(p.Lat-q.Lat) > 1e-5 || math.Abs(p.Lon-q.Lon) > 1e-5 {
			t.Fatalf("%q: %v, then %v, %v", s, p, q, err)
		}
		if strings.Count(p.String(), ",") != 1 {
			t.Fatalf("%q prints as %q", s, p)
		}
	})
}
