package rules

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// What Hidden says.
const (
	whyInvalid    = "not valid UTF-8"
	whyControl    = "control character in the text"
	whyBidi       = "character that reorders the text"
	whyInvisible  = "invisible character in the text"
	whyTag        = "hidden tag characters in the text"
	whyPiled      = "too many marks piled on one letter"
	whyUnassigned = "character without a meaning in Unicode"
	whyLost       = "characters lost on the way: send it as UTF-8"
)

const (
	zwsp     = '\u200B'
	zwnj     = '\u200C'
	zwj      = '\u200D'
	emojiVS  = '\uFE0F'
	textVS   = '\uFE0E'
	keycap   = '\u20E3'
	flag     = '\U0001F3F4'
	cancel   = '\U000E007F'
	graphJ   = '\u034F' // combining grapheme joiner
	maxMarks = 8        // on one letter; Tibetan and Vietnamese need five at most
)

// hiddenRune judges a text that is not all ASCII.
func hiddenRune(s string) string {
	if !utf8.ValidString(s) {
		return whyInvalid
	}
	var prev, before rune // the last character, and the one before it
	marks := 0
	lost, all := 0, 0
	rtl := unknown
	for i := 0; i < len(s); {
		r, size := utf8.DecodeRuneInString(s[i:])
		rest := s[i+size:]
		if r == flag {
			rest = strings.TrimPrefix(rest, flagTags(rest))
		}
		why := ""
		switch {
		case r < utf8.RuneSelf:
			if r < ' ' && r != '\n' && r != '\t' || r == 0x7F {
				why = whyControl
			}
		case r == zwsp || r == zwnj || r == zwj:
			why = joiner(r, prev, before, rest)
		case isVariationSelector(r):
			why = variation(r, prev)
		case r == '\u200E' || r == '\u200F' || r == '\u061C':
			if rtl == unknown {
				rtl = no
				if strings.ContainsFunc(s, isRTL) {
					rtl = yes
				}
			}
			if rtl == no || isDirectionMark(prev) {
				why = whyInvisible
			}
		default:
			why = strange(r)
		}
		if why != "" {
			return why
		}
		if unicode.Is(unicode.M, r) && !isVariationSelector(r) && r != keycap {
			if marks++; marks > maxMarks {
				return whyPiled
			}
		} else if r != graphJ {
			marks = 0
		}
		if all++; r == utf8.RuneError {
			lost++
		}
		before, prev = prev, r
		i = len(s) - len(rest)
	}
	if lost >= minLost && lost*4 > all {
		return whyLost
	}
	return ""
}

// minLost is how many replacement characters (U+FFFD) make a text unreadable, if
// they are more than a quarter of it: so ends a binary, or another character
// set, that was read as UTF-8 on its way here.
const minLost = 4

type triState int

const (
	unknown triState = iota
	no
	yes
)

// strange judges one character beyond ASCII by itself.
func strange(r rune) string {
	switch {
	case unicode.IsControl(r):
		return whyControl
	case r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2069:
		return whyBidi
	case r >= 0xE0000 && r <= 0xE0FFF:
		return whyTag
	case r == graphJ: // keeps marks apart in Hebrew; harmless among them
		return ""
	case unicode.Is(unicode.Other_Default_Ignorable_Code_Point, r), unicode.Is(unicode.Cf, r) && !isVisibleFormat(r):
		return whyInvisible
	case unicode.Is(unicode.Co, r), unicode.Is(unicode.Noncharacter_Code_Point, r):
		return whyUnassigned
	case !unicode.In(r, unicode.L, unicode.M, unicode.N, unicode.P, unicode.S, unicode.Zs, unicode.Cf) && !maybeNewer(r):
		return whyUnassigned
	}
	return ""
}

// isVisibleFormat: signs that Unicode files under format and that are drawn
// nevertheless (Arabic number signs, Syriac abbreviation mark, Kaithi).
func isVisibleFormat(r rune) bool { return unicode.Is(unicode.Prepended_Concatenation_Mark, r) }

// maybeNewer leaves room for what Unicode has added since this compiler's
// tables: emoji come every year, letters in the first planes too.
func maybeNewer(r rune) bool {
	return r >= 0x1F000 && r <= 0x1FAFF || r < 0x3000 && !unicode.Is(unicode.Cf, r)
}

