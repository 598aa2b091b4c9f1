package main

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"posthouse/adapters"
	"posthouse/bridge"
	"posthouse/bridge/config"
	"posthouse/bridge/link"
)

// FuzzVet: each line gets one line, which passes the text in frames that fit, or
// refuses it by one of the codes, or says why it is no message.
func FuzzVet(f *testing.F) {
	for _, s := range []string{
		`{"from":"N0QRA-7","to":"N0QRB-9","text":"hello"}`, `{"from":"N0QRA-7","to":"ann@club.example","text":"hello","link":"valley"}`,
		`{"from":"","to":"ALL","text":"ü日本🚒"}`, `{"from":"N0QRA-7","to":"ALL","text":"` + strings.Repeat("water ", 200) + `"}`, `{"text":7}`, `[`, "\xff",
	} {
		f.Add(s)
	}
	cfg, _ := config.Load(append(ownMesh("valley", "127.0.0.1:1"), "POSTHOUSE_CALLSIGN="+gatewayCall, "POSTHOUSE_LINKS=valley"), adapters.Hooks())
	judge := bridge.NewJudge(cfg)
	f.Fuzz(func(t *testing.T, line string) {
		a, err := vetCmd{}.vet(judge, []byte(line))
		if err != nil {
			return
		}
		b, err := json.Marshal(a)
		if err != nil || bytes.ContainsRune(b, '\n') {
			t.Fatalf("%q: %s, %v", line, b, err)
		}
		switch a.Verdict {
		case "refuse":
			if !slices.Contains(link.Codes, a.Rule) || a.Why == "" {
				t.Fatalf("%q: refused by %q, why: %q", line, a.Rule, a.Why)
			}
		case "pass":
			for _, p := range a.Parts {
				if len(p) > 140 {
					t.Fatalf("%q: a part of %d bytes: %q", line, len(p), p)
				}
			}
		default:
			t.Fatalf("%q: %+v", line, a)
		}
	})
}
