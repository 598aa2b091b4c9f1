package mail

import (
	"strings"
	"testing"
)

// How mail programs write above what they quote, in many languages (from memory).
var attributions = []string{
	"On Nov 29, 2026, at 2:00 PM, N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example> wrote:",
	"Am So., 29. Nov. 2026 um 14:00 Uhr schrieb N0QRA-7 via N0QRZ-10 <\nn0qra-7@radio.example>:",
	"Le dim. 29 nov. 2026 à 14:00, N0QRA-7 via N0QRZ-10 <\nn0qra-7@radio.example> a écrit :",
	"El dom, 29 nov 2026 a las 14:00, N0QRA-7 via N0QRZ-10 (<\nn0qra-7@radio.example>) escribió:",
	"Em dom., 29 de nov. de 2026 às 14:00, N0QRA-7 via N0QRZ-10 <\nn0qra-7@radio.example> escreveu:",
	"Il giorno dom 29 nov 2026 alle ore 14:00 N0QRA-7 via N0QRZ-10 <\nn0qra-7@radio.example> ha scritto:",
	"Op zo 29 nov 2026 om 14:00 schreef N0QRA-7 via N0QRZ-10 <\nn0qra-7@radio.example>:",
	"Den sön 29 nov. 2026 kl 14:00 skrev N0QRA-7 via N0QRZ-10 <\nn0qra-7@radio.example>:",
	"su 29. marrask. 2026 klo 14.00 N0QRA-7 via N0QRZ-10 (n0qra-7@radio.example) kirjoitti:",
	"ne 29. 11. 2026 v 14:00 odesílatel N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example>\nnapsal:",
	"вс, 29 нояб. 2026 г. в 14:00, N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example>:",
	"2026年11月29日(日) 14:00 N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example>:",
	"N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example> 于2026年11月29日周日 14:00写道：",
	"N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example>, 29 Kas 2026 Paz, 14:00 tarihinde\nşunu yazdı:",
	"\u202bבתאריך יום א׳, 29 בנוב׳ 2026 ב-14:00 מאת \u202aN0QRA-7\u202c\u200f <\u202an0qra-7@radio.example\u202c\u200f>:\u202c",
	"في الأحد، 29 نوفمبر 2026 في 2:00 م تمت كتابة ما يلي بواسطة N0QRA-7 <\nn0qra-7@radio.example>:",
}

func TestAttributionsGoWithTheQuotation(t *testing.T) {
	for _, above := range attributions {
		if got := cut("Two cans.\nAt noon.\n\n" + above + "\n\n> got the water"); got != "Two cans.\nAt noon." {
			t.Errorf("%q stays: %q", above, got)
		}
		// What was HTML has no empty line between them.
		if got := cut("Two cans.\nAt noon.\n" + above + "\n> got the water"); got != "Two cans.\nAt noon." {
			t.Errorf("of an answer right above %q stays %q", above, got)
		}
	}
	for _, said := range []string{
		"The list of 2026\nhas these:", "Write to <ann@club.example>\nfor:", "One\ntwo\nthree 2026\n<ann@club.example>\nhave this:",
	} {
		if got := cut("Hello.\n\n" + said + "\n\n> got the water"); !strings.HasSuffix(got, said) {
			t.Errorf("a person's %q went: %q", said, got)
		}
	}
}

// How office programs and providers head a mail that they do not mark line by line
// (from memory).
func TestHeadersGoWithWhatTheyHead(t *testing.T) {
	for _, head := range []string{
		"From: N0QRA-7 <n0qra-7@radio.example>\nSent: Sunday, November 29, 2026 2:00:00 PM\nTo: ann@club.example",
		"De : N0QRA-7 <n0qra-7@radio.example>\nEnvoyé : dimanche 29 novembre 2026 14:00\nÀ : ann@club.example",
		"Von: N0QRA-7 <n0qra-7@radio.example>\nGesendet: Sonntag, 29. November 2026 14:00\nAn: ann@club.example",
		"От: N0QRA-7 <n0qra-7@radio.example>\nОтправлено: 29 ноября 2026 г. 14:00\nКому: ann@club.example",
		"差出人: N0QRA-7 <n0qra-7@radio.example>\n送信日時: 2026年11月29日 14:00\n宛先: ann@club.example",
		"发件人：N0QRA-7 <n0qra-7@radio.example>\n日期：2026年11月29日 14:00\n收件人：ann@club.example",
		"------------------ 原始邮件 ------------------\n发件人: \"N0QRA-7\"",
		"-------- Original message --------\nFrom: N0QRA-7",
		"  On Sun, Nov 29, 2026 at 14:00, N0QRA-7 via N0QRZ-10<n0qra-7@radio.example> wrote:   got the water",
		"Gesendet: Sonntag, 29. November 2026 um 14:00 Uhr\nVon: N0QRA-7 <n0qra-7@radio.example>\nAn: ann@club.example\nBetreff: Re: Got it",
		"From:\tN0QRA-7 <n0qra-7@radio.example>\nTo:\tann@club.example\nDate:\t29.11.2026 14:00\nSubject:\tRe: Got it",
		"-----Original-Nachricht-----\nBetreff: Re: Got it\nDatum: 2026-11-29T14:00:00+0100\nVon: N0QRA-7 <n0qra-7@radio.example>",
		"------ Originalnachricht ------\nVon \"N0QRA-7\" <n0qra-7@radio.example>\nAn ann@club.example",
		"---- On Sun, 29 Nov 2026 14:00:00 +0100 N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example> wrote ---",
		"On Nov 29, 2026, at 2:00 PM, N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example> wrote:",
		"Am Sonntag, 29. November 2026 um 14:00:00 MEZ hat N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example> Folgendes geschrieben:",
		"Dnia 29 listopada 2026 14:00 N0QRA-7 via N0QRZ-10 <n0qra-7@radio.example> napisał(a):",
		"On 29. November 2026 at 14:00:00, N0QRA-7 via N0QRZ-10 (n0qra-7@radio.example) wrote:",
	} {
		if got := cut("Two cans.\n\n" + head + "\n\ngot the water"); got != "Two cans." {
			t.Errorf("%q stays: %q", head, got)
		}
		// What was HTML has no empty line between them.
		if got := cut("Two cans.\n" + head + "\ngot the water"); got != "Two cans." {
			t.Errorf("right below the answer %q stays: %q", head, got)
		}
	}
	for _, said := range []string{
		"To: EOC\nFrom: Shelter 4\nDate: 29 Nov\nSubject: water\nNeed 200 L", "Sent: two cans\nTo: the hut\nFrom: Ann",
		"In 2026 at 14:00 write to Ann <ann@club.example> for:\nwater\n> not this", "Ann <ann@club.example> at 14:00:\nbring water",
		"From: ann@club.example\nDate: 29 Nov\nNeed 200 L",
	} {
		if got := cut("Hello.\n\n" + said); !strings.HasPrefix(got+"\n> not this", "Hello.\n\n"+said) {
			t.Errorf("a person's %q became %q", said, got)
		}
	}
	answered := "On Nov 29, 2026, at 2:00 PM, N0QRA-7 <n0qra-7@radio.example> wrote:\ngot the water"
	if got := cut(answered); got != answered {
		t.Errorf("with nothing above it a quotation without marks became %q", got)
	}
}
