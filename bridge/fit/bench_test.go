package fit

import "testing"

const (
	ascii200  = "The bridge at the mill is gone, use the road over the ridge, the one with the new surface. Next report at 1600Z from the school. Two teams on foot, one car, no injuries so far. Need water for 40. QSL?"
	german200 = "Die Brücke an der Mühle ist weg, bitte die Straße über den Höhenrücken nehmen, die mit dem neuen Belag. Nächste Meldung um 1600Z aus der Schule. Zwei Trupps zu Fuß, ein Auto, keine Verletzten."
)

func BenchmarkFit(b *testing.B) {
	for _, bb := range []struct {
		name string
		text string
		m    Medium
		mark Mark
	}{
		{"ASCII in one frame", ascii200, Medium{MaxBytes: 240, ASCII: true, Replace: APRS(3).Replace}, Mark{}},
		{"ASCII in one frame with marks", ascii200, Medium{MaxBytes: 240}, Mark{"EXERCISE ", " EXERCISE"}},
		{"ASCII in 4 APRS parts", ascii200, APRS(4), Mark{}},
		{"German in one UTF-8 frame", german200, Medium{MaxBytes: 240}, Mark{}},
		{"German in 2 UTF-8 parts", german200, Medium{MaxBytes: 140}, Mark{}},
		{"German in 4 APRS parts", german200, APRS(4), Mark{}},
	} {
		b.Run(bb.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Fit(bb.text, bb.m, bb.mark); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
