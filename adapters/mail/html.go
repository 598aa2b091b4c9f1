package mail

import (
	"strings"

	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"
)

// htmlText gives what a reader would see of an HTML mail, block by block on
// lines of its own, quotes marked with > as in plain mail.
func htmlText(source string) (string, error) {
	root, err := html.Parse(strings.NewReader(source))
	if err != nil {
		return "", err
	}
	w := &htmlWriter{}
	w.node(root)
	w.line()
	return strings.Join(w.lines, "\n"), nil
}

type htmlWriter struct {
	lines []string
	now   strings.Builder // the line that is being written
	quote int
}

// line ends the line that is being written, if there is something on it.
func (w *htmlWriter) line() {
	text := strings.Join(strings.Fields(w.now.String()), " ")
	w.now.Reset()
	if text == "" {
		return
	}
	if w.quote > 0 {
		text = strings.Repeat(">", w.quote) + " " + text
	}
	w.lines = append(w.lines, text)
}

// node writes one node. html.Parse refuses more than 512 levels, so the
// recursion has an end.
func (w *htmlWriter) node(n *html.Node) {
	if n.Type == html.TextNode {
		w.now.WriteString(n.Data)
		return
	}
	if n.Type == html.ElementNode && !shown(n) {
		return
	}
	block := isBlock(n.DataAtom)
	if block {
		w.line()
	}
	if n.DataAtom == atom.Blockquote {
		w.quote++
		defer func() { w.quote-- }()
	}
	switch n.DataAtom {
	case atom.Li:
		w.now.WriteString("- ")
	case atom.Td, atom.Th:
		w.now.WriteByte(' ')
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		w.node(c)
	}
	if block {
		w.line()
	}
}

// shown tells whether an element is text for a reader. Hidden text is what mail
// shows to filters and previews only.
func shown(n *html.Node) bool {
	switch n.DataAtom {
	case atom.Head, atom.Script, atom.Style, atom.Template, atom.Noscript, atom.Title,
		atom.Svg, atom.Math, atom.Object, atom.Iframe, atom.Select, atom.Textarea:
		return false
	}
	for _, a := range n.Attr {
		style := strings.ToLower(strings.ReplaceAll(a.Val, " ", ""))
		if a.Key == "hidden" || a.Key == "style" && (strings.Contains(style, "display:none") || strings.Contains(style, "visibility:hidden")) {
			return false
		}
	}
	return true
}

func isBlock(a atom.Atom) bool {
	switch a {
	case atom.P, atom.Div, atom.Br, atom.Hr, atom.Li, atom.Ul, atom.Ol, atom.Dl, atom.Dt, atom.Dd,
		atom.Table, atom.Tr, atom.Blockquote, atom.Pre, atom.H1, atom.H2, atom.H3, atom.H4, atom.H5, atom.H6,
		atom.Section, atom.Article, atom.Header, atom.Footer, atom.Body, atom.Form:
		return true
	}
	return false
}
