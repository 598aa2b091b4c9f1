package mail

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// A station may send the General Message that incident management uses (form
// ICS 213, blocks 1 to 10) as text: each block begins with its title, with or
// without its number, on lines or in one run:
//
//	ICS 213 TO: EOC LOGISTICS FROM: SHELTER 4 SUBJECT: WATER MESSAGE: NEED 200 L
//
// In the mail it is laid out by block, and what was sent stands below it, as it
// was sent: a relay changes no text.

// block is one of the form's: its number, its title, and what people write for
// it. The short forms are common practice, no source.
type block struct {
	number int
	title  string
	also   []string
}

var blocks = []block{
	{1, "Incident Name", []string{"Incident", "Inc"}},
	{2, "To", nil},
	{3, "From", []string{"Fm"}},
	{4, "Subject", []string{"Subj", "Sub"}},
	{5, "Date", nil},
	{6, "Time", nil},
	{7, "Message", []string{"Msg"}},
	{8, "Approved by", []string{"Approved", "Appr"}},
	{9, "Reply", nil},
	{10, "Replied by", nil},
}

var (
	formName  = pattern(`(?i)^(?:(?:EXERCISE|TEST|EMERGENCY|PRIORITY|WELFARE)\b[ :]*)*(?:ICS[- ]?213\b|GENERAL MESSAGE\b)`)
	formTitle = sync.OnceValue(titlesPattern)
)

// titlesPattern finds a title at the beginning of a line or behind a blank, with
// a colon; "To" alone is a word like any other.
func titlesPattern() *regexp.Regexp {
	var names []string
	for _, b := range blocks {
		names = append(names, b.title)
		names = append(names, b.also...)
	}
	slices.SortFunc(names, func(a, b string) int { return len(b) - len(a) }) // the longest first
	for i, name := range names {
		names[i] = strings.ReplaceAll(name, " ", `[ _]?`)
	}
	return regexp.MustCompile(`(?i)(?:^|\s)(?:(?:10|[1-9])\s*[.)]\s*)?(` + strings.Join(names, "|") + `)\s*(?:\([^)\n]{0,40}\))?\s*:`)
}

// form is a General Message by its blocks' numbers.
type form map[int]string

// readForm reads a text as a General Message: it says so at its beginning, or it
// has To, From, Subject and Message. A title counts once, and only behind those
// of lower number, so that a message may hold a colon itself.
func readForm(text string) form {
	if !strings.Contains(text, ":") { // few texts have a title, and looking for one is slow
		return nil
	}
	f := form{}
	last, from := 0, 0
	for _, at := range formTitle().FindAllStringSubmatchIndex(text, -1) {
		n := blockNumber(text[at[2]:at[3]])
		if n <= last {
			continue
		}
		if last > 0 {
			f[last] = text[from:at[0]]
		}
		last, from = n, at[1]
	}
	if last == 0 {
		return nil
	}
	f[last] = text[from:]
	for n, s := range f {
		f[n] = strings.TrimSpace(s)
	}
	if f[7] == "" || !formName().MatchString(text) && (f[2] == "" || f[3] == "" || f[4] == "") {
		return nil
	}
	return f
}

func blockNumber(title string) int {
	title = squeezed(title)
	for _, b := range blocks {
		if squeezed(b.title) == title || slices.ContainsFunc(b.also, func(s string) bool { return squeezed(s) == title }) {
			return b.number
		}
	}
	return 0
}

func squeezed(title string) string {
	return strings.ToLower(strings.NewReplacer(" ", "", "_", "").Replace(title))
}

// layOut gives the form as a person reads it, the text as it was sent below.
func (f form) layOut(sent string) string {
	var b strings.Builder
	b.WriteString("GENERAL MESSAGE (ICS 213)\n\n")
	for _, block := range blocks {
		s, ok := f[block.number]
		switch {
		case !ok || s == "":
		case block.number == 7 || strings.Contains(s, "\n"):
			fmt.Fprintf(&b, "%2d. %s:\n\n    %s\n\n", block.number, block.title, strings.ReplaceAll(s, "\n", "\n    "))
		default:
			fmt.Fprintf(&b, "%2d. %-14s %s\n", block.number, block.title+":", oneLine(s))
		}
	}
	return strings.TrimRight(b.String(), "\n") + "\n\nAs it was sent:\n\n" + sent
}
