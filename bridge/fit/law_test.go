package fit

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/rivo/uniseg"
	"pgregory.net/rapid"
)

func TestFitLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		checkFit(t, anyText().Draw(t, "text"), anyMedium().Draw(t, "medium"), anyMark().Draw(t, "mark"))
	})
}

func FuzzFit(f *testing.F) {
	f.Add("Grüße aus Köln, äußerst schön, https://n0qra.example/map", 20, 4, true, "EXERCISE ", " EXERCISE")
	f.Add("我们在山上。\r\n👩\u200d👩\u200d👧🇩🇪 e\u0301\u0301\u0301", 12, 0, false, "", "")
	f.Add("one\n\ntwo  three\xff", 9, 3, false, "251405Z ", "")
	f.Add(strings.Repeat("a ", 500), 10, 0, false, "", "")
	f.Fuzz(func(t *testing.T, text string, bytes, parts int, aprs bool, before, after string) {
		m := Medium{}
		if aprs {
			m = APRS(0)
		}
		m.MaxBytes, m.MaxParts = bytes, parts
		checkFit(t, text, m, Mark{before, after})
	})
}

// checkFit holds what Fit promises for any text, medium and mark.
func checkFit(t rapid.TB, text string, m Medium, mark Mark) {
	parts, err := Fit(text, m, mark)
	if err != nil {
		if _, ok := errors.AsType[*TooLongError](err); !ok || !errors.Is(err, ErrTooLong) || parts != nil {
			t.Fatalf("Fit gave %q and the error %v", parts, err)
		}
		return
	}
	if m.MaxParts > 0 && len(parts) > m.MaxParts {
		t.Fatalf("%d parts, at most %d are allowed", len(parts), m.MaxParts)
	}
	before, after, normal := charset(mark.Before, m), charset(mark.After, m), Normalise(text, m)
	chunks := make([]string, len(parts))
	for i, p := range parts {
		switch {
		case m.MaxBytes > 0 && len(p) > m.MaxBytes:
			t.Fatalf("part %d has %d bytes, at most %d are allowed: %q", i+1, len(p), m.MaxBytes, p)
		case !utf8.ValidString(p):
			t.Fatalf("part %d is not valid UTF-8: %q", i+1, p)
		case m.ASCII && !isPrintable(p), containsAny(p, m.Replace):
			t.Fatalf("part %d has a character that the medium cannot carry: %q", i+1, p)
		case !strings.HasPrefix(p, before) || !strings.HasSuffix(p, after):
			t.Fatalf("part %d has lost its mark: %q", i+1, p)
		}
		chunks[i] = strings.TrimSuffix(strings.TrimPrefix(p, before), after)
	}
	if len(parts) == 1 {
		if chunks[0] != normal {
			t.Fatalf("one frame: got %q, want %q", chunks[0], normal)
		}
		return
	}
	checkClusters(t, chunks, normal, m.MaxBytes-len(before)-len(after))
	if got, err := Join(backwards(chunks)); err != nil || got != normal {
		t.Fatalf("joined %q\n got %q, %v\nwant %q", chunks, got, err, normal)
	}
}

// backwards gives the parts as a bad path delivers them: the last first, one
// twice.
func backwards(parts []string) []string {
	parts = append(slices.Clone(parts), parts[0])
	slices.Reverse(parts)
	return parts
}

