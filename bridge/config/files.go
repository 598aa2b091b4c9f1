package config

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/crypto/bcrypt"

	"posthouse/bridge/callsign"
)

// Operator is one who may act on the page.
type Operator struct {
	Call string // base call sign, canonical
	Hash Secret // bcrypt
}

// ParseOperators reads lines CALL:HASH, the hash by bcrypt. Empty lines and
// those that begin with # do not count. A finding's Variable is "line N".
func ParseOperators(text string) ([]Operator, []Finding) {
	var p lineParser
	var list []Operator
	for line := range p.lines(text) {
		call, hash, _ := strings.Cut(line, ":")
		c, err := parseCall(call)
		switch {
		case err != nil:
			p.fail("does not begin with a call sign", "write CALL:HASH")
		case c.Base == callsign.Placeholder:
			p.fail("names the placeholder N0CALL", "write the operator's own call sign")
		case slices.ContainsFunc(list, func(o Operator) bool { return o.Call == c.String() }):
			p.fail("names "+c.String()+" again", "keep one line for each operator")
		case !isBcrypt(hash):
			p.fail("has no bcrypt hash behind the colon", "make one, for example with htpasswd -nB "+c.String())
		default:
			list = append(list, Operator{c.String(), NewSecret(hash)})
		}
	}
	return list, p.findings
}

// bcryptShape is what crypt(3) prints: version, cost, 22 characters of salt and
// 31 of hash.
var bcryptShape = regexp.MustCompile(`^\$2[aby]\$\d\d\$[./A-Za-z0-9]{53}$`)

// isBcrypt bounds the cost, too: at 15 one login would take a small computer
// half a minute.
func isBcrypt(hash string) bool {
	cost, err := bcrypt.Cost([]byte(hash))
	return err == nil && bcryptShape.MatchString(hash) && cost <= 14
}

// Station is one line of a station list.
type Station struct {
	Node string // how the mesh calls it: a node id, or its call sign
	Call string // canonical; empty: it has no call sign, and is refused
	Name string // for people

	MayText, MayMail, MayPosition bool
}

// maxStations bounds a station list.
const maxStations = 10_000

// ParseStations reads a station list, a station a line:
//
//	NODE CALL NAME… may=text,mail,position
//
// NODE is what the mesh calls the station (a node id or its call sign), CALL
// its call sign, or - if it has none; the name may be left out and may hold
// spaces. may= comes last and lists what the station may do; without it all
// three, with nothing behind the = none. Fields are separated by spaces or tabs.
// Empty lines and those that begin with # do not count. A finding's Variable is
// "line N".
func ParseStations(text string) ([]Station, []Finding) {
	var p lineParser
	var list []Station
	seen := map[string]bool{}
	for line := range p.lines(text) {
		s, ok := p.station(strings.Fields(line))
		switch {
		case !ok:
		case seen[s.Node]:
			p.fail("names "+quote(s.Node)+" again", "keep one line for each station")
		case len(list) == maxStations:
			p.fail("is one station too many", "a list holds at most "+strconv.Itoa(maxStations))
			return list, p.findings
		default:
			seen[s.Node] = true
			list = append(list, s)
		}
	}
	return list, p.findings
}

func (p *lineParser) station(fields []string) (s Station, ok bool) {
	if len(fields) < 2 {
		p.fail("has no call sign", "write NODE CALL NAME, with - for a station without call sign")
		return s, false
	}
	s.Node = fields[0]
	c, err := parseCall(s.Node)
	if err == nil {
		s.Node = c.String()
	}
	if fields[1] == "-" && err == nil {
		p.fail("says that "+quote(s.Node)+" has no call sign, and it is one", "write it again in place of the -, with what it may behind may=")
		return s, false
	}
	if fields[1] != "-" {
		c, err := parseCall(fields[1])
		if err != nil || c.Base == callsign.Placeholder {
			p.fail("has "+quote(fields[1])+" as call sign", "write the station's call sign, or - if it has none")
			return s, false
		}
		s.Call = c.String()
	}
	rest := fields[2:]
	may := "text,mail,position"
	if n := len(rest); n > 0 {
		if words, ok := strings.CutPrefix(rest[n-1], "may="); ok {
			may, rest = words, rest[:n-1]
		}
	}
	s.Name = strings.Join(rest, " ")
	if strings.Contains(s.Name, "may=") {
		p.fail("has may= before its end", "write may= last, its words separated by commas only")
		return s, false
	}
	return s, p.may(&s, may)
}

// may reads the words behind may=.
func (p *lineParser) may(s *Station, words string) bool {
	for word := range strings.SplitSeq(words, ",") {
		switch word {
		case "text":
			s.MayText = true
		case "mail":
			s.MayMail = true
		case "position":
			s.MayPosition = true
		case "":
			if words != "" {
				p.fail("has an empty word behind may=", "write text, mail, position or nothing")
				return false
			}
		default:
			p.fail("has "+quote(word)+" behind may=", "write text, mail, position or nothing")
			return false
		}
	}
	return true
}

// lineParser walks through a file line by line and numbers what it finds.
type lineParser struct {
	number   int
	findings []Finding
}

// maxFindings bounds the findings of one file: a file of another kind would
// have one a line.
const maxFindings = 20

func (p *lineParser) fail(problem, advice string) {
	p.findings = append(p.findings, Finding{"line " + strconv.Itoa(p.number), problem, advice, Error})
}

// lines yields the lines that count, trimmed.
func (p *lineParser) lines(text string) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for line := range strings.Lines(text) {
			p.number++
			line = strings.TrimSpace(line)
			if line == "" || line[0] == '#' {
				continue
			}
			if len(p.findings) == maxFindings {
				p.fail("and those behind it were not looked at", "mend the lines above first")
				return
			}
			if len(line) > 500 || unreadable(strings.ReplaceAll(line, "\t", " "), false) {
				p.fail("is longer than 500 bytes, holds a control character or is not UTF-8", "write one entry a line, in plain text")
				continue
			}
			if !yield(line) {
				return
			}
		}
	}
}
