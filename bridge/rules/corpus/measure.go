package main

import (
	"fmt"
	"maps"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"text/tabwriter"

	"posthouse/bridge/rules"
)

// sizes are the lengths of messages in bytes: one frame, four, a mail.
var sizes = []int{40, 140, 500, 2000}

// lengths are bytes of ciphertext.
var lengths = []int{24, 25, 28, 32, 48, 64, 100, 256, 1024}

// falseAlarms prints, for each corpus and message length, how many messages were
// judged and how many wrongly refused. Only paragraphs that the model has not
// learned are used.
func falseAlarms(title string, list []corpus, most int, show int) {
	w := tabwriter.NewWriter(os.Stdout, 2, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, title+"\t")
	for _, n := range sizes {
		fmt.Fprintf(w, "%d B: judged\twrong\t", n)
	}
	fmt.Fprintln(w, "hidden\t")
	var total, wrong, hidden int
	kinds := classes{}
	for _, co := range list {
		fmt.Fprintf(w, "%s\t", co.name)
		hiddenHere := 0
		for _, size := range sizes {
			msgs := messages(co, size, most)
			bad := judge(msgs, func(s string) bool { return rules.LooksEncrypted(s) != "" && rules.Hidden(s) == "" })
			for _, s := range judge(msgs, func(s string) bool { return rules.Hidden(s) != "" }) {
				if hiddenHere++; hiddenHere <= show {
					fmt.Fprintf(os.Stderr, "%s: %s: %q\n", co.name, rules.Hidden(s), s)
				}
			}
			for i, s := range bad {
				if i < show {
					fmt.Fprintf(os.Stderr, "%s: %s: %q\n", co.name, rules.LooksEncrypted(s), s)
				}
			}
			fmt.Fprintf(w, "%d\t%d\t", len(msgs), len(bad))
			total += len(msgs)
			wrong += len(bad)
			kinds.add(co.name, len(msgs), len(bad))
		}
		hidden += hiddenHere
		fmt.Fprintf(w, "%d\t\n", hiddenHere)
	}
	w.Flush()
	kinds.print()
	fmt.Printf("\n%s: %d messages, %d wrongly taken for ciphertext (1 in %d), %d with hidden characters\n\n", title, total, wrong, total/max(wrong, 1), hidden)
}

// classes sums up by the kind of text: what stands before the first hyphen.
type classes map[string][2]int

func (c classes) add(name string, judged, wrong int) {
	kind, _, _ := strings.Cut(name, "-")
	n := c[kind]
	c[kind] = [2]int{n[0] + judged, n[1] + wrong}
}

func (c classes) print() {
	fmt.Println()
	for _, kind := range slices.Sorted(maps.Keys(c)) {
		fmt.Printf("%-12s %8d judged %5d wrong, 1 in %d\n", kind, c[kind][0], c[kind][1], c[kind][0]/max(c[kind][1], 1))
	}
}

// messages cuts a corpus into messages of a length, at words.
func messages(co corpus, size, most int) []string {
	var out []string
	var cur strings.Builder
	for _, p := range co.text {
		if learned(co.name, p) {
			continue
		}
		for word := range strings.SplitAfterSeq(p, " ") {
			if cur.Len() > 0 && cur.Len()+len(word) > size {
				if out = append(out, rules.Normalise(cur.String())); len(out) >= most {
					return out
				}
				cur.Reset()
			}
			cur.WriteString(word)
		}
		if !strings.HasSuffix(p, "\n") {
			cur.WriteString("\n")
		}
	}
	return out
}

// judge gives the texts for which f holds, on all cores.
func judge(texts []string, f func(string) bool) []string {
	found := make([]bool, len(texts))
	var wg sync.WaitGroup
	cores := runtime.NumCPU()
	for c := range cores {
		wg.Go(func() {
			for i := c; i < len(texts); i += cores {
				found[i] = f(texts[i])
			}
		})
	}
	wg.Wait()
	var out []string
	for i, hit := range found {
		if hit {
			out = append(out, texts[i])
		}
	}
	return out
}

// detection prints, for each encoding, layout and length of ciphertext, how
// many of the samples were found.
func detection(title string, encodings []encoding, pool []byte, samples, show int) {
	w := tabwriter.NewWriter(os.Stdout, 2, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, title+"\tlayout\tsamples each\t")
	for _, n := range lengths {
		fmt.Fprintf(w, "%d B: missed\t", n)
	}
	fmt.Fprintln(w)
	total, missed, at := 0, 0, 0
	even, uneven := make([]int, len(lengths)), make([]int, len(lengths))
	shortest := make([]int, len(encodings)) // of lengths[0], evenly laid out
	for which, e := range encodings {
		for _, l := range layouts {
			fmt.Fprintf(w, "%s\t%s\t%d\t", e.name, l.name, samples)
			for column, n := range lengths {
				texts := make([]string, samples)
				for i := range texts {
					if at+n > len(pool) {
						at = at % 997 // another phase of the same pool
					}
					texts[i] = rules.Normalise(l.put(e.encode(pool[at : at+n])))
					at += n
				}
				bad := judge(texts, func(s string) bool { return rules.LooksEncrypted(s) == "" && rules.Hidden(s) == "" })
				for i, s := range bad {
					if i < show {
						fmt.Fprintf(os.Stderr, "missed %s, %s, %d B: %q\n", e.name, l.name, n, s)
					}
				}
				total += samples
				missed += len(bad)
				if l.name == unevenName {
					uneven[column] += len(bad)
				} else {
					even[column] += len(bad)
					if column == 0 {
						shortest[which] += len(bad)
					}
				}
				fmt.Fprintf(w, "%d\t", len(bad))
			}
			fmt.Fprintln(w)
		}
	}
	w.Flush()
	fmt.Println()
	for column, n := range lengths {
		judged := len(encodings) * samples
		fmt.Printf("%4d B: %8.4f %% found of %d whole, quoted or evenly split, %8.4f %% of %d unevenly split\n", n,
			100-100*float64(even[column])/float64(judged*(len(layouts)-1)), judged*(len(layouts)-1), 100-100*float64(uneven[column])/float64(judged), judged)
	}
	fmt.Println()
	for which, e := range encodings {
		judged := samples * (len(layouts) - 1)
		fmt.Printf("%20s, %d B: %8.4f %% found of %d whole, quoted or evenly split\n", e.name, lengths[0], 100-100*float64(shortest[which])/float64(judged), judged)
	}
	fmt.Printf("\n"+title+": %d samples, %d missed\n\n", total, missed)
}
