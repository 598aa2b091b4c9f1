package mail

import (
	"slices"
	"strings"
)

// Mail servers of offices put a paragraph below each mail, on confidence and on what
// to do with a mail that came by mistake. Its writer cannot take it off, and with it
// a short mail is too long for radio. Three things have to be in it, so that a
// person's sentence on a secret stays (common practice, no source).
var (
	ofSecrets = []string{
		"confidential", "privileged", "vertraulich", "confidentiel", "confidencial", "riservat", "vertrouwelijk", "konfidentiell", "fortrolig", "poufn", "конфиденциальн",
	}
	ofReaders = []string{
		"intended for", "intended only", "intended solely", "intended recipient", "addressee", "in error", "by mistake", "unauthorized", "unauthorised",
		"irrtümlich", "adressat", "empfänger", "destinatair", "destinatari", "geadresseerde", "mottagare", "modtager", "adresat", "адресат",
	}
	ofMails = []string{
		"email", "e-mail", "message", "nachricht", "courriel", "mensaje", "mensagem", "correo", "messaggio", "bericht", "meddelande", "wiadomo", "сообщени",
	}
	disclaimerTitle = pattern(`(?i)^(\W{5,}|\W*(disclaimer|confidentiality notice|legal notice|haftungsausschluss)\W*)$`)
)

func isDisclaimer(paragraph string) bool {
	const least = 80 // bytes
	if len(paragraph) < least {
		return false
	}
	paragraph = strings.ToLower(paragraph)
	has := func(word string) bool { return strings.Contains(paragraph, word) }
	return slices.ContainsFunc(ofSecrets, has) && slices.ContainsFunc(ofReaders, has) && slices.ContainsFunc(ofMails, has)
}

// cutDisclaimer ends the text where such a line begins, as what was HTML has no empty
// lines, or such a paragraph.
func cutDisclaimer(text string) string {
	lines := strings.Split(text, "\n")
	i := slices.IndexFunc(lines, isDisclaimer)
	for n := 0; i < 0 && n < len(lines); n++ {
		if (n == 0 || lines[n-1] == "") && isDisclaimer(paragraphAt(lines, n)) {
			i = n
		}
	}
	if i < 0 {
		return text
	}
	for i > 0 && (lines[i-1] == "" || disclaimerTitle().MatchString(lines[i-1])) {
		i--
	}
	return strings.Join(lines[:i], "\n")
}

// paragraphAt joins the lines from i to the next empty one.
func paragraphAt(lines []string, i int) string {
	end := i
	for end < len(lines) && lines[end] != "" {
		end++
	}
	return strings.Join(lines[i:end], " ")
}
