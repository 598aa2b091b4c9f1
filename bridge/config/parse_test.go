package config

import (
	"fmt"
	"net/netip"
	"os"
	"os/exec"
	"reflect"
	"strings"
	"testing"
)

// The fuzz tests of the small parsers all hold one law: what was read, printed
// and read again, is the same; and on an error nothing is returned.

func FuzzRoute(f *testing.F) {
	for _, s := range []string{"N0QRA*=far", "*@*=far", "a=b@c.example=post", "=", "n0qra=x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { roundTrip(t, s, listOf(parseRoute)) })
}

func FuzzAllow(f *testing.F) {
	for _, s := range []string{"ann@club.example=N0QRA", "*@county.example", "a=b@c.example=N0QRA", "@", "*@*"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { roundTrip(t, s, listOf(parseAllow)) })
}

func FuzzRelay(f *testing.F) {
	for _, s := range []string{"127.0.0.0/8,::1/128", "192.0.2.1", "::ffff:192.0.2.1", "192.0.2.1/24", "fe80::1%eth0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) { roundTrip(t, s, listOf(parsePrefix)) })
}

func roundTrip[T any](t *testing.T, s string, parse func(string) ([]T, error)) {
	list, err := parse(s)
	if err != nil {
		if list != nil {
			t.Fatalf("%q: %v and an error", s, list)
		}
		return
	}
	var items []string
	for _, item := range list {
		items = append(items, fmt.Sprint(item))
	}
	again, err := parse(strings.Join(items, ","))
	if err != nil || !reflect.DeepEqual(list, again) {
		t.Fatalf("%q: %v, then %v, %v", s, list, again, err)
	}
}

func FuzzAliases(f *testing.F) {
	for _, s := range []string{"EOC=eoc@county.example,TEAM3=N0QRC-3", "eoc=x", "a=b=c", "=", "A=1,a=2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var a, b Aliases
		if err := a.UnmarshalText([]byte(s)); err != nil {
			if a != nil {
				t.Fatalf("%q: %v and an error", s, a)
			}
			return
		}
		if err := b.UnmarshalText([]byte(a.String())); err != nil || !reflect.DeepEqual(a, b) {
			t.Fatalf("%q: %v, then %v, %v", s, a, b, err)
		}
	})
}

func FuzzRate(f *testing.F) {
	for _, s := range []string{"20/10m", "1/1h30m", "0/1s", "5/", "/1m", "+3/1ms"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var a, b Rate
		if err := a.UnmarshalText([]byte(s)); err != nil {
			if a != (Rate{}) {
				t.Fatalf("%q: %v and an error", s, a)
			}
			return
		}
		if a.Count <= 0 || a.Per <= 0 {
			t.Fatalf("%q: %v", s, a)
		}
		if err := b.UnmarshalText([]byte(a.String())); err != nil || a != b {
			t.Fatalf("%q: %v, then %v, %v", s, a, b, err)
		}
	})
}

func TestRelays(t *testing.T) {
	got, err := listOf(parsePrefix)("192.0.2.77/24, 2001:db8::1,::ffff:198.51.100.1")
	want := []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24"), netip.MustParsePrefix("2001:db8::1/128"), netip.MustParsePrefix("198.51.100.1/32")}
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("got %v, %v", got, err)
	}
}

// TestAmateurAddresses: the networks for licensed amateurs; the values just
// outside them are not (44.192.0.0/10 was sold in 2019).
func TestAmateurAddresses(t *testing.T) {
	for address, want := range map[string]bool{
		"44.0.0.1": true, "44.127.255.255": true, "44.128.0.1": true, "44.191.255.255": true, "::ffff:44.0.0.1": true,
		"44.192.0.1": false, "44.224.0.1": false, "43.255.255.255": false, "45.0.0.1": false, "broker.example": false,
	} {
		if isAmateurAddress(address) != want {
			t.Errorf("%s: want %v", address, want)
		}
	}
}

