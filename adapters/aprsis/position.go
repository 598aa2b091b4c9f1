package aprsis

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"posthouse/bridge/message"
)

const (
	maxComment   = 43     // characters behind a position: chapter 8
	metresPerFt  = 0.3048 //
	maxAmbiguity = 4
	hundredths   = 6000 // of a minute in a degree

	// A station of a mesh is somebody with a small radio: the symbol of a person
	// on foot in the primary table (from memory of chapter 20).
	symbolTable, symbolCode = '/', '['
)

// ErrNoPosition says that a report gives no place: it is of another data type,
// unreadable, or 0/0, which stands for "not known".
var ErrNoPosition = errors.New("no position")

// IsPosition tells whether the data type is that of a position report, and
// whether the station says that it takes messages (chapter 6).
func IsPosition(info string) (position, messaging bool) {
	if info == "" {
		return false, false
	}
	switch info[0] {
	case '=', '@':
		return true, true
	case '!', '/':
		return true, false
	}
	return false, false
}

// ParsePosition reads a position report, plain or compressed (APRS Protocol
// Reference 1.0.1, chapters 6, 8, 9). Times are completed to the moment nearest
// to now; a report without time, or in somebody's local time, gives none. An
// ambiguous position is given as written, with zeros for what is left out.
func ParsePosition(info string, now time.Time) (message.Where, error) {
	if ok, _ := IsPosition(info); !ok {
		return message.Where{}, ErrNoPosition
	}
	rest := info[1:]
	var at time.Time
	if info[0] == '/' || info[0] == '@' {
		if len(rest) < 7 {
			return message.Where{}, ErrNoPosition
		}
		var ok bool
		if at, ok = parseTime(rest[:7], now); !ok {
			return message.Where{}, ErrNoPosition
		}
		rest = rest[7:]
	}
	w, rest, ok := parsePlace(rest)
	if !ok || w.Lat == 0 && w.Lon == 0 {
		return message.Where{}, ErrNoPosition
	}
	w.Time = at
	w.Alt, w.Comment = parseComment(rest)
	return w, nil
}

// parsePlace takes the coordinates: a digit starts the plain form, anything
// else the compressed one.
func parsePlace(s string) (w message.Where, rest string, ok bool) {
	if s == "" {
		return w, "", false
	}
	if s[0] >= '0' && s[0] <= '9' {
		return parsePlain(s)
	}
	return parseCompressed(s)
}

// parsePlain reads DDMM.hhN, symbol table, DDDMM.hhW, symbol code.
func parsePlain(s string) (w message.Where, rest string, ok bool) {
	const latLen, lonLen = 8, 9
	if len(s) < latLen+1+lonLen+1 {
		return w, "", false
	}
	lat, latBlank, ok1 := parseAngle(s[:latLen], 90, 'N', 'S')
	lon, lonBlank, ok2 := parseAngle(s[latLen+1:latLen+1+lonLen], 180, 'E', 'W')
	w = message.Where{Lat: lat, Lon: lon, Ambiguity: max(latBlank, lonBlank)}
	return w, s[latLen+1+lonLen+1:], ok1 && ok2
}

// parseAngle reads degrees and minutes. Blanks count from the right: the
// sender's own limit of precision.
func parseAngle(s string, limit int, plus, minus byte) (deg float64, blanks int, ok bool) {
	d := len(s) - 6 // digits of the degrees
	minutes := []byte{s[d], s[d+1], s[d+3], s[d+4]}
	for i := len(minutes) - 1; i >= 0 && minutes[i] == ' '; i-- {
		minutes[i] = '0'
		blanks++
	}
	whole, ok1 := digits(s[:d])
	frac, ok2 := digits(string(minutes))
	if !ok1 || !ok2 || s[d+2] != '.' || frac >= hundredths || whole*hundredths+frac > limit*hundredths {
		return 0, 0, false
	}
	deg = float64(whole*hundredths+frac) / hundredths
	switch unicode.ToUpper(rune(s[len(s)-1])) {
	case rune(plus):
		return deg, blanks, true
	case rune(minus):
		return -deg, blanks, true
	}
	return 0, 0, false
}

