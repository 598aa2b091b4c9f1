// Command corpus measures how well rules.LooksEncrypted tells ciphertext from
// ordinary text, on real text from Debian packages (fetch.sh gets them) and on
// ciphertext made with GnuPG, OpenSSL and age. With -train it makes the model
// that rules embeds anew.
//
//	./fetch.sh /var/tmp/corpora
//	go run posthouse/bridge/rules/corpus -corpora /var/tmp/corpora
package main

import (
	"flag"
	"fmt"
	"os"
	"strings"
)

func main() {
	corpora := flag.String("corpora", "", "folder that fetch.sh has filled")
	trainTo := flag.String("train", "", "write the model to this file instead of measuring")
	most := flag.Int("most", 20_000, "messages of one corpus and length at most")
	samples := flag.Int("samples", 2_000, "ciphertexts of one encoding, layout and length")
	show := flag.Int("show", 0, "how many wrongly judged texts to show of each row")
	flag.Parse()
	if err := run(*corpora, *trainTo, *most, *samples, *show); err != nil {
		fmt.Fprintln(os.Stderr, "corpus:", err)
		os.Exit(1)
	}
}

func run(corpora, trainTo string, most, samples, show int) error {
	if corpora == "" {
		return fmt.Errorf("no corpora: run fetch.sh DIR, then give -corpora DIR")
	}
	list, err := readCorpora(corpora)
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return fmt.Errorf("nothing readable under %s: run fetch.sh %s", corpora, corpora)
	}
	if trainTo != "" {
		return train(list, trainTo)
	}
	falseAlarms(list, most, show)
	dir, err := os.MkdirTemp("", "corpus")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	pool, err := streamPool(dir, corpora, list)
	if err != nil {
		return err
	}
	detection(pool, samples, show)
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
