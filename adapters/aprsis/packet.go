package aprsis

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

const (
	// MaxLine is the longest line on APRS-IS in bytes, CR LF included.
	MaxLine = 512
	// Dest is the destination address of what posthouse sends: it names the
	// software, and APZ is the range for programs without an assigned name (APRS
	// Protocol Reference 1.0.1, chapter 4).
	Dest = "APZPH1"

	maxAddress = 9 // bytes of a call with SSID: chapter 17
)

// Packet is one APRS frame as text, in the form SOURCE>DEST,PATH:information
// (APRS Protocol Reference 1.0.1, chapter 17).
type Packet struct {
	Source, Dest string
	Path         []string // as received: a used entry keeps its *, a q construct is two entries
	Info         string   // bytes of any value but CR, LF and NUL; the first one is the data type
}

// ParsePacket reads one line without its line end.
func ParsePacket(line string) (Packet, error) {
	if len(line) > MaxLine-2 {
		return Packet{}, fmt.Errorf("frame of %d bytes, the limit is %d", len(line), MaxLine-2)
	}
	if strings.ContainsAny(line, "\r\n\x00") {
		return Packet{}, errors.New("frame with a line end or NUL inside")
	}
	head, info, ok := strings.Cut(line, ":")
	if !ok || info == "" {
		return Packet{}, errors.New("frame without information")
	}
	source, rest, ok := strings.Cut(head, ">")
	if !ok {
		return Packet{}, errors.New("frame without destination")
	}
	path := strings.Split(rest, ",")
	p := Packet{Source: source, Dest: path[0], Info: info}
	if len(path) > 1 {
		p.Path = path[1:]
	}
	return p, p.checkHeader()
}

func (p Packet) checkHeader() error {
	for _, a := range []string{p.Source, p.Dest} {
		if !isAddress(a) {
			return fmt.Errorf("frame with bad address %q", a)
		}
	}
	for _, a := range p.Path {
		if !isAddress(strings.TrimSuffix(a, "*")) {
			return fmt.Errorf("frame with bad path entry %q", a)
		}
	}
	return nil
}

// String gives the line without line end.
func (p Packet) String() string {
	var b strings.Builder
	b.WriteString(p.Source + ">" + p.Dest)
	for _, a := range p.Path {
		b.WriteString("," + a)
	}
	b.WriteString(":" + p.Info)
	return b.String()
}

// Passed tells whether the path holds one of these names, used or not.
func (p Packet) Passed(names ...string) bool {
	return slices.ContainsFunc(p.Path, func(a string) bool {
		return slices.Contains(names, strings.TrimSuffix(a, "*"))
	})
}

// Construct gives the q construct of a frame and the call sign in it: who
// brought the frame onto the network. Both are empty when there is none.
func (p Packet) Construct() (q, call string) {
	for i, a := range p.Path {
		if len(a) == 3 && a[0] == 'q' && i+1 < len(p.Path) {
			return a, p.Path[i+1]
		}
	}
	// The old form, still met, is CALL,I at the end.
	if n := len(p.Path); n >= 2 && p.Path[n-1] == "I" {
		return "I", p.Path[n-2]
	}
	return "", ""
}

// Inner takes a frame out of its third-party wrapping (chapter 17).
func (p Packet) Inner() (Packet, error) {
	if p.Info[0] != '}' {
		return Packet{}, errors.New("not a third-party frame")
	}
	return ParsePacket(p.Info[1:])
}

func isAddress(s string) bool {
	if s == "" || len(s) > maxAddress {
		return false
	}
	for i := 0; i < len(s); i++ {
		if !isAlnum(s[i]) && s[i] != '-' {
			return false
		}
	}
	return true
}

func isAlnum(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z'
}
