package aprsis

import (
	"slices"
	"strings"

	"posthouse/bridge/callsign"
	"posthouse/bridge/link"
)

const (
	maxStations = 100
	maxSought   = 50
	// maxFilter keeps a line with "user … filter " in front under MaxLine.
	maxFilter = 400
)

// filter returns the filter for the server: messages to the gateway and to stations heard
// by radio here, anything from stations that are sought, and the operator's own addition.
// If there is no room for all, the operator's comes first, then the sought stations (nothing
// else brings them), then the others: the server sends messages for stations that we gate
// anyway.
func filter(own, operator string, want link.Interest) string {
	room := maxFilter - len(operator) - len(" b g/") - len(own)
	sought := calls(want.Sought, maxSought, &room, func(c callsign.Call) string { return c.Base + "*" })
	stations := calls(want.Stations, maxStations, &room, callsign.Call.String)
	stations = slices.DeleteFunc(stations, func(s string) bool { return s == own })

	terms := []string{"g/" + strings.Join(append([]string{own}, stations...), "/")}
	if len(sought) > 0 {
		terms = append(terms, "b/"+strings.Join(sought, "/"))
	}
	if operator != "" {
		terms = append(terms, operator)
	}
	return strings.Join(terms, " ")
}

// calls returns the first n names that are call signs and for which there is room, in a
// stable order, so that the same interest gives the same filter.
func calls(names []string, n int, room *int, form func(callsign.Call) string) []string {
	var out []string
	for _, name := range names {
		c, err := callsign.Parse(name)
		if err != nil || !c.AX25() {
			continue
		}
		s := form(c)
		if slices.Contains(out, s) {
			continue
		}
		if len(out) == n || *room < len(s)+1 {
			break
		}
		*room -= len(s) + 1
		out = append(out, s)
	}
	slices.Sort(out)
	return out
}