// parseCompressed reads symbol table, 4 characters of latitude, 4 of longitude,
// symbol code, course and speed or range (left alone) and type.
func parseCompressed(s string) (w message.Where, rest string, ok bool) {
	const length = 13
	if len(s) < length || !strings.ContainsRune(`/\`, rune(s[0])) && (s[0] < 'A' || s[0] > 'Z') && (s[0] < 'a' || s[0] > 'j') {
		return w, "", false
	}
	y, ok1 := base91(s[1:5])
	x, ok2 := base91(s[5:9])
	w.Lat = 90 - float64(y)/380926
	w.Lon = float64(x)/190463 - 180
	return w, s[length:], ok1 && ok2 && w.Lat >= -90 && w.Lon <= 180
}

func base91(s string) (n int, ok bool) {
	for i := 0; i < len(s); i++ {
		if s[i] < '!' || s[i] > '{' {
			return 0, false
		}
		n = n*91 + int(s[i]-'!')
	}
	return n, true
}

// parseTime reads the three forms of chapter 6: DDHHMMz, DDHHMM/ (local: gives
// no time) and HHMMSSh.
func parseTime(s string, now time.Time) (time.Time, bool) {
	n, ok := digits(s[:6])
	if !ok {
		return time.Time{}, false
	}
	a, b, c := n/10000, n/100%100, n%100
	now = now.UTC()
	year, month, day := now.Date()
	switch s[6] {
	case '/':
		return time.Time{}, true
	case 'h':
		if a > 23 || b > 59 || c > 59 {
			return time.Time{}, false
		}
		at := time.Date(year, month, day, a, b, c, 0, time.UTC)
		return nearest(now, at.AddDate(0, 0, -1), at, at.AddDate(0, 0, 1)), true
	case 'z':
		if a < 1 || a > 31 || b > 23 || c > 59 {
			return time.Time{}, false
		}
		var at []time.Time
		for m := month - 1; m <= month+1; m++ {
			if t := time.Date(year, m, a, b, c, 0, 0, time.UTC); t.Day() == a { // the month has that day
				at = append(at, t)
			}
		}
		return nearest(now, at...), true
	}
	return time.Time{}, false
}

func nearest(now time.Time, candidates ...time.Time) (best time.Time) {
	for i, t := range candidates {
		if i == 0 || t.Sub(now).Abs() < best.Sub(now).Abs() {
			best = t
		}
	}
	return best
}

// parseComment takes the altitude in feet, "/A=" and six digits, out of the
// comment. A comment that is not printable is left out.
func parseComment(s string) (alt *float64, comment string) {
	if before, after, ok := strings.Cut(s, "/A="); ok && len(after) >= 6 {
		if ft, ok := digits(after[:6]); ok {
			m := float64(ft) * metresPerFt
			alt, s = &m, before+after[6:]
		}
	}
	s = strings.TrimSpace(s)
	if !utf8.ValidString(s) || strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		s = ""
	}
	return alt, s
}

// FormatPosition gives a plain position report without time. The ambiguity is
// kept: digits that the sender left out stay out.
func FormatPosition(w message.Where, messaging bool) (string, error) {
	switch {
	case !(math.Abs(w.Lat) <= 90 && math.Abs(w.Lon) <= 180): // also NaN
		return "", fmt.Errorf("%v, %v is no place on earth", w.Lat, w.Lon)
	case w.Lat == 0 && w.Lon == 0:
		return "", ErrNoPosition
	case w.Ambiguity < 0 || w.Ambiguity > maxAmbiguity:
		return "", fmt.Errorf("ambiguity %d is not 0 to 4", w.Ambiguity)
	}
	kind := byte('!')
	if messaging {
		kind = '='
	}
	place := fmt.Sprintf("%c%s%c%s%c", kind, formatAngle(w.Lat, 2, w.Ambiguity, "NS"), symbolTable,
		formatAngle(w.Lon, 3, w.Ambiguity, "EW"), symbolCode)
	// What rounding or ambiguity turns into 0/0 would be read as "not known".
	if _, err := ParsePosition(place, time.Time{}); err != nil {
		return "", err
	}
	return place + formatComment(w), nil
}

func formatAngle(deg float64, width, blanks int, signs string) string {
	n := int(math.Round(math.Abs(deg) * hundredths))
	sign := signs[0]
	if math.Signbit(deg) { // also -0: a few metres west of Greenwich
		sign = signs[1]
	}
	minutes := []byte(fmt.Sprintf("%04d", n%hundredths))
	for i := len(minutes) - blanks; i < len(minutes); i++ {
		minutes[i] = ' '
	}
	return fmt.Sprintf("%0*d%s.%s%c", width, n/hundredths, minutes[:2], minutes[2:], sign)
}

// formatComment gives the altitude and as much of the comment as there is room
// for; what is not printable ASCII is left out of it.
func formatComment(w message.Where) string {
	var b strings.Builder
	if w.Alt != nil {
		// Below the sea the form has no agreed sign: leave it out.
		if ft := math.Round(*w.Alt / metresPerFt); ft >= 0 && ft <= 999999 {
			fmt.Fprintf(&b, "/A=%06d", int(ft))
		}
	}
	for _, r := range w.Comment {
		if r >= ' ' && r <= '~' && r != '|' && r != '~' && b.Len() < maxComment {
			b.WriteRune(r)
		}
	}
	return strings.TrimRight(b.String(), " ")
}

// digits reads a number of nothing but ASCII digits.
func digits(s string) (int, bool) {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
	}
	n, err := strconv.Atoi(s)
	return n, err == nil
}
