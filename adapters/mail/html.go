package mail

import (
	"strconv"
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
	w.node(root, look{})
	w.line()
	return strings.Join(w.lines, "\n"), nil
}

type htmlWriter struct {
	lines []string
	now   strings.Builder // the line that is being written
	quote int
	item  int // number of the next item; 0: they have none
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

// text writes the words of an element with that look.
func (w *htmlWriter) text(words string, l look) {
	switch {
	case l.hidden:
	case !l.lines:
		w.now.WriteString(words)
	default:
		for i, line := range strings.Split(words, "\n") {
			if i > 0 {
				w.line()
			}
			w.now.WriteString(line)
		}
	}
}

// node writes one node, in the look of what it is in. html.Parse refuses more than
// 512 levels, so the recursion has an end.
func (w *htmlWriter) node(n *html.Node, l look) {
	if n.Type == html.TextNode {
		w.text(n.Data, l)
		return
	}
	if n.Type == html.ElementNode {
		var shown bool
		if l, shown = l.of(n); !shown {
			return
		}
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
		w.text(w.bullet(), l)
	case atom.Ol, atom.Ul:
		defer w.list(n)()
	case atom.Td, atom.Th:
		w.now.WriteByte(' ')
	}
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		w.node(c, l)
	}
	if block {
		w.line()
	}
}

// list begins a list, and gives what to do at its end.
func (w *htmlWriter) list(n *html.Node) (end func()) {
	around := w.item
	if w.item = 0; n.DataAtom == atom.Ol {
		w.item = 1
		if start, err := strconv.Atoi(attribute(n, "start")); err == nil {
			w.item = start
		}
	}
	return func() { w.item = around }
}

// bullet is what stands before an item: its number in a list that has them, since
// people refer to it.
func (w *htmlWriter) bullet() string {
	if w.item == 0 {
		return "- "
	}
	w.item++
	return strconv.Itoa(w.item-1) + ". "
}

func attribute(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func isBlock(a atom.Atom) bool {
	switch a {
	case atom.P, atom.Div, atom.Br, atom.Hr, atom.Li, atom.Ul, atom.Ol, atom.Dl, atom.Dt, atom.Dd,
		atom.Table, atom.Tr, atom.Caption, atom.Blockquote, atom.Pre, atom.H1, atom.H2, atom.H3, atom.H4, atom.H5, atom.H6,
		atom.Section, atom.Article, atom.Aside, atom.Main, atom.Header, atom.Footer, atom.Address, atom.Center, atom.Figure, atom.Figcaption,
		atom.Details, atom.Summary, atom.Body, atom.Form, atom.Fieldset:
		return true
	}
	return false
}
