package config

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// fourLinks is one link of each kind.
var fourLinks = []LinkSpec{{"valley", "mesh"}, {"far", "trunk"}, {"aprs", "aprs"}, {"post", "mail"}}

func initFile(t testing.TB, call string, links []LinkSpec) string {
	t.Helper()
	var b strings.Builder
	if err := Init(&b, call, links); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestInitGolden(t *testing.T) {
	golden(t, "init.env", initFile(t, "N0CALL-10", fourLinks))
}

func TestReferenceGolden(t *testing.T) {
	var b strings.Builder
	if err := Reference(&b); err != nil {
		t.Fatal(err)
	}
	golden(t, "reference.md", b.String())
}

func TestSettingsGolden(t *testing.T) {
	environ, err := ParseEnvFile(initFile(t, "N0QRZ-10", fourLinks))
	if err != nil {
		t.Fatal(err)
	}
	c, _ := Load(append(environ, "POSTHOUSE_VALLEY_PASSWORD=swordfish", "POSTHOUSE_POST_ALLOW=ann@club.example=N0QRA,*@county.example",
		"POSTHOUSE_LOG_LEVEL=debug", "POSTHOUSE_POSITION=CN86nm", "POSTHOUSE_HTTP_LISTEN="), hooks)
	var b strings.Builder
	for _, s := range Settings(c) {
		mark := " "
		if !s.Default {
			mark = "*"
		}
		fmt.Fprintf(&b, "%s %s=%s\n", mark, s.Variable, s.Value)
	}
	golden(t, "settings.txt", b.String())
}

// TestInitLeavesOnlyDecisions: the printed file has no findings but those that
// need a person: files that only the operator can make, and what only he can
// know.
func TestInitLeavesOnlyDecisions(t *testing.T) {
	want := []string{
		"error: POSTHOUSE_APRS_PASSCODE_FILE names a file that cannot be read",
		"warning: POSTHOUSE_VALLEY_OPEN_CHANNEL is not yes",
		"error: POSTHOUSE_FAR_SIGNING_KEY_FILE names a file that cannot be read",
		"error: POSTHOUSE_FAR_TRUST_FILE names a file that cannot be read",
		"warning: POSTHOUSE_POST_RELAYS are believed",
	}
	placeholder := "error: POSTHOUSE_CALLSIGN is the placeholder N0CALL"
	for call, want := range map[string][]string{
		"N0QRZ-10":  want,
		"N0CALL-10": append(append(want[:1:1], placeholder), want[1:]...),
	} {
		environ, err := ParseEnvFile(initFile(t, call, fourLinks))
		if err != nil {
			t.Fatal(err)
		}
		_, findings := Load(environ, hooks)
		if len(findings) != len(want) {
			t.Fatalf("%s: %s", call, lines(findings))
		}
		for i, f := range findings {
			if !strings.HasPrefix(f.String(), want[i]) {
				t.Errorf("%s: got %s\nwant %s", call, f, want[i])
			}
		}
	}
}

// TestInitNamesEveryVariable: with every comment taken away, each line is still
// read, none is unknown, and no variable of the links is left out.
func TestInitNamesEveryVariable(t *testing.T) {
	text := initFile(t, "N0QRA-10", fourLinks)
	environ, err := ParseEnvFile(strings.ReplaceAll(text, "\n#POSTHOUSE_", "\nPOSTHOUSE_"))
	if err != nil {
		t.Fatal(err)
	}
	c, findings := Load(environ, Hooks{})
	for _, f := range findings {
		switch {
		case strings.Contains(f.Problem, "names a file that cannot be read"):
		case strings.Contains(f.Problem, "are both set"), strings.Contains(f.Problem, "is missing, and a user name is set"):
		case strings.HasSuffix(f.Variable, "_OPEN_CHANNEL"), strings.HasSuffix(f.Variable, "_OVERHEAD_BYTES"), strings.HasSuffix(f.Variable, "_RELAYS"):
		case f.Variable == "POSTHOUSE_FAR_BROKER_LISTEN":
		default:
			t.Errorf("%s", f)
		}
	}
	env := environment(environ)
	for _, s := range Settings(c) {
		_, plain := env[s.Variable]
		_, inFile := env[s.Variable+"_FILE"]
		if !plain && !inFile {
			t.Errorf("%s is not in the file", s.Variable)
		}
	}
}

// TestInitForAnyLinks: whatever is asked for is refused, or printed so that it
// can be read and every link is there.
func TestInitForAnyLinks(t *testing.T) {
	spec := rapid.Custom(func(t *rapid.T) LinkSpec {
		return LinkSpec{rapid.StringMatching(`[a-z][a-z0-9]{0,6}|data|all|[A-Z-]{2}`).Draw(t, "name"), rapid.SampledFrom(append(Kinds, "fax")).Draw(t, "kind")}
	})
	rapid.Check(t, func(t *rapid.T) {
		specs := rapid.SliceOfN(spec, 0, 4).Draw(t, "links")
		var b strings.Builder
		if err := Init(&b, "N0QRZ-10", specs); err != nil {
			if b.Len() > 0 {
				t.Fatal("an error, and half a file")
			}
			return
		}
		environ, err := ParseEnvFile(b.String())
		if err != nil {
			t.Fatal(err)
		}
		c, _ := Load(environ, Hooks{})
		if len(c.Links) != len(specs) {
			t.Fatalf("%v became %v", specs, c.Links)
		}
		for i, k := range c.Links {
			if k.Name != specs[i].Name || k.Kind != specs[i].Kind {
				t.Fatalf("%v became %s, a %s", specs[i], k.Name, k.Kind)
			}
		}
	})
}

func TestInitRefuses(t *testing.T) {
	for _, c := range []struct {
		call  string
		links []LinkSpec
		want  string
	}{
		{"HELLO", fourLinks, `call sign "HELLO"`},
		{"N0QRZ\nX=1", fourLinks, `call sign "N0QRZ\nX=1"`},
		{"N0QRZ", nil, "no link is named"},
		{"N0QRZ", []LinkSpec{{"log", "mesh"}}, `link name "log": choose another name`},
		{"N0QRZ", []LinkSpec{{"a", "mesh"}, {"a", "mail"}}, `link name "a": name each link once`},
		{"N0QRZ", []LinkSpec{{"a", "fax"}}, `link a: kind "fax" is none of`},
	} {
		var b strings.Builder
		if err := Init(&b, c.call, c.links); err == nil || !strings.HasPrefix(err.Error(), c.want) || b.Len() > 0 {
			t.Errorf("%q %v: %v", c.call, c.links, err)
		}
	}
}

func TestLinkSpecs(t *testing.T) {
	got, err := ParseLinkSpecs("valley:mesh, far:trunk,aprs:aprs,post:mail")
	if err != nil || fmt.Sprint(got) != fmt.Sprint(fourLinks) {
		t.Errorf("%v, %v", got, err)
	}
	for _, s := range []string{"valley", "valley:", ":mesh", "valley:fax", "Valley:mesh", "a:mesh,,b:mesh"} {
		if got, err := ParseLinkSpecs(s); err == nil || got != nil {
			t.Errorf("%q: %v, %v", s, got, err)
		}
	}
}
