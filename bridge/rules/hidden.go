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
	zwsp    = '\u200B'
	zwnj    = '\u200C'
	zwj     = '\u200D'
	emojiVS = '\uFE0F'
	textVS  = '\uFE0E'
	keycap  = '\u20E3'
	flag    = '\U0001F3F4'
	cancel  = '\U000E007F'
	graphJ  = '\u034F' // combining grapheme joiner

	malayalamVirama = '\u0D4D'

	mongolianVS = '\u180E' // vowel separator, before a last a or e (Unicode core specification, section 13.5)

	maxMarks   = 8 // on one letter; Tibetan and Hebrew need five at most
	maxAccents = 4 // of those that any letter may carry; Vietnamese and phonetic writing need three at most
)

func isMark(r rune) bool { return unicode.Is(unicode.M, r) }

// isAccent: marks that belong to no script of their own, and on Latin letters
// are piled up for their looks.
func isAccent(r rune) bool {
	return r >= 0x0300 && r <= 0x036F || r >= 0x1AB0 && r <= 0x1AFF || r >= 0x1DC0 && r <= 0x1DFF || r >= 0x20D0 && r <= 0x20FF
}

// hiddenRune judges a text that is not all ASCII.
func hiddenRune(s string) string {
	if !utf8.ValidString(s) {
		return whyInvalid
	}
	var prev, before rune // the last character, and the one before it
	var base rune         // the last one that is no mark
	marks, accents := 0, 0
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
			why = joiner(r, prev, before, base, rest)
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
		case r == graphJ: // keeps marks apart in Hebrew (Unicode core specification, section 23.2)
			if next, _ := utf8.DecodeRuneInString(rest); !isMark(prev) || prev == graphJ || !isMark(next) || next == graphJ {
				why = whyInvisible
			}
		case r == mongolianVS:
			if !unicode.Is(unicode.Mongolian, base) || prev == r {
				why = whyInvisible
			}
		default:
			why = strange(r)
		}
		if why != "" {
			return why
		}
		switch {
		case !isMark(r):
			marks, accents = 0, 0
			if r != zwnj && r != zwj {
				base = r
			}
		case isVariationSelector(r) || r == keycap:
		default:
			if marks++; isAccent(r) {
				accents++
			}
			if marks > maxMarks || accents > maxAccents {
				return whyPiled
			}
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
// No two of them stand together, so they do not pile up; but in Malayalam a
// non-joiner may follow the joiner of an old chillu letter.
func joiner(r, prev, before, base rune, rest string) string {
	next, _ := utf8.DecodeRuneInString(rest)
	switch {
	case r == zwnj && prev == zwj && before == malayalamVirama:
		return ""
	case prev == zwsp || prev == zwnj || prev == zwj:
	case r == zwj && isEmoji(next) && (isEmoji(prev) || prev == emojiVS && isEmoji(before)):
		return ""
	case r == zwsp && (besideUnspaced(prev, before) || besideUnspaced(next, second(rest))):
		return ""
	case r != zwsp && isJoining(base) && (isMark(prev) || prev == base):
		return ""
	}
	return whyInvisible
}

// besideUnspaced tells whether a neighbour is of a script without spaces, or the
// character behind a space is: figures and foreign words in such a text have
// zero-width spaces around them too.
func besideUnspaced(near, far rune) bool {
	return isUnspaced(near) || near == ' ' && isUnspaced(far)
}

// second gives the second character.
func second(s string) rune {
	_, size := utf8.DecodeRuneInString(s)
	r, _ := utf8.DecodeRuneInString(s[size:])
	return r
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
		ok = prev >= 0x80 && unicode.In(prev, unicode.S, unicode.Po, unicode.Pd) || prev == 'ℹ' || prev >= '0' && prev <= '9' || prev == '#' || prev == '*' || prev >= 0x3200 && prev <= 0x32FF || isEmoji(prev)
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
