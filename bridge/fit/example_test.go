package fit_test

import (
	"fmt"

	"posthouse/bridge/fit"
)

func ExampleFit() {
	text := "Die Brücke an der Mühle ist weg, bitte die Straße über den Höhenrücken nehmen."
	parts, err := fit.Fit(text, fit.APRS(3), fit.Mark{Before: "ÜBUNG ", After: " ÜBUNG"})
	fmt.Println(err)
	for _, p := range parts {
		fmt.Println(p)
	}
	whole, _ := fit.Join(parts)
	fmt.Println(whole)
	// Output:
	// <nil>
	// UEBUNG 1/2 Die Bruecke an der Muehle ist weg, bitte die UEBUNG
	// UEBUNG 2/2 Strasse ueber den Hoehenruecken nehmen. UEBUNG
	// UEBUNG Die Bruecke an der Muehle ist weg, bitte die Strasse ueber den Hoehenruecken nehmen. UEBUNG
}
