package airtime

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// testdata/lora_airtime.csv was computed apart from this code, with exact
// fractions (testdata/SOURCES.md).
func TestTimeOnAirTable(t *testing.T) {
	f, err := os.Open("testdata/lora_airtime.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+42 {
		t.Fatalf("the table has %d rows, want 42", len(rows)-1)
	}
	for _, row := range rows[1:] {
		p, bytes := paramsOf(t, row)
		if err := p.Validate(); err != nil {
			t.Errorf("%v: %v", row, err)
		}
		if got, want := p.Symbol(), milliseconds(t, row[9]); got != want {
			t.Errorf("%v: symbol %v, want %v", row, got, want)
		}
		if got, want := p.TimeOnAir(bytes), milliseconds(t, row[11]); got != want {
			t.Errorf("%v: time on air %v, want %v", row, got, want)
		}
		if got, want := p.LowDataRate(), row[8] == "1"; p.SF > 6 && got != want {
			t.Errorf("%v: low data rate optimisation %v, want %v", row, got, want)
		}
	}
}

func paramsOf(t *testing.T, row []string) (p Params, bytes int) {
	var n [8]int
	for i := range n {
		v, err := strconv.Atoi(row[i+1])
		if err != nil {
			t.Fatal(err)
		}
		n[i] = v
	}
	return Params{SF: n[0], BW: float64(n[1]) / 1000, CR: n[2], Preamble: n[3], ImplicitHeader: n[4] == 0, NoCRC: n[5] == 0}, n[6]
}

