package mail

import (
	"strings"
	"unicode/utf8"
)

// Phones and mail programs put a line of their own below what a person wrote:
// airtime for nothing, and often an advertisement, which amateur radio may not
// carry. Both has to be in it, the words and the thing that sends (common
// practice, no source).
var (
	footerWords = pattern(`(?i)^(sent (from|via|with|using) |get outlook for |` +
		`(von|diese nachricht wurde von) mein.* gesendet|gesendet (von|mit|über|aus) |outlook für .* (herunterladen|beziehen)|holen sie sich outlook für |` +
		`envoyé (de|depuis|à partir de|avec) |obtenir outlook |téléchargez outlook |enviado (desde|de|do|con|a partir) |obtener outlook |obter o outlook |inviato da|ottieni outlook |` +
		`verzonden (vanaf|met|vanuit|via) |outlook voor .* downloaden|skickat från |sendt fra |lähetetty |wysłan[eoy] z|pobierz outlook |odesláno z|` +
		`отправлено (с|из) |надіслано з |στάλθηκε από |trimis de pe |poslano [sz] |odoslané z |enviat des de|küldve a|dikirim dari |ส่งจาก|gửi từ |saadetud min|nosūtīts no |išsiųsta iš |` +
		`נשלח מ|أُرسلت من |.*gönderildi$|.*에서 보냄$|发自我的|從我的.*傳送|.*から送信$)`)
	footerThing = pattern(`(?i)(iphon|ipad|\bios\b|android|galaxy|samsung|huawei|xiaomi|outlook|\bmail|-mail|gmail|windows|` +
		`(phone|handy|tablet|device|gerät|mobil\pL*|telefon|teléfono|téléphone|celular|móvil|puhelime\pL*|почты|телефона)( gesendet)?\.?$|から送信)`)
	// What checks mails for viruses says so.
	footerScan  = pattern(`(?i)^(virus-?free\b|virenfrei\b|garanti sans virus|libre de virus|senza virus|this e-?mail (has been|was) (checked|scanned) (for viruses|by)|diese e-?mail wurde .*auf viren gepr\x{fc}ft)`)
	footerMore  = pattern(`[,;:!?@]|\d{3}`)
	footerNamed = pattern(`\[([^][]*)\]\([^()]*\)`) // as one provider writes links in plain text
	footerLink  = pattern(`\s*(<[^<>]*>|\[[^][]*\])`)
)

// isFooter tells whether a line is one of those. A line with a comma or a time
// in it says more than that, and is a person's.
func isFooter(line string) bool {
	const most = 80 // characters
	if strings.ContainsAny(line, "<[") {
		line = footerLink().ReplaceAllString(footerNamed().ReplaceAllString(line, "$1"), "")
	}
	if line = strings.TrimSpace(line); utf8.RuneCountInString(line) > most {
		return false
	}
	return footerScan().MatchString(line) ||
		!footerMore().MatchString(line) && footerWords().MatchString(line) && footerThing().MatchString(line)
}

// cutFooter takes such lines off the end of a text.
func cutFooter(text string) string {
	for text != "" {
		above, last := "", text
		if i := strings.LastIndexByte(text, '\n'); i >= 0 {
			above, last = text[:i], text[i+1:]
		}
		if last != "" && !isFooter(last) {
			break
		}
		text = above
	}
	return text
}
