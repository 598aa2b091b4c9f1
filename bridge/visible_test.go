package bridge

import (
	"testing"

	"pgregory.net/rapid"

	"posthouse/bridge/rules"
)

// Whatever is quoted, nothing that the rules refuse is in it.
func TestQuotationsAreVisible(t *testing.T) {
	part := rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{
		"\u0316\u0317\u0318\u0319\u031c\u031d", "\u200d", "\u200c", "\u200b", "\u202e", "\u3164", "\u034f", "\ufe0f", "\U0001F3F4", "\U000E0067", "\u20e3", "\ufffd", "\xff",
		"\u180e", "\u05d0", "\u200f", "\U0001F469\u200D\U0001F467", "a", " ", "\x00",
	}))
	rapid.Check(t, func(t *rapid.T) {
		text := ""
		for range rapid.IntRange(0, 20).Draw(t, "parts") {
			text += part.Draw(t, "part")
		}
		for _, q := range []string{quote(text), quote(showable(text, refusalText)), visible(text)} {
			if why := rules.Hidden(q); why != "" {
				t.Errorf("%q of %q: %s", q, text, why)
			}
		}
	})
}
