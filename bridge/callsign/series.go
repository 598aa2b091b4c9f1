package callsign

import (
	_ "embed"
	"sort"
	"strings"
)

//go:embed series.csv
var seriesCSV string

// series is one line of the allocation table: the calls from AAA to ALZ.
type series struct {
	from, to uint32
	iso      string
	country  string
}

var allocation = readSeries(seriesCSV)

// readSeries reads the embedded table: from,to,iso,country, sorted by from.
func readSeries(csv string) []series {
	var list []series
	lines := strings.Split(strings.TrimSpace(csv), "\n")
	for _, line := range lines[1:] {
		f := strings.SplitN(strings.TrimSpace(line), ",", 4)
		list = append(list, series{key(f[0]), key(f[1]), f[2], strings.Trim(f[3], `"`)})
	}
	sort.Slice(list, func(i, j int) bool { return list[i].from < list[j].from })
	return list
}

func key(s string) uint32 { return uint32(s[0])<<16 | uint32(s[1])<<8 | uint32(s[2]) }

// seriesOf finds the line of the table for the prefix before the digit, -1 if
// no state has it.
func seriesOf(prefix string) int {
	var cell [3]byte
	switch {
	case prefix == "3D":
		// Fiji really uses 3D2, although RR 19.68.1 wants the third character.
		cell = [3]byte{'3', 'D', 'N'}
	case halfSeries(prefix):
		return -1
	case len(prefix) == 1: // these letters belong to one state each, RR 19.50.1
		cell = [3]byte{prefix[0], 'A', 'A'}
	case len(prefix) == 2:
		cell = [3]byte{prefix[0], prefix[1], 'A'}
	default:
		cell = [3]byte{prefix[0], prefix[1], prefix[2]}
	}
	k := uint32(cell[0])<<16 | uint32(cell[1])<<8 | uint32(cell[2])
	i := sort.Search(len(allocation), func(i int) bool { return allocation[i].to >= k })
	if i < len(allocation) && allocation[i].from <= k {
		return i
	}
	return -1
}

// Country gives the state that the call's series belongs to: ISO 3166-1 alpha-2
// and English name. iso is empty for international organisations, both are for
// a start that only the operator added. It says who gave the licence, not where
// the station is.
func (c Call) Country() (iso, name string) {
	for _, n := range prefixLengths(c.Base) {
		if n == 0 || len(c.Base) <= n || !isDigit(c.Base[n]) {
			continue
		}
		if i := seriesOf(c.Base[:n]); i >= 0 {
			return allocation[i].iso, allocation[i].country
		}
	}
	return "", ""
}
