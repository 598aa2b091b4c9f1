package main

import (
	"bytes"
	"fmt"
	"os"
	"text/tabwriter"

	"posthouse/bridge/rules"
)

// streamPool is a long ciphertext without any header, made by a stream cipher:
// each piece of it is what that cipher makes of as many bytes of text.
func streamPool(dir, corpora string, list []corpus) ([]byte, error) {
	var pool bytes.Buffer
	plain := plainText(list, 1<<20)
	for _, t := range tools(corpora) {
		if t.name != "openssl stream" {
			continue
		}
		for pool.Len() < 16<<20 {
			b, err := t.make(dir, plain)
			if err != nil {
				return nil, err
			}
			pool.Write(b)
		}
	}
	return pool.Bytes(), nil
}

// wholeFiles prints how many whole ciphertexts, headers and all, were found.
func wholeFiles(dir, corpora string, list []corpus, samples, show int) error {
	plain := plainText(list, 1<<20)
	w := tabwriter.NewWriter(os.Stdout, 2, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "tool\tplain text\tjudged\tmissed\t")
	total, missed := 0, 0
	for _, t := range tools(corpora) {
		for _, n := range []int{24, 40, 140, 1000} {
			judged, bad := 0, 0
			for i := range samples {
				b, err := t.make(dir, plain[i*n:i*n+n])
				if err != nil {
					return err
				}
				for _, e := range encodings {
					for _, l := range layouts {
						if l.name == unevenName { // what that does is in the table above
							continue
						}
						s := rules.Normalise(l.put(e.encode(b)))
						judged++
						if rules.LooksEncrypted(s) == "" {
							if bad++; bad <= show {
								fmt.Fprintf(os.Stderr, "missed %s, %s, %s: %q\n", t.name, e.name, l.name, s)
							}
						}
					}
				}
				if binary := rules.Normalise(string(b)); rules.Hidden(binary) == "" && rules.LooksEncrypted(binary) == "" {
					bad++
				}
				judged++
			}
			fmt.Fprintf(w, "%s\t%d B\t%d\t%d\t\n", t.name, n, judged, bad)
			total += judged
			missed += bad
		}
	}
	w.Flush()
	fmt.Printf("\nwhole ciphertexts: %d judged, %d missed (%.4f %% found)\n", total, missed, 100-100*float64(missed)/float64(total))
	return nil
}
