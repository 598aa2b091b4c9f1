package mail

import (
	"strings"

	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"
)

// look is how text is drawn in an element, as far as it decides what a reader sees.
// What is inside inherits it, and may say otherwise.
type look struct {
	hidden bool // its letters have no size
	lines  bool // line ends are kept, as in <pre>
}

// of gives the look in an element. shown is false where nothing in it is for a
// reader, whatever it says: what mail shows to filters and previews only, and what
// its writer struck out.
func (l look) of(n *html.Node) (inside look, shown bool) {
	switch n.DataAtom {
	case atom.Head, atom.Script, atom.Style, atom.Template, atom.Noscript, atom.Title,
		atom.Svg, atom.Math, atom.Object, atom.Iframe, atom.Select, atom.Textarea,
		atom.S, atom.Strike, atom.Del:
		return l, false
	case atom.Pre:
		l.lines = true
	}
	for _, a := range n.Attr {
		switch {
		case a.Key == "hidden":
			return l, false
		case a.Key != "style":
		case gone().MatchString(";" + a.Val):
			return l, false
		default:
			l = l.styled(a.Val)
		}
	}
	return l, true
}

// gone: an element that takes no room or cannot be seen, with all that is in it
// (CSS 2.2; mso-hide is what one office program goes by instead).
var gone = pattern(`(?is)[;\s](display\s*:\s*none|visibility\s*:\s*hidden|mso-hide\s*:\s*all|` +
	`(opacity|max-height)\s*:\s*0*\.?0+(px)?\s*(!|;|$)|text-decoration(-line)?\s*:[^;]*line-through)`)

var (
	noSize     = pattern(`^0*\.?0+([a-z%]|$)`)
	partOfSize = pattern(`%$|[^r]em$|ex$|^(smaller|larger|inherit)$`)
)

// styled reads what is inherited: letters of no size (so are the frames of designed
// mails, to be rid of blanks, with sizes again inside), and what is done with line
// ends.
func (l look) styled(style string) look {
	for declaration := range strings.SplitSeq(strings.ToLower(style), ";") {
		key, value, _ := strings.Cut(declaration, ":")
		value, _, _ = strings.Cut(value, "!")
		value = strings.TrimSpace(value)
		switch strings.TrimSpace(key) {
		case "font-size":
			l.hidden = noSize().MatchString(value) || l.hidden && partOfSize().MatchString(value)
		case "white-space":
			l.lines = strings.HasPrefix(value, "pre")
		}
	}
	return l
}
