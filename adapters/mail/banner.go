package mail

import "strings"

// Mail servers of offices put a warning above each mail from outside. Its writer does not
// even see it. To be told from a person's words it has to begin as a warning does, to say
// whence the mail is, and to warn of clicking or of attachments, or it is a line that says only
// that the mail is external (common practice, no source).
var (
	bannerLine = pattern(`(?i)^\W*(caution|warning|attention|notice|achtung|vorsicht)?\W*(external (e-?mail|sender|message)|externer? (absender|e-?mail|nachricht)|(e-?mail|message|exp\x{e9}diteur) externe)\W*$`)
	bannerText = pattern(`(?i)^\W*(caution|warning|attention|external|this (e-?mail|message)|achtung|vorsicht|diese (e-?mail|nachricht)|ce (message|courriel))\b` +
		`.{0,200}(outside (of )?(the |your |our )?(organi[sz]ation|company|agency)|external (e-?mail|sender|source)|von au\x{df}erhalb|extern\pL* (absender|e-?mail|gesendet|versendet)|(de l'|\x{e0} l')ext\x{e9}rieur|exp\x{e9}diteur externe)` +
		`.{0,200}(click|attachment|klick|anh\x{e4}nge|cliqu|pi\x{e8}ces jointes).{0,200}[.!]\W*$`)
)

// cutBanner takes such a warning off the top of a text.
func cutBanner(text string) string {
	const most = 6 // lines
	lines := strings.Split(text, "\n")
	if bannerLine().MatchString(lines[0]) {
		return strings.Join(lines[1:], "\n")
	}
	for n := 1; n <= min(most, len(lines)) && lines[n-1] != ""; n++ {
		if bannerText().MatchString(strings.Join(lines[:n], " ")) {
			return strings.Join(lines[n:], "\n")
		}
	}
	return text
}
