package mail

import (
	"slices"
	"strings"
)

// signatureMark is the line above a signature (RFC 3676 section 4.3).
const signatureMark = "-- "

// cut takes quoted text, signature and footer off, as a person would before reading
// a mail aloud. If nothing is left, the mail was only that: it stays whole.
// Cutting twice gives the same as cutting once, but where shorten gives up.
func cut(text string) string {
	if short := shorten(text); short != "" {
		return short
	}
	return strings.TrimSpace(tidy(text))
}

// shorten is cut that may leave nothing. What one pass leaves may show the next what
// to cut; a mail that goes on and on so was made to cost time, and keeps the rest.
func shorten(text string) string {
	const most = 20 // passes
	text = tidy(text)
	for range most {
		next := tidy(cutFooter(cutDisclaimer(cutQuotes(cutSignature(cutOriginal(cutBanner(text)))))))
		if next == text {
			break
		}
		text = next
	}
	return text
}

// isBare tells whether nothing but a banner, a signature or a footer is in a text.
func isBare(text string) bool {
	return tidy(cutFooter(tidy(cutDisclaimer(tidy(cutSignature(tidy(cutBanner(tidy(text))))))))) == ""
}

// cutSignature ends the text at its signature mark. Programs that trim lines
// lose the mark's blank, so a bare "--" counts near the end.
func cutSignature(text string) string {
	const near = 8 // lines
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		if line == signatureMark || line == "--" && i >= len(lines)-near {
			return strings.Join(lines[:i], "\n")
		}
	}
	return text
}

// original is the line above a quoted mail that is not marked line by line
// (common practice, no source).
var original = pattern(`(?i)^-{3,}\s*(original message|forwarded message|urspr\x{fc}ngliche nachricht|original-?nachricht|message d'origine|mensaje original|mensagem original|messaggio originale|` +
	`oorspronkelijk bericht|ursprungligt meddelande|oprindelig meddelelse|исходное сообщение|原始邮件|原始郵件|元のメッセージ|원본 메일|원본 메시지)\s*-{3,}$`)

// The first lines of a quoted mail's header, which office programs put above it, under
// an empty line or one of underscores, or in HTML under nothing that is left of it
// (common practice, no source).
var (
	quotedFrom = pattern(`(?i)^(from|von|de|da|van|fr\x{e5}n|fra|od|odes\x{ed}latel|felad\x{f3}|kimden|lähettäjä|от|від|差出人|发件人|寄件者|보낸 사람)\s*[:：]\s*\S`)
	quotedSent = pattern(`(?i)^(sent|gesendet|envoy\x{e9}|enviad[oa]( el| em)?|inviato|verzonden|skickat|sendt|wys\x{142}ano|odesl\x{e1}no|elküldve|gönderildi|lähetetty|отправлено|надіслано|送信日時|发送时间|寄件日期|보낸 날짜)\s*[:：]\s*\S`)
	quotedDate = pattern(`(?i)^(date|datum|data|fecha|dato|дата|日期|日時|날짜)\s*[:：]\s*\S`)
	quotedTo   = pattern(`(?i)^(to|an|\x{e0}|a|para|aan|till|til|do|komu|címzett|kime|vastaanottaja|кому|宛先|收件人|收件者|받는 사람|subject|betreff|objet|oggetto|asunto|assunto|onderwerp|\x{e4}mne|emne|temat|předmět|tárgy|konu|aihe|тема|件名|主题|主旨|제목)\s*[:：]`)
	quotedCopy = pattern(`(?i)^(cc|copia|copie|kopie|kopia|копия)\s*[:：]`)
	ruler      = pattern(`^_{10,}$`)
	dashed     = pattern(`^-{3,}\s*[^-].{1,38}[^-]\s*-{3,}$`)
)

func cutOriginal(text string) string {
	lines := strings.Split(text, "\n")
	for i := range lines {
		if isOriginal(lines, i) || isHeader(lines, i) || isUnmarked(lines, i) {
			if i > 0 && ruler().MatchString(lines[i-1]) {
				i--
			}
			return strings.Join(lines[:i], "\n")
		}
	}
	return text
}

