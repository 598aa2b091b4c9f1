package config

import (
	"fmt"
	"io"
	"strings"
)

// Reference writes the table of variables as Markdown, for the README.
func Reference(w io.Writer) error {
	var b strings.Builder
	b.WriteString("### The gateway\n\n")
	writeTable(&b, Prefix, table(new(Config)))
	b.WriteString("\n### Each link\n\nThe names follow `" + Prefix + "<NAME>`, the link's name in capitals.\n\n")
	writeTable(&b, "_", table(new(Link)))
	for _, kind := range Kinds {
		fmt.Fprintf(&b, "\n### Links of kind `%s`\n\n", kind)
		writeTable(&b, "_", kindTable(new(Link), kind))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func writeTable(b *strings.Builder, prefix string, rows []variable) {
	b.WriteString("| variable | default | meaning |\n| --- | --- | --- |\n")
	for _, v := range rows {
		name := v.name
		if v.secret() {
			name += "(_FILE)"
		}
		desc := v.desc()
		if words := v.oneof(); words != "" {
			desc += ": `" + strings.ReplaceAll(words, ",", "`, `") + "`"
		}
		fmt.Fprintf(b, "| `%s%s` | %s | %s |\n", prefix, name, v.defaultCell(), cell(desc))
	}
}

// defaultCell tells the default, and where it differs between the kinds.
func (v variable) defaultCell() string {
	if v.required() {
		return "required"
	}
	var all []string
	switch def, from := v.def("<name>", ""), v.inherits(""); {
	case from != "":
		all = append(all, "that of `"+Prefix+from+"`")
	case def != "":
		all = append(all, "`"+def+"`")
	}
	for _, kind := range Kinds {
		if def, ok := v.tag.Lookup("default_" + kind); ok {
			all = append(all, kind+" `"+def+"`")
		}
	}
	if len(all) == 0 {
		return "none"
	}
	return cell(strings.Join(all, ", "))
}

// cell keeps text inside a cell of a Markdown table, and names in capitals in
// angle brackets from being taken for HTML.
func cell(s string) string {
	return strings.NewReplacer("|", `\|`, "POSTHOUSE_<NAME>_...", "`POSTHOUSE_<NAME>_…`").Replace(s)
}
