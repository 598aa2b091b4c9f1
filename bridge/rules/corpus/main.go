// Command corpus measures how well rules.LooksEncrypted tells ciphertext from
// ordinary text, on real text from Debian packages and on ciphertext made with
// GnuPG, OpenSSL and age. With -train it makes the model that rules embeds anew.
//
//	go run ./bridge/rules/corpus -fetch     # on Debian: gets the packages, then measures
//	go run ./bridge/rules/corpus            # measures again
package main

import (
	_ "embed"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// options are the command's flags.
type options struct {
	corpora, trainTo, only      string
	fetch                       bool
	most, samples, length, show int
}

func main() {
	cache, _ := os.UserCacheDir()
	var o options
	flag.StringVar(&o.corpora, "corpora", filepath.Join(cache, "posthouse-corpora"), "folder of the corpora")
	flag.BoolVar(&o.fetch, "fetch", false, "fetch the corpora first (needs Debian's apt-get and dpkg-deb)")
	flag.StringVar(&o.trainTo, "train", "", "write the model to this file instead of measuring")
	flag.StringVar(&o.only, "only", "", "judge only these sets of real text, separated by commas: "+strings.Join(folders[:], ", ")+", forms, lateforms")
	flag.IntVar(&o.most, "most", 5_000, "messages of one corpus and length at most; 0: judge no real text")
	flag.IntVar(&o.samples, "samples", 1_000, "ciphertexts of one encoding, layout and length; 0: judge none")
	flag.IntVar(&o.length, "length", 0, "ciphertexts of this many bytes only; 0: of every length")
	flag.IntVar(&o.show, "show", 0, "how many wrongly judged texts to show of each row")
	flag.Parse()
	if o.length > 0 {
		lengths = []int{o.length}
	}
	if err := run(o); err != nil {
		fmt.Fprintln(os.Stderr, "corpus:", err)
		os.Exit(1)
	}
}

// folders are the corpora: what the model learns from (half of it) and the
// thresholds were chosen on; what was kept apart and looked at later; and what
// was drawn later still and measured once before anything was changed for it.
var folders = [...]string{"root", "heldout", "fresh", "untouched", "last", "once"}

//go:embed fetch.sh
var fetchScript string

func fetchTo(dir string) error {
	cmd := exec.Command("sh", "-c", fetchScript, "fetch.sh", dir)
	cmd.Stdout, cmd.Stderr = os.Stderr, os.Stderr
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("fetching the corpora to %s: %w", dir, err)
	}
	return nil
}

func run(o options) error {
	if o.fetch {
		if err := fetchTo(o.corpora); err != nil {
			return err
		}
	}
	list, err := readCorpora(filepath.Join(o.corpora, folders[0]))
	if err != nil || len(list) == 0 {
		return fmt.Errorf("nothing readable under %s: run with -fetch (%w)", o.corpora, err)
	}
	if o.trainTo != "" {
		return train(list, o.trainTo)
	}
	if o.most > 0 {
		if err := judgeRealText(o, list); err != nil {
			return err
		}
	}
	if o.samples > 0 {
		return judgeCiphertext(o, list)
	}
	return nil
}

func judgeRealText(o options, root []corpus) error {
	sets := append(slices.Clone(folders[:]), "forms", "lateforms")
	for _, set := range sets {
		if o.only != "" && !slices.Contains(strings.Split(o.only, ","), set) {
			continue
		}
		list, err := root, error(nil)
		switch set {
		case folders[0]:
		case "forms":
			list = written(checked)
		case "lateforms":
			list = written(late)
		default:
			list, err = readCorpora(filepath.Join(o.corpora, set))
		}
		if err != nil {
			return err
		}
		falseAlarms(set, list, o.most, o.show)
	}
	return nil
}

func judgeCiphertext(o options, list []corpus) error {
	dir, err := os.MkdirTemp("", "corpus")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	pool, err := streamPool(dir, o.corpora, list)
	if err != nil {
		return err
	}
	detection("ciphertext", encodings, layouts, pool, o.samples, o.show)
	detection("other encodings", apart, layouts, pool, o.samples, o.show)
	detection("framed", framed, layouts[:2], pool, o.samples, o.show)
	detection("spread", encodings, spread, pool, o.samples, o.show)
	readAsCharacters(pool, o.samples, o.show)
	madeOtherwise(dir, plainText(list, 1<<20), max(o.samples/10, 10), o.show)
	return wholeFiles(dir, o.corpora, list, max(o.samples/40, 10), o.show)
}

// plainText strings real text together.
func plainText(list []corpus, n int) []byte {
	var b strings.Builder
	for _, co := range list {
		for i, p := range co.text {
			if b.WriteString(p); i > 50 {
				break
			}
		}
		if b.Len() > n {
			break
		}
	}
	return []byte(b.String())
}
