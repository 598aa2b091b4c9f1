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
	"strings"
)

func main() {
	cache, _ := os.UserCacheDir()
	corpora := flag.String("corpora", filepath.Join(cache, "posthouse-corpora"), "folder of the corpora")
	fetch := flag.Bool("fetch", false, "fetch the corpora first (needs Debian's apt-get and dpkg-deb)")
	trainTo := flag.String("train", "", "write the model to this file instead of measuring")
	most := flag.Int("most", 5_000, "messages of one corpus and length at most; 0: judge no real text")
	samples := flag.Int("samples", 1_000, "ciphertexts of one encoding, layout and length; 0: judge none")
	length := flag.Int("length", 0, "ciphertexts of this many bytes only; 0: of every length")
	show := flag.Int("show", 0, "how many wrongly judged texts to show of each row")
	flag.Parse()
	if *length > 0 {
		lengths = []int{*length}
	}
	if *fetch {
		if err := fetchTo(*corpora); err != nil {
			fmt.Fprintln(os.Stderr, "corpus:", err)
			os.Exit(1)
		}
	}
	if err := run(*corpora, *trainTo, *most, *samples, *show); err != nil {
		fmt.Fprintln(os.Stderr, "corpus:", err)
		os.Exit(1)
	}
}

// folders are the corpora: what the model learns from (half of it) and the
// thresholds were chosen on; what was kept apart and looked at later; what the
// rules were never tuned on.
var folders = [...]string{"root", "heldout", "fresh"}

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

func run(corpora, trainTo string, most, samples, show int) error {
	list, err := readCorpora(filepath.Join(corpora, folders[0]))
	if err != nil || len(list) == 0 {
		return fmt.Errorf("nothing readable under %s: run with -fetch (%w)", corpora, err)
	}
	if trainTo != "" {
		return train(list, trainTo)
	}
	if most > 0 {
		falseAlarms("real text", list, most, show)
	}
	for _, folder := range folders[1:] {
		if most <= 0 {
			break
		}
		apart, err := readCorpora(filepath.Join(corpora, folder))
		if err != nil {
			return err
		}
		falseAlarms(folder, apart, most, show)
	}
	if samples <= 0 {
		return nil
	}
	dir, err := os.MkdirTemp("", "corpus")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	pool, err := streamPool(dir, corpora, list)
	if err != nil {
		return err
	}
	detection("ciphertext", encodings, pool, samples, show)
	detection("other encodings", apart, pool, samples, show)
	readAsCharacters(pool, samples, show)
	return wholeFiles(dir, corpora, list, max(samples/40, 10), show)
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
