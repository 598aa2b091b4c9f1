package main

import (
	"fmt"
	"strings"
	"time"
)

// The forms of the second list.
var late = []form{
	{"ships", func(d *dice) string {
		return fmt.Sprintf("MMSI %s IMO %s %s LAT %s LON %s COG %d SOG %s ETA %s", d.figures(9), d.figures(7), strings.ToUpper(d.prose(2)), d.number(-80, 80), d.number(-180, 180), d.of(0, 359), d.number(0, 25), d.time().Format("01021504"))
	}},
	{"notams", func(d *dice) string {
		return fmt.Sprintf("(A%04d/26 NOTAMN Q)%s/Q%s/IV/NBO/A/000/%03d/%s%sN%s%sE005 A)%s B)%s C)%s E)%s)", d.of(1, 9999), d.letters(4), d.letters(4), d.of(1, 999), d.figures(2), d.figures(2), d.figures(3), d.figures(2), d.letters(4), d.time().Format("0601021504"), d.time().Format("0601021504"), strings.ToUpper(d.prose(8)))
	}},
	{"contest", func(d *dice) string {
		return fmt.Sprintf("QSO: %d %s %s %s 599 %03d %s 599 %03d %s", d.of(1800, 29700), d.word("CW PH RY DG"), d.time().Format("2006-01-02 1504"), d.call(), d.of(1, 999), d.call(), d.of(1, 999), d.grid())
	}},
	{"adif", func(d *dice) string {
		c := d.call()
		return fmt.Sprintf("<call:%d>%s <qso_date:8>%s <time_on:6>%s <band:3>20m <mode:3>FT8 <gridsquare:4>%s%s <rst_sent:3>-%02d <freq:9>14.0%s <eor>", len(c), c, d.time().Format("20060102"), d.time().Format("150405"), d.letters(2), d.figures(2), d.of(1, 24), d.figures(5))
	}},
	{"ft8", func(d *dice) string {
		return fmt.Sprintf("%s %3d %.1f %4d ~ %s %s %s", d.time().Format("150405"), d.of(-24, 12), d.Float64()*2, d.of(200, 2900), d.call(), d.call(), d.pick("RR73", "73", d.grid()[:4], fmt.Sprintf("R-%02d", d.of(1, 24))))
	}},
	{"orbits", func(d *dice) string {
		return fmt.Sprintf("1 %sU %s%s%s   26%03d.%s  .%s  00000-0  %s-4 0  99%s\n2 %s %8.4f %8.4f %s %8.4f %8.4f %11.8f%s", d.figures(5), d.figures(2), d.figures(3), d.letters(1), d.of(1, 365), d.figures(8), d.figures(8), d.figures(5), d.figures(2), d.figures(5), d.Float64()*100, d.Float64()*360, d.figures(7), d.Float64()*360, d.Float64()*360, d.Float64()*16, d.figures(6))
	}},
	{"uuids", func(d *dice) string {
		return fmt.Sprintf("%s %s-%s-4%s-a%s-%s %s", d.word("device volume job camera"), d.hex(8), d.hex(4), d.hex(3), d.hex(3), d.hex(12), d.prose(3))
	}},
	{"stock", func(d *dice) string {
		return fmt.Sprintf("%dx %s-%s rev %s S/N %s%s lot %s %s", d.of(1, 40), d.letters(3), d.figures(4), d.some(1, "ABCDE"), d.letters(2), d.figures(8), d.time().Format("0601"), d.prose(3))
	}},
	{"aprs positions", func(d *dice) string {
		return d.pick(fmt.Sprintf("%s>APZ%s,WIDE1-1,WIDE2-1:!%02d%02d.%sN/%03d%02d.%sW%s%03d/%03d/A=%06d %s", d.call(), d.figures(3), d.of(0, 89), d.of(0, 59), d.figures(2), d.of(0, 179), d.of(0, 59), d.figures(2), d.some(1, ">[-k_#"), d.of(0, 360), d.of(0, 99), d.of(0, 9999), d.prose(3)),
			fmt.Sprintf("%s>APZ%s,qAR,%s:@%sz%02d%02d.%sN/%03d%02d.%sW_%03d/%03dg%03dt%03dr%03dp%03dP%03dh%02db%05d", d.call(), d.figures(3), d.call(), d.time().Format("021504"), d.of(0, 89), d.of(0, 59), d.figures(2), d.of(0, 179), d.of(0, 59), d.figures(2), d.of(0, 360), d.of(0, 99), d.of(0, 99), d.of(0, 99), d.of(0, 99), d.of(0, 99), d.of(0, 99), d.of(0, 99), d.of(9500, 10500)))
	}},
	{"coordinates", func(d *dice) string {
		return d.pick(fmt.Sprintf("N%02d %s W%03d %s", d.of(0, 89), d.number(0, 60), d.of(0, 179), d.number(0, 60)), fmt.Sprintf("UTM %d%s %s %s", d.of(1, 60), d.some(1, "CDEFGHJKLMNPQRSTUVWX"), d.figures(6), d.figures(7)), fmt.Sprintf("MGRS %d%s%s%s", d.of(1, 60), d.some(1, "CDEFGHJKLMNPQRSTUVWX"), d.some(2, "ABCDEFGHJKLMNPQRSTUV"), d.figures(10)), fmt.Sprintf("geo:%s,%s;u=%d", d.number(-90, 90), d.number(-180, 180), d.of(1, 99)))
	}},
	{"triage", func(d *dice) string {
		return fmt.Sprintf("PT %03d %s %dYO %s BP %d/%d HR %d RR %d SPO2 %d GCS %d TAG %s%s DEST %s", d.of(1, 400), d.word("M F U"), d.of(1, 97), d.word("FX BURN LAC SOB MI CVA"), d.of(70, 190), d.of(40, 110), d.of(40, 160), d.of(8, 40), d.of(70, 100), d.of(3, 15), d.word("RED YEL GRN BLK"), d.figures(5), d.letters(3))
	}},
	{"supplies", func(d *dice) string {
		return fmt.Sprintf("%s %d %s, %d %s, %d%s %s BY %s", d.word("NEED HAVE SEND"), d.of(1, 500), d.word("COTS BLNKT TARP"), d.of(1, 90), d.word("GEN PUMP RADIO"), d.of(1, 900), d.word("L KG M3"), d.word("H2O DIESEL RICE FLOUR"), d.time().Format("021504Z"))
	}},
	{"json", func(d *dice) string {
		return fmt.Sprintf(`{"id":"%s","from":"%s","to":"%s","rxTime":%s,"snr":%s,"rssi":-%d,"hops":%d,"payload":{"t":%s,"lat":%s,"lon":%s}}`, d.hex(8), d.call(), d.call(), d.figures(10), d.number(-20, 12), d.of(30, 130), d.of(0, 7), d.number(-20, 45), d.number(-90, 90), d.number(-180, 180))
	}},
	{"settings", func(d *dice) string {
		return fmt.Sprintf("POSTHOUSE_%s_%s=%s", d.word("VALLEY RIDGE FAR APRS POST"), d.word("KIND MAX_BYTES SF BW CR AIRTIME ACK_WAIT BROKER_URL"), d.pick("mesh", d.figures(3), "tcp://127.0.0.1:1883", "4/5", "90s"))
	}},
	{"times", func(d *dice) string {
		return fmt.Sprintf("%s %s %s %s %d", d.time().Format(time.RFC3339), d.time().Format(time.RFC1123), d.time().Format("20060102T150405Z"), d.time().Format("021504ZJan06"), d.time().Unix())
	}},
	{"chess", func(d *dice) string {
		var out []string
		for i := range 9 {
			out = append(out, fmt.Sprintf("%d. %s%s%s %s%s%s", i+1, d.word("N B R Q K a b"), d.word("x  "), d.some(1, "abcdefgh")+d.some(1, "12345678"), d.word("N B R Q K c d"), d.word("x + "), d.some(1, "abcdefgh")+d.some(1, "12345678")))
		}
		return strings.Join(out, " ")
	}},
	{"chemistry", func(d *dice) string {
		return fmt.Sprintf("UN%s %s CAS %s-%s-%s H%d P%d %s", d.figures(4), d.word("H2SO4 NH3 Cl2 C6H5OH CH3COOH NaOCl HNO3 C8H18 Ca(OH)2 KMnO4"), d.figures(d.of(2, 6)), d.figures(2), d.figures(1), d.of(200, 420), d.of(100, 501), d.prose(2))
	}},
	{"plates", func(d *dice) string {
		return fmt.Sprintf("%s %s-%s %d, VIN W%s, %s", d.word("TRUCK CAR VAN BOAT"), d.letters(2), d.letters(2), d.of(1, 9999), d.some(16, "0123456789ABCDEFGHJKLMNPRSTUVWXYZ"), d.prose(4))
	}},
}
