package config

import (
	"errors"
	"regexp"
	"slices"
	"strings"
)

// Hooks are checks that need to know a protocol; the adapters have them, and
// this package does not import adapters. A nil hook is not asked.
type Hooks struct {
	// CheckTemplate refuses a TO_TEMPLATE that does not work or leaves out the
	// gateway's call sign.
	CheckTemplate func(template string) error
	// CheckPasscode refuses an APRS-IS passcode that does not fit the call sign.
	// Its error must not hold the passcode.
	CheckPasscode func(call, passcode string) error
	// CheckSigningKey refuses the content of a SIGNING_KEY_FILE that is no key, and
	// CheckTrust that of a TRUST_FILE with a wrong line. The error of the first must
	// not show what is in the file.
	CheckSigningKey func(file []byte) error
	CheckTrust      func(file []byte) error
	// CheckStore refuses a POSTHOUSE_STORE that this build cannot open.
	CheckStore func(store string) error
}

// Load reads the settings from an environment (as os.Environ gives it) and the
// files that it names, and returns every fault at once: what could not be read,
// what does not fit, what is not known. The Config is never nil; a value that
// was wrong is at its default.
//
// An empty value is the same as none, but where the table gives it a meaning.
func Load(environ []string, hooks Hooks) (*Config, []Finding) {
	l := &loader{env: environment(environ), known: map[string]bool{}, unread: map[string]bool{}, hooks: hooks, config: new(Config)}
	c := l.config
	l.base = table(c)
	l.read(Prefix, l.base, "", "")
	if state, _, _ := strings.Cut(l.env["STATE_DIRECTORY"], ":"); state != "" && l.env[Prefix+"DATA_DIR"] == "" {
		c.DataDir = state // systemd separates several with colons
	}
	for i := range c.Links {
		l.link(&c.Links[i], c.Links[:i])
	}
	c.normalise()
	l.check()
	l.unknown()
	return c, l.findings
}

// loader is one run of Load.
type loader struct {
	env      map[string]string
	known    map[string]bool // every variable that there is for these links
	unread   map[string]bool // variables that are at their default since they could not be read
	foreign  []string        // prefixes whose variables cannot be judged
	hooks    Hooks
	base     []variable
	config   *Config
	findings []Finding
}

// environment makes a map of NAME=VALUE strings; the first of a name counts, as
// in the process's own environment.
func environment(environ []string) map[string]string {
	env := make(map[string]string, len(environ))
	for _, entry := range environ {
		name, value, ok := strings.Cut(entry, "=")
		if _, twice := env[name]; ok && !twice {
			if strings.HasPrefix(name, Prefix) && !strings.HasSuffix(name, "_PASSWORD") {
				value = strings.TrimSpace(value) // what reads the settings may leave the CR that ends a line
			}
			env[name] = value
		}
	}
	return env
}

func (l *loader) fail(variable, problem, advice string) {
	l.add(Finding{variable, problem, advice, Error})
}

func (l *loader) warn(variable, problem, advice string) {
	l.add(Finding{variable, problem, advice, Warning})
}

// add reports a finding once, and none about the default of what could not be read.
func (l *loader) add(f Finding) {
	if !l.unread[f.Variable] && !slices.Contains(l.findings, f) {
		l.findings = append(l.findings, f)
	}
}

// blames tells whether there is an error in one of these variables, or in the file of a
// secret: what only follows from it is not reported.
func (l *loader) blames(names ...string) bool {
	return slices.ContainsFunc(l.findings, func(f Finding) bool {
		return f.Level == Error && (slices.Contains(names, f.Variable) || slices.Contains(names, strings.TrimSuffix(f.Variable, "_FILE")))
	})
}

// failErr reports an error, with its own advice if it is a fault.
func (l *loader) failErr(variable string, err error) {
	if f, ok := errors.AsType[fault](err); ok {
		l.fail(variable, f.problem, f.advice)
		return
	}
	l.fail(variable, oneLine(err.Error()), "")
}

