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
	fmt.Fprintln(w, "of them bytes\thidden\t")
	all := &alarms{}
	kinds := map[string]*alarms{}
	for _, co := range list {
		fmt.Fprintf(w, "%s\t", co.name)
		here := &alarms{}
		for _, size := range sizes {
			a := alarmsOf(co, size, most, show)
			fmt.Fprintf(w, "%d\t%d\t", a.judged, a.wrong)
			here.add(a)
		}
		fmt.Fprintf(w, "%d\t%d\t\n", here.bytes, here.hidden)
		all.add(*here)
		kind, _, _ := strings.Cut(co.name, "-") // of text
		if kinds[kind] == nil {
			kinds[kind] = &alarms{}
		}
		kinds[kind].add(*here)
	}
	w.Flush()
	fmt.Println()
	for _, kind := range slices.Sorted(maps.Keys(kinds)) {
		fmt.Println(kinds[kind].line(kind))
	}
	fmt.Printf("\n%s; %d with hidden characters\n\n", all.line(title), all.hidden)
}

// alarms count what was judged, what of it was wrongly refused, and what of that
// holds encoded bytes.
type alarms struct{ judged, wrong, bytes, hidden int }

func (a *alarms) add(b alarms) {
	a.judged, a.wrong, a.bytes, a.hidden = a.judged+b.judged, a.wrong+b.wrong, a.bytes+b.bytes, a.hidden+b.hidden
}

func (a *alarms) line(name string) string {
	words := a.wrong - a.bytes
	return fmt.Sprintf("%-12s %8d judged %5d refused, 1 in %d; %d of them hold encoded bytes, the other %d are 1 in %d",
		name, a.judged, a.wrong, a.judged/max(a.wrong, 1), a.bytes, words, a.judged/max(words, 1))
}

func alarmsOf(co corpus, size, most, show int) alarms {
	msgs := messages(co, size, most)
	a := alarms{judged: len(msgs)}
	for _, s := range judge(msgs, func(s string) bool { return rules.LooksEncrypted(s) != "" || rules.Hidden(s) != "" }) {
		why := rules.Hidden(s)
		switch {
		case why != "":
			a.hidden++
		case holdsBytes(s):
			a.wrong, a.bytes = a.wrong+1, a.bytes+1
			continue
		default:
			a.wrong, why = a.wrong+1, rules.LooksEncrypted(s)
		}
		if show > 0 {
			fmt.Fprintf(os.Stderr, "%s: %s: %q\n", co.name, why, s)
			show--
		}
	}
	return a
}

// messages cuts a corpus into messages of a length, at words or paragraphs.
func messages(co corpus, size, most int) []string {
	var out []string
	var cur strings.Builder
	for _, p := range co.text {
		if learned(co.name, p) {
			continue
		}
		between := " "
		if co.whole {
			between = "\x00" // in no text
		}
		for word := range strings.SplitAfterSeq(p, between) {
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
func detection(title string, encodings []encoding, layouts []layout, pool []byte, samples, show int) {
	w := tabwriter.NewWriter(os.Stdout, 2, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(w, title+"\tlayout\tsamples each\t")
	for _, n := range lengths {
		fmt.Fprintf(w, "%d B: missed\t", n)
	}
	fmt.Fprintln(w)
	even, uneven, shortest := tallies{}, tallies{}, tallies{}
	at := 0
	for _, e := range encodings {
		for _, l := range layouts {
			fmt.Fprintf(w, "%s\t%s\t%d\t", e.name, l.name, samples)
			for _, n := range lengths {
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
				length := fmt.Sprintf("%4d B", n)
				if l.name == unevenName {
					uneven.add(length, samples, len(bad))
				} else {
					even.add(length, samples, len(bad))
					if n == lengths[0] {
						shortest.add(fmt.Sprintf("%20s, %d B", e.name, n), samples, len(bad))
					}
				}
				fmt.Fprintf(w, "%d\t", len(bad))
			}
			fmt.Fprintln(w)
		}
	}
	w.Flush()
	even.print("found, evenly laid out")
	uneven.print("found, unevenly split")
	shortest.print("found, evenly laid out")
}

// tallies count what was judged and what was missed, by length or encoding.
type tallies map[string][2]int

func (t tallies) add(name string, judged, missed int) {
	n := t[name]
	t[name] = [2]int{n[0] + judged, n[1] + missed}
}

func (t tallies) print(what string) {
	fmt.Println()
	for _, name := range slices.Sorted(maps.Keys(t)) {
		fmt.Printf("%s: %8.4f %% of %d %s\n", name, 100-100*float64(t[name][1])/float64(t[name][0]), t[name][0], what)
	}
}
