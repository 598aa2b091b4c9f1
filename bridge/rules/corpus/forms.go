package main

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"
)

// Texts of the trade that no Debian package holds, made from their published
// forms with random values. Each form was written before it was ever judged; the
// second list was first judged after the rules were last changed.

// A form makes one line.
type form struct {
	name string
	line func(*dice) string
}

const formLines = 4_000 // of each form

// written gives the lines of each form as a corpus, the same ones each time.
func written(forms []form) []corpus {
	var list []corpus
	for i, f := range forms {
		r := &dice{rand.New(rand.NewPCG(uint64(i), 25))}
		co := corpus{name: "radio-" + f.name, whole: true}
		for range formLines {
			co.text = append(co.text, f.line(r))
		}
		list = append(list, co)
	}
	return list
}

// dice throw what a form is filled with.
type dice struct{ *rand.Rand }

func (d *dice) of(from, to int) int         { return from + d.IntN(to-from+1) }
func (d *dice) pick(words ...string) string { return words[d.IntN(len(words))] }
func (d *dice) word(list string) string     { return d.pick(strings.Fields(list)...) }
func (d *dice) figures(n int) string        { return d.some(n, "0123456789") }
func (d *dice) hex(n int) string            { return d.some(n, "0123456789abcdef") }
func (d *dice) upperHex(n int) string       { return d.some(n, "0123456789ABCDEF") }
func (d *dice) letters(n int) string        { return d.some(n, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") }
func (d *dice) number(from, to float64) string {
	return fmt.Sprintf("%.*f", d.IntN(4), from+(to-from)*d.Float64())
}
func (d *dice) time() time.Time {
	return time.Date(2026, 11, 1, 0, 0, d.IntN(30*24*3600), 0, time.UTC)
}

func (d *dice) some(n int, of string) string {
	b := make([]byte, n)
	for i := range b {
		b[i] = of[d.IntN(len(of))]
	}
	return string(b)
}

// call is N0 and a suffix from QRA to QUZ, as in all our examples.
func (d *dice) call() string {
	c := "N0Q" + d.some(1, "RSTU") + d.letters(1)
	if d.IntN(2) == 0 {
		c += fmt.Sprintf("-%d", d.of(1, 15))
	}
	return c
}

func (d *dice) grid() string {
	g := d.some(2, "ABCDEFGHIJKLMNOPQR") + d.figures(2)
	if d.IntN(2) == 0 {
		g += strings.ToLower(d.some(2, "ABCDEFGHIJKLMNOPQRSTUVWX"))
	}
	return g
}

// prose is running text of nets and shelters.
func (d *dice) prose(n int) string {
	const words = `the water is up to porch all safe here please send blankets road closed at bridge two people hurt team three back by eight generator runs fuel until midnight
		thanks we copy you well next net on sunday bring batteries antenna down wind strong school hall open food warm need doctor list follows see map`
	var out []string
	for range n {
		out = append(out, d.word(words))
	}
	return strings.Join(out, " ")
}

func nmea(body string) string {
	sum := byte(0)
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Sprintf("$%s*%02X", body, sum)
}

// iban puts the check digits of ISO 13616 behind the country.
func iban(country, account string) string {
	rest := 0
	for _, ch := range account + country + "00" {
		switch {
		case ch <= '9':
			rest = (rest*10 + int(ch-'0')) % 97
		default:
			rest = (rest*100 + int(ch-'A') + 10) % 97
		}
	}
	return fmt.Sprintf("%s%02d%s", country, 98-rest, account)
}

// checked are the forms of the first list.
var checked = []form{
	{"mail", func(d *dice) string {
		return fmt.Sprintf("From: %s@club.example\nDate: %s\nMessage-ID: <%s.%s@mail.club.example>\nSubject: %s\n\n%s.\n> %s\n> %s\n", d.word("ann ben cleo dan eve"),
			d.time().Format(time.RFC1123Z), d.figures(14), d.hex(8), d.prose(4), d.prose(30), d.prose(10), d.prose(10))
	}},
	{"log", func(d *dice) string {
		return d.pick(
			fmt.Sprintf("%s host%d kernel: [%s] usb 1-1.%d: new full-speed USB device number %d using xhci_hcd", d.time().Format(time.Stamp), d.of(1, 9), d.figures(11), d.of(1, 4), d.of(2, 40)),
			fmt.Sprintf("%s level=info msg=\"connected\" link=%s id=%s-%d took=%dms", d.time().Format(time.RFC3339), d.word("valley ridge far"), d.call(), d.of(1, 99999), d.of(1, 900)),
			fmt.Sprintf("%s sshd[%d]: Accepted publickey for op from 192.0.2.%d port %d ssh2", d.time().Format(time.Stamp), d.of(300, 40000), d.of(1, 254), d.of(1024, 65535)),
			fmt.Sprintf("192.0.2.%d - - [%s] \"GET /status?id=%d HTTP/1.1\" 200 %d", d.of(1, 254), d.time().Format("02/Jan/2006:15:04:05 -0700"), d.of(1, 9999), d.of(100, 90000)),
			fmt.Sprintf("E (%d) wifi: disconnect reason=%d rssi=-%d heap=%d core=%d pc=0x%s", d.of(1, 9999999), d.of(1, 204), d.of(40, 99), d.of(9000, 250000), d.of(0, 1), d.hex(8)))
	}},
	{"sensors", func(d *dice) string {
		return fmt.Sprintf("%s T=%sC RH=%d%% P=%shPa V=%s I=%smA RSSI=-%d SNR=%s LUX=%d UV=%d PM25=%s CO2=%dppm", d.time().Format("150405"), d.number(-20, 40), d.of(10, 99),
			d.number(950, 1050), d.number(3, 15), d.number(-500, 900), d.of(40, 130), d.number(-20, 12), d.of(0, 99999), d.of(0, 11), d.number(0, 200), d.of(400, 2400))
	}},
	{"links", func(d *dice) string {
		return fmt.Sprintf("%s https://%s.example/%s/%d?q=%s&lang=%s&ref=%s&session=%s %s", d.prose(3), d.word("maps files shop news club"), d.word("view doc item topic"), d.of(1, 99999999),
			strings.ReplaceAll(d.prose(3), " ", "+"), d.word("de en fr pt-BR"), d.hex(8), d.some(22, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"), d.prose(2))
	}},
	{"commits", func(d *dice) string {
		return d.pick(fmt.Sprintf("%s since commit %s, see also %s", d.prose(6), d.hex(40), d.hex(12)), fmt.Sprintf("%s (cherry picked from commit %s)", d.prose(9), d.hex(40)), fmt.Sprintf("%s %s", d.hex(7), d.prose(5)))
	}},
	{"ics213", func(d *dice) string {
		return fmt.Sprintf("1. INCIDENT NAME: %s\n2. TO: %s\n3. FROM: SHELTER %d\n4. SUBJECT: %s\n5. DATE: %s\n6. TIME: %s\n7. MESSAGE: %s\n8. APPROVED BY: %s\n", strings.ToUpper(d.prose(2)), d.word("EOC LOGISTICS OPS PLANS"),
			d.of(1, 40), strings.ToUpper(d.prose(1)), d.time().Format(time.DateOnly), d.time().Format("1504Z"), strings.ToUpper(d.prose(20)), d.call())
	}},
	{"compounds", func(d *dice) string {
		const parts = "donau dampf schiff fahrts gesellschafts kapitäns mützen haupt bahn hofs vor steher katastrophen schutz einsatz leitungs wagen hoch wasser pegel mess stellen funk not strom aggregat wartungs vertrags über prüfungs ausschuss mitglieder versammlungs protokoll"
		w := ""
		for range d.of(3, 8) {
			w += d.word(parts)
		}
		return w + " " + d.word("und oder ist nicht sehr")
	}},
	{"prosigns", func(d *dice) string {
		var out []string
		for range 14 {
			out = append(out, d.pick("<AR>", "<SK>", "<BT>", "<KN>", "<AS>", "<HH>", "<SOS>", "AR", "SK", "BT", "KN", ".-.-.", "...-.-", "-...-", "-.--.", "CQ", "DE", "5NN", "TU", "73", "K", "R R", d.call(), d.word("QRZ QRM QTH QSY QRT QSL?"), d.some(d.of(1, 5), ".-")))
		}
		return strings.Join(out, " ")
	}},
	{"telemetry", func(d *dice) string {
		return d.pick(fmt.Sprintf("T#%03d,%03d,%03d,%03d,%03d,%03d,%s", d.of(0, 999), d.of(0, 255), d.of(0, 255), d.of(0, 255), d.of(0, 255), d.of(0, 255), d.some(8, "01")),
			fmt.Sprintf(":%-9s:PARM.Vbat,Temp,Hum,Sol,Cur,A%d,B%d,C%d", d.call(), d.of(1, 9), d.of(1, 9), d.of(1, 9)), fmt.Sprintf(":%-9s:EQNS.0,%s,0,0,%s,-32,3,%s,%s,-32,3,18,1,2,3", d.call(), d.number(0, 9), d.number(0, 2), d.number(0, 5), d.number(0, 90)),
			fmt.Sprintf(":%-9s:UNIT.V/100,deg.C,%%RH,V,mA,on,off,hi", d.call()))
	}},
	{"grids", func(d *dice) string {
		return fmt.Sprintf("%s %s %s %s %s %s", d.call(), d.grid(), d.call(), d.grid(), d.word("wkd hrd cfm nil"), d.grid())
	}},
	{"phones", func(d *dice) string {
		return d.prose(2) + d.pick(fmt.Sprintf(" +1 (555) %s-%s", d.figures(3), d.figures(4)), fmt.Sprintf(" 0043 1 %s %s", d.figures(4), d.figures(3)), fmt.Sprintf(" +49-30-%s", d.figures(8)), fmt.Sprintf(" tel:%s", d.figures(11)))
	}},
	{"accounts", func(d *dice) string {
		iban := d.pick(iban("DE", d.figures(18)), iban("GB", d.letters(4)+d.figures(14)), iban("MT", d.letters(4)+d.figures(5)+d.some(18, "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")), iban("FR", d.figures(23)))
		return "IBAN " + d.pick(iban, every(4, " ")(iban)) + d.pick("", " BIC "+d.letters(8))
	}},
	{"books", func(d *dice) string {
		return fmt.Sprintf("%s, ISBN 978-%s-%s-%s-%s; ISSN %s-%sX", d.prose(4), d.figures(1), d.figures(3), d.figures(5), d.figures(1), d.figures(4), d.figures(3))
	}},
	{"addresses", func(d *dice) string {
		mac := d.hex(12)
		m := strings.Join([]string{mac[:2], mac[2:4], mac[4:6], mac[6:8], mac[8:10], mac[10:]}, d.pick(":", "-"))
		return d.pick(fmt.Sprintf("eth0 %s 2001:db8:%s:%s::%s/64", m, d.hex(4), d.hex(4), d.hex(4)), fmt.Sprintf("lease 192.0.2.%d %s host%d", d.of(1, 254), strings.ToUpper(m), d.of(1, 99)),
			fmt.Sprintf("route 2001:db8:%s:%s:%s:%s:%s:%s via fe80::%s:%sff:fe%s:%s", d.hex(4), d.hex(4), d.hex(4), d.hex(4), d.hex(4), d.hex(4), d.hex(4), d.hex(2), d.hex(2), d.hex(4)))
	}},
	{"navigation", func(d *dice) string {
		lat, lon := fmt.Sprintf("%02d%02d.%s,N", d.of(0, 89), d.of(0, 59), d.figures(4)), fmt.Sprintf("%03d%02d.%s,E", d.of(0, 179), d.of(0, 59), d.figures(4))
		return d.pick(nmea(fmt.Sprintf("GPGGA,%s.00,%s,%s,1,%02d,%s,%s,M,46.9,M,,", d.time().Format("150405"), lat, lon, d.of(4, 12), d.number(0, 3), d.number(0, 4000))),
			nmea(fmt.Sprintf("GNRMC,%s,A,%s,%s,%s,%s,%s,,,A", d.time().Format("150405"), lat, lon, d.number(0, 60), d.number(0, 360), d.time().Format("020106"))),
			nmea(fmt.Sprintf("GPGSV,3,1,11,%02d,%02d,%03d,%02d,%02d,%02d,%03d,%02d", d.of(1, 32), d.of(0, 90), d.of(0, 359), d.of(0, 50), d.of(1, 32), d.of(0, 90), d.of(0, 359), d.of(0, 50))))
	}},
	{"metar", func(d *dice) string {
		return d.pick(fmt.Sprintf("METAR %s %sZ %03d%02dKT %s %s%03d %s%03d %02d/M%02d Q%04d %s", d.letters(4), d.time().Format("021504"), d.of(0, 35)*10, d.of(0, 40), d.word("9999 CAVOK 4000 0800"), d.word("FEW SCT BKN OVC"), d.of(1, 60), d.word("FEW SCT BKN OVC"), d.of(60, 250), d.of(0, 30), d.of(0, 15), d.of(960, 1045), d.word("NOSIG TEMPO BECMG")),
			fmt.Sprintf("TAF %s %sZ %02d%02d/%02d%02d %03d%02dG%02dKT P6SM %s%03d TEMPO %02d%02d/%02d%02d %s PROB30 TSRA", d.letters(4), d.time().Format("021504"), d.of(1, 28), d.of(0, 23), d.of(1, 28), d.of(0, 23), d.of(0, 35)*10, d.of(5, 25), d.of(26, 50), d.word("FEW SCT BKN OVC"), d.of(1, 250), d.of(1, 28), d.of(0, 23), d.of(1, 28), d.of(0, 23), d.word("RA SN -DZ +SHRA BR FZFG")),
			fmt.Sprintf("AAXX %s1 %s %s %s 1%s 2%s 3%s 4%s 5%s 60002 333 1%s", d.figures(4), d.figures(5), d.figures(5), d.figures(5), d.figures(4), d.figures(4), d.figures(4), d.figures(4), d.figures(4), d.figures(4)),
			fmt.Sprintf("RMK AO2 SLP%03d T%s %s P%s 6%s 5%s", d.of(0, 999), d.figures(8), d.figures(5), d.figures(4), d.figures(4), d.figures(4)))
	}},
	{"radiogram", func(d *dice) string {
		return fmt.Sprintf("NR %d %s HX%s %s %d %s %s %s\nTO %s\n%s X %s X %s BT\n%s\n", d.of(1, 999), d.word("R W P EMERGENCY"), d.some(1, "ABCDEFG"), d.call(), d.of(5, 30), strings.ToUpper(d.prose(1)), d.time().Format("1504Z"), strings.ToUpper(d.time().Format("Jan 2")), d.call(), strings.ToUpper(d.prose(8)), d.word("QRV QSL QTH QRX QSP QTC"), strings.ToUpper(d.prose(6)), d.call())
	}},
	{"dumps", func(d *dice) string { // fewer bytes than a ciphertext that matters
		return fmt.Sprintf("%s frame %s from node !%s len %d crc 0x%s %s", d.word("RX TX"), d.pick(d.hex(d.of(4, 11)*2), strings.TrimSpace(strings.Repeat(d.upperHex(2)+" ", 1)+d.upperHex(2)+" "+d.upperHex(2)+" "+d.upperHex(2)+" "+d.upperHex(2))), d.hex(8), d.of(4, 20), d.hex(4), d.prose(4))
	}},
}