// milliseconds reads a number of milliseconds without rounding.
func milliseconds(t *testing.T, s string) time.Duration {
	d, err := time.ParseDuration(s + "ms")
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestTimeOnAirPublished(t *testing.T) {
	lora := func(sf int, bw float64, cr int) Params { return Params{SF: sf, BW: bw, CR: cr, Preamble: 8} }
	for _, tt := range []struct {
		source string
		p      Params
		bytes  int
		want   string
	}{
		{"public airtime sheet built on application note AN1200.13", lora(9, 125, 5), 13, "164.864ms"},
		{"common practice, no source", lora(7, 125, 5), 13, "46.336ms"},
		{"common practice, no source", lora(12, 125, 5), 51, "2465.792ms"},
		{"common practice, no source", lora(9, 125, 5), 12, "144.384ms"},
	} {
		if got := tt.p.TimeOnAir(tt.bytes).String(); got != mustParse(t, tt.want).String() {
			t.Errorf("%+v with %d bytes: %v, want %v (%s)", tt.p, tt.bytes, got, tt.want, tt.source)
		}
	}
}

func mustParse(t *testing.T, s string) time.Duration {
	d, err := time.ParseDuration(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Bit rates from the formula of the SX1276 data sheet, 4.1.1.6; the first row
// is also printed there in rounded form.
func TestBitRate(t *testing.T) {
	for _, tt := range []struct {
		sf   int
		bw   float64
		cr   int
		want float64
	}{
		{7, 125, 5, 5468.75}, {9, 125, 5, 1757.81}, {11, 250, 5, 1074.22}, {12, 125, 5, 292.97}, {12, 125, 8, 183.11},
		{12, 62.5, 8, 91.55}, {12, 31.25, 8, 45.78}, {12, 15.625, 8, 22.89}, {12, 7.8125, 8, 11.44}, {12, 7.8, 8, 11.44},
		{6, 500, 5, 37500}, // the upper end of what a board maker prints for the SX1278: 37.5 kbit/s
	} {
		if got := (Params{SF: tt.sf, BW: tt.bw, CR: tt.cr, Preamble: 8}).BitRate(); got < tt.want-0.01 || got > tt.want+0.01 {
			t.Errorf("SF%d %v kHz 4/%d: %.2f bit/s, want %.2f", tt.sf, tt.bw, tt.cr, got, tt.want)
		}
	}
}

// Common practice, no source: the standard word of Morse has 50 dot units and 6
// characters, so 20 words a minute are 2 characters or 16 bit a second. The
// slowest setting of LoRa is slower; in the bandwidths that are in use for text
// (from 15.6 kHz up, narrower ones need a temperature-controlled oscillator)
// none is.
func TestOnlyTheSlowestSettingsAreSlowerThanMorse(t *testing.T) {
	const morse = 20 * 6 / 60.0 * 8 // bit/s
	if got := (Params{SF: 12, BW: 7.8, CR: 8, Preamble: 8}).BitRate(); got >= morse {
		t.Errorf("SF12, 7.8 kHz, 4/8: %.2f bit/s is not slower than %v", got, morse)
	}
	for _, b := range bandwidths {
		for sf := 5; sf <= 12; sf++ {
			for cr := 5; cr <= 8; cr++ {
				p := Params{SF: sf, BW: b.kHz, CR: cr, Preamble: 8}
				if p.BitRate() < morse && (b.kHz >= 15.6 || sf < 12) {
					t.Errorf("SF%d %v kHz 4/%d: %.1f bit/s is slower than Morse", sf, b.kHz, cr, p.BitRate())
				}
			}
		}
	}
}

func TestValidateNamesTheField(t *testing.T) {
	good := Params{SF: 12, BW: 125, CR: 5, Preamble: 8}
	for _, tt := range []struct {
		field string
		spoil func(*Params)
	}{
		{"SF 4", func(p *Params) { p.SF = 4 }},
		{"SF 13", func(p *Params) { p.SF = 13 }},
		{"SF -70", func(p *Params) { p.SF = -70 }},
		{"BW 125000", func(p *Params) { p.BW = 125000 }},
		{"BW 0", func(p *Params) { p.BW = 0 }},
		{"BW NaN", func(p *Params) { p.BW = math.NaN() }},
		{"CR 4", func(p *Params) { p.CR = 4 }},
		{"CR 9", func(p *Params) { p.CR = 9 }},
		{"preamble 0", func(p *Params) { p.Preamble = 0 }},
		{"preamble 65536", func(p *Params) { p.Preamble = 65536 }},
		{"LDRO 3", func(p *Params) { p.LDRO = 3 }},
	} {
		p := good
		tt.spoil(&p)
		if err := p.Validate(); err == nil || !strings.HasPrefix(err.Error(), tt.field+":") {
			t.Errorf("%+v: error %v, want one that begins with %q", p, err, tt.field)
		}
		if got := p.TimeOnAir(10); got != longest {
			t.Errorf("%+v: time on air %v, want %v, which no budget allows", p, got, longest)
		}
		_, _ = p.Symbol(), p.LowDataRate()
	}
}

// The usual rounded names of the bandwidths mean the exact ones; symbol times
// of SF12 from the data sheet's formula 2^SF/BW.
func TestBandwidthNames(t *testing.T) {
	for _, tt := range []struct {
		names  []float64
		symbol time.Duration // SF12
	}{
		{[]float64{7.8, 7.81, 7.8125}, 524288 * time.Microsecond},
		{[]float64{10.4, 10.42, 10.417}, 393216 * time.Microsecond},
		{[]float64{15.6, 15.63, 15.625}, 262144 * time.Microsecond},
		{[]float64{20.8, 20.83, 20.833}, 196608 * time.Microsecond},
		{[]float64{31.2, 31.25, 31.3}, 131072 * time.Microsecond},
		{[]float64{41.7, 41.67, 41.667}, 98304 * time.Microsecond},
		{[]float64{62.5}, 65536 * time.Microsecond},
		{[]float64{125}, 32768 * time.Microsecond},
		{[]float64{250}, 16384 * time.Microsecond},
		{[]float64{500}, 8192 * time.Microsecond},
	} {
		for _, kHz := range tt.names {
			if got := (Params{SF: 12, BW: kHz, CR: 5, Preamble: 8}).Symbol(); got != tt.symbol {
				t.Errorf("%v kHz: symbol %v, want %v", kHz, got, tt.symbol)
			}
		}
	}
}

// Low data rate optimisation is mandated when a symbol takes more than 16 ms
// (SX1276 data sheet, 4.1.1.6).
func TestLowDataRate(t *testing.T) {
	first := map[float64]int{500: 13, 250: 12, 125: 11, 62.5: 10, 31.25: 9} // the lowest SF with it
	for bw, from := range first {
		for sf := 5; sf <= 12; sf++ {
			if got, want := (Params{SF: sf, BW: bw, CR: 5, Preamble: 8}).LowDataRate(), sf >= from; got != want {
				t.Errorf("SF%d %v kHz: %v, want %v", sf, bw, got, want)
			}
		}
	}
	p := Params{SF: 12, BW: 125, CR: 5, Preamble: 8, LDRO: LDROOff}
	q := Params{SF: 7, BW: 125, CR: 5, Preamble: 8, LDRO: LDROOn}
	if p.LowDataRate() || !q.LowDataRate() {
		t.Error("on and off are not kept")
	}
}

// The longest legal frame: nothing overflows.
func TestLongestFrame(t *testing.T) {
	p := Params{SF: 12, BW: 7.8, CR: 8, Preamble: 65535}
	// 65539.25 + 8 + ceil((8*255-48+28+16)/40)*8 = 65539.25 + 8 + 51*8 symbols of 524.288 ms
	if got, want := p.TimeOnAir(MaxPayload), time.Duration(65955.25*524_288_000); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestParseCR(t *testing.T) {
	for in, want := range map[string]int{"4/5": 5, "4/6": 6, "4/7": 7, "4/8": 8, "8": 8} {
		if got, err := ParseCR(in); err != nil || got != want {
			t.Errorf("ParseCR(%q) = %d, %v; want %d", in, got, err, want)
		}
	}
	for _, in := range []string{"", "4/4", "4/9", "5/4", "4/", "4/+5", "4/05"} {
		if got, err := ParseCR(in); err == nil {
			t.Errorf("ParseCR(%q) = %d, want an error", in, got)
		}
	}
}

func TestLDROText(t *testing.T) {
	for _, l := range []LDRO{LDROAuto, LDROOn, LDROOff} {
		b, _ := l.MarshalText()
		var got LDRO
		if err := got.UnmarshalText(b); err != nil || got != l {
			t.Errorf("%v: read back as %v, %v", l, got, err)
		}
	}
	if err := new(LDRO).UnmarshalText([]byte("maybe")); err == nil {
		t.Error("maybe is taken")
	}
}

// Longer payloads are never shorter on the air, nor are lower rates.
func TestTimeOnAirGrows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Params{
			SF: rapid.IntRange(5, 12).Draw(t, "sf"), BW: bandwidths[rapid.IntRange(0, 9).Draw(t, "bw")].kHz, CR: rapid.IntRange(5, 7).Draw(t, "cr"),
			Preamble: rapid.IntRange(6, 100).Draw(t, "preamble"), ImplicitHeader: rapid.Bool().Draw(t, "implicit"), NoCRC: rapid.Bool().Draw(t, "noCRC"),
		}
		n := rapid.IntRange(0, 254).Draw(t, "bytes")
		at := p.TimeOnAir(n)
		if p.TimeOnAir(n+1) < at {
			t.Fatalf("%+v: %d bytes take longer than %d", p, n, n+1)
		}
		q := p
		q.CR++
		if q.TimeOnAir(n) < at {
			t.Fatalf("%+v: 4/%d is faster", p, q.CR)
		}
	})
}

func BenchmarkTimeOnAir(b *testing.B) {
	p := Params{SF: 12, BW: 125, CR: 5, Preamble: 8}
	for b.Loop() {
		p.TimeOnAir(200)
	}
}
