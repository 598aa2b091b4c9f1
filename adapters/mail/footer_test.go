package mail

import "testing"

func TestFooters(t *testing.T) {
	for _, line := range []string{
		"Sent from my iPhone", "Sent from my iPad", "Sent from my Galaxy", "Sent from Outlook for Android", "Sent from my phone.", "sent from my mobile",
		"Sent from Mail for Windows 10", "Sent from Mail<https://go.provider.example/fwlink> for Windows", "Get Outlook for iOS<https://link.example/x>", "Sent with [Letter Mail](https://letter.example/) secure email.",
		"Sent from Gmail Mobile", "Virus-free. www.scanner.example", "This email has been checked for viruses by Scanner.", "Diese E-Mail wurde von Scanner auf Viren geprüft.", "Sent with a secure mail service", "Sent from my Samsung Galaxy smartphone.",
		"Von meinem iPhone gesendet", "Gesendet von Outlook für Android", "Gesendet mit der mobilen Mail App", "Diese Nachricht wurde von meinem Android-Gerät gesendet.",
		"Von meinem Mobilgerät gesendet.", "Von meinem Handy gesendet", "Outlook für Android<https://link.example/x> beziehen", "Outlook für iOS herunterladen", "Holen Sie sich Outlook für iOS",
		"Envoyé de mon iPhone", "Envoyé depuis mon téléphone", "Enviado desde mi iPhone", "Enviado do meu iPhone", "Inviato da iPhone", "Verzonden vanaf mijn iPhone",
		"Skickat från min iPhone", "Sendt fra min iPhone", "Lähetetty iPhonesta", "Wysłane z iPhone'a", "Odesláno z iPhonu", "Отправлено с iPhone", "发自我的iPhone", "iPhoneから送信",
		"Надіслано з iPhone", "Στάλθηκε από το iPhone μου", "Trimis de pe iPhone-ul meu", "Poslano s mog iPhone uređaja", "Odoslané z iPhonu", "Enviat des del meu iPhone", "Küldve az iPhone-omról",
		"Dikirim dari iPhone saya", "ส่งจาก iPhone ของฉัน", "Gửi từ iPhone của tôi", "Saadetud minu iPhone'ist", "Nosūtīts no iPhone", "Išsiųsta iš iPhone", "iPhone'umdan gönderildi", "나의 iPhone에서 보냄", "נשלח מה-iPhone שלי", "أُرسلت من الـ iPhone",
	} {
		if got := cut("Come at six.\n\n" + line); got != "Come at six." {
			t.Errorf("%q stays: %q", line, got)
		}
		if got := cut("Yes.\n" + line + "\n\nOn Sun, 29 Nov 2026 N0QRA wrote:\n> there?"); got != "Yes." {
			t.Errorf("%q above a quotation stays: %q", line, got)
		}
		if got := cut(line); got != line {
			t.Errorf("%q alone became %q", line, got)
		}
	}
	for _, line := range []string{
		"Sent from my cabin on the hill", "Sent from my phone, battery low", "Sent from the mobile post at the bridge", "Sent via phone to all teams", "Sent from my phone at 1405",
		"Sent with the next truck", "Get Outlook for the weather: rain", "Gesendet von Posten 3", "Von meinem Standort aus gesehen", "Von meinem Posten aus drei Mann gesendet", "Outlook für Android geht nicht", "Enviado desde el refugio", "Phone is dead", "Virus-hit hut: two ill", "See the mail",
	} {
		if got, want := cut("Come at six.\n\n"+line), "Come at six.\n\n"+line; got != want {
			t.Errorf("a person's %q went: %q", line, got)
		}
	}
}
