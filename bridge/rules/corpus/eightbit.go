package main

import (
	"fmt"
	"os"
	"strings"
	"text/tabwriter"

	"golang.org/x/text/encoding/charmap"

	"posthouse/bridge/rules"
)

var pages = []*charmap.Charmap{charmap.CodePage437, charmap.CodePage850, charmap.Windows1252, charmap.ISO8859_1}

// readAsCharacters prints how much ciphertext is found that was read as
// characters of an old set, as it is, and without spaces and control characters,
// as a screen drops them: then no rule but the one on ciphertext can see it.
func readAsCharacters(pool []byte, samples, show int) {
	w := tabwriter.NewWriter(os.Stdout, 2, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, "bytes read in\tcontrols\tsamples each\t")
	for _, n := range lengths {
		fmt.Fprintf(w, "%d B: missed\t", n)
	}
	fmt.Fprintln(w)
	at := 0
	for _, page := range pages {
		for _, controls := range []string{"kept", "dropped"} {
			fmt.Fprintf(w, "%v\t%s\t%d\t", page, controls, samples)
			for _, n := range lengths {
				texts := make([]string, samples)
				for i := range texts {
					if at+n > len(pool) {
						at = at % 997
					}
					texts[i] = rules.Normalise(decode(pool[at:at+n], page, controls == "dropped"))
					at += n
				}
				bad := judge(texts, func(s string) bool { return rules.LooksEncrypted(s) == "" && rules.Hidden(s) == "" })
				for i, s := range bad {
					if i < show {
						fmt.Fprintf(os.Stderr, "missed %v, controls %s, %d B: %q\n", page, controls, n, s)
					}
				}
				fmt.Fprintf(w, "%d\t", len(bad))
			}
			fmt.Fprintln(w)
		}
	}
	w.Flush()
	fmt.Println()
}

func decode(b []byte, page *charmap.Charmap, drop bool) string {
	var out strings.Builder
	for _, v := range b {
		if !drop || v > ' ' && v != 0x7F {
			out.WriteRune(page.DecodeByte(v))
		}
	}
	return out.String()
}
