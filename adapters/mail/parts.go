package mail

import (
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	gomessage "github.com/emersion/go-message"
	gomail "github.com/emersion/go-message/mail"

	"posthouse/bridge/link"
)

// parts is what is found in a mail's MIME tree beside its text.
type parts struct {
	attached []attachment
	pictures int  // in the text: their names say nothing
	spoken   bool // there was a text
	count    int
}

type attachment struct {
	name  string
	bytes int64
}

// said is what one entity of the tree says, each text by itself.
type said struct {
	texts  []string
	markup bool  // they were HTML
	err    error // one cannot be read, which matters if nothing else says the same
}

// readParts walks the tree (RFC 2046) and gives its texts. What is no text, or a
// further one with a name, is listed as not sent.
func readParts(e *gomessage.Entity, opened error) (*parts, []string, error) {
	p := &parts{}
	s, err := p.read(e, opened, 0)
	if err == nil {
		err = s.err
	}
	return p, s.texts, err
}

// read takes one entity; opened is the error with which its decoding began.
func (p *parts) read(e *gomessage.Entity, opened error, depth int) (said, error) {
	if p.count++; p.count > maxParts || depth > maxDepth {
		return said{}, reply(554, 5, 6, 0, "the mail has more than %d parts or is nested deeper than %d", maxParts, maxDepth)
	}
	kind, params, err := contentType(e)
	if err != nil {
		return said{}, err
	}
	name := fileName(e)
	if kind == "application/octet-stream" && strings.EqualFold(path.Ext(name), ".p7m") {
		kind = "application/pkcs7-mime" // RFC 8551 section 3.10
	}
	if err := refuseEncrypted(kind, params); err != nil {
		return said{}, err
	}
	isText := !isAttachment(e) && (name == "" || !p.spoken)
	switch {
	case strings.HasPrefix(kind, "multipart/"):
		return p.readMultipart(e, kind, depth)
	case isText && kind == "text/plain":
		p.spoken = true
		return p.readPlain(e, opened, params), nil
	case isText && kind == "text/html":
		p.spoken = true
		return readHTML(e, opened), nil
	case name == "":
		name = kind
	}
	size, err := io.Copy(io.Discard, e.Body)
	if err != nil && size == 0 {
		return said{}, broken(err)
	}
	p.attached = append(p.attached, attachment{name: name, bytes: size})
	return said{}, nil
}

// contentType gives an entity's type. Where only its parameters are broken, as by a
// file name with blanks, it still says that something is no text. "text" alone is
// read as text/plain, by the default for what is not understood (RFC 2045 section
// 5.2).
func contentType(e *gomessage.Entity) (kind string, params map[string]string, err error) {
	kind, params, err = e.Header.ContentType()
	if err != nil && e.Header.Has("Content-Type") {
		kind, _, _ = strings.Cut(e.Header.Get("Content-Type"), ";")
	}
	kind = strings.ToLower(strings.TrimSpace(kind))
	switch general, _, _ := strings.Cut(kind, "/"); {
	case kind == "text":
		return "text/plain", params, nil
	case err == nil, !e.Header.Has("Content-Type"):
		return kind, params, nil
	case slices.Contains([]string{"application", "image", "audio", "video", "font", "model"}, general):
		return kind, nil, nil
	}
	return "", nil, reply(554, 5, 6, 0, "the mail's Content-Type is broken")
}

func (p *parts) readMultipart(e *gomessage.Entity, kind string, depth int) (said, error) {
	var all []said
	r := e.MultipartReader()
	for {
		part, err := r.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if part == nil {
			return said{}, broken(err)
		}
		before, leaf := len(p.attached), part.MultipartReader() == nil
		s, err := p.read(part, err, depth+1)
		if err != nil {
			return said{}, err
		}
		if kind == "multipart/alternative" && leaf && len(p.attached) > before && fileName(part) == "" {
			p.attached = p.attached[:before] // it says what the others say, as an invitation does
		}
		if kind == "multipart/related" && leaf && len(p.attached) > before && isPicture(part) { // RFC 2387
			p.attached = p.attached[:before]
			p.pictures++
		}
		if all = append(all, s); kind == "multipart/signed" {
			break // the signature (RFC 1847): nobody could check it on air
		}
	}
	if kind == "multipart/alternative" {
		return either(all), nil
	}
	return together(all), nil
}

