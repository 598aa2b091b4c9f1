package main

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// corpus is real text of one kind or language.
type corpus struct {
	name string
	text []string // paragraphs
}

var (
	manName   = regexp.MustCompile(`/share/man/([a-z]{2}(?:_[A-Z]{2})?)/man\d/.*\.gz$`)
	transName = regexp.MustCompile(`Translation-([a-z]{2}(?:_[A-Z]{2})?)$`)
	roffEsc   = regexp.MustCompile(`\\f.|\\\[[^\]]*\]|\\\(..|\\[&%|^/,]|\\s[+-]?\d`)
)

// readCorpora reads what fetch.sh has unpacked under dir.
func readCorpora(dir string) ([]corpus, error) {
	all := map[string][]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !d.Type().IsRegular() || strings.Contains(path, "/deb/") {
			return err
		}
		name, paragraphs := readFile(path)
		if name != "" {
			all[name] = append(all[name], paragraphs...)
		}
		return nil
	})
	var list []corpus
	for name, text := range all {
		list = append(list, corpus{name, text})
	}
	sort.Slice(list, func(i, j int) bool { return list[i].name < list[j].name })
	return list, err
}

// readFile gives the corpus that a file belongs to, and its paragraphs.
func readFile(path string) (string, []string) {
	base := filepath.Base(path)
	switch m, t := manName.FindStringSubmatch(path), transName.FindStringSubmatch(path); {
	case t != nil:
		return "packages-" + t[1], descriptions(slurp(path))
	case m != nil:
		return "manual-" + m[1], roff(slurp(path))
	case strings.Contains(path, "/games/fortunes/"):
		if filepath.Ext(path) != "" && filepath.Ext(path) != ".u8" || d(path) == "" {
			return "", nil
		}
		return "fortunes-" + d(path), strings.Split(slurp(path), "\n%\n")
	case strings.Contains(path, "/share/dict/") && !strings.Contains(base, "README"):
		return "words-" + d(path), words(slurp(path))
	case strings.HasSuffix(path, ".dic") && strings.Contains(path, "hunspell"):
		return "words-" + strings.TrimSuffix(base, ".dic"), words(slurp(path))
	case strings.HasPrefix(base, "changelog") && strings.HasSuffix(base, ".gz"):
		return "changelogs", strings.Split(slurp(path), "\n\n")
	case strings.Contains(path, "/share/doc/") && (strings.HasSuffix(base, ".txt") || strings.HasSuffix(base, ".txt.gz") || base == "copyright"):
		return "documents", strings.Split(slurp(path), "\n\n")
	}
	return "", nil
}

// d gives the package that a file was unpacked from.
func d(path string) string {
	_, rest, _ := strings.Cut(path, "/root/")
	name, _, _ := strings.Cut(rest, "/")
	return strings.TrimPrefix(name, "fortunes-")
}

// slurp reads a file, gzipped or not, as UTF-8 or else Latin-1.
func slurp(path string) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	if strings.HasSuffix(path, ".gz") {
		z, err := gzip.NewReader(bytes.NewReader(b))
		if err != nil {
			return ""
		}
		b, _ = io.ReadAll(z)
	}
	if !utf8.Valid(b) {
		if bytes.IndexByte(b, 0) >= 0 {
			return ""
		}
		b, _ = charmap.ISO8859_1.NewDecoder().Bytes(b)
	}
	return string(b)
}

// descriptions takes the translated texts out of a package list.
func descriptions(s string) []string {
	var out []string
	var cur strings.Builder
	in := bufio.NewScanner(strings.NewReader(s))
	in.Buffer(nil, 1<<20)
	on := false
	flush := func() {
		if cur.Len() > 0 {
			out = append(out, cur.String())
		}
		cur.Reset()
	}
	for in.Scan() {
		line := in.Text()
		switch {
		case strings.HasPrefix(line, "Description-") && !strings.HasPrefix(line, "Description-md5"):
			flush()
			on = true
			_, line, _ = strings.Cut(line, ": ")
		case !strings.HasPrefix(line, " "):
			on = false
		case strings.TrimSpace(line) == ".":
			flush()
			continue
		}
		if on {
			cur.WriteString(strings.TrimSpace(line) + "\n")
		}
	}
	flush()
	return out
}

// roff takes the running text out of a manual page.
func roff(s string) []string {
	var out []string
	var cur strings.Builder
	for line := range strings.SplitSeq(s, "\n") {
		if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
			if cur.Len() > 200 {
				out = append(out, cur.String())
				cur.Reset()
			}
			continue
		}
		line = roffEsc.ReplaceAllString(line, "")
		cur.WriteString(strings.ReplaceAll(line, `\-`, "-") + "\n")
	}
	return append(out, cur.String())
}

// words strings a word list together, twelve to a paragraph, from all over it.
func words(s string) []string {
	lines := strings.Split(s, "\n")
	step := len(lines)/40_000 + 1
	var out []string
	var cur []string
	for i := 0; i < len(lines); i += step {
		w, _, _ := strings.Cut(strings.TrimSpace(lines[i]), "/")
		if w, _, _ = strings.Cut(w, "\t"); w == "" {
			continue
		}
		if cur = append(cur, w); len(cur) == 12 {
			out = append(out, strings.Join(cur, " "))
			cur = nil
		}
	}
	return out
}
