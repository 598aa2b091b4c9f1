package config

import (
	"regexp"
	"strings"

	"posthouse/bridge/callsign"
)

// Calls gives the table of call signs that the settings in env add to, for
// callsign.Use before Load. What Load will find wrong is left out.
func Calls(env []string) callsign.Table {
	var t callsign.Table
	for _, entry := range env {
		name, value, _ := strings.Cut(entry, "=")
		switch name {
		case Prefix + "CALLSIGN_STARTS":
			t.Extra = nil
			for start := range strings.SplitSeq(value, ",") {
				if start = strings.ToUpper(strings.TrimSpace(start)); isStart(start) {
					t.Extra = append(t.Extra, start)
				}
			}
		case Prefix + "CALLSIGN_LONG":
			t.Long, _ = parseBool(value)
		}
	}
	return t
}

var start = regexp.MustCompile(`^[0-9A-PR-Z][0-9A-Z]{0,2}$`)

// isStart tells whether s may stand before the digit of a call sign.
func isStart(s string) bool {
	return start.MatchString(s) && strings.ContainsAny(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ")
}