// either picks one of several that say the same (RFC 2046 section 5.1.4): plain text
// first.
func either(all []said) said {
	var best said
	for _, s := range all {
		switch {
		case s.err == nil && len(s.texts) == 0:
		case s.err == nil && !s.markup:
			return s
		case len(best.texts) == 0 && (s.err == nil || best.err == nil):
			best = s
		}
	}
	return best
}

// together joins what stands one after the other (RFC 2046 section 5.1.3), as text
// between pictures does. What is said twice, once as HTML, is left out.
func together(all []said) said {
	out := said{markup: true}
	for _, s := range all {
		if out.err == nil {
			out.err = s.err
		}
		for _, text := range s.texts {
			if !s.markup || !slices.ContainsFunc(out.texts, func(other string) bool { return oneLine(other) == oneLine(text) }) {
				out.texts = append(out.texts, text)
			}
		}
		out.markup = out.markup && (s.markup || len(s.texts) == 0)
	}
	return out
}

// refuseEncrypted knows the signs of RFC 1847, RFC 3156 and RFC 8551. A CMS that
// is only signed is refused too: its text is inside and no reader on air sees it.
func refuseEncrypted(kind string, params map[string]string) error {
	switch kind {
	case "multipart/encrypted", "application/pgp-encrypted":
		return encrypted()
	case "application/pkcs7-mime", "application/x-pkcs7-mime":
		if strings.EqualFold(params["smime-type"], "signed-data") {
			return refuse(link.CodeNotText, "the text is wrapped in an S/MIME signature: sign with a separate signature, or not at all")
		}
		return refuse(link.CodeLooksEncrypted, "S/MIME mail may not go on amateur radio: send it in clear")
	}
	return nil
}

func encrypted() error {
	return refuse(link.CodeLooksEncrypted, "encrypted mail may not go on amateur radio: send it in clear")
}

// sealed tells whether a file is attached as programs name what they have encrypted
// (common practice, no source): where no text is, it is in there.
func (p *parts) sealed() bool {
	return slices.ContainsFunc(p.attached, func(a attachment) bool {
		name := strings.ToLower(a.name)
		return name == "encrypted.asc" || path.Ext(name) == ".pgp" || path.Ext(name) == ".gpg"
	})
}

func isAttachment(e *gomessage.Entity) bool {
	disposition, _, _ := e.Header.ContentDisposition()
	return strings.EqualFold(disposition, "attachment")
}

func isPicture(e *gomessage.Entity) bool {
	kind, _, _ := e.Header.ContentType()
	return strings.HasPrefix(kind, "image/")
}

// readText gives a text part in UTF-8 with LF ends. A charset that we do not
// know, or that the bytes contradict, is refused and never guessed.
func readText(e *gomessage.Entity, opened error) (string, error) {
	if opened != nil {
		return "", broken(opened)
	}
	b, err := io.ReadAll(e.Body)
	if err != nil {
		return "", broken(err)
	}
	if !utf8.Valid(b) {
		return "", refuse(link.CodeNotText, "the text does not fit its charset: send it as UTF-8")
	}
	return strings.ReplaceAll(string(b), "\r\n", "\n"), nil
}

func (p *parts) readPlain(e *gomessage.Entity, opened error, params map[string]string) said {
	text, err := readText(e, opened)
	text, files := cutEncoded(text)
	p.attached = append(p.attached, files...)
	if strings.EqualFold(params["format"], "flowed") { // RFC 3676
		text = unflow(text, strings.EqualFold(params["delsp"], "yes"))
	}
	return saying(cutPlaceholders(text), false, err)
}

func readHTML(e *gomessage.Entity, opened error) said {
	source, err := readText(e, opened)
	if err != nil {
		return said{markup: true, err: err}
	}
	text, err := htmlText(source)
	if err != nil {
		err = reply(554, 5, 6, 0, "the mail's HTML is broken: %v", err)
	}
	return saying(text, true, err)
}