// The functions below look for a sign that costs nothing first: few lines have one,
// and a regular expression reads all of a line for each word in it.

// isOriginal tells whether line i is such a line, in words that are known, or an
// attribution, or above a header with an address, which a form that a person fills in has
// not.
func isOriginal(lines []string, i int) bool {
	if !strings.HasPrefix(lines[i], "---") {
		return false
	}
	below := lines[i+1 : min(i+5, len(lines))]
	return original().MatchString(lines[i]) ||
		strings.HasSuffix(lines[i], "---") && isAttribution(lines[i]) ||
		dashed().MatchString(lines[i]) && len(below) > 0 && isField(below[0]) && strings.Contains(strings.Join(below, "\n"), "@")
}

// isField tells whether a line is one of those that a quoted mail's header has.
func isField(line string) bool {
	return quotedFrom().MatchString(line) || quotedSent().MatchString(line) || quotedDate().MatchString(line) || quotedTo().MatchString(line) || quotedCopy().MatchString(line)
}

// isHeader tells whether a quoted mail's header begins on line i: two of its fields
// where it stands apart, else three, with an address.
func isHeader(lines []string, i int) bool {
	if i+1 >= len(lines) || !strings.ContainsAny(lines[i], ":：") {
		return false
	}
	if !quotedFrom().MatchString(lines[i]) {
		return quotedSent().MatchString(lines[i]) && isAddressed(lines[i:])
	}
	apart := i > 0 && (strings.TrimSpace(lines[i-1]) == "" || ruler().MatchString(lines[i-1]))
	sent := quotedSent().MatchString(lines[i+1])
	if apart && sent {
		return true
	}
	three := i+2 < len(lines) && (sent || quotedDate().MatchString(lines[i+1])) && quotedTo().MatchString(lines[i+2])
	return three && apart || isAddressed(lines[i:])
}

// isAddressed tells whether lines begin with a header, in any order, that says from which
// address, when and to whom.
func isAddressed(lines []string) bool {
	var from, when, to bool
	for _, line := range lines[:min(4, len(lines))] {
		switch {
		case quotedFrom().MatchString(line):
			from = strings.Contains(line, "@")
		case quotedSent().MatchString(line), quotedDate().MatchString(line):
			when = true
		case quotedTo().MatchString(line):
			to = true
		default:
			return false
		}
		if from && when && to {
			return true
		}
	}
	return false
}

// isUnmarked tells whether line i says who wrote what stands below it, as some large
// providers' pages quote: none of that is marked line by line, or it stands behind it on
// the same line, as a provider's phone program does.
func isUnmarked(lines []string, i int) bool {
	if strings.HasPrefix(lines[i], " ") && wroteInLine().MatchString(lines[i]) {
		return true
	}
	line := strings.TrimSpace(lines[i])
	if i+1 == len(lines) || !strings.HasSuffix(line, ":") || !isAttribution(line) || !wroteAtEnd().MatchString(line) {
		return false
	}
	return !slices.ContainsFunc(lines[i+1:], func(below string) bool { return strings.HasPrefix(below, ">") })
}

// cutQuotes takes out the lines that begin with > and the attribution above
// them.
func cutQuotes(text string) string {
	var out []string
	quoting := false
	for line := range strings.SplitSeq(text, "\n") {
		if !strings.HasPrefix(line, ">") {
			quoting = false
			out = append(out, line)
			continue
		}
		if !quoting {
			out = dropAttribution(out)
		}
		quoting = true
	}
	return strings.Join(out, "\n")
}

// wrote are the verbs of attribution lines, and a year or address says the same
// (common practice, no source).
var wrote = pattern(`(?i)(wrote|writes|schrieb|schreef|skrev|a \x{e9}crit|escribi\x{f3}|ha scritto|napisa\x{142}|napsal|@|\b(19|20)\d\d\b)`)

