package config

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

const marked = "SWORDFISH" // in every secret that the generator makes

// everyName lists the names that there are for four links, some for links that
// there are not, and some of nothing.
func everyName() []string {
	var names []string
	for _, v := range table(new(Config)) {
		names = append(names, Prefix+v.name)
	}
	for _, link := range []string{"VALLEY", "FAR", "APRS", "POST", "OTHER"} {
		for _, kind := range Kinds {
			for _, v := range linkTable(new(Link), kind) {
				names = append(names, Prefix+link+"_"+v.name)
				if v.secret() {
					names = append(names, Prefix+link+"_"+v.name+"_FILE")
				}
			}
		}
	}
	return append(names, "POSTHOUSE_", "POSTHOUSE_TYPO", "posthouse_x", "STATE_DIRECTORY", "PATH", "")
}

// anyEnvironment draws from sensible and senseless values for every name.
func anyEnvironment(dir string) *rapid.Generator[settings] {
	secretFile := filepath.Join(dir, "secret")
	if err := os.WriteFile(secretFile, []byte(marked+"-in-a-file\n"), 0o644); err != nil {
		panic(err)
	}
	names := everyName()
	value := rapid.OneOf(
		rapid.SampledFrom([]string{
			"", "yes", "no", "in", "out", "amateur", "internet", "mesh", "trunk", "aprs", "mail", "valley", "far", "hold", "ALL", "0", "1", "9", "-1", "125", "4/5", "1e9", "NaN",
			"24h", "0s", "-5m", "20/10m", "N0QRA", "N0QRZ-10", "N0CALL", "a@b.example", "*@*=far", "N0QRA*=far", "EOC=N0QRA", "127.0.0.1:1883", ":25", "h.example:14580",
			"tcp://127.0.0.1:1883", "ssl://h.example:8883", "192.0.2.0/24", "46.5,-122.9", "CN86nm", "/a/b", "{{.}}", "etcd://a:1", "AT", ",", "=", "@", "x=y=z", secretFile, dir, "/dev/zero", "a\x00b", "\xff",
		}),
		rapid.String(),
		rapid.StringN(0, 3000, -1),
	)
	return rapid.Custom(func(t *rapid.T) settings {
		env := settings{
			Prefix + "CALLSIGN": "N0QRZ-10", Prefix + "LINKS": rapid.SampledFrom([]string{"valley,far,aprs,post", "valley", "post,far", "", "valley,valley,data,X"}).Draw(t, "links"),
			Prefix + "VALLEY_KIND": "mesh", Prefix + "FAR_KIND": "trunk", Prefix + "APRS_KIND": "aprs", Prefix + "POST_KIND": "mail",
		}
		for range rapid.IntRange(0, 40).Draw(t, "count") {
			env[rapid.SampledFrom(names).Draw(t, "name")] = value.Draw(t, "value")
		}
		env[rapid.String().Draw(t, "odd name")] = value.Draw(t, "odd value")
		for _, name := range []string{"VALLEY_PASSWORD", "FAR_PASSWORD", "APRS_PASSCODE", "POST_SMARTHOST_PASSWORD", "OTHER_PASSWORD", "VALLEY_SMARTHOST_PASSWORD"} {
			switch rapid.IntRange(0, 3).Draw(t, "secret") {
			case 0:
				env[Prefix+name] = marked + rapid.String().Draw(t, "rest")
			case 1:
				env[Prefix+name+"_FILE"] = secretFile
			case 2:
				env[Prefix+name+"_FILE"] = "/" + marked // the word itself, where the file's name belongs
			}
		}
		if rapid.Bool().Draw(t, "in a URL") {
			env[Prefix+"FAR_BROKER_URL"] = rapid.SampledFrom([]string{"tcp://u:", "ssl://", "", "tcp:/", "\x00://"}).Draw(t, "scheme") + marked + "@h.example:1883"
			env[Prefix+"STORE"] = "etcd://root:" + marked + "@h.example:2379"
		}
		return env
	})
}

// TestAnyEnvironment: whatever the environment holds, Load gives settings, says
// each finding on one line, and nothing that can be printed shows a secret.
func TestAnyEnvironment(t *testing.T) {
	environment := anyEnvironment(t.TempDir())
	rapid.Check(t, func(t *rapid.T) {
		c, findings := Load(environment.Draw(t, "environment").environ(), hooks)
		if c == nil {
			t.Fatal("no settings")
		}
		for _, f := range findings {
			if f.Variable == "" || f.Problem == "" || f.Level != Error && f.Level != Warning {
				t.Errorf("half a finding: %+v", f)
			}
			if s := f.String(); strings.ContainsAny(s, "\n\r\x00\x1b") || len(s) > 1000 {
				t.Errorf("not a line: %q", s)
			}
			if strings.Contains(fmt.Sprintf("%#v", f), marked) {
				t.Errorf("shows a secret: %v", f)
			}
		}
		for _, s := range Settings(c) {
			if strings.Contains(s.Value, marked) {
				t.Errorf("shows a secret: %+v", s)
			}
		}
		for i := range c.Links {
			if (c.Links[i].Kind != "") != (set(c.Links[i]) == 1) {
				t.Errorf("link %+v has %d kinds", c.Links[i], set(c.Links[i]))
			}
		}
	})
}

func set(k Link) (n int) {
	for _, is := range []bool{k.Mesh != nil, k.Trunk != nil, k.APRS != nil, k.Mail != nil} {
		if is {
			n++
		}
	}
	return n
}

// TestSettingsCanBeReadAgain: what Settings prints, set as variables, gives the
// same settings and findings, secrets apart.
func TestSettingsCanBeReadAgain(t *testing.T) {
	environment := anyEnvironment(t.TempDir())
	rapid.Check(t, func(t *rapid.T) {
		c, findings := Load(environment.Draw(t, "environment").environ(), hooks)
		if HasErrors(findings) {
			return
		}
		again := settings{}
		for _, s := range Settings(c) {
			again[s.Variable] = s.Value
		}
		d, findings := Load(again.environ(), Hooks{CheckStore: hooks.CheckStore})
		if HasErrors(findings) || !reflect.DeepEqual(Settings(c), Settings(d)) {
			t.Errorf("%v\nthen %v\n%s", Settings(c), Settings(d), lines(findings))
		}
	})
}
