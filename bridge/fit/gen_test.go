package fit

import (
	"strings"

	"pgregory.net/rapid"
)

// anyText makes texts of what is hard: clusters of many characters, white space
// in runs, long words, addresses, scripts, broken UTF-8.
func anyText() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		piece := rapid.OneOf(
			rapid.SampledFrom([]string{
				" ", " ", " ", "  ", "\n", "\r\n", "\t", "\u00a0", "\u3000", "u\u0308", "ä", "ß", "\u0308", "👩\u200d👩\u200d👧", "🇩🇪", "🇩", "我们", "。", "กำ", "한국",
				"n0qra@home.example", "https://n0qra.example/a?b=c", "{", "|", "~", "\xff", "\xe2\x82", "1/2", "2/2+", "Donaudampfschifffahrt",
				"e" + strings.Repeat("\u0301", 40), "\u200d", "=", "\u0338",
			}),
			rapid.StringMatching(`[a-z]{1,9}`),
			rapid.StringN(0, 5, -1),
		)
		return strings.Join(rapid.SliceOfN(piece, 0, 60).Draw(t, "pieces"), "")
	})
}

// anyMedium makes media of any frame size, from hopeless to large.
func anyMedium() *rapid.Generator[Medium] {
	return rapid.Custom(func(t *rapid.T) Medium {
		m := Medium{}
		if rapid.Bool().Draw(t, "aprs") {
			m = APRS(0)
		}
		m.MaxBytes = rapid.OneOf(rapid.IntRange(1, 30), rapid.IntRange(31, 240)).Draw(t, "bytes")
		m.MaxParts = rapid.SampledFrom([]int{0, 0, 1, 3, 4}).Draw(t, "parts")
		return m
	})
}

// anyMark makes marks as the gateway writes them.
func anyMark() *rapid.Generator[Mark] {
	return rapid.SampledFrom([]Mark{
		{}, {}, {"EXERCISE ", " EXERCISE"}, {"ÜBUNG 251405Z ", " ÜBUNG"}, {"251405Z ", ""}, {"friend@home.example: ", ""}, {"TEST 1/2 ", " TEST"},
	})
}
