package fit

import (
	"slices"
	"strings"
	"testing"
)

func TestFit(t *testing.T) {
	mesh := func(n int) Medium { return Medium{MaxBytes: n} }
	exercise := Mark{"EXERCISE ", " EXERCISE"}
	for _, tt := range []struct {
		name string
		text string
		m    Medium
		mark Mark
		want []string
	}{
		{"a text that fits is not numbered", "hello", APRS(3), Mark{}, []string{"hello"}},
		{"67 characters fit in an APRS message", strings.Repeat("x", 67), APRS(3), Mark{}, []string{strings.Repeat("x", 67)}},
		{"68 do not", strings.Repeat("x", 68), APRS(3), Mark{}, []string{"1/2 " + strings.Repeat("x", 63), "2/2+xxxxx"}},
		{"an empty text is one frame", "", APRS(3), Mark{}, []string{""}},
		{"the zero medium holds anything", strings.Repeat("ä \r\n", 1000), Medium{}, Mark{}, []string{strings.Repeat("ä \n", 1000)}},
		{"marks stand first and last", "fire", APRS(3), exercise, []string{"EXERCISE fire EXERCISE"}},
		{"marks stand in each part, before the number", "The road is closed", mesh(34), exercise,
			[]string{"EXERCISE 1/2 The road is EXERCISE", "EXERCISE 2/2 closed EXERCISE"}},
		{"words stay whole", "The bridge is gone", mesh(14), Mark{}, []string{"1/2 The bridge", "2/2 is gone"}},
		{"a long word is broken, and begins where there is room", "An Donaudampfschifffahrt", mesh(16), Mark{},
			[]string{"1/2 An Donaudamp", "2/2+fschifffahrt"}},
		{"a URL stays whole", "Look at https://n0qra.example/map now", mesh(30), Mark{},
			[]string{"1/3 Look at", "2/3 https://n0qra.example/map", "3/3 now"}},
		{"a URL that no part can hold is broken", "Look at https://n0qra.example/map now", mesh(28), Mark{},
			[]string{"1/2 Look at https://n0qra.ex", "2/2+ample/map now"}},
		{"a mail address stays whole", "Write to n0qra@home.example", mesh(24), Mark{},
			[]string{"1/2 Write to", "2/2 n0qra@home.example"}},
		{"words are broken before a text is refused", "aaaaaaaa aaaaaaaa aaaaaaaa", Medium{MaxBytes: 17, MaxParts: 2}, Mark{},
			[]string{"1/2 aaaaaaaa aaaa", "2/2+aaaa aaaaaaaa"}},
		{"but not addresses if words will do", "aaaaaaaa aaaa a@aaaaaa aaaaa", Medium{MaxBytes: 18, MaxParts: 2}, Mark{},
			[]string{"1/2 aaaaaaaa aaaa", "2/2 a@aaaaaa aaaaa"}},
		{"of two spaces one is swallowed", "hello  world", mesh(11), Mark{}, []string{"1/2 hello", "2/2  world"}},
		{"the mark is in the medium's charset", "x", APRS(3), Mark{"ÜBUNG: ", ""}, []string{"UEBUNG: x"}},
		{"a line break is carried by the part behind it", "one two\nthree four", mesh(14), Mark{},
			[]string{"1/3 one two", "2/3+\nthree", "3/3 four"}},
		{"the umlaut's bytes count", "ÄÖÜäöü ÄÖÜäöü", mesh(16), Mark{}, []string{"1/2 ÄÖÜäöü", "2/2 ÄÖÜäöü"}},
		{"a family is one character", strings.Repeat("👩\u200d👩\u200d👧", 2), mesh(24), Mark{},
			[]string{"1/2 👩\u200d👩\u200d👧", "2/2+👩\u200d👩\u200d👧"}},
		{"Chinese may be broken between any two characters", "我们在山上的小屋里", mesh(20), Mark{}, []string{"1/2 我们在山上", "2/2+的小屋里"}},
		{"but not before a full stop", "我们在山上。好", mesh(20), Mark{}, []string{"1/2 我们在山", "2/2+上。好"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Fit(tt.text, tt.m, tt.mark)
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("got\n\t%q\nwant\n\t%q", got, tt.want)
			}
		})
	}
}
