package fit

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/rivo/uniseg"
)

// cluster is one grapheme cluster of a text that is split.
type cluster struct {
	start int  // offset in the text
	brk   bool // the text may be broken before it
	space bool // it is one plain space: a break before it swallows it
}

// segment gives the grapheme clusters of a text, and one more at its end.
func segment(text string) []cluster {
	clusters := make([]cluster, 0, len(text)+1)
	var before step
	state := -1
	for rest := text; rest != ""; {
		now := step{at: len(text) - len(rest)}
		rest, state = now.read(rest, state)
		clusters = append(clusters, cluster{
			start: now.at,
			space: now.text == " ",
			brk:   !before.blank && (now.blank || before.canBreak && (before.wide || now.wide)),
		})
		before = now
	}
	return append(clusters, cluster{start: len(text)})
}

// step is what there is to know of one cluster while a text is read.
type step struct {
	at       int
	text     string
	blank    bool // white space that a line may end with
	wide     bool // takes two columns: Chinese, Japanese, Korean, emoji
	canBreak bool // UAX 14 allows a line to end behind it
}

// read reads the next cluster. Two ASCII characters are never one, and none of
// them is wide: Unicode's tables are not asked.
func (s *step) read(text string, state int) (rest string, newState int) {
	if startsPlain(text) {
		s.text, s.blank = text[:1], text[0] == ' ' || text[0] == '\n' || text[0] == '\t'
		return text[1:], -1
	}
	var boundaries int
	s.text, rest, boundaries, newState = uniseg.StepString(text, state)
	first, _ := utf8.DecodeRuneInString(s.text)
	s.blank = unicode.IsSpace(first) && !strings.ContainsRune("\u00A0\u2007\u202F", first)
	s.wide = boundaries>>uniseg.ShiftWidth >= 2
	s.canBreak = boundaries&uniseg.MaskLine == uniseg.LineCanBreak
	return rest, newState
}

// breakOversize takes clusters that are longer than a part apart into their
// characters: there is no better place to cut them.
func breakOversize(text string, clusters []cluster, room int) []cluster {
	for i := range len(clusters) - 1 {
		if clusters[i+1].start-clusters[i].start > room {
			return breakAll(text, clusters, room)
		}
	}
	return clusters
}

func breakAll(text string, clusters []cluster, room int) []cluster {
	var out []cluster
	for i, c := range clusters[:len(clusters)-1] {
		out = append(out, c)
		if next := clusters[i+1].start; next-c.start > room {
			for offset := range text[c.start:next] {
				if offset > 0 {
					out = append(out, cluster{start: c.start + offset})
				}
			}
		}
	}
	return append(out, clusters[len(clusters)-1])
}
