package config

import (
	"fmt"
	"regexp"
	"strings"
)

var envName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// ParseEnvFile reads an environment file as Init writes it into NAME=VALUE
// strings: comments with # or ;, values plain, in single quotes (as they are) or
// in double quotes (where a backslash takes the meaning from ", \, $ and `).
// That is the part of systemd's EnvironmentFile= in which systemd and a shell
// agree; what they read differently is an error that names the line, and never
// shows a value. If a name comes twice, the last one counts.
func ParseEnvFile(text string) ([]string, error) {
	var environ []string
	at := map[string]int{}
	number := 0
	for line := range strings.Lines(text) {
		number++
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' || line[0] == ';' {
			continue
		}
		name, raw, ok := strings.Cut(line, "=")
		if !ok || !envName.MatchString(name) {
			return nil, fmt.Errorf("line %d: write NAME=VALUE", number)
		}
		value, err := envUnquote(raw)
		if err != nil {
			return nil, fmt.Errorf("line %d: %s: %w", number, name, err)
		}
		if i, twice := at[name]; twice {
			environ[i] = name + "=" + value
			continue
		}
		at[name] = len(environ)
		environ = append(environ, name+"="+value)
	}
	return environ, nil
}

// envUnquote reads the value of one variable; it is the inverse of envQuote.
func envUnquote(s string) (string, error) {
	switch {
	case s == "":
		return "", nil
	case s[0] == '\'':
		inner, ok := strings.CutSuffix(s[1:], "'")
		if !ok || strings.Contains(inner, "'") {
			return "", fmt.Errorf("the single quotes do not match")
		}
		return inner, nil
	case s[0] == '"':
		return unescape(s[1:])
	case strings.ContainsAny(s, "'\"\\$` \t#;&|<>()*?[]~{}!"):
		return "", fmt.Errorf("put the value in single quotes")
	}
	return s, nil
}

// unescape reads up to the closing double quote, which must be the end.
func unescape(s string) (string, error) {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		switch s[i] {
		case '"':
			if i != len(s)-1 {
				return "", fmt.Errorf("the value goes on behind its closing quote")
			}
			return b.String(), nil
		case '\\':
			i++
			if i == len(s) || !strings.ContainsRune("\"\\$`", rune(s[i])) {
				return "", fmt.Errorf("a backslash stands before something other than a quote, a backslash, $ or `")
			}
			b.WriteByte(s[i])
		case '$', '`':
			return "", fmt.Errorf("write \\%c for %c", s[i], s[i])
		default:
			b.WriteByte(s[i])
		}
	}
	return "", fmt.Errorf("the double quotes do not match")
}
