package main

import (
	"bufio"
	"bytes"
	"cmp"
	"compress/gzip"
	"encoding/binary"
	"html"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"unicode/utf8"

	textencoding "golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/htmlindex"
)

// corpus is real text of one kind or language.
type corpus struct {
	name string
	text []string // paragraphs

	whole bool // a paragraph is never cut: half an account number is no message
}

var (
	manName   = regexp.MustCompile(`/share/man/(?:([a-z]{2}(?:_[A-Z]{2})?)/)?man\d/.*\.gz$`)
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
		list = append(list, corpus{name: name, text: text})
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
		return "manual-" + cmp.Or(m[1], "en"), roff(slurp(path))
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
	case base == "templates":
		return "questions-" + d(path), descriptions(slurp(path))
	case strings.HasSuffix(base, ".dict.dz"):
		return "dictionary-" + strings.TrimSuffix(base, ".dict.dz"), paragraphs(slurp(path))
	case strings.HasSuffix(path, ".page"):
		return "help-" + language(strings.Replace(path, "/help/", "/locale/", 1)), paragraphs(tags.ReplaceAllString(slurp(path), ""))
	case strings.Contains(path, "/weather-util/"):
		return "places", paragraphs(slurp(path))
	case strings.HasSuffix(path, ".mo"):
		return "programs-" + language(path), catalogue(path)
	case strings.HasSuffix(base, ".html") || strings.HasSuffix(base, ".html.gz"):
		return "html-" + cmp.Or(htmlLanguage(path), d(path)), paragraphs(tags.ReplaceAllString(slurp(path), ""))
	case strings.HasPrefix(base, "debian-reference") && strings.HasSuffix(base, ".txt.gz"):
		return "guide-" + d(path), paragraphs(slurp(path))
	case strings.Contains(path, "/share/doc/") && (strings.HasSuffix(base, ".txt") || strings.HasSuffix(base, ".txt.gz") || base == "copyright"):
		return "documents", strings.Split(slurp(path), "\n\n")
	}
	return "", nil
}

var tags = regexp.MustCompile(`(?s)<(script|style).*?</(script|style)>|<[^>]*>`)

// paragraphs splits running text, with HTML's entities undone.
func paragraphs(s string) []string { return strings.Split(html.UnescapeString(s), "\n\n") }

// htmlLanguage gives the folder that is named after a language, if there is one.
func htmlLanguage(path string) string {
	name := filepath.Base(filepath.Dir(path))
	if languageName.MatchString(name) {
		return name
	}
	return ""
}

var languageName = regexp.MustCompile(`^[a-z]{2}([-_][A-Z]{2})?$`)

// language gives the language of a message catalogue.
func language(path string) string {
	_, rest, _ := strings.Cut(path, "/locale/")
	name, _, _ := strings.Cut(rest, "/")
	return name
}

// catalogue gives the translated texts of a gettext .mo file (GNU gettext manual,
// "The Format of GNU MO Files").
func catalogue(path string) []string {
	b, err := os.ReadFile(path)
	if err != nil || len(b) < 28 || binary.LittleEndian.Uint32(b) != 0x950412de {
		return nil
	}
	word := func(at uint32) uint32 {
		if int(at)+4 > len(b) {
			return 0
		}
		return binary.LittleEndian.Uint32(b[at:])
	}
	n, table := word(8), word(16)
	var out []string
	for i := uint32(1); i < min(n, 1<<16); i++ { // the first is the header
		size, at := word(table+8*i), word(table+8*i+4)
		if end := uint64(at) + uint64(size); end <= uint64(len(b)) && utf8.Valid(b[at:end]) {
			out = append(out, strings.ReplaceAll(string(b[at:end]), "\x00", "\n"))
		}
	}
	return out
}

// d gives the package that a file was unpacked from.
func d(path string) string {
	rest := ""
	for _, folder := range folders {
		if _, behind, found := strings.Cut(path, "/"+folder+"/"); found {
			rest = behind
			break
		}
	}
	name, _, _ := strings.Cut(rest, "/")
	return strings.TrimPrefix(name, "fortunes-")
}

// slurp reads a file, gzipped or not, as UTF-8 or else Latin-1.
func slurp(path string) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	if strings.HasSuffix(path, ".gz") || strings.HasSuffix(path, ".dz") {
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
		b, _ = declared(b).NewDecoder().Bytes(b)
	}
	return string(b)
}

var charset = regexp.MustCompile(`charset="?([\w-]+)`)

// declared gives the character set that a page says it is in; else Latin-1.
func declared(b []byte) textencoding.Encoding {
	if m := charset.FindSubmatch(b[:min(len(b), 2048)]); m != nil {
		if e, err := htmlindex.Get(string(m[1])); err == nil {
			return e
		}
	}
	return charmap.ISO8859_1
}

// descriptions takes the translated texts out of a package list or out of the
// questions that a package asks when it is installed.
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
		case strings.HasPrefix(line, "Description-") && !strings.HasPrefix(line, "Description-md5"), strings.HasPrefix(line, "Extended_description-"), strings.HasPrefix(line, "Choices-"):
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
	macro := false
	for line := range strings.SplitSeq(s, "\n") {
		if strings.HasPrefix(line, ".de") || strings.HasPrefix(line, ".ig") || strings.HasPrefix(line, "'de") {
			macro = true
		}
		if macro {
			macro = !strings.HasPrefix(line, "..") && !strings.Contains(line, "END PGP")
			continue
		}
		if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
			if cur.Len() > 200 {
				out = append(out, cur.String())
				cur.Reset()
			}
			continue
		}
		line = strings.ReplaceAll(roffEsc.ReplaceAllString(line, ""), `\-`, "-")
		if strings.Contains(line, "-----BEGIN PGP") { // encoded bytes, no text
			macro = true
			continue
		}
		cur.WriteString(line + "\n")
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
