package config

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

// LinkSpec asks Init for a link.
type LinkSpec struct{ Name, Kind string }

// ParseLinkSpecs reads NAME:KIND pairs: valley:mesh,far:trunk,aprs:aprs,post:mail.
func ParseLinkSpecs(s string) ([]LinkSpec, error) {
	return listOf(func(item string) (LinkSpec, error) {
		name, kind, _ := strings.Cut(item, ":")
		if !linkName.MatchString(name) || !slices.Contains(Kinds, kind) {
			return LinkSpec{}, fmt.Errorf("%q is not NAME:KIND with a name of a to z and 0 to 9 and one of the kinds %s", item, strings.Join(Kinds, ", "))
		}
		return LinkSpec{name, kind}, nil
	})(s)
}

// Init writes a complete, commented environment file for systemd's
// EnvironmentFile= and for a shell. What must be set has an example that is to
// be looked at; everything else is a comment with its default.
func Init(w io.Writer, call string, links []LinkSpec) error {
	if err := checkInit(call, links); err != nil {
		return err
	}
	var b strings.Builder
	b.WriteString("# Settings of posthouse. Lines that begin with # are comments: they show what may be set and\n" +
		"# what holds without it. Look at each line that is not a comment, then run: posthouse check\n")
	var names []string
	for _, spec := range links {
		names = append(names, spec.Name)
	}
	given := map[string]string{"CALLSIGN": call, "LINKS": strings.Join(names, ",")}
	base := table(new(Config))
	writeRows(&b, Prefix, base, LinkSpec{}, given)
	for _, spec := range links {
		fmt.Fprintf(&b, "\n# ---- %s: %s link ----\n", spec.Name, spec.Kind)
		given := map[string]string{"KIND": spec.Kind}
		for _, v := range base {
			given["$"+v.name] = v.def("", "") // what a link inherits
		}
		writeRows(&b, linkPrefix(spec.Name), linkTable(new(Link), spec.Kind), spec, given)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func checkInit(call string, links []LinkSpec) error {
	if _, err := parseCall(call); err != nil {
		return fmt.Errorf("call sign %s: %w", quote(call), err)
	}
	if len(links) == 0 {
		return errors.New("no link is named: write for example valley:mesh,aprs:aprs,post:mail")
	}
	l := &loader{base: table(new(Config))}
	var before Links
	for _, spec := range links {
		if advice := l.nameTaken(spec.Name, before); advice != "" {
			return fmt.Errorf("link name %s: %s", quote(spec.Name), advice)
		}
		if !slices.Contains(Kinds, spec.Kind) {
			return fmt.Errorf("link %s: kind %s is none of %s", spec.Name, quote(spec.Kind), strings.Join(Kinds, ", "))
		}
		before = append(before, Link{Name: spec.Name})
	}
	return nil
}

// writeRows writes a paragraph for each variable; given are the values that are
// known already, by a variable's name or by what stands for it in a default.
func writeRows(b *strings.Builder, prefix string, rows []variable, spec LinkSpec, given map[string]string) {
	for _, v := range rows {
		name := prefix + v.name
		if v.secret() {
			name += "_FILE"
		}
		b.WriteString("\n")
		writeComment(b, v.describe(spec.Name, spec.Kind))
		value := strings.ReplaceAll(v.tag.Get("example"), "<name>", spec.Name)
		if def := v.def(spec.Name, spec.Kind); def != "" {
			value = def
		}
		for _, key := range []string{v.name, value} {
			if known, ok := given[key]; ok {
				value = known
			}
		}
		if !v.inInit() {
			b.WriteString("#")
		}
		fmt.Fprintf(b, "%s=%s\n", name, envQuote(value))
	}
}

// describe gives the sentence of a variable with its allowed words and default.
func (v variable) describe(name, kind string) string {
	s := v.desc()
	if words := v.oneof(); words != "" && !v.required() {
		s += "; one of " + strings.ReplaceAll(words, ",", ", ")
	}
	if from := v.inherits(kind); from != "" {
		return s + " (default: that of " + Prefix + from + ")"
	}
	switch def := v.def(name, kind); {
	case def != "":
		s += " (default " + def + ")"
	case v.required():
		s += " (required)"
	}
	return s
}

// writeComment breaks a text into comment lines.
func writeComment(b *strings.Builder, text string) {
	const width = 98
	line := "#"
	for word := range strings.FieldsSeq(text) {
		if utf8.RuneCountInString(line)+1+len(word) > width {
			b.WriteString(line + "\n")
			line = "#"
		}
		line += " " + word
	}
	b.WriteString(line + "\n")
}

// EnvFile writes NAME=VALUE strings as an environment file. A value of several
// lines is for systemd and a shell; ParseEnvFile does not read it.
func EnvFile(environ []string) string {
	var b strings.Builder
	for _, entry := range environ {
		name, value, _ := strings.Cut(entry, "=")
		b.WriteString(name + "=" + envQuote(value) + "\n")
	}
	return b.String()
}

var plainValue = regexp.MustCompile(`^[A-Za-z0-9_./:,@%+=-]*$`)

// envQuote writes a value so that systemd and a shell read the same.
func envQuote(s string) string {
	switch {
	case plainValue.MatchString(s):
		return s
	case !strings.Contains(s, "'"):
		return "'" + s + "'"
	}
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "$", `\$`, "`", "\\`").Replace(s) + `"`
}
