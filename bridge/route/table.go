package route

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"posthouse/bridge/rules"
)

// The kinds of links, as in the settings.
const (
	Mesh  = "mesh"
	Trunk = "trunk"
	APRS  = "aprs"
	Mail  = "mail"
)

// Hold is the value of Table.Unheard that keeps a text until its addressee is
// heard; so does the empty string.
const Hold = "hold"

// Link is what routing needs to know of a link.
type Link struct {
	Name   string
	Kind   string        // Mesh, Trunk, APRS or Mail
	Mesh   string        // the mesh's own name; empty: the link's name
	InOnly bool          // direction in: never sends
	Groups []string      // group names that it carries, in capitals
	Heard  time.Duration // how long a station heard here counts as reachable; 0: without limit
}

// mesh gives the name of the mesh that the link serves; empty for other kinds.
func (l *Link) mesh() string {
	if l.Kind == Mesh && l.Mesh == "" {
		return l.Name
	}
	return l.Mesh
}

// Route sends what a pattern matches to a link.
type Route struct {
	Pattern rules.Pattern
	Link    string
}

// ParseRoute reads PATTERN=link.
func ParseRoute(s string) (Route, error) {
	pattern, name, ok := strings.Cut(strings.TrimSpace(s), "=")
	name = strings.TrimSpace(name)
	if !ok || name == "" {
		return Route{}, fmt.Errorf("route %q: write PATTERN=link, for example N0QRA*=far", s)
	}
	p, err := rules.ParsePattern(pattern)
	if err != nil {
		return Route{}, fmt.Errorf("route %q: %w", s, err)
	}
	return Route{Pattern: p, Link: name}, nil
}

// Table is how the operator laid out the roads. It does not change while used.
type Table struct {
	Own     string // this gateway's call sign
	Links   []Link // in the order of the settings
	Routes  []Route
	Unheard string // Hold, or the name of a link to try
	Aliases map[string]string
}

// link finds a link by name, nil if there is none.
func (t *Table) link(name string) *Link {
	i := slices.IndexFunc(t.Links, func(l Link) bool { return l.Name == name })
	if i < 0 {
		return nil
	}
	return &t.Links[i]
}

// Group gives the canonical name of a group that some link carries.
func (t *Table) Group(name string) (string, bool) {
	up := strings.ToUpper(name)
	for i := range t.Links {
		if slices.Contains(t.Links[i].Groups, up) {
			return up, true
		}
	}
	return "", false
}

// Check says what in the table points nowhere; one error a finding.
func (t *Table) Check() []error {
	var found []error
	for _, r := range t.Routes {
		switch l := t.link(r.Link); {
		case l == nil:
			found = append(found, fmt.Errorf("route %v=%s: there is no link of that name", r.Pattern, r.Link))
		case l.InOnly:
			found = append(found, fmt.Errorf("route %v=%s: that link only receives", r.Pattern, r.Link))
		}
	}
	if t.Unheard != "" && t.Unheard != Hold {
		switch l := t.link(t.Unheard); {
		case l == nil:
			found = append(found, fmt.Errorf("unheard stations go to %q: there is no link of that name; write hold or a link's name", t.Unheard))
		case l.InOnly:
			found = append(found, fmt.Errorf("unheard stations go to %q: that link only receives", t.Unheard))
		case l.Kind == Mail:
			found = append(found, fmt.Errorf("unheard stations go to %q: a mail link reaches no station", t.Unheard))
		}
	}
	return found
}
