package broker

import (
	"fmt"
	"strconv"
	"strings"
)

// Fields are JSON Pointers (RFC 6901) into what a mesh publishes. An empty one
// is not read; From and Text are needed.
type Fields struct {
	ID, From, To, Text  string
	Ack, Nak            string
	Lat, Lon, Alt, Time string
	Via, Encrypted      string
	SNR, RSSI           string
	Precedence          string
}

// DefaultFields are those of the default shape.
func DefaultFields() Fields {
	return Fields{
		ID: "/id", From: "/from", To: "/to", Text: "/text", Ack: "/ack", Nak: "/nak",
		Lat: "/lat", Lon: "/lon", Alt: "/alt", Time: "/time", Via: "/via", Encrypted: "/encrypted",
		SNR: "/snr", RSSI: "/rssi", Precedence: "/precedence",
	}
}

// pointers are parsed Fields.
type pointers struct {
	id, from, to, text, ack, nak, lat, lon, alt, time, via, encrypted, snr, rssi, precedence pointer
}

// compile reads the pointers; an error names the setting.
func (f Fields) compile() (p pointers, err error) {
	for _, field := range []struct {
		setting, text string
		into          *pointer
		needed        bool
	}{
		{"ID", f.ID, &p.id, false}, {"FROM", f.From, &p.from, true}, {"TO", f.To, &p.to, false},
		{"TEXT", f.Text, &p.text, true}, {"ACK", f.Ack, &p.ack, false}, {"NAK", f.Nak, &p.nak, false},
		{"LAT", f.Lat, &p.lat, false}, {"LON", f.Lon, &p.lon, false}, {"ALT", f.Alt, &p.alt, false},
		{"TIME", f.Time, &p.time, false}, {"VIA", f.Via, &p.via, false}, {"ENCRYPTED", f.Encrypted, &p.encrypted, false},
		{"SNR", f.SNR, &p.snr, false}, {"RSSI", f.RSSI, &p.rssi, false}, {"PRECEDENCE", f.Precedence, &p.precedence, false},
	} {
		if field.text == "" && field.needed {
			return pointers{}, fmt.Errorf("_FIELD_%s is empty: it is needed", field.setting)
		}
		if *field.into, err = parsePointer(field.text); err != nil {
			return pointers{}, fmt.Errorf("_FIELD_%s: %w", field.setting, err)
		}
	}
	return p, nil
}

// pointer is a JSON Pointer's path; nil points nowhere.
type pointer []string

// unescape decodes ~1 and ~0 in one pass, which never makes a second escape out
// of the first (RFC 6901 section 4).
var unescape = strings.NewReplacer("~1", "/", "~0", "~")

func parsePointer(s string) (pointer, error) {
	switch {
	case s == "":
		return nil, nil
	case s[0] != '/':
		return nil, fmt.Errorf("%q is not a JSON Pointer: begin it with a slash, as in /packet/text", s)
	case strings.Contains(strings.NewReplacer("~0", "", "~1", "").Replace(s), "~"):
		return nil, fmt.Errorf("%q is not a JSON Pointer: write ~ as ~0, and / within a name as ~1", s)
	}
	parts := strings.Split(s[1:], "/")
	for i := range parts {
		parts[i] = unescape.Replace(parts[i])
	}
	return parts, nil
}

// in returns what the pointer points to; nil for null and for nothing.
func (p pointer) in(tree any) any {
	if p == nil {
		return nil
	}
	for _, name := range p {
		switch node := tree.(type) {
		case map[string]any:
			tree = node[name]
		case []any:
			tree = element(node, name)
		default:
			return nil
		}
	}
	return tree
}

// element reads an array index: digits without a leading zero (section 4).
func element(list []any, index string) any {
	i, err := strconv.Atoi(index)
	if err != nil || strconv.Itoa(i) != index || i < 0 || i >= len(list) {
		return nil
	}
	return list[i]
}
