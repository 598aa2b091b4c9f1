package fit

import (
	"strings"
	"testing"
)

func TestJoin(t *testing.T) {
	for _, tt := range []struct {
		name  string
		parts []string
		want  string
	}{
		{"a single frame is its own text", []string{"1/2 mile to go"}, "1/2 mile to go"},
		{"a blank behind the number is a space", []string{"1/2 The bridge", "2/2 is gone"}, "The bridge is gone"},
		{"a plus is none", []string{"1/2 Donaudampf", "2/2+schiff"}, "Donaudampfschiff"},
		{"in any order, some twice", []string{"3/3 c", "1/3 a", "3/3 c", "2/3 b"}, "a b c"},
		{"more than nine", []string{"1/10 a", "2/10+b", "3/10+c", "4/10+d", "5/10+e", "6/10+f", "7/10+g", "8/10+h", "9/10+i", "10/10+j"}, "abcdefghij"},
		{"marks stand once", []string{"TEST 251405Z 1/2 fire TEST", "TEST 251405Z 2/2 at the mill TEST"}, "TEST 251405Z fire at the mill TEST"},
		{"a mark of two words", []string{"EXERCISE OAK 1/2 a EXERCISE OAK", "EXERCISE OAK 2/2 b EXERCISE OAK"}, "EXERCISE OAK a b EXERCISE OAK"},
		{"a mark in front only", []string{"friend@home.example: 1/2 a", "friend@home.example: 2/2 b"}, "friend@home.example: a b"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got, err := Join(tt.parts); err != nil || got != tt.want {
				t.Errorf("got %q, %v; want %q", got, err, tt.want)
			}
		})
	}
}

func TestJoinRefuses(t *testing.T) {
	for _, tt := range []struct {
		parts []string
		want  string // in the error
	}{
		{nil, "there are none"},
		{[]string{"1/3 a", "3/3 c"}, "part 2/3 is missing"},
		{[]string{"1/3 a", "2/3 b"}, "part 3/3 is missing"},
		{[]string{"2/3 a", "3/3 b"}, "part 1/3 is missing"},
		{[]string{"1/2 a", "2/3 b"}, "different texts"},
		{[]string{"1/2 a", "1/2 b"}, "not begin with the number"}, // nothing tells the number from a mark
		{[]string{"1/2 a", "hello"}, "not begin with the number"},
		{[]string{"01/2 a", "2/2 b"}, "not begin with the number"},
		{[]string{"1/999999999 a", "2/999999999 b"}, "part 3/999999999 is missing"},
	} {
		if got, err := Join(tt.parts); err == nil || got != "" || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("Join(%q) = %q, %v; want an error with %q", tt.parts, got, err, tt.want)
		}
	}
}

func TestNumbered(t *testing.T) {
	for _, tt := range []struct {
		frame string
		k, n  int
		ok    bool
	}{
		{"1/3 hello", 1, 3, true},
		{"12/12+lo", 12, 12, true},
		{"EXERCISE 251405Z 2/3 hello EXERCISE", 2, 3, true},
		{"hello", 0, 0, false},
		{"", 0, 0, false},
		{"1/1 hello", 0, 0, false},
		{"4/3 hello", 0, 0, false},
		{"0/3 hello", 0, 0, false},
		{"see n0qra.example/1/2", 0, 0, false},
	} {
		if k, n, ok := Numbered(tt.frame); k != tt.k || n != tt.n || ok != tt.ok {
			t.Errorf("Numbered(%q) = %d, %d, %v; want %d, %d, %v", tt.frame, k, n, ok, tt.k, tt.n, tt.ok)
		}
	}
}

func FuzzJoin(f *testing.F) {
	f.Add("1/2 The bridge", "2/2 is gone", "2/2 is gone")
	f.Add("TEST 3/3+ TEST", "TEST 2/3 a TEST", "TEST 1/3 b TEST")
	f.Add("1/1000000000 a", "2/1000000000 b", "")
	f.Fuzz(func(t *testing.T, a, b, c string) {
		joined, err := Join([]string{a, b, c})
		if err != nil && joined != "" {
			t.Fatalf("%q and the error %v", joined, err)
		}
		if len(joined) > len(a)+len(b)+len(c) {
			t.Fatalf("%q is longer than its parts", joined)
		}
		if again, err2 := Join([]string{c, a, b}); again != joined || (err == nil) != (err2 == nil) {
			t.Fatalf("in another order: %q, %v", again, err2)
		}
	})
}
