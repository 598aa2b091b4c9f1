package config

import (
	"reflect"
	"strings"
	"testing"
)

func TestStations(t *testing.T) {
	text := `# our mesh
!0a1b2c3d  N0QRA-7   Ann, on foot
n0qrb-9	n0qrb-9	Base	may=text,mail

1234       -         The hut       may=position
!ffff      N0QRC     may=
`
	got, findings := ParseStations(text)
	want := []Station{
		{"!0a1b2c3d", "N0QRA-7", "Ann, on foot", true, true, true},
		{"N0QRB-9", "N0QRB-9", "Base", true, true, false},
		{"1234", "", "The hut", false, false, true},
		{"!ffff", "N0QRC", "", false, false, false},
	}
	if len(findings) > 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v\n%s", got, lines(findings))
	}
}

func TestWrongStations(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"no call sign", "!0a1b\n", "error: line 1 has no call sign"},
		{"a call sign that is none", "n0qra-7 - Ann\n", `error: line 1 says that "N0QRA-7" has no call sign`},
		{"not a call sign", "\n!0a1b Ann\n", `error: line 2 has "Ann" as call sign`},
		{"placeholder", "!0a1b N0CALL Ann\n", `error: line 1 has "N0CALL" as call sign`},
		{"node twice", "!0a1b N0QRA\n!0a1b N0QRB\n", `error: line 2 names "!0a1b" again`},
		{"call sign twice, in another form", "N0QRA N0QRA\nn0qra-0 N0QRB\n", `error: line 2 names "N0QRA" again`},
		{"unknown right", "!0a1b N0QRA may=text,sing\n", `error: line 1 has "sing" behind may=`},
		{"empty right", "!0a1b N0QRA may=text,,mail\n", `error: line 1 has an empty word`},
		{"rights in the middle", "!0a1b N0QRA may=text Ann\n", `error: line 1 has may= before its end`},
		{"rights with spaces", "!0a1b N0QRA may=text, mail\n", `error: line 1 has may= before its end`},
		{"control character", "!0a1b N0QRA A\x1bnn\n", "error: line 1 is longer than 500 bytes, holds a control"},
		{"long line", "!0a1b N0QRA " + strings.Repeat("x", 500), "error: line 1 is longer than 500 bytes"},
	} {
		if _, findings := ParseStations(c.text); len(findings) != 1 || !strings.HasPrefix(findings[0].String(), c.want) {
			t.Errorf("%s: %s", c.name, lines(findings))
		}
	}
}

func TestAFileOfAnotherKindIsNotReadToItsEnd(t *testing.T) {
	_, findings := ParseStations(strings.Repeat("lorem\n", 1000))
	if len(findings) != maxFindings+1 {
		t.Errorf("%d findings", len(findings))
	}
}

// FuzzStations: a list that has no findings is the same when it is written and
// read again, no node comes twice, and each call sign is canonical.
func FuzzStations(f *testing.F) {
	for _, s := range []string{"!0a1b N0QRA-7 Ann may=text,mail\n", "x - y\n# z\n", "a N0QRA may=\n", "a\tn0qra\tb  c\n"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		list, findings := ParseStations(text)
		if len(findings) > 0 {
			return
		}
		var b strings.Builder
		seen := map[string]bool{}
		for _, s := range list {
			if seen[s.Node] || canonical(s.Call) != s.Call {
				t.Fatalf("%+v", s)
			}
			seen[s.Node] = true
			b.WriteString(stationLine(s))
		}
		again, findings := ParseStations(b.String())
		if len(findings) > 0 && !strings.Contains(lines(findings), "longer than 500") || len(findings) == 0 && !reflect.DeepEqual(list, again) {
			t.Fatalf("%+v, then %+v\n%s", list, again, lines(findings))
		}
	})
}

func stationLine(s Station) string {
	call := s.Call
	if call == "" {
		call = "-"
	}
	var may []string
	for word, is := range map[string]bool{"text": s.MayText, "mail": s.MayMail, "position": s.MayPosition} {
		if is {
			may = append(may, word)
		}
	}
	return s.Node + " " + call + " " + s.Name + " may=" + strings.Join(may, ",") + "\n"
}

func TestOperators(t *testing.T) {
	got, findings := ParseOperators("# us\nn0qra-0:" + bcryptHash + "\n\n N0QRB:" + strings.Replace(bcryptHash, "$2b$", "$2y$", 1) + " \n")
	if len(findings) > 0 || len(got) != 2 || got[0].Call != "N0QRA" || got[1].Call != "N0QRB" || got[0].Hash.Reveal() != bcryptHash {
		t.Errorf("%+v\n%s", got, lines(findings))
	}
}

func TestWrongOperators(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"no colon", "N0QRA\n", "error: line 1 has no bcrypt hash"},
		{"no call sign", "\nann:" + bcryptHash, "error: line 2 does not begin with a call sign"},
		{"placeholder", "N0CALL:" + bcryptHash, "error: line 1 names the placeholder"},
		{"twice", "N0QRA:" + bcryptHash + "\nn0qra:" + bcryptHash, "error: line 2 names N0QRA again"},
		{"password in clear", "N0QRA:swordfish", "error: line 1 has no bcrypt hash"},
		{"another hash", "N0QRA:$6$salt$hash", "error: line 1 has no bcrypt hash"},
		{"cost that would stop the gateway", "N0QRA:" + strings.Replace(bcryptHash, "$10$", "$31$", 1), "error: line 1 has no bcrypt hash"},
		{"cut hash", "N0QRA:" + bcryptHash[:59], "error: line 1 has no bcrypt hash"},
	} {
		got, findings := ParseOperators(c.text)
		if len(findings) != 1 || !strings.HasPrefix(findings[0].String(), c.want) || strings.Contains(lines(findings), "swordfish") {
			t.Errorf("%s: %+v\n%s", c.name, got, lines(findings))
		}
	}
}