// flagTags gives the tags behind a black flag that make it England's,
// Scotland's or Wales's: the three sequences that Unicode recommends, too few to
// hide anything in.
func flagTags(s string) string {
	for _, region := range [...]string{"gbeng", "gbsct", "gbwls"} {
		var tags strings.Builder
		for _, ch := range region {
			tags.WriteRune(0xE0000 + ch)
		}
		tags.WriteRune(cancel)
		if strings.HasPrefix(s, tags.String()) {
			return tags.String()
		}
	}
	return ""
}

// joiner judges the zero-width characters that some scripts are written with.
func joiner(r, prev, before rune, rest string) string {
	next, _ := utf8.DecodeRuneInString(rest)
	switch {
	case r == zwj && isEmoji(next) && (isEmoji(prev) || prev == emojiVS && isEmoji(before)):
		return ""
	case r == zwsp && isUnspaced(prev) && (isUnspaced(next) || rest == "" || unicode.IsSpace(next) || unicode.IsPunct(next)):
		return ""
	case r != zwsp && isJoining(prev):
		return "" // prev is never a joiner itself, so they do not pile up
	}
	return whyInvisible
}

// isUnspaced: scripts without spaces between words, where a zero-width one
// marks where a line may break.
func isUnspaced(r rune) bool {
	return unicode.In(r, unicode.Thai, unicode.Lao, unicode.Khmer, unicode.Myanmar, unicode.Tibetan,
		unicode.Tai_Le, unicode.New_Tai_Lue, unicode.Tai_Tham, unicode.Tai_Viet, unicode.Javanese, unicode.Balinese)
}

// isJoining: scripts in which a joiner or non-joiner changes how letters are
// drawn, so that spelling needs it (Unicode core specification, sections 9.2
// and 12.1).
func isJoining(r rune) bool {
	return unicode.In(r, unicode.Arabic, unicode.Syriac, unicode.Nko, unicode.Mongolian, unicode.Phags_Pa, unicode.Mandaic, unicode.Adlam, unicode.Hanifi_Rohingya,
		unicode.Devanagari, unicode.Bengali, unicode.Gurmukhi, unicode.Gujarati, unicode.Oriya, unicode.Tamil, unicode.Telugu, unicode.Kannada, unicode.Malayalam,
		unicode.Sinhala, unicode.Khmer, unicode.Myanmar, unicode.Tibetan, unicode.Meetei_Mayek, unicode.Chakma, unicode.Javanese, unicode.Balinese, unicode.Newa)
}

// isEmoji is generous: pictographs, dingbats, arrows, skin tones.
func isEmoji(r rune) bool {
	return r >= 0x1F000 && r <= 0x1FAFF || r >= 0x2190 && r <= 0x2BFF && unicode.Is(unicode.S, r) || unicode.Is(unicode.Regional_Indicator, r)
}

// isVariationSelector: characters that choose the look of the one before.
func isVariationSelector(r rune) bool {
	return r >= 0xFE00 && r <= 0xFE0F || r >= 0xE0100 && r <= 0xE01EF || r >= 0x180B && r <= 0x180F && r != 0x180E
}

// variation allows a selector where Unicode defines one, so that letters cannot
// carry a hidden stream of them.
func variation(r, prev rune) string {
	ok := false
	switch {
	case r == emojiVS || r == textVS:
		ok = prev >= 0x80 && unicode.In(prev, unicode.S, unicode.Po) || prev >= '0' && prev <= '9' || prev == '#' || prev == '*' || prev >= 0x3200 && prev <= 0x32FF || isEmoji(prev)
	case r >= 0xE0100:
		ok = unicode.Is(unicode.Han, prev)
	case r >= 0x180B && r <= 0x180F:
		ok = unicode.Is(unicode.Mongolian, prev)
	default:
		ok = unicode.In(prev, unicode.Han, unicode.Sm, unicode.Myanmar, unicode.Phags_Pa) || prev >= 0x3000 && prev <= 0x303F || prev >= 0xFF00 && prev <= 0xFFEF
	}
	if !ok {
		return whyInvisible
	}
	return ""
}

func isDirectionMark(r rune) bool { return r == '\u200E' || r == '\u200F' || r == '\u061C' }

// isRTL: a letter of a script that is written from right to left.
func isRTL(r rune) bool {
	return r >= 0x0590 && r <= 0x08FF && r != '\u061C' || r >= 0xFB1D && r <= 0xFDFF || r >= 0xFE70 && r <= 0xFEFE || r >= 0x10800 && r <= 0x10FFF || r >= 0x1E800 && r <= 0x1EFFF
}
