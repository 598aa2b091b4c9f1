package mail

import (
	"errors"
	"fmt"
	"io"
	"path"
	"strings"
	"unicode/utf8"

	gomessage "github.com/emersion/go-message"
	gomail "github.com/emersion/go-message/mail"

	"posthouse/bridge/link"
)

// parts is what is found in a mail's MIME tree.
type parts struct {
	plain, html       string
	hasPlain, hasHTML bool
	attached          []attachment
	count             int
}

type attachment struct {
	name  string
	bytes int64
}

// readParts walks the tree (RFC 2046). The first text that is not an attachment
// counts; whatever else is there is listed as not sent.
func readParts(e *gomessage.Entity, opened error) (*parts, error) {
	p := &parts{}
	return p, p.read(e, opened, 0)
}

// read takes one entity; opened is the error with which its decoding began.
func (p *parts) read(e *gomessage.Entity, opened error, depth int) error {
	if p.count++; p.count > maxParts || depth > maxDepth {
		return reply(554, 5, 6, 0, "the mail has more than %d parts or is nested deeper than %d", maxParts, maxDepth)
	}
	kind, params, err := e.Header.ContentType()
	if err != nil && e.Header.Has("Content-Type") {
		return reply(554, 5, 6, 0, "the mail's Content-Type is broken")
	}
	kind = strings.ToLower(kind)
	if err := refuseEncrypted(kind, params); err != nil {
		return err
	}
	name := fileName(e)
	switch {
	case strings.HasPrefix(kind, "multipart/"):
		return p.readMultipart(e, kind, depth)
	case isAttachment(e):
	case kind == "text/plain" && !p.hasPlain:
		p.hasPlain = true
		p.plain, err = readText(e, opened)
		return flow(&p.plain, params, err)
	case kind == "text/html" && !p.hasHTML:
		p.hasHTML = true
		p.html, err = readText(e, opened)
		return err
	case name == "":
		name = kind
	}
	size, err := io.Copy(io.Discard, e.Body)
	if err != nil && size == 0 {
		return broken(err)
	}
	p.attached = append(p.attached, attachment{name: name, bytes: size})
	return nil
}

func (p *parts) readMultipart(e *gomessage.Entity, kind string, depth int) error {
	r := e.MultipartReader()
	for first := true; ; first = false {
		part, err := r.NextPart()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if part == nil {
			return broken(err)
		}
		if kind == "multipart/signed" && !first {
			return nil // the signature (RFC 1847): nobody could check it on air
		}
		if err := p.read(part, err, depth+1); err != nil {
			return err
		}
	}
}

// refuseEncrypted knows the signs of RFC 1847, RFC 3156 and RFC 8551. A CMS that
// is only signed is refused too: its text is inside and no reader on air sees it.
func refuseEncrypted(kind string, params map[string]string) error {
	switch kind {
	case "multipart/encrypted", "application/pgp-encrypted":
		return refuse(link.CodeLooksEncrypted, "encrypted mail may not go on amateur radio: send it in clear")
	case "application/pkcs7-mime", "application/x-pkcs7-mime":
		if strings.EqualFold(params["smime-type"], "signed-data") {
			return refuse(link.CodeNotText, "the text is wrapped in an S/MIME signature: sign with a separate signature, or not at all")
		}
		return refuse(link.CodeLooksEncrypted, "S/MIME mail may not go on amateur radio: send it in clear")
	}
	return nil
}

func isAttachment(e *gomessage.Entity) bool {
	disposition, _, _ := e.Header.ContentDisposition()
	return strings.EqualFold(disposition, "attachment")
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

// flow undoes format=flowed (RFC 3676) where the part says so.
func flow(text *string, params map[string]string, err error) error {
	if err == nil && strings.EqualFold(params["format"], "flowed") {
		*text = unflow(*text, strings.EqualFold(params["delsp"], "yes"))
	}
	return err
}

func broken(err error) error {
	if gomessage.IsUnknownCharset(err) || gomessage.IsUnknownEncoding(err) {
		return refuse(link.CodeNotText, "nobody here knows the text's charset or encoding: send the mail as UTF-8")
	}
	return reply(554, 5, 6, 0, "the mail's parts are broken: %v", err)
}

// readable gives the text for radio: plain text first, else what HTML says.
func (p *parts) readable() (string, error) {
	text := p.plain
	if strings.TrimSpace(text) == "" && p.hasHTML {
		var err error
		if text, err = htmlText(p.html); err != nil {
			return "", reply(554, 5, 6, 0, "the mail's HTML is broken: %v", err)
		}
	}
	text, err := unarmour(tidy(text))
	if err != nil {
		return "", err
	}
	return cut(text), nil
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
		return "", refuse(link.CodeLooksEncrypted, "encrypted mail may not go on amateur radio: send it in clear")
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
	return b.String()
}

// size gives bytes as people read them, rounded up.
func size(n int64) string {
	if n < 1000 {
		return fmt.Sprintf("%d B", n)
	}
	return fmt.Sprintf("%d KB", (n+999)/1000)
}