// oneLine keeps an error that comes from outside this package on one line.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// read fills the rows from the environment; name and kind are those of a link.
func (l *loader) read(prefix string, rows []variable, name, kind string) {
	for _, v := range rows {
		l.known[prefix+v.name] = true
		setDefault(v, l.base, name, kind)
		if v.secret() {
			l.known[prefix+v.name+"_FILE"] = true
			l.readSecret(prefix+v.name, v)
			continue
		}
		text, ok := l.env[prefix+v.name]
		switch {
		case ok && (text != "" || v.emptyMeans()):
			if text == "" {
				v.field.SetZero()
			} else if err := v.set(text); err != nil {
				l.failErr(prefix+v.name, err)
				l.unread[prefix+v.name] = true
			}
		case v.required():
			l.fail(prefix+v.name, "is missing", "set it: "+v.desc())
			l.unread[prefix+v.name] = true
		}
	}
}

// setDefault gives a row its default; base are the gateway-wide rows.
func setDefault(v variable, base []variable, name, kind string) {
	if from := v.inherits(kind); from != "" {
		i := slices.IndexFunc(base, func(b variable) bool { return b.name == from })
		v.copyFrom(base[i])
		return
	}
	def := v.def(name, kind)
	if def == "" {
		return
	}
	if err := v.set(def); err != nil {
		panic("config: default of " + v.name + ": " + err.Error()) // the tag is wrong
	}
}

// link reads one link; before are those in front of it.
func (l *loader) link(k *Link, before Links) {
	const links = Prefix + "LINKS"
	prefix := linkPrefix(k.Name)
	if advice := l.nameTaken(k.Name, before); advice != "" {
		l.fail(links, "names a link "+quote(k.Name), advice)
		l.foreign = append(l.foreign, notInName.ReplaceAllString(prefix, "_"))
		k.Kind = ""
		return
	}
	kind := l.env[prefix+"KIND"]
	rows := linkTable(k, kind)
	l.read(prefix, rows, k.Name, kind)
	if !slices.Contains(Kinds, kind) {
		l.foreign = append(l.foreign, prefix) // which variables it has depends on the kind
	}
}

var (
	linkName  = regexp.MustCompile(`^[a-z][a-z0-9]{0,31}$`)
	notInName = regexp.MustCompile(`[^A-Z0-9_]`)
)

// nameTaken says what is wrong with a link's name, or nothing.
func (l *loader) nameTaken(name string, before Links) string {
	switch {
	case !linkName.MatchString(name):
		return "use a to z and 0 to 9, a letter first, at most 32"
	case before.Find(name) != nil:
		return "name each link once"
	case name == "hold" || name == "all" || name == "none": // none: in the metrics, no link
		return "choose another name, this word has a meaning where links are named"
	}
	for _, v := range l.base {
		if strings.HasPrefix(v.name+"_", strings.ToUpper(name)+"_") {
			return "choose another name, " + Prefix + v.name + " is a setting of the gateway"
		}
	}
	return ""
}

// Named tells whether a name, in capitals, is a group, an alias or POST.
func (c *Config) Named(name string) bool {
	return name == "POST" || c.Aliases[name] != "" || slices.ContainsFunc(c.Links, func(l Link) bool { return slices.Contains(l.Groups, name) })
}

// normalise gives what people write in any case one form.
func (c *Config) normalise() {
	if call, err := parseCall(c.Callsign); err == nil {
		c.Callsign = call.String()
	}
	each := func(list []string) {
		for i := range list {
			list[i] = canonical(list[i])
		}
	}
	for i := range c.CallsignStarts {
		c.CallsignStarts[i] = strings.ToUpper(c.CallsignStarts[i])
	}
	each(c.AlertTo)
	each(c.ExerciseStations)
	each(c.Block)
	for i := range c.Links {
		each(c.Links[i].Groups)
	}
}
