package config

import (
	"maps"
	"slices"
	"strings"
)

// unknown reports the POSTHOUSE_ variables that nothing reads: a misspelt
// setting must never pass in silence.
func (l *loader) unknown() {
	for _, name := range slices.Sorted(maps.Keys(l.env)) {
		upper := strings.ToUpper(name)
		if !strings.HasPrefix(upper, Prefix) || l.known[name] || l.isForeign(name) {
			continue
		}
		if kind, ok := l.otherKind(name); ok {
			l.fail(quoteName(name), "does nothing: it is a setting of "+kind+" links", "remove it")
			continue
		}
		if _, ok := orphan(upper); ok && l.blames(Prefix+"LINKS") {
			continue // of a link that was meant there
		}
		l.fail(quoteName(name), "is not a variable of posthouse", l.guess(upper))
	}
}

// guess says what may have been meant.
func (l *loader) guess(name string) string {
	near := l.nearest(name)
	link, orphaned := orphan(name)
	switch {
	case near != "" && orphaned:
		return "did you mean " + near + ", or forget " + quote(link) + " in " + Prefix + "LINKS?"
	case near != "":
		return "did you mean " + near + "?"
	case orphaned:
		return "did you forget " + quote(link) + " in " + Prefix + "LINKS?"
	}
	return "remove it, or see the list of variables"
}

func (l *loader) isForeign(name string) bool {
	return slices.ContainsFunc(l.foreign, func(prefix string) bool { return strings.HasPrefix(name, prefix) })
}

// otherKind tells whether the variable of a link belongs to another kind.
func (l *loader) otherKind(name string) (kind string, ok bool) {
	for i := range l.config.Links {
		suffix, mine := strings.CutPrefix(name, linkPrefix(l.config.Links[i].Name))
		if !mine {
			continue
		}
		for _, kind := range Kinds {
			if hasVariable(kind, suffix) {
				return kind, true
			}
		}
	}
	return "", false
}

// orphan gives the name of the link that a variable would belong to, if there
// were one.
func orphan(name string) (link string, ok bool) {
	link, suffix, _ := strings.Cut(strings.TrimPrefix(name, Prefix), "_")
	for _, kind := range Kinds {
		if hasVariable(kind, suffix) {
			return strings.ToLower(link), true
		}
	}
	return "", false
}

func hasVariable(kind, suffix string) bool {
	for _, v := range linkTable(new(Link), kind) {
		if v.name == suffix || v.secret() && v.name+"_FILE" == suffix {
			return true
		}
	}
	return false
}

// nearest gives the known variable that is spelt most like name, if one is near
// enough to be what was meant.
func (l *loader) nearest(name string) string {
	if len(name) > 100 {
		return ""
	}
	best, least := "", 1+max(2, (len(name)-len(Prefix))/4)
	for _, known := range slices.Sorted(maps.Keys(l.known)) {
		if d := distance(name, known); d < least {
			best, least = known, d
		}
	}
	return best
}

// distance counts the letters to insert, remove or replace to get from a to b
// (Levenshtein).
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// quoteName shows a variable's name as it is, or quoted when it would not be
// readable on one line.
func quoteName(name string) string {
	if notInName.MatchString(strings.ToUpper(name)) || len(name) > 100 {
		return quote(name)
	}
	return name
}
