package rules

import (
	"testing"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

func TestHidden(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		why  string
	}{
		"a control character":                    {"a\x07b", whyControl},
		"a C1 control character":                 {"a\u009bb", whyControl},
		"invalid UTF-8":                          {"a\xffb", whyInvalid},
		"an encoded surrogate":                   {"a\xed\xa0\x80b", whyInvalid},
		"a bidirectional override":               {"abc \u202egnp.exe", whyBidi},
		"a bidirectional isolate":                {"a\u2066b\u2069", whyBidi},
		"a zero-width space in Latin":            {"pay\u200bpal", whyInvisible},
		"a zero-width joiner in Latin":           {"a\u200db", whyInvisible},
		"a byte order mark inside":               {"a\ufeffb", whyInvisible},
		"a word joiner":                          {"a\u2060b", whyInvisible},
		"tag characters":                         {"hi\U000E0068\U000E0069", whyTag},
		"tags behind a flag that is no region's": {"\U0001F3F4\U000E0068\U000E0069\U000E007F", whyTag},
		"a letter with a variation selector":     {"a\ufe0fb", whyInvisible},
		"a supplementary variation selector":     {"a\U000E0101", whyInvisible},
		"a Hangul filler":                        {"a\u3164b", whyInvisible},
		"two joiners together":                   {"\u0645\u200c\u200c\u0645", whyInvisible},
		"a direction mark where all is Latin":    {"a\u200fb", whyInvisible},
		"marks piled up":                         {"a\u0316\u0317\u0318\u0319\u031c\u031d\u031e\u031f\u0320b", whyPiled},
		"a private character":                    {"\ue000", whyUnassigned},
		"a noncharacter":                         {"\ufdd0", whyUnassigned},
		"a grapheme joiner behind a letter":      {"a\u034fb", whyInvisible},
		"grapheme joiners in a row":              {"a\u0301\u034f\u034f\u0301", whyInvisible},
		"a Mongolian separator in Latin":         {"a\u180eb", whyInvisible},
		"two selectors on one emoji":             {"😀\ufe0f\ufe0f", whyInvisible},
		"a zero-width space far from Thai":       {"ครับ pay\u200bpal", whyInvisible},
		"two zero-width spaces in Thai":          {"ยาว\u200b\u200bมาก", whyInvisible},
		"accents flooding a word":                {"h\u0300\u0316\u0301\u0317\u0302elp", whyPiled},

		"Persian with a non-joiner":        {"می\u200cخواهم برگردم", ""},
		"Hindi with a joiner":              {"क्\u200dष", ""},
		"the same and a non-joiner":        {"അൽ ല്\u200d\u200cക", ""},
		"Malayalam with an old chillu":     {"അവന്\u200d വന്നു", ""},
		"Persian with one behind a mark":   {"خانهٔ\u200cمن", ""},
		"Mongolian with its separator":     {"ᠪᠢᠴᠢᠭ\u180eᠠ", ""},
		"Hebrew with a grapheme joiner":    {"יְרוּשָׁלַ\u034fִם", ""},
		"Hebrew with points and accents":   {"בְּרֵאשִׁ֖ית בָּרָ֣א", ""},
		"Thai around a foreign word":       {"ครับ\u200b OK\u200bนะ", ""},
		"Khmer around figures":             {"ខ្មែរ \u200b123\u200b ភាសា", ""},
		"Yoruba with two marks a letter":   {"ọ̀rẹ́ ọ̄ n̄", ""},
		"Korean of the old letters":        {"ᄀᆞᄅᆞᆷ", ""},
		"signs that are emoji by selector": {"ℹ\ufe0f 〰\ufe0f ㊗\ufe0f ☀\ufe0e", ""},
		"a head that is shaken":            {"🙂\u200d↔\ufe0f", ""},
		"a family":                         {"👨\u200d👩\u200d👧\u200d👦", ""},
		"a heart on fire":                  {"❤\ufe0f\u200d🔥", ""},
		"a keycap":                         {"1\ufe0f\u20e3", ""},
		"the flag of Scotland":             {"\U0001F3F4\U000E0067\U000E0062\U000E0073\U000E0063\U000E0074\U000E007F go", ""},
		"a flag of two letters":            {"🇦🇹", ""},
		"a skin tone":                      {"👍🏽", ""},
		"Hebrew with a direction mark":     {"שלום\u200f (abc)", ""},
		"Khmer with a zero-width space":    {"ភាសា\u200bខ្មែរ", ""},
		"Vietnamese, decomposed":           {norm.NFD.String("Tiếng Việt đẹp"), ""},
		"a Han character with its variant": {"葛\U000E0100", ""},
	} {
		if got := Hidden(c.text); got != c.why {
			t.Errorf("%s: got %q, want %q", name, got, c.why)
		}
	}
}

func TestNormalise(t *testing.T) {
	for name, c := range map[string]struct{ in, want string }{
		"line ends become one":                  {"a\r\nb\rc\u2028d", "a\nb\nc\nd"},
		"spaces at line ends go":                {"a  \nb\t\n\n", "a\nb"},
		"a byte order mark at the start goes":   {"\ufeffhello", "hello"},
		"inside it stays, to be refused":        {"he\ufeffllo", "he\ufeffllo"},
		"soft hyphens go":                       {"Donau\u00addampf", "Donaudampf"},
		"letters are composed":                  {"u\u0308ber", "über"},
		"a tab is a space":                      {"a\tb", "a b"},
		"control characters stay":               {"a\x07b", "a\x07b"},
		"zero-width space stays":                {"a\u200bb", "a\u200bb"},
		"invalid bytes stay":                    {" a\xff ", " a\xff "},
		"of zero-width spaces one stays":        {"ភាសា\u200b\u200b\u200b\u200bខ្មែរ", "ភាសា\u200bខ្មែរ"},
		"plain text is left alone":              {"hello  there", "hello  there"},
		"compatibility forms are not the same ": {"ﬁ", "ﬁ"},
	} {
		if got := Normalise(c.in); got != c.want {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
	}
}

func FuzzNormalise(f *testing.F) {
	for _, s := range []string{"a\r\n\tb ", "\ufeff \ufeffx", "u\u0308", "\xff", "\u00ad\u0301", "a\u00ad \n", "\u2000\n\u2126", "\u200b\u00ad\u200b\u200b"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		n := Normalise(s)
		if again := Normalise(n); again != n {
			t.Fatalf("%q: %q, then %q", s, n, again)
		}
		if utf8.ValidString(s) != utf8.ValidString(n) {
			t.Fatalf("%q: validity changed: %q", s, n)
		}
		if utf8.ValidString(s) && !norm.NFC.IsNormalString(n) {
			t.Fatalf("%q: %q is not NFC", s, n)
		}
		// What is refused before is not repaired into passing, but for the
		// accidents that Normalise is for.
		if why := Hidden(n); why == "" && !utf8.ValidString(s) {
			t.Fatalf("%q passes", s)
		}
		_ = LooksEncrypted(n)
	})
}
