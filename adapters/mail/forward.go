package mail

import (
	"slices"
	"strings"
)

// A forwarded mail is about what was forwarded: that stays, and of its header who wrote
// it (common practice, no source).
var (
	forwardMarks = []string{"fwd", "fw", "wg", "tr", "rv", "enc"}
	forwardBegin = pattern(`(?i)^(begin forwarded message|anfang der weitergeleiteten (nachricht|e-mail)|d\x{e9}but du (message|courriel) (r\x{e9}exp\x{e9}di\x{e9}|transf\x{e9}r\x{e9})|` +
		`inicio del mensaje reenviado|inizio messaggio inoltrato)\s*[:：]?$`)
)

// shortenForward is shorten for a forwarded mail.
func shortenForward(text string) string {
	lines := strings.Split(tidy(text), "\n")
	for i, line := range lines {
		begins := isOriginal(lines, i) || forwardBegin().MatchString(strings.TrimPrefix(line, "> "))
		if !begins && !isHeader(lines, i) {
			continue
		}
		above, below := lines[:i], lines[i:]
		if begins {
			below = unmarked(below[1:])
		}
		from, rest := cutHeader(below)
		body := shorten(strings.Join(unmarked(rest), "\n"))
		if from != "" {
			body = from + ": " + body
		}
		return tidy(shorten(strings.TrimRight(strings.Join(above, "\n"), "_\n")) + "\n" + body)
	}
	return shorten(strings.Join(unmarked(lines), "\n"))
}

// unmarked takes a level of > off, with which some programs mark what they forward,
// if that begins with one.
func unmarked(lines []string) []string {
	if first := slices.IndexFunc(lines, func(s string) bool { return s != "" }); first < 0 || lines[first][0] != '>' {
		return lines
	}
	out := make([]string, len(lines))
	for i, line := range lines {
		out[i] = strings.TrimPrefix(strings.TrimPrefix(line, ">"), " ")
	}
	return out
}

// cutHeader takes the header off a mail that was forwarded, and gives who wrote it.
func cutHeader(lines []string) (from string, body []string) {
	for len(lines) > 0 {
		switch line := lines[0]; {
		case quotedFrom().MatchString(line):
			_, from, _ = strings.Cut(strings.Replace(line, "：", ":", 1), ":")
			from = clip(strings.TrimSpace(from), 80)
		case line == "" && from == "", isField(line):
		default:
			return from, lines
		}
		lines = lines[1:]
	}
	return from, nil
}
