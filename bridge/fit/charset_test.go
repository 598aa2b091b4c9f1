package fit

import (
	"testing"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
	"pgregory.net/rapid"
)

// The umlauts follow the usual replacement in German where they are missing
// (common practice; DIN 5007-2 sorts names the same way), the rest is our own
// choice.
func TestNormaliseASCII(t *testing.T) {
	for _, tt := range []struct{ name, in, want string }{
		{"plain text stays", "QSL, 73 de N0QRA-7!", "QSL, 73 de N0QRA-7!"},
		{"umlauts", "Grüße aus Köln, äußerst schön", "Gruesse aus Koeln, aeusserst schoen"},
		{"umlaut at the start of a word", "Übung Ärger Öl", "Uebung Aerger Oel"},
		{"umlaut in a word of capitals", "ÜBUNG GRÖẞE NÖ", "UEBUNG GROESSE NOE"},
		{"umlauts alone", "ÄÖÜäöüß", "AeOeUeaeoeuess"},
		{"umlaut written as letter and accent", "u\u0308ber", "ueber"},
		{"other Latin loses its accents", "crème brûlée, señor, Łódź, Åre, kůň", "creme brulee, senor, Lodz, Are, kun"},
		{"an accent no letter is made with", "x\u0302", "x"},
		{"ligatures", "ﬁnd Æther Œuvre", "find AEther OEuvre"},
		{"quotes and dashes", "„so“ – ‚so‘ — »so« ‹so› it’s", `"so" - 'so' - "so" 'so' it's`},
		{"ellipsis, money, signs", "… 5 € 3×4 ±2 21 °C 2½ h → N", "... 5 EUR 3x4 +/-2 21 degC 2 1/2 h -> N"},
		{"line breaks become one space", "one\r\n\r\ntwo\nthree\tfour", "one two three four"},
		{"spaces of any kind", "a\u00a0b\u2003c\u3000d", "a b c d"},
		{"ends are trimmed", " \n hello \u3000", "hello"},
		{"Greek and Cyrillic are spelt out", "Ελλάδα Привет, мир", "Ellada Privet, mir"},
		{"Chinese too", "日本語。東京 X", "Ri Ben Yu. Dong Jing X"},
		{"Arabic too", "مرحبا", "mrHba"},
		{"an emoji is one question mark", "ok 👩\u200d👩\u200d👧 🇩🇪 👍🏽", "ok ? ? ?"},
		{"a sign nobody knows", "\ue000", "?"},
		{"zero width characters go", "a\u200bb\u00adc\ufeffd", "abcd"},
		{"control characters go", "a\x00b\x7fc\x1b[1m", "abc[1m"},
		{"broken UTF-8", "a\xff\xfeb", "a?b"},
		{"an incomplete character at the end", "a\xc3", "a?"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := Normalise(tt.in, Medium{MaxBytes: 140, ASCII: true}); got != tt.want {
				t.Errorf("Normalise(%q) = %q, want %q", tt.in, got, tt.want)
			}
		})
	}
}

func TestNormaliseUTF8(t *testing.T) {
	for _, tt := range []struct{ name, in, want string }{
		{"line breaks stay", "one\n\ntwo", "one\n\ntwo"},
		{"line breaks are one character", "a\r\nb\rc\u2028d", "a\nb\nc\nd"},
		{"NFC", "u\u0308ber", "über"},
		{"all else stays", "日本 👩\u200d👩\u200d👧 „so“", "日本 👩\u200d👩\u200d👧 „so“"},
		{"broken UTF-8", "a\xff\xfeb", "a\uFFFDb"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := Normalise(tt.in, Medium{MaxBytes: 140}); got != tt.want {
				t.Errorf("Normalise(%q) = %q, want %q", tt.in, got, tt.want)
			}
		})
	}
}

// APRS Protocol Reference 1.0.1, chapter 14: neither |, ~ nor { in a message.
func TestAPRSForbids(t *testing.T) {
	for in, want := range map[string]string{
		"{a|b~c}": "(a/b-c}",
		"｛｜～":     "(/-", // wide forms are spelt with the forbidden ones
		"∣":       "/",
	} {
		if got := Normalise(in, APRS(3)); got != want {
			t.Errorf("Normalise(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestNormaliseLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text, m := anyText().Draw(t, "text"), anyMedium().Draw(t, "medium")
		got := Normalise(text, m)
		if again := Normalise(got, m); again != got {
			t.Fatalf("normalising twice: %q, then %q", got, again)
		}
		if !utf8.ValidString(got) || !norm.NFC.IsNormalString(got) {
			t.Fatalf("%q is not valid UTF-8 in NFC", got)
		}
		if m.ASCII && !isPrintable(got) {
			t.Fatalf("%q is not printable ASCII", got)
		}
		if containsAny(got, m.Replace) {
			t.Fatalf("%q has a forbidden character", got)
		}
	})
}
