package config

import (
	"fmt"
	"maps"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Route sends what matches Pattern (a call sign or mail address, * for any
// characters) to Link.
type Route struct{ Pattern, Link string }

// String gives the form that is read: N0QRA*=far.
func (r Route) String() string { return r.Pattern + "=" + r.Link }

func parseRoute(s string) (Route, error) {
	pattern, link, ok := cutLast(s, '=')
	if !ok {
		return Route{}, fault{"has " + quote(s), "write PATTERN=LINK, such as N0QRA*=far"}
	}
	return Route{canonical(pattern), link}, checkPattern(pattern)
}

// Allow lets mail from Pattern (an address, * for any characters) on to radio.
// Call is the sender's call sign; empty: the sender has none (third party).
type Allow struct{ Pattern, Call string }

// String gives the form that is read: ann@club.example=N0QRA.
func (a Allow) String() string {
	if a.Call == "" {
		return a.Pattern
	}
	return a.Pattern + "=" + a.Call
}

func parseAllow(s string) (Allow, error) {
	pattern, call, licensed := cutLast(s, '=')
	if !licensed {
		pattern = s
	}
	if !isMailPattern(pattern) {
		return Allow{}, fault{"has " + quote(s), "write ADDRESS=CALL, ADDRESS or a pattern such as *@county.example"}
	}
	if !licensed {
		return Allow{Pattern: pattern}, nil
	}
	if strings.Contains(pattern, "*") {
		return Allow{}, fault{"gives a pattern a call sign in " + quote(s), "name each licensed sender by the full address"}
	}
	c, err := parseCall(call)
	if err != nil {
		return Allow{}, fault{"has " + quote(call) + " in " + quote(s) + ", no call sign: " + err.Error(), "write ADDRESS=CALL"}
	}
	return Allow{pattern, c.String()}, nil
}

// Rate is a limit of Count in any Per.
type Rate struct {
	Count int
	Per   time.Duration
}

// String gives the form that is read: 20/10m.
func (r Rate) String() string { return fmt.Sprintf("%d/%s", r.Count, durationText(r.Per)) }

// UnmarshalText reads COUNT/TIME; both are above zero.
func (r *Rate) UnmarshalText(b []byte) error {
	count, per, _ := strings.Cut(string(b), "/")
	n, err := strconv.Atoi(count)
	d, err2 := time.ParseDuration(per)
	if err != nil || err2 != nil || n <= 0 || d <= 0 {
		return fault{"is " + quote(string(b)), "write COUNT/TIME, such as 20/10m"}
	}
	*r = Rate{n, d}
	return nil
}

// Aliases give the address that a short name, in capitals, stands for.
type Aliases map[string]string

// String gives the form that is read, sorted by name.
func (a Aliases) String() string {
	var items []string
	for _, name := range slices.Sorted(maps.Keys(a)) {
		items = append(items, name+"="+a[name])
	}
	return strings.Join(items, ",")
}

// UnmarshalText reads NAME=ADDRESS pairs.
func (a *Aliases) UnmarshalText(b []byte) error {
	pairs, err := listOf(parseItem)(string(b))
	if err != nil {
		return err
	}
	all := make(Aliases, len(pairs))
	for _, pair := range pairs {
		name, address, ok := strings.Cut(pair, "=")
		name = strings.ToUpper(name)
		if !ok || !isWord(name) || address == "" {
			return fault{"has " + quote(pair), "write NAME=ADDRESS with a name of letters and digits, such as EOC=eoc@county.example"}
		}
		if _, twice := all[name]; twice {
			return fault{"names " + quote(name) + " twice", "give each name one address"}
		}
		all[name] = canonical(address)
	}
	*a = all
	return nil
}

// UnmarshalText reads the links' names; Load reads the rest of each link.
func (l *Links) UnmarshalText(b []byte) error {
	names, err := listOf(parseItem)(string(b))
	if err != nil {
		return err
	}
	links := make(Links, len(names))
	for i, name := range names {
		links[i].Name = name
	}
	*l = links
	return nil
}

// String gives the links' names.
func (l Links) String() string {
	var names []string
	for i := range l {
		names = append(names, l[i].Name)
	}
	return strings.Join(names, ",")
}

// Find gives the link of this name, or nil.
func (l Links) Find(name string) *Link {
	for i := range l {
		if l[i].Name == name {
			return &l[i]
		}
	}
	return nil
}

// parsePrefix reads an address or a network of them: 192.0.2.1, 192.0.2.0/24.
func parsePrefix(s string) (netip.Prefix, error) {
	if a, err := netip.ParseAddr(s); err == nil && a.Zone() == "" {
		return netip.PrefixFrom(a.Unmap(), a.Unmap().BitLen()), nil
	}
	p, err := netip.ParsePrefix(s)
	if err != nil {
		return netip.Prefix{}, fault{"has " + quote(s), "write addresses or networks, such as 192.0.2.1 or 192.0.2.0/24"}
	}
	return p.Masked(), nil
}

// cutLast cuts around the last sep: a mail address may hold a "=".
func cutLast(s string, sep byte) (before, after string, found bool) {
	i := strings.LastIndexByte(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+1:], true
}
