package standin

import (
	"math"
	"path"
	"strconv"
	"strings"
	"time"

	"posthouse/adapters/aprsis"
)

// term is one term of a server-side filter: a letter and what stands behind it.
type term struct {
	minus  bool
	letter string
	args   []string
}

type filter []term

// String gives the term as it was written.
func (t term) String() string {
	sign := ""
	if t.minus {
		sign = "-"
	}
	return sign + strings.Join(append([]string{t.letter}, t.args...), "/")
}

// place is a position in degrees.
type place struct{ lat, lon float64 }

// parseFilter reads terms such as "r/48.2/16.4/50 -p/XX b/N0QRA*". A term that
// it does not know passes nothing.
func parseFilter(s string) filter {
	var f filter
	for _, word := range strings.Fields(s) {
		rest, minus := strings.CutPrefix(word, "-")
		parts := strings.Split(rest, "/")
		f = append(f, term{minus, parts[0], parts[1:]})
	}
	return f
}

// passes tells whether some term takes a frame and none with a minus does.
func (f filter) passes(p aprsis.Packet, own string, places map[string]place) bool {
	passed := false
	for _, t := range f {
		if t.takes(p, own, places) {
			if t.minus {
				return false
			}
			passed = true
		}
	}
	return passed
}

func (t term) takes(p aprsis.Packet, own string, places map[string]place) bool {
	switch t.letter {
	case "m":
		here, ok := places[own]
		return ok && len(t.args) == 1 && near(p, here, number(t.args[0]))
	case "r":
		return len(t.args) == 3 && near(p, place{number(t.args[0]), number(t.args[1])}, number(t.args[2]))
	case "p":
		return anyOf(t.args, func(a string) bool { return strings.HasPrefix(p.Source, a) })
	case "b":
		return anyOf(t.args, func(a string) bool { return matches(a, p.Source) })
	case "g":
		text, err := aprsis.ParseText(p.Info)
		return err == nil && anyOf(t.args, func(a string) bool { return matches(a, text.To) })
	case "t":
		return len(t.args) > 0 && strings.Contains(t.args[0], kind(p.Info)) && t.around(p, places)
	}
	return false
}

// around limits t/…/CALL/km to a circle around a station.
func (t term) around(p aprsis.Packet, places map[string]place) bool {
	if len(t.args) < 3 {
		return true
	}
	here, ok := places[t.args[1]]
	there, known := places[p.Source]
	return ok && known && distance(here, there) <= number(t.args[2])
}

func near(p aprsis.Packet, here place, km float64) bool {
	w, err := aprsis.ParsePosition(p.Info, time.Now())
	return err == nil && distance(here, place{w.Lat, w.Lon}) <= km
}

// kind is the letter of a data type in t/….
func kind(info string) string {
	switch info[0] {
	case '!', '=', '/', '@':
		return "p"
	case ';':
		return "o"
	case ')':
		return "i"
	case ':':
		return "m"
	case '?':
		return "q"
	case '>':
		return "s"
	}
	return "-" // never asked for
}

func matches(pattern, call string) bool {
	ok, err := path.Match(pattern, call)
	return err == nil && ok
}

func anyOf(args []string, ok func(string) bool) bool {
	for _, a := range args {
		if a != "" && ok(a) {
			return true
		}
	}
	return false
}

// number gives NaN for what is none: it is near nothing.
func number(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

// distance is that of the great circle, in kilometres.
func distance(a, b place) float64 {
	const earth, rad = 6371, math.Pi / 180
	h := square(math.Sin((b.lat-a.lat)*rad/2)) + math.Cos(a.lat*rad)*math.Cos(b.lat*rad)*square(math.Sin((b.lon-a.lon)*rad/2))
	return 2 * earth * math.Asin(math.Sqrt(min(h, 1)))
}

func square(x float64) float64 { return x * x }