// wroteAtEnd ends an attribution line, whatever stands in it.
var wroteAtEnd = pattern(`(?i)(wrote|schrieb|geschrieben|schreef|skrev|a \x{e9}crit|escribi\x{f3}|escreveu|ha scritto|napisa\x{142}(\(a\))?)[ \x{a0}]?:$`)

// wroteInLine is an attribution with the quoted text behind it.
var wroteInLine = pattern(`^ +\S.*\d.*<\S+@\S+> ?[\pL ]{1,20}: {2,}\S`)

// attributionStart begins an attribution that was wrapped into two lines.
var attributionStart = pattern(`(?i)^(on|am|le|el|il|op|den|w dniu) .*\d`)

// dropAttribution removes the line "On ... N. wrote:" at the end of lines, also
// when it was wrapped or an empty line follows.
func dropAttribution(lines []string) []string {
	n := len(lines)
	if n > 0 && lines[n-1] == "" {
		n--
	}
	if n == 0 || !strings.HasSuffix(lines[n-1], ":") && !strings.HasSuffix(lines[n-1], "：") {
		return lines
	}
	if start := wrapped(lines[:n]); start < n {
		return lines[:start]
	}
	if wrote().MatchString(lines[n-1]) {
		n--
		if n > 0 && !attributionStart().MatchString(lines[n]) && attributionStart().MatchString(lines[n-1]) {
			n--
		}
		return lines[:n]
	}
	return lines
}

// wrapped gives the line on which an attribution in two or three lines begins,
// whatever its language: it has an address in brackets and a year, and is a paragraph,
// or begins as one right below the answer. Else it gives the end.
func wrapped(lines []string) int {
	end := len(lines)
	for n := 1; n <= 3 && n <= end && lines[end-n] != ""; n++ {
		at := end - n
		switch {
		case !isAttribution(strings.Join(lines[at:], " ")):
		case n == 1:
			return end // it is whole
		case at == 0 || lines[at-1] == "" || beginsAttribution(lines[at]):
			return at
		}
	}
	return end
}

// beginsAttribution tells whether a line is the first one of an attribution whatever
// stands above it: it is broken before the address, or all but its verb is there.
func beginsAttribution(line string) bool {
	return strings.HasSuffix(line, "<") || isAttribution(line) || attributionStart().MatchString(line)
}

var (
	attributedWho  = pattern(`<\s*[^\s<>@]+@[^\s<>@]+>|\([^\s()@]+@[^\s()@]+\)`)
	attributedWhen = pattern(`\b(19|20)\d\d(\D|$)`)
)

func isAttribution(s string) bool {
	return attributedWho().MatchString(s) && attributedWhen().MatchString(s)
}

// unflow undoes format=flowed (RFC 3676 section 4): a line that ends in a blank
// goes on in the next one of the same quote depth, a leading blank is stuffing.
func unflow(text string, delSp bool) string {
	var out strings.Builder
	open, depth := false, 0
	for i, raw := range strings.Split(text, "\n") {
		line := strings.TrimLeft(raw, ">")
		d := len(raw) - len(line)
		line = strings.TrimPrefix(line, " ")
		flowed := strings.HasSuffix(line, " ") && line != signatureMark
		if flowed && delSp {
			line = strings.TrimSuffix(line, " ")
		}
		switch {
		case open && d == depth && line != signatureMark:
		case i > 0:
			out.WriteByte('\n')
			fallthrough
		default:
			line = quoted(d, line)
		}
		out.WriteString(line)
		open, depth = flowed, d
	}
	return out.String()
}

// quoted marks a line with its quote depth. A line that only looks quoted, since
// its stuffing was taken off, stays apart by its blank.
func quoted(depth int, line string) string {
	if depth > 0 {
		return strings.Repeat(">", depth) + " " + line
	}
	if strings.HasPrefix(line, ">") {
		return " " + line
	}
	return line
}
