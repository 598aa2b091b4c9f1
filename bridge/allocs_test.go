//go:build !race

package bridge_test

import (
	"strings"
	"testing"

	"posthouse/bridge"
	"posthouse/bridge/fit"
	"posthouse/bridge/rules"
)

// words200 is a text of 200 bytes, as long as a talkative station's.
var words200 = strings.Repeat("All stations: the shelter at Ridge Road is open, 40 beds free. ", 4)[:200]

// Judging and fitting stay cheap on the smallest computer: what a text of 200
// bytes may allocate. The bounds are twice what was counted.
func TestFewAllocations(t *testing.T) {
	j := judge(t)
	q := bridge.Question{From: "N0QRA-7", To: "N0QRB-9", Text: words200}
	for name, c := range map[string]struct {
		most float64
		do   func()
	}{
		"ciphertext or text": {0, func() { rules.LooksEncrypted(words200) }},
		"normalise":          {0, func() { rules.Normalise(words200) }},
		"fit in two frames":  {14, func() { fit.Fit(words200, fit.Medium{MaxBytes: 140, MaxParts: 4}, fit.Mark{}) }},
		"vet":                {72, func() { j.Vet(q) }},
	} {
		if n := testing.AllocsPerRun(200, c.do); n > c.most {
			t.Errorf("%s: %v allocations, want %v at most", name, n, c.most)
		} else {
			t.Logf("%s: %v allocations", name, n)
		}
	}
}

// BenchmarkVet is all that posthouse vet does for a text but JSON.
func BenchmarkVet(b *testing.B) {
	j := bridge.NewJudge(judgeConfig(b))
	q := bridge.Question{From: "N0QRA-7", To: "N0QRB-9", Text: words200}
	b.ReportAllocs()
	for b.Loop() {
		if v, err := j.Vet(q); err != nil || v.Refusal != nil {
			b.Fatal(v, err)
		}
	}
}
