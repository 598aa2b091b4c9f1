package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/alecthomas/kong"
)

type completionCmd struct{}

// Run prints a script that completes commands and flags in bash, made from the
// commands themselves.
func (completionCmd) Run(s streams, k *kong.Kong) error {
	c := completion{}
	c.walk(k.Model.Node, "")
	return c.write(s.out)
}

// completion collects what may follow a path of commands, such as "queue list".
type completion struct {
	paths  []string // every path, a blank before each word
	words  []string // cases: what may follow a path
	values []string // cases: what may follow a flag of a path
}

func (c *completion) walk(n *kong.Node, path string) {
	var words []string
	for _, child := range n.Children {
		words = append(words, child.Name)
	}
	for _, f := range n.Flags {
		words = append(words, "--"+f.Name)
		switch {
		case f.IsBool():
		case f.Enum != "":
			c.values = append(c.values, fmt.Sprintf("%q) words=%q ;;", path+" --"+f.Name, strings.ReplaceAll(f.Enum, ",", " ")))
		default: // a file, or something that nobody can guess
			c.values = append(c.values, fmt.Sprintf("%q) COMPREPLY=($(compgen -f -- \"$word\")); return ;;", path+" --"+f.Name))
		}
	}
	if path != "" {
		words = append(words, "--help") // the root's, which every command understands
		c.paths = append(c.paths, fmt.Sprintf("%q", path))
	}
	c.words = append(c.words, fmt.Sprintf("%q) words=%q ;;", path, strings.Join(words, " ")))
	for _, child := range n.Children {
		c.walk(child, path+" "+child.Name)
	}
}

func (c *completion) write(w io.Writer) error {
	_, err := fmt.Fprintf(w, `# Completes the commands of posthouse, and of ph, in bash. zsh reads it after
# autoload -U bashcompinit && bashcompinit
_posthouse() {
  local word=${COMP_WORDS[COMP_CWORD]} path= words= i
  for ((i = 1; i < COMP_CWORD; i++)); do
    case "$path ${COMP_WORDS[i]}" in
    %s) path="$path ${COMP_WORDS[i]}" ;;
    esac
  done
  case "$path" in
    %s
  esac
  case "$path ${COMP_WORDS[COMP_CWORD-1]}" in
    %s
  esac
  COMPREPLY=($(compgen -W "$words" -- "$word"))
}
complete -F _posthouse posthouse ph
`, strings.Join(c.paths, " | "), strings.Join(c.words, "\n    "), strings.Join(c.values, "\n    "))
	return err
}