func saying(text string, markup bool, err error) said {
	s := said{markup: markup, err: err}
	if err == nil && strings.TrimSpace(text) != "" {
		s.texts = []string{text}
	}
	return s
}

func broken(err error) error {
	if gomessage.IsUnknownCharset(err) || gomessage.IsUnknownEncoding(err) {
		return refuse(link.CodeNotText, "nobody here knows the text's charset or encoding: send the mail as UTF-8")
	}
	return reply(554, 5, 6, 0, "the mail's parts are broken: %v", err)
}

// readable gives the text for radio. What ends one part, as a signature does, does
// not end those behind it.
func readable(texts []string, forward bool) (string, error) {
	brief := shorten
	if forward {
		brief = shortenForward
	}
	var all, short []string
	for _, text := range texts {
		text, err := unarmour(tidy(text))
		if err != nil {
			return "", err
		}
		all = append(all, text)
		if text = brief(text); text != "" {
			short = append(short, text)
		}
	}
	if len(short) == 0 {
		short = all
	}
	return cut(strings.Join(short, "\n")), nil
}

// tidy drops control characters, blanks at line ends and runs of empty lines.
// A signature mark keeps its blank: it is told apart by it.
func tidy(text string) string {
	var out []string
	empty := true // so that leading empty lines go too
	for line := range strings.SplitSeq(dropControls(text), "\n") {
		if line != signatureMark {
			line = strings.TrimRight(line, " \t\u00a0")
		}
		if line == "" && empty {
			continue
		}
		empty = line == ""
		out = append(out, line)
	}
	for len(out) > 0 && out[len(out)-1] == "" {
		out = out[:len(out)-1]
	}
	return strings.Join(out, "\n")
}

// Armour lines of RFC 4880 section 6.2 and 7.
const (
	pgpMessage   = "-----BEGIN PGP MESSAGE-----"
	pgpSigned    = "-----BEGIN PGP SIGNED MESSAGE-----"
	pgpSignature = "-----BEGIN PGP SIGNATURE-----"
)

// unarmour refuses inline encryption and takes the text out of an inline
// signature.
func unarmour(text string) (string, error) {
	if hasLine(text, pgpMessage) {
		return "", encrypted()
	}
	_, signed, ok := strings.Cut("\n"+text, "\n"+pgpSigned+"\n")
	if !ok {
		return text, nil
	}
	_, signed, ok = strings.Cut("\n"+signed, "\n\n") // after the armour headers
	if !ok {
		return text, nil
	}
	signed, _, _ = strings.Cut("\n"+signed, "\n"+pgpSignature)
	return strings.TrimSpace(strings.ReplaceAll(signed, "\n- ", "\n")), nil
}

func hasLine(text, line string) bool {
	return strings.Contains("\n"+text+"\n", "\n"+line+"\n")
}

// fileName gives a part's file name for people, empty if it has none.
func fileName(e *gomessage.Entity) string {
	h := gomail.AttachmentHeader{Header: e.Header}
	name, err := h.Filename()
	if err != nil {
		return ""
	}
	return fileNameOf(name)
}

func fileNameOf(name string) string {
	name = oneLine(strings.NewReplacer("\\", "/", "[", "(", "]", ")").Replace(name))
	if name == "" {
		return ""
	}
	return clip(path.Base(name), 40)
}

// notes names in one line what was in the mail and is not sent.
func (p *parts) notes() string {
	const most = 3
	var b strings.Builder
	for i, a := range p.attached {
		if i == most {
			fmt.Fprintf(&b, "[%d more not sent]", len(p.attached)-most)
			break
		}
		name := a.name
		if name == "" {
			name = "file"
		}
		fmt.Fprintf(&b, "[%s %s not sent]", name, size(a.bytes))
	}
	switch p.pictures {
	case 0:
	case 1:
		b.WriteString("[picture not sent]")
	default:
		fmt.Fprintf(&b, "[%d pictures not sent]", p.pictures)
	}
	return b.String()
}

// size gives bytes as people read them, rounded up.
func size(n int64) string {
	if n < 1000 {
		return fmt.Sprintf("%d B", n)
	}
	return fmt.Sprintf("%d KB", (n+999)/1000)
}
