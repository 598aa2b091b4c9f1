package route

import (
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