// checkClusters looks for grapheme clusters that were cut although each part
// could have held them. The chunks have their numbers; room is theirs.
func checkClusters(t rapid.TB, chunks []string, normal string, room int) {
	// Ten parts leave less room than nine. A cluster that ten could not hold is
	// cut, and the pieces may then do with nine.
	room -= max(len(number(len(chunks), len(chunks))), len("10/10")) + 1
	inside := map[int]bool{}
	for at, rest := 0, normal; rest != ""; {
		var c string
		c, rest, _, _ = uniseg.FirstGraphemeClusterInString(rest, -1)
		for i := 1; i < len(c) && len(c) <= room; i++ {
			inside[at+i] = true
		}
		at += len(c)
	}
	at := 0
	for i, c := range chunks {
		_, text, swallowed := strings.Cut(c, number(i+1, len(chunks))+" ")
		if !swallowed {
			_, text, _ = strings.Cut(c, "+")
		} else if i > 0 {
			at++
		}
		at += len(text)
		if inside[at] {
			t.Fatalf("part %q ends inside a character", c)
		}
	}
	if at != len(normal) {
		t.Fatalf("the parts hold %d bytes of %d", at, len(normal))
	}
}

// Marks do not disturb Join, as long as the end repeats what stands in front.
func TestJoinKeepsMarksOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`([a-z]{1,12} ){20,40}[a-z]+`).Draw(t, "text")
		mark := anyMark().Draw(t, "mark")
		parts, err := Fit(text, Medium{MaxBytes: 67}, mark)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Join(backwards(parts))
		if want := mark.Before + text + mark.After; err != nil || got != want {
			t.Fatalf("joined %q\n got %q, %v\nwant %q", parts, got, err, want)
		}
	})
}

// TestFewestParts compares with a search over every way to split.
func TestFewestParts(t *testing.T) {
	words := rapid.SliceOfN(rapid.OneOf(
		rapid.StringMatching(`[a-z]{0,4}`), rapid.StringMatching(`[a-zäöü]{5,20}`), rapid.Just("\n"), rapid.Just("a@aaaa.example"), rapid.Just("👩\u200d👩\u200d👧"),
	), 1, 16)
	rapid.Check(t, func(t *rapid.T) {
		m := Medium{MaxBytes: rapid.IntRange(22, 40).Draw(t, "bytes")}
		text := Normalise(strings.Join(words.Draw(t, "words"), " "), m)
		parts, err := Fit(text, m, Mark{})
		if err != nil {
			t.Fatal(err)
		}
		room := m.MaxBytes - len("1/9 ")
		want := fewest(text, room, false)
		if len(parts) == 1 || want > 9 {
			return // not split, or the room changes with the number
		}
		if len(parts) != want {
			t.Fatalf("%d parts, %d would do: %q", len(parts), want, parts)
		}
		m.MaxParts = fewest(text, room, true)
		if _, err := Fit(text, m, Mark{}); err != nil {
			t.Fatalf("it fits in %d parts if words are broken, but: %v", m.MaxParts, err)
		}
		m.MaxParts--
		long, ok := errors.AsType[*TooLongError](second(Fit(text, m, Mark{})))
		if m.MaxParts > 0 && (!ok || long.Parts != m.MaxParts+1) {
			t.Fatalf("in %d parts: %v", m.MaxParts, long)
		}
	})
}

func second(_ []string, err error) error { return err }

// fewest is the least number of parts of a text without wide characters but
// emoji, found by looking at every place where the rules of the package comment
// allow a break; anywhere says that words need not be kept.
func fewest(text string, room int, anywhere bool) int {
	allowed := breaks(text, room, anywhere)
	best := map[int]int{0: 0} // parts needed up to an offset
	for from := range len(text) {
		n, reached := best[from]
		for to := from + 1; reached && to <= len(text) && to-from <= room; to++ {
			if !allowed[to] && to != len(text) {
				continue
			}
			next := to
			if strings.HasPrefix(text[to:], " ") {
				next++
			}
			if old, ok := best[next]; !ok || n+1 < old {
				best[next] = n + 1
			}
		}
	}
	return best[len(text)]
}