func TestEnvFile(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
		err        string
	}{
		{"comments and empty lines", "# a=b\n; c=d\n\n  \n", nil, ""},
		{"plain", "A=b\n A_1=c/d:e,f@g%h+i=j \n", []string{"A=b", "A_1=c/d:e,f@g%h+i=j"}, ""},
		{"empty", "A=\nB=''\nC=\"\"", []string{"A=", "B=", "C="}, ""},
		{"single quotes keep everything", `A='a "b" \ $c # d'`, []string{`A=a "b" \ $c # d`}, ""},
		{"double quotes take backslashes", `A="a 'b' \"c\" \\ \$d \` + "`" + `"`, []string{`A=a 'b' "c" \ $d ` + "`"}, ""},
		{"the last one counts", "A=1\nB=2\nA=3\n", []string{"A=3", "B=2"}, ""},
		{"no equals sign", "A\n", nil, "line 1: write NAME=VALUE"},
		{"export is not known to systemd", "\nexport A=1\n", nil, "line 2: write NAME=VALUE"},
		{"space without quotes", "A=b c", nil, "line 1: A: put the value in single quotes"},
		{"comment behind a value", "A=b #c", nil, "line 1: A: put the value in single quotes"},
		{"unclosed quote", "A='b", nil, "line 1: A: the single quotes do not match"},
		{"unclosed double quote", `A="b`, nil, "line 1: A: the double quotes do not match"},
		{"more behind the quote", `A="b"c`, nil, "line 1: A: the value goes on behind its closing quote"},
		{"a dollar that a shell would replace", `A="$b"`, nil, `line 1: A: write \$ for $`},
		{"a backslash that stays", `A="\n"`, nil, "line 1: A: a backslash stands before something"},
	} {
		got, err := ParseEnvFile(c.text)
		if !reflect.DeepEqual(got, c.want) || (err == nil) != (c.err == "") || err != nil && !strings.HasPrefix(err.Error(), c.err) {
			t.Errorf("%s: %q, %v", c.name, got, err)
		}
	}
}

func FuzzEnvFile(f *testing.F) {
	for _, s := range []string{"A=b\n# c\nD='e f'\n", `A="\"\\\$"`, "A=\nA='x'\n", "=", "A='\n'"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		environ, err := ParseEnvFile(s)
		if err != nil {
			if environ != nil {
				t.Fatalf("%q and an error", environ)
			}
			return
		}
		var text strings.Builder
		for _, entry := range environ {
			name, value, _ := strings.Cut(entry, "=")
			text.WriteString(name + "=" + envQuote(value) + "\n")
		}
		again, err := ParseEnvFile(text.String())
		if err != nil || !reflect.DeepEqual(environ, again) {
			t.Fatalf("%q, then %q, %v", environ, again, err)
		}
	})
}

// TestAShellReadsTheSame: what envQuote writes, the machine's own shell reads
// as it was meant.
func TestAShellReadsTheSame(t *testing.T) {
	sh, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no sh on this machine")
	}
	for _, value := range []string{"plain", "a b", `{"from":{{json .Via}}}`, "it's", `it's "$HOME" \ ` + "`id`", "*@*=far", "~", "#x", "", "ü 日本"} {
		path := file(t, 0o600, "VALUE="+envQuote(value)+"\n")
		cmd := exec.Command(sh, "-c", `. "$1"; printf %s "$VALUE"`, "sh", path)
		cmd.Env = []string{"HOME=" + os.DevNull}
		out, err := cmd.CombinedOutput()
		if err != nil || string(out) != value {
			t.Errorf("%q is written %s and read %q, %v", value, envQuote(value), out, err)
		}
		if got, err := ParseEnvFile("VALUE=" + envQuote(value)); err != nil || got[0] != "VALUE="+value {
			t.Errorf("%q is read %q, %v", value, got, err)
		}
	}
}