func breaks(text string, room int, anywhere bool) map[int]bool {
	allowed := map[int]bool{}
	start := 0 // of the word, with a line break in front of it
	var clusters []int
	flush := func(end int) {
		if anywhere || end-start > room {
			for _, at := range clusters {
				allowed[at] = true
			}
		}
		clusters = nil
	}
	for at, rest := 0, text; rest != ""; {
		c, tail, _, _ := uniseg.FirstGraphemeClusterInString(rest, -1)
		blankBefore := at > 0 && strings.ContainsAny(text[at-1:at], " \n")
		if (c == " " || c == "\n") && !blankBefore {
			flush(at)
			allowed[at] = true
			start = at
			if c == " " {
				start++
			}
		} else {
			clusters = append(clusters, at)
		}
		at, rest = at+len(c), tail
	}
	flush(len(text))
	return allowed
}

// A URL or mail address that a part can hold is never broken where the number
// of parts is free.
func TestAddressesStayWhole(t *testing.T) {
	address := rapid.StringMatching(`(https://|www\.)[a-z0-9]{1,12}\.example(/[a-z]{0,8}){0,3}|[a-z.]{1,10}@[a-z]{1,10}\.example`)
	rapid.Check(t, func(t *rapid.T) {
		m := Medium{MaxBytes: rapid.IntRange(20, 67).Draw(t, "bytes")}
		words := rapid.SliceOfN(rapid.OneOf(address, rapid.StringMatching(`[a-z]{1,8}`)), 1, 15).Draw(t, "words")
		parts, err := Fit(strings.Join(words, " "), m, Mark{})
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range words {
			whole := slices.ContainsFunc(parts, func(p string) bool { return strings.Contains(p, w) })
			if len(w) <= m.MaxBytes-len("10/10 ") && !whole {
				t.Fatalf("%q is broken in %q", w, parts)
			}
		}
	})
}

// Hand-made texts on which cutting is hard, at every limit from one byte on.
func TestHardTextsAtEveryLimit(t *testing.T) {
	for name, text := range map[string]string{
		"a family of emoji":          strings.Repeat("👨\u200d👩\u200d👧\u200d👦", 4) + "ok",
		"flags":                      "🇦🇹🇩🇪🇨🇭🇫🇷🇮🇹🇸🇮🇨🇿🇭🇺🇸🇰🇵🇱",
		"skin tones and keycaps":     "👍🏽👍🏿3️⃣#️⃣🏴󠁧󠁢󠁥󠁮󠁧󠁿 done",
		"Hangul in jamo":             "각힣한글 말씀",
		"Indic conjuncts":            "क्षत्रिय स्त्री श्रीमान् ক্ষুদ্র ശ്രീ കൃഷ്ണൻ ක්\u200dරියාව",
		"Thai and Khmer":             "เราอยู่บนภูเขาทุกคนปลอดภัยดี យើងនៅលើភ្នំ",
		"right to left":              "شكرا جزيلا על ההר הכול בסדר 123 abc",
		"200 marks on one letter":    "a" + strings.Repeat("\u0323", 200) + " b",
		"marks on nothing":           strings.Repeat("\u0301", 60),
		"an address over every part": "see https://files.club.example/" + strings.Repeat("a1b2c3/", 40) + "end.html soon",
		"two hundred letters":        strings.Repeat("x", 200),
		"parts of two digits":        strings.Repeat("ab ", 120),
		"line ends":                  strings.Repeat("\r\n\n a", 30),
		"wide and narrow":            "我们在山上abc一切都好def请在八点回来",
		"no text":                    "",
		"invalid":                    "a\xff\xfe\xed\xa0\x80b c",
	} {
		t.Run(name, func(t *testing.T) {
			for limit := 1; limit <= 70; limit++ {
				checkFit(t, text, Medium{MaxBytes: limit}, Mark{})
				checkFit(t, text, Medium{MaxBytes: limit, MaxParts: 3, ASCII: true, Replace: APRS(3).Replace}, Mark{})
				checkFit(t, text, Medium{MaxBytes: limit + 20}, Mark{"EXERCISE ", " EXERCISE"})
			}
		})
	}
}
